"""Frames and conversions for people: what was read, the bar, the ledger, what was noticed, where reading stopped."""

from collections.abc import Sequence
from typing import Any

from rich.console import Console
from rich.padding import Padding
from rich.text import Text

from lowpanbudget.bits import Nature
from lowpanbudget.errors import plural
from lowpanbudget.report import ledger_text, strip
from lowpanbudget.report.screen import Screen


def heading(console: Console, screen: Screen, text: str) -> None:
    """Print a heading with a rule as long as itself, or as the screen is wide."""
    shown = screen.text(text)
    console.print(Text(shown, "bold"))
    console.print(Text(screen.glyphs.rule * min(len(shown), console.width), "dim"))


def paragraph(
    console: Console, screen: Screen, text: str, style: str = "", indent: int = 0
) -> None:
    """Print a paragraph, wrapped to the screen and indented by so many columns."""
    console.print(Padding(Text(screen.text(text), style), (0, 0, 0, indent)))


def hex_block(console: Console, hex_text: str) -> None:
    """Print octets in hex, spaced by octet and wrapped between octets."""
    spaced = bytes.fromhex(hex_text).hex(" ")
    console.print(Padding(Text(spaced), (0, 0, 0, 2)))


def frame(
    console: Console,
    screen: Screen,
    title: str,
    seen: dict[str, Any],
    rows: Sequence[dict[str, Any]],
    segments: Sequence[dict[str, Any]],
    sealed: tuple[int, int] = (0, 0),
) -> None:
    """Print one frame: bar, ledger, notices, the datagram it brings, and the fault that ended reading."""
    heading(console, screen, title)
    if rows:
        hex_block(console, seen["octets"])
        console.print()
        strip.draw(console, screen, ledger_text.parts_of(segments))
        console.print()
        ledger_text.draw(console, screen, rows, segments)
        console.print()
    if sealed[1] > sealed[0]:
        text = (
            f"Octets {sealed[0]} to {sealed[1] - 1} were sent encrypted and opened with a key; "
            "what is shown is their content."
        )
        paragraph(console, screen, text)
        console.print()
    _notices(console, screen, seen["notices"])
    if seen["datagram"] is not None:
        carried = seen["datagram"]["octets"]
        console.print(f"The datagram it carries, expanded to {plural(len(carried) // 2, 'octet')}:")
        hex_block(console, carried)
        console.print()
    elif seen["fragment_octets"]:
        carried = seen["fragment_octets"]
        octets = plural(len(carried) // 2, "octet")
        piece = f"a datagram it carries, expanded to {octets}"
        if "length" in seen["fragment"]:  # of the compressed form, not expanded
            piece = f"the compressed form it carries, {octets}"
        console.print(f"The piece of {piece}:")
        hex_block(console, carried)
        console.print()
    if seen["fault"] is not None:
        read_on = not any(segment["kind"] == Nature.UNREAD for segment in segments)
        fault(console, screen, seen["fault"], read_on=read_on)


def _notices(console: Console, screen: Screen, notices: Sequence[dict[str, Any]]) -> None:
    if not notices:
        return
    console.print(Text("Noticed", "bold"))
    for notice in notices:
        clause = f" ({notice['cite']})" if notice["cite"] else ""
        text = f"octet {notice['offset']}: {notice['text']}{clause}"
        paragraph(console, screen, text, indent=2)
        if notice["hint"]:
            paragraph(console, screen, f"try: {notice['hint']}", indent=4)
    console.print()


def fault(console: Console, screen: Screen, view: dict[str, Any], *, read_on: bool = False) -> None:
    """Print where and why reading stopped, or what it lacked where it went on, the clause, and what to try."""
    place = f"octet {view['offset']}"
    if view["layer"]:
        place += f", {view['layer']}"
    what = "No datagram can be restored:" if read_on else "Reading stopped at"
    console.print(Text(screen.text(f"{what} {place}"), "bold red"))
    paragraph(console, screen, view["message"], indent=2)
    if view["cite"]:
        paragraph(console, screen, f"clause: {view['cite']}", "dim", 2)
    if view["hint"]:
        paragraph(console, screen, f"try: {view['hint']}", indent=2)
    console.print()


def conversion(
    console: Console,
    screen: Screen,
    summary: str,
    result: str,
    rows: Sequence[dict[str, Any]],
    segments: Sequence[dict[str, Any]],
    notices: Sequence[dict[str, Any]] = (),
) -> None:
    """Print the octets that came out, then the compressed form as bar and ledger."""
    heading(console, screen, summary)
    hex_block(console, result)
    console.print()
    strip.draw(console, screen, ledger_text.parts_of(segments))
    console.print()
    ledger_text.draw(console, screen, rows, segments)
    console.print()
    _notices(console, screen, notices)
