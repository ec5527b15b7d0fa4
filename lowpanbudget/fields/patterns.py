"""A first octet that says what follows: patterns of bits over all 256 octets, as the dispatch tables draw them."""

from typing import NamedTuple

from lowpanbudget.cites import Cite


class Pattern(NamedTuple):
    """One entry of ``Patterns``: bits such as "01000001" or "11110xxx", a key for code, a name for people."""

    bits: str
    key: str
    name: str
    cite: Cite


class Patterns:
    """A table over all 256 first octets, filled from patterns with ``x`` for any bit.

    Octets that no pattern names get ``unknown``, with the key "reserved". Two patterns for one octet refuse to import.
    """

    __slots__ = ("cite", "name", "patterns", "table")

    def __init__(
        self, name: str, cite: Cite, patterns: tuple[tuple[str, str, str, Cite], ...]
    ) -> None:
        self.name = name
        self.cite = cite
        self.patterns = tuple(Pattern(*entry) for entry in patterns)
        unknown = Pattern("xxxxxxxx", "reserved", "reserved", cite)
        table: list[Pattern] = [unknown] * 256
        for pattern in self.patterns:
            mask = int(pattern.bits.replace("0", "1").replace("x", "0"), 2)
            value = int(pattern.bits.replace("x", "0"), 2)
            for octet in range(256):
                if octet & mask == value:
                    if table[octet] is not unknown:
                        raise TypeError(f"{name}: two patterns name octet {octet:#04x}")
                    table[octet] = pattern
        self.table = tuple(table)

    def __getitem__(self, octet: int) -> Pattern:
        return self.table[octet]
