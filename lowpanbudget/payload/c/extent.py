"""How many octets what is declared in C takes, where every type is aligned to its own size.

That is so on most processors; where types are aligned to less, structures are smaller, never greater.
"""

from collections.abc import Iterable
from typing import NamedTuple


class Extent(NamedTuple):
    """The octets of a type, and to how many it is aligned."""

    octets: int
    aligned: int

    def times(self, count: int) -> "Extent":
        """Return that of an array."""
        return Extent(self.octets * count, self.aligned)


SCALARS = {
    name: Extent(octets, octets)
    for name, octets in (
        ("bool", 1), ("char", 1), ("float", 4), ("double", 8),
        *((f"{sign}int{8 * octets}_t", octets) for sign in ("", "u") for octets in (1, 2, 4, 8)),
    )
}  # fmt: skip


def extent_of(head: str, members: Iterable[Extent]) -> Extent:
    """Return that of a structure or union with these members."""
    end, aligned = 0, 1
    for member in members:
        aligned = max(aligned, member.aligned)
        start = 0 if head.startswith("union ") else _up(end, member.aligned)
        end = max(end, start + member.octets)
    return Extent(_up(end, aligned), aligned)


def _up(octets: int, aligned: int) -> int:
    return -(-octets // aligned) * aligned
