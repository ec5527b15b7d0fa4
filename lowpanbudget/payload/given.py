"""Values of messages as people and programs give them: names with texts, JSON, a table in CSV.

The forms are those that ``unpack`` prints, so that what it printed can be packed again.
"""

import csv
import difflib
import io
import json
import re
from collections.abc import Callable, Iterable, Iterator, Mapping
from decimal import Decimal, InvalidOperation
from functools import partial
from math import isnan
from typing import Any, NamedTuple

from lowpanbudget.errors import RequestError, plural, repeated
from lowpanbudget.payload.cells import READ_FROM, unguarded
from lowpanbudget.payload.kinds.group import single_values, taken_values
from lowpanbudget.payload.kinds.interfaces import Scope
from lowpanbudget.payload.message import Message
from lowpanbudget.payload.stated_units import judge_units
from lowpanbudget.payload.words import joined, text_of

_STEPS = re.compile(r"([^.\[\]=]+)((?:\[\d{1,5}\])*)")
_TITLE = re.compile(r"(.*?)(?: \[([^\]]*)\])?", re.DOTALL)
_FORMERLY = "place"  # that head in older tables, read so where no field has the name
_QUOTED = 'A value with a comma in it stands in quotes: "1, 2"'
_HINT = "Write a path and a value: battery=3.1, reading[0].temperature=21.5"


def values_of(message: Message, given: Any, *, table: bool = False) -> dict[str, Any]:
    """Return what ``pack`` takes of values whose parts are texts, or as JSON has them.

    ``table``: what has no value in a table may be an empty text, no flag or a list without elements. What is no value
    of its field stays as it is: packing it says so.
    """
    if not isinstance(given, Mapping):
        raise RequestError(
            "the values of a message go by the names of its fields",
            hint='Write {"battery": 3.1, ...}',
        )
    return dict(taken_values(message.fields, given, Scope({}, {}), table=table))


def tree_of(cells: Iterable[tuple[str, str | None]]) -> dict[str, Any]:
    """Return values by name of values by path, such as ``reading[0].temperature``; texts stay texts.

    None stands for an optional value that is not there.
    """
    tree: dict[str, Any] = {}
    for path, text in cells:
        steps = list(_steps(path))
        inside: Any = tree
        for step, after in zip(steps, [*steps[1:], None], strict=True):
            new: Any = text if after is None else [] if isinstance(after, int) else {}
            if isinstance(step, int):
                if step > len(inside):
                    raise RequestError(
                        f"{path} is given, and the element before it is not",
                        hint="Count from [0] on",
                    )
                if step == len(inside):
                    inside.append(new)
            elif after is None and step in inside:
                raise RequestError(f"{path} is given more than once", hint="Leave one out")
            else:
                inside.setdefault(step, new)
            inside = inside[step]
            if after is not None and not isinstance(
                inside, list if isinstance(after, int) else dict
            ):
                raise RequestError(
                    f"{path} is given beside a value of what it is inside", hint=_HINT
                )
    return tree


def _steps(path: str) -> Iterator[str | int]:
    for part in path.split("."):
        match = _STEPS.fullmatch(part.strip())
        if match is None:
            raise RequestError(f"{path[:60]!r} is no path of a value", hint=_HINT)
        yield match[1]
        yield from (int(index) for index in re.findall(r"\d+", match[2]))


class GivenRow(NamedTuple):
    """One message of a text: its line, what counts it where lines do not, and its values or why there are none."""

    line: int
    name: str
    values: dict[str, Any] | None
    fault: RequestError | None = None


class RoundedNumber(NamedTuple):
    """A number that was given and the one that is sent in its stead, both as text."""

    path: str
    unit: str
    given: str
    sent: str


def roundings(
    message: Message, given: Mapping[str, Any], sent: Mapping[str, Any]
) -> tuple[RoundedNumber, ...]:
    """Return the numbers of a packed message that a receiver reads otherwise than they were given."""
    before = {held.order: held.value for held in single_values(message.fields, given)}
    found = []
    for held in single_values(message.fields, sent):
        text, value = text_of(held.value), before.get(held.order)
        if _is_number(value) and _is_number(held.value) and Decimal(str(value)) != Decimal(text):
            unit = held.field.shown_unit()
            found.append(RoundedNumber(joined(held.path), unit, text_of(Decimal(str(value))), text))
    return tuple(found)


def _is_number(value: Any) -> bool:
    """Return whether a value is one that can be rounded: a float's NaN is not, and equals nothing."""
    return (
        isinstance(value, int | float | Decimal)
        and not isinstance(value, bool)
        and not isnan(value)
    )


