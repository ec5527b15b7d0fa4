"""Pictures of a measurement: how a burst came in, and how long each node was on the air."""

from collections.abc import Iterator
from typing import Any

from lowpanbudget.errors import plural
from lowpanbudget.report.chart import (
    ChartBlock,
    ChartKind,
    ChartMark,
    ChartRow,
    Curve,
    CurveChart,
    RowChart,
    Tone,
    number,
)

MOST_NODES = 40
_SENT, _ARRIVED = ChartKind("planned to be sent", Tone.QUIET), ChartKind("arrived", Tone.MAIN)
_ON_AIR = ChartKind("on the air", Tone.MAIN)


def charts(found: dict[str, Any]) -> Iterator[RowChart | CurveChart]:
    """Yield the pictures that a measurement, as plain data, has something for."""
    if found["burst"] is not None and found["burst"]["arrivals_s"]:
        yield burst_chart(found["burst"])
    timed = [node for node in found["nodes"] if node["on_air_s"]]
    if timed:
        yield node_chart(timed)


def burst_chart(burst: dict[str, Any]) -> CurveChart:
    """Return how many packets of a burst had arrived by when, beside when they were planned to be sent."""
    times, packets = burst["arrivals_s"], burst["packets"]
    sent = [(index * burst["every_s"], float(index + 1)) for index in range(packets)]
    came = [(0.0, 0.0), *((at, float(index)) for index, at in enumerate(times, 1))]
    limit = burst["all_in_s"]
    marks = () if limit is None else (ChartMark(limit, "all planned to be in"),)
    says = f"{len(times)} of {plural(packets, 'packet')} arrived, the last after {number(times[-1])} s."
    return CurveChart(
        f"Packets of the burst {burst['name']}", says, "seconds since the first was sent", "packets",
        (Curve(_SENT, tuple(sent), steps=True), Curve(_ARRIVED, tuple(came), steps=True)), marks,
        (ChartMark(packets, "planned"),),
    )  # fmt: skip


def node_chart(nodes: list[dict[str, Any]]) -> RowChart:
    """Return how long each node was on the air, in milliseconds, the longest first."""
    ordered = sorted(nodes, key=lambda node: -node["on_air_s"])[:MOST_NODES]
    rows = tuple(
        ChartRow(
            node["node"],
            (ChartBlock(0.0, node["on_air_s"] * 1000, _ON_AIR),),
            f"{number(node['on_air_s'] * 1000)} ms",
        )
        for node in ordered
    )
    says = "All that each node was heard to send: frames, tries and acknowledgements."
    return RowChart("Time on the air by node", says, "ms", rows)
