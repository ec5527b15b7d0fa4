"""Clocks of receivers that do not agree: how far each is from the others, by the frames that several heard.

    octets that came once to each of two receivers  ->  one sending, and how much later one of them dates it
    several such that agree                         ->  how far its clock is off: its times are moved by that

It is looked for in what each heard first, and followed from frame to frame: crystals drift, some 20 ppm each (common
practice, no source), and a clock may be set while it captures. Frames that come again, as retries do, tell nothing.
"""

from collections import deque
from collections.abc import Iterable, Sequence
from statistics import median_low
from typing import NamedTuple

from lowpanbudget.bits import Reader
from lowpanbudget.capture.files.link_types import FRAME, unwrap
from lowpanbudget.capture.files.pcap import SECOND
from lowpanbudget.capture.files.record import Record
from lowpanbudget.capture.recent import Recent
from lowpanbudget.errors import WireError, plural
from lowpanbudget.layers.link import mac
from lowpanbudget.values import dataclass, field

TOGETHER_NS = (
    50 * 10**6
)  # within which clocks of receivers agree that it is the same frame; our choice
_STEP_NS = 10**6  # what is off by less stays as it is
_LONG_NS = 600 * SECOND  # after which drift can be told from the time that interrupts take
_DRIFT = 2e-4  # of two crystals, each off by 100 ppm at most; our choice
_LEAST = 5  # frames that must agree
_LOOKED_AT = 16  # of the next so many
_SHORTEST = 9  # octets; an acknowledgement has a number only
_MOST_HELD = 4096


def _mark(record: Record) -> bytes | None:
    """Return what all receivers have of a frame, its check sequence left out; None of what tells nothing."""
    body = unwrap(record)
    if body.kind != FRAME or len(record.octets) < record.original_length:
        return None
    octets = body.octets[: -body.fcs] if body.fcs else body.octets
    return octets if len(octets) >= _SHORTEST else None


def _cannot_repeat(octets: bytes) -> bool:
    """Return whether a frame has a frame counter: nobody sends these octets again for another message."""
    try:
        security = mac.decode(Reader(octets)).security
    except WireError:
        return False
    return security is not None and security.frame_counter is not None


class _Heard(NamedTuple):
    """Who heard a frame, and when by the clock of the first; ``again``: it came to one of them twice."""

    receiver: int
    time_ns: int
    raw_ns: int
    again: bool = False


@dataclass(slots=True)
class ReceiverClock:
    """How much later a receiver dates a frame than those before it, as ``frames`` told while all went through.

    It was ``first_ns`` at first, ``most_ns`` at most, and ``late_ns`` at the time ``set_ns`` by its own clock; since
    then it grows by ``rate``, which is known from how much it grew since ``_begin``. What is off by little stays.
    """

    first_ns: int = 0
    most_ns: int = 0
    late_ns: int = 0
    set_ns: int = 0
    rate: float = 0.0
    frames: int = 0
    _begin: tuple[int, int] = (0, 0)
    _heard_ns: int | None = None
    _last: deque[int] = field(default_factory=lambda: deque(maxlen=_LEAST))

    def begin(self, late_ns: int, time_ns: int) -> None:
        """Take what the first frames tell."""
        self.first_ns = late_ns if abs(late_ns) > _STEP_NS else 0
        self._heard_ns = time_ns
        self._jump(self.first_ns, time_ns)

    def late(self, time_ns: int) -> int:
        """Return how late it is at a time by its own clock."""
        return self.late_ns + round(self.rate * (time_ns - self.set_ns))

    def take(self, late_ns: int, time_ns: int, octets: bytes) -> None:
        """Take how late one more frame is dated."""
        known_ns = self.late(time_ns)
        off_ns = late_ns - known_ns
        self._last.append(off_ns)
        usual_ns = median_low(self._last)
        agree = len(self._last) == _LEAST and max(self._last) - min(self._last) <= TOGETHER_NS
        alone_ns = 0 if self._heard_ns is None else abs(time_ns - self._heard_ns)
        if abs(off_ns) > TOGETHER_NS + _DRIFT * alone_ns:
            if not agree or not _cannot_repeat(octets):
                return
            self._jump(known_ns + usual_ns, time_ns)
        elif abs(off_ns) > TOGETHER_NS:  # it was heard alone for long
            self._set(late_ns, time_ns)
        elif agree and abs(usual_ns) > _STEP_NS:
            self._set(known_ns + usual_ns, time_ns)
        self.frames += 1
        self._heard_ns = time_ns

    def _jump(self, late_ns: int, time_ns: int) -> None:
        self._begin = late_ns, time_ns
        self._set(late_ns, time_ns)

    def _set(self, late_ns: int, time_ns: int) -> None:
        self._last.clear()
        self.late_ns, self.set_ns = late_ns, time_ns
        if abs(late_ns) > abs(self.most_ns):
            self.most_ns = late_ns
        grown_ns, past_ns = late_ns - self._begin[0], time_ns - self._begin[1]
        if past_ns >= _LONG_NS:
            self.rate = min(max(grown_ns / past_ns, -_DRIFT), _DRIFT)

    @property
    def is_off(self) -> bool:
        """Return whether its frames would be taken for others than those that the receivers before it heard."""
        return max(abs(self.most_ns), abs(self._now)) > TOGETHER_NS

    @property
    def _now(self) -> int:
        return self.late(self.set_ns if self._heard_ns is None else self._heard_ns)

    def __str__(self) -> str:
        """Return how late it is, and what was done."""
        now, first = (_seconds(ns) for ns in (self._now, self.first_ns))
        how = now if now == first else f"{first} at first and {now} in the end"
        return (
            f"its clock is {how} beside that of a receiver before it, by {plural(self.frames, 'frame')} that both "
            "heard: its times are moved by that"
        )


