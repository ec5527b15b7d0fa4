"""Binary floating-point numbers (IEEE 754)."""

import re
import struct
from collections.abc import Iterator, Mapping
from decimal import Decimal
from math import inf, isfinite, isinf
from random import Random
from typing import TYPE_CHECKING, Any, ClassVar

from lowpanbudget.payload.codec.nodes import Case, Codec
from lowpanbudget.payload.codec.order import Order
from lowpanbudget.payload.exact import FLOAT_LETTERS, digits, exact, input_number, is_plain
from lowpanbudget.payload.flaws import Flaw, Misfit
from lowpanbudget.payload.forms.binary_formats import FORMATS
from lowpanbudget.payload.forms.doubles import (
    Numbers,
    Real,
    real_from,
    real_of,
)
from lowpanbudget.payload.forms.shapes import RealShape, Shape, Unsayable
from lowpanbudget.payload.kinds import interfaces as ask
from lowpanbudget.payload.kinds.field import Field
from lowpanbudget.payload.kinds.keys import field_kind, key
from lowpanbudget.payload.kinds.leaf import Leaf
from lowpanbudget.payload.kinds.listed import no_number, range_text

if TYPE_CHECKING:
    from lowpanbudget.payload.c.names import Spot
    from lowpanbudget.payload.c.parts import FieldPart, SourceUnit


# As JSON of programs ("NaN", "Infinity"), spreadsheets and C ("inf", "INF") write them.
_NOT_FINITE = r"(?i:nan|[+-]?inf(?:inity)?)"
_CDDL_TYPES = {16: "float16", 32: "float16-32", 64: "float"}


