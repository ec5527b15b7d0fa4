"""A datagram in recoverable fragments (RFC 8931), as it was sent and acknowledged."""

from collections.abc import Iterable

from lowpanbudget.findings import faults
from lowpanbudget.findings.recovery_asked import WAIT_S
from lowpanbudget.findings.scene import Scene
from lowpanbudget.findings.senders import HeardSender
from lowpanbudget.findings.unheard import Unheard, place_behind
from lowpanbudget.layers.lowpan.recovery import Rfrag
from lowpanbudget.stack.pieces import gaps
from lowpanbudget.values import dataclass, field


@dataclass(slots=True)
class Recoverable:
    """A datagram in recoverable fragments: the range and the last frame of each sequence, and what was acknowledged.

    ``missing`` are the sequences that the acknowledgement in frame ``told`` leaves out between others. ``is_received``:
    its receiver says that it is whole, ``is_next``: the one before it under its tag was over. ``is_cut``: its headers
    are cut in two, so that nobody can use it, which is told. ``by`` sent the ``first`` frame of it, and the ``last``.
    """

    ranges: dict[int, tuple[int, int]] = field(default_factory=dict)
    frames: dict[int, int] = field(default_factory=dict)
    size: int | None = None
    is_over: bool = False
    is_received: bool = False
    is_next: bool = False
    is_cut: bool = False
    missing: set[int] = field(default_factory=set)
    told: int = 0
    told_s: float = 0.0
    by: HeardSender | None = None
    first: int = 0
    last: int = 0
    last_s: float = 0.0

    @property
    def is_whole(self) -> bool:
        """Return whether every octet of it was heard."""
        return self.size is not None and not gaps(self.ranges.values(), self.size)

    def take(self, header: Rfrag, scene: Scene) -> None:
        """Note a fragment, in place of one that had its sequence."""
        self.ranges[header.sequence] = (header.offset, header.offset + header.length)
        self.frames[header.sequence] = scene.number
        self.missing.discard(header.sequence)
        self.by, self.first = scene.by or self.by, self.first or scene.number
        self.last, self.last_s = scene.number, scene.time_s
        if header.first:
            self.size = header.size
            self.is_cut = faults.headers_cut(scene.frame.fault)

    def was_whole_before(self, number: int) -> bool:
        """Return whether every octet of it was heard before a frame: what comes then is sent again, cut otherwise."""
        before = (part for one, part in self.ranges.items() if self.frames[one] < number)
        return self.size is not None and not gaps(before, self.size)

    def missed(self) -> Unheard:
        """Return whether the capture may have missed what is missing of it: its sender's frame numbers leave place.

        The first fragment goes first, the others in any order, and each may be sent again.
        """
        by, since = self.by, self.first if 0 in self.ranges else self.first - 1
        if by is None:
            return Unheard.NOTHING
        is_begun_before = 0 not in self.ranges and self.first in by.first[:1]
        if is_begun_before or place_behind(since, self.last_s + WAIT_S, by):
            return Unheard.ALL
        return Unheard.OPEN if by.sent <= self.last else Unheard.NOTHING

    def not_sent_again(self, until_s: float) -> list[int]:
        """Return what is missing still, of which no frame until then can have brought the octets.

        "it is possible to retry a long fragment ... with several shorter fragments with a Sequence that was not used
        before ... Fragment 5 is marked as abandoned and will not be retried anymore" (RFC 8931 section 6.2).
        """
        if self.by is not None and place_behind(self.told, until_s, self.by):
            return []
        others = [part for one, part in self.ranges.items() if one not in self.missing]
        left = gaps(others, max(end for _, end in self.ranges.values()))
        return [one for one in sorted(self.missing) if _meets(self.ranges[one], left)]

    def misplaced(self) -> int | None:
        """Return the first sequence that does not begin where the one before it ends; None without one."""
        ranges = self.ranges
        return next(
            (one for one in sorted(ranges) if one - 1 in ranges and not self.follows(one)), None
        )

    def follows(self, sequence: int) -> bool:
        """Return whether a fragment begins where the one before it ends."""
        return self.ranges[sequence][0] == self.ranges[sequence - 1][1]

    def place(self, sequence: int) -> str:
        """Return in words where a fragment begins, and where the one before it ends."""
        begins, ends = self.ranges[sequence][0], self.ranges[sequence - 1][1]
        return (
            f"sequence {sequence} begins at octet {begins}, sequence {sequence - 1} ends at {ends}"
        )

    def ends_before(self, first: Rfrag) -> bool:
        """Return whether another datagram begins with a first fragment under the same tag."""
        return self.is_over or self.is_whole or self.size not in {None, first.size}


def _meets(part: tuple[int, int], others: Iterable[tuple[int, int]]) -> bool:
    return any(start < part[1] and part[0] < end for start, end in others)
