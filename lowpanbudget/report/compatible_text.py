"""Old and new message formats for people: each change, whether it is safe, what an old receiver reads."""

from collections.abc import Sequence
from typing import Any

from rich.console import Console

from lowpanbudget.errors import plural
from lowpanbudget.report import layout
from lowpanbudget.report.layout import Cell, Run
from lowpanbudget.report.screen import Screen
from lowpanbudget.report.terminal import heading, paragraph

_WORDS = {
    "misread": "MISREAD"
}  # in what decides; a change that is misread by itself may be refused with others
_ALONE = (
    "These lines decide, also the exit code. Each change by itself, as if nothing else had changed:"
)
_STYLES = {
    "read right": "green",
    "right in another unit": "green",
    "right as a prefix": "yellow",
    "refused": "yellow",
    "may be misread": "bold yellow",
    "misread": "bold red",
}


def comparisons(console: Console, screen: Screen, entries: Sequence[dict[str, Any]]) -> None:
    """Print the comparison of each message."""
    if not entries:
        paragraph(console, screen, "Neither design has a message.")
    for comparison in entries:
        heading(console, screen, f"Message {comparison['message']}: {_size(comparison)}")
        _side(
            console, screen, comparison["outcome"], f"an old receiver {_reads(comparison['reads'])}"
        )
        if comparison["changes"]:
            reads = _reads(comparison["new_receiver_reads"])
            says = f"a new receiver of old messages {reads}"
            _side(console, screen, comparison["new_receiver_outcome"], says)
        console.print()
        if comparison["changes"]:
            if comparison["changes"][1:]:
                paragraph(console, screen, _ALONE)
            rows = [_row(screen, change) for change in comparison["changes"]]
            titles = ("field", "change", "verdict", "an old receiver reads", "bits")
            layout.put(console, layout.table(titles, rows, console.width, right=(4,)))
            console.print()
        for text in comparison["advice"]:
            paragraph(console, screen, text)
            console.print()


def _side(console: Console, screen: Screen, outcome: str, says: str) -> None:
    runs = [_verdict(screen, outcome, _WORDS.get(outcome, outcome)), (screen.text(f": {says}"), "")]
    layout.put(console, layout.wrap(runs, console.width))


def _reads(text: str) -> str:
    starts_with_verb = text.startswith(("waits", "does", "refuses"))
    return text if starts_with_verb else f"reads {text}"


def _size(comparison: dict[str, Any]) -> str:
    old, new = comparison["old_octets"], comparison["new_octets"]
    if old is None:
        return f"new, {_range(new)}"
    if new is None:
        return f"gone, was {_range(old)}"
    return _range(old) if old == new else f"{_range(old)} before, {_range(new)} now"


def _range(size: Sequence[int]) -> str:
    return (
        plural(size[1], "octet")
        if size[0] == size[1]
        else f"{size[0]} to {plural(size[1], 'octet')}"
    )


def _verdict(screen: Screen, outcome: str, words: str) -> Run:
    return (screen.text(words), _STYLES.get(outcome, ""))


def _bits(change: dict[str, Any]) -> str:
    if change["outcome"] == "not judged":
        return ""
    return f"{change['bits']:+d}" if change["bits"] else "0"


def _row(screen: Screen, change: dict[str, Any]) -> list[Cell]:
    return [
        screen.text(change["path"] or "the message"),
        screen.text(change["what"]),
        [_verdict(screen, change["outcome"], change["outcome"])],
        screen.text(change["reads"]),
        _bits(change),
    ]
