"""Octets of a fixed length, or with a length in front."""

import dataclasses
from collections.abc import Iterator
from typing import Any, ClassVar

from lowpanbudget.errors import plural
from lowpanbudget.payload.codec.bitpack import Order
from lowpanbudget.payload.flaws import Flaw, Misfit
from lowpanbudget.payload.kinds.field import Case, Codec, Field, Leaf
from lowpanbudget.payload.kinds.lengths import length_flaws


@dataclasses.dataclass(frozen=True, slots=True)
class Octets(Field):
    """Octets as they are: ``length`` of them, or ``min_length`` to ``max_length`` with the length in front.

    The length is sent as ``length - min_length`` in the fewest bits, as ASN.1 PER does for a bounded
    OCTET STRING, or in ``length_bits``. Hexadecimal text is accepted as a value as well.
    """

    _: dataclasses.KW_ONLY
    length: int | None = None
    min_length: int = 0
    max_length: int | None = None
    length_bits: int | None = None
    typical_length: int | None = None

    kind: ClassVar[str] = "octets"

    @property
    def least(self) -> int:
        """Return the smallest length in octets."""
        return self.min_length if self.length is None else self.length

    @property
    def most(self) -> int:
        """Return the greatest length in octets."""
        if self.length is not None:
            return self.length
        return self.min_length if self.max_length is None else self.max_length

    def to_octets(self, value: Any) -> bytes:
        """Return the octets of a value of a right length."""
        if isinstance(value, str):
            try:
                value = bytes.fromhex(value)
            except ValueError:
                raise Misfit(
                    f"is the text {value[:40]!r}", hint="Give octets, or hexadecimal text"
                ) from None
        if not isinstance(value, bytes | bytearray | memoryview):
            raise Misfit(f"is a {type(value).__name__}", hint="Give octets, or hexadecimal text")
        return self.sized(bytes(value))

    def from_octets(self, octets: bytes) -> Any:
        """Return the value of octets from the wire."""
        return octets

    def sized(self, octets: bytes) -> bytes:
        """Return the octets if their number is right."""
        if not self.least <= len(octets) <= self.most:
            allowed = str(self.least) if self.least == self.most else f"{self.least} .. {self.most}"
            raise Misfit(f"has {plural(len(octets), 'octet')}, and {allowed} are allowed")
        return octets

    def example(self, case: Case) -> Any:
        """Return octets of the least, usual or greatest length."""
        return self.from_octets(bytes(0x41 + i % 26 for i in range(self.example_length(case))))

    def example_length(self, case: Case) -> int:
        """Return the least, usual (half-way unless stated) or greatest length."""
        if case == "typical":
            return (
                (self.least + self.most + 1) // 2
                if self.typical_length is None
                else self.typical_length
            )
        return self.least if case == "least" else self.most

    def flaws(self, order: Order) -> Iterator[Flaw]:
        """Yield what is wrong with the lengths."""
        yield from length_flaws(
            self, order, bits_key="length_bits", bits=self.length_bits, what="octets"
        )


@dataclasses.dataclass(frozen=True, slots=True)
class FixedContents(Leaf):
    """Octets or text of one fixed length seen as a field of fixed width; made while a message is compiled."""

    _: dataclasses.KW_ONLY
    of: Octets

    ordered: ClassVar[bool] = False

    def needed(self) -> int:
        """Return the bits of the octets."""
        return 8 * self.of.most

    def codec(self, width: int, order: Order) -> Codec:
        """Return the codec; the first octet is the first on the wire."""
        stream, of, count = "big" if order.msb_first else "little", self.of, width // 8

        def encode(value: Any) -> int:
            return int.from_bytes(of.to_octets(value), stream)  # type: ignore[arg-type]

        def decode(code: int) -> Any:
            return of.from_octets(code.to_bytes(count, stream))  # type: ignore[arg-type]

        return Codec(width, encode, decode)

    def example(self, case: Case) -> Any:
        """Return an example of the field behind."""
        return self.of.example(case)
