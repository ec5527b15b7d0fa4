"""Frames of a payload, and changes, for people: each as a picture with its numbers beneath."""

from collections.abc import Callable, Sequence
from typing import Any

from rich.console import Console

from lowpanbudget.design.cut import CutFrame
from lowpanbudget.report import change_text, chart_text, cuts, layout, view
from lowpanbudget.report.screen import Screen
from lowpanbudget.report.terminal import paragraph
from lowpanbudget.room.measure import room_of
from lowpanbudget.room.savings import Saving


def cut(
    console: Console, screen: Screen, frames: Sequence[CutFrame], flow: str = "", hop: str = ""
) -> None:
    """Print how a payload is cut into frames: the picture, and the octets of each part."""
    chart_text.draw(console, screen, cuts.cut_chart(flow, hop, frames))
    rows: list[list[layout.Cell]] = [
        list(row[:-1]) for row in cuts.cut_rows(frames)
    ]  # what they carry stands behind the bars
    numbers = tuple(range(1, len(cuts.COLUMNS) - 1))
    layout.put(console, layout.table(cuts.COLUMNS[:-1], rows, console.width, right=numbers))
    console.print()


def why(console: Console, screen: Screen, frames: Sequence[CutFrame]) -> None:
    """Print the rule by which a payload is cut."""
    paragraph(console, screen, cuts.words(frames))


def _cuts(several: list[CutFrame], console: Console, screen: Screen) -> None:
    cut(console, screen, several)
    why(console, screen, several)


def _savings(several: list[Saving], console: Console, screen: Screen) -> None:
    """Print changes from the room that their first one starts from."""
    first = several[0]
    room = 0 if first.path is None else room_of(first.path) - first.gain
    change_text.changes(
        console, screen, "Each change alone", [view.data_of(one) for one in several], room
    )


PAINTERS: dict[type, Callable[[Any, Console, Screen], None]] = {
    CutFrame: _cuts,
    Saving: _savings,
}