def _seconds(late_ns: int) -> str:
    seconds = abs(late_ns) / SECOND
    text = f"{seconds:.0f}" if seconds >= 1000 else f"{seconds:.3g}"
    off = abs(late_ns) > TOGETHER_NS
    return f"{text} s {'slow' if late_ns < 0 else 'fast'}" if off else "right"


class ReceiverClocks:
    """The clocks of several receivers, each given by its number, against those with lower numbers."""

    def __init__(self, windows: Sequence[Sequence[Record]]) -> None:
        """Take the first records of each receiver."""
        self.clocks = [ReceiverClock() for _ in windows]
        self._heard = Recent[bytes, _Heard](_MOST_HELD)
        times = [_once(window) for window in windows]
        for number, clock in enumerate(self.clocks):
            for other in range(number):
                found = _late(times[number], times[other])
                if found is not None:
                    late_ns, time_ns = found
                    clock.begin(late_ns + self.clocks[other].first_ns, time_ns)
                    break

    def moved(self, receiver: int, raw_ns: int) -> int:
        """Return a time by the clock of a receiver as the first would tell it."""
        return raw_ns - self.clocks[receiver].late(raw_ns)

    def hear(self, receiver: int, record: Record, time_ns: int) -> int:
        """Return the time of a record, moved to ``time_ns``, with what others that heard it tell of its clock."""
        octets, raw_ns = _mark(record), record.time_ns or 0
        if octets is None:
            return time_ns
        before = self._heard.get(octets)
        now = _Heard(receiver, time_ns, raw_ns)
        if before is None:
            self._heard[octets] = now
        elif before.again or before.receiver == receiver:
            self._heard.renew(octets, now._replace(again=True))
        else:
            first, later = (before, now) if before.receiver < receiver else (now, before)
            late_ns = later.raw_ns - first.time_ns
            self.clocks[later.receiver].take(late_ns, later.raw_ns, octets)
            if abs(time_ns - before.time_ns) > TOGETHER_NS:
                return self.moved(receiver, raw_ns)
        return time_ns


def _once(window: Iterable[Record]) -> dict[bytes, int]:
    """Return when frames came that came once, by their octets, in the order in which they came."""
    times: dict[bytes, int] = {}
    again: set[bytes] = set()
    for record in window:
        octets = _mark(record)
        if octets is None or record.time_ns is None:
            continue
        if octets in times:
            again.add(octets)
        times.setdefault(octets, record.time_ns)
    return {octets: time_ns for octets, time_ns in times.items() if octets not in again}


def _late(own: dict[bytes, int], others: dict[bytes, int]) -> tuple[int, int] | None:
    """Return how much later a receiver dates frames than another, and when it did first; None where nothing tells.

    Captures that nowhere overlap by their own times are compared by frames that have a frame counter: contents that a
    node sends again and again come back with the same number after 256 frames.
    """
    both = [octets for octets in own if octets in others]
    if len(both) < _LEAST:
        return None
    if max(own.values()) < min(others.values()) or max(others.values()) < min(own.values()):
        both = [octets for octets in both if _cannot_repeat(octets)]
    pairs = [(own[octets] - others[octets], own[octets]) for octets in both]
    for place, (late_ns, time_ns) in enumerate(pairs):
        near = pairs[place : place + _LOOKED_AT]
        agree = sum(
            abs(other_ns - late_ns) <= TOGETHER_NS + _DRIFT * abs(at_ns - time_ns)
            for other_ns, at_ns in near
        )
        if agree >= _LEAST and 2 * agree > len(near):
            return late_ns, time_ns
    return None
