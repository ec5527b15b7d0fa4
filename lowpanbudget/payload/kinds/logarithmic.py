"""A number on a scale of equal ratios."""

import dataclasses
from collections.abc import Iterator, Mapping
from decimal import Context, Decimal
from functools import lru_cache
from itertools import pairwise
from random import Random
from typing import Any, ClassVar

from lowpanbudget.errors import plural
from lowpanbudget.payload.c.coded import EntryIndex
from lowpanbudget.payload.c.names import Spot
from lowpanbudget.payload.c.parts import FieldPart, SourceUnit
from lowpanbudget.payload.codec.grid import nearest_entry
from lowpanbudget.payload.codec.nodes import Case, Codec
from lowpanbudget.payload.codec.order import Order
from lowpanbudget.payload.exact import is_plain
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
class Logarithmic(Leaf):
    """A number whose steps grow with it: ``steps`` + 1 values, each the same ratio above the last.

    Value ``k`` is ``min * (max / min) ** (k / steps)``, rounded to ``digits`` significant digits, so
    that node and gateway can share one table of exact decimals.
    """

    _: dataclasses.KW_ONLY
    min: Decimal = dataclasses.field(metadata=says("The least value, above 0."))
    max: Decimal = dataclasses.field(metadata=says("The greatest value."))
    steps: int = dataclasses.field(metadata=says("How many equal ratios lead from min to max."))
    digits: int = dataclasses.field(
        default=5, metadata=says("Significant digits of the values between.")
    )
    unit: str = dataclasses.field(default="", metadata=says("The unit."))
    bits: int | None = dataclasses.field(
        default=None, metadata=says("The width, if more than the fewest bits.")
    )
    typical: Decimal | None = dataclasses.field(default=None, metadata=says("A usual value."))

    kind: ClassVar[str] = "logarithmic"
    rank: ClassVar[int] = 20
    about: ClassVar[str] = "A number whose steps are equal ratios."
    written: ClassVar[str] = """\
kind = "logarithmic"
name = "vibration"
min = 0.001
max = 20
steps = 254
unit = "m/s2\""""
    rounds: ClassVar[bool] = True
    indexed: ClassVar[bool] = True
    decimals: ClassVar[tuple[str, ...]] = ("min", "max", "typical")

    def entries(self) -> tuple[Decimal, ...]:
        """Return the value of each code."""
        return _geometric(self.min, self.max, self.steps, self.digits)

    def needed(self) -> int:
        """Return ``bits`` if stated, else the fewest bits that hold the last index."""
        return self.steps.bit_length() if self.bits is None else self.bits

    def codec(self, width: int, order: Order) -> Codec:
        """Return the codec."""
        return table_codec(width, self.entries(), self.unit)

    def example(self, case: Case) -> Decimal:
        """Return the first value, the usual one, or the last."""
        return table_example(self.entries(), case, self.typical)

    def flaws(self, order: Order) -> Iterator[Flaw]:
        """Yield what is wrong with range, number of steps and digits."""
        if not (is_plain(self.min) and is_plain(self.max) and 0 < self.min < self.max):
            yield Flaw(
                ("min",),
                "a logarithmic scale needs 0 < min < max",
                "Use kind 'number' for a scale with 0",
            )
            return
        if not 1 <= self.steps < MAX_ENTRIES:
            yield Flaw(("steps",), f"{self.steps} steps", f"Use 1 to {MAX_ENTRIES - 1}")
            return
        if not 1 <= self.digits <= 17:
            yield Flaw(("digits",), f"{self.digits} digits", "Use 1 to 17")
            return
        entries = self.entries()
        if any(high <= low for low, high in pairwise(entries)):
            yield Flaw(
                ("digits",),
                f"two of the {len(entries)} values are the same when rounded to {plural(self.digits, 'digit')}",
                "Use more digits or fewer steps",
            )
        yield from bits_flaws(self.bits, len(entries))
        yield from typical_flaws(self.typical, entries)

    def drawn(self, random: Random, known: Known) -> Decimal:
        """Return a value of the list."""
        value: Decimal = edge_or_any(self.entries(), random)
        return value

    def edges(self) -> Iterator[Decimal]:
        """Yield the values."""
        yield from some_of(self.entries())

    def summary(self) -> Summary:
        """Return the range and how it is divided."""
        return Summary(range_text(self.min, self.max), f"{self.steps} equal ratios", self.unit)

    def spare_codes(self, bits: int) -> int:
        """Return how many codes have no value."""
        return (1 << bits) - len(self.entries())

    def gain(self) -> Gain:
        """Return the resolution, and how many values a bit less would leave."""
        fewer = 1 << max(0, self.steps.bit_length() - 1)
        gives, error = entries_gain(self.entries(), self.unit)
        less = (
            f"{fewer} values, each {self._percent(fewer - 1)} above the last"
            if fewer > 1
            else "nothing would be left"
        )
        return Gain(
            f"{gives}; each value {self._percent(self.steps)} above the last", less, None, error
        )

    def _percent(self, steps: int) -> str:
        ratio = (float(self.max) / float(self.min)) ** (1 / steps)
        return f"{100 * (ratio - 1):.3g} %"

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


@lru_cache(maxsize=64)
def _geometric(low: Decimal, high: Decimal, steps: int, digits: int) -> tuple[Decimal, ...]:
    work, rounding = Context(prec=50), Context(prec=digits)
    start = work.ln(low)
    ratio = work.divide(work.subtract(work.ln(high), start), Decimal(steps))
    inner = (work.exp(work.fma(ratio, Decimal(k), start)) for k in range(1, steps))
    return (low, *(rounding.plus(value).normalize() for value in inner), high)
