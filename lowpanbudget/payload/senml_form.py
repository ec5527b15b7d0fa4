"""A message as a SenML pack (RFC 8428); ``senml_values`` reads it back.

The pack has a base name, the length of those in the RFC's examples; the first time of the message is the
base time. What repeats with a time offset from it carries that as its time, other elements of arrays carry
their index in the name. Records of one unit stand together and share a base unit, behind those that have
none. A number is ``v``, a special code or an enumeration its name in ``vs``, flags and booleans ``vb``,
octets ``vd``; groups join names by ``/``. SenML has no record without a value: what is there but empty and
could be absent as well is refused.
"""

import math
from collections.abc import Callable, Iterator, Mapping
from datetime import datetime
from decimal import Decimal
from itertools import pairwise
from typing import Any

from lowpanbudget.payload.exact import EXACT, exact
from lowpanbudget.payload.json_form import number_of
from lowpanbudget.payload.kinds.binary_float import Float
from lowpanbudget.payload.kinds.elements import Array
from lowpanbudget.payload.kinds.field import Field
from lowpanbudget.payload.kinds.flags import Flags
from lowpanbudget.payload.kinds.group import Group
from lowpanbudget.payload.kinds.instant import Time
from lowpanbudget.payload.kinds.logarithmic import Logarithmic
from lowpanbudget.payload.kinds.series import Series
from lowpanbudget.payload.kinds.table import Table
from lowpanbudget.payload.kinds.time_offset import TimeOffset
from lowpanbudget.payload.kinds.union import Union
from lowpanbudget.payload.message import Message
from lowpanbudget.payload.senml import Entry
from lowpanbudget.payload.shapes import Unsayable, Values
from lowpanbudget.payload.whole_codes import members, number_in

BASE_NAME = "urn:dev:ow:10e2073a01080063:"  # RFC 8428 section 5.1.2
RELATIVE = 2**28  # times below are relative to now (section 4.5.3)

Real = Callable[[Float, float], int | float]


def to_pack(message: Message, values: Mapping[str, Any], real: Real) -> list[Entry]:
    """Return the records; ``real`` makes a JSON or CBOR number of a float field's value."""
    sent = message.unpack(message.pack(values))
    maker = _Maker(base_of(message.fields, sent), real)
    entries = list(maker.group(message.fields, sent, (), {}))
    if not entries:
        raise Unsayable("no value is present, and SenML has no pack without a record")
    pack = _by_unit(entries)
    head: Entry = {"bn": BASE_NAME}
    if maker.base is not None:
        head["bt"] = number_of(EXACT.add(exact(sent[maker.base.name]), epoch(maker.base)))
    return [{**head, **pack[0]}, *pack[1:]]


def base_of(fields: tuple[Field, ...], values: Mapping[str, Any]) -> Time | None:
    """Return the time of a message that becomes its base time."""
    found = base_field(fields)
    return found if found is not None and found.name in values else None


def base_field(fields: tuple[Field, ...]) -> Time | None:
    """Return the first time whose epoch is known."""
    return next((field for field in fields if isinstance(field, Time) and serves(field)), None)


def has_records(value: Any) -> bool:
    """Return whether a value as the message has it gives any record: a list or dictionary without values gives none."""
    if isinstance(value, list):
        return any(map(has_records, value))
    return not isinstance(value, dict) or any(map(has_records, value.values()))


