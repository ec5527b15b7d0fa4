"""Values on a grid ⇄ whole steps: the codec of numbers, with a fast path for values that lie on the grid."""

from bisect import bisect_left
from collections.abc import Callable, Iterator
from decimal import Decimal, DecimalException
from functools import lru_cache
from typing import Any, NamedTuple

from lowpanbudget.payload.codec.nodes import Case, Codec
from lowpanbudget.payload.exact import (
    EXACT,
    digits,
    input_number,
    nearest,
    number_before_unit,
    steps_between,
)
from lowpanbudget.payload.flaws import Misfit


@lru_cache(maxsize=1024)  # asked for with every value of a field
def are_whole(base: Decimal, step: Decimal) -> bool:
    """Return whether all values on such a grid are whole numbers."""
    return all(part == part.to_integral_value() for part in (base, step))


@lru_cache(maxsize=1024)  # asked for with every value that is drawn
def _ends(base: Decimal, step: Decimal, least: Decimal, most: Decimal) -> tuple[int, int]:
    """Return how many steps the least and the greatest value lie from the base."""
    return nearest(least, base, step), nearest(most, base, step)


class Grid(NamedTuple):
    """The values ``base + k * step`` for whole ``k`` from ``low`` to ``high``."""

    base: Decimal
    step: Decimal
    low: int
    high: int
    signed: bool
    unit: str

    @property
    def whole(self) -> bool:
        """Return whether all values are whole numbers; they are ints then, else decimals."""
        return are_whole(self.base, self.step)

    def value_of(self, steps: int) -> Any:
        """Return the value that lies ``steps`` steps from the base."""
        value = EXACT.fma(Decimal(steps), self.step, self.base)
        return int(value) if self.whole else value

    def steps_of(self, value: Any) -> int:
        """Return the steps to the nearest value of the grid, for any kind of number within the range."""
        decimal = input_number(value)
        least, most = (EXACT.fma(Decimal(k), self.step, self.base) for k in (self.low, self.high))
        if decimal.is_nan() or not least <= decimal <= most:
            unit = f" {self.unit}" if self.unit else ""
            raise Misfit(
                f"is {digits(decimal)}{unit}, outside {digits(least)} .. {digits(most)}{unit} "
                f"(step {digits(self.step)})",
                hint=f"Give {digits(least)} to {digits(most)}{unit}",
            )
        return nearest(decimal, self.base, self.step)


class Stepped:
    """A number with a range and a step, as a field sends it: what its codec, C and other encodings ask of it.

    ``n = (max - min) / step + 1`` values and the special codes share ``2 ** width`` codes, so
    ``width = (n + specials - 1).bit_length()``: what ASN.1 PER does for a constrained integer.
    """

    __slots__ = ()

    min: Decimal
    max: Decimal
    step: Decimal
    unit: str
    coding: str
    offset: Decimal | None
    bits: int | None
    special: tuple[tuple[str, int | None], ...]
    typical: Decimal | None
    optional: bool

    @property
    def base(self) -> Decimal:
        """Return the value whose code is 0."""
        if self.offset is not None:
            return self.offset
        return self.min if self.coding == "offset" else Decimal(0)

    @property
    def whole(self) -> bool:
        """Return whether all values are whole numbers."""
        return are_whole(self.base, self.step)

    @property
    def lowest(self) -> int:
        """Return how many steps ``min`` lies from the base."""
        return _ends(self.base, self.step, self.min, self.max)[0]

    @property
    def highest(self) -> int:
        """Return how many steps ``max`` lies from the base."""
        return _ends(self.base, self.step, self.min, self.max)[1]

    @property
    def signed(self) -> bool:
        """Return whether codes are two's complement."""
        return self.coding == "twos-complement"

    def needed(self) -> int:
        """Return ``bits`` if stated, else the fewest bits that hold all values and special codes."""
        if self.bits is not None:
            return self.bits
        named = max((code.bit_length() for _, code in self.special if code is not None), default=0)
        return max(self.fewest_bits(), named)

    def fewest_bits(self) -> int:
        """Return the fewest bits that hold all values and special codes."""
        low, high = self.lowest, self.highest
        specials = len(self.special)
        if not self.signed:
            return (high + specials).bit_length()
        width = max((max(0, high)).bit_length(), (~low if low < 0 else 0).bit_length()) + 1
        while (1 << width) - (high - low + 1) < specials:
            width += 1
        return width

    def grid(self) -> Grid:
        """Return the values as steps from the base."""
        base, step = self.base, self.step
        low, high = _ends(base, step, self.min, self.max)
        return Grid(base, step, low, high, self.signed, self.unit)

    def example(self, case: Case) -> Any:
        """Return the value nearest to 0, a usual one, or the one furthest from 0."""
        if case == "greatest":
            wish = self.min if -self.min > self.max else self.max
        elif case == "least":
            wish = min(max(Decimal(0), self.min), self.max)
        elif self.typical is not None:
            wish = self.typical
        else:
            wish = EXACT.divide(EXACT.add(self.min, self.max), Decimal(2))
        grid = self.grid()
        return grid.value_of(min(max(nearest(wish, self.base, self.step), grid.low), grid.high))


