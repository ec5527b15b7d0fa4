"""The same number with a coarser step: the finest one that needs at most so many bits."""

import dataclasses
from decimal import Decimal
from typing import Any, TypeVar

from lowpanbudget.payload.exact import EXACT
from lowpanbudget.payload.kinds.number import Number
from lowpanbudget.payload.kinds.series import Series
from lowpanbudget.payload.kinds.time_offset import TimeOffset

Stepped = TypeVar("Stepped", bound=Number | Series | TimeOffset)


def number_of(field: Number | Series | TimeOffset) -> Number:
    """Return the number that a field sends in full."""
    return field if isinstance(field, Number) else field.number()


def with_step(field: Stepped, times: int) -> Stepped:
    """Return the field with a step of ``times`` steps; its range grows outwards to the new steps."""
    number = number_of(field)
    step = EXACT.multiply(number.step, Decimal(times))
    low, high = number.lowest // times, -(-number.highest // times)
    least, most = (EXACT.fma(Decimal(k), step, number.base) for k in (low, high))
    changed: dict[str, Any] = {"min": least, "max": most, "step": step, "bits": None}
    if isinstance(field, Number | Series):
        changed["tolerance"] = None
    if isinstance(field, Number):
        # Codes that the author chose may mean a value now; the names keep codes of their own.
        changed["special"] = tuple((name, None) for name, _ in field.special)
    return dataclasses.replace(field, **changed)


def within(field: Stepped, bits: int) -> Stepped | None:
    """Return the field with the finest step that needs at most ``bits`` bits, or None if even two values do not."""
    number = number_of(field)
    enough = max(1, number.highest - number.lowest)
    if number_of(with_step(field, enough)).fewest_bits() > bits:
        return None
    low, high = 0, enough  # low is too fine, high is coarse enough
    while high - low > 1:
        middle = (low + high) // 2
        if number_of(with_step(field, middle)).fewest_bits() > bits:
            low = middle
        else:
            high = middle
    return with_step(field, high)
