"""RFC 8931's fragments put together, as a model: for each datagram what each sequence number brought, octet by octet.

Sections 5.1, 5.2, 6 and 6.3: offsets in the compressed form, an abort on the way (offset 0) and back (NULL bitmap),
the bitmap of what came, copies absorbed behind a datagram that is whole. How long they are is the package's own choice,
and so is the fresh start where octets or sequences contradict each other.
"""

from dataclasses import dataclass, field

from contract.vectors import header_of
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, rule
from trust.models.link_fragments import Happening, happening

from lowpanbudget import Frame, Reassembler, Rfrag, decode_frame
from lowpanbudget.stack.collected import Collected

ABSORB_S = 2.0  # "a short timer, e.g., on the order of an average round-trip time"
CONTEXTS = {0: "2001:db8::/64"}
PREFIX = bytes.fromhex("20010db8000000000000 00fffe00")
# a path of three nodes: on each hop other link addresses and another tag (section 6.1.1)
PATH = (b"\0\1", b"\0\2", b"\0\3")
HOPS = (
    (PATH[0], PATH[1], 7),
    (PATH[1], PATH[2], 200),
    (b"\0\5", PATH[1], 7),
    (PATH[0], PATH[1], 8),
)
FULL = 0xFFFFFFFF
Key = tuple[bytes, bytes, None, int]


def compressed(size: int, fill: int) -> bytes:
    """Return a compressed datagram of so many octets that every hop expands alike: identifiers in line, context 0."""
    return bytes.fromhex("7a663b 00aa 00bb") + bytes((fill + n) % 256 for n in range(size - 7))


def datagram(octets: bytes) -> bytes:
    """Return what ``compressed`` stands for."""
    head = bytes.fromhex("60000000") + (len(octets) - 7).to_bytes(2, "big") + bytes([octets[2], 64])
    return head + PREFIX + octets[3:5] + PREFIX + octets[5:7] + octets[7:]


@dataclass
class Arrived:
    """What came of one datagram."""

    started: float
    size: int | None = None
    parts: dict[int, tuple[int, bytes]] = field(default_factory=dict)

    @property
    def there(self) -> dict[int, int]:
        return {
            at + n: octet for at, octets in self.parts.values() for n, octet in enumerate(octets)
        }

    def has(self, sequence: int, at: int, octets: bytes, size: int | None) -> bool:
        same = self.parts.get(sequence) == (at, octets)
        return same and (sequence != 0 or size == self.size)

    def contradicts(self, sequence: int, at: int, octets: bytes, size: int | None) -> bool:
        there = self.there
        if sequence == 0 and self.size not in (None, size):
            return True
        known = size if sequence == 0 else self.size
        if known is not None and max([at + len(octets) - 1, *there]) >= known:
            return True
        return sequence in self.parts or any(
            there.get(at + n, octet) != octet for n, octet in enumerate(octets)
        )


class Model:
    """What a receiver knows of the datagrams of each sender and tag."""

    def __init__(self, timeout_s: float) -> None:
        self.timeout_s = timeout_s
        self.open: dict[Key, Arrived] = {}
        self.whole: dict[Key, tuple[float, Arrived]] = {}

    @property
    def held(self) -> int:
        return sum(
            len(one.there)
            for one in [*self.open.values(), *(one for _, one in self.whole.values())]
        )

    def expire(self, time: float) -> list[Happening]:
        self.whole = {key: kept for key, kept in self.whole.items() if time - kept[0] <= ABSORB_S}
        found = []
        for key in [key for key, one in self.open.items() if time - one.started > self.timeout_s]:
            one = self.open.pop(key)
            last = max(one.there) + 1 if one.size is None else one.size
            missing = [n for n in range(last) if n not in one.there]
            edges = (
                [n for n in missing if n - 1 not in missing],
                [n + 1 for n in missing if n + 1 not in missing],
            )
            found.append(
                ("TimedOut", key, len(one.there), tuple(zip(*edges, strict=True)), one.started)
            )
        return found

    def abort(self, key: Key) -> Happening:
        one = self.open.pop(key, None)
        return ("Ignored",) if one is None else ("Discarded", key, len(one.there))

    def take(
        self, key: Key, sequence: int, at: int, octets: bytes, size: int | None, time: float
    ) -> list[Happening]:
        if key in self.whole:
            if self.whole[key][1].has(sequence, at, octets, size):
                return [("Ignored",)]
            del self.whole[key]
        found: list[Happening] = []
        if key in self.open:
            if self.open[key].has(sequence, at, octets, size):
                return [("Ignored",)]
            if self.open[key].contradicts(sequence, at, octets, size):
                found.append(self.abort(key))
        one = self.open.setdefault(key, Arrived(time))
        one.parts[sequence] = (at, octets)
        one.size = size if sequence == 0 else one.size
        if one.size is not None and set(one.there) == set(range(one.size)):
            del self.open[key]
            self.whole[key] = time, one
            whole = datagram(bytes(one.there[n] for n in range(one.size)))
            found.append(("Complete", key, whole, len(one.parts), one.started, time))
        return found


