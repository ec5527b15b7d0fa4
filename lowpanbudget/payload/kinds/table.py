"""A number that is one of a list of values."""

import dataclasses
from collections.abc import Iterator, Mapping
from decimal import Decimal
from random import Random
from typing import Any, ClassVar

from lowpanbudget.errors import plural
from lowpanbudget.payload.c.coded import EntryIndex
from lowpanbudget.payload.c.names import Spot
from lowpanbudget.payload.c.parts import FieldPart, SourceUnit
from lowpanbudget.payload.codec.grid import nearest_entry
from lowpanbudget.payload.codec.nodes import Case, Codec
from lowpanbudget.payload.codec.order import Order
from lowpanbudget.payload.exact import digits, is_plain
from lowpanbudget.payload.flaws import Flaw
from lowpanbudget.payload.forms.doubles import Numbers, value_of
from lowpanbudget.payload.forms.shapes import Shape, WholeShape
from lowpanbudget.payload.kinds.drawing import (
    edge_or_any,
    some_of,
)
from lowpanbudget.payload.kinds.entries import (
    MAX_ENTRIES,
    bits_flaws,
    entries_gain,
    no_number,
    range_text,
    table_codec,
    table_example,
    typical_flaws,
)
from lowpanbudget.payload.kinds.field import Field
from lowpanbudget.payload.kinds.interfaces import (
    CodeOf,
    FieldPath,
    Gain,
    Known,
    Rules,
    Summary,
)
from lowpanbudget.payload.kinds.keys import says
from lowpanbudget.payload.kinds.leaf import Leaf


@dataclasses.dataclass(frozen=True, slots=True)
class Table(Leaf):
    """One of a list of rising values, sent as its index; a value between two is rounded to the nearer one."""

    _: dataclasses.KW_ONLY
    values: tuple[Decimal, ...] = dataclasses.field(
        metadata=says("The values, rising; a value between two is rounded to the nearer.")
    )
    unit: str = dataclasses.field(default="", metadata=says("The unit."))
    bits: int | None = dataclasses.field(
        default=None, metadata=says("The width, if more than the fewest bits.")
    )
    typical: Decimal | None = dataclasses.field(default=None, metadata=says("A usual value."))

    kind: ClassVar[str] = "table"
    rank: ClassVar[int] = 30
    about: ClassVar[str] = "One of a list of values."
    written: ClassVar[str] = """\
kind = "table"
name = "rate"
values = [1, 10, 50, 100]
unit = "Hz\""""
    rounds: ClassVar[bool] = True
    indexed: ClassVar[bool] = True
    decimals: ClassVar[tuple[str, ...]] = ("values", "typical")

    def entries(self) -> tuple[Decimal, ...]:
        """Return the value of each code."""
        return self.values

    def needed(self) -> int:
        """Return ``bits`` if stated, else the fewest bits that hold the last index."""
        return (len(self.values) - 1).bit_length() if self.bits is None else self.bits

    def codec(self, width: int, order: Order) -> Codec:
        """Return the codec."""
        return table_codec(width, self.entries(), self.unit)

    def example(self, case: Case) -> Decimal:
        """Return the first value, the usual one, or the last."""
        return table_example(self.entries(), case, self.typical)

    def flaws(self, order: Order) -> Iterator[Flaw]:
        """Yield what is wrong with the values and the width."""
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
                    ("values", index),
                    f"{digits(value)} does not rise",
                    "Sort the values, each once",
                )
                return
        yield from bits_flaws(self.bits, len(self.values))
        yield from typical_flaws(self.typical, self.values)

    def drawn(self, random: Random, known: Known) -> Decimal:
        """Return a value of the list."""
        value: Decimal = edge_or_any(self.entries(), random)
        return value

    def edges(self) -> Iterator[Decimal]:
        """Yield the values."""
        yield from some_of(self.entries())

    def summary(self) -> Summary:
        """Return the range and how it is divided."""
        return Summary(
            range_text(self.values[0], self.values[-1]), f"table of {len(self.values)}", self.unit
        )

    def spare_codes(self, bits: int) -> int:
        """Return how many codes have no value."""
        return (1 << bits) - len(self.entries())

    def gain(self) -> Gain:
        """Return the resolution, and how many values a bit less would leave."""
        fewer = 1 << max(0, (len(self.values) - 1).bit_length() - 1)
        gives, error = entries_gain(self.values, self.unit)
        return Gain(gives, f"at most {plural(fewer, 'value')}", None, error)

    def part(self, maker: SourceUnit, spot: Spot) -> FieldPart:
        """Return the index of the value."""
        return EntryIndex(
            maker, spot, self.entries(), self.unit, maker.order.rounded(self.needed())
        )

    def coded(self, value: Any, known: Known, code: CodeOf) -> Any:
        """Return the index of the nearest value."""
        return nearest_entry(self.entries(), value)

    def decoded(self, item: Any, known: Known, value: CodeOf) -> Any:
        """Return the value of an index."""
        return self.entries()[item]

    def from_json(self, item: Any) -> Any:
        """Return the decimal of a number."""
        return value_of(None, item)

    def shape(self, tags: Mapping[str, Field]) -> Shape:
        """Return the indices."""
        return WholeShape(0, len(self.entries()) - 1)

    def cddl(self, rules: Rules, path: FieldPath) -> str:
        """Return the range of indices."""
        return f"0..{len(self.entries()) - 1}"

    def longest_values(self, numbers: Numbers, base: Any) -> Iterator[Any]:
        """Yield the last value, and all where the longest is not the last."""
        entries = self.entries()
        yield entries[-1]
        if numbers in ("text", "real"):
            yield from entries
