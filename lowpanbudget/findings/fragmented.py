"""Fragments followed datagram by datagram, as they were sent: which octets when, in which frame, with what to spare.

The reassembler of the stack answers what a receiver gets; here stands what the sender did, also when it was wrong.
"""

from collections import OrderedDict
from enum import Enum
from typing import NamedTuple

from lowpanbudget.findings.wording import hop_text
from lowpanbudget.layers.lowpan.iphc import Iphc
from lowpanbudget.values import dataclass, field

MOST_OPEN = 256
MOST_FRAGMENTS = 256  # an offset has 8 bits
MANY = 8  # datagrams at one receiver: how many more there are makes no difference


class FragmentedKey(NamedTuple):
    """What the fragments of one datagram have in common (RFC 4944 section 5.3)."""

    source: bytes | None
    destination: bytes | None
    size: int
    tag: int


class Fate(Enum):
    """What became of a datagram in fragments."""

    OPEN = "open"
    WHOLE = "whole"
    EXPIRED = "expired"
    OVERLAPPING = "overlapping"
    UNFINISHED = "unfinished"


class SentFragment(NamedTuple):
    """A fragment: ``start`` and ``end`` in octets of the datagram, ``wire`` octets behind the fragment header.

    ``frame_octets`` is the frame's size. A ``first`` one brings the compressed headers.
    """

    number: int
    time_s: float
    start: int
    end: int
    wire: int
    frame_octets: int
    first: bool

    def extends_like(self, other: "SentFragment") -> bool:
        """Return whether both bring the same octets of the datagram."""
        return (self.start, self.end) == (other.start, other.end)


@dataclass(slots=True)
class FragmentedDatagram:
    """A datagram in fragments; ``beside``: the most that its receiver had open at once meanwhile, this one included.

    ``iphc`` is the compressed header that its first fragment brought.
    """

    key: FragmentedKey
    fragments: list[SentFragment] = field(default_factory=list)
    fate: Fate = Fate.OPEN
    beside: int = 1
    iphc: Iphc | None = None

    @property
    def numbers(self) -> tuple[int, ...]:
        """Return the frame numbers."""
        return tuple(fragment.number for fragment in self.fragments)

    @property
    def covered(self) -> int:
        """Return how many octets of the datagram have come."""
        at = covered = 0
        for fragment in sorted(self.fragments, key=lambda fragment: fragment.start):
            covered += max(0, fragment.end - max(fragment.start, at))
            at = max(at, fragment.end)
        return covered

    def holds(self, other: SentFragment) -> bool:
        """Return whether the same octets came before."""
        return any(fragment.extends_like(other) for fragment in self.fragments)

    def overlaps(self, other: SentFragment) -> bool:
        """Return whether some of these octets came before."""
        return any(part.start < other.end and other.start < part.end for part in self.fragments)

    @property
    def hop(self) -> str:
        """Return sender and receiver as text."""
        return hop_text(self.key.source, self.key.destination)

    def __str__(self) -> str:
        """Return size and tag as text."""
        return f"datagram of {self.key.size} octets, tag {self.key.tag:#06x}"


class FragmentArrival(NamedTuple):
    """A fragment that has come, and the datagram it belongs to; ``repeated``: the same octets came before."""

    fragment: SentFragment
    datagram: FragmentedDatagram
    repeated: bool


class FragmentTracker:
    """Follows FRAG1 and FRAGN, in bounded memory: the oldest datagram of too many is given up unseen."""

    def __init__(self, timeout_s: float) -> None:
        self.timeout_s = timeout_s
        self._open: OrderedDict[FragmentedKey, FragmentedDatagram] = OrderedDict()
        self._whole: OrderedDict[FragmentedKey, FragmentedDatagram] = OrderedDict()
        self._receivers: dict[bytes | None, int] = {}

    def add(self, key: FragmentedKey, fragment: SentFragment, iphc: Iphc | None) -> FragmentArrival:
        """Return what comes with a fragment; ``iphc`` is the compressed header in it."""
        datagram = self._open.get(key) or self._late(key, fragment)
        if datagram is None:
            datagram = self._open[key] = FragmentedDatagram(key)
            self._meet(datagram)
            while len(self._open) > MOST_OPEN:
                self._forget(next(iter(self._open)))
        elif datagram.fate == Fate.OPEN:
            self._open.move_to_end(key)
        if datagram.holds(fragment):
            return FragmentArrival(fragment, datagram, repeated=True)
        if datagram.overlaps(fragment):
            datagram.fate = Fate.OVERLAPPING
            self._forget(key)
        if len(datagram.fragments) < MOST_FRAGMENTS:
            datagram.fragments.append(fragment)
        if fragment.first:
            datagram.iphc = iphc
        if datagram.fate == Fate.OPEN and datagram.covered >= key.size:
            datagram.fate = Fate.WHOLE
            self._forget(key)
            self._whole[key] = datagram
            if len(self._whole) > MOST_OPEN:
                self._whole.popitem(last=False)
        return FragmentArrival(fragment, datagram, repeated=False)

    def _late(self, key: FragmentedKey, fragment: SentFragment) -> FragmentedDatagram | None:
        """Return the datagram that was whole already when this fragment of it came again; a first one begins anew."""
        datagram = self._whole.get(key)
        if datagram is None or not fragment.start:
            return None
        if fragment.time_s - datagram.fragments[-1].time_s > self.timeout_s:
            return None
        return datagram if datagram.holds(fragment) else None

    def _meet(self, new: FragmentedDatagram) -> None:
        """Note how many datagrams the receiver has open, in the new one and in those that it meets."""
        receiver = new.key.destination
        together = self._receivers[receiver] = self._receivers.get(receiver, 0) + 1
        new.beside = together
        if 1 < together <= MANY:  # those that were open when there were as many know it
            for other in self._open.values():
                if other.key.destination == receiver:
                    other.beside = max(other.beside, together)

    def _forget(self, key: FragmentedKey) -> None:
        if self._open.pop(key, None) is None:
            return
        left = self._receivers.get(key.destination, 0) - 1
        if left > 0:
            self._receivers[key.destination] = left
        else:
            self._receivers.pop(key.destination, None)

    def expire(self, time_s: float) -> list[FragmentedDatagram]:
        """Return the datagrams whose last fragment is older than the time-out, the oldest first, and forget them."""
        expired = []
        while self._open:
            key, datagram = next(iter(self._open.items()))
            last = datagram.fragments[-1:]
            if last and not time_s - last[0].time_s > self.timeout_s:
                break  # also without times
            datagram.fate = Fate.EXPIRED
            expired.append(datagram)
            self._forget(key)
        return expired

    def close(self) -> list[FragmentedDatagram]:
        """Return what is open at the end, and forget it."""
        unfinished = list(self._open.values())
        for datagram in unfinished:
            datagram.fate = Fate.UNFINISHED
        self._open.clear()
        self._receivers.clear()
        return unfinished
