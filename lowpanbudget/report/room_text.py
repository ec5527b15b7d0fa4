"""Budgets for people: the room of each flow and hop at a glance, then where the octets go and what would free more."""

from collections.abc import Iterator, Sequence
from typing import Any

from rich.console import Console
from rich.padding import Padding
from rich.text import Text

from lowpanbudget.bits import Nature
from lowpanbudget.errors import plural
from lowpanbudget.report import layout, ledger_text, strip
from lowpanbudget.report.layout import BREAK, Cell, Line, Run
from lowpanbudget.report.screen import Screen
from lowpanbudget.report.strip import Part
from lowpanbudget.report.terminal import heading, paragraph

_BAR = 40


def overview(console: Console, screen: Screen, budgets: Sequence[dict[str, Any]]) -> None:
    """Print one line a flow and hop: the room, and the frame as a bar of headers and room."""
    heading(console, screen, "Room: octets of your own data in one frame")
    width = min(_BAR, max(12, console.width - 52))
    glyphs = screen.glyphs
    rows: list[list[Cell]] = []
    for result in budgets:
        frame = max(result["ledger"]["octets"] + min(result["room"], 0), 1)
        used = max(1, round((frame - min(result["room"], frame)) * width / frame))
        bar: list[Run] = [
            (glyphs.fills[0] * min(used, width), ""),
            (glyphs.payload * max(width - used, 0), "cyan"),
        ]
        names = [screen.text(result[name]) for name in ("flow", "hop", "direction")]
        rows.append([*names, [(str(result["room"]), "bold")], str(frame), bar])
    titles = ("flow", "hop", "direction", "room", "of frame", "headers, then room")
    layout.put(console, layout.table(titles, rows, console.width, right=(3, 4)))
    console.print()


def budget(
    console: Console,
    screen: Screen,
    result: dict[str, Any],
    rows: Sequence[dict[str, Any]],
    segments: Sequence[dict[str, Any]],
    *,
    ledger: bool,
) -> None:
    """Print one flow on one hop."""
    room = result["room"]
    says = (
        f"room for {plural(room, 'octet')}"
        if room >= 0
        else f"the headers alone are {plural(-room, 'octet')} over"
    )
    heading(
        console, screen, f"{result['flow']}, {result['hop']} hop, {result['direction']}: {says}"
    )
    parts = ledger_text.parts_of(segments)
    labelled = [
        Part(p.kind, "room" if p.kind is Nature.PAYLOAD else p.label, p.size) for p in parts
    ]
    strip.draw(console, screen, labelled)
    console.print()
    for caution in result["cautions"]:
        paragraph(console, screen, f"Caution: {caution}", "bold")
    if result["cautions"]:
        console.print()
    if ledger:
        # the octets of a frame that was filled to measure it tell nothing
        shown = [
            row | {"says": ""} if row["nature"] == Nature.PAYLOAD.value else row for row in rows
        ]
        ledger_text.draw(console, screen, shown, segments)
        console.print()
    _cliffs(console, result["cliffs"])
    _changes(
        console, screen, "What would give more room, each change alone, measured by encoding again",
        result["savings"], result["room"],
    )  # fmt: skip
    _changes(
        console, screen, "These give room and weaken protection; they are no advice",
        result["weaker"], result["room"],
    )  # fmt: skip
    _changes(console, screen, "What more protection takes", result["stronger"], result["room"])


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
    paragraph(console, screen, title, "bold")
    layout.put(console, change_lines(screen, changes, room, console.width))
    console.print()


def change_lines(
    screen: Screen, changes: Sequence[dict[str, Any]], room: int, width: int
) -> Iterator[Line]:
    """Yield changes as lines: gain, the room then, what to change, on what condition, and the clause."""
    gains = [f"{change['gain']:+d}" for change in changes]
    rooms = [f"{screen.glyphs.arrow} {room + change['gain']}" for change in changes]
    columns = (max(map(len, gains)), max(map(len, rooms)))
    widths = (*columns, max(width - sum(columns) - 6, 1))
    for change, gain, then in zip(changes, gains, rooms, strict=True):
        facts = f"{change['knob']}, {change['cite']}"
        description: list[Run] = [
            (screen.text(change["text"]), "bold"),
            BREAK,
            (screen.text(facts), "dim"),
        ]
        for name in ("condition", "caution"):
            if change[name]:
                label = "when" if name == "condition" else name
                description += [BREAK, (screen.text(f"{label}: {change[name]}"), "")]
        for text in _losses(change["elsewhere"]):
            description += [BREAK, (screen.text(text), "")]
        yield from layout.beside(
            [[(gain, "bold")], [(then, "")], description], widths, indent=2, right=(0,)
        )


def _losses(losses: Sequence[dict[str, Any]]) -> Iterator[str]:
    """Yield what a change takes from other flows, a line for each number of octets."""
    gains: dict[int, dict[str, list[str]]] = {}
    for loss in losses:
        gains.setdefault(loss["gain"], {}).setdefault(loss["flow"], []).append(loss["hop"])
    for gain, flows in gains.items():
        names = [
            f"{flow} ({hops[0]} hop)" if len(hops) == 1 else flow for flow, hops in flows.items()
        ]
        yield f"elsewhere: {gain:+d} on {', '.join(names)}"
