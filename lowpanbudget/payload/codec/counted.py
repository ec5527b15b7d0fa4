"""The number of what repeats, in front of it."""

from collections.abc import Mapping, Sequence
from typing import Any, Protocol

from lowpanbudget.fields.stream import BitReader, BitWriter
from lowpanbudget.payload.codec.field_bits import FieldBits
from lowpanbudget.payload.codec.order import Order
from lowpanbudget.payload.flaws import Misfit, kind_of


class Lengths(Protocol):
    """What may repeat."""

    @property
    def least(self) -> int:
        """Return the smallest length."""

    @property
    def most(self) -> int:
        """Return the greatest length."""

    def number_bits(self) -> int:
        """Return the bits of the number in front, 0 where it never changes."""


class Count:
    """The number of elements or octets in front of them, less the smallest allowed number."""

    __slots__ = ("_bits", "_least", "_most", "width")

    def __init__(self, about: Lengths, order: Order) -> None:
        self._least, self._most = about.least, about.most
        needed = about.number_bits()
        self.width = order.rounded(needed)
        filler_at = order.filler_at(needed, self.width)
        self._bits = FieldBits(about, self.width - needed, "count", filler_at)

    def write(self, out: BitWriter, count: int) -> None:
        """Append a count, which the caller has checked; none where there is only one."""
        if self.width:
            out.number(count - self._least, self.width)

    def read(self, source: BitReader) -> int:
        """Return the next count."""
        if not self.width:
            return self._least
        count = self._least + source.number(self.width)
        if count > self._most:
            raise Misfit(f"has a count of {count}, and at most {self._most} are allowed")
        if source.spans is not None:
            source.leave(self._bits, count)
        return count

    def check(self, value: Any) -> int:
        """Return the number of elements of a list, if it is allowed."""
        if isinstance(value, str | bytes) or not isinstance(value, Sequence):
            by_index = ", its elements by paths as reading[0].temperature=21.5 on the command line"
            raise Misfit(
                f"is {kind_of(value)}", hint=f"Give a list{by_index * isinstance(value, Mapping)}"
            )
        if not self._least <= len(value) <= self._most:
            raise Misfit(
                f"has {len(value)} elements, and {self._least} .. {self._most} are allowed"
            )
        return len(value)
