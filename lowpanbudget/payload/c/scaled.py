"""Numbers in C: integers in steps, counted from 0 where 0 lies on the grid of the values.

The same integers as in the CBOR form: a temperature in steps of 0.01 is 2345 for 23.45. Arithmetic
is unsigned, of 32 or 64 bits, and wraps: ``value - MIN <= MAX - MIN`` is one test for any range.
"""

from decimal import Decimal
from math import gcd
from typing import Any

from lowpanbudget.payload.c.names import Spot
from lowpanbudget.payload.c.parts import Known, Scope, Single, SourceUnit
from lowpanbudget.payload.c.text import WIDE, Lines, integer, literal, word_of
from lowpanbudget.payload.codec.grid import Stepped, special_codes, zero_of
from lowpanbudget.payload.exact import EXACT, digits, exact, nearest


class Scaled(Single):
    """A number with a range and a step; ``about`` is said of it, ``base`` is the time that it counts from."""

    def __init__(
        self, maker: SourceUnit, spot: Spot, number: Stepped, *, about: str = "", base: str = ""
    ) -> None:
        super().__init__(maker, spot)
        self.about = about
        self.base_name = base
        self.number = number
        self.bits = maker.order.rounded(number.needed())
        self.grid = number.grid()
        codes = special_codes(number, self.bits)
        steps = {name: self._signed(code) for name, code in codes.items()}
        zero = zero_of(number)
        shift = nearest(number.base, zero, number.step)
        ends = (self.grid.low, self.grid.high, *steps.values())
        kind = integer(min(ends) + shift, max(ends) + shift)
        if kind is None:  # 0 is too far away: count from where codes do
            zero, shift = number.base, 0
            kind = integer(min(ends), max(ends))
        assert kind is not None  # codes have at most 64 bits
        self.kind, self.shift, self.zero = kind, shift, zero
        self.head = kind.name
        self.low, self.high = self.grid.low + shift, self.grid.high + shift
        self.word = word_of(max(self.bits, kind.bits))
        self.specials = {name: step + shift for name, step in steps.items()}
        self.remark = self._remark()
        self._constants()

    def _signed(self, code: int) -> int:
        half = 1 << (self.bits - 1)
        return (code ^ half) - half if self.number.signed else code

    @property
    def span(self) -> int:
        """Return how many steps lead from the least to the greatest value."""
        return self.high - self.low

    @property
    def lowest(self) -> str:
        """Return the least value as C text."""
        return f"{self.word.cast}{self.ends[0]}"

    @property
    def base(self) -> str:
        """Return the value whose code is 0 as C text."""
        return self.lowest if self.shift == self.low else self.word.constant(self.shift)

    def _remark(self) -> str:
        number, unit = self.number, f" {self.number.unit}".rstrip()
        text = f"{digits(number.min)} .. {digits(number.max)}{unit}"
        if number.step != 1 or self.zero:
            text += f", in steps of {digits(number.step)}{unit}"
        if self.zero:
            text += f" from {digits(self.zero)}"
        text += self.about
        if self.specials:
            text += f"; special: {', '.join(self.specials)}"
        return text

    def _constants(self) -> None:
        maker, spot = self.maker, self.spot
        maker.headed(f"{spot.path}: {self.remark}")
        self.ends = tuple(
            maker.constant(spot, end, literal(value))
            for end, value in (("min", self.low), ("max", self.high))
        )
        ratio(maker, spot, "step", self.number.step)
        if self.zero:
            ratio(maker, spot, "zero", self.zero)
        self.special_names = [
            maker.constant(spot, name, literal(value)) for name, value in self.specials.items()
        ]

    def initialiser(self, value: Any, known: Known) -> str:
        """Return the steps of a value or of a special name."""
        return literal(self.steps(value, known))

    def steps(self, value: Any, known: Known) -> int:
        """Return the member's value."""
        if isinstance(value, str):
            return self.specials[value]
        if self.base_name:
            value = EXACT.subtract(exact(value), exact(known[self.base_name]))
        return self.grid.steps_of(value) + self.shift

    def load(self, out: Lines, at: str) -> None:
        """Append what takes the member into the variable and refuses what the range does not hold."""
        out.add(f"{out.use(self.word.variable)} = {self.word.cast}{at};")
        if (self.low, self.high) != (self.kind.low, self.kind.high):
            out.fail(self._wrong(), self.maker.error(self.spot))

    def send(self, out: Lines) -> None:
        """Append what writes the variable."""
        value = self.word.variable
        if self.shift:
            value += f" - {self.base}"
        if self.word is WIDE and self.bits <= 32:
            value = f"(uint32_t)(({value}) & UINT32_MAX)"
        self.put(out, self.bits, value)

    def receive(self, out: Lines) -> None:
        """Append what reads the variable and refuses codes without meaning."""
        if self.word is WIDE and self.bits <= 32:
            self.take(out, self.bits, "value")
            out.add(f"{out.use('wide')} = value;")
        else:
            self.take(out, self.bits, self.word.variable)
        name = self.word.variable
        if self.number.signed and self.bits < self.word.bits:
            half = self.word.constant(1 << (self.bits - 1))
            out.add(f"{name} = ({name} ^ {half}) - {half};")
        if self.shift:
            out.add(f"{name} += {self.base};")
        if self.span + 1 < 1 << self.bits:
            out.fail(self._wrong(), self.maker.error(self.spot))

    def store(self, out: Lines, at: str) -> None:
        """Append what sets the member from the variable."""
        if self.kind.signed:
            out.add(
                f"{at} = ({self.kind.name}){self.maker.call('signed' + self.word.suffix)}({self.word.variable});"
            )
        else:
            out.add(f"{at} = ({self.kind.name}){self.word.variable};")

    def pack(self, out: Lines, at: str, scope: Scope) -> None:
        """Append what checks the member and writes its code."""
        self.load(out, at)
        self.send(out)

    def unpack(self, out: Lines, at: str, scope: Scope) -> None:
        """Append what reads the code and sets the member."""
        self.receive(out)
        self.store(out, at)

    def _wrong(self) -> str:
        call = self.maker.call("within" + self.word.suffix)
        tests = [f"!{call}({self.word.variable}, {self.lowest}, {self.word.cast}{self.ends[1]})"]
        tests += [f"{self.word.variable} != {self.word.cast}{name}" for name in self.special_names]
        return " && ".join(tests)


def ratio(maker: SourceUnit, spot: Spot, suffix: str, value: Decimal) -> None:
    """Add an exact number as two constants, where C has integers for them; else only a remark."""
    top, bottom = value.as_integer_ratio()
    divisor = gcd(top, bottom)
    top, bottom = top // divisor, bottom // divisor
    if -(1 << 63) <= top < 1 << 64 and bottom < 1 << 64:
        maker.constant(spot, f"{suffix}_numerator", literal(top))
        maker.constant(spot, f"{suffix}_denominator", literal(bottom))
    else:
        maker.headed(f"its {suffix}, {digits(value)}, has more digits than an integer of C")
