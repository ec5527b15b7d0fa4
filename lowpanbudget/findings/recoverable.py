"""A datagram in recoverable fragments (RFC 8931), as it was sent and acknowledged."""

from lowpanbudget.findings import faults
from lowpanbudget.findings.scene import Scene
from lowpanbudget.layers.lowpan.recovery import Rfrag
from lowpanbudget.stack.pieces import gaps
from lowpanbudget.values import dataclass, field


@dataclass(slots=True)
class Recoverable:
    """A datagram in recoverable fragments: the range and the last frame of each sequence, and what was acknowledged.

    ``missing`` are the sequences that the acknowledgement in frame ``told`` leaves out between others. ``is_received``:
    its receiver says that it is whole, ``is_next``: the one before it under its tag was over. ``is_cut``: its headers
    are cut in two, so that nobody can use it, which is told.
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

    @property
    def is_whole(self) -> bool:
        """Return whether every octet of it was heard."""
        return self.size is not None and not gaps(self.ranges.values(), self.size)

    def take(self, header: Rfrag, scene: Scene) -> None:
        """Note a fragment, in place of one that had its sequence."""
        self.ranges[header.sequence] = (header.offset, header.offset + header.length)
        self.frames[header.sequence] = scene.number
        self.missing.discard(header.sequence)
        if header.first:
            self.size = header.size
            self.is_cut = faults.headers_cut(scene.frame.fault)

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