@field_kind
class Float(Leaf):
    """A binary floating-point number of 16, 32 or 64 bits (IEEE 754), within ``min`` and ``max`` where stated."""

    bits: int = key("The width.", allowed=(16, 32, 64))
    unit: str = key("The unit.", default="")
    min: Decimal | None = key("The least value; checked by senders and receivers.", default=None)
    max: Decimal | None = key("The greatest value; checked as ``min`` is.", default=None)
    typical: Decimal | None = key("A usual value.", default=None)

    kind: ClassVar[str] = "float"
    called: ClassVar[tuple[str, ...]] = ("double", "real", "half", "single", "f")
    rank: ClassVar[int] = 40
    about: ClassVar[str] = "A binary floating-point number (IEEE 754)."
    wire: ClassVar[str] = """\
The bits of IEEE 754: sign, exponent, fraction; one number in the byte order of the message."""
    written: ClassVar[str] = """\
kind = "float"
name = "energy"
bits = 32
unit = "J\""""
    rounds: ClassVar[bool] = True
    refusing: ClassVar[tuple[str, ...]] = ("min", "max")
    decimals: ClassVar[tuple[str, ...]] = ("min", "max", "typical")

    def needed(self) -> int:
        """Return the stated width."""
        return self.bits

    def taken(self, given: Any, before: ask.Scope, *, table: bool) -> Any:
        """Return the number, also one that is none or without end."""
        if isinstance(given, str) and re.fullmatch(_NOT_FINITE, given.strip()):
            return float(given)
        return super(Float, self).taken(given, before, table=table)  # noqa: UP008 - slots make the class anew

    def codec(self, width: int, order: Order) -> Codec:
        """Return the codec; a stated range is that of the numbers sent, as a receiver reads them.

        Infinities and "not a number" are values as long as no range is stated.
        """
        letter = ">" + FLOAT_LETTERS[self.bits]
        low, high = self.limits()
        limited = low is not None or high is not None

        def inside(sent: float) -> bool:
            return (low is None or sent >= low) and (high is None or sent <= high)

        def outside(text: str) -> Misfit:
            allowed = range_text(self.min, self.max)
            return Misfit(f"is {text} {self.unit}".rstrip() + f", outside {allowed}")

        def encode(value: Any) -> int:
            if type(value) is not float:
                decimal = input_number(value)
                value = float(decimal)
                if isinf(value) and decimal.is_finite():
                    raise Misfit(f"is {digits(decimal)}, more than floating point holds")
            try:
                code = int.from_bytes(struct.pack(letter, value), "big")
            except OverflowError:
                if limited and not inside(value):
                    raise outside(repr(value)) from None
                raise Misfit(
                    f"is {value!r}, more than {self.bits} bits of floating point hold"
                ) from None
            if limited and not inside(number(code)):
                raise outside(repr(value))
            return code

        def number(code: int) -> float:
            value: float = struct.unpack(letter, code.to_bytes(self.bits // 8, "big"))[0]
            return value

        def decode(code: int) -> float:
            value = number(code)
            if limited and not inside(value):
                shortest = real_of(self.name, self.bits, value) if isfinite(value) else value
                raise outside(str(shortest))
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
        return real_from(self.bits, wish)

    def limits(self) -> tuple[float | None, float | None]:
        """Return the range as numbers of this width, so that a limit itself can be sent."""
        low, high = (
            None if limit is None else real_from(self.bits, float(limit))
            for limit in (self.min, self.max)
        )
        return low, high

    def flaws(self, order: Order) -> Iterator[Flaw]:
        """Yield what is wrong with width and range."""
        if self.bits not in FLOAT_LETTERS:
            yield Flaw(("bits",), f"no floating point of {self.bits} bits", "Use 16, 32 or 64")
            return
        for limit in ("min", "max", "typical"):
            value = getattr(self, limit)
            if value is not None and not is_plain(value):
                yield no_number(value, limit)
                return
            try:
                real_from(self.bits, float(value or 0))
            except OverflowError:
                text = f"{digits(value)} is more than {self.bits} bits of floating point hold"
                yield Flaw((limit,), text, "Use more bits, or a smaller number")
                return
        if self.min is not None and self.max is not None and self.min >= self.max:
            text = f"max {digits(self.max)} is not above min {digits(self.min)}"
            yield Flaw(("max",), text, "Use a max above min")

    def exactly(self, value: Any) -> Decimal:
        """Return a float as it is: its shortest text would add an error of its own."""
        return Decimal(value) if isinstance(value, float) else exact(value)

    def drawn(self, random: Random, known: ask.Known) -> float:
        """Return a number within the range, or within some thousands where there is none."""
        least, most = self.limits()
        low = -1000.0 if least is None else least
        high = max(low, 1000.0) if most is None else most
        return min(max(real_from(self.bits, random.uniform(low, high)), low), high)

    def edges(self) -> Iterator[float]:
        """Yield the examples and the limits; where there is none the furthest number, and what lies beyond."""
        yield from (self.example("least"), self.example("greatest"))
        greatest = FORMATS[self.bits].greatest
        for limit, sign in zip(self.limits(), (-1, 1), strict=True):
            yield from (sign * greatest, sign * inf) if limit is None else (limit,)

    def summary(self) -> ask.Summary:
        """Return the range, if one is stated, and the format."""
        words = "" if self.min is None and self.max is None else range_text(self.min, self.max)
        return ask.Summary(words, f"binary{self.bits}", self.unit)

    def gain(self, less: int) -> ask.Gain:
        """Return the greatest error, and that of the next narrower format, if that holds what is known to be sent."""
        least, most, known = self.min, self.max, self._magnitudes()
        far = max(known) if None not in (least, most) else Decimal("inf")
        over, under = least is not None and least > 0, most is not None and most < 0
        near = min(known) if over or under else Decimal(0)
        own, narrower = FORMATS[self.bits], FORMATS.get(self.bits // 2)
        if narrower is None:
            words = "no narrower floating point"
        elif lack := narrower.lack(known, self.unit):
            words = f"no narrower floating point: {lack}"
        else:
            words = f"{narrower.bits} bits, {narrower.error(near, far, self.unit)}"
        return ask.Gain(own.error(near, far, self.unit), words)

    def _magnitudes(self) -> list[Decimal]:
        """Return what is known of the size of values."""
        return [abs(one) for one in (self.min, self.max, self.typical) if one is not None]

    def remark(self, order: Order) -> ask.Remark | None:
        """Return a remark on values too small for the width, or on floating point for a range that is known."""
        lack = FORMATS[self.bits].lack(self._magnitudes(), self.unit)
        if lack:
            return ask.Remark(lack, "Use more bits, or a unit in which the values are greater")
        if self.min is None or self.max is None:
            return None
        text = f"{self.bits} bits of floating point for a range that is known"
        return ask.Remark(text, "A number with a step often takes fewer bits")

    def part(self, maker: "SourceUnit", spot: "Spot") -> "FieldPart":
        """Return a float or double, or the bits of one."""
        from lowpanbudget.payload.c.floating import FloatBits

        codec = self.codec(self.bits, maker.order)
        return FloatBits(maker, spot, codec, self.limits(), self.unit)

    def to_json(self, value: Any) -> Any:
        """Return the number with the fewest digits that restores the value."""
        return real_of(self.name, self.bits, value)

    def from_json(self, item: Any) -> Any:
        """Return the value of the width that a number restores."""
        return real_from(self.bits, item)

    def shape(self, tags: Mapping[str, Field]) -> Shape:
        """Return a floating-point number."""
        return RealShape(self.bits)

    def cddl(self, rules: ask.Rules, path: ask.FieldPath) -> str:
        """Return the type of the numbers of this width within the limits, in the shortest form that keeps each.

        By RFC 8610 section 2.2.3 float32 has all these values in any form. But it is "#7.26", and who checks by that
        additional information refuses 1.5 in 3 octets: so the narrower types stand beside it (appendix D). A range
        would be one of floats of any width, so the limits are controls (section 3.8.6), of which a type takes one.
        """
        low, high = self.limits()
        above = _CDDL_TYPES[self.bits]
        if low is not None:
            above += f" .ge {low!r}"
        if high is None:
            return above
        return f"{above if low is None else f'({above})'} .le {high!r}"

    def to_senml(self, value: Any, known: ask.Known, real: Real) -> tuple[str, Any]:
        """Return a number; JSON has no infinities and no "not a number"."""
        if not isfinite(value):
            raise Unsayable(f"{self.name} is {value}, and SenML numbers are those of JSON")
        return "v", real(self.name, self.bits, value)

    def from_senml(self, item: Any, known: ask.Known) -> Any:
        """Return the value of the width that a number restores."""
        return real_from(self.bits, float(item))

    def longest_values(self, numbers: Numbers, base: Any) -> Iterator[Any]:
        """Yield values of many digits, or of all bits."""
        from lowpanbudget.payload.forms.long_floats import long_floats, wide_floats

        yield from long_floats(self) if numbers == "text" else wide_floats(self)
