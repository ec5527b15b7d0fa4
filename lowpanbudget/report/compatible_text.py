"""Old and new message formats for people: each change, whether it is safe, what an old receiver reads."""

from collections.abc import Sequence
from typing import Any

from rich.console import Console

from lowpanbudget.report import layout
from lowpanbudget.report.layout import Cell, Run
from lowpanbudget.report.screen import Screen
from lowpanbudget.report.terminal import heading, octets, paragraph

_APPENDED = (
    "An optional field that is appended moves all others by its presence bit. In a group of its own that is appended, "
    "it does not: its presence bit comes with the group."
)


def comparisons(console: Console, screen: Screen, found: Sequence[dict[str, Any]]) -> None:
    """Print the comparison of each message."""
    if not found:
        paragraph(console, screen, "Neither design has a message.")
    for one in found:
        heading(console, screen, f"Message {one['message']}: {_size(one)}")
        verdict: Run = ("safe", "green") if one["safe"] else ("NOT SAFE", "bold red")
        layout.put(
            console,
            layout.wrap(
                [verdict, (screen.text(f": an old receiver {_reads(one)}"), "")], console.width
            ),
        )
        console.print()
        if one["changes"]:
            rows = [_row(screen, change) for change in one["changes"]]
            titles = ("field", "change", "verdict", "an old receiver reads", "bits")
            layout.put(console, layout.table(titles, rows, console.width, right=(4,)))
            console.print()
        if any(
            not change["safe"] and change["what"].endswith(" appended") for change in one["changes"]
        ):
            paragraph(console, screen, _APPENDED)
            console.print()


def _reads(one: dict[str, Any]) -> str:
    text = str(one["reads"])
    starts_with_verb = text.startswith(("waits", "does", "refuses"))
    return text if starts_with_verb else f"reads {text}"


def _size(one: dict[str, Any]) -> str:
    old, new = one["old_octets"], one["new_octets"]
    if old is None:
        return f"new, {_range(new)}"
    if new is None:
        return f"gone, was {_range(old)}"
    return _range(old) if old == new else f"{_range(old)} before, {_range(new)} now"


def _range(size: Sequence[int]) -> str:
    return octets(size[1]) if size[0] == size[1] else f"{size[0]} to {octets(size[1])}"


def _row(screen: Screen, change: dict[str, Any]) -> list[Cell]:
    verdict: Run = ("safe", "green") if change["safe"] else ("NOT SAFE", "bold red")
    return [
        screen.text(change["path"] or "the message"),
        screen.text(change["what"]),
        [verdict],
        screen.text(change["reads"]),
        f"{change['bits']:+d}" if change["bits"] else "0",
    ]
