"""``carry --burst``: what becomes of a burst, packet by packet, on a network with its usual messages."""

from collections.abc import Callable, Iterator, Sequence
from math import inf, sqrt
from statistics import stdev

from lowpanbudget.arguments import function_or_none, whole_number
from lowpanbudget.deployment.airtime import airtime
from lowpanbudget.deployment.burst_checks import (
    MOST_OF_RUNS,
    arrival_check,
    limit_checks,
    shares_on_air,
)
from lowpanbudget.deployment.burst_fired import FiredBurst, packet_of, way_of
from lowpanbudget.deployment.burst_plan import BurstPlan, PacketPlan, QueueCurve
from lowpanbudget.deployment.burst_queues import averaged, summed
from lowpanbudget.deployment.burst_runs import BurstRun, contention_runs, refuse_crowds, slot_runs
from lowpanbudget.deployment.fragments import burst_doubt, burst_words, with_acknowledgements
from lowpanbudget.deployment.traffic import carried_frames, same_frames, traffic_of
from lowpanbudget.design.goals import Burst
from lowpanbudget.design.lacking import lacking
from lowpanbudget.design.meaning import Design
from lowpanbudget.errors import RequestError
from lowpanbudget.values import replace

Tell = Callable[[int, int], None]  # how many runs are done, of how many
_RUNS, _MOST_RUNS = 200, 100_000  # the most take hours, and say hardly more than a tenth of them
_LONGER = 4  # times as many where it is too close to tell, which halves what is open; our choice
_SURE = 1.96
_ON_LINK = ("link", "access")
_POINTS = 60  # of the curve of a queue


def carry_burst(
    design: Design, name: str, *, seed: int = 1, runs: int | None = None, tell: Tell | None = None
) -> BurstPlan:
    """Return what becomes of the burst of this name.

    It is played ``runs`` times from ``seed`` (None: 200, and up to 800 where that is too close to tell), each time at
    another moment of the network's usual messages and, in slots, of the slotframe: what waits already, and when the
    next cell comes, decides as much as losses do. ``tell`` is called with how many are done, and of how many. Raises
    ``RequestError`` for what is no design, a burst that it does not have, a design without ``[access]`` or ``[tree]``,
    a flow that does not go up, more messages around it than can be played, or runs that are not 20 to 100 000;
    ``DoesNotFit`` where a packet is larger than any datagram.
    """
    design = Design.of(design)
    burst = design.burst(name)
    seed = whole_number(seed, "seed")
    function_or_none(tell, "tell")
    if design.access is None or design.tree is None:
        raise lacking(design, "access", "tree")
    access, tree = design.access.on(design.link), design.tree
    design = replace(design, access=access)
    # fewer say too little
    count = _RUNS if runs is None else whole_number(runs, "runs", 20, _MOST_RUNS)
    flow = design.flow(burst.flow)
    if flow.direction != "up":
        raise RequestError(
            f"flow {flow.name!r} goes {flow.direction}, a burst is sent to the root",
            hint="Name a flow from a node to the collector, the border or outside",
        )
    packet = packet_of(design, burst)
    first, later = (tuple(carried_frames(one.frames, design.loss)) for one in packet)
    frames = first, same_frames(first, later) if design.link.recoverable else later
    traffic = with_acknowledgements(design, traffic_of(design, airtime(design)))
    way = way_of(tree, burst, flow.hops, traffic, access)
    place = FiredBurst(design, access, traffic, burst, way, packet, frames)
    slots = access.slots
    if slots is not None and not slots.cells:
        raise RequestError("no node has a cell to its parent", hint="access.slots.cells = 1")
    refuse_crowds(traffic, burst)
    play = contention_runs if slots is None else slot_runs
    played: list[BurstRun] = []
    while True:
        numbers = _numbers(len(played), count, tell)
        played += play(design, traffic, way, frames, burst, numbers, seed)
        plan = _judged(place, _plan(place, played, seed), played)
        is_open = plan.is_close and any(one.is_close and not one.why_open for one in plan.checks)
        if runs is not None or not is_open or count >= _LONGER * _RUNS:
            return plan
        count *= 2


def runs_like(plan: BurstPlan) -> int | None:
    """Return the ``runs`` of another play that looks at a burst as a plan did: None where nobody asked for a number."""
    return None if _RUNS <= plan.runs <= _LONGER * _RUNS else plan.runs


def _numbers(begin: int, runs: int, tell: Tell | None) -> Iterator[int]:
    """Yield the numbers of the runs from the first on, and tell ahead of it and behind each how many are done."""
    for run in range(begin, runs):
        if tell is not None:
            tell(run, runs)
        yield run
    if tell is not None:
        tell(runs, runs)


def _judged(place: FiredBurst, plan: BurstPlan, runs: Sequence[BurstRun]) -> BurstPlan:
    """Return a plan with what it must keep to."""
    half = plan.arrived_half_width if plan.all_in is None else plan.half_width
    arrival = arrival_check(
        f"burst {plan.name}", plan.packets, plan.all_in, plan.arrived, half, plan.wanted
    )
    if place.is_apart:
        late = None if plan.all_in_s is None else _late(plan.all_in_s, runs)
        arrival = burst_doubt(arrival, late, in_cells=place.access.slots is not None)
    limits, shares = place.design.limits, []
    if limits is not None and limits.duty_cycle is not None:
        shares = shares_on_air(
            place.burst, place.traffic, place.access, place.way, place.frames, limits.window_s, runs
        )
    checks = [*limit_checks(limits, place.packet, place.names, shares), arrival]
    return replace(
        plan, checks=tuple(sorted(checks, key=lambda one: (one.holds, one.is_close))),
        taken=tuple(burst_words(plan.name, plan.frames, place.pause, apart=place.is_apart)),
    )  # fmt: skip


