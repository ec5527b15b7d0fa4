"""Numbers on other scales: logarithmic steps, a table of values, and IEEE 754 floating point."""

import dataclasses
import struct
from bisect import bisect_left
from collections.abc import Iterator
from decimal import Context, Decimal
from functools import lru_cache
from itertools import pairwise
from math import isinf
from typing import Any, ClassVar

from lowpanbudget.errors import plural
from lowpanbudget.payload.bitpack import Order
from lowpanbudget.payload.exact import EXACT, given, is_plain, plain
from lowpanbudget.payload.field import Case, Codec, Leaf
from lowpanbudget.payload.flaws import Flaw, Misfit

MAX_ENTRIES = 4096  # more would be a table that no node keeps
_FLOATS = {16: "e", 32: "f", 64: "d"}


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
        return _table_codec(width, self.entries(), self.unit)

    def example(self, case: Case) -> Decimal:
        """Return the first value, the usual one, or the last."""
        return _table_example(self.entries(), case, self.typical)

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
                yield _no_number(value, "values", index)
                return
            if index and value <= self.values[index - 1]:
                yield Flaw(
                    ("values", index), f"{plain(value)} does not rise", "Sort the values, each once"
                )
                return
        yield from _bits_flaws(self.bits, len(self.values))
        yield from _typical_flaws(self.typical, self.values)


@dataclasses.dataclass(frozen=True, slots=True)
class Logarithmic(Leaf):
    """A number whose steps grow with it: ``steps`` + 1 values, each the same ratio above the last.

    Value ``k`` is ``min * (max / min) ** (k / steps)``, rounded to ``digits`` significant digits, so
    that node and gateway can share one table of exact decimals.
    """

    _: dataclasses.KW_ONLY
    min: Decimal
    max: Decimal
    steps: int
    digits: int = 5
    unit: str = ""
    bits: int | None = None
    typical: Decimal | None = None

    kind: ClassVar[str] = "logarithmic"
    decimals: ClassVar[tuple[str, ...]] = ("min", "max", "typical")

    def entries(self) -> tuple[Decimal, ...]:
        """Return the value of each code."""
        return _geometric(self.min, self.max, self.steps, self.digits)

    def needed(self) -> int:
        """Return ``bits`` if stated, else the fewest bits that hold the last index."""
        return self.steps.bit_length() if self.bits is None else self.bits

    def codec(self, width: int, order: Order) -> Codec:
        """Return the codec."""
        del order
        return _table_codec(width, self.entries(), self.unit)

    def example(self, case: Case) -> Decimal:
        """Return the first value, the usual one, or the last."""
        return _table_example(self.entries(), case, self.typical)

    def flaws(self, order: Order) -> Iterator[Flaw]:
        """Yield what is wrong with range, number of steps and digits."""
        del order
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
        yield from _bits_flaws(self.bits, len(entries))
        yield from _typical_flaws(self.typical, entries)


