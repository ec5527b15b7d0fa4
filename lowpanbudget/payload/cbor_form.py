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

from decimal import Decimal
from typing import Any

from lowpanbudget.payload.codec.grid import zero_of
from lowpanbudget.payload.exact import EXACT, exact, nearest
from lowpanbudget.payload.kinds.elements import Array
from lowpanbudget.payload.kinds.field import Field
from lowpanbudget.payload.kinds.group import Group
from lowpanbudget.payload.kinds.number import Number
from lowpanbudget.payload.kinds.union import Union
from lowpanbudget.payload.message import Message
from lowpanbudget.payload.whole_codes import chosen, coded, decoded, members

Values = dict[str, Any]


def to_plain(message: Message, values: Values, *, keyed: bool) -> Any:
    """Return the values as a map of integer keys (``keyed``) or an array, ready for a CBOR encoder.

    The values are packed and read first, so that what is out of range is refused with its field.
    """
    return _down(message.fields, message.unpack(message.pack(values)), keyed, {})


def from_plain(message: Message, plain: Any, *, keyed: bool) -> Values:
    """Return the values of plain data that ``to_plain`` made."""
    return _up(message.fields, plain, keyed, {})


def is_nullable(number: Number) -> bool:
    """Return whether null is the one special code of a number; where the number may be absent, null says that."""
    return len(number.special) == 1 and not number.optional


def _down(fields: tuple[Field, ...], values: Values, keyed: bool, outer: Values) -> Any:
    known = {**outer, **values}
    pairs = [
        (key, _down_one(field, values[field.name], keyed, known) if field.name in values else None)
        for key, field in enumerate(members(fields))
    ]
    if keyed:
        return {
            key: value
            for (key, value), field in zip(pairs, members(fields), strict=True)
            if field.name in values
        }
    return [value for _, value in pairs]


def _down_one(field: Field, value: Any, keyed: bool, known: Values) -> Any:
    if isinstance(field, Array):
        return [_down_one(field.element, item, keyed, known) for item in value]
    if isinstance(field, Group):
        return _down(field.fields, value, keyed, known)
    if isinstance(field, Union):
        return _down(chosen(field, known), value, keyed, known)
    return coded(field, value, known, _steps)


def _steps(number: Number, value: Any) -> Any:
    if isinstance(value, str):
        return None if is_nullable(number) else value
    return nearest(exact(value), zero_of(number), number.step)


def _up(fields: tuple[Field, ...], plain: Any, keyed: bool, outer: Values) -> Values:
    values: Values = {}
    for key, field in enumerate(members(fields)):
        if keyed and key not in plain:
            continue
        item = plain[key]
        if not keyed and item is None and field.optional:
            continue
        values[field.name] = _up_one(field, item, keyed, {**outer, **values})
    return values


def _up_one(field: Field, item: Any, keyed: bool, known: Values) -> Any:
    if isinstance(field, Array):
        return [_up_one(field.element, part, keyed, known) for part in item]
    if isinstance(field, Group):
        return _up(field.fields, item, keyed, known)
    if isinstance(field, Union):
        return _up(chosen(field, known), item, keyed, known)
    return decoded(field, item, known, _value)


def _value(number: Number, item: Any) -> Any:
    if item is None:
        return number.special[0][0]
    if isinstance(item, str):
        return item
    value = EXACT.fma(Decimal(item), number.step, zero_of(number))
    return int(value) if number.grid().whole else value
