"""What rounding did to each number of a message: given, sent, and the exact difference."""

from collections.abc import Iterator, Mapping
from decimal import Decimal
from typing import Any, NamedTuple

from lowpanbudget.payload.exact import EXACT, exact
from lowpanbudget.payload.kinds.binary_float import Float
from lowpanbudget.payload.kinds.elements import Array
from lowpanbudget.payload.kinds.field import Field
from lowpanbudget.payload.kinds.group import Group
from lowpanbudget.payload.kinds.instant import Time
from lowpanbudget.payload.kinds.logarithmic import Logarithmic
from lowpanbudget.payload.kinds.number import Number
from lowpanbudget.payload.kinds.sequence import Sequence
from lowpanbudget.payload.kinds.series import Series
from lowpanbudget.payload.kinds.table import Table
from lowpanbudget.payload.kinds.time_offset import TimeOffset
from lowpanbudget.payload.kinds.union import Union

_NUMERIC = (Number, Logarithmic, Table, Float, Sequence, Time, TimeOffset)


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
    return tuple(_group(fields, given, sent, (), {}))


def _group(
    fields: tuple[Field, ...],
    given: Mapping[str, Any],
    sent: Mapping[str, Any],
    path: tuple[str | int, ...],
    outer: Mapping[str, Any],
) -> Iterator[Rounding]:
    tags = {**outer, **sent}
    for field in fields:
        if field.name in sent and given.get(field.name) is not None:
            yield from _field(field, given[field.name], sent[field.name], (*path, field.name), tags)


def _field(
    field: Field, given: Any, sent: Any, path: tuple[str | int, ...], tags: Mapping[str, Any]
) -> Iterator[Rounding]:
    if isinstance(field, Float) and isinstance(given, float):
        # Binary on both sides: the shortest text of a float would add an error of its own.
        yield from _number(Decimal(given), sent, path)
    elif isinstance(field, _NUMERIC):
        yield from _number(given, sent, path)
    elif isinstance(field, Series):
        for index, pair in enumerate(zip(given, sent, strict=True)):
            yield from _number(*pair, (*path, index))
    elif isinstance(field, Array):
        for index, pair in enumerate(zip(given, sent, strict=True)):
            yield from _field(field.element, *pair, (*path, index), tags)
    elif isinstance(field, Group):
        yield from _group(field.fields, given, sent, path, tags)
    elif isinstance(field, Union):
        for option in field.options:
            if option.when == tags[field.tag]:
                yield from _group(option.fields, given, sent, path, tags)


def _number(given: Any, sent: Any, path: tuple[str | int, ...]) -> Iterator[Rounding]:
    if isinstance(given, str):
        return
    before, after = exact(given), Decimal(sent)
    if before.is_finite() and after.is_finite():
        yield Rounding(path, before, after, EXACT.subtract(after, before))
