"""The values of a message one by one, each with its path, its unit and what it means: for tables that people read."""

from collections.abc import Iterator
from datetime import datetime, timedelta
from decimal import Decimal
from typing import Any, NamedTuple

from lowpanbudget.payload.exact import EXACT, exact, plain
from lowpanbudget.payload.kinds.elements import Array
from lowpanbudget.payload.kinds.field import Field
from lowpanbudget.payload.kinds.group import Group
from lowpanbudget.payload.kinds.instant import Time
from lowpanbudget.payload.kinds.reserved import Reserved
from lowpanbudget.payload.kinds.series import Series
from lowpanbudget.payload.kinds.time_offset import TimeOffset
from lowpanbudget.payload.kinds.union import Union
from lowpanbudget.payload.message import Message
from lowpanbudget.payload.search.tree import place_text, walk


class Told(NamedTuple):
    """One value: where it stands, its unit, the value as text, a remark, and a key that sorts as the message does."""

    path: str
    unit: str
    text: str
    remark: str
    order: tuple[int, ...]


def told(message: Message, values: dict[str, Any]) -> tuple[Told, ...]:
    """Return every value that ``unpack`` gave, in the order of the message; lists element by element."""
    return tuple(_group(message.fields, values, "", (), {}))


def units(message: Message) -> dict[str, str]:
    """Return the unit of each field that has one, by its path (``reading[].temperature``)."""
    return {
        place_text(place): unit_of(field) for place, field in walk(message.fields) if unit_of(field)
    }


def unit_of(field: Field) -> str:
    """Return the unit of a field's values, empty if it has none."""
    if isinstance(field, Time | TimeOffset):
        return "s"
    unit: str = getattr(field, "unit", "")
    return unit


# What a field is told with: its values by name, and the epochs of the times that others count from.
_Known = dict[str, Any]


def _group(
    fields: tuple[Field, ...], values: _Known, path: str, order: tuple[int, ...], outer: _Known
) -> Iterator[Told]:
    known = {
        **outer,
        **values,
        **{f"epoch of {f.name}": f.epoch for f in fields if isinstance(f, Time)},
    }
    for index, field in enumerate(fields):
        if not isinstance(field, Reserved) and field.name in values:
            inner = f"{path}.{field.name}" if path else field.name
            yield from _field(field, values[field.name], inner, (*order, index), known)


def _field(
    field: Field, value: Any, path: str, order: tuple[int, ...], known: _Known
) -> Iterator[Told]:
    if isinstance(field, Group):
        yield from _group(field.fields, value, path, order, known)
    elif isinstance(field, Union):
        number, option = next(
            (number, option)
            for number, option in enumerate(field.options)
            if option.when == known[field.tag]
        )
        yield from _group(option.fields, value, path, (*order, number), known)
    elif isinstance(field, Array | Series):
        element = field.element if isinstance(field, Array) else field.number()
        for index, item in enumerate(value):
            yield from _field(element, item, f"{path}[{index}]", (*order, index), known)
    else:
        yield Told(path, unit_of(field), text_of(value), _remark(field, value, known), order)


def text_of(value: Any) -> str:
    """Return a value as text: numbers without exponent, octets in hex, flags joined."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int | Decimal):
        return plain(exact(value))
    if isinstance(value, bytes):
        return value.hex()
    if isinstance(value, tuple):
        return " ".join(value)
    return str(value)


def _remark(field: Field, value: Any, known: _Known) -> str:
    if isinstance(field, Time):
        return _date(field.epoch, value)
    if isinstance(field, TimeOffset):
        after = plain(EXACT.subtract(exact(value), exact(known[field.base])))
        date = _date(known.get(f"epoch of {field.base}", ""), value)
        return f"{date}, {after} s after {field.base}".lstrip(", ")
    if isinstance(value, str) and dict(getattr(field, "special", ())).keys() >= {value}:
        return "a special code, no number"
    if value == ():
        return "no flag is set"
    return field.note


def _date(epoch: str, seconds: Any) -> str:
    """Return the date and time of some seconds after an epoch, empty where there is no such date."""
    try:
        moment = datetime.fromisoformat(epoch) + timedelta(
            microseconds=int(EXACT.multiply(exact(seconds), Decimal(1_000_000)))
        )
    except (ValueError, OverflowError):
        return ""
    return moment.isoformat().replace("+00:00", "Z")
