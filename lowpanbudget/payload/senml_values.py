"""The values of a message from the SenML pack that ``senml_form`` made."""

from collections.abc import Iterator
from decimal import Decimal
from itertools import groupby
from typing import Any, NamedTuple

from lowpanbudget.payload.exact import EXACT, exact
from lowpanbudget.payload.json_form import real_from, value_of
from lowpanbudget.payload.kinds.binary_float import Float
from lowpanbudget.payload.kinds.constant import Constant
from lowpanbudget.payload.kinds.elements import Array
from lowpanbudget.payload.kinds.field import Field
from lowpanbudget.payload.kinds.flags import Flags
from lowpanbudget.payload.kinds.group import Group
from lowpanbudget.payload.kinds.instant import Time
from lowpanbudget.payload.kinds.series import Series
from lowpanbudget.payload.kinds.time_offset import TimeOffset
from lowpanbudget.payload.kinds.union import Union
from lowpanbudget.payload.message import Message
from lowpanbudget.payload.senml import Entry, resolve
from lowpanbudget.payload.senml_form import BASE_NAME, chosen, epoch, own_time, serves
from lowpanbudget.payload.shapes import Unsayable, Values
from lowpanbudget.payload.whole_codes import members


def from_pack(message: Message, pack: list[Entry]) -> Values:
    """Return the values of records that ``to_pack`` made."""
    found = resolve(pack)
    timed = [entry for entry in pack if "bt" in entry]
    base = next((field for field in message.fields if serves(field)), None) if timed else None
    start = exact(timed[0]["bt"]) if timed else Decimal(0)
    places = [
        _Place(
            tuple(entry["n"].removeprefix(BASE_NAME).split("/")),
            EXACT.subtract(entry.get("t", start), start),
            next(entry[label] for label in ("v", "vs", "vb", "vd") if label in entry),
        )
        for entry in found
    ]
    return _Reader(base, start).group(message.fields, places, {}, outermost=True)


class _Place(NamedTuple):
    """A value with the parts of its name that are left, and its seconds after the base time."""

    parts: tuple[str, ...]
    time: Decimal
    item: Any


class _Reader:
    """Reads records back into values."""

    def __init__(self, base: Field | None, start: Decimal) -> None:
        self._base, self._start = base, start

    def group(
        self, fields: tuple[Field, ...], places: list[_Place], outer: Values,
        element: Decimal | None = None, *, outermost: bool = False,
    ) -> Values:  # fmt: skip
        """Return the fields that have records; ``element`` is the time of the array's element around them."""
        values: Values = {}
        inside = _by_part(places)
        own = own_time(fields, self._base) if element is not None else None
        for field in members(fields):
            mine = inside.get(field.name, [])
            if outermost and field is self._base:
                assert isinstance(field, Time)
                values[field.name] = value_of(field, EXACT.subtract(self._start, epoch(field)))
            elif field is own:
                assert element is not None
                known = {**outer, **values}
                values[field.name] = _plus(known[own.base], element)
            elif mine or not field.optional:
                values[field.name] = self.one(field, mine, {**outer, **values}, outermost)
        return values

    def one(self, field: Field, mine: list[_Place], known: Values, outermost: bool = False) -> Any:
        """Return the value of one field."""
        if isinstance(field, Series):
            return [value_of(field, part[0].item) for part in _elements(field, mine)]
        if isinstance(field, Array):
            return [
                self.element(field.element, part, known, outermost)
                for part in _elements(field, mine)
            ]
        if isinstance(field, Group):
            return self.group(field.fields, mine, known)
        if isinstance(field, Union):
            return self.group(chosen(field, known), mine, known)
        if isinstance(field, Flags):
            return tuple(
                name
                for name in field.names
                if name in {place.parts[0] for place in mine if place.item}
            )
        if not mine:
            raise Unsayable(f"{field.name} has no record")
        item = mine[0].item
        if isinstance(field, Float):
            return real_from(field, float(item))
        if isinstance(field, TimeOffset):
            return _plus(known[field.base], item)
        if isinstance(item, str | bytes | bool):
            return item
        return int(item) if isinstance(field, Constant) else value_of(field, item)

    def element(self, field: Field, part: list[_Place], known: Values, outermost: bool) -> Any:
        """Return one element; a group in an array of the message itself may have a time of its own."""
        if isinstance(field, Group) and outermost and part:
            return self.group(field.fields, part, known, part[0].time)
        return self.one(field, part, known)


def _elements(field: Array | Series, mine: list[_Place]) -> Iterator[list[_Place]]:
    """Yield the records of each element: by index, or by time where names have none."""
    if mine and not mine[0].parts[0].isdigit():
        ordered = sorted(mine, key=lambda place: place.time)
        yield from (list(same) for _, same in groupby(ordered, key=lambda place: place.time))
        return
    inside = _by_part(mine)
    count = max(map(int, inside), default=-1) + 1
    if count > field.most:
        raise Unsayable(f"{field.name} has {count} elements")
    yield from (inside.get(str(index), []) for index in range(count))


def _by_part(places: list[_Place]) -> dict[str, list[_Place]]:
    inside: dict[str, list[_Place]] = {}
    for parts, time, item in places:
        inside.setdefault(parts[0], []).append(_Place(parts[1:], time, item))
    return inside


def _plus(base: Any, seconds: Any) -> Any:
    total = EXACT.add(exact(base), exact(seconds))
    return int(total) if total == int(total) and isinstance(base, int) else total
