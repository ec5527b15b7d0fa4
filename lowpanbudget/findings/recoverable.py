"""A datagram in recoverable fragments (RFC 8931), as it was sent and acknowledged."""

from collections.abc import Iterable

from lowpanbudget.findings import faults
from lowpanbudget.findings.scene import Scene
from lowpanbudget.findings.senders import HeardSender, Hole
from lowpanbudget.layers.lowpan.recovery import Rfrag
from lowpanbudget.stack.pieces import gaps
from lowpanbudget.values import dataclass, field


@dataclass(slots=True)
class Recoverable:
    """A datagram in recoverable fragments: the range and the last frame of each sequence, and what was acknowledged.

    ``missing`` are the sequences that the acknowledgement in frame ``told`` leaves out between others. ``is_received``:
    its receiver says that it is whole, ``is_next``: the one before it under its tag was over. ``is_cut``: its headers
    are cut in two, so that nobody can use it, which is told. ``by`` sent it, in frames that ask for an acknowledgement,
    the first and the last at these times.
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
    first_s: float = 0.0
    last_s: float = 0.0

    @property
    def is_whole(self) -> bool:
        """Return whether every octet of it was heard."""
        return self.size is not None and not gaps(self.ranges.values(), self.size)

    def take(self, header: Rfrag, scene: Scene) -> None:
        """Note a fragment, in place of one that had its sequence."""
        self.first_s = scene.time_s if not self.ranges else self.first_s
        self.last_s = scene.time_s
        # what asks for no acknowledgement is sent once: the air may have lost it to all
        self.by = scene.by if scene.mac is not None and scene.mac.ack_request else None
        self.ranges[header.sequence] = (header.offset, header.offset + header.length)
        self.frames[header.sequence] = scene.number
        self.missing.discard(header.sequence)
        if header.first:
            self.size = header.size
            self.is_cut = faults.headers_cut(scene.frame.fault)

    def was_heard_in_part(self, wait_s: float) -> bool:
        """Return whether the capture alone may lack what its receiver did not: it began before, or numbers are missing.

        These stand where each hole in it is, and were sent in the time that the receiver waits for fragments; or they
        are beside it and no more than what is missing.
        """
        by = self.by
        if by is None:
            return False
        size = self.size or max(end for _, end in self.ranges.values())
        for start, end in gaps(self.ranges.values(), size):
            before = [self.frames[one] for one, part in self.ranges.items() if part[1] <= start]
            behind = [self.frames[one] for one, part in self.ranges.items() if part[0] >= end]
            is_begun_before = not before and min(behind) in by.first[:1]
            longest = max(end - start for start, end in self.ranges.values())
            missing = -((start - end) // longest)
            if not is_begun_before and not self._has_place(max(before, default=0), wait_s, missing):
                return False
        return True

    @property
    def is_senders_last(self) -> bool:
        """Return whether its sender has sent nothing since: the next number tells whether something was missed."""
        return self.by is not None and self.by.sent <= max(self.frames.values())

    def _has_place(self, behind: int, wait_s: float, missing: int) -> bool:
        """Return whether numbers of its sender are missing behind a frame, for so many fragments."""
        holes = () if self.by is None else self.by.holes or ()
        return any(
            self._is_in_time(hole, wait_s) or (hole.missing <= missing and self._is_beside(hole))
            for hole in holes
            if hole.after > behind
        )

    def _is_in_time(self, hole: Hole, wait_s: float) -> bool:
        return hole.before_s >= self.first_s - wait_s and hole.after_s <= self.last_s + wait_s

    def _is_beside(self, hole: Hole) -> bool:
        return not {hole.before, hole.after}.isdisjoint(self.frames.values())

    def not_sent_again(self, wait_s: float) -> list[int]:
        """Return what is missing still, of which no frame since then can have brought the octets.

        "it is possible to retry a long fragment ... with several shorter fragments with a Sequence that was not used
        before ... Fragment 5 is marked as abandoned and will not be retried anymore" (RFC 8931 section 6.2).
        """
        if self._has_place(self.told, wait_s, len(self.missing)):
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
