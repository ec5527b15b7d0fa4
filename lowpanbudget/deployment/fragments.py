"""Datagrams in several frames: put together at each hop, or forwarded frame by frame.

Where their end acknowledges them what is sent again from end to end is not played: when depends on timers that no
design states. Where that may decide, nothing is said for sure.
"""

from collections.abc import Iterable, Iterator, Sequence

from lowpanbudget.deployment.airtime import UPKEEP, frame_times
from lowpanbudget.deployment.carried import LimitCheck, opened
from lowpanbudget.deployment.traffic import MessageStream, Traffic, Way, carried_frames
from lowpanbudget.design.meaning import Design
from lowpanbudget.values import replace

_IN_MESH = "in a mesh whatever became of the first (RFC 4944 section 11, RFC 8931)"
OPEN = "open, as what is sent again from end to end is not played"
_UNPLAYED = (
    "what is sent again from end to end (section 7.1), which lets more arrive and is more load, is not played: where "
    "that may decide the answer is open"
)


def with_acknowledgements(design: Design, traffic: Traffic) -> Traffic:
    """Return the same with what comes back for each datagram whose end acknowledges its frames (RFC 8931 section 6)."""
    added = [_acknowledgements(design, one) for one in traffic.streams if one.recovers]
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
    below = _names(one for one in several if one.apart and not one.recovers)
    if together:
        yield _together_words(together)
    if below:
        yield _mesh_words(below)
    for led in (True, False):
        if apart := _names(one for one in several if one.recovers and one.led == led):
            yield (
                f"{_apart_words(apart, pause, led=led)}; each datagram is acknowledged once (section 6), at a time of "
                f"its own; {_UNPLAYED}"
            )


def _names(streams: Iterable[MessageStream]) -> str:
    return ", ".join(dict.fromkeys(one.name for one in streams))


def _together_words(names: str) -> str:
    """Return what is taken for granted of datagrams in plain fragments."""
    return (
        f"datagrams in several frames ({names}) are put together at each hop before they go on; that their fragments "
        "are forwarded one by one (RFC 8930 section 5) is not played: they would be there sooner"
    )


def _mesh_words(names: str) -> str:
    """Return what is taken for granted of datagrams in plain fragments that a mesh forwards."""
    return (
        f"datagrams in several frames ({names}) are put together at their end alone: a mesh forwards each frame, "
        "whatever became of the others (RFC 4944 section 11); their sender lets no time pass from one to the next"
    )


def _apart_words(names: str, pause: int, *, led: bool) -> str:
    """Return what is taken for granted of datagrams in recoverable fragments."""
    passed = "where the first of them passed (RFC 8931 section 6.1)"
    text = (
        f"recoverable fragments ({names}) are forwarded one by one, {passed if led else _IN_MESH}"
    )
    if pause:
        text += f", and their sender lets up to {pause} transmissions pass from one to the next (section 6)"
    return text


def burst_words(name: str, pause: int, *, apart: bool, recovers: bool, led: bool) -> Iterator[str]:
    """Yield the same of a burst whose packets take several frames."""
    if recovers:
        yield (
            f"{_apart_words(name, pause, led=led)}; that each packet is acknowledged (section 6) is not played; "
            f"{_UNPLAYED}"
        )
    else:
        yield _mesh_words(name) if apart else _together_words(name)


def burst_doubt(arrival: LimitCheck, late: float | None, *, in_cells: bool) -> LimitCheck:
    """Return how a burst arrives as it stands, or open where it hangs on what is not played.

    ``late``: the share that is too late though not lost, at least (None: no time is asked for); more load makes none
    of it sooner. Only cells of their own keep acknowledgements out of the way.
    """
    is_sure = in_cells if arrival.holds else late is not None and late > arrival.allowed
    return arrival if arrival.is_close or is_sure else opened(arrival, OPEN)
