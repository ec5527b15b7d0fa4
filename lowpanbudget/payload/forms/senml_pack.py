"""A message as a SenML pack (RFC 8428), and back.

The pack has a base name, the length of those in the RFC's examples; the first time of the message is the
base time. What repeats with a time offset from it carries that as its time, other elements of arrays carry
their index in the name. Records of one unit stand together and share a base unit, behind those that have
none. A number is ``v``, a special code or an enumeration its name in ``vs``, flags and booleans ``vb``,
octets ``vd``; percent are written as the ratio that SenML has for them; groups join names by ``/``. SenML
has no record without a value: what is there but empty and could be absent as well is refused.
"""

from collections.abc import Iterator, Mapping
from decimal import Decimal
from itertools import pairwise
from typing import Any, NamedTuple

from lowpanbudget.payload.exact import EXACT, exact
from lowpanbudget.payload.forms.doubles import Real, number_of, value_of
from lowpanbudget.payload.forms.senml import resolve
from lowpanbudget.payload.forms.senml_records import (
    Entry,
    SenmlRecord,
    by_part,
    not_empty,
    written_item,
)
from lowpanbudget.payload.forms.shapes import Unsayable, Values
from lowpanbudget.payload.kinds.field import Field
from lowpanbudget.payload.kinds.group import own_time
from lowpanbudget.payload.kinds.interfaces import Known, RecordPlace, members
from lowpanbudget.payload.message import Message
from lowpanbudget.payload.units import in_packs

BASE_NAME = "urn:dev:ow:10e2073a01080063:"  # RFC 8428 section 5.1.2


class Pack(NamedTuple):
    """The data of SenML: a pack; ``real`` makes a JSON or CBOR number of a float field's value."""

    real: Real

    def data(self, message: Message, values: Mapping[str, Any]) -> list[Entry]:
        """Return the records of values, packed and read first as those of other forms are."""
        return self.data_of_read(message, message.unpack(message.pack(values)))

    def data_of_read(self, message: Message, sent: Mapping[str, Any]) -> list[Entry]:
        """Return the records of values that were packed and read."""
        base = base_field(message.fields)
        if base is not None and base.name not in sent:
            base = None
        entries = list(_Maker(base, self.real).group(message.fields, sent, RecordPlace({})))
        if not entries:
            raise Unsayable("no value is present, and SenML has no pack without a record")
        pack = _by_unit(entries)
        head: Entry = {"bn": BASE_NAME}
        if base is not None:
            head["bt"] = number_of(EXACT.add(exact(sent[base.name]), exact(base.base_time())))
        return [{**head, **pack[0]}, *pack[1:]]

    def values(self, message: Message, pack: list[Entry]) -> Values:
        """Return the values of records that ``data`` made."""
        timed = [entry for entry in pack if "bt" in entry]
        base = base_field(message.fields) if timed else None
        start = exact(timed[0]["bt"]) if timed else Decimal(0)
        records = [
            SenmlRecord(
                tuple(entry["n"].removeprefix(BASE_NAME).split("/")),
                EXACT.subtract(entry.get("t", start), start),
                next(entry[label] for label in ("v", "vs", "vb", "vd") if label in entry),
            )
            for entry in resolve(pack)
        ]
        return _Reader(base, start).group(message.fields, records, RecordPlace({}))


def base_field(fields: tuple[Field, ...]) -> Field | None:
    """Return the first time whose epoch is known and that is always there: the base time of a pack."""
    return next((field for field in fields if field.base_time() is not None), None)


def has_records(value: Any) -> bool:
    """Return whether a value as the message has it gives any record: a list or dictionary without values gives none."""
    if isinstance(value, list):
        return any(map(has_records, value))
    return not isinstance(value, dict) or any(map(has_records, value.values()))


class _Maker:
    """Makes records; ``base`` is the time that the pack has as base time."""

    def __init__(self, base: Field | None, real: Real) -> None:
        self.base, self._real = base, real

    def group(self, fields: tuple[Field, ...], values: Known, at: RecordPlace) -> Iterator[Entry]:
        """Yield the records of the fields that are there."""
        known, time = {**at.known, **values}, at.time
        own = own_time(fields, self.base) if at.element else None
        if own is not None:
            time = EXACT.subtract(exact(values[own.name]), exact(known[own.base]))
        for field in members(fields):
            if field.name in values and (at.path or field is not self.base) and field is not own:
                here = RecordPlace(known, (*at.path, field.name), time)
                made = field.records(self, values[field.name], here)
                yield from not_empty(made, here.path) if field.optional else made

    def entry(self, field: Field, value: Any, at: RecordPlace) -> Entry:
        """Return the record of one value."""
        made: Entry = {"n": "/".join(at.path)}
        number = field.number()
        unit = getattr(field, "unit", "") if number is None else number.unit
        if unit and not isinstance(value, str):
            made["u"] = in_packs(unit)[0]
        if at.time:
            made["t"] = number_of(at.time)
        label, item = field.to_senml(value, at.known, self._real)
        return {**made, label: written_item(unit, item) if label == "v" else item}

    def rises(self, element: Field, values: list[Any]) -> bool:
        """Return whether the elements are told apart, and in order, by their times."""
        own = element.own_time(self.base)
        if own is None:
            return False
        return all(early[own.name] < late[own.name] for early, late in pairwise(values))


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


class _Reader:
    """Reads records back into values."""

    def __init__(self, base: Field | None, start: Decimal) -> None:
        self._base, self._start = base, start

    def group(
        self, fields: tuple[Field, ...], records: list[SenmlRecord], at: RecordPlace
    ) -> Values:
        """Return the fields that have records; the time is that of the array's element around them."""
        values: Values = {}
        inside = by_part(records)
        own = own_time(fields, self._base) if at.time is not None else None
        for field in members(fields):
            mine = inside.get(field.name, [])
            seen = {**at.known, **values}
            if not at.path and field is self._base:
                seconds = EXACT.subtract(self._start, exact(field.base_time()))
                values[field.name] = value_of(field.number(), seconds)
            elif own is not None and field is own:
                values[field.name] = own.after(seen, at.time)
            elif mine or not field.optional:
                here = RecordPlace(seen, (*at.path, field.name))
                values[field.name] = field.from_records(self, mine, here)
        return values
