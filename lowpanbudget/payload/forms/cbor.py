"""The values of a message as plain data for CBOR (RFC 8949): a map with integer keys, or an array, and back.

Numbers are whole steps, counted from 0 where 0 lies on the grid of the values (so that usual values are
short) and from ``min`` where it does not; nothing is rounded twice. Keys are the positions of the
fields, reserved bits not counted. In an array an absent optional field is null.

| kind | in CBOR |
|---|---|
| number, time, sequence, samples of a series | integer, in steps; a time offset as steps after its base |
| a number's special code | null if there is no other and the field is not optional, else its name |
| logarithmic, table | index of the entry |
| enumeration | the code; flags: an integer, first flag as bit 0 |
| constant, version, boolean, text, octets, float | as they are |
"""

from collections.abc import Mapping
from decimal import Decimal
from typing import Any

from lowpanbudget.payload.codec.grid import Stepped, are_whole, is_nullable, zero_of
from lowpanbudget.payload.exact import EXACT, exact, nearest
from lowpanbudget.payload.kinds.field import Field, members
from lowpanbudget.payload.message import Message
from lowpanbudget.values import dataclass

Values = dict[str, Any]


def to_data(message: Message, values: Values, *, keyed: bool) -> Any:
    """Return the values as a map of integer keys (``keyed``) or an array, ready for a CBOR encoder.

    The values are packed and read first, so that what is out of range is refused with its field.
    """
    return _Down(keyed).fields(message.fields, message.unpack(message.pack(values)), {})


def from_data(message: Message, data: Any, *, keyed: bool) -> Values:
    """Return the values of data that ``to_data`` made."""
    return _Up(keyed).fields(message.fields, data, {})


@dataclass(frozen=True, slots=True)
class _Down:
    keyed: bool

    def fields(
        self, fields: tuple[Field, ...], values: Mapping[str, Any], outer: Mapping[str, Any]
    ) -> Any:
        known = {**outer, **values}
        data = {
            key: field.converted(values[field.name], known, self)
            for key, field in enumerate(members(fields))
            if field.name in values
        }
        return data if self.keyed else [data.get(key) for key in range(len(members(fields)))]

    def leaf(self, field: Field, value: Any, known: Mapping[str, Any]) -> Any:
        return field.coded(value, known, _steps)


@dataclass(frozen=True, slots=True)
class _Up:
    keyed: bool

    def fields(self, fields: tuple[Field, ...], data: Any, outer: Mapping[str, Any]) -> Values:
        values: Values = {}
        for key, field in enumerate(members(fields)):
            absent = key not in data if self.keyed else data[key] is None and field.optional
            if not absent:
                values[field.name] = field.converted(data[key], {**outer, **values}, self)
        return values

    def leaf(self, field: Field, item: Any, known: Mapping[str, Any]) -> Any:
        return field.decoded(item, known, _value)


def _steps(number: Stepped, value: Any) -> Any:
    if isinstance(value, str):
        return None if is_nullable(number) else value
    return nearest(exact(value), zero_of(number), number.step)


def _value(number: Stepped, item: Any) -> Any:
    if item is None:
        return number.special[0][0]
    if isinstance(item, str):
        return item
    value = EXACT.fma(Decimal(item), number.step, zero_of(number))
    return int(value) if are_whole(number.base, number.step) else value
