"""Records of a SenML pack as the fields of a message make and take them: by the parts of their names, and by time.

Numbers of records are in the unit that SenML has for that of the field (``units.in_packs``).
"""

from collections.abc import Iterator
from decimal import Decimal
from itertools import groupby
from typing import Any, NamedTuple

from lowpanbudget.payload.exact import EXACT
from lowpanbudget.payload.forms.doubles import times
from lowpanbudget.payload.forms.shapes import Unsayable
from lowpanbudget.payload.units import in_packs

Entry = dict[str, Any]  # a record by its labels


class SenmlRecord(NamedTuple):
    """A resolved record: what is left of its name, its seconds after the base time, its value."""

    parts: tuple[str, ...]
    time: Decimal
    item: Any


def not_empty(made: Iterator[Entry], path: tuple[str, ...]) -> list[Entry]:
    """Return the records of what could be absent as well: without a record nobody can tell."""
    records = list(made)
    if not records:
        raise Unsayable(f"{'/'.join(path)} is there but empty, and SenML has no record for that")
    return records


def parted(name: str, most: int, records: list[SenmlRecord]) -> Iterator[list[SenmlRecord]]:
    """Yield the records of each element: by index, or by time where names have none."""
    if records and not records[0].parts[0].isdigit():
        ordered = sorted(records, key=lambda record: record.time)
        yield from (list(same) for _, same in groupby(ordered, key=lambda record: record.time))
        return
    inside = by_part(records)
    count = max(map(int, inside), default=-1) + 1
    if count > most:
        raise Unsayable(f"{name} has {count} elements")
    yield from (inside.get(str(index), []) for index in range(count))


def by_part(records: list[SenmlRecord]) -> dict[str, list[SenmlRecord]]:
    """Return records by the first part of their names, which is taken away."""
    inside: dict[str, list[SenmlRecord]] = {}
    for parts, time, item in records:
        inside.setdefault(parts[0], []).append(SenmlRecord(parts[1:], time, item))
    return inside


def written_item(unit: str, item: float) -> int | float:
    """Return a number of a field in this unit as records have it."""
    _, factor = in_packs(unit)
    return item if factor == 1 else times(item, factor)


def read_back(unit: str, records: list[SenmlRecord]) -> list[SenmlRecord]:
    """Return records with their numbers in the unit of the field."""
    _, factor = in_packs(unit)
    if factor == 1:
        return records
    return [
        one._replace(item=EXACT.divide(one.item, factor)) if isinstance(one.item, Decimal) else one
        for one in records
    ]
