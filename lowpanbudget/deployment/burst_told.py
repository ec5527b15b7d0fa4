"""What is told of the runs of a burst: packet by packet, queue by queue, and whether it keeps to what is asked for."""

from collections.abc import Sequence
from math import fsum, inf, sqrt
from statistics import stdev

from lowpanbudget.deployment.burst_checks import (
    MOST_OF_RUNS,
    arrival_check,
    limit_checks,
    shares_on_air,
)
from lowpanbudget.deployment.burst_fired import FiredBurst
from lowpanbudget.deployment.burst_plan import BurstPlan, PacketPlan, QueueCurve
from lowpanbudget.deployment.burst_queues import averaged, summed
from lowpanbudget.deployment.burst_runs import BurstRun
from lowpanbudget.deployment.confidence import towards, wilson
from lowpanbudget.deployment.fragments import burst_doubt
from lowpanbudget.design.goals import Burst
from lowpanbudget.values import replace

_SURE = 1.96
_ON_LINK = ("link", "access")
_POINTS = 60  # of the curve of a queue


def planned(place: FiredBurst, runs: Sequence[BurstRun], seed: int) -> BurstPlan:
    """Return what becomes of a burst, with what it must keep to."""
    return _judged(place, _plan(place, runs, seed), runs)


def _judged(place: FiredBurst, plan: BurstPlan, runs: Sequence[BurstRun]) -> BurstPlan:
    """Return a plan with what it must keep to."""
    half = plan.arrived_half_width if plan.all_in is None else plan.half_width
    arrival = arrival_check(
        f"burst {plan.name}", plan.packets, plan.all_in, plan.arrived, half, plan.wanted
    )
    if place.recovers:
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
        taken=tuple(place.taken),
    )  # fmt: skip


def _late(all_in_s: float, runs: Sequence[BurstRun]) -> float:
    """Return the share of runs, at least, in which a packet arrived too late."""
    times = sum(any(one is not None and one > all_in_s for one in run.arrived_s) for run in runs)
    return wilson(times / len(runs), len(runs))[0]


def _plan(place: FiredBurst, runs: Sequence[BurstRun], seed: int) -> BurstPlan:
    """Return a plan without what it must keep to; its queues are told where all runs kept them."""
    burst, count = place.burst, len(runs)
    plans = tuple(_packet(runs, number, burst) for number in range(burst.packets))
    hops = range(len(runs[0].lengths))
    curves = tuple(_curve(place, runs, hop) for hop in hops)
    done = sorted(
        max((one for one in run.arrived_s if one is not None), default=0.0) for run in runs
    )
    all_in, half = None, 0.0
    if burst.all_in_s is not None:
        limit = burst.all_in_s
        times = sum(all(one is not None and one <= limit for one in run.arrived_s) for run in runs)
        all_in = times / count
        half = towards(place.wanted, all_in, count)
    plan = BurstPlan(
        burst.name, burst.flow, place.names, burst.packets, burst.octets, len(place.frames[0]), burst.every_s,
        place.lasts_s, burst.all_in_s, count, seed, fsum(plan.arrives for plan in plans),
        fsum(plan.lost_queue for plan in plans), fsum(plan.lost_link for plan in plans), all_in, half, place.wanted,
        done[count // 2], done[int(count * 0.95)], place.air_s, _share_of_air(place.air_s, place.lasts_s), plans,
        curves, lost_access=fsum(plan.lost_access for plan in plans),
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
    sure = (end for times, end in enumerate(ends, 1) if wilson(times / count, count)[0] >= wanted)
    end = next(sure, inf)
    return None if end == inf else end


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
