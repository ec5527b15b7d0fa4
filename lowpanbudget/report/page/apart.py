"""What sets hops and frames apart, on a design's page: the fullest frame by the number of hops, and payloads in frames.

Both are one picture of all flows with a table, of the design as it is.
"""

from collections.abc import Iterator, Sequence
from itertools import groupby
from typing import NamedTuple

from lowpanbudget.bits import Nature, StandInOctets
from lowpanbudget.design.cut import cut_frames
from lowpanbudget.design.flow import Flow
from lowpanbudget.design.meaning import Design
from lowpanbudget.design.path import FlowPath
from lowpanbudget.errors import LowpanError, plural
from lowpanbudget.report import cuts, view
from lowpanbudget.report.chart import Chart, ChartBlock, ChartKind, ChartRow, RowChart, Tone
from lowpanbudget.report.hops_apart import ShownHop, differences
from lowpanbudget.report.screen import harmless
from lowpanbudget.report.svg.document import inline
from lowpanbudget.report.view import Data
from lowpanbudget.room.measure import cliffs, room_of

_MOST_FLOWS, _MOST_HOPS = 12, 16  # that are told one by one
_OVER = 20  # octets more than two frames carry, so that a third one is seen with room in it
_LOUD = (Tone.MAIN, Tone.SECOND, Tone.THIRD)
_ROOM = ChartKind("room", Tone.QUIET)
_HOPS = (
    "flow",
    "hops",
    "worst hop",
    "room, octets",
    "headers and trailer, octets",
    "not as over one hop",
)


class _Over(NamedTuple):
    """The fullest frame of a flow over so many ``hops``, on the hop with the least room."""

    hops: int
    hop: str
    room: int
    segments: list[Data]


def apart_parts(design: Design) -> list[Data]:
    """Return pictures with their tables: frames by the number of hops, and payloads that take several."""
    flows = design.flows[:_MOST_FLOWS]
    left_out = len(design.flows) - len(flows)
    words = f"{plural(left_out, 'more flow')} of the design are left out." if left_out else ""
    return [part | {"words": words} for part in (*_by_hops(design, flows), *_cut(design, flows))]


def _told(chart: Chart, columns: Sequence[str], rows: list[list[str]]) -> Data:
    return {
        "title": chart.title, "says": chart.says, "svg": inline(chart), "columns": columns,
        "rows": [list(map(harmless, row)) for row in rows],
    }  # fmt: skip


def _cut(design: Design, flows: Sequence[Flow]) -> Iterator[Data]:
    """Yield a payload of each flow in three frames on the hop with the least room, where one frame is not all."""
    rows: list[ChartRow] = []
    table: list[list[str]] = []
    says = ""
    for flow in flows:
        path = min(design.paths(flow), key=room_of)
        octets = _in_three(path)
        if octets:
            frames = cut_frames(path, octets)
            says = cuts.words(frames)
            chart = cuts.cut_chart(flow.name, path.hop.name, frames)
            rows += [
                ChartRow(f"{flow.name}, {row.label}", row.blocks, row.value) for row in chart.rows
            ]
            table += [[f"{flow.name}, {path.hop.name}", *row] for row in cuts.cut_rows(frames)]
    if rows:
        about = f"Of each flow {_OVER} octets more than two frames carry, on the hop with the least room. "
        chart = RowChart("A payload in several frames", about + says, "octets", tuple(rows))
        yield _told(chart, ("flow, hop", *cuts.COLUMNS), table)


def _in_three(path: FlowPath) -> int:
    """Return a payload that takes three frames, two where there are no three; 0 where one frame is all."""
    steps = [octets for octets, frames in cliffs(path, room_of(path), 3) if frames > 1]
    if len(steps) > 1:
        return min(steps[0] + _OVER, steps[1])
    return steps[0] if steps else 0


def _over_hops(design: Design, flow: Flow) -> Iterator[_Over]:
    for hops in sorted({*range(1, min(flow.hops, _MOST_HOPS) + 1), flow.hops}):
        try:
            paths = design.paths(flow.with_hops(hops))
        except LowpanError:  # the tunnel or the route of the flow begins farther away
            continue
        path = min(paths, key=room_of)
        room = room_of(path)
        full = path.unlimited(b"") if room < 0 else path.frames(StandInOctets(room))[0]
        yield _Over(hops, path.hop.name, room, view.segments(full.spans))


def _by_hops(design: Design, flows: Sequence[Flow]) -> Iterator[Data]:
    """Yield a row for each number of hops of a flow that has a frame of its own, where some flow has several hops."""
    kinds: dict[str, ChartKind] = {}
    rows, table = [], []
    for flow in flows:
        rooms = list(_over_hops(design, flow))
        for _, members in groupby(rooms, key=lambda one: one[1:]):
            group = list(members)
            one, last = group[0], group[-1].hops
            hops = str(last) if one.hops == last else f"{one.hops} to {last}"
            label = f"{flow.name}, {hops} hop{'s' if last > 1 else ''}"
            rows.append(ChartRow(label, tuple(_blocks(one, kinds)), f"room {one.room}"))
            octets = sum(size for _, size in _sizes(one.segments)) - max(one.room, 0)
            apart = "" if one is rooms[0] else differences(_shown(one), _shown(rooms[0]))
            table.append([flow.name, hops, one.hop, str(one.room), str(octets), apart])
    if any(flow.hops > 1 for flow in flows):
        says = (
            "The fullest frame of each flow over so many hops, on the one with the least room: what a header more or a "
            "longer one takes, your data lose."
        )
        chart = RowChart("The same frame over more hops", says, "octets", tuple(rows))
        yield _told(chart, _HOPS, table)


def _shown(one: _Over) -> ShownHop:
    return ShownHop({}, (), one.segments)


def _sizes(segments: Sequence[Data]) -> Iterator[tuple[Data, int]]:
    """Yield runs of a frame with their octets; one that ends within an octet shares it with the next."""
    for one in segments:
        yield one, (one["offset_bits"] + one["bits"]) // 8 - one["offset_bits"] // 8


def _blocks(over: _Over, kinds: dict[str, ChartKind]) -> Iterator[ChartBlock]:
    """Yield the headers of a frame and its room; ``kinds`` are those of headers met so far, each with its pattern."""
    at = 0
    for one, size in _sizes(over.segments):
        kind = _ROOM
        if one["kind"] is not Nature.PAYLOAD:
            # pictures have six patterns in turn: in the next round a pattern has another tone
            tone = _LOUD[(len(kinds) + len(kinds) // 6) % len(_LOUD)]
            kind = kinds.setdefault(one["label"], ChartKind(one["label"], tone))
        if size:
            yield ChartBlock(at, at + size, kind)
        at += size
