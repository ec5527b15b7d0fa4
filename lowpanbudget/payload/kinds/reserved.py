"""Bits kept for later."""

import dataclasses
from collections.abc import Iterator
from typing import ClassVar

from lowpanbudget.payload.codec.bitpack import Order
from lowpanbudget.payload.flaws import Flaw
from lowpanbudget.payload.kinds.field import MAX_BITS, Case, Codec, Leaf


@dataclasses.dataclass(frozen=True, slots=True)
class Reserved(Leaf):
    """Bits kept for later: zero when sent, ignored when received, in no dictionary of values."""

    _: dataclasses.KW_ONLY
    bits: int

    kind: ClassVar[str] = "reserved"
    ordered: ClassVar[bool] = False
    given: ClassVar[bool] = False

    def needed(self) -> int:
        """Return the stated width."""
        return self.bits

    def codec(self, width: int, order: Order) -> Codec:
        """Return a codec of zeros."""
        del order
        return Codec(width, lambda _: 0, lambda _: None)

    def example(self, case: Case) -> None:
        """Return nothing."""
        del case

    def flaws(self, order: Order) -> Iterator[Flaw]:
        """Yield what is wrong with the width."""
        del order
        if not 1 <= self.bits <= 8 * MAX_BITS:
            yield Flaw(("bits",), f"{self.bits} is no width", f"Use 1 to {8 * MAX_BITS}")