@dataclasses.dataclass(frozen=True, slots=True)
class Float(Leaf):
    """A binary floating-point number of 16, 32 or 64 bits (IEEE 754), within ``min`` and ``max`` where stated."""

    _: dataclasses.KW_ONLY
    bits: int
    unit: str = ""
    min: Decimal | None = None
    max: Decimal | None = None
    typical: Decimal | None = None

    kind: ClassVar[str] = "float"
    decimals: ClassVar[tuple[str, ...]] = ("min", "max", "typical")

    def needed(self) -> int:
        """Return the stated width."""
        return self.bits

    def codec(self, width: int, order: Order) -> Codec:
        """Return the codec; infinities and "not a number" are values as long as no range is stated."""
        del order
        letter = ">" + _FLOATS[self.bits]
        (low, high), unit = self.limits(), self.unit

        def encode(value: Any) -> int:
            if type(value) is not float:
                decimal = given(value)
                value = float(decimal)
                if isinf(value) and decimal.is_finite():
                    raise Misfit(f"is {plain(decimal)}, more than floating point holds")
            if low is not None or high is not None:
                inside = (low is None or value >= low) and (high is None or value <= high)
                if not inside:
                    allowed = _range(self.min, self.max)
                    raise Misfit(f"is {value!r} {unit}".rstrip() + f", outside {allowed}")
            try:
                return int.from_bytes(struct.pack(letter, value), "big")
            except OverflowError:
                raise Misfit(
                    f"is {value!r}, more than {self.bits} bits of floating point hold"
                ) from None

        def decode(code: int) -> float:
            value: float = struct.unpack(letter, code.to_bytes(self.bits // 8, "big"))[0]
            return value

        return Codec(width, encode, decode)

    def example(self, case: Case) -> float:
        """Return the value nearest to 0, a usual one, or one that needs all digits."""
        wish = 0.0 if case == "least" else 100 / 3
        if case == "typical" and self.typical is not None:
            wish = float(self.typical)
        low, high = self.limits()
        if low is not None:
            wish = max(wish, low)
        if high is not None:
            wish = min(wish, high)
        return self._rounded(wish)

    def limits(self) -> tuple[float | None, float | None]:
        """Return the range as numbers of this width, so that a limit itself can be sent."""
        low, high = (
            None if limit is None else self._rounded(float(limit)) for limit in (self.min, self.max)
        )
        return low, high

    def _rounded(self, value: float) -> float:
        letter = _FLOATS[self.bits]
        rounded: float = struct.unpack(letter, struct.pack(letter, value))[0]
        return rounded

    def flaws(self, order: Order) -> Iterator[Flaw]:
        """Yield what is wrong with width and range."""
        del order
        if self.bits not in _FLOATS:
            yield Flaw(("bits",), f"no floating point of {self.bits} bits", "Use 16, 32 or 64")
            return
        for key in ("min", "max", "typical"):
            value = getattr(self, key)
            if value is not None and not is_plain(value):
                yield _no_number(value, key)
                return
            try:
                struct.pack(_FLOATS[self.bits], float(value or 0))
            except OverflowError:
                text = f"{plain(value)} is more than {self.bits} bits of floating point hold"
                yield Flaw((key,), text, "Use more bits, or a smaller number")
                return
        if self.min is not None and self.max is not None and self.min >= self.max:
            text = f"max {plain(self.max)} is not above min {plain(self.min)}"
            yield Flaw(("max",), text, "Use a max above min")


@lru_cache(maxsize=64)
def _geometric(low: Decimal, high: Decimal, steps: int, digits: int) -> tuple[Decimal, ...]:
    work, rounding = Context(prec=50), Context(prec=digits)
    start = work.ln(low)
    ratio = work.divide(work.subtract(work.ln(high), start), Decimal(steps))
    inner = (work.exp(work.fma(ratio, Decimal(k), start)) for k in range(1, steps))
    return (low, *(rounding.plus(value).normalize() for value in inner), high)


def nearest_entry(entries: tuple[Decimal, ...], value: Decimal) -> int:
    """Return the index of the entry nearest to a value that lies between the first and the last."""
    index = bisect_left(entries, value)
    if index == 0:
        return 0
    below, above = entries[index - 1], entries[index]
    return index if EXACT.subtract(above, value) < EXACT.subtract(value, below) else index - 1


def _table_codec(width: int, entries: tuple[Decimal, ...], unit: str) -> Codec:
    first, last = entries[0], entries[-1]

    def encode(value: Any) -> int:
        decimal = given(value)
        if decimal.is_nan() or not first <= decimal <= last:
            raise Misfit(
                f"is {plain(decimal)} {unit}".rstrip() + f", outside {_range(first, last)}"
            )
        return nearest_entry(entries, decimal)

    def decode(code: int) -> Decimal:
        if code >= len(entries):
            raise Misfit(f"has code {code}, and the table ends at {len(entries) - 1}")
        return entries[code]

    return Codec(width, encode, decode)


def _table_example(entries: tuple[Decimal, ...], case: Case, typical: Decimal | None) -> Decimal:
    if case == "typical":
        return (
            entries[len(entries) // 2]
            if typical is None
            else entries[nearest_entry(entries, typical)]
        )
    return entries[0] if case == "least" else entries[-1]


def _range(low: Decimal | None, high: Decimal | None) -> str:
    return f"{'...' if low is None else plain(low)} .. {'...' if high is None else plain(high)}"


def _bits_flaws(bits: int | None, count: int) -> Iterator[Flaw]:
    fewest = (count - 1).bit_length()
    if bits is not None and not fewest <= bits <= 16:
        yield Flaw(
            ("bits",),
            f"{count} values take {plural(fewest, 'bit')}, not {bits}",
            f"Use {fewest} to 16",
        )


def _no_number(value: Decimal, *path: str | int) -> Flaw:
    return Flaw(path, f"{str(value)[:40]} is no number that a sensor can send", "Use at most 30 digits")  # fmt: skip


def _typical_flaws(typical: Decimal | None, entries: tuple[Decimal, ...]) -> Iterator[Flaw]:
    if typical is not None and not (is_plain(typical) and entries[0] <= typical <= entries[-1]):
        text = f"{typical} is outside {_range(entries[0], entries[-1])}"
        yield Flaw(("typical",), text, "Use a value of the range")
