"""Numbers with a range and a step: the width follows from how many values there are.

``n = (max - min) / step + 1`` values and the special codes share ``2 ** width`` codes, so
``width = (n + specials - 1).bit_length()``: what ASN.1 PER does for a constrained integer.
"""

import dataclasses
from collections.abc import Callable, Iterator
from decimal import Decimal, DecimalException
from typing import Any, ClassVar

from lowpanbudget.payload.bitpack import Order
from lowpanbudget.payload.exact import EXACT, exact, is_plain, nearest, plain, steps_between
from lowpanbudget.payload.field import MAX_BITS, Case, Codec, Leaf, names_flaws, plural
from lowpanbudget.payload.flaws import Flaw, Misfit

CODINGS = ("offset", "twos-complement")


@dataclasses.dataclass(frozen=True, slots=True)
class Number(Leaf):
    """A number from ``min`` to ``max`` in steps; values are ints where step and range are whole, else decimals.

    ``coding`` "offset": the code counts steps from ``offset`` (``min`` unless stated); "twos-complement":
    it counts signed steps from ``offset`` (0 unless stated). ``bits`` asks for a width and is refused
    if it cannot hold the range. ``special`` are names for codes that are no number ("not available"),
    each with its code on the wire or None: then the codes are chosen from the far end (all ones
    downwards; in two's complement the most negative upwards). ``tolerance`` is the greatest rounding
    error that the application accepts; ``typical`` a usual value. A name of ``special`` is given and
    read as that text.
    """

    _: dataclasses.KW_ONLY
    min: Decimal
    max: Decimal
    step: Decimal = Decimal(1)
    unit: str = ""
    coding: str = "offset"
    offset: Decimal | None = None
    bits: int | None = None
    special: tuple[tuple[str, int | None], ...] = ()
    tolerance: Decimal | None = None
    typical: Decimal | None = None

    kind: ClassVar[str] = "number"

    @property
    def base(self) -> Decimal:
        """Return the value whose code is 0."""
        if self.offset is not None:
            return self.offset
        return self.min if self.coding == "offset" else Decimal(0)

    @property
    def lowest(self) -> int:
        """Return how many steps ``min`` lies from the base."""
        return nearest(self.min, self.base, self.step)

    @property
    def highest(self) -> int:
        """Return how many steps ``max`` lies from the base."""
        return nearest(self.max, self.base, self.step)

    @property
    def signed(self) -> bool:
        """Return whether codes are two's complement."""
        return self.coding == "twos-complement"

    def needed(self) -> int:
        """Return ``bits`` if stated, else the fewest bits that hold all values and special codes."""
        return self.bits if self.bits is not None else self.fewest_bits()

    def fewest_bits(self) -> int:
        """Return the fewest bits that hold all values and special codes."""
        low, high = self.lowest, self.highest
        named = max((code.bit_length() for _, code in self.special if code is not None), default=0)
        specials = len(self.special)
        if not self.signed:
            return max((high + specials).bit_length(), named)
        width = max((high if high > 0 else 0).bit_length(), (~low if low < 0 else 0).bit_length()) + 1
        while (1 << width) - (high - low + 1) < specials:
            width += 1
        return max(width, named)

    def special_codes(self, width: int) -> dict[str, int]:
        """Return the code of each special name in a place of ``width`` bits."""
        taken = {code for _, code in self.special if code is not None}
        free = self._free_codes(width)
        codes: dict[str, int] = {}
        for name, code in self.special:
            chosen = code
            while chosen is None or (code is None and chosen in taken):
                chosen = next(free)
            taken.add(chosen)
            codes[name] = chosen
        return codes

    def _free_codes(self, width: int) -> Iterator[int]:
        mask = (1 << width) - 1
        if not self.signed:
            yield from range(mask, self.highest, -1)
            return
        half = 1 << (width - 1)
        yield from (code & mask for code in range(-half, self.lowest))
        yield from range(half - 1, self.highest, -1)

    def arithmetic(self) -> str:
        """Return in words how the fewest bits come about."""
        count = self.highest - self.lowest + 1
        text = f"({plain(self.max)} - {plain(self.min)}) / {plain(self.step)} + 1 = {plural(count, 'value')}"
        if self.special:
            text += f", with {plural(len(self.special), 'special code')} {count + len(self.special)}"
        if self.signed:
            text += f"; in two's complement from {self.lowest} to {self.highest}"
        elif self.lowest:
            text += f"; codes begin at {plain(self.base)}, so the highest is {self.highest}"
        return f"{text}: {plural(self.fewest_bits(), 'bit')}"

    def codec(self, width: int, order: Order) -> Codec:
        """Return the codec; whole numbers and decimals have each a fast path for values on the grid."""
        del order
        specials = self.special_codes(width) if self.special else {}
        whole = _is_whole(self.base) and _is_whole(self.step)
        to_code = _whole_encoder(self) if whole else _decimal_encoder(self)
        mask = (1 << width) - 1

        def encode(value: Any) -> int:
            if specials and isinstance(value, str):
                if value not in specials:
                    raise Misfit(f"is {value[:40]!r}", hint=f"Special names are {', '.join(specials)}")
                return specials[value]
            return to_code(value) & mask

        decode = self._decoder(width, specials)
        return Codec(width, encode if specials or self.signed else to_code, decode)

    def _decoder(self, width: int, specials: dict[str, int]) -> Callable[[int], Any]:
        low, high = self.lowest, self.highest
        base, step = self.base, self.step
        whole = _is_whole(base) and _is_whole(step)
        int_base, int_step = (int(base), int(step)) if whole else (0, 1)
        half = 1 << (width - 1) if self.signed and width else 0
        words = {code: name for name, code in specials.items()}
        fma = EXACT.fma

        def decode(code: int) -> Any:
            steps = (code ^ half) - half if half else code
            if low <= steps <= high:
                if whole:
                    return int_base + steps * int_step
                return fma(steps, step, base)  # type: ignore[arg-type]  # takes ints as well
            if code in words:
                return words[code]
            raise Misfit(f"has code {code}, which stands for nothing", hint=self.arithmetic())

        return decode

    def example(self, case: Case) -> Any:
        """Return the value nearest to 0, a usual one, or the one furthest from 0."""
        if case == "greatest":
            return self._value(self.min if -self.min > self.max else self.max)
        if case == "least":
            return self._value(min(max(Decimal(0), self.min), self.max))
        if self.typical is not None:
            return self._value(self.typical)
        return self._value(EXACT.divide(EXACT.add(self.min, self.max), Decimal(2)))

    def _value(self, wish: Decimal) -> Any:
        """Return the value of the grid that comes nearest to a wish."""
        steps = min(max(nearest(wish, self.base, self.step), self.lowest), self.highest)
        value = EXACT.fma(Decimal(steps), self.step, self.base)
        return int(value) if _is_whole(self.base) and _is_whole(self.step) else value

    def flaws(self, order: Order) -> Iterator[Flaw]:
        """Yield what is wrong with range, step, width, special codes and hints."""
        odd = list(self._odd_decimals())
        yield from odd
        if odd:
            return
        if self.step <= 0:
            yield Flaw(("step",), f"a step of {plain(self.step)} leads nowhere", "Use a step above 0")
            return
        if self.min >= self.max:
            yield Flaw(
                ("max",),
                f"max {plain(self.max)} is not above min {plain(self.min)}",
                "A field of one value carries nothing: use kind 'constant'",
            )
            return
        if self.coding not in CODINGS:
            yield Flaw(("coding",), f"{self.coding!r} is no coding", f"Use {' or '.join(CODINGS)}")
            return
        grid = list(self._off_grid())
        yield from grid
        if grid:
            return
        yield from self._width_flaws()
        yield from self._special_flaws(order)
        if self.typical is not None and not self.min <= self.typical <= self.max:
            yield Flaw(("typical",), f"{plain(self.typical)} is outside {plain(self.min)} .. {plain(self.max)}")
        if self.tolerance is not None and 2 * self.tolerance < self.step:
            yield Flaw(
                ("tolerance",),
                f"a step of {plain(self.step)} already errs by {plain(self.step / 2)}, "
                f"more than the tolerance {plain(self.tolerance)}",
                "State a finer step or a wider tolerance",
            )

    def _odd_decimals(self) -> Iterator[Flaw]:
        for key in ("min", "max", "step", "offset", "tolerance", "typical"):
            value = getattr(self, key)
            if value is None:
                continue
            if not isinstance(value, Decimal):
                try:
                    object.__setattr__(self, key, exact(value))
                    value = getattr(self, key)
                except Misfit as fault:
                    yield Flaw((key,), fault.text)
                    continue
            if not is_plain(value):
                yield Flaw((key,), f"{str(value)[:40]} is no number that a sensor can send", "Use at most 30 digits")

    def _off_grid(self) -> Iterator[Flaw]:
        if steps_between(self.min, self.max, self.step) is None:
            count = EXACT.divide(EXACT.subtract(self.max, self.min), self.step)
            fit = self.min + self.step * int(count)
            yield Flaw(
                ("step",),
                f"a step of {plain(self.step)} does not divide the range: ({plain(self.max)} - {plain(self.min)}) / "
                f"{plain(self.step)} = {count:.6g}",
                f"Use max = {plain(fit)} or max = {plain(fit + self.step)}, or another step",
            )
        elif steps_between(self.base, self.min, self.step) is None:
            key = "offset" if self.offset is not None else "min"
            yield Flaw(
                (key,),
                f"min {plain(self.min)} is no whole number of steps of {plain(self.step)} from {plain(self.base)}",
                "State an offset on the grid of the values",
            )
        elif not self.signed and self.lowest < 0:
            yield Flaw(
                ("offset",),
                f"offset {plain(self.base)} is above min {plain(self.min)}, and codes count upwards",
                "Use an offset of at most min, or coding 'twos-complement'",
            )

    def _width_flaws(self) -> Iterator[Flaw]:
        fewest = self.fewest_bits()
        if fewest > MAX_BITS:
            yield Flaw(("step",), f"{self.arithmetic()}, and at most {MAX_BITS} are possible", "Use a coarser step")
        if self.bits is None:
            return
        if not 1 <= self.bits <= MAX_BITS:
            yield Flaw(("bits",), f"{self.bits} is no width", f"Use 1 to {MAX_BITS}")
        elif self.bits < fewest:
            yield Flaw(
                ("bits",),
                f"{plural(self.bits, 'bit')} cannot hold the range: {self.arithmetic()}",
                self._way_out(),
            )

    def _way_out(self) -> str:
        assert self.bits is not None
        codes = (1 << self.bits) - len(self.special)
        if self.signed or self.lowest or codes < 2:
            return f"Use bits = {self.fewest_bits()} or a coarser step"
        times = -(-(self.highest - self.lowest) // (codes - 1))
        return f"Use bits = {self.fewest_bits()}, or a step of {plain(self.step * times)} or more"

    def _special_flaws(self, order: Order) -> Iterator[Flaw]:
        yield from names_flaws(tuple(name for name, _ in self.special), "special", what="special code")
        width = order.rounded(self.needed())
        seen: dict[int, str] = {}
        for name, code in self.special:
            if code is None:
                continue
            if not 0 <= code < 1 << width:
                yield Flaw(("special", name), f"code {code} does not fit in {plural(width, 'bit')}")
                continue
            steps = code - (1 << width) if self.signed and code >> (width - 1) else code
            if self.lowest <= steps <= self.highest:
                value = EXACT.fma(Decimal(steps), self.step, self.base)
                yield Flaw(("special", name), f"code {code} already means {plain(value)}")
            elif code in seen:
                yield Flaw(("special", name), f"code {code} already means {seen[code]!r}")
            seen[code] = name


def _is_whole(value: Decimal) -> bool:
    return value == value.to_integral_value()


def _outside(number: Number, value: Decimal) -> Misfit:
    unit = f" {number.unit}" if number.unit else ""
    return Misfit(
        f"is {plain(value)}{unit}, outside {plain(number.min)} .. {plain(number.max)}{unit}"
        f" (step {plain(number.step)})"
    )


def _slowly(number: Number, value: Any) -> int:
    """Return the steps of the nearest value of the grid, for any kind of number."""
    if isinstance(value, str):
        raise Misfit(f"is the text {value[:40]!r}, not a number")
    decimal = exact(value)
    if decimal.is_nan() or not number.min <= decimal <= number.max:
        raise _outside(number, decimal)
    return nearest(decimal, number.base, number.step)


def _whole_encoder(number: Number) -> Callable[[Any], int]:
    base, step = int(number.base), int(number.step)
    low, high = number.lowest, number.highest

    def encode(value: Any) -> int:
        if type(value) is int:
            steps, rest = divmod(value - base, step)
            if not rest and low <= steps <= high:
                return steps
        return _slowly(number, value)

    return encode


def _decimal_encoder(number: Number) -> Callable[[Any], int]:
    places = max(0, *(-int(part.normalize().as_tuple().exponent) for part in (number.base, number.step)))
    scale = Decimal(places)
    base, step = (int(EXACT.scaleb(part, scale)) for part in (number.base, number.step))
    least, most = number.min, number.max
    scaleb = EXACT.scaleb

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
        return _slowly(number, value)

    return encode
