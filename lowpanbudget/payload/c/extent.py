"""How many octets what is declared in C takes, where every type is aligned to its own size.

That is so on most processors; where types are aligned to less, structures are smaller, never greater.
"""

from collections.abc import Iterable
from typing import NamedTuple


class Extent(NamedTuple):
    """Octets that a member takes, and what its address is a multiple of."""

    size: int
    align: int

    def times(self, count: int) -> "Extent":
        """Return that of an array."""
        return Extent(self.size * count, self.align)


SCALARS = {
    name: Extent(octets, octets)
    for name, octets in (
        ("bool", 1), ("char", 1), ("float", 4), ("double", 8),
        *((f"{sign}int{8 * octets}_t", octets) for sign in ("", "u") for octets in (1, 2, 4, 8)),
    )
}  # fmt: skip


def extent_of(head: str, members: Iterable[Extent]) -> Extent:
    """Return that of a structure or union with these members."""
    end, align = 0, 1
    for member in members:
        align = max(align, member.align)
        start = 0 if head.startswith("union ") else up(end, member.align)
        end = max(end, start + member.size)
    return Extent(up(end, align), align)


def up(octets: int, align: int) -> int:
    """Return the next multiple of ``align``."""
    return -(-octets // align) * align
