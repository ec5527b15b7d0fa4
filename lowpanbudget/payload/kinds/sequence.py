"""A sequence number that wraps.

Common practice (no source): send it with the samples; a gap can then be seen.
"""

from collections.abc import Iterator
from decimal import Decimal
from typing import Any, ClassVar

from lowpanbudget.errors import plural
from lowpanbudget.payload.codec.nodes import Codec
from lowpanbudget.payload.codec.order import Order
from lowpanbudget.payload.exact import digits, exact
from lowpanbudget.payload.flaws import Flaw, Misfit
from lowpanbudget.payload.kinds.interfaces import NOTHING, Gain
from lowpanbudget.payload.kinds.keys import field_kind, key
from lowpanbudget.payload.kinds.leaf import MAX_BITS, Leaf
from lowpanbudget.payload.kinds.number import Number


@field_kind
class Sequence(Leaf):
    """A sequence number of ``bits`` bits; the sender counts modulo ``2 ** bits``, the format refuses more."""

    bits: int = key("Its width.", default=8)

    kind: ClassVar[str] = "sequence"
    rank: ClassVar[int] = 110
    about: ClassVar[str] = "A sequence number that the sender counts modulo 2^bits."
    wire: ClassVar[str] = """\
The number itself, unsigned; it is the sender that counts modulo 2^bits, greater numbers are refused."""
    written: ClassVar[str] = """\
kind = "sequence"
name = "sequence"
bits = 8"""
    rounds: ClassVar[bool] = True
    dates: ClassVar[bool] = True
    refusing: ClassVar[tuple[str, ...]] = ("bits",)

    def number(self) -> Number:
        """Return the same field as a plain number."""
        return Number(self.name, min=Decimal(0), max=Decimal((1 << self.bits) - 1), unit="count")

    def codec(self, width: int, order: Order) -> Codec:
        """Return the codec of whole numbers: one that is rounded would count a message twice, or one that never was."""
        number = Leaf.codec(self, width, order)

        def encode(value: Any) -> int:
            code = number.encode(value)
            if code != value:
                raise Misfit(
                    f"is {digits(exact(value))}, and counts are whole", hint=f"Give {code}"
                )
            return code

        return Codec(width, encode, number.decode)

    def flaws(self, order: Order) -> Iterator[Flaw]:
        """Yield what is wrong with the width."""
        if not 1 <= self.bits <= MAX_BITS:
            yield Flaw(("bits",), f"{self.bits} is no width", f"Use 1 to {MAX_BITS}")

    def gain(self, less: int) -> Gain:
        """Return how many lost messages can be counted.

        One less than the numbers there are comes round to the last number again, as one that is sent twice does.
        """

        def counted(bits: int) -> str:
            return f"up to {plural((1 << bits) - 2, 'message')} lost in a row"

        gives = (
            f"counts {counted(self.bits)}" if self.bits > 1 else "tells a new message from the last"
        )
        words = counted(less) if less > 1 else "a new message and the last, no more"
        return Gain(gives, words if less else NOTHING, Decimal(1), Decimal(0))
