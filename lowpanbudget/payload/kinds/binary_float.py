"""Binary floating-point numbers (IEEE 754)."""

import dataclasses
import struct
from collections.abc import Iterator
from decimal import Decimal
from math import isinf
from typing import Any, ClassVar

from lowpanbudget.payload.codec.bitpack import Order
from lowpanbudget.payload.exact import given, is_plain, plain
from lowpanbudget.payload.flaws import Flaw, Misfit
from lowpanbudget.payload.kinds.entries import no_number, range_text
from lowpanbudget.payload.kinds.field import Case, Codec, Leaf


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
                    allowed = range_text(self.min, self.max)
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
                yield no_number(value, key)
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


_FLOATS = {16: "e", 32: "f", 64: "d"}
