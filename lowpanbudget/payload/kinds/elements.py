"""Elements of one kind, side by side."""

import dataclasses
from collections.abc import Iterator
from typing import ClassVar

from lowpanbudget.payload.codec.bitpack import Order
from lowpanbudget.payload.flaws import Flaw
from lowpanbudget.payload.kinds.field import Field
from lowpanbudget.payload.kinds.lengths import length_flaws


@dataclasses.dataclass(frozen=True, slots=True)
class Array(Field):
    """Elements of one kind: ``length`` of them, or ``min_length`` to ``max_length`` with the count in front.

    The count is sent as ``count - min_length`` in the fewest bits, as ASN.1 PER does, or in
    ``count_bits``. ``batch`` marks the array whose elements are readings to be collected.
    """

    _: dataclasses.KW_ONLY
    element: Field
    length: int | None = None
    min_length: int = 0
    max_length: int | None = None
    count_bits: int | None = None
    typical_length: int | None = None
    batch: bool = False

    kind: ClassVar[str] = "array"

    @property
    def least(self) -> int:
        """Return the smallest number of elements."""
        return self.min_length if self.length is None else self.length

    @property
    def most(self) -> int:
        """Return the greatest number of elements."""
        if self.length is not None:
            return self.length
        return self.min_length if self.max_length is None else self.max_length

    def flaws(self, order: Order) -> Iterator[Flaw]:
        """Yield what is wrong with the lengths."""
        yield from length_flaws(
            self, order, bits_key="count_bits", bits=self.count_bits, what="elements"
        )
        if self.element.optional:
            yield Flaw(
                ("element", "optional"),
                "an element of an array cannot be absent",
                "Use a special code, or a group with an optional field",
            )
