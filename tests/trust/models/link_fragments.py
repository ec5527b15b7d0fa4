"""RFC 4944's fragments put together, as a model: for each datagram the octets that are there, nothing else.

Section 5.3: what identifies a datagram, the fresh start where extents overlap, the timer of at most 60 s from the first
fragment on. Three rules are the package's own: the same place with other octets starts afresh too; where too much
is open, the oldest datagram of a sender with most goes; and what a mesh passes on once more of a datagram that became
whole within that time, other than the first, need not be the beginning of another.
"""

from collections import Counter
from dataclasses import dataclass, field
from typing import Any

from contract.vectors import header_of
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, rule

from lowpanbudget import Frame, Reassembler, decode_frame

SOURCES = (b"\0\1", b"\0\2", bytes.fromhex("02005eef10000001"))
DESTINATION = b"\0\x09"
FORWARDER = b"\0\x77", b"\0\x78"
HEADER = 40
SIZES = (64, 90)
Key = tuple[bytes, bytes, int, int]
Happening = tuple[Any, ...]


def iid(link: bytes) -> bytes:
    """Return RFC 6282 section 3.2.2's identifier."""
    return (
        bytes.fromhex("000000fffe00") + link if len(link) == 2 else bytes([link[0] ^ 2]) + link[1:]
    )


def datagram(source: bytes, size: int, fill: int) -> bytes:
    head = bytes.fromhex("60000000") + (size - HEADER).to_bytes(2, "big") + bytes([59, 64])
    local = bytes.fromhex("fe80000000000000")
    ends = local + iid(source) + local + iid(DESTINATION)
    return head + ends + bytes((fill + place) % 256 for place in range(size - HEADER))


