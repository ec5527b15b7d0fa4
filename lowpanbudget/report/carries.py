"""What a network carries, as plain data, as rows for tables, and as pictures that both writers draw."""

from collections.abc import Iterator, Sequence
from typing import Any

from lowpanbudget.deployment.burst_plan import BurstPlan, QueueCurve
from lowpanbudget.deployment.carried import CarriedNetwork, CarriedNode
from lowpanbudget.deployment.service import HopService
from lowpanbudget.errors import plural
from lowpanbudget.findings.helpful import HelpfulChange
from lowpanbudget.findings.together import ChangesTogether
from lowpanbudget.report import view
from lowpanbudget.report.burst_answer import burst_answer, burst_verdict
from lowpanbudget.report.carry_answer import answer, verdict_of
from lowpanbudget.report.chart import (
    Chart,
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

OWN = ChartKind("its own frames", Tone.THIRD)
PASSED_ON = ChartKind("passed on for others", Tone.MAIN)
AGAIN = ChartKind("sent again", Tone.ALARM)
IN_TIME = ChartKind("in time", Tone.MAIN)
LATE = ChartKind("too late", Tone.SECOND)
ARRIVES = ChartKind("arrives", Tone.MAIN)
NO_PLACE = ChartKind("finds a queue full", Tone.ALARM)
ON_LINK = ChartKind("lost on a link", Tone.ALARM)
_TONES = (Tone.MAIN, Tone.SECOND, Tone.THIRD)
_HOUR = 3600
_STEPS = 80  # points of a curve
_SHOWN = 0.99  # of the slowest curve
_APART = 0.3  # of the width: nearer marks would stand in each other's way
_ROWS = 20  # groups of packets in a picture
_MOST_DIGITS = 6

CAUTION = (
    "An estimate from your numbers: measure before you rely on it. Radio use follows the rules of the place. A command "
    "is never a safety function: what must not fail is made safe without the network."
)
BURST_CAUTION = "A burst disturbs a working network: tell those who rely on it before you fire it."


def carried(
    network: CarriedNetwork,
    changes: Sequence[HelpfulChange],
    faults: Sequence[str] = (),
    together: ChangesTogether | None = None,
) -> view.Data:
    """Return what a network carries, with the changes that would help.

    ``answer`` is that of the whole: yes, no or open; ``says`` tells it in words, and what it does not count. Nothing
    ``holds`` where the design ``fails``; each of ``checks`` says what does of the loads alone.
    """
    told = view.result(
        network, "title", "holds", "is_close", "is_unchecked", "checks", "rhythms", "services", "sleep", "played",
        "played_in_runs", "unknown", "seed", "taken", "hastened", "not_checked", "together",
        "over_frames", "open_limits", "unfollowed",
    )  # fmt: skip
    told["holds"] = network.holds and not faults
    verdict = {
        "answer": verdict_of(network, faults),
        "says": answer(network, faults),
        "fails": list(faults),
    }
    told["services"] = [view.data_of(one) | {"arrives": one.arrives} for one in network.services]
    return verdict | told | {"nodes": node_rows(network)} | _helps(changes, together)


def burst(
    plan: BurstPlan,
    changes: Sequence[HelpfulChange],
    together: ChangesTogether | None = None,
    faults: Sequence[str] = (),
) -> view.Data:
    """Return what becomes of a burst, with the changes that would help; the other names are as of a network."""
    verdict = {"answer": burst_verdict(plan, faults), "says": burst_answer(plan, faults)}
    holds = {"holds": plan.holds and not faults, "is_close": plan.is_close and not faults}
    told = {**view.data_of(plan), **verdict, **holds, "fails": list(faults)}
    return told | _helps(changes, together)


def _helps(changes: Sequence[HelpfulChange], together: ChangesTogether | None) -> view.Data:
    return {"helps": view.data_of(tuple(changes)), "helps_together": view.data_of(together)}


def node_rows(network: CarriedNetwork) -> list[view.Data]:
    """Return a row for each node, as tables for other programs have it."""
    return [view.data_of(node) | {"parts_ua": dict(node.parts_ua)} for node in network.nodes]


def packet_rows(plan: BurstPlan) -> list[view.Data]:
    """Return a row for each packet of a burst."""
    return [view.data_of(packet) for packet in plan.plans]


def busiest(network: CarriedNetwork) -> list[tuple[int, CarriedNode]]:
    """Return for each hop how many nodes there are, and the one whose link carries most."""
    hops: dict[int, list[CarriedNode]] = {}
    for node in network.nodes:
        if node.parent:
            hops.setdefault(node.hop, []).append(node)
    return [
        (len(nodes), max(nodes, key=lambda node: node.tries_per_s))
        for _, nodes in sorted(hops.items())
    ]


def streams(network: CarriedNetwork) -> list[list[HopService]]:
    """Return the services of each message together, hop by hop."""
    grouped: dict[tuple[str, str, str], list[HopService]] = {}
    for one in network.services:
        grouped.setdefault((one.flow, one.message, one.direction), []).append(one)
    return list(grouped.values())


def load_chart(network: CarriedNetwork) -> RowChart:
    """Return the frames an hour along the tree, of the busiest node at each hop."""
    rows = []
    for _, node in busiest(network):
        own, frames, tries = (
            rate * _HOUR for rate in (node.own_frames_per_s, node.frames_per_s, node.tries_per_s)
        )
        places = [(0.0, own, OWN), (own, frames, PASSED_ON), (frames, max(tries, frames), AGAIN)]
        blocks = tuple(ChartBlock(start, end, kind) for start, end, kind in places if end > start)
        rows.append(ChartRow(f"hop {node.hop}, {node.name}", blocks, number(tries)))
    says = "Frames that the busiest node of each hop sends to its parent, upkeep included."
    return RowChart("Frames an hour to the parent", says, "an hour", tuple(rows))


def latency_chart(services: Sequence[HopService]) -> CurveChart | None:
    """Return which share is in after how long, for some hop counts; None where it is not known exactly."""
    known = [one for one in services if one.delays is not None and one.delays.delivered]
    if not known:
        return None
    # the nearest, the middle and the furthest
    chosen = list(dict.fromkeys((0, len(known) // 2, len(known) - 1)))
    ends = (delays.quantile_s(_SHOWN) for index in chosen if (delays := known[index].delays))
    end = max(ends)
    curves = []
    for tone, index in zip(_TONES, chosen, strict=False):
        one = known[index]
        if one.delays is not None:
            points = [
                (step * end / _STEPS, one.delays.within(step * end / _STEPS) * 100)
                for step in range(_STEPS + 1)
            ]
            curves.append(Curve(ChartKind(plural(one.hop, "hop"), tone), tuple(points)))
    first = known[0]
    says = "The share that has arrived after so many seconds: what queues add is not in it."
    title = f"{first.flow} {first.message}: share that is in, queues empty"
    return CurveChart(title, says, "s", "%", tuple(curves), y_end=100.0)


def charts(network: CarriedNetwork) -> list[Chart]:
    """Return the pictures of a network."""
    found: list[Chart] = [load_chart(network)]
    return found + [one for one in map(latency_chart, streams(network)) if one is not None]


def timeline_chart(plan: BurstPlan) -> RowChart:
    """Return what becomes of the packets of a burst, some of them together, in percent."""
    size = max(-(-plan.packets // _ROWS), 1)
    rows = []
    for first in range(0, plan.packets, size):
        part = plan.plans[first : first + size]
        name = f"{part[0].number}" if len(part) == 1 else f"{part[0].number}-{part[-1].number}"
        blocks, at = [], 0.0
        for kind, share in _shares(part):
            if share > 0:
                blocks.append(ChartBlock(at, at + share, kind))
                at += share
        rows.append((f"packet {name}", tuple(blocks)))
    values = [""] * len(rows)
    if plan.all_in_s is not None:
        values = _rounded([row[0].end if row[0].kind == IN_TIME else 0.0 for _, row in rows])
    says = "What becomes of the packets of the burst, in the order in which they are sent."
    told = (ChartRow(*row, value) for row, value in zip(rows, values, strict=True))
    return RowChart("What becomes of the packets", says, "%", tuple(told))


def _rounded(percents: Sequence[float]) -> list[str]:
    """Return per cents of a column with the same digits, as many as show none as nothing or all that is not."""
    exact = [round(one, _MOST_DIGITS) for one in percents]  # sums of shares are off by less
    digits = max(map(_digits, exact), default=0)
    return [f"{one:.0f} %" if one in (0, 100) else f"{one:.{digits}f} %" for one in exact]


def _digits(percent: float) -> int:
    digits = 0
    while percent not in (0, 100) and round(percent, digits) in (0, 100):
        digits += 1
    return digits


def _shares(part: Sequence[Any]) -> Iterator[tuple[ChartKind, float]]:
    count = len(part) / 100
    arrives = sum(packet.arrives for packet in part) / count
    if part[0].in_time is None:
        yield ARRIVES, arrives
    else:
        in_time = sum(packet.in_time for packet in part) / count
        yield IN_TIME, in_time
        yield LATE, max(arrives - in_time, 0.0)
    yield NO_PLACE, sum(packet.lost_queue for packet in part) / count
    yield ON_LINK, sum(packet.lost_link for packet in part) / count


def queue_chart(plan: BurstPlan) -> CurveChart:
    """Return the mean frames in the fullest queues over the time of the burst and after."""
    fullest = fullest_queues(plan)[: len(_TONES)]
    curves = tuple(
        Curve(ChartKind(f"at {queue.node}", tone), queue.points, steps=True)
        for tone, queue in zip(_TONES, fullest, strict=False)
    )
    marks = [ChartMark(plan.lasts_s, "the last packet is sent")]
    if plan.all_in_s is not None:
        end = max(at for queue in plan.queues for at, _ in queue.points)
        is_near = plan.all_in_s - plan.lasts_s < end * _APART
        label = "the last is sent, all are to be in" if is_near else "all are to be in"
        marks = [*([] if is_near else marks), ChartMark(plan.all_in_s, label)]
    says = "Mean frames waiting in the queues that are fullest, over short stretches of time."
    return CurveChart(
        "Frames waiting", says, "s since the first packet", "frames", curves, tuple(marks)
    )


def fullest_queues(plan: BurstPlan) -> list[QueueCurve]:
    """Return the queues on the way, the fullest first."""
    return sorted(plan.queues, key=lambda queue: -queue.highest_mean)
