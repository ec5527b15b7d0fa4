"""Datagrams in several frames: put together at each hop, or forwarded frame by frame and acknowledged end to end.

Of the second kind what is sent again from end to end is not played: when depends on timers that no design states. Where
that may decide, nothing is said for sure. In a mesh frames go on whatever becomes of the first one, and that is not
played: it is refused.
"""

from collections.abc import Iterable, Iterator, Sequence

from lowpanbudget.deployment.airtime import UPKEEP, frame_times
from lowpanbudget.deployment.carried import LimitCheck, opened
from lowpanbudget.deployment.traffic import MessageStream, Traffic, Way, carried_frames
from lowpanbudget.design.meaning import Design
from lowpanbudget.design.mesh_under import forwarded_below, not_played
from lowpanbudget.values import replace

OPEN = "open, as what is sent again from end to end is not played"
_UNPLAYED = (
    "what is sent again from end to end (section 7.1), which lets more arrive and is more load, is not played: where "
    "that may decide the answer is open"
)


def with_acknowledgements(design: Design, traffic: Traffic) -> Traffic:
    """Return the same with what comes back for each datagram whose frames go on by themselves (RFC 8931 section 6).

    Raises ``RequestError`` for datagrams in several frames that a mesh forwards.
    """
    for name in unplayed(design, traffic):
        raise not_played(name)
    added = [_acknowledgements(design, one) for one in traffic.streams if one.apart]
    return replace(traffic, streams=(*traffic.streams, *added)) if added else traffic


def unplayed(design: Design, traffic: Traffic) -> list[str]:
    """Return the names of messages in several frames that go on one by one: how they fare is not played."""
    below = forwarded_below(design.flows)
    return [one.name for one in traffic.streams if one.flow in below and len(one.first) > 1]


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
    return arrival if arrival.is_close or is_sure else opened(arrival, OPEN)
