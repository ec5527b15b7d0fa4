"""Fragments put together again: fed frames with their times, it gives events. No clock, no input or output.

RFC 4944 section 5.3: fragments of one datagram share link source, link destination, size and tag; an overlap that
differs in size or offset discards what was collected; the timer of at most 60 s starts with the first fragment.
"""

from collections import OrderedDict
from dataclasses import dataclass, field

from lowpanbudget.errors import RequestError
from lowpanbudget.layers.lowpan.fragment import CITE, TIMEOUT_S
from lowpanbudget.stack.datagram import complete_checksum
from lowpanbudget.stack.frame import Frame
from lowpanbudget.stack.lowpan import Datagram

FragmentKey = tuple[bytes | None, bytes | None, int, int]


@dataclass(frozen=True, slots=True)
class Complete:
    """A datagram is whole; ``fragments`` frames brought it between ``started_s`` and ``ended_s`` (0 for one frame)."""

    datagram: Datagram
    key: FragmentKey | None
    fragments: int
    started_s: float
    ended_s: float


@dataclass(frozen=True, slots=True)
class TimedOut:
    """A datagram was not whole in time: ``received`` of its size in octets, ``missing`` ranges (start, end)."""

    key: FragmentKey
    received: int
    missing: tuple[tuple[int, int], ...]
    started_s: float


@dataclass(frozen=True, slots=True)
class Discarded:
    """What was collected for ``key`` was given up: ``reason`` says why."""

    key: FragmentKey
    received: int
    reason: str


@dataclass(frozen=True, slots=True)
class Ignored:
    """The frame changed nothing: ``reason`` says why (no fragment, a duplicate, a fault)."""

    reason: str


Event = Complete | TimedOut | Discarded | Ignored


@dataclass(slots=True)
class _Open:
    started_s: float
    pieces: dict[int, bytes] = field(default_factory=dict)
    checksum_elided: bool = False

    @property
    def received(self) -> int:
        return sum(len(octets) for octets in self.pieces.values())

    def missing(self, size: int) -> tuple[tuple[int, int], ...]:
        gaps, at = [], 0
        for start in sorted(self.pieces):
            if start > at:
                gaps.append((at, start))
            at = start + len(self.pieces[start])
        return (*gaps, (at, size)) if at < size else tuple(gaps)


class Reassembler:
    """Collects fragments of many datagrams at once, in bounded memory.

    At most ``max_datagrams`` are open and ``max_octets`` held; beyond that the oldest is given up. Times come from the
    frames. Raises ``RequestError`` for a time-out over 60 s or bounds below one.
    """

    def __init__(
        self,
        contexts: object = None,
        timeout_s: float = TIMEOUT_S,
        max_datagrams: int = 256,
        max_octets: int = 1 << 20,
    ) -> None:
        if not 0 < timeout_s <= TIMEOUT_S:
            raise RequestError(
                f"a time-out of {timeout_s} s is not in 0 to {TIMEOUT_S} s", cite=CITE
            )
        if max_datagrams < 1 or max_octets < 1:
            raise RequestError("max_datagrams and max_octets must be at least 1")
        self.contexts = contexts
        self.timeout_s = timeout_s
        self.max_datagrams = max_datagrams
        self.max_octets = max_octets
        self._open: OrderedDict[FragmentKey, _Open] = OrderedDict()

    @property
    def held(self) -> int:
        """Return the octets held."""
        return sum(entry.received for entry in self._open.values())

    def feed(self, frame: Frame, time_s: float = 0.0) -> list[Event]:
        """Return the events that this frame causes, time-outs of others first."""
        events: list[Event] = list(self._expire(time_s))
        if frame.fault is not None:
            events.append(Ignored(f"the frame has a fault: {frame.fault}"))
        elif frame.fragment is None:
            if frame.datagram is None:
                events.append(Ignored("the frame holds no datagram and no fragment"))
            else:
                events.append(Complete(frame.datagram, None, 1, time_s, time_s))
        else:
            events += self._add(frame, time_s)
        return events

    def close(self) -> list[Event]:
        """Return a ``Discarded`` for each datagram that is still open, and forget them."""
        events: list[Event] = [
            Discarded(key, entry.received, "the input ended before the datagram was whole")
            for key, entry in self._open.items()
        ]
        self._open.clear()
        return events

    def _expire(self, time_s: float) -> list[Event]:
        old = [
            key for key, entry in self._open.items() if time_s - entry.started_s > self.timeout_s
        ]
        events: list[Event] = []
        for key in old:
            entry = self._open.pop(key)
            events.append(TimedOut(key, entry.received, entry.missing(key[2]), entry.started_s))
        return events

    def _add(self, frame: Frame, time_s: float) -> list[Event]:
        fragment = frame.fragment
        assert fragment is not None
        key = (frame.link_source, frame.link_destination, fragment.size, fragment.tag)
        start, octets = fragment.offset, frame.fragment_octets
        events: list[Event] = []
        entry = self._open.get(key)
        if entry is not None:
            known = entry.pieces.get(start)
            if known is not None and len(known) == len(octets):
                return [Ignored(f"a duplicate of the fragment at octet {start}")]
            if _overlaps(entry.pieces, start, start + len(octets)):
                del self._open[key]
                reason = f"the fragment at octet {start} overlaps another with a different extent"
                events.append(Discarded(key, entry.received, reason))
                entry = None
        if entry is None:
            entry = self._open[key] = _Open(time_s)
        entry.pieces[start] = octets
        entry.checksum_elided |= frame.checksum_elided
        if not entry.missing(fragment.size):
            del self._open[key]
            events.append(_complete(key, entry, time_s))
        return events + self._shed(key)

    def _shed(self, newest: FragmentKey) -> list[Event]:
        events: list[Event] = []
        while len(self._open) > self.max_datagrams or self.held > self.max_octets:
            key = next((k for k in self._open if k != newest), newest)
            entry = self._open.pop(key, None)
            if entry is None:
                break
            events.append(Discarded(key, entry.received, "too many datagrams or octets were open"))
        return events


def _overlaps(pieces: dict[int, bytes], start: int, end: int) -> bool:
    return any(at < end and start < at + len(octets) for at, octets in pieces.items())


def _complete(key: FragmentKey, entry: _Open, time_s: float) -> Complete:
    octets = b"".join(entry.pieces[start] for start in sorted(entry.pieces))
    if entry.checksum_elided:
        octets = complete_checksum(octets)
    datagram = Datagram(octets, entry.checksum_elided)
    return Complete(datagram, key, len(entry.pieces), entry.started_s, time_s)
