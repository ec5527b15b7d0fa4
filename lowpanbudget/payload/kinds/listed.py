"""Fields that send the index of a value in a list."""

from collections.abc import Iterator, Mapping
from decimal import Decimal
from itertools import pairwise
from random import Random
from typing import TYPE_CHECKING, Any, ClassVar

from lowpanbudget.errors import plural
from lowpanbudget.payload.codec.grid import nearest_entry
from lowpanbudget.payload.codec.nodes import Case, Codec
from lowpanbudget.payload.codec.order import Order
from lowpanbudget.payload.exact import EXACT, digits, input_number, is_plain
from lowpanbudget.payload.flaws import Flaw, Misfit
from lowpanbudget.payload.forms.doubles import Numbers, value_of
from lowpanbudget.payload.forms.shapes import Shape, WholeShape
from lowpanbudget.payload.kinds.drawing import edge_or_any, some_of
from lowpanbudget.payload.kinds.field import Field
from lowpanbudget.payload.kinds.interfaces import CodeOf, FieldPath, Known, Rules
from lowpanbudget.payload.kinds.keys import field_kind, key
from lowpanbudget.payload.kinds.leaf import Leaf

if TYPE_CHECKING:
    from lowpanbudget.payload.c.names import Spot
    from lowpanbudget.payload.c.parts import FieldPart, SourceUnit


MAX_ENTRIES = 4096  # more would be a table that no node keeps


@field_kind
class ListedLeaf(Leaf):
    """A field of rising values, sent as an index; a value between two is rounded to the nearer one."""

    unit: str = key("The unit.", default="", last=True)
    bits: int | None = key("The width, if more than the fewest bits.", default=None, last=True)
    typical: Decimal | None = key("A usual value.", default=None, last=True)

    rounds: ClassVar[bool] = True
    indexed: ClassVar[bool] = True

    def entries(self) -> tuple[Decimal, ...]:
        """Return the value of each code."""
        raise NotImplementedError

    def needed(self) -> int:
        """Return ``bits`` if stated, else the fewest bits that hold the last index."""
        return (len(self.entries()) - 1).bit_length() if self.bits is None else self.bits

    def codec(self, width: int, order: Order) -> Codec:
        """Return the codec: the index of the nearest value."""
        entries, unit = self.entries(), self.unit
        first, last = entries[0], entries[-1]

        def encode(value: Any) -> int:
            decimal = input_number(value)
            if decimal.is_nan() or not first <= decimal <= last:
                raise Misfit(
                    f"is {digits(decimal)} {unit}".rstrip() + f", outside {range_text(first, last)}"
                )
            return nearest_entry(entries, decimal)

        def decode(code: int) -> Decimal:
            if code >= len(entries):
                raise Misfit(f"has code {code}, and the table ends at {len(entries) - 1}")
            return entries[code]

        return Codec(width, encode, decode)

    def example(self, case: Case) -> Decimal:
        """Return the first value, the usual one (the middle one unless stated), or the last."""
        entries = self.entries()
        if case != "typical":
            return entries[0] if case == "least" else entries[-1]
        if self.typical is None:
            return entries[len(entries) // 2]
        return entries[nearest_entry(entries, self.typical)]

    def list_flaws(self, entries: tuple[Decimal, ...]) -> Iterator[Flaw]:
        """Yield what is wrong with the width and the usual value."""
        fewest = (len(entries) - 1).bit_length()
        if self.bits is not None and not fewest <= self.bits <= 16:
            yield Flaw(
                ("bits",),
                f"{len(entries)} values take {plural(fewest, 'bit')}, not {self.bits}",
                f"Use {fewest} to 16",
            )
        usual = self.typical
        if usual is not None and not (is_plain(usual) and entries[0] <= usual <= entries[-1]):
            text = f"{usual} is outside {range_text(entries[0], entries[-1])}"
            yield Flaw(("typical",), text, "Use a value of the range")

    def drawn(self, random: Random, known: Known) -> Decimal:
        """Return a value of the list."""
        return edge_or_any(self.entries(), random)

    def edges(self) -> Iterator[Decimal]:
        """Yield the values."""
        yield from some_of(self.entries())

    def spare_codes(self, bits: int) -> int:
        """Return how many codes have no value."""
        return (1 << bits) - len(self.entries())

    def resolution(self) -> tuple[str, Decimal]:
        """Return how well the values resolve, in words, and the greatest error."""
        entries = self.entries()
        gaps = [EXACT.subtract(high, low) for low, high in pairwise(entries)]
        error = EXACT.divide(max(gaps), Decimal(2))
        return f"{len(entries)} values, off by at most {digits(error)} {self.unit}".rstrip(), error

    def part(self, maker: "SourceUnit", spot: "Spot") -> "FieldPart":
        """Return the index of the value."""
        from lowpanbudget.payload.c.coded import EntryIndex

        bits = maker.order.rounded(self.needed())
        return EntryIndex(maker, spot, self.entries(), self.unit, bits)

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


def range_text(low: Decimal | None, high: Decimal | None) -> str:
    """Return a range in words, dots where it is open."""
    return f"{'...' if low is None else digits(low)} .. {'...' if high is None else digits(high)}"


def no_number(value: Decimal, *path: str | int) -> Flaw:
    """Return the flaw of a decimal beyond all that sensors send."""
    return Flaw(path, f"{str(value)[:40]} is no number that a sensor can send", "Use at most 30 digits")  # fmt: skip
