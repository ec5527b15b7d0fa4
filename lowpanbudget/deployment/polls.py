"""What sleeping nodes add to the way of a message: it waits at their parent until they poll.

Messages come at any moment between two polls, so the wait is uniform from none to the whole interval. In slots what is
held then goes one by one through the cells, in the order in which it came: who waits least for the poll is behind all
others. Polls that are lost, and polls that come early because the node awaits an answer, are not counted.
"""

from collections.abc import Iterable, Iterator, Sequence

from lowpanbudget.deployment.delays import Delays
from lowpanbudget.deployment.load import NodeLoad
from lowpanbudget.deployment.service import SHARES, HopService, QuantileRange, Quantiles
from lowpanbudget.design.access import Slots
from lowpanbudget.design.meaning import Design
from lowpanbudget.design.tree import Tree
from lowpanbudget.design.waiting import Sleep
from lowpanbudget.values import replace

_SPREAD = (
    0.6180339887498949  # multiples of the golden ratio, modulo 1, lie evenly however many are taken
)
_MOST_HELD = (
    0.999  # of an interval, that what is held takes: where it takes more there are too few cells
)
_HALVINGS = 60  # of an interval, to the last digits of a float


def sleeping_nodes(design: Design, tree: Tree) -> frozenset[int]:
    """Return the nodes that sleep: those that forward for nobody, where the design lets nodes sleep."""
    if design.sleep is None:
        return frozenset()
    children = tree.children()
    return frozenset(node for node in range(1, len(children)) if not children[node])


def polled(late_s: Iterable[float], poll_s: float, waited: int) -> Iterator[float]:
    """Yield times of arrival with the wait for a poll, spread evenly over its interval behind so many others."""
    for number, late in enumerate(late_s, waited):
        yield late + poll_s * ((number + 0.5) * _SPREAD % 1)


def held_s(nodes: Sequence[NodeLoad], slots: Slots, sleep: Sleep) -> float:
    """Return the seconds in which what was held for one of some nodes has gone to it, at most.

    Between two polls comes what takes as much of the time to send as the link is used, and no more is held than has
    places.
    """
    if not slots.cells_down:
        return 0.0
    cell_s = slots.slotframe_s / slots.cells_down
    return max(
        (
            min(node.down.tries_per_s * sleep.poll_s, sleep.held_frames * node.down.tries_a_frame) * cell_s
            for node in nodes
        ),
        default=0.0,
    )  # fmt: skip


def polled_service(
    one: HopService, poll_s: float, within_s: float | None, held_s: float = 0.0
) -> HopService:
    """Return how messages arrive that also wait for a poll, from the delays of empty queues and what queues add.

    What comes just before the poll is behind all that is held, for ``held_s``; what comes just after it is the first at
    the next one. So the wait is uniform between these two.
    """
    empty = one.delays
    if empty is None or not empty.delivered:
        return one
    added, least = one.queue_s or 0.0, min(held_s, poll_s * _MOST_HELD)
    times = [added + _quantile_s(empty, poll_s, share, least) for share in SHARES]
    in_time = one.in_time
    if within_s is not None and in_time is not None:
        # queues refuse no more and no fewer than without polls
        in_time = _within(empty, poll_s, within_s - added, least) * (
            1.0 if one.queued is None else one.queued
        )
    off = one.queue_half_width_s  # the rest is calculated
    ranges = [
        QuantileRange(share, max(time - off, 0.0), time + off)
        for share, time in zip(SHARES, times, strict=True)
        if off
    ]
    return replace(
        one, latency=Quantiles(*times), latency_ranges=tuple(ranges), in_time=in_time, in_time_least=None, delays=None
    )  # fmt: skip


def _within(empty: Delays, poll_s: float, seconds: float, least_s: float) -> float:
    """Return the share of all that is there after so many seconds, the wait for a poll included."""
    import numpy as np  # noqa: PLC0415

    left = (seconds - least_s - np.arange(len(empty.shares)) * empty.step_s) / (poll_s - least_s)
    return float(empty.shares @ np.clip(left, 0.0, 1.0))


def _quantile_s(empty: Delays, poll_s: float, share: float, least_s: float) -> float:
    """Return the seconds in which this share of what arrives is there."""
    low, high = 0.0, len(empty.shares) * empty.step_s + poll_s
    for _ in range(_HALVINGS):
        middle = (low + high) / 2
        if _within(empty, poll_s, middle, least_s) < share * empty.delivered:
            low = middle
        else:
            high = middle
    return high
