"""A first octet that says what follows: patterns of bits over all 256 octets, as the dispatch tables draw them."""

from typing import NamedTuple

from lowpanbudget.cites import Cite


class Pattern(NamedTuple):
    """One entry of ``Patterns``: its bits, a key for code, a name for people.

    ``bits`` such as "01000001" or "11nnnkkk": 0 and 1 are fixed, x is any bit, another letter a number of as many bits.
    """

    bits: str
    key: str
    name: str
    cite: Cite

    def octets(self) -> list[int]:
        """Return the octets that have the fixed bits."""
        if len(self.bits) != 8:
            raise ValueError(f"{self.bits!r} are no 8 bits")
        mask = int("".join("1" if bit in "01" else "0" for bit in self.bits), 2)
        fixed = self.octet()
        return [octet for octet in range(256) if octet & mask == fixed]

    def number(self, octet: int, letter: str) -> int:
        """Return the number that stands in an octet where the bits show the letter."""
        return octet >> 7 - self.bits.rindex(letter) & (1 << self.bits.count(letter)) - 1

    def largest(self, letter: str) -> int:
        """Return the largest number that the bits of a letter hold."""
        return (1 << self.bits.count(letter)) - 1

    def octet(self, **numbers: int) -> int:
        """Return the octet that carries these numbers, one a letter, and zeros."""
        fixed = int("".join(bit if bit in "01" else "0" for bit in self.bits), 2)
        return fixed + sum(
            number << 7 - self.bits.rindex(letter) for letter, number in numbers.items()
        )


class Patterns:
    """A table over all 256 first octets, filled from patterns.

    Octets that no pattern names get ``unknown``, with the key "reserved". Two patterns for one octet refuse to import,
    unless the table is ``nested``: then the one with more fixed bits is meant, and it comes later.
    """

    __slots__ = ("cite", "name", "patterns", "table")

    def __init__(
        self,
        name: str,
        cite: Cite,
        patterns: tuple[tuple[str, str, str, Cite], ...],
        *,
        nested: bool = False,
    ) -> None:
        self.name = name
        self.cite = cite
        self.patterns = tuple(
            entry if isinstance(entry, Pattern) else Pattern(*entry) for entry in patterns
        )
        unknown = Pattern("xxxxxxxx", "reserved", "reserved", cite)
        table: list[Pattern] = [unknown] * 256
        for pattern in self.patterns:
            for octet in pattern.octets():
                if table[octet] is not unknown and not (
                    nested and _fixed(pattern) > _fixed(table[octet])
                ):
                    raise TypeError(f"{name}: two patterns name octet {octet:#04x}")
                table[octet] = pattern
        self.table = tuple(table)

    def __getitem__(self, octet: int) -> Pattern:
        return self.table[octet]

    def octets(self, pattern: Pattern) -> tuple[int, ...]:
        """Return the octets that mean this pattern."""
        return tuple(octet for octet, meant in enumerate(self.table) if meant is pattern)


def _fixed(pattern: Pattern) -> int:
    return sum(bit in "01" for bit in pattern.bits)