def rows_of(message: Message, text: str) -> Iterator[GivenRow]:
    """Yield what ``pack`` takes for each message of a text: JSON, an object a line or a list, or CSV with a head.

    Objects are values, or those that ``unpack --json`` prints. Raises ``RequestError`` for a head of a table that
    names other fields; what is wrong in a row stands in that row.
    """
    text = text.lstrip("\ufeff")
    if text.lstrip(" \t\r\n")[:1] in {"{", "["}:
        for line, name, row in _objects(text):
            if isinstance(row, RequestError):
                yield GivenRow(line, name, None, row)
            else:
                yield _row(line, name, partial(_of_object, message, row))
        return
    table = csv.reader(io.StringIO(text, newline=""))
    number = 0
    try:
        titles = [_TITLE.fullmatch(title) for title in next(table, [])]
        paths = [title[1].strip() for title in titles if title]
        if not any(field.name == _FORMERLY for field in message.fields):
            paths = [READ_FROM if path == _FORMERLY else path for path in paths]
        _judge_head(message, paths)
        units = [(title[2] or "").strip() for title in titles if title]
        judge_units(message, zip(paths, units, strict=True), "line 1: ")
        for number, row in enumerate((row for row in table if row), 1):
            yield _row(table.line_num, f"row {number}", partial(_of_cells, message, paths, row))
    except csv.Error as error:
        fault = RequestError(f"the row is none of a table in CSV: {error}", hint=_QUOTED)
        yield GivenRow(table.line_num, f"row {number + 1}", None, fault)


def _row(line: int, name: str, read: Callable[[], dict[str, Any]]) -> GivenRow:
    try:
        return GivenRow(line, name, read())
    except RequestError as error:
        return GivenRow(line, name, None, error)


def _of_object(message: Message, row: Any) -> dict[str, Any]:
    whole = isinstance(row, dict) and {"values", "message"} <= set(row)
    if whole and row["message"] != message.name:
        raise RequestError(
            f"these are values of the message {repeated(row['message']):.60}, not of {message.name}",
            hint=f"Ask for {row['message']!s:.60}, or leave this one out",
        )
    units = row.get("units") if whole else None
    if isinstance(units, dict):
        judge_units(message, ((path, str(unit)) for path, unit in units.items()))
    return values_of(message, row["values"] if whole else row)


def _of_cells(message: Message, paths: list[str], row: list[str]) -> dict[str, Any]:
    if len(row) > len(paths):
        raise RequestError(
            f"{plural(len(row), 'value')} stand below a head of {len(paths)}",
            hint=_QUOTED,
        )
    cells = [(path, unguarded(cell)) for path, cell in zip(paths, row, strict=False) if cell]
    return values_of(message, tree_of(cell for cell in cells if cell[0] != READ_FROM), table=True)


def _judge_head(message: Message, paths: list[str]) -> None:
    """Raise ``RequestError`` for a head of a table in which something is no field."""
    names = [field.name for field in message.fields if field.carries]
    for path in paths:
        name = re.split(r"[.\[]", path, maxsplit=1)[0]
        if path and paths.count(path) > 1:
            raise RequestError(
                f"line 1 is no head of a table: {path[:60]!r} stands in it twice",
                hint=f"Leave one out; {READ_FROM!r} heads the column that says where a message stood",
            )
        if name in names or path == READ_FROM:
            continue
        near = difflib.get_close_matches(name, names, 1)
        hint = f"Did you mean {near[0]!r}?" if near else f"Fields are {', '.join(names)}"
        if len(paths) == 1 and re.search(r"[;\t|]", path):
            hint = "Separate the columns with commas"
        raise RequestError(
            f"line 1 is no head of a table: message {message.name} has no field {name[:40]!r}",
            hint=hint,
        )


def _objects(text: str) -> Iterator[tuple[int, str, Any]]:
    """Yield line, name and value of each object; an error for what is no JSON."""
    whole = _object(text)
    if isinstance(whole, _NoJson):
        # lines as JSON counts them: texts may hold other signs that part lines elsewhere
        lines = [(n, line) for n, line in enumerate(text.split("\n"), 1) if line.strip()]
        if isinstance(_object(lines[0][1]), _NoJson):  # not an object a line
            yield whole.line, "the text", whole.error(whole.line)
            return
        for count, (number, line) in enumerate(lines, 1):
            row = _object(line)
            name = f"object {count}"
            yield number, name, row.error(number) if isinstance(row, _NoJson) else row
        return
    rows = whole if isinstance(whole, list) else [whole]
    for count, row in enumerate(rows, 1):
        yield 1, f"object {count}", row


class _NoJson(NamedTuple):
    """Why a text is no JSON, and where in it that shows."""

    what: str
    line: int = 1

    def error(self, line: int) -> RequestError:
        return RequestError(f"line {line} {self.what}", hint=_AN_OBJECT)


_AN_OBJECT = 'Write an object a line: {"battery": 3.1, ...}, names and texts in double quotes'


def _object(text: str) -> Any:
    try:
        return json.loads(text, parse_float=_decimal)
    except json.JSONDecodeError as error:
        return _NoJson(f"is no JSON from column {error.colno} on", error.lineno)
    except RecursionError:
        return _NoJson("is nested too deep")
    except ValueError:  # Python refuses over 4300 digits
        return _NoJson("holds a number with too many digits")


def _decimal(text: str) -> Decimal:
    """Return the exact number; NaN, which no field takes, for an exponent beyond all bounds."""
    try:
        return Decimal(text)
    except InvalidOperation:
        return Decimal("nan")
