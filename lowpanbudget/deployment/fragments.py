"""Datagrams in several frames: put together at each hop, or forwarded frame by frame and acknowledged end to end.

Of the second kind what is sent again from end to end is not played: when depends on timers that no design states. Where
that may decide, nothing is said for sure.
"""

from collections.abc import Iterable, Iterator, Sequence

from lowpanbudget.deployment.airtime import UPKEEP, frame_times
from lowpanbudget.deployment.carried import LimitCheck
from lowpanbudget.deployment.service import HopService
from lowpanbudget.deployment.services_together import judged_services
from lowpanbudget.deployment.traffic import MessageStream, Traffic, Way, carried_frames
from lowpanbudget.design.meaning import Design
from lowpanbudget.values import replace

_OPEN = "open, as what is sent again from end to end is not played"
_UNPLAYED = (
    "what is sent again from end to end (section 7.1), which lets more arrive and is more load, is not played: where "
    "that may decide the answer is open"
)
_BY_QUEUES = ("queue", "held")  # what finds no place is sent again
_ARRIVAL = ("delivery", "latency")
_BY_LOAD = ("cells", "duty", "battery", *_BY_QUEUES, *_ARRIVAL)


def with_acknowledgements(design: Design, traffic: Traffic) -> Traffic:
    """Return the same with what comes back for each datagram whose frames go on by themselves (RFC 8931 section 6)."""
    added = [_acknowledgements(design, one) for one in traffic.streams if one.apart]
    return replace(traffic, streams=(*traffic.streams, *added)) if added else traffic


def _acknowledgements(design: Design, stream: MessageStream) -> MessageStream:
    """Return one frame a datagram, the other way: all fragments are one window."""
    path = design.paths(design.flow(stream.flow))[0]
    times = frame_times(design, *path.fragments_acknowledged())
    frames = tuple(carried_frames(times, design.loss))
    way: Way = "down" if stream.way == "up" else "up"
    return MessageStream(
        UPKEEP, f"acknowledged {stream.name}", way, stream.every_s, 1, None, stream.senders, frames, frames
    )  # fmt: skip


def fragment_words(streams: Sequence[MessageStream], pause: int) -> Iterator[str]:
    """Yield what is taken for granted of the messages that are sent in several frames.

    ``pause``: how many transmissions a sender lets pass between fragments, 0 where cells keep them apart.
    """
    several = [one for one in streams if len(one.first) > 1 and one.way in ("up", "down")]
    together = _names(one for one in several if not one.apart)
    apart = _names(one for one in several if one.apart)
    if together:
        yield _together_words(together)
    if apart:
        yield (
            f"{_apart_words(apart, pause)}; each datagram is acknowledged once (section 6), at a time of its own; "
            f"{_UNPLAYED}"
        )


def _names(streams: Iterable[MessageStream]) -> str:
    return ", ".join(dict.fromkeys(one.name for one in streams))


def _together_words(names: str) -> str:
    """Return what is taken for granted of datagrams in plain fragments."""
    return (
        f"datagrams in several frames ({names}) are put together at each hop before they go on; that their fragments "
        "are forwarded one by one (RFC 8930 section 5) is not played: they would be there sooner"
    )


def _apart_words(names: str, pause: int) -> str:
    """Return what is taken for granted of datagrams in recoverable fragments."""
    text = (
        f"recoverable fragments ({names}) are forwarded one by one, where the first of them passed (RFC 8931 section "
        "6.1)"
    )
    if pause:
        text += f", and their sender lets up to {pause} transmissions pass from one to the next (section 6)"
    return text


def burst_words(name: str, frames: int, pause: int, *, apart: bool) -> Iterator[str]:
    """Yield the same of a burst with so many frames a packet."""
    if frames > 1:
        yield (
            f"{_apart_words(name, pause)}; that each packet is acknowledged (section 6) is not played; {_UNPLAYED}"
            if apart
            else _together_words(name)
        )


def burst_doubt(arrival: LimitCheck, late: float | None, *, in_cells: bool) -> LimitCheck:
    """Return how a burst arrives as it stands, or open where it hangs on what is not played.

    ``late``: the share that is too late though not lost, at least (None: no time is asked for); more load makes none
    of it sooner. Only cells of their own keep acknowledgements out of the way.
    """
    is_sure = in_cells if arrival.holds else late is not None and late > arrival.allowed
    return arrival if arrival.is_close or is_sure else _opened(arrival)


def _opened(check: LimitCheck) -> LimitCheck:
    return replace(check, text=f"{check.text}: {_OPEN}", holds=False, is_close=True, why_open=_OPEN)


class Doubts:
    """What cannot be said for sure of a network with datagrams whose frames go on by themselves."""

    def __init__(self, traffic: Traffic, services: Sequence[HopService]) -> None:
        kinds = {(one.flow, one.message) for one in traffic.streams if one.apart}
        self._apart = {
            f"{one.flow} {one.message}, {hops}": one
            for hops, one in judged_services(services)
            if (one.flow, one.message) in kinds
        }
        self._kinds = tuple(f"{flow} {message}, " for flow, message in kinds)
        self._again = max((_lost(one) for one in self._apart.values()), default=0.0)

    def of(self, check: LimitCheck) -> LimitCheck:
        """Return a check as it stands, or open where it hangs on what is sent again."""
        if check.is_close or not (self._turns_no(check) if check.holds else self._turns_yes(check)):
            return check
        return _opened(check)

    def _turns_no(self, check: LimitCheck) -> bool:
        """Return whether something holds that would not with the load of what is sent again: as much as was lost."""
        if check.matter not in _BY_LOAD:
            return False
        if check.matter == "delivery" and check.about.startswith(self._kinds):
            return False  # more of it arrives
        measured = check.strain
        if check.matter != "battery" and check.allowed:
            measured = max(measured, check.measured / check.allowed)
        return measured * (1 + self._again) > 1

    def _turns_yes(self, check: LimitCheck) -> bool:
        """Return whether something does not hold that may once what was lost is sent again."""
        if check.matter in _BY_QUEUES:
            return True
        if check.matter not in _ARRIVAL or not check.about.startswith(self._kinds):
            return False
        one = self._apart.get(check.about)
        if check.matter == "delivery" or one is None or one.in_time is None:
            return True
        # what is there too late is not there sooner with more load
        return 1 - one.in_time - one.in_time_half_width - _lost(one) <= check.allowed


def _lost(one: HopService) -> float:
    """Return the share that does not arrive when it is sent once, at most."""
    shares = [share for share in (one.delivered, one.in_runs) if share is not None]
    queued = 1.0 if one.queued is None else one.queued
    return min(1 - min(shares, default=0.0) * queued + one.half_width, 1.0)
