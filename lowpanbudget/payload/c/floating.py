"""Floating point in C: as the compiler's own types, or without them as bits."""

import math
import struct
from typing import Any

from lowpanbudget.payload.c.coded import Code
from lowpanbudget.payload.c.names import Spot
from lowpanbudget.payload.c.parts import Known, Scope, SourceUnit
from lowpanbudget.payload.c.text import Lines, literal
from lowpanbudget.payload.codec.nodes import Codec
from lowpanbudget.payload.exact import FLOAT_LETTERS


class FloatBits(Code):
    """Floating point: a float or double, or without floating point the bits as IEEE 754 orders them.

    A range is judged on the bits that are sent: turned upside down where the sign is set, they are in the order of
    the numbers, and what is no number lies outside.
    """

    def __init__(
        self,
        maker: SourceUnit,
        spot: Spot,
        codec: Codec,
        limits: tuple[float | None, float | None],
        unit: str,
    ) -> None:
        super().__init__(maker, spot, codec.width)
        self.codec = codec
        self.range = limits
        if maker.floats:
            self.head = "double" if self.bits == 64 else "float"
        what = f"floating point of {self.bits} bits"
        unit = f", {unit}" if unit else ""
        self.remark = what + unit if maker.floats else f"the bits of {what}{unit}"

    def initialiser(self, value: Any, known: Known) -> str:
        """Return a number in the hexadecimal notation of C99, which is exact, or its bits."""
        if not self.maker.floats:
            return literal(self.codec.encode(value))
        return float(value).hex() + ("" if self.bits == 64 else "f")

    def pack(self, out: Lines, at: str, scope: Scope) -> None:
        """Append what judges the range and writes the bits."""
        maker, word = self.maker, self.word
        name = out.use(word.variable)
        if maker.floats:
            call = maker.call("bits_of_double" if self.bits == 64 else "bits_of_float")
            out.add(f"{name} = {call}(&{at});")
        else:
            out.add(f"{name} = {at};")
        if maker.floats and self.bits == 16:
            out.fail(f"!{maker.call('to_half')}(&{name})", maker.error(self.spot))
        self.check(out, self.bits)
        self.put(out, self.bits, name)

    def unpack(self, out: Lines, at: str, scope: Scope) -> None:
        """Append what reads the bits and judges the range; without one any bits are a number or "not a number"."""
        self.take(out, self.bits, self.word.variable)
        self.check(out, self.bits)
        if not self.maker.floats:
            out.add(f"{at} = ({self.kind.name}){self.word.variable};")
            return
        if self.bits == 16:
            out.add(f"value = {self.maker.call('from_half')}(value);")
        call = self.maker.call("double_of_bits" if self.bits == 64 else "float_of_bits")
        out.add(f"{call}(&{at}, {self.word.variable});")

    def check(self, out: Lines, bits: int) -> None:
        """Append what refuses the bits of numbers outside the range, if one is stated."""
        if self.range == (None, None):
            return
        maker, word, name = self.maker, self.word, self.word.variable
        call, order = maker.call("within" + word.suffix), maker.call("order" + word.suffix)
        limits = ", ".join(word.constant(key) for key in float_bounds(bits, *self.range))
        test = f"!{call}({order}({name}, {word.constant(1 << (bits - 1))}), {limits})"
        out.fail(test, maker.error(self.spot))


def float_bounds(bits: int, low: float | None, high: float | None) -> tuple[int, int]:
    """Return the least and greatest key of the numbers within a range; see ``FloatBits``. Both zeros are within 0."""
    least = -math.inf if low is None else low or -0.0
    most = math.inf if high is None else high or 0.0
    return _key(bits, least), _key(bits, most)


def _key(bits: int, value: float) -> int:
    code, sign = int.from_bytes(struct.pack(">" + FLOAT_LETTERS[bits], value), "big"), 1 << bits - 1
    return ~code & (2 * sign - 1) if code & sign else code | sign
