"""The binary formats of floating point (IEEE 754-2019 table 3.5): what they hold, and by how much they round.

From the least normal number to the greatest one rounding errs by a part of the value; below, where all numbers lie
equally far from each other, by half that distance.
"""

import math
from collections.abc import Iterable
from decimal import Decimal
from typing import NamedTuple

from lowpanbudget.payload.exact import MAX_DIGITS, MAX_EXPONENT
from lowpanbudget.payload.forms.doubles import real_from

# Beyond these no number can be declared (``is_plain``): a limit there is not worth a word.
_NEAREST, _FARTHEST = Decimal(10) ** -MAX_EXPONENT, Decimal(10) ** (MAX_DIGITS + MAX_EXPONENT)


class BinaryFormat(NamedTuple):
    """A format: its width, the bits of its fraction without the hidden one, the least exponent of a normal number."""

    bits: int
    fraction: int
    least_exponent: int

    @property
    def greatest(self) -> float:
        """Return the greatest finite number."""
        return (2 - 2.0**-self.fraction) * 2.0 ** (1 - self.least_exponent)

    @property
    def least(self) -> float:
        """Return the least number above 0: the distance of all that are below the least normal one."""
        return math.ldexp(1, self.least_exponent - self.fraction)

    def error(self, near: Decimal, far: Decimal, unit: str) -> str:
        """Return in words by how much numbers of a magnitude from ``near`` to ``far`` are off at the most."""
        if far < self._normal:
            return f"off by at most about {self._half()} {unit}".rstrip()
        words = f"off by at most about {Decimal(2) ** -(self.fraction + 1):.1e} of the value"
        if Decimal(self.greatest) < min(far, _FARTHEST):
            words += f" up to {self._most(unit)}"
        return words + (f", or {self._below(unit)}" if max(near, _NEAREST) < self._normal else "")

    def lack(self, magnitudes: Iterable[Decimal], unit: str) -> str:
        """Return in words why it cannot hold all of these magnitudes as well as others; nothing where it can."""
        for sent in filter(None, magnitudes):
            try:
                real_from(self.bits, float(sent))
            except OverflowError:
                return f"{self.bits} bits hold at most {self._most(unit)}"
            if sent < self._normal:
                return f"{self.bits} bits are off by up to {self._below(unit)}"
        return ""

    @property
    def _normal(self) -> Decimal:
        return Decimal(2) ** self.least_exponent

    def _half(self) -> str:
        return f"{Decimal(self.least) / 2:.1e}"

    def _below(self, unit: str) -> str:
        return f"{self._half()} below {self._normal:.1e} {unit}".rstrip()

    def _most(self, unit: str) -> str:
        return f"{self.greatest:.5g} {unit}".rstrip()


FORMATS = {
    bits: BinaryFormat(bits, *parts)
    for bits, parts in {16: (10, -14), 32: (23, -126), 64: (52, -1022)}.items()
}
