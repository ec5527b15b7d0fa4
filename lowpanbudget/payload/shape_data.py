"""The values of a message as data of its shape (see ``shapes``), and back.

| field | data |
|---|---|
| number, time, sequence, samples of a series; table and logarithmic (index) | int |
| enumeration (its code), flags (first flag as bit 0), constant, version | int |
| boolean, text, octets, floating point | as they are |
| array, series | list; a series has its samples in full |
| group | dictionary by name; union: the dictionary of the chosen option |
"""

from collections.abc import Mapping
from decimal import Decimal
from typing import Any

from lowpanbudget.payload.exact import EXACT, exact, nearest
from lowpanbudget.payload.kinds.elements import Array
from lowpanbudget.payload.kinds.field import Field
from lowpanbudget.payload.kinds.group import Group
from lowpanbudget.payload.kinds.number import Number
from lowpanbudget.payload.kinds.union import Union
from lowpanbudget.payload.message import Message
from lowpanbudget.payload.shapes import Values, whole_of, zero_within
from lowpanbudget.payload.whole_codes import chosen, coded, decoded, members


def to_data(message: Message, values: Mapping[str, Any]) -> Values:
    """Return the values as data of ``shape_of(message)``, rounded as the message rounds them."""
    return _down(message.fields, message.unpack(message.pack(values)), {})


def to_values(message: Message, data: Mapping[str, Any]) -> Values:
    """Return the values of data."""
    return _up(message.fields, data, {})


def _down(fields: tuple[Field, ...], values: Mapping[str, Any], outer: Values) -> Values:
    known = {**outer, **values}
    return {
        field.name: _down_one(field, values[field.name], known)
        for field in members(fields)
        if field.name in values
    }


def _down_one(field: Field, value: Any, known: Values) -> Any:
    if isinstance(field, Array):
        return [_down_one(field.element, item, known) for item in value]
    if isinstance(field, Group):
        return _down(field.fields, value, known)
    if isinstance(field, Union):
        return _down(chosen(field, known), value, known)
    return coded(field, value, known, _code)


def _up(fields: tuple[Field, ...], data: Mapping[str, Any], outer: Values) -> Values:
    values: Values = {}
    for field in members(fields):
        if field.name in data:
            values[field.name] = _up_one(field, data[field.name], {**outer, **values})
    return values


def _up_one(field: Field, item: Any, known: Values) -> Any:
    if isinstance(field, Array):
        return [_up_one(field.element, part, known) for part in item]
    if isinstance(field, Group):
        return _up(field.fields, item, known)
    if isinstance(field, Union):
        return _up(chosen(field, known), item, known)
    return decoded(field, item, known, _value)


def _code(number: Number, value: Any) -> int:
    shape = whole_of(number)
    if isinstance(value, str):
        names = [name for name, _ in number.special]
        return shape.high - len(names) + 1 + names.index(value)
    return nearest(exact(value), zero_within(number), number.step)


def _value(number: Number, code: int) -> Any:
    shape = whole_of(number)
    beyond = code - (shape.high - len(number.special)) - 1
    if beyond >= 0:
        return number.special[beyond][0]
    value = EXACT.fma(Decimal(code), number.step, zero_within(number))
    return int(value) if number.grid().whole else value
