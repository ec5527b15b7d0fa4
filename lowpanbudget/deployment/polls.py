"""What sleeping nodes add to the way of a message: it waits at their parent until they poll.

Messages come at any moment between two polls, so the wait is uniform from none to the whole interval. Polls that are
lost, and polls that come early because the node awaits an answer, are not counted.
"""

from collections.abc import Iterable, Iterator

from lowpanbudget.deployment.delays import Delays
from lowpanbudget.deployment.service import SHARES, HopService, QuantileRange, Quantiles
from lowpanbudget.design.meaning import Design
from lowpanbudget.design.tree import Tree
from lowpanbudget.values import replace

_SPREAD = (
    0.6180339887498949  # multiples of the golden ratio, modulo 1, lie evenly however many are taken
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


def polled_service(one: HopService, poll_s: float, within_s: float | None) -> HopService:
    """Return how messages arrive that also wait for a poll, from the delays of empty queues and what queues add."""
    empty = one.delays
    if empty is None or not empty.delivered:
        return one
    added = one.queue_s or 0.0
    times = [added + _quantile_s(empty, poll_s, share) for share in SHARES]
    in_time = one.in_time
    if within_s is not None and in_time is not None:
        # queues refuse no more and no fewer than without polls
        in_time = _within(empty, poll_s, within_s - added) * (
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


def _within(empty: Delays, poll_s: float, seconds: float) -> float:
    """Return the share of all that is there after so many seconds, the wait for a poll included."""
    import numpy as np  # noqa: PLC0415

    left = (seconds - np.arange(len(empty.shares)) * empty.step_s) / poll_s
    return float(empty.shares @ np.clip(left, 0.0, 1.0))


def _quantile_s(empty: Delays, poll_s: float, share: float) -> float:
    """Return the seconds in which this share of what arrives is there."""
    low, high = 0.0, len(empty.shares) * empty.step_s + poll_s
    for _ in range(_HALVINGS):
        middle = (low + high) / 2
        if _within(empty, poll_s, middle) < share * empty.delivered:
            low = middle
        else:
            high = middle
    return high
