"""The places that a parent has for what waits for the poll of a sleeping child, and what finds none.

Messages come at random times and their frames together: each wants places for all of them beside what came since the
last poll, and arrives only if it finds them. Frames of it that still find a place are held all the same.
"""

from collections.abc import Iterable, Sequence
from functools import lru_cache
from math import exp, expm1
from typing import NamedTuple

from lowpanbudget.deployment.load import NodeLoad
from lowpanbudget.deployment.service import HopService
from lowpanbudget.deployment.traffic import MessageStream, Traffic
from lowpanbudget.design.waiting import Sleep
from lowpanbudget.values import replace

_TINY = 1e-12  # shares below it are rounding
_UNDERFLOW = (
    700.0  # messages between two polls, of which there are never so few that it would count
)

HeldMessage = tuple[str, str, int]  # flow, message, hop of the child


class HeldLoss(NamedTuple):
    """Which shares of messages of so many ``takes`` frames, and of their frames, find no places for them."""

    takes: int
    messages: float
    frames: float


def held_losses(
    traffic: Traffic, nodes: Sequence[NodeLoad], sleep: Sleep, sleeping: Iterable[int]
) -> dict[HeldMessage, HeldLoss]:
    """Return what finds no places of each message to sleeping children, by hop: of the child that loses most."""
    worst: dict[HeldMessage, HeldLoss] = {}
    hops = traffic.tree.hops
    for node, coming in _coming(traffic, hops, sleeping).items():
        planned = sum(frames / stream.every_s for stream, frames in coming)
        # what was lost on the way does not come
        part = nodes[node].down.frames_per_s / planned if planned else 0.0
        rates: dict[int, float] = {}
        for stream, frames in coming:
            rates[frames] = rates.get(frames, 0.0) + part * sleep.poll_s / stream.every_s
        for stream, frames in coming:
            one = _loss(tuple(sorted(rates.items())), sleep.held_frames, frames)
            key = stream.flow, stream.message, hops[node]
            worst[key] = max(one, worst.get(key, one), key=lambda loss: loss.messages)
    return worst


def with_places(one: HopService, held: HeldLoss) -> HopService:
    """Return how messages arrive of which so many find no places where they are held until the poll."""
    left = (1 - held.messages) / (1 - one.held_lost) if one.held_lost < 1 else 0.0

    def of(share: float | None) -> float | None:
        return None if share is None else share * left

    arriving = (
        one
        if left
        else replace(one, latency=None, latency_ranges=())  # nothing of it is ever there
    )
    return replace(
        arriving, held_full=held.frames, held_lost=held.messages, delivered=of(one.delivered),
        in_runs=of(one.in_runs), in_time=of(one.in_time), in_time_least=of(one.in_time_least),
        half_width=one.half_width * left, in_time_half_width=one.in_time_half_width * left, quiet=of(one.quiet),
    )  # fmt: skip


def _coming(
    traffic: Traffic, hops: Sequence[int], nodes: Iterable[int]
) -> dict[int, list[tuple[MessageStream, int]]]:
    """Return what their parents send to some nodes, with how many frames each message takes on that link."""
    coming: dict[int, list[tuple[MessageStream, int]]] = {node: [] for node in nodes}
    for stream in traffic.streams:
        for node in coming.keys() & stream.senders if stream.way in ("down", "child") else ():
            is_first = stream.way == "child" or hops[node] == 1
            coming[node].append((stream, len(stream.first if is_first else stream.forwarded)))
    return coming


@lru_cache(maxsize=256)  # most children get what others get
def _loss(coming: tuple[tuple[int, float], ...], places: int, frames: int) -> HeldLoss:
    """Return what finds no places where so many messages of so many frames come between two polls on average."""
    waiting = _waiting(coming, places)
    fits = sum(waiting[: max(places - frames + 1, 0)])
    full = 1 - sum(waiting)
    beyond = sum(
        one * min(count + frames - places, frames)
        for count, one in enumerate(waiting)
        if count + frames > places
    )
    return HeldLoss(frames, _share(1 - fits), _share(full + beyond / frames))


def _share(value: float) -> float:
    return min(value, 1.0) if value > _TINY else 0.0


def _waiting(coming: tuple[tuple[int, float], ...], places: int) -> Sequence[float]:
    """Return the chances that 0, 1, 2 ... frames wait when a message comes, up to one less than there are places.

    A message finds what came since the poll (arrivals at random see the average of time), and the poll was at any
    moment of its interval before. Of frames that come so, p_n(t) = sum of j r_j t p_(n-j)(t) / n (compound Poisson),
    and with p_n' = sum of r_j p_(n-j) - r p_n the average over the interval T is
    a_n = (sum of r_j a_(n-j) + ((n = 0) - p_n(T)) / T) / r.
    """
    all_of_it = sum(rate for _, rate in coming)
    if not all_of_it:
        return (1.0, *[0.0] * (places - 1))
    ends = [exp(-all_of_it) if all_of_it < _UNDERFLOW else 0.0]
    found = [-expm1(-all_of_it) / all_of_it]
    for count in range(1, places):
        came = [(frames, rate) for frames, rate in coming if frames <= count]
        ends.append(sum(frames * rate * ends[count - frames] for frames, rate in came) / count)
        before = sum(rate * found[count - frames] for frames, rate in came)
        found.append(max(before - ends[count], 0.0) / all_of_it)
    return found