def _late(all_in_s: float, runs: Sequence[BurstRun]) -> float:
    """Return the share of runs, at least, in which a packet arrived too late."""
    times = sum(any(one is not None and one > all_in_s for one in run.arrived_s) for run in runs)
    share = times / len(runs)
    return share - _SURE * sqrt(share * (1 - share) / len(runs))


def _plan(place: FiredBurst, runs: Sequence[BurstRun], seed: int) -> BurstPlan:
    burst, count = place.burst, len(runs)
    plans = tuple(_packet(runs, number, burst) for number in range(burst.packets))
    hops = range(len(place.way) - 1)
    curves = tuple(_curve(place, runs, hop) for hop in hops)
    done = sorted(
        max((one for one in run.arrived_s if one is not None), default=0.0) for run in runs
    )
    all_in, half = None, 0.0
    if burst.all_in_s is not None:
        limit = burst.all_in_s
        times = sum(all(one is not None and one <= limit for one in run.arrived_s) for run in runs)
        all_in, half = times / count, _half_of(times, count)
    plan = BurstPlan(
        burst.name, burst.flow, place.names, burst.packets, burst.octets, len(place.frames[0]), burst.every_s,
        place.lasts_s, burst.all_in_s, count, seed, sum(plan.arrives for plan in plans),
        sum(plan.lost_queue for plan in plans), sum(plan.lost_link for plan in plans), all_in, half, place.wanted,
        done[count // 2], done[int(count * 0.95)], place.air_s, _share_of_air(place.air_s, place.lasts_s), plans,
        curves, lost_access=sum(plan.lost_access for plan in plans),
    )  # fmt: skip
    return _with_spread(plan, runs)


def _with_spread(plan: BurstPlan, runs: Sequence[BurstRun]) -> BurstPlan:
    """Return a plan with what the runs say of how sure it is, and of the time on the air where they counted it."""
    arrived = [sum(one is not None for one in run.arrived_s) for run in runs]
    plan = replace(plan, arrived_half_width=_half_width(arrived))
    if plan.all_in_s is not None:
        in_time = [
            sum(one is not None and one <= plan.all_in_s for one in run.arrived_s) for run in runs
        ]
        plan = replace(
            plan, in_time=sum(in_time) / len(runs), in_time_half_width=_half_width(in_time),
            enough_s=_enough_s(plan.wanted, runs),
        )  # fmt: skip
    airs = sorted(run.air_s for run in runs if run.air_s is not None)
    if not airs:
        return plan
    air_s = sum(airs) / len(airs)
    return replace(
        plan, air_s=air_s, air_share=_share_of_air(air_s, plan.lasts_s), air_most_s=airs[int(len(airs) * MOST_OF_RUNS)]
    )  # fmt: skip


def _share_of_air(air_s: float, lasts_s: float) -> float:
    """Return how much of the time of a burst is on the air; more than 1 where several nodes send at once."""
    return air_s / lasts_s if lasts_s else 1.0


def _half_width(counts: Sequence[int]) -> float:
    return _SURE * stdev(counts) / sqrt(len(counts))


def _enough_s(wanted: float, runs: Sequence[BurstRun]) -> float | None:
    """Return the time by which all are in for sure in as many runs as are wanted; None where too many lose a packet."""
    ends = sorted(
        inf if None in run.arrived_s else max(one for one in run.arrived_s if one is not None)
        for run in runs
    )
    count = len(runs)
    sure = (
        end for times, end in enumerate(ends, 1) if times / count - _half_of(times, count) >= wanted
    )
    end = next(sure, inf)
    return None if end == inf else end


def _half_of(times: int, count: int) -> float:
    """Return how far a share of so many runs may be off."""
    share = times / count
    half: float = max(_SURE * sqrt(share * (1 - share) / count), 1 - 0.05 ** (1 / count))
    return half


def _packet(runs: Sequence[BurstRun], number: int, burst: Burst) -> PacketPlan:
    sent, count = number * burst.every_s, len(runs)
    times = sorted(one for run in runs if (one := run.arrived_s[number]) is not None)
    in_time = None
    if burst.all_in_s is not None:
        in_time = sum(1 for one in times if one <= burst.all_in_s) / count
    half = times[len(times) // 2] - sent if times else None
    most = times[int(len(times) * 0.95)] - sent if times else None
    causes = [run.lost[number] for run in runs]
    return PacketPlan(
        number + 1, sent, len(times) / count, in_time, causes.count("queue") / count,
        sum(map(causes.count, _ON_LINK)) / count, half, most, causes.count("access") / count,
    )  # fmt: skip


def _curve(place: FiredBurst, runs: Sequence[BurstRun], hop: int) -> QueueCurve:
    """Return the queue of a node on the way: means over the runs, and over each stretch of time."""
    count = len(runs)
    end = max((run.lengths[hop][-1][0] for run in runs if run.lengths[hop]), default=1.0)
    end = max(end, place.lasts_s)
    highest = max((length for run in runs for _, length in run.lengths[hop]), default=0)
    steps = summed([run.lengths[hop] for run in runs])
    points = tuple((at, frames / count) for at, frames in averaged(steps, end, _POINTS))
    lost = [list(zip(run.lost, run.lost_at, strict=True)) for run in runs]
    return QueueCurve(
        place.names[hop], points, max(frames for _, frames in steps) / count, highest,
        sum(one.count(("queue", hop)) for one in lost) / count,
        sum(one.count((cause, hop)) for one in lost for cause in _ON_LINK) / count,
        sum(one.count(("access", hop)) for one in lost) / count,
    )  # fmt: skip
