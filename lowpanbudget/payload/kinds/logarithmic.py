"""A number on a scale of equal ratios."""

from collections.abc import Iterator
from decimal import Context, Decimal
from functools import lru_cache
from itertools import pairwise
from typing import ClassVar

from lowpanbudget.errors import plural
from lowpanbudget.payload.codec.order import Order
from lowpanbudget.payload.exact import is_plain
from lowpanbudget.payload.flaws import Flaw
from lowpanbudget.payload.kinds import interfaces as ask
from lowpanbudget.payload.kinds.keys import field_kind, key
from lowpanbudget.payload.kinds.leaf import codes_left
from lowpanbudget.payload.kinds.listed import (
    MAX_ENTRIES,
    ListedLeaf,
    range_text,
)


@field_kind
class Logarithmic(ListedLeaf):
    """A number whose steps grow with it: ``steps`` + 1 values, each the same ratio above the last.

    Value ``k`` is ``min * (max / min) ** (k / steps)``, rounded to ``digits`` significant digits, so
    that node and gateway can share one table of exact decimals.
    """

    min: Decimal = key("The least value, above 0.")
    max: Decimal = key("The greatest value.")
    steps: int = key("How many equal ratios lead from min to max.")
    digits: int = key("Significant digits of the values between.", default=5)

    kind: ClassVar[str] = "logarithmic"
    rank: ClassVar[int] = 20
    about: ClassVar[str] = "A number whose steps are equal ratios."
    wire: ClassVar[str] = """\
The index of the value, 0 for `min`: value k is min * (max / min)^(k / steps), rounded to `digits` digits."""
    written: ClassVar[str] = """\
kind = "logarithmic"
name = "vibration"
min = 0.001
max = 20
steps = 254
unit = "m/s2\""""
    decimals: ClassVar[tuple[str, ...]] = ("min", "max", "typical")

    def entries(self) -> tuple[Decimal, ...]:
        """Return the value of each code."""
        return _geometric(self.min, self.max, self.steps, self.digits)

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
        yield from self.list_flaws(entries)

    def summary(self) -> ask.Summary:
        """Return the range and how it is divided."""
        return ask.Summary(range_text(self.min, self.max), f"{self.steps} equal ratios", self.unit)

    def gain(self, less: int) -> ask.Gain:
        """Return the resolution, and how many values a smaller place would leave."""
        gives, error = self.resolution()
        words = codes_left(self.steps + 1, less, "value")
        if 1 < 1 << less <= self.steps:
            words = f"{1 << less} values, each {self._percent((1 << less) - 1)} above the last"
        return ask.Gain(
            f"{gives}; each value {self._percent(self.steps)} above the last", words, None, error
        )

    def _percent(self, steps: int) -> str:
        ratio = (float(self.max) / float(self.min)) ** (1 / steps)
        return f"{100 * (ratio - 1):.3g} %"


@lru_cache(maxsize=64)
def _geometric(low: Decimal, high: Decimal, steps: int, digits: int) -> tuple[Decimal, ...]:
    """Return the value of each code: the one before times the ratio, in more digits than are kept.

    Where those leave open how a value is rounded, as half-way between two, its logarithm decides: that takes ten times
    as long.
    """
    spare, rounding = Context(prec=60), Context(prec=digits)
    ratio = spare.exp(spare.divide(spare.ln(spare.divide(high, low)), Decimal(steps)))
    value, inner = low, []
    for code in range(1, steps):
        value = spare.multiply(value, ratio)
        rounded = rounding.plus(spare.multiply(value, _OVER))
        if rounded != rounding.plus(spare.multiply(value, _UNDER)):
            rounded = rounding.plus(_by_logarithm(low, high, steps, code))
        inner.append(rounded.normalize())
    return (low, *inner, high)


_OVER, _UNDER = Decimal("1." + "0" * 39 + "1"), Decimal("0." + "9" * 40)


def _by_logarithm(low: Decimal, high: Decimal, steps: int, code: int) -> Decimal:
    work = Context(prec=50)
    start = work.ln(low)
    ratio = work.divide(work.subtract(work.ln(high), start), Decimal(steps))
    return work.exp(work.fma(ratio, Decimal(code), start))
