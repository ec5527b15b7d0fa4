"""A sequence number that wraps.

Common practice (no source): send it with the samples; a gap can then be seen.
"""

import dataclasses
from collections.abc import Iterator
from decimal import Decimal
from typing import Any, ClassVar

from lowpanbudget.payload.codec.bitpack import Order
from lowpanbudget.payload.flaws import Flaw
from lowpanbudget.payload.kinds.field import MAX_BITS, Case, Codec, Leaf
from lowpanbudget.payload.kinds.number import Number


@dataclasses.dataclass(frozen=True, slots=True)
class Sequence(Leaf):
    """A sequence number of ``bits`` bits; the sender counts modulo ``2 ** bits``, the format refuses more."""

    _: dataclasses.KW_ONLY
    bits: int = 8

    kind: ClassVar[str] = "sequence"

    def number(self) -> Number:
        """Return the same field as a plain number."""
        return Number(self.name, min=Decimal(0), max=Decimal((1 << self.bits) - 1), unit="count")

    def needed(self) -> int:
        """Return the stated width."""
        return self.bits

    def codec(self, width: int, order: Order) -> Codec:
        """Return the codec of whole numbers."""
        return self.number().codec(width, order)

    def example(self, case: Case) -> Any:
        """Return a sequence number."""
        return self.number().example(case)

    def flaws(self, order: Order) -> Iterator[Flaw]:
        """Yield what is wrong with the width."""
        del order
        if not 1 <= self.bits <= MAX_BITS:
            yield Flaw(("bits",), f"{self.bits} is no width", f"Use 1 to {MAX_BITS}")
