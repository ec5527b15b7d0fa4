"""The values of a message as the data of an encoding, and back: what each kind makes of one value, fields in groups.

``SHAPED`` sees the message through integers (``shapes``), groups as dictionaries by name:

| field | data |
|---|---|
| number, time, sequence, samples of a series; table and logarithmic (index) | int |
| enumeration (its code), flags (first flag as bit 0), constant, version | int |
| boolean, text, octets, floating point | as they are |
| array, series | list; a series has its samples in full |
| group | dictionary by name; union: the dictionary of the chosen option |

``NAMED`` is for JSON (RFC 8259): numbers in their unit; enumerations and special codes are their names, flags a list of
names; octets are base64url without padding, as SenML has them.

``CBOR_MAP`` and ``CBOR_ARRAY`` are for CBOR (RFC 8949): a map whose integer keys are the positions of the fields,
reserved bits not counted, or an array, in which an absent optional field is null. Numbers are whole steps, counted from
0 where 0 lies on the grid of the values (so that usual values are short) and from ``min`` where it does not; nothing is
rounded twice. A time offset counts from its base; a number's special code is null if there is no other and the field is
not optional, else its name. All else is as in ``SHAPED``.
"""

from collections.abc import Callable, Mapping
from dataclasses import replace
from decimal import Decimal
from typing import Any

from lowpanbudget.payload.codec.grid import Stepped, are_whole, is_nullable, zero_of
from lowpanbudget.payload.exact import EXACT, exact, nearest
from lowpanbudget.payload.forms.shapes import Values, count_of, counted_value
from lowpanbudget.payload.kinds.field import Field
from lowpanbudget.payload.kinds.interfaces import LeafConversion, members
from lowpanbudget.payload.message import Message
from lowpanbudget.values import dataclass

Fields = tuple[Field, ...]
Named = Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Down:
    """Values into data; ``leaf`` makes that of one value, ``record`` that of a group of data by name."""

    leaf: LeafConversion
    record: Callable[[Fields, Values], Any]

    def fields(self, fields: Fields, values: Named, outer: Named) -> Any:
        """Return the data of the fields that have a value; ``outer`` has the values around them."""
        known = {**outer, **values}
        there = members(fields)
        data = {
            field.name: field.converted(values[field.name], known, self)
            for field in there
            if field.name in values
        }
        return self.record(there, data)


@dataclass(frozen=True, slots=True)
class Up:
    """Data into values; ``leaf`` makes one value, ``named`` gives the data of a group by name."""

    leaf: LeafConversion
    named: Callable[[Fields, Any], Named]

    def fields(self, fields: Fields, data: Any, outer: Named) -> Values:
        """Return the values of the data that is there."""
        values: Values = {}
        there = members(fields)
        named = self.named(there, data)
        for field in there:
            if field.name in named:
                known = {**outer, **values}
                values[field.name] = field.converted(named[field.name], known, self)
        return values


@dataclass(frozen=True, slots=True)
class Form:
    """The data that an encoding has of values, both ways."""

    down: Down
    up: Up

    def data(self, message: Message, values: Named) -> Any:
        """Return the data of values.

        They are packed and read first: rounded as the message rounds them, what is out of range refused with its field.
        """
        return self.data_of_read(message, message.unpack(message.pack(values)))

    def data_of_read(self, message: Message, values: Named) -> Any:
        """Return the data of values that were packed and read."""
        return self.down.fields(message.fields, values, {})

    def values(self, message: Message, data: Any) -> Values:
        """Return the values of data."""
        return self.up.fields(message.fields, data, {})


def _same(fields: Fields, data: Any) -> Any:  # noqa: ARG001 - by name already
    return data


def _map(fields: Fields, data: Values) -> dict[int, Any]:
    return {key: data[field.name] for key, field in enumerate(fields) if field.name in data}


def _of_map(fields: Fields, data: Mapping[int, Any]) -> Values:
    return {field.name: data[key] for key, field in enumerate(fields) if key in data}


def _array(fields: Fields, data: Values) -> list[Any]:
    return [data.get(field.name) for field in fields]


def _of_array(fields: Fields, data: list[Any]) -> Values:
    pairs = zip(fields, data, strict=True)
    return {field.name: item for field, item in pairs if item is not None or not field.optional}


def _steps(number: Stepped, value: Any) -> Any:
    if isinstance(value, str):
        return None if is_nullable(number) else value
    return nearest(exact(value), zero_of(number), number.step)


def _stepped_value(number: Stepped, item: Any) -> Any:
    if item is None:
        return number.special[0][0]
    if isinstance(item, str):
        return item
    value = EXACT.fma(Decimal(item), number.step, zero_of(number))
    return int(value) if are_whole(number.base, number.step) else value


SHAPED = Form(
    Down(lambda field, value, known: field.coded(value, known, count_of), _same),
    Up(lambda field, item, known: field.decoded(item, known, counted_value), _same),
)
NAMED = Form(
    Down(lambda field, value, _: field.to_json(value), _same),
    Up(lambda field, item, _: field.from_json(item), _same),
)
CBOR_MAP = Form(
    Down(lambda field, value, known: field.coded(value, known, _steps), _map),
    Up(lambda field, item, known: field.decoded(item, known, _stepped_value), _of_map),
)
CBOR_ARRAY = Form(replace(CBOR_MAP.down, record=_array), replace(CBOR_MAP.up, named=_of_array))
