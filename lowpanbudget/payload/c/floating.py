"""Floating point in C: as the compiler's own types, or without them as bits."""

import struct
from decimal import Decimal
from typing import Any

from lowpanbudget.payload.c.coded import Code
from lowpanbudget.payload.c.names import Spot
from lowpanbudget.payload.c.parts import Known, Scope, SourceUnit
from lowpanbudget.payload.c.text import Lines, literal, word
from lowpanbudget.payload.codec.nodes import Codec
from lowpanbudget.payload.exact import FLOAT_LETTERS


class FloatBits(Code):
    """Floating point: a float or double, or without floating point the bits as IEEE 754 orders them.

    A range is judged on the bits: turned upside down where the sign is set, they are in the order of
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
        bits = codec.width
        super().__init__(maker, spot, bits)
        self.codec = codec
        self.float_bits = bits
        # a half is held in a float, so that is what a range is judged on
        self.held = max(32, bits) if maker.floats else bits
        low, high = (None if limit is None else Decimal(limit) for limit in limits)
        self.range = (low, high)
        what = f"floating point of {bits} bits"
        unit = f", {unit}" if unit else ""
        self.remark = what + unit if maker.floats else f"the bits of {what}{unit}"

    def declared(self, name: str) -> str:
        """Return the declaration of the member."""
        if not self.maker.floats:
            return super().declared(name)
        return f"{'double' if self.float_bits == 64 else 'float'} {name}"

    def initialiser(self, value: Any, known: Known) -> str:
        """Return a number in the hexadecimal notation of C99, which is exact, or its bits."""
        if not self.maker.floats:
            return literal(self.codec.encode(value))
        return float(value).hex() + ("" if self.float_bits == 64 else "f")

    def pack(self, out: Lines, at: str, scope: Scope) -> None:
        """Append what judges the range and writes the bits."""
        name = out.use(self.variable)
        if self.maker.floats:
            out.add(
                f"{name} = {self.maker.call('bits_of_double' if self.bits == 64 else 'bits_of_float')}({at});"
            )
        else:
            out.add(f"{name} = {at};")
        if self.range != (None, None):
            sign = 1 << (self.held - 1)
            low, high = float_bounds(self.held, *self.range)
            call, order = (
                self.maker.call("within" + self.wide),
                self.maker.call("order" + self.wide),
            )
            limits = f"{word(low, self.bits)}, {word(high, self.bits)}"
            test = f"!{call}({order}({name}, {word(sign, self.bits)}), {limits})"
            out.fail(test, self.maker.error(self.spot))
        if self.maker.floats and self.float_bits == 16:
            out.fail(f"!{self.maker.call('to_half')}(&{name})", self.maker.error(self.spot))
        self.put(out, self.float_bits, name)

    def unpack(self, out: Lines, at: str, scope: Scope) -> None:
        """Append what reads the bits; any bits are a number or "not a number"."""
        self.take(out, self.float_bits, self.variable)
        if not self.maker.floats:
            out.add(f"{at} = ({self.kind.name}){self.variable};")
            return
        if self.float_bits == 16:
            out.add(f"value = {self.maker.call('from_half')}(value);")
        call = self.maker.call("double_of_bits" if self.bits == 64 else "float_of_bits")
        out.add(f"{at} = {call}({self.variable});")


def float_bounds(bits: int, low: Decimal | None, high: Decimal | None) -> tuple[int, int]:
    """Return the least and greatest key of the numbers within a range; see ``FloatBits``."""
    sign = 1 << (bits - 1)
    letter = ">" + FLOAT_LETTERS[bits]

    def value_at(key: int) -> Decimal:
        code = key ^ sign if key & sign else ~key & (2 * sign - 1)
        return Decimal(struct.unpack(letter, code.to_bytes(bits // 8, "big"))[0])

    infinity = {16: 0x7C00, 32: 0x7F800000, 64: 0x7FF << 52}[bits]
    first, last = ~(infinity | sign) & (2 * sign - 1), infinity | sign
    least = first if low is None else _search(first, last, lambda key: value_at(key) >= low)
    most = last if high is None else _search(first, last + 1, lambda key: value_at(key) > high) - 1
    return least, most


def _search(first: int, last: int, is_there: Any) -> int:
    """Return the first key from which on something holds, ``last`` if it does nowhere before."""
    while first < last:
        middle = (first + last) // 2
        if is_there(middle):
            last = middle
        else:
            first = middle + 1
    return first
