"""Recoverable fragments put together again (RFC 8931): what a receiver holds of one datagram, and acknowledges."""

from typing import Any

from lowpanbudget.layers.lowpan import recovery
from lowpanbudget.layers.lowpan.recovery import Rfrag
from lowpanbudget.stack.pieces import gaps
from lowpanbudget.values import dataclass, field


@dataclass(slots=True)
class Collected:
    """What came of one recoverable datagram: at most 32 fragments of at most 1023 octets.

    ``follows``: its first fragment here contradicted one that was open under its tag. ``copies`` are digests of what
    was whole before under its tag, as long as it is copies of that alone. ``unread``: its headers could not be read.
    """

    started_s: float
    size: int | None = None
    parts: dict[int, tuple[int, bytes]] = field(default_factory=dict)
    marks: list[Any] = field(default_factory=list)
    follows: bool = False
    copies: frozenset[int] = frozenset()
    unread: bool = False

    @property
    def received(self) -> int:
        """Return how many octets of the datagram are there, each counted once."""
        return sum(end - start for start, end in self._ranges())

    @property
    def bitmap(self) -> int:
        """Return the bitmap that acknowledges what is there: full once the datagram is whole."""
        return recovery.FULL if self.compressed() is not None else recovery.bitmap_of(self.parts)

    def told_before(self) -> bool:
        """Return whether its end is none to tell: copies of what was whole before, or the rest of one broken off."""
        return bool(self.copies) or (self.follows and 0 not in self.parts)

    def digests(self) -> frozenset[int]:
        """Return what stands for its fragments, sequence, offset and octets of each."""
        return frozenset(hash((sequence, *part)) for sequence, part in self.parts.items())

    def missing(self) -> tuple[tuple[int, int], ...]:
        """Return the ranges (start, end) that are missing, up to the size or, unknown, to the last octet there."""
        return gaps(self._ranges(), self.size)

    def holds(self, header: Rfrag, octets: bytes) -> bool:
        """Return whether this very fragment is there already."""
        same = self.parts.get(header.sequence) == (header.offset, octets)
        return same and (not header.first or header.size == self.size)

    def contradiction(self, header: Rfrag, octets: bytes) -> str:
        """Return why the fragment cannot belong to this datagram, or nothing.

        "An implementation may receive overlapping fragments as the result of retries after an MTU change" (section
        6.1.2); where they overlap, the octets must be the same.
        """
        size = header.size if header.first else self.size
        end = header.offset + len(octets)
        if header.first and self.size not in (None, size):
            return f"a first fragment says {size} octets, another {self.size}"
        if size is not None and max([end, *(at + len(o) for at, o in self.parts.values())]) > size:
            return f"a fragment ends beyond the datagram's {size} octets"
        if header.sequence in self.parts:
            return f"two different fragments have the sequence {header.sequence}"
        for at, piece in self.parts.values():
            low, high = max(at, header.offset), min(at + len(piece), end)
            if low < high and (
                piece[low - at : high - at] != octets[low - header.offset : high - header.offset]
            ):
                return f"overlapping fragments differ in octets {low} to {high - 1}"
        return ""

    def add(self, header: Rfrag, octets: bytes) -> None:
        """Keep a fragment that does not contradict the others."""
        if header.first:
            self.size = header.size
        self.parts[header.sequence] = part = (header.offset, octets)
        if hash((header.sequence, *part)) not in self.copies:
            self.copies = frozenset()

    def compressed(self) -> bytes | None:
        """Return the compressed datagram, or None while octets or its size are missing."""
        if self.size is None or self.missing():
            return None
        octets = bytearray(self.size)
        for at, piece in self.parts.values():
            octets[at : at + len(piece)] = piece
        return bytes(octets)

    def _ranges(self) -> list[tuple[int, int]]:
        """Return what is there as ranges without overlap, in order."""
        ranges: list[tuple[int, int]] = []
        for at, piece in sorted(self.parts.values()):
            if ranges and at <= ranges[-1][1]:
                ranges[-1] = (ranges[-1][0], max(ranges[-1][1], at + len(piece)))
            else:
                ranges.append((at, at + len(piece)))
        return ranges
