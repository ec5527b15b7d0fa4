"""The room by the number of hops, for people: a curve in blocks for each flow, and where it ends."""

from collections.abc import Iterator, Sequence
from itertools import groupby
from typing import Any

from rich.console import Console

from lowpanbudget.errors import plural
from lowpanbudget.report import layout
from lowpanbudget.report.layout import Cell
from lowpanbudget.report.screen import Screen
from lowpanbudget.report.terminal import heading, paragraph

_BAR, _LEAST_BAR = 40, 8
_BESIDE_BAR = 52  # columns of hops, rooms and what stands behind a bar, with the gaps of the table
_TITLES = ["hops", "first hop", "forwarded", "room on the worst hop"]


def room_by_hops(console: Console, screen: Screen, flows: Sequence[dict[str, Any]]) -> None:
    """Print each flow: where its room ends, then its rooms; numbers of hops that leave the same stand together."""
    rooms = [one["room"] for flow in flows for one in flow["rooms"]]
    most = max((room for room in rooms if room is not None), default=0)
    width = min(_BAR, console.width - _BESIDE_BAR)
    for flow in flows:
        heading(console, screen, f"{flow['flow']}, {flow['direction']}: {_answer(flow)}")
        rows = list(_rows(screen, flow, most, width))
        titles = _TITLES
        if width < _LEAST_BAR:
            titles, rows = _TITLES[:-1], [row[:-1] for row in rows]
        layout.put(console, layout.table(titles, rows, console.width, right=(1, 2)))
        for one in flow["rooms"]:
            if one["refused"]:
                paragraph(console, screen, f"{plural(one['hops'], 'hop')}: {one['refused']}")
                break
        console.print()


def _answer(flow: dict[str, Any]) -> str:
    """Return up to how many hops there is room, and what ends it."""
    if flow["deepest"] is None:
        return "no room on a single hop"
    answer = f"room up to {plural(flow['deepest'], 'hop')}"
    end = flow["end"]
    if end is None:
        return f"{answer}, the most of a design"
    if end["refused"]:
        return f"{answer}; {end['refused']}"
    if end["room"] == 0:
        return f"{answer}; over {end['hops']} the headers fill the frame"
    return f"{answer}; over {end['hops']} the headers are {plural(-end['room'], 'octet')} over"


def _rows(screen: Screen, flow: dict[str, Any], most: int, width: int) -> Iterator[list[Cell]]:
    names = ("room", "first", "forwarded")
    runs = groupby(_in_turn(flow["rooms"]), lambda one: (one[0], *(one[1][name] for name in names)))
    for (_, room, first, forwarded), run in runs:
        hops = [one["hops"] for _, one in run]
        shown = str(hops[0]) if len(hops) == 1 else f"{hops[0]} to {hops[-1]}"
        filled = max(round(max(room or 0, 0) * width / max(most, 1)), int((room or 0) > 0))
        numbers = ["none" if n is None else str(n) for n in (first, forwarded)]
        if forwarded is None and first is not None:
            numbers[1] = ""
        mark = " (as designed)" if flow["hops"] in hops else ""
        bar = [
            (screen.glyphs.fills[0] * filled, "cyan"),
            (f" {'' if room is None else room}{mark}", ""),
        ]
        yield [shown, *numbers, bar]


def _in_turn(rooms: Sequence[dict[str, Any]]) -> Iterator[tuple[int, dict[str, Any]]]:
    """Yield each room with a number that rooms share whose hops follow one another."""
    for index, one in enumerate(rooms):
        yield one["hops"] - index, one
