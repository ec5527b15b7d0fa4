"""A series over time for people: a line of heights for each node, and what losses are; or a table of all steps.

node   frames  octets  lost  frames in each 15 min
all       354    9198     2  ▅▄▅▇▇▆█▅▆▅▆▅▅▄▅▃
"""

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from rich.console import Console
from rich.text import Text

from lowpanbudget.errors import plural
from lowpanbudget.report import layout
from lowpanbudget.report.layout import Cell
from lowpanbudget.report.screen import Screen
from lowpanbudget.report.sightings import time_of
from lowpanbudget.report.span_text import span_of_time
from lowpanbudget.report.terminal import paragraph

MOST = 8  # nodes, unless all are asked for
SECOND = 10**9
LOSSES = (
    "A number is lost when it is missing in its sender's sequence before a frame of this step: the frame was lost on "
    "the air, or only this receiver missed it. Up to 64 in a row count; what a node last sent before it fell silent "
    "is never missed."
)
_TITLES = ("node", "frames", "octets", "lost")
_INDENT, _GAP = 2, 2
_LEAST = 8  # heights that a line has room for, even where it runs over
_COUNTS = ("frames", "octets", "lost")


def series(console: Console, screen: Screen, data: Mapping[str, Any], *, whole: bool) -> None:
    """Print a series; with ``whole`` all nodes and all steps, else the nodes with the most frames."""
    cells = data["cells"]
    every_ns = round(data["every_s"] * SECOND)
    span = span_of_time(data["every_s"])
    console.print(Text(f"Over time, in steps of {span}", "bold"))
    if data["every_s"] != data["asked_s"]:
        text = f"Steps of {span_of_time(data['asked_s'])} would be too many."
        paragraph(console, screen, text, indent=_INDENT)
    if data["untimed"]:
        text = f"{plural(data['untimed'], 'frame')} without a time stand in no step."
        paragraph(console, screen, text, indent=_INDENT)
    if not cells:
        console.print()
        return
    _lines(console, screen, cells, every_ns, whole=whole)
    console.print()
    if whole:
        _steps(console, screen, cells)
        console.print()
    paragraph(console, screen, LOSSES, "dim", _INDENT)
    console.print()


def _lines(
    console: Console,
    screen: Screen,
    cells: Sequence[Mapping[str, Any]],
    every_ns: int,
    *,
    whole: bool,
) -> None:
    """Print all nodes together and each node: its counts, and heights by the frames of each step."""
    first, last = (cells[at]["start_ns"] // every_ns for at in (0, -1))
    nodes = _by_node(cells)
    ordered = sorted(nodes, key=lambda name: (-_sum(nodes[name], "frames"), name))
    shown = ordered if whole else ordered[:MOST]
    rows = [("all", cells), *((name, nodes[name]) for name in shown)]
    counts = [[name, *(str(_sum(some, key)) for key in _COUNTS)] for name, some in rows]
    widths = [
        max(map(len, (title, *column)))
        for title, column in zip(_TITLES, zip(*counts, strict=True), strict=True)
    ]
    room = console.width - _INDENT - sum(widths) - _GAP * len(widths)
    together = -(-(last - first + 1) // max(room, _LEAST))  # steps that share a height
    per = span_of_time(together * every_ns / SECOND)
    begin = f"Frames in each {per}, from {_clock(first * every_ns)}; heights to the largest of each line."
    paragraph(console, screen, begin, indent=_INDENT)
    lines: list[list[Cell]] = []
    for count, (_, some) in zip(counts, rows, strict=True):
        lines.append([*count, _heights(screen, some, "frames", every_ns, first, last, together)])
        if _sum(some, "lost"):
            drawn = _heights(screen, some, "lost", every_ns, first, last, together)
            lines.append(["", "", "", [("lost", "red")], [(drawn, "red")]])
    titles = (*_TITLES, "")
    layout.put(console, layout.table(titles, lines, console.width, right=(1, 2, 3)))
    if len(shown) < len(ordered):
        left = sum(_sum(nodes[name], "frames") for name in ordered[len(shown) :])
        text = f"and {len(ordered) - len(shown)} more with {plural(left, 'frame')}"
        paragraph(console, screen, text, "dim", _INDENT)


def _clock(time_ns: int) -> str:
    """Return the begin of a step, without a fraction of zeros."""
    return time_of(time_ns).replace(".000000000", "")


def _heights(
    screen: Screen,
    cells: Sequence[Mapping[str, Any]],
    key: str,
    every_ns: int,
    first: int,
    last: int,
    together: int,
) -> str:
    """Return a character for so many steps together: nothing, or how much compared with the most of this line."""
    counts = [0] * ((last - first) // together + 1)
    for cell in cells:
        counts[(cell["start_ns"] // every_ns - first) // together] += cell[key]
    levels, most = screen.glyphs.heights, max(counts)
    return "".join(
        levels[(count * len(levels) - 1) // most] if count else screen.glyphs.free
        for count in counts
    )


def _by_node(cells: Sequence[Mapping[str, Any]]) -> dict[str, list[Mapping[str, Any]]]:
    nodes: dict[str, list[Mapping[str, Any]]] = {}
    for cell in cells:
        name = cell["address"] or "not named"
        nodes.setdefault(named(name, cell["network"]), []).append(cell)
    return nodes


def named(name: str, network: str | None) -> str:
    """Return the name of a flow or node with its network, where there are several."""
    return f"{name}, network {network}" if network else name


def _sum(cells: Sequence[Mapping[str, Any]], key: str) -> int:
    return sum(cell[key] for cell in cells)


def _steps(console: Console, screen: Screen, cells: Sequence[Mapping[str, Any]]) -> None:
    """Print a table of the steps that have frames."""
    titles = ("from", *_COUNTS, "nodes")
    rows = list(_step_rows(screen, cells))
    layout.put(console, layout.table(titles, rows, console.width, right=(1, 2, 3, 4)))


def _step_rows(screen: Screen, cells: Sequence[Mapping[str, Any]]) -> Iterator[list[Cell]]:
    steps: dict[int, list[Mapping[str, Any]]] = {}
    for cell in cells:
        steps.setdefault(cell["start_ns"], []).append(cell)
    for start_ns, some in steps.items():
        named = sum(cell["name"] is not None for cell in some)
        yield [
            screen.text(_clock(start_ns)),
            *(str(_sum(some, key)) for key in _COUNTS),
            str(named),
        ]
