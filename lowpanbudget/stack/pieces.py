"""Datagrams in fragments: what their senders have sent so far, and what a receiver holds of one.

The two differ where the receiver's time runs out while the sender goes on, and where fragments come again. Recoverable
fragments: ``recoverable``.
"""

from collections.abc import Iterable
from enum import Enum
from typing import TYPE_CHECKING, Any, NamedTuple

from lowpanbudget.stack.counting import OtherCount, lengthened, most_added, other_counts
from lowpanbudget.stack.datagram import complete_checksum
from lowpanbudget.stack.fragment_key import FragmentKey
from lowpanbudget.stack.incoming import Datagram
from lowpanbudget.values import dataclass, field

if TYPE_CHECKING:
    from lowpanbudget.stack.frame import Frame

MOST_FRAGMENTS = 256  # an offset has 8 bits
_new = tuple.__new__
IN_ONE_GO_S = 1.0  # between fragments that a hop swapped; our choice


class Fate(Enum):
    """What became of a datagram as it was sent."""

    OPEN = "open"
    WHOLE = "whole"
    EXPIRED = "expired"
    OVERLAPPING = "overlapping"
    REPLACED = "replaced by another under its tag"
    GIVEN_UP = "given up, for more were open than are followed"


class SentFragment(NamedTuple):
    """A fragment: ``start`` and ``end`` in octets of the datagram; a ``first`` one brings the compressed headers.

    A first one whose headers could not be read has an end of 0: nobody can tell how far it goes. ``mark`` is what came
    with its frame, ``digest`` stands for its octets.
    """

    start: int
    end: int
    time_s: float
    first: bool
    mark: Any
    digest: int = 0


def sent_fragment(
    start: int, octets: bytes, time_s: float, mark: object, *, first: bool
) -> SentFragment:
    """Return a fragment that could be read."""
    return _new(SentFragment, (start, start + len(octets), time_s, first, mark, hash(octets)))


@dataclass(slots=True)
class FragmentedDatagram:
    """A datagram as it was sent: ``fragments``, each once.

    ``beside`` is the most datagrams that its receiver had open at once meanwhile, this one included; ``met`` tells that
    another one was being sent to it at the same time, and not only waited for its time to be over. ``follows`` tells
    that it begins under the key of one that was broken off, or of what was put together of two. ``told``: its end was
    told to those who count datagrams. ``resumed`` is the last fragment with which it went on after it had expired.
    ``copies`` is the whole one that brought all of its fragments before, while there is no other among them.
    ``counted`` is how its sender counts what RPL added, where the second begins as if the first had ended before.
    """

    key: FragmentKey
    fragments: list[SentFragment] = field(default_factory=list)
    fate: Fate = Fate.OPEN
    beside: int = 1
    met: bool = False
    follows: bool = False
    told: bool = False
    resumed: SentFragment | None = None
    copies: "FragmentedDatagram | None" = None
    counted: OtherCount | None = None

    @property
    def size(self) -> int:
        """Return its octets."""
        return self.key.size or 0

    def __str__(self) -> str:
        """Return size and tag as text."""
        return f"datagram of {self.size} octets, tag {self.key.tag:#06x}"

    def brought(self, other: SentFragment) -> bool:
        """Return whether a fragment brought the same octets before."""
        start, end, digest = other.start, other.end, other.digest
        for part in self.fragments:  # noqa: SIM110  # a generator takes twice the time, for every fragment
            if part.start == start and part.end == end and part.digest == digest:
                return True
        return False

    def told_before(self) -> bool:
        """Return whether its end was told before, or is none to tell; note that it is told now."""
        is_none = self.fate is Fate.WHOLE or self.is_rest or self.is_copy
        before, self.told = self.told or is_none, True
        return before

    @property
    def is_copy(self) -> bool:
        """Return whether these are late copies from one that was whole, and not all of it once more."""
        return self.copies is not None and self.fate is not Fate.WHOLE

    @property
    def is_rest(self) -> bool:
        """Return whether these are what still came of the one before it, and no datagram that a sender began."""
        return self.follows and not any(part.first for part in self.fragments)

    def goes_on_with(self, other: SentFragment) -> bool:
        """Return whether a fragment begins where one of these ends, and overlaps none."""
        follows = False
        for part in self.fragments:
            if part.start < other.end and other.start < part.end:
                return False
            follows = follows or part.end == other.start or (part.first and not part.end)
        return follows and not other.first and other.start > 0

    def add(self, fragment: SentFragment) -> None:
        """Note a fragment that brings other octets than those before it."""
        if self.copies is not None and not self.copies.brought(fragment):
            self.copies = None
        if len(self.fragments) < MOST_FRAGMENTS:
            self.fragments.append(fragment)

    @property
    def is_whole(self) -> bool:
        """Return whether there is a fragment for each of its octets; one unread goes as far as the next."""
        missing = gaps(((part.start, part.end) for part in self.fragments), self.size)
        if missing and self.begins_unread and missing[0] != (0, self.size):
            missing = missing[missing[0][0] == 0 :]
        return not missing

    @property
    def is_of_two(self) -> bool:
        """Return whether fragments of another datagram may be among its own.

        It took the place of another under its tag; or its first fragment came after the others, and not in the same go:
        a sender sends in order.
        """
        *before, last = self.fragments
        late = bool(before) and last.first and last.time_s - before[-1].time_s > IN_ONE_GO_S
        return late or self.follows

    @property
    def begins_unread(self) -> bool:
        """Return whether its first fragment came, and could not be read."""
        return any(part.first and not part.end for part in self.fragments)


