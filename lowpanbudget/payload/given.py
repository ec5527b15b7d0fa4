"""Values of messages as people and programs give them: names with texts, JSON, a table in CSV.

The forms are those that ``unpack`` prints, so that what it printed can be packed again.
"""

import csv
import io
import json
import re
from collections.abc import Iterable, Iterator, Mapping
from decimal import Decimal
from typing import Any

from lowpanbudget.errors import RequestError
from lowpanbudget.payload.kinds.group import taken_values
from lowpanbudget.payload.message import Message

_STEPS = re.compile(r"([^.\[\]=]+)((?:\[\d{1,5}\])*)")
_UNIT = re.compile(r" \[[^\]]*\]$")
_PLACE = "place"  # the column of a table that says where a message stood
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
    return dict(taken_values(message.fields, given, {}, table=table))


def merged(start: Mapping[str, Any], values: Mapping[str, Any]) -> dict[str, Any]:
    """Return the values with what they leave out taken from ``start``, inside groups as well."""
    whole = dict(start)
    for name, value in values.items():
        before = whole.get(name)
        if isinstance(before, Mapping) and isinstance(value, Mapping):
            whole[name] = merged(before, value)
        else:
            whole[name] = value
    return whole


def tree_of(cells: Iterable[tuple[str, str]]) -> dict[str, Any]:
    """Return values by name of values by path, such as ``reading[0].temperature``; texts stay texts."""
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


def rows_of(message: Message, text: str) -> Iterator[dict[str, Any]]:
    """Yield what ``pack`` takes for each message of a text: JSON, an object a line or a list, or CSV with a head.

    Objects are values, or those that ``unpack --json`` prints.
    """
    if text.lstrip("\ufeff \t\r\n")[:1] in {"{", "["}:
        for row in _objects(text.lstrip("\ufeff")):
            whole = isinstance(row, dict) and {"values", "message"} <= set(row)
            if whole and row["message"] != message.name:
                raise RequestError(
                    f"these are values of the message {row['message']!r:.60}, not of {message.name}"
                )
            yield values_of(message, row["values"] if whole else row)
        return
    table = csv.reader(io.StringIO(text.lstrip("\ufeff")))
    paths = [_UNIT.sub("", title) for title in next(table, [])]
    for row in table:
        if row:
            pairs = zip(paths, row, strict=False)
            cells = [(path, cell) for path, cell in pairs if cell and path != _PLACE]
            yield values_of(message, tree_of(cells), table=True)


def _objects(text: str) -> Iterator[Any]:
    try:
        whole = [json.loads(text, parse_float=Decimal)]
    except json.JSONDecodeError:
        whole = [
            _object(line, number)
            for number, line in enumerate(text.splitlines(), 1)
            if line.strip()
        ]
    yield from whole[0] if len(whole) == 1 and isinstance(whole[0], list) else whole


def _object(line: str, number: int) -> Any:
    try:
        return json.loads(line, parse_float=Decimal)
    except json.JSONDecodeError as error:
        raise RequestError(
            f"line {number} is no JSON: {error.msg}, at column {error.colno}",
            hint="Write an object a line",
        ) from None
