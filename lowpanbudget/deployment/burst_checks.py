"""What a burst must keep to: the slot and the design's own limits, and to be in as often and as soon as asked for."""

from collections.abc import Iterator, Sequence
from math import ceil

from lowpanbudget.deployment.airtime import MessageAirtime
from lowpanbudget.deployment.burst_runs import BurstRun
from lowpanbudget.deployment.carried import LimitCheck
from lowpanbudget.deployment.checks import check_of, frame_checks, played_check
from lowpanbudget.deployment.digits import limit_percent, percent
from lowpanbudget.deployment.link_load import sums_of
from lowpanbudget.deployment.load import loads
from lowpanbudget.deployment.traffic import CarriedFrame, Traffic
from lowpanbudget.design.access import Access
from lowpanbudget.design.goals import Burst, Limits

MOST_OF_RUNS = 0.95  # what this part of the runs keeps to; our choice


def arrival_check(
    name: str, packets: int, all_in: float | None, arrived: float, half_width: float, wanted: float
) -> LimitCheck:
    """Return whether all packets are in often enough, ``all_in`` give or take, or where no time is asked for arrive."""
    if all_in is not None:
        text = f"all are in in time with a chance of {percent(all_in, wanted)}"
        late = 1 - all_in
        return played_check("latency", name, text, late, 1 - wanted, "share late", half_width)
    text, lost = f"{percent(arrived / packets, wanted)} arrive", 1 - arrived / packets
    half = half_width / packets
    return played_check("delivery", name, text, lost, 1 - wanted, "share lost", half)


def limit_checks(
    limits: Limits | None, packet: Sequence[MessageAirtime], names: Sequence[str], on_air: Sequence[float]
) -> Iterator[LimitCheck]:  # fmt: skip
    """Yield what one packet breaks by itself, and the node on the way that is longest on the air of all it may be.

    ``on_air`` is the share of the worst window in which each node, of these ``names``, is on the air.
    """
    yield from dict.fromkeys(frame_checks(packet))  # over one hop there is no later one
    if limits is None or limits.duty_cycle is None:
        return
    worst = max(range(len(names)), key=lambda place: on_air[place])
    share = percent(on_air[worst], limits.duty_cycle)
    text = (
        f"with its usual messages and this burst it is on the air {share} of the worst {limits.window_s:g} s, "
        f"limits.duty_cycle is {limit_percent(limits.duty_cycle)}"
    )
    yield check_of("duty", f"node {names[worst]}", text, on_air[worst], limits.duty_cycle, "share")


def shares_on_air(
    burst: Burst, traffic: Traffic, access: Access, way: Sequence[int], frames: Sequence[Sequence[CarriedFrame]],
    window_s: float, runs: Sequence[BurstRun],
) -> list[float]:  # fmt: skip
    """Return the share of the worst window in which each node on the way is on the air, its usual messages included.

    Those are counted by their mean. Of a burst it is what 95 % of ``runs`` keep to where they counted it, else the mean
    as if no packet were dropped.
    """
    nodes, children = loads(traffic, access.retries + 1), traffic.tree.children()
    usual = [nodes[node].on_air([nodes[child] for child in children[node]]) for node in way]
    counted = [run.worst_s for run in runs if run.worst_s]
    spent = (
        [sorted(times)[int(len(counted) * MOST_OF_RUNS)] for times in zip(*counted, strict=True)]
        if counted
        else _means(burst, access, len(way), frames, window_s)
    )
    return [min(one / window_s + other, 1.0) for one, other in zip(spent, usual, strict=True)]


def _means(
    burst: Burst, access: Access, nodes: int, frames: Sequence[Sequence[CarriedFrame]], window_s: float
) -> list[float]:  # fmt: skip
    """Return the mean seconds that each of so many nodes on the way is on the air for a burst in the worst window."""
    packets = min(burst.packets, ceil(window_s / burst.every_s - 1e-9))
    spent = [0.0] * nodes
    for hop in range(nodes - 1):
        sums = sums_of(frames[min(hop, 1)], access.retries + 1)
        sent = float(packets)
        if access.slots is not None:  # a try takes a cell
            cells = ceil(window_s / access.slots.slotframe_s - 1e-9) * access.slots.cells
            sent = min(sent, cells / sums.tries)
        spent[hop] += sent * sums.air_us / 1e6
        spent[hop + 1] += sent * sums.answer_us / 1e6
    return spent