class FragmentArrival(NamedTuple):
    """A fragment that has come, and the datagram it belongs to; ``repeated``: the same octets came before.

    The datagram changes with what follows.
    """

    fragment: SentFragment
    datagram: FragmentedDatagram
    repeated: bool


@dataclass(slots=True)
class Pieces:
    """What a receiver holds of a datagram: ``pieces`` by where they start, ``received`` octets since ``started_s``.

    ``marks`` came with the frames that brought them. ``first`` is the frame of its first fragment, and ``less`` the
    octets that its sender counts less than that brings, who leaves the form of a source route open (RFC 8138). None of
    them goes further than ``reach``.
    """

    sent: FragmentedDatagram
    started_s: float
    pieces: dict[int, bytes] = field(default_factory=dict)
    checksum_elided: bool = False
    marks: list[Any] = field(default_factory=list)
    received: int = 0
    first: "Frame | None" = None
    less: int = 0
    reach: int = 0

    def told_before(self) -> bool:
        """Return whether the end of its datagram was told before; note that it is told now."""
        return self.sent.told_before()

    def keep(self, start: int, octets: bytes) -> None:
        """Take a piece in, where none is."""
        self.received += len(octets)
        self.pieces[start] = octets
        end = start + len(octets)
        if end > self.reach:  # noqa: PLR1730  # for every fragment
            self.reach = end

    def overlap(self, start: int, end: int) -> int | None:
        """Return by how many octets less its sender counts, found out as these come; None where they overlap others."""
        if not any(at < end and start < at + len(octets) for at, octets in self.pieces.items()):
            return 0
        first = self.pieces.get(0)
        if self.first is None or first is None or len(self.pieces) > 1:
            return None
        counts = other_counts(self.first.layers, self.first.values)
        count = next((one for one in counts if len(first) - one.less == start), None)
        if count is None:
            return None
        if self.sent.fragments[0].first:  # not where another overlapped the first, and comes again
            self.sent.counted = count
        self.less = count.less
        self.received -= count.less
        return count.less

    @property
    def is_whole(self) -> bool:
        """Return whether all is there: no piece reaches into another.

        A first one that brings all of its size, or more, is not alone where its sender may count less than it brings.
        """
        if self.received != self.sent.size:
            return False
        return len(self.pieces) > 1 or self.first is None or not most_added(self.first.layers)

    def missing(self) -> tuple[tuple[int, int], ...]:
        """Return the ranges (start, end) that are not there."""
        ranges = ((start, start + len(octets)) for start, octets in self.pieces.items())
        return gaps(ranges, self.sent.size)

    def datagram(self) -> Datagram:
        """Return the whole, with the checksum that the first fragment left out."""
        pieces = dict(self.pieces)
        if self.less:
            pieces[0] = lengthened(pieces[0], self.sent.size, self.less)
        octets = b"".join([pieces[start] for start in sorted(pieces)])
        if self.checksum_elided:
            octets = complete_checksum(octets)
        return Datagram(octets, self.checksum_elided)


def gaps(ranges: Iterable[tuple[int, int]], size: int | None) -> tuple[tuple[int, int], ...]:
    """Return the ranges (start, end) that these leave out, up to ``size`` or, without it, to the last of them."""
    left, at = [], 0
    for start, end in sorted(ranges):
        if start > at:
            left.append((at, start))
        at = max(at, end)
    if size is not None and at < size:
        left.append((at, size))
    return tuple(left)
