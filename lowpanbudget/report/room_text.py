"""Budgets for people: the room of each flow and hop at a glance, then where the octets go and what would free more."""

from collections.abc import Sequence
from typing import Any

from rich.console import Console
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from lowpanbudget.report import ledger_text, strip
from lowpanbudget.report.screen import Screen
from lowpanbudget.report.strip import Part
from lowpanbudget.report.terminal import heading, octets, paragraph

_BAR = 40


def overview(console: Console, screen: Screen, found: Sequence[dict[str, Any]]) -> None:
    """Print one line a flow and hop: the room, and the frame as a bar of headers and room."""
    heading(console, screen, "Room: octets of your own data in one frame")
    width = min(_BAR, max(10, console.width - 52))
    glyphs = screen.glyphs
    table = Table(box=None, padding=(0, 2, 0, 0), pad_edge=False, header_style="dim")
    for title in ("flow", "hop", "direction"):
        table.add_column(title, overflow="fold")
    table.add_column("room", justify="right")
    table.add_column("of frame", justify="right")
    table.add_column("headers, then room", no_wrap=True)
    for one in found:
        frame = max(one["ledger"]["octets"], 1)
        room = min(one["room"], frame)
        used = max(1, round((frame - room) * width / frame))
        bar = Text(glyphs.fills[0] * min(used, width)).append(
            glyphs.payload * max(width - used, 0), "cyan"
        )
        names = (screen.text(one[name]) for name in ("flow", "hop", "direction"))
        table.add_row(*names, Text(str(one["room"]), "bold"), str(frame), bar)
    console.print(Padding(table, (0, 0, 0, 2)))
    console.print()


def budget(
    console: Console,
    screen: Screen,
    one: dict[str, Any],
    rows: Sequence[dict[str, Any]],
    segments: Sequence[dict[str, Any]],
    *,
    ledger: bool,
) -> None:
    """Print one flow on one hop."""
    title = f"{one['flow']}, {one['hop']} hop, {one['direction']}: room for {octets(one['room'])}"
    heading(console, screen, title)
    parts = ledger_text.parts_of(segments)
    labelled = [Part(p.kind, "room" if p.kind == strip.PAYLOAD else p.label, p.size) for p in parts]
    strip.draw(console, screen, labelled)
    console.print()
    for caution in one["cautions"]:
        paragraph(console, screen, f"Caution: {caution}", "bold")
    if one["cautions"]:
        console.print()
    if ledger:
        # the octets of a frame that was filled to measure it tell nothing
        told = [row | {"says": ""} if row["layer"] == strip.PAYLOAD else row for row in rows]
        ledger_text.draw(console, screen, told, segments)
        console.print()
    _cliffs(console, one["cliffs"])
    _changes(
        console, screen, "What would give more room, each change alone, measured by encoding again",
        one["savings"], one["room"],
    )  # fmt: skip
    _changes(
        console, screen, "These give room and weaken protection; they are no advice",
        one["weaker"], one["room"],
    )  # fmt: skip
    _changes(console, screen, "What more protection takes", one["stronger"], one["room"])


def _cliffs(console: Console, cliffs: Sequence[Sequence[int]]) -> None:
    if not cliffs:
        return
    console.print(Text("Frames a payload takes", "bold"))
    parts = []
    start = 0
    for largest, frames in cliffs:
        end = f"{start}-{largest}" if largest > start else f"{largest}"
        parts.append(f"{end} octets: {frames}")
        start = largest + 1
    console.print(Padding(_flow(parts, console.width - 2), (0, 0, 0, 2)))
    console.print()


def _flow(parts: Sequence[str], width: int) -> Text:
    """Return short texts side by side, broken only between them."""
    lines: list[str] = [""]
    for part in parts:
        joined = f"{lines[-1]}   {part}" if lines[-1] else part
        if len(joined) > width and lines[-1]:
            lines.append(part)
        else:
            lines[-1] = joined
    return Text("\n".join(lines))


def _changes(
    console: Console, screen: Screen, title: str, changes: Sequence[dict[str, Any]], room: int
) -> None:
    if not changes:
        return
    console.print(Text(title, "bold"))
    console.print(Padding(change_table(screen, changes, room), (0, 0, 0, 2)))
    console.print()


def change_table(screen: Screen, changes: Sequence[dict[str, Any]], room: int) -> Table:
    """Return changes as a table: gain, the room then, what to change, on what condition, and the clause."""
    table = Table.grid(padding=(0, 2, 0, 0))
    table.add_column(justify="right", no_wrap=True, style="bold")
    table.add_column(no_wrap=True)
    table.add_column(overflow="fold")
    for change in changes:
        text = Text(screen.text(change["text"]), "bold")
        text.append(
            f"\n{screen.text(change['knob'])}   {screen.text(change['cite'])}", "not bold dim"
        )
        if change["condition"]:
            text.append(f"\nwhen: {screen.text(change['condition'])}", "not bold")
        if change["caution"]:
            text.append(f"\ncaution: {screen.text(change['caution'])}", "not bold italic")
        table.add_row(
            f"{change['gain']:+d}", f"{screen.glyphs.arrow} {room + change['gain']}", text
        )
    return table