def fragment(whole: bytes, tag: int, start: int, end: int) -> bytes:
    """Return FRAG1 (all addresses elided in LOWPAN_IPHC) or FRAGN of these octets."""
    code = 0b11000 if start == 0 else 0b11100
    head = (code << 11 | len(whole)).to_bytes(2, "big") + tag.to_bytes(2, "big")
    if start == 0:
        return head + bytes.fromhex("7a333b") + whole[HEADER:end]
    return head + bytes([start // 8]) + whole[start:end]


def gaps(there: set[int], size: int) -> tuple[tuple[int, int], ...]:
    """Return the ranges of a datagram that are not there."""
    missing = [place for place in range(size) if place not in there]
    starts = [place for place in missing if place - 1 not in missing]
    return tuple(
        (start, min(p for p in range(start, size + 1) if p not in missing)) for start in starts
    )


@dataclass
class Buffer:
    """The pieces of a datagram that came since ``started``, by where they start."""

    started: float
    pieces: dict[int, bytes] = field(default_factory=dict)

    @property
    def there(self) -> set[int]:
        return {start + n for start, octets in self.pieces.items() for n in range(len(octets))}


class Model:
    """What a receiver holds of each datagram."""

    def __init__(self, timeout_s: float, most: int, most_octets: int) -> None:
        self.timeout_s, self.most, self.most_octets = timeout_s, most, most_octets
        self.open: dict[Key, Buffer] = {}
        self.done: dict[Key, tuple[dict[int, bytes], float]] = {}  # the pieces of whole ones

    @property
    def held(self) -> int:
        return sum(len(buffer.there) for buffer in self.open.values())

    def expire(self, time: float) -> list[Happening]:
        ended = [key for key, buffer in self.open.items() if time - buffer.started > self.timeout_s]
        found = []
        for key in ended:
            buffer = self.open.pop(key)
            found.append(
                ("TimedOut", key, len(buffer.there), gaps(buffer.there, key[2]), buffer.started)
            )
        return found

    def oldest_of_most(self, newest: Key) -> Key:
        """Return the oldest datagram of a sender that has most open; the newest one only where it is alone."""
        count = Counter(source for source, *_ in self.open)
        most = max(count.values())
        others = [key for key in self.open if key != newest]
        return next((key for key in others if count[key[0]] == most), newest)

    def lose(self, key: Key) -> Happening:
        return "Discarded", key, len(self.open.pop(key).there)

    def may_be_late(self, key: Key, start: int, octets: bytes, time: float) -> bool:
        """Return whether a piece is one that a datagram which became whole not long ago had, and not its first."""
        pieces, when = self.done.get(key, ({}, 0.0))
        if not start or pieces.get(start) != octets:
            self.done.pop(key, None)  # another one begins
            return False
        return key not in self.open and time - when <= self.timeout_s

    def take(self, key: Key, start: int, octets: bytes, time: float) -> list[Happening]:
        found = []
        if key in self.open:
            buffer = self.open[key]
            if buffer.pieces.get(start) == octets:
                return [("Ignored",)]
            if buffer.there & set(range(start, start + len(octets))):
                found.append(self.lose(key))
        buffer = self.open.setdefault(key, Buffer(time))
        buffer.pieces[start] = octets
        if buffer.there == set(range(key[2])):
            del self.open[key]
            self.done[key] = buffer.pieces, time
            whole = b"".join(piece for _, piece in sorted(buffer.pieces.items()))
            return [*found, ("Complete", key, whole, len(buffer.pieces), buffer.started, time)]
        while len(self.open) > self.most or self.held > self.most_octets:
            found.append(self.lose(self.oldest_of_most(key)))
        return found


def happening(event: Any) -> Happening:
    """Return an event of the package in the model's form."""
    kind, key = type(event).__name__, getattr(event, "key", None)
    key = None if key is None else tuple(key)
    if kind == "TimedOut":
        return kind, key, event.received, event.missing, event.started_s
    if kind == "Discarded":
        return kind, key, event.received
    if kind == "Complete":
        return kind, key, event.datagram.octets, event.fragments, event.started_s, event.ended_s
    return (kind,)


def framed(payload: bytes, source: bytes, destination: bytes = DESTINATION) -> Frame:
    return decode_frame(header_of(source, destination) + payload, fcs=False)


class LinkFragments(RuleBasedStateMachine):
    """Frames of several senders and one receiver: pieces in any order, again, overlapping, missing; time passes."""

    steps = 0

    @initialize(
        timeout=st.sampled_from([60.0, 5.0]),
        bounds=st.sampled_from([(256, 1 << 20), (2, 1 << 20), (256, 150)]),
    )
    def begin(self, timeout: float, bounds: tuple[int, int]) -> None:
        self.time = 0.0
        self.model = Model(timeout, *bounds)
        self.package = Reassembler(timeout_s=timeout, max_datagrams=bounds[0], max_octets=bounds[1])

    def feed(self, payload: bytes, source: bytes, *, meshed: bool = False) -> list[Happening]:
        """Feed a frame of ``source``, or of a forwarder behind a mesh header with the same ends (figure 3, V=F=1)."""
        LinkFragments.steps += 1
        front, ends = b"\xb5" + source + DESTINATION, FORWARDER
        frame = framed(front + payload, *ends) if meshed else framed(payload, source)
        return [happening(event) for event in self.package.feed(frame, self.time)]

    def send(
        self,
        source: bytes,
        size: int,
        tag: int,
        fill: int,
        start: int,
        end: int,
        *,
        mesh: bool = False,
    ) -> None:
        whole = datagram(source, size, fill)
        octets, meshed = whole[start:end], mesh and len(source) == 2
        found = self.model.expire(self.time)
        key = source, DESTINATION, size, tag
        late = self.model.may_be_late(key, start, octets, self.time)
        events = self.feed(fragment(whole, tag, start, end), source, meshed=meshed)
        if not (late and meshed and events == [*found, ("Ignored",)]):
            found += self.model.take(key, start, octets, self.time)
            assert events == found

    @rule(
        source=st.sampled_from(SOURCES), size=st.sampled_from(SIZES), tag=st.integers(0, 1), fill=st.integers(0, 1),
        order=st.permutations(range(4)), several=st.integers(1, 5), mesh=st.booleans(),
    )  # fmt: skip
    def pieces(
        self,
        source: bytes,
        size: int,
        tag: int,
        fill: int,
        order: list[int],
        several: int,
        mesh: bool,
    ) -> None:
        """Send some of the pieces of one datagram, the first of these once more at the end where there are five."""
        edges = [0, HEADER, 56, 64, size][: 5 if size > 64 else 4]
        sent = [n for n in order if n < len(edges) - 1]
        for n in [*sent, sent[0]][:several]:
            self.send(source, size, tag, fill, edges[n], edges[n + 1], mesh=mesh)

    @rule(
        source=st.sampled_from(SOURCES), size=st.sampled_from(SIZES), tag=st.integers(0, 1),
        start=st.sampled_from([0, 40, 48, 56, 64]), length=st.sampled_from([8, 16, 24, 26]),
    )  # fmt: skip
    def another_extent(self, source: bytes, size: int, tag: int, start: int, length: int) -> None:
        end = min(start + length + (HEADER if start == 0 else 0), size)
        if start < end:
            self.send(source, size, tag, 0, start, end)

    @rule(gap=st.sampled_from([0.5, 4.5, 5.0, 5.5, 30.0, 60.0, 60.5]))
    def wait(self, gap: float) -> None:
        self.time += gap

    @rule(source=st.sampled_from(SOURCES), fill=st.integers(0, 9))
    def whole_in_one_frame(self, source: bytes, fill: int) -> None:
        whole = datagram(source, 50, fill)
        found = [*self.model.expire(self.time), ("Complete", None, whole, 1, self.time, self.time)]
        assert self.feed(bytes.fromhex("7a333b") + whole[HEADER:], source) == found

    @rule(
        payload=st.sampled_from(
            [b"", b"\x7a", b"\x00\x01", bytes.fromhex("e040000100"), bytes.fromhex("c0270001")]
        )
    )
    def nothing_of_a_datagram(self, payload: bytes) -> None:
        assert self.feed(payload, SOURCES[0]) == [*self.model.expire(self.time), ("Ignored",)]

    @rule()
    def input_ends(self) -> None:
        found = [self.model.lose(key) for key in list(self.model.open)]
        assert [happening(event) for event in self.package.close()] == found

    @invariant()
    def as_many_octets_are_held(self) -> None:
        if hasattr(self, "model"):
            assert self.package.held == self.model.held
