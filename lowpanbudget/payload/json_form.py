"""A message as compact JSON (RFC 8259): an object with the names of the fields, no spaces.

Numbers are in their unit; enumerations and special codes are their names, flags a list of names; octets
are base64url without padding, as SenML has them. Readers are taken to hold numbers as IEEE 754 doubles
(RFC 8259 section 6), so that digits beyond those are lost. Floating point of 16 and 32 bits is written in
the fewest digits that restore it. JSON has no infinities and no "not a number".
"""

import base64
import json
import math
import struct
from collections.abc import Mapping
from decimal import Decimal
from typing import Any

from lowpanbudget.payload.exact import exact
from lowpanbudget.payload.kinds.binary_float import Float
from lowpanbudget.payload.kinds.constant import Constant
from lowpanbudget.payload.kinds.elements import Array
from lowpanbudget.payload.kinds.field import Field
from lowpanbudget.payload.kinds.flags import Flags
from lowpanbudget.payload.kinds.group import Group
from lowpanbudget.payload.kinds.logarithmic import Logarithmic
from lowpanbudget.payload.kinds.octets import Octets
from lowpanbudget.payload.kinds.series import Series
from lowpanbudget.payload.kinds.table import Table
from lowpanbudget.payload.kinds.text import Text
from lowpanbudget.payload.kinds.union import Union
from lowpanbudget.payload.message import Message
from lowpanbudget.payload.shapes import Unsayable, Values
from lowpanbudget.payload.whole_codes import chosen, members, number_in

FLOAT_LETTERS = {16: "e", 32: "f", 64: "d"}
MOST_DIGITS = {
    16: 5,
    32: 9,
    64: 17,
}  # that any value of the width needs (IEEE 754, table 5.1 and text)
_WHOLE = 10**15  # below this a whole number is shorter without its point, and no digit is lost


def to_json(message: Message, values: Mapping[str, Any]) -> bytes:
    """Return the JSON text of values."""
    return text_of(_down(message.fields, message.unpack(message.pack(values)), {}))


def from_json(message: Message, octets: bytes) -> Values:
    """Return the values of a JSON text."""
    return _up(message.fields, read_text(octets), {})


def text_of(plain: Any) -> bytes:
    """Return compact JSON in UTF-8."""
    text = json.dumps(plain, separators=(",", ":"), ensure_ascii=False, allow_nan=False)
    return text.encode()


def read_text(octets: bytes) -> Any:
    """Return what JSON text says, with every number as a double holds it."""
    return json.loads(octets, parse_int=lambda digits: as_double(int(digits)))


def as_double(number: Any) -> Any:
    """Return a number as a receiver has it that keeps doubles only; whole numbers stay whole."""
    return int(float(number)) if isinstance(number, int) else float(number)


def number_of(value: Any) -> int | float:
    """Return an exact number as an integer or the nearest double."""
    return int(value) if value == int(value) else float(value)


def value_of(field: Field, item: Any) -> Any:
    """Return the value of a number field from an integer or a double (read by its shortest text)."""
    value = exact(item)
    number = number_in(field)
    if number is not None and number.grid().whole and value == int(value):
        return int(value)
    return value


def real_of(field: Float, value: float) -> int | float:
    """Return a float as the number with the fewest digits that restores it in the field's width."""
    if not math.isfinite(value):
        raise Unsayable(
            f"{field.name} is {value}, and JSON has no such number (RFC 8259 section 6)"
        )
    letter = FLOAT_LETTERS[field.bits]
    for digits in range(1, MOST_DIGITS[field.bits] + 1):
        short = float(f"{value:.{digits}g}")
        if abs(short) < math.inf and _same(letter, short, value):
            break
    negative_zero = short == 0 and math.copysign(1, short) < 0
    return (
        int(short) if abs(short) < _WHOLE and short == int(short) and not negative_zero else short
    )


def real_from(field: Float, item: float) -> float:
    """Return the value that a float of the field's width takes from a double."""
    letter = FLOAT_LETTERS[field.bits]
    found: float = struct.unpack(letter, struct.pack(letter, item))[0]
    return found


def _same(letter: str, short: float, value: float) -> bool:
    try:
        return struct.pack(letter, short) == struct.pack(letter, value)
    except OverflowError:  # rounded up beyond the greatest value of the width
        return False


def octets_text(octets: bytes) -> str:
    """Return octets in base64url without padding (RFC 4648 section 5)."""
    return base64.urlsafe_b64encode(octets).decode().rstrip("=")


def octets_from(text: str) -> bytes:
    """Return the octets of base64url text without padding."""
    return base64.urlsafe_b64decode(text + "=" * (-len(text) % 4))


def _down(fields: tuple[Field, ...], values: Mapping[str, Any], outer: Values) -> Values:
    known = {**outer, **values}
    return {
        field.name: _down_one(field, values[field.name], known)
        for field in members(fields)
        if field.name in values
    }


def _down_one(field: Field, value: Any, known: Values) -> Any:
    if isinstance(field, Series):
        return [number_of(sample) for sample in value]
    if isinstance(field, Array):
        return [_down_one(field.element, item, known) for item in value]
    if isinstance(field, Group):
        return _down(field.fields, value, known)
    if isinstance(field, Union):
        return _down(chosen(field, known), value, known)
    if isinstance(field, Float):
        return real_of(field, value)
    if isinstance(field, Octets) and not isinstance(field, Text):
        return octets_text(value)
    return (
        number_of(value)
        if isinstance(value, int | Decimal) and value is not True and value is not False
        else value
    )


def _up(fields: tuple[Field, ...], plain: Mapping[str, Any], outer: Values) -> Values:
    values: Values = {}
    for field in members(fields):
        if field.name in plain:
            values[field.name] = _up_one(field, plain[field.name], {**outer, **values})
    return values


def _up_one(field: Field, item: Any, known: Values) -> Any:
    if isinstance(field, Series):
        return [value_of(field, sample) for sample in item]
    if isinstance(field, Array):
        return [_up_one(field.element, part, known) for part in item]
    if isinstance(field, Group):
        return _up(field.fields, item, known)
    if isinstance(field, Union):
        return _up(chosen(field, known), item, known)
    if isinstance(field, Float):
        return real_from(field, item)
    if isinstance(field, Flags):
        return tuple(item)
    if isinstance(field, Octets) and not isinstance(field, Text):
        return octets_from(item)
    is_number = number_in(field) is not None or isinstance(field, Table | Logarithmic)
    if isinstance(item, str) or isinstance(field, Constant) or not is_number:
        return item
    return value_of(field, item)