def framed(payload: bytes, source: bytes, destination: bytes) -> Frame:
    return decode_frame(header_of(source, destination) + payload, fcs=False, contexts=CONTEXTS)


class RecoverableFragments(RuleBasedStateMachine):
    """Fragments and acknowledgements on the hops of a path, lost, late, again, retried in other sizes, aborted."""

    steps = 0

    @initialize(timeout=st.sampled_from([60.0, 5.0]))
    def begin(self, timeout: float) -> None:
        self.time, self.tag, self.model = 0.0, 20, Model(timeout)
        self.package = Reassembler(CONTEXTS, timeout_s=timeout)

    def feed(
        self, payload: bytes, source: bytes, destination: bytes, found: list[Happening]
    ) -> None:
        RecoverableFragments.steps += 1
        events = self.package.feed(framed(payload, source, destination), self.time)
        assert [happening(event) for event in events] == found

    def send(
        self,
        ends: tuple[bytes, bytes, int],
        whole: bytes,
        sequence: int,
        start: int,
        end: int,
        flags: int,
    ) -> None:
        """Send RFRAG (figure 1): E is bit 0 and X bit 1 of ``flags``."""
        source, destination, tag = ends
        octets, size = whole[start:end], len(whole) if sequence == 0 else None
        word = (flags >> 1) << 15 | sequence << 10 | len(octets)
        offset = len(whole) if sequence == 0 else start
        head = bytes([0xE8 | flags & 1, tag]) + word.to_bytes(2, "big") + offset.to_bytes(2, "big")
        found, key = self.model.expire(self.time), (source, destination, None, tag)
        found += self.model.take(key, sequence, start, octets, size, self.time)
        self.feed(head + octets, source, destination, found)

    @rule(
        hop=st.integers(0, len(HOPS) - 1), size=st.sampled_from([40, 57]), fill=st.integers(0, 1),
        order=st.permutations(range(3)), several=st.integers(1, 4), flags=st.integers(0, 3),
    )  # fmt: skip
    def round_of_fragments(
        self, hop: int, size: int, fill: int, order: list[int], several: int, flags: int
    ) -> None:
        """Send some of three fragments in any order; the first of these once more where there are four."""
        whole, edges = compressed(size, fill), [0, 13, 31, size]
        for n in [*order, order[0]][:several]:
            self.send(HOPS[hop], whole, n, edges[n], edges[n + 1], flags)

    @rule(
        hop=st.integers(0, len(HOPS) - 1), size=st.sampled_from([40, 57]), fill=st.integers(0, 1),
        losses=st.lists(st.sets(st.integers(0, 2)), max_size=2),
    )  # fmt: skip
    def sent_until_acknowledged(
        self, hop: int, size: int, fill: int, losses: list[set[int]]
    ) -> None:
        """Section 6: send what the bitmap does not name, until it is FULL; some are lost. The tag is free."""
        source, destination, _ = HOPS[hop]
        self.tag = 20 + (self.tag - 19) % 100
        key = source, destination, None, self.tag
        whole, edges = compressed(size, fill), [0, 13, 31, size]
        missing = {0, 1, 2}
        for lost in [*losses, set()]:
            for n in sorted(missing - lost):
                self.send(
                    (source, destination, self.tag),
                    whole,
                    n,
                    edges[n],
                    edges[n + 1],
                    2 if n == 2 else 0,
                )
            bitmap = acknowledged(self.model.open[key]) if key in self.model.open else 0
            missing = {n for n in range(3) if not bitmap >> 31 - n & 1}
            if key in self.model.whole:
                break
        _, there = self.model.whole[key]
        assert bytes(there.there[n] for n in range(size)) == whole

    @rule(
        hop=st.integers(0, len(HOPS) - 1), size=st.sampled_from([40, 57]), fill=st.integers(0, 1),
        sequence=st.integers(1, 31), start=st.integers(1, 50), length=st.integers(1, 30),
    )  # fmt: skip
    def retried_in_another_size(
        self, hop: int, size: int, fill: int, sequence: int, start: int, length: int
    ) -> None:
        if start < size:
            self.send(
                HOPS[hop], compressed(size, fill), sequence, start, min(start + length, size), 0
            )

    @rule(
        hop=st.integers(0, len(HOPS) - 1), size=st.sampled_from([40, 57]), length=st.integers(7, 40)
    )
    def first_in_another_size(self, hop: int, size: int, length: int) -> None:
        self.send(HOPS[hop], compressed(size, 0), 0, 0, min(length, size), 0)

    @rule(hop=st.integers(0, len(HOPS) - 1), sequence=st.integers(0, 31))
    def sender_aborts(self, hop: int, sequence: int) -> None:
        source, destination, tag = HOPS[hop]
        found = [*self.model.expire(self.time), self.model.abort((source, destination, None, tag))]
        head = bytes([0xE8, tag]) + (sequence << 10).to_bytes(2, "big") + bytes(2)
        self.feed(head, source, destination, found)

    @rule(
        hop=st.integers(0, len(HOPS) - 1),
        bitmap=st.sampled_from([0, 1, 1 << 31, FULL]),
        congestion=st.integers(0, 1),
    )
    def receiver_answers(self, hop: int, bitmap: int, congestion: int) -> None:
        """Send RFRAG-ACK back: the tag of the fragments, link addresses swapped; NULL aborts."""
        source, destination, tag = HOPS[hop]
        found = self.model.expire(self.time)
        found.append(("Ignored",) if bitmap else self.model.abort((source, destination, None, tag)))
        self.feed(
            bytes([0xEA | congestion, tag]) + bitmap.to_bytes(4, "big"), destination, source, found
        )

    @rule(gap=st.sampled_from([0.5, 1.5, 2.0, 2.5, 5.0, 5.5, 60.0, 60.5]))
    def wait(self, gap: float) -> None:
        self.time += gap

    @rule()
    def input_ends(self) -> None:
        found = [self.model.abort(key) for key in list(self.model.open)]
        assert [happening(event) for event in self.package.close()] == found

    @invariant()
    def as_many_octets_are_held(self) -> None:
        if hasattr(self, "model"):
            assert self.package.held == self.model.held

    @invariant()
    def bitmaps_name_what_came(self) -> None:
        """Section 5.2: "setting the bit at offset x indicates that fragment x was received"; FULL for a whole one."""
        for one in self.model.open.values() if hasattr(self, "model") else ():
            assert acknowledged(one) == sum(1 << 31 - sequence for sequence in one.parts)
        for _, one in self.model.whole.values() if hasattr(self, "model") else ():
            assert acknowledged(one) == FULL


def acknowledged(one: Arrived) -> int:
    """Return the package's bitmap for the same fragments."""
    there = Collected(one.started)
    for sequence, (at, octets) in one.parts.items():
        header = Rfrag(0, sequence, len(octets), at, one.size if sequence == 0 else None)
        assert not there.contradiction(header, octets)
        there.add(header, octets)
    return there.bitmap