def number_codec(grid: Grid, width: int, specials: dict[str, int]) -> Codec:
    """Return the codec of a grid in a place of ``width`` bits, with names for some of the other codes."""
    to_steps = _whole_encoder(grid) if grid.whole else _decimal_encoder(grid)
    mask = (1 << width) - 1

    def encode(value: Any) -> int:
        if specials and isinstance(value, str):
            if value not in specials:
                if number_before_unit(value):
                    input_number(value)  # raises, and says so
                raise Misfit(f"is {value[:40]!r}", hint=f"Special names are {', '.join(specials)}")
            return specials[value]
        return to_steps(value) & mask

    return Codec(
        width, encode if specials or grid.signed else to_steps, _decoder(grid, width, specials)
    )


def _decoder(grid: Grid, width: int, specials: dict[str, int]) -> Callable[[int], Any]:
    base, step, low, high, signed, _ = grid
    whole = grid.whole
    int_base, int_step = int(base), int(step)  # asked where all values are whole
    half = 1 << (width - 1) if signed else 0
    words = {code: name for name, code in specials.items()}
    fma = EXACT.fma

    def decode(code: int) -> Any:
        steps = (code ^ half) - half if half else code
        if low <= steps <= high:
            return int_base + steps * int_step if whole else fma(steps, step, base)
        if code in words:
            return words[code]
        raise Misfit(f"has code {code}, which stands for no value")

    return decode


def _whole_encoder(grid: Grid) -> Callable[[Any], int]:
    base, step = int(grid.base), int(grid.step)
    low, high, steps_of = grid.low, grid.high, grid.steps_of

    def encode(value: Any) -> int:
        if type(value) is int:
            steps, rest = divmod(value - base, step)
            if not rest and low <= steps <= high:
                return steps
        return steps_of(value)

    return encode


def _decimal_encoder(grid: Grid) -> Callable[[Any], int]:
    places = max(
        0, *(-int(part.normalize().as_tuple().exponent) for part in (grid.base, grid.step))
    )
    scale = Decimal(places)
    base, step = (int(EXACT.scaleb(part, scale)) for part in (grid.base, grid.step))
    least, most = grid.value_of(grid.low), grid.value_of(grid.high)
    scaleb, steps_of = EXACT.scaleb, grid.steps_of

    def encode(value: Any) -> int:
        if type(value) is float:
            value = Decimal(repr(value))
        if type(value) is Decimal:
            try:
                if least <= value <= most:
                    scaled = scaleb(value, scale)
                    whole = int(scaled)
                    if whole == scaled:
                        steps, rest = divmod(whole - base, step)
                        if not rest:
                            return steps
            except DecimalException:  # not a number, or so small that it has no exponent here
                pass
        return steps_of(value)

    return encode


def nearest_entry(entries: tuple[Decimal, ...], value: Decimal) -> int:
    """Return the index of the entry nearest to a value that lies between the first and the last."""
    index = bisect_left(entries, value)
    if index == 0:
        return 0
    below, above = entries[index - 1], entries[index]
    return index if EXACT.subtract(above, value) < EXACT.subtract(value, below) else index - 1


def zero_of(number: Stepped) -> Decimal:
    """Return the value that is sent as 0: zero itself if it lies on the grid, else the least value."""
    return Decimal(0) if _from_zero(number.min, number.step) else number.min


@lru_cache(maxsize=1024)  # asked for with every value of a field
def _from_zero(least: Decimal, step: Decimal) -> bool:
    return steps_between(Decimal(0), least, step) is not None


def is_nullable(number: Stepped) -> bool:
    """Return whether null is the one special code of a number; where the number may be absent, null says that."""
    return len(number.special) == 1 and not number.optional


def span_text(number: Stepped) -> str:
    """Return the range of a number in counts, as CDDL writes it."""
    zero = zero_of(number)
    return f"{nearest(number.min, zero, number.step)}..{nearest(number.max, zero, number.step)}"


def special_codes(number: Stepped, width: int) -> dict[str, int]:
    """Return the code of each special name in a place of ``width`` bits."""
    taken = {code for _, code in number.special if code is not None}
    free = _free_codes(number, width)
    codes: dict[str, int] = {}
    for name, code in number.special:
        chosen = code
        while chosen is None or (code is None and chosen in taken):
            chosen = next(free)
        taken.add(chosen)
        codes[name] = chosen
    return codes


def _free_codes(number: Stepped, width: int) -> Iterator[int]:
    mask = (1 << width) - 1
    if not number.signed:
        yield from range(mask, number.highest, -1)
        return
    half = 1 << (width - 1)
    yield from (code & mask for code in range(-half, number.lowest))
    yield from range(half - 1, number.highest, -1)
