"""A number that is one of a list of values."""

import dataclasses
from collections.abc import Iterator
from decimal import Decimal
from typing import ClassVar

from lowpanbudget.errors import plural
from lowpanbudget.payload.codec.bitpack import Order
from lowpanbudget.payload.exact import is_plain, plain
from lowpanbudget.payload.flaws import Flaw
from lowpanbudget.payload.kinds.entries import (
    MAX_ENTRIES,
    bits_flaws,
    no_number,
    table_codec,
    table_example,
    typical_flaws,
)
from lowpanbudget.payload.kinds.field import Case, Codec, Leaf


@dataclasses.dataclass(frozen=True, slots=True)
class Table(Leaf):
    """One of a list of rising values, sent as its index; a value between two is rounded to the nearer one."""

    _: dataclasses.KW_ONLY
    values: tuple[Decimal, ...]
    unit: str = ""
    bits: int | None = None
    typical: Decimal | None = None

    kind: ClassVar[str] = "table"
    decimals: ClassVar[tuple[str, ...]] = ("values", "typical")

    def entries(self) -> tuple[Decimal, ...]:
        """Return the value of each code."""
        return self.values

    def needed(self) -> int:
        """Return ``bits`` if stated, else the fewest bits that hold the last index."""
        return (len(self.values) - 1).bit_length() if self.bits is None else self.bits

    def codec(self, width: int, order: Order) -> Codec:
        """Return the codec."""
        del order
        return table_codec(width, self.entries(), self.unit)

    def example(self, case: Case) -> Decimal:
        """Return the first value, the usual one, or the last."""
        return table_example(self.entries(), case, self.typical)

    def flaws(self, order: Order) -> Iterator[Flaw]:
        """Yield what is wrong with the values and the width."""
        del order
        if not 2 <= len(self.values) <= MAX_ENTRIES:
            yield Flaw(
                ("values",), f"{plural(len(self.values), 'value')}", f"Give 2 to {MAX_ENTRIES}"
            )
            return
        for index, value in enumerate(self.values):
            if not is_plain(value):
                yield no_number(value, "values", index)
                return
            if index and value <= self.values[index - 1]:
                yield Flaw(
                    ("values", index), f"{plain(value)} does not rise", "Sort the values, each once"
                )
                return
        yield from bits_flaws(self.bits, len(self.values))
        yield from typical_flaws(self.typical, self.values)
