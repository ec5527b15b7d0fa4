"""Bits kept for later."""

from collections.abc import Iterator
from typing import TYPE_CHECKING, ClassVar

from lowpanbudget.errors import plural
from lowpanbudget.payload.codec.nodes import Case, Codec
from lowpanbudget.payload.codec.order import Order
from lowpanbudget.payload.flaws import Flaw
from lowpanbudget.payload.kinds.interfaces import NOTHING, Gain
from lowpanbudget.payload.kinds.keys import field_kind, key
from lowpanbudget.payload.kinds.leaf import MAX_BITS, Leaf

if TYPE_CHECKING:
    from lowpanbudget.payload.c.names import Spot
    from lowpanbudget.payload.c.parts import FieldPart, SourceUnit


@field_kind
class ReservedBits(Leaf):
    """Bits kept for later: zero when sent, ignored when received, in no dictionary of values."""

    bits: int = key("How many.")

    kind: ClassVar[str] = "reserved"
    called: ClassVar[tuple[str, ...]] = ("padding", "pad", "spare", "unused", "filler")
    rank: ClassVar[int] = 100
    about: ClassVar[str] = "Bits kept for later: zero when sent, ignored when received."
    wire: ClassVar[str] = """\
Zeros."""
    written: ClassVar[str] = """\
kind = "reserved"
bits = 3"""
    ordered: ClassVar[bool] = False
    needs_value: ClassVar[bool] = False
    carries: ClassVar[bool] = False

    def needed(self) -> int:
        """Return the stated width."""
        return self.bits

    def codec(self, width: int, order: Order) -> Codec:
        """Return a codec of zeros."""
        return Codec(width, lambda _: 0, lambda _: None)

    def example(self, case: Case) -> None:
        """Return nothing."""

    def flaws(self, order: Order) -> Iterator[Flaw]:
        """Yield what is wrong with the width."""
        if not 1 <= self.bits <= 8 * MAX_BITS:
            yield Flaw(("bits",), f"{self.bits} is no width", f"Use 1 to {8 * MAX_BITS}")

    def shown_note(self, bits: int) -> str:
        """Return the note, or what reserved bits are."""
        return self.note or "sent as zero, ignored when received"

    def gain(self, less: int) -> Gain:
        """Return what reserved bits are good for."""
        return Gain("room for later", f"{plural(less, 'bit')} of it" if less else NOTHING)

    def part(self, maker: "SourceUnit", spot: "Spot") -> "FieldPart":
        """Return bits without a member."""
        from lowpanbudget.payload.c.coded import Gap

        return Gap(maker, spot, maker.order.rounded(self.needed()))
