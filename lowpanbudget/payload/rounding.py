"""What rounding did to each number of a message: given, sent, and the exact difference."""

from collections.abc import Iterator, Mapping
from decimal import Decimal
from typing import Any, NamedTuple

from lowpanbudget.payload.exact import EXACT
from lowpanbudget.payload.kinds.field import Field
from lowpanbudget.payload.kinds.group import single_values
from lowpanbudget.payload.kinds.interfaces import SingleValue


class Rounding(NamedTuple):
    """One number: its path, the value given, the value a receiver reads, and ``sent - given``."""

    path: tuple[str | int, ...]
    given: Decimal
    sent: Decimal
    error: Decimal


def roundings(
    fields: tuple[Field, ...], given: Mapping[str, Any], sent: Mapping[str, Any]
) -> tuple[Rounding, ...]:
    """Return the rounding of each number in the values of a message; special codes are no numbers."""
    return tuple(
        rounding
        for held in single_values(fields, sent)
        if held.field.rounds
        for rounding in _number(held, given)
    )


def _number(held: SingleValue, given: Mapping[str, Any]) -> Iterator[Rounding]:
    value: Any = given
    for part in held.path:
        value = value[part] if isinstance(part, int) else value.get(part)
        if value is None:
            return
    if isinstance(value, str):
        return
    before, after = held.field.exactly(value), Decimal(held.value)
    if before.is_finite() and after.is_finite():
        yield Rounding(held.path, before, after, EXACT.subtract(after, before))
