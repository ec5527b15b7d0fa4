"""The settings of sweeps as a table in a file, as text or as Parquet, in bounded memory."""

from collections.abc import Iterable, Iterator, Sequence
from typing import Any

from lowpanbudget.capture.files.writing import BinaryOutput
from lowpanbudget.errors import RequestError, repeated
from lowpanbudget.report.written_table import FORMS, WrittenTable
from lowpanbudget.room.sweep.swept import Sweep

# columns behind those of the axes, and what they tell
_ROOMS = {
    "room": "octets of room on the worst hop; below 0, by how many the headers are over",
    "first": "octets of room on the first hop",
    "forwarded": "octets of room on a forwarded hop, if there is one",
}


def write_sweep_table(file: BinaryOutput, sweeps: Sequence[Sweep], form: str) -> int:
    """Write a row for each setting of sweeps and given value to a binary file, and return how many they were.

    The columns are the flow, every axis that one of the flows has, empty for another, and the rooms. ``form`` is
    "parquet" (which wants the extra ``table``) or "csv". Raises ``RequestError`` for another form, where the library is
    missing, and for more rows than a table holds.
    """
    if form not in FORMS:
        raise RequestError(f"{repeated(form)} is no form of a table", hint="Use 'parquet' or 'csv'")
    names = dict.fromkeys(axis.name for one in sweeps for axis in one.axes)
    every = [one.rows() for one in sweeps]  # refused before anything is written
    columns = {"flow": str, **dict.fromkeys(names, str), **dict.fromkeys(_ROOMS, int)}
    meanings = {"flow": "the flow", **{name: f"value of {name}" for name in names}, **_ROOMS}
    with WrittenTable(file, form, columns, meanings) as table:
        for one, rows in zip(sweeps, every, strict=True):
            for row in _in_columns(one.columns, rows, list(columns)):
                table.add(row)
    return table.count


def _in_columns(
    own: Sequence[str], rows: Iterable[Sequence[Any]], columns: Sequence[str]
) -> Iterator[Sequence[Any]]:
    """Yield rows with columns of their own in these columns."""
    if list(own) == list(columns):
        yield from rows
        return
    places = [own.index(name) if name in own else None for name in columns]
    for row in rows:
        yield [None if place is None else row[place] for place in places]
