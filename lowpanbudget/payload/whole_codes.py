"""What the forms that send whole numbers share: which fields they have, and each value as a code and back.

A form gives its own code of a number; a table or logarithmic field sends the index of its entry, an
enumeration its code, flags an integer with the first flag as bit 0; other values stay as they are.
"""

from collections.abc import Callable, Mapping
from typing import Any

from lowpanbudget.payload.codec.grid import nearest_entry
from lowpanbudget.payload.exact import EXACT, exact
from lowpanbudget.payload.kinds.enumeration import Enumeration
from lowpanbudget.payload.kinds.field import Field
from lowpanbudget.payload.kinds.flags import Flags
from lowpanbudget.payload.kinds.instant import Time
from lowpanbudget.payload.kinds.logarithmic import Logarithmic
from lowpanbudget.payload.kinds.number import Number
from lowpanbudget.payload.kinds.sequence import Sequence
from lowpanbudget.payload.kinds.series import Series
from lowpanbudget.payload.kinds.table import Table
from lowpanbudget.payload.kinds.time_offset import TimeOffset
from lowpanbudget.payload.kinds.union import Union

Convert = Callable[[Number, Any], Any]


def members(fields: tuple[Field, ...]) -> tuple[Field, ...]:
    """Return the fields that carry values, in the order of their keys: all but reserved bits."""
    return tuple(field for field in fields if field.carries)


def number_in(field: Field) -> Number | None:
    """Return the number that a field sends, or None if it sends another kind of value."""
    if isinstance(field, Number):
        return field
    if isinstance(field, Sequence | Time | TimeOffset | Series):
        return field.number()
    return None


def chosen(field: Union, known: Mapping[str, Any]) -> tuple[Field, ...]:
    """Return the fields of the option that the tag among the known values chooses."""
    return next(option.fields for option in field.options if option.when == known[field.tag])


def coded(field: Field, value: Any, known: Mapping[str, Any], code: Convert) -> Any:
    """Return the value of a field without fields of its own as it is sent; ``code`` does one number."""
    number = number_in(field)
    if isinstance(field, Series):
        assert number is not None
        return [code(number, sample) for sample in value]
    if isinstance(field, TimeOffset):
        assert number is not None
        return code(number, EXACT.subtract(exact(value), exact(known[field.base])))
    if number is not None:
        return code(number, value)
    if isinstance(field, Table | Logarithmic):
        return nearest_entry(field.entries(), value)
    if isinstance(field, Enumeration):
        return field.numbers()[field.names.index(value)]
    if isinstance(field, Flags):
        return sum(1 << index for index, name in enumerate(field.names) if name in value)
    return value


def decoded(field: Field, item: Any, known: Mapping[str, Any], value: Convert) -> Any:
    """Return the value of what ``coded`` made; ``value`` does one number."""
    number = number_in(field)
    if isinstance(field, Series):
        assert number is not None
        return [value(number, sample) for sample in item]
    if isinstance(field, TimeOffset):
        assert number is not None
        return known[field.base] + value(number, item)
    if number is not None:
        return value(number, item)
    if isinstance(field, Table | Logarithmic):
        return field.entries()[item]
    if isinstance(field, Enumeration):
        return field.names[field.numbers().index(item)]
    if isinstance(field, Flags):
        return tuple(name for index, name in enumerate(field.names) if item >> index & 1)
    return item
