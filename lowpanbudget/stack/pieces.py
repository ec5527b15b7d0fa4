"""The pieces of one datagram that fragments bring, until it is whole; recoverable fragments: ``recoverable``."""

from typing import Any

from lowpanbudget.stack.datagram import complete_checksum
from lowpanbudget.stack.incoming import Datagram
from lowpanbudget.values import dataclass, field


@dataclass(slots=True)
class Pieces:
    """What is there of a datagram of ``size`` octets: ``pieces`` by where they start, ``received`` octets of them."""

    started_s: float
    size: int
    pieces: dict[int, bytes] = field(default_factory=dict)
    checksum_elided: bool = False
    marks: list[Any] = field(default_factory=list)
    received: int = 0

    def keep(self, start: int, octets: bytes) -> None:
        """Take a piece in."""
        self.received += len(octets) - len(self.pieces.get(start, b""))
        self.pieces[start] = octets

    def overlaps(self, start: int, end: int) -> bool:
        """Return whether octets from ``start`` to ``end`` are there already, in part at least."""
        return any(at < end and start < at + len(octets) for at, octets in self.pieces.items())

    def missing(self) -> tuple[tuple[int, int], ...]:
        """Return the ranges (start, end) that are not there."""
        gaps, at = [], 0
        for start in sorted(self.pieces):
            if start > at:
                gaps.append((at, start))
            at = start + len(self.pieces[start])
        return (*gaps, (at, self.size)) if at < self.size else tuple(gaps)

    def datagram(self) -> Datagram:
        """Return the whole, with the checksum that the first fragment left out."""
        octets = b"".join(self.pieces[start] for start in sorted(self.pieces))
        if self.checksum_elided:
            octets = complete_checksum(octets)
        return Datagram(octets, self.checksum_elided)
