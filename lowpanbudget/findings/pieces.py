"""Fragments followed datagram by datagram, as they were sent: which octets when, in which frame, with what to spare.

The reassembler of the stack answers what a receiver gets; here stands what the sender did, also when it was wrong.
"""

from collections import OrderedDict
from dataclasses import dataclass, field

from lowpanbudget.findings.scene import named
from lowpanbudget.layers.lowpan.fragment import FRAG1, FRAGN, Fragment
from lowpanbudget.layers.lowpan.iphc import Iphc
from lowpanbudget.stack.frame import Frame

MOST_OPEN = 256
MOST_PIECES = 256  # an offset has 8 bits
MANY = 8  # datagrams at one receiver: how many more there are makes no difference
Key = tuple[bytes | None, bytes | None, int, int]


@dataclass(frozen=True, slots=True)
class Piece:
    """One fragment: ``start`` and ``end`` in octets of the datagram, ``wire`` octets behind the fragment header.

    ``frame_octets`` is the frame's size; ``repeated`` tells that the same octets came before.
    """

    number: int
    time_s: float
    start: int
    end: int
    wire: int
    frame_octets: int
    first: bool
    repeated: bool = False


@dataclass(slots=True)
class Assembly:
    """The fragments of one datagram. ``state``: open, whole, expired, overlapping or unfinished."""

    key: Key
    pieces: list[Piece] = field(default_factory=list)
    state: str = "open"
    repeats: int = 0
    beside: int = 1  # the most datagrams that the receiver had open at once meanwhile
    lead: Frame | None = None
    iphc: Iphc | None = None

    @property
    def size(self) -> int:
        """Return the datagram_size."""
        return self.key[2]

    @property
    def numbers(self) -> tuple[int, ...]:
        """Return the frame numbers."""
        return tuple(piece.number for piece in self.pieces)

    @property
    def covered(self) -> int:
        """Return how many octets of the datagram have come."""
        at = covered = 0
        for piece in sorted(self.pieces, key=lambda one: one.start):
            covered += max(0, piece.end - max(piece.start, at))
            at = max(at, piece.end)
        return covered


class Pieces:
    """Follows FRAG1 and FRAGN, in bounded memory: the oldest datagram of too many is given up unseen."""

    def __init__(self, timeout_s: float) -> None:
        self.timeout_s = timeout_s
        self._open: OrderedDict[Key, Assembly] = OrderedDict()
        self._done: OrderedDict[Key, Assembly] = OrderedDict()
        self._receivers: dict[bytes | None, int] = {}

    def add(
        self,
        number: int,
        time_s: float,
        frame: Frame,
        fragment: Fragment,
        payload: bytes,
        octets: int,
    ) -> tuple[Assembly, Piece]:
        """Return the assembly that a fragment belongs to, and the fragment.

        ``frame`` may be another one that is alike but for its ``payload``; ``octets`` is the frame's size.
        """
        key = (frame.link_source, frame.link_destination, fragment.size, fragment.tag)
        # octets behind the headers stand in the datagram as they are: more of them, and it reaches further
        start = fragment.offset
        end = start + len(frame.fragment_octets) + len(payload) - len(frame.payload or b"")
        found = self._open.get(key) or self._late(key, time_s, start, end)
        if found is None:
            found = self._open[key] = Assembly(key)
            self._meet(found)
            while len(self._open) > MOST_OPEN:
                self._forget(next(iter(self._open)))
        elif found.state == "open":
            self._open.move_to_end(key)
        repeated = any(one.start == start and one.end == end for one in found.pieces)
        header = FRAG1.octets if fragment.first else FRAGN.octets
        piece = Piece(
            number, time_s, start, end, len(payload) - header, octets,
            fragment.first, repeated,
        )  # fmt: skip
        if repeated:
            found.repeats += 1
        elif any(one.start < end and start < one.end for one in found.pieces):
            found.state = "overlapping"
            self._forget(key)
        if not repeated and len(found.pieces) < MOST_PIECES:
            found.pieces.append(piece)
        if fragment.first and not repeated:
            found.lead = frame
            found.iphc = next(
                (one for one in reversed(frame.layers) if isinstance(one, Iphc)), None
            )
        if found.state == "open" and found.covered >= found.size:
            found.state = "whole"
            self._forget(key)
            self._done[key] = found
            if len(self._done) > MOST_OPEN:
                self._done.popitem(last=False)
        return found, piece

    def _late(self, key: Key, time_s: float, start: int, end: int) -> Assembly | None:
        """Return the datagram that was whole already when this fragment of it came again; a first one begins anew."""
        found = self._done.get(key)
        if found is None or not start or time_s - found.pieces[-1].time_s > self.timeout_s:
            return None
        known = any(one.start == start and one.end == end for one in found.pieces)
        return found if known else None

    def _meet(self, new: Assembly) -> None:
        """Note how many datagrams the receiver has open, in the new one and in those that it meets."""
        receiver = new.key[1]
        together = self._receivers[receiver] = self._receivers.get(receiver, 0) + 1
        new.beside = together
        if 1 < together <= MANY:  # those that were open when there were as many have been told
            for other in self._open.values():
                if other.key[1] == receiver:
                    other.beside = max(other.beside, together)

    def _forget(self, key: Key) -> None:
        if self._open.pop(key, None) is None:
            return
        left = self._receivers.get(key[1], 0) - 1
        if left > 0:
            self._receivers[key[1]] = left
        else:
            self._receivers.pop(key[1], None)

    def expire(self, time_s: float) -> list[Assembly]:
        """Return the assemblies whose last fragment is older than the time-out, and forget them.

        They stand in the order of their last fragments.
        """
        old = []
        while self._open:
            key, entry = next(iter(self._open.items()))
            if entry.pieces and not time_s - entry.pieces[-1].time_s > self.timeout_s:
                break  # also without times
            entry.state = "expired"
            old.append(entry)
            self._forget(key)
        return old

    def close(self) -> list[Assembly]:
        """Return what is open at the end, and forget it."""
        left = list(self._open.values())
        for entry in left:
            entry.state = "unfinished"
        self._open.clear()
        self._receivers.clear()
        return left


def told(assembly: Assembly) -> str:
    """Return size and tag of a datagram as text."""
    return f"datagram of {assembly.size} octets, tag {assembly.key[3]:#06x}"


def hop_of(assembly: Assembly) -> str:
    """Return sender and receiver of its fragments as text."""
    return f"{named(assembly.key[0])} to {named(assembly.key[1])}"
