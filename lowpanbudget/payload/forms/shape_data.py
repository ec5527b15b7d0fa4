"""A message and its values seen through integers (see ``shapes``).

| field | data |
|---|---|
| number, time, sequence, samples of a series; table and logarithmic (index) | int |
| enumeration (its code), flags (first flag as bit 0), constant, version | int |
| boolean, text, octets, floating point | as they are |
| array, series | list; a series has its samples in full |
| group | dictionary by name; union: the dictionary of the chosen option |
"""

from collections.abc import Mapping
from typing import Any

from lowpanbudget.payload.forms.conversion import Down, Up
from lowpanbudget.payload.forms.shapes import RecordShape, Values, count_of, counted_value
from lowpanbudget.payload.kinds.field import Field
from lowpanbudget.payload.kinds.group import record_shape
from lowpanbudget.payload.message import Message


def shape_of(message: Message) -> RecordShape:
    """Return the shape of a message."""
    return record_shape(message.fields, {})


def to_data(message: Message, values: Mapping[str, Any]) -> Values:
    """Return the values as data of ``shape_of(message)``, rounded as the message rounds them."""
    data: Values = _DOWN.fields(message.fields, message.unpack(message.pack(values)), {})
    return data


def to_values(message: Message, data: Mapping[str, Any]) -> Values:
    """Return the values of data."""
    return _UP.fields(message.fields, data, {})


def _data(field: Field, value: Any, known: Mapping[str, Any]) -> Any:
    return field.coded(value, known, count_of)


def _value(field: Field, item: Any, known: Mapping[str, Any]) -> Any:
    return field.decoded(item, known, counted_value)


_DOWN, _UP = Down(_data), Up(_value)
