"""Floating-point numbers whose text is long, and the length that no text of a width and a range exceeds.

Texts have the fewest digits that restore the value (see ``doubles``), written as Python writes doubles: with an
exponent below 0.0001 and from 1e16 on; below that a whole number has no point. Within a decade of either sign no text
is longer than one of all the digits that its values may need, so decades are tried from the longest text down.
"""

import math
from collections.abc import Iterable, Iterator
from functools import lru_cache
from random import Random
from typing import NamedTuple, Protocol

from lowpanbudget.payload.codec.nodes import Case
from lowpanbudget.payload.forms.binary_formats import FORMATS
from lowpanbudget.payload.forms.doubles import MOST_DIGITS, real_from, real_of, text_of

_POINTS = range(-4, 16)  # decades written without an exponent
_TRIES = 24  # values of a decade


class Floating(Protocol):
    """A field of floating point."""

    @property
    def name(self) -> str:
        """Return its name."""

    @property
    def bits(self) -> int:
        """Return its width."""

    def limits(self) -> tuple[float | None, float | None]:
        """Return its range, as numbers of its width."""

    def example(self, case: Case) -> float:
        """Return a value of the least, typical or greatest message."""


class _Decade(NamedTuple):
    """Numbers from ``near`` to ``far`` of one sign and one power of ten; their text has ``size`` octets at the most."""

    size: int
    sign: int
    near: float
    far: float


def within(field: Floating, values: Iterable[float]) -> Iterator[float]:
    """Yield the values as the field's width has them, those that are in its range and finite."""
    low, high = field.limits()
    for value in values:
        try:
            rounded = real_from(field.bits, value)
        except OverflowError:
            continue
        inside = (low is None or low <= rounded) and (high is None or rounded <= high)
        if inside and math.isfinite(rounded):
            yield rounded


def longest_text(field: Floating) -> int:
    """Return the octets that no number of the field exceeds as text."""
    zero = [len(text_of(-0.0))] if any(True for _ in within(field, (0.0,))) else []
    return max(*zero, *(decade.size for decade in _decades(field)), 0)


@lru_cache(maxsize=64)
def long_floats(field: Floating) -> tuple[float, ...]:
    """Return values that the longest text is among, as far as it was found."""
    random = Random(1)  # noqa: S311 - nothing secret is drawn
    low, high = field.limits()
    ends = (end for end in (low, high, -0.0) if end is not None)
    values = [field.example("greatest"), *within(field, ends)]
    longest = max(len(text_of(real_of(field.name, field.bits, value))) for value in values)
    for decade in _decades(field):
        if longest >= decade.size:
            break
        # more at its lower end, where numbers lie closest to each other
        reach = decade.far - decade.near
        drawn = [decade.sign * (decade.near + reach * random.random() ** 4) for _ in range(_TRIES)]
        for value in within(field, drawn):
            length = len(text_of(real_of(field.name, field.bits, value)))
            if length > longest:
                longest = length
                values.append(value)
    return tuple(values)


def _decades(field: Floating) -> list[_Decade]:
    """Return the decades of the field's range, those with the longest texts first."""
    low, high = field.limits()
    greatest, least = FORMATS[field.bits].greatest, FORMATS[field.bits].least
    low, high = -greatest if low is None else low, greatest if high is None else high
    decades = []
    for sign, near, far in ((1, max(low, least), high), (-1, max(-high, least), -low)):
        if far < near:
            continue
        for power in range(_power(near), _power(far) + 1):
            first = max(near, 10.0**power)
            last = far if power == _power(far) else min(far, 10.0 ** (power + 1))
            size = (sign < 0) + _size(power, _digits(field.bits, power))
            decades.append(_Decade(size, sign, first, last))
    return sorted(decades, key=lambda decade: -decade.size)


def _power(value: float) -> int:
    return int(f"{value:.17e}".split("e")[1])


def _digits(bits: int, power: int) -> int:
    """Return the digits that restore any number of a decade: decimals closer to each other than its numbers are."""
    _, exponent = math.frexp(10.0**power)
    held = FORMATS[bits]
    binary = max(exponent - 1, held.least_exponent) - held.fraction
    return max(1, min(MOST_DIGITS[bits], math.floor(power + 1 - binary * math.log10(2)) + 1))


def _size(power: int, digits: int) -> int:
    if power not in _POINTS:
        return digits + 1 + len(f"e{power:+03d}")
    if power < 0:
        return 1 - power + digits
    return max(power + 1, digits + 1 if digits > power + 1 else 0)


def wide_floats(field: Floating) -> Iterator[float]:
    """Yield values that need all bits of their width where the range has any such."""
    yield field.example("greatest")
    last = 2.0 ** -FORMATS[field.bits].fraction
    yield from within(field, (1 + last, -1 - last))
    low, high = field.limits()
    low, high = -1.0 if low is None else low, 1.0 if high is None else high
    yield from within(field, (low, high, *(low + (high - low) * part / 7 for part in range(1, 7))))