class _Maker:
    """Makes records; ``base`` is the time that the pack has as base time."""

    def __init__(self, base: Time | None, real: Real) -> None:
        self.base, self._real = base, real

    def group(
        self, fields: tuple[Field, ...], values: Mapping[str, Any], path: tuple[str, ...],
        outer: Values, *, time: Any = None, element: bool = False,
    ) -> Iterator[Entry]:  # fmt: skip
        """Yield the records of the fields that are there; an ``element`` may have a time of its own."""
        known = {**outer, **values}
        own = own_time(fields, self.base) if element else None
        if own is not None:
            time = EXACT.subtract(exact(values[own.name]), exact(known[own.base]))
        for field in members(fields):
            if field.name in values and (path or field is not self.base) and field is not own:
                here = (*path, field.name)
                made = self.one(field, values[field.name], here, known, time)
                yield from _not_empty(made, here) if field.optional else made

    def one(
        self, field: Field, value: Any, path: tuple[str, ...], known: Values, time: Any
    ) -> Iterator[Entry]:
        """Yield the records of one field."""
        if isinstance(field, Array):
            yield from self.array(field, value, path, known, time)
        elif isinstance(field, Series):
            for index, item in enumerate(value):
                yield self.entry(field, item, (*path, str(index)), known, time)
        elif isinstance(field, Group):
            yield from self.group(field.fields, value, path, known, time=time)
        elif isinstance(field, Union):
            yield from self.group(chosen(field, known), value, path, known, time=time)
        elif isinstance(field, Flags):
            for name in field.names:
                yield self.entry(field, name in value, (*path, name), known, time)
        else:
            yield self.entry(field, value, path, known, time)

    def array(
        self, field: Array, value: list[Any], path: tuple[str, ...], known: Values, time: Any
    ) -> Iterator[Entry]:
        """Yield the records of each element, with its index in the name where times do not tell them apart."""
        outermost, element = len(path) == 1, field.element
        timed = outermost and _rises(field, value, self.base)
        for index, item in enumerate(value):
            part = path if timed else (*path, str(index))
            if outermost and isinstance(element, Group):
                made = self.group(element.fields, item, part, known, element=True)
            else:
                made = self.one(element, item, part, known, time)
            yield from _not_empty(made, (*path, str(index)))

    def entry(
        self, field: Field, value: Any, path: tuple[str, ...], known: Values, time: Any
    ) -> Entry:
        """Return the record of one value."""
        made: Entry = {"n": "/".join(path)}
        unit = _unit(field)
        if unit and not isinstance(value, str):
            made["u"] = unit
        if time:
            made["t"] = number_of(time)
        if isinstance(field, Float):
            if not math.isfinite(value):
                raise Unsayable(f"{field.name} is {value}, and SenML numbers are those of JSON")
            made["v"] = self._real(field, value)
        elif isinstance(field, TimeOffset):
            made["v"] = number_of(EXACT.subtract(exact(value), exact(known[field.base])))
        elif isinstance(value, bool):
            made["vb"] = value
        elif isinstance(value, str):
            made["vs"] = value
        elif isinstance(value, bytes):
            made["vd"] = value
        else:
            made["v"] = number_of(value)
        return made


def _not_empty(made: Iterator[Entry], path: tuple[str, ...]) -> list[Entry]:
    """Return the records of what could be absent as well: without a record nobody can tell."""
    found = list(made)
    if not found:
        raise Unsayable(f"{'/'.join(path)} is there but empty, and SenML has no record for that")
    return found


def _by_unit(entries: list[Entry]) -> list[Entry]:
    """Return the records with those of a unit together: behind a base unit a record cannot be without one."""
    runs: dict[str, list[Entry]] = {}
    for entry in entries:
        runs.setdefault(entry.get("u", ""), []).append(entry)
    plain = runs.pop("", [])
    alone = [run[0] for run in runs.values() if len(run) == 1]
    together = []
    for unit, run in runs.items():
        if len(run) > 1:
            bare = [{label: item for label, item in entry.items() if label != "u"} for entry in run]
            together += [{"bu": unit, **bare[0]}, *bare[1:]]
    return [*plain, *alone, *together]


def _rises(field: Array, value: list[Any], base: Field | None) -> bool:
    """Return whether the elements are told apart, and in order, by their times."""
    own = own_time(field.element.fields, base) if isinstance(field.element, Group) else None
    if own is None:
        return False
    return all(early[own.name] < late[own.name] for early, late in pairwise(value))


def own_time(fields: tuple[Field, ...], base: Field | None) -> TimeOffset | None:
    """Return the time offset that becomes the time of a group's records."""
    if base is None or any(field.name == base.name for field in fields):
        return None
    found = (field for field in fields if isinstance(field, TimeOffset) and not field.optional)
    return next((field for field in found if field.base == base.name), None)


def serves(field: Field) -> bool:
    """Return whether a field can be the base time: a time whose epoch is known."""
    if not isinstance(field, Time) or field.optional:
        return False
    try:
        epoch(field)
    except (ValueError, OverflowError):
        return False
    return True


def epoch(field: Time) -> Decimal:
    """Return the seconds from 1970 to the field's epoch."""
    return Decimal(int(datetime.fromisoformat(field.epoch).timestamp()))


def _unit(field: Field) -> str:
    number = number_in(field)
    if number is not None:
        return number.unit
    return field.unit if isinstance(field, Float | Table | Logarithmic) else ""


def chosen(field: Union, known: Values) -> tuple[Field, ...]:
    """Return the fields of the option that the tag names."""
    return next(option.fields for option in field.options if option.when == known[field.tag])
