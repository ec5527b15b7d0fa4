"""Exact decimals: ranges, steps and values are what the text says, never the nearest binary fraction.

A float is read by its shortest text (23.45 means twenty-three and forty-five hundredths): that is
what the person wrote or the sensor library printed. One context with room for every product of a
64-bit code and a step, so that no result is rounded unseen.
"""

import re
from decimal import (
    ROUND_HALF_EVEN,
    Context,
    Decimal,
    DecimalException,
    DivisionByZero,
    InvalidOperation,
    Overflow,
)
from numbers import Real

from lowpanbudget.payload.flaws import Misfit, kind_of

EXACT = Context(
    prec=100, rounding=ROUND_HALF_EVEN, traps=[InvalidOperation, DivisionByZero, Overflow]
)
FLOAT_LETTERS = {16: "e", 32: "f", 64: "d"}  # of the struct module, by bits (IEEE 754)
MAX_DIGITS = 30
MAX_EXPONENT = 30
_MAX_INT_BITS = 256
_PLAIN = 1 << 64  # nearly all whole numbers are nearer to 0
_GIVE = "Give a number"
_BARE = "Give the number without its unit, which is that of the message:"
_WITH_COMMA = re.compile(r"\s*[+-]?\d{1,30},\d{1,30}\s*")
_WITH_UNIT = re.compile(
    r"\s*(?!0[xob])([+-]?\d{1,30}(?:\.\d{1,30})?)\s*([^\W\d_]|[%/°µΩ])[^\s,;\[\]]{0,15}\s*"
)


def exact(value: object) -> Decimal:
    """Return a number as an exact decimal; a ``Misfit`` says what is no number."""
    if isinstance(value, Decimal):
        return value
    if type(value) is int and -_PLAIN < value < _PLAIN:
        return Decimal(value)
    if isinstance(value, bool) or value is None:
        raise Misfit(f"is {str(value).lower()}, not a number", hint=_GIVE)
    if isinstance(value, float):
        return Decimal(float.__repr__(value))
    if isinstance(value, str):
        try:
            return Decimal(value)
        except DecimalException:
            raise Misfit(f"is {value[:40]!r}, not a number", hint=_GIVE) from None
    index = getattr(value, "__index__", None)
    if index is None and isinstance(value, Real):  # a float of another width, such as numpy's
        return exact(str(value))
    if index is None:
        raise Misfit(f"is {kind_of(value)}, not a number", hint=_GIVE)
    whole: int = index()
    if whole.bit_length() > _MAX_INT_BITS:
        raise Misfit(f"is a whole number of {whole.bit_length()} bits: out of any range")
    return Decimal(whole)


def input_number(value: object) -> Decimal:
    """Return a number that somebody wants to send as an exact decimal; text is none."""
    if isinstance(value, str):
        if number := number_before_unit(value):
            raise Misfit(f"is the text {value[:40]!r}, not a number", hint=f"{_BARE} {number}")
        listed = any(sign in value for sign in "[]; ")
        hint = f"{_GIVE}; of a list 1,2,3, and nothing for an empty one" if listed else _GIVE
        if _WITH_COMMA.fullmatch(value):
            hint = f"{_GIVE}, with a point and no comma: {value.replace(',', '.')}"
        raise Misfit(f"is the text {value[:40]!r}, not a number", hint=hint)
    return exact(value)


def number_before_unit(text: str) -> str:
    """Return the number of a text that has its unit behind it, as "1C" or "30 %", or nothing."""
    found = _WITH_UNIT.fullmatch(text)
    return found[1] if found else ""


def is_plain(value: Decimal) -> bool:
    """Return whether a declared decimal is finite and of a size that a sensor can have."""
    if not value.is_finite():
        return False
    parts = value.as_tuple()
    return len(parts.digits) <= MAX_DIGITS and abs(int(parts.exponent)) <= MAX_EXPONENT


def digits(value: Decimal) -> str:
    """Return a decimal without exponent and without trailing zeros, at most 40 characters of it."""
    if not value.is_finite() or abs(value.adjusted()) > 2 * MAX_EXPONENT:
        return str(value)[:40]
    if not value:
        return "0"
    return format(value.normalize(EXACT), "f")


def steps_between(low: Decimal, high: Decimal, step: Decimal) -> int | None:
    """Return how many steps lead from ``low`` to ``high``, or None if no whole number does."""
    count = EXACT.divide(EXACT.subtract(high, low), step)
    whole = int(count.to_integral_value(ROUND_HALF_EVEN))
    if EXACT.fma(Decimal(whole), step, low) != high:
        return None
    return whole


def nearest(value: Decimal, base: Decimal, step: Decimal) -> int:
    """Return the number of steps from ``base`` that comes nearest to ``value`` (ties to even)."""
    count = EXACT.divide(EXACT.subtract(value, base), step)
    return int(count.to_integral_value(ROUND_HALF_EVEN))
