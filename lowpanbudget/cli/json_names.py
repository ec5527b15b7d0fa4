"""The names in the JSON of each command: those of Python's values, whose docstrings tell them, and the few others.

``tests/cli/test_json_names.py`` finds every name that a command prints here.
"""

import inspect
import re
from collections.abc import Iterator
from pkgutil import resolve_name
from types import UnionType
from typing import Any, get_args, get_type_hints

from lowpanbudget.cites import Cite
from lowpanbudget.cli.json_table import COMMON, NAMES
from lowpanbudget.payload.message import Message
from lowpanbudget.values import fields

_SENTENCE = re.compile(r"(?<=[.]) +(?=[A-Z(`])")


def explained(command: str) -> dict[str, Any]:
    """Return the names in the JSON of a command as the explanation of a term."""
    told = NAMES[command]
    others = [*told.other.items(), *COMMON.items()]
    rows = [{"name": name, "of": "", "says": text} for name, text in others]
    for kind in reached(told.classes):
        doc = inspect.getdoc(kind) or ""
        rows += [
            {"name": name, "of": kind.__name__, "says": _sentence(doc, name)}
            for name in names_of(kind)
        ]
    return {
        "term": f"JSON of lowpanbudget {command}",
        "kind": "json",
        "text": "Each name with the class of Python's value that has it, where one has (help(lowpanbudget.CLASS) says "
        "more), and what it tells. Octets are hex, addresses and clauses text; what is not known is null.",
        "rows": rows,
    }


def _sentence(doc: str, name: str) -> str:
    """Return what a docstring says of a name: the sentence, or the part of it that begins with the name."""
    sentences = _SENTENCE.split(" ".join(doc.split()))
    said = next((one for one in sentences if f"``{name}``" in one), "")
    own = (part for part in said.split("; ") if part.startswith(f"``{name}``"))
    return next(own, said).removeprefix(f"``{name}``: ").replace("``", "'")


def names_of(kind: Any) -> tuple[str, ...]:
    """Return the names of a value of this class as plain data has them."""
    if hasattr(kind, "_fields"):
        return tuple(kind._fields)
    return tuple(part.name for part in fields(kind) if part.repr)


def reached(names: str) -> dict[Any, None]:
    """Return these public classes and all whose values they hold."""
    found: dict[Any, None] = {}
    waiting: list[Any] = [resolve_name(f"lowpanbudget:{name}") for name in names.split()]
    while waiting:
        kind = waiting.pop(0)
        if kind in found or kind in (Cite, Message):  # a clause is text; a format is left out
            continue
        found[kind] = None
        hints = get_type_hints(kind)
        waiting += [inner for name in names_of(kind) for inner in _classes(hints.get(name))]
    return found


def _classes(hint: Any) -> Iterator[Any]:
    """Yield the classes of plain values that a hint holds."""
    if isinstance(hint, UnionType) or get_args(hint):
        for inner in get_args(hint):
            yield from _classes(inner)
    elif hasattr(hint, "_fields") or hasattr(hint, "__dataclass_fields__"):
        yield hint


def names_told(command: str) -> set[str]:
    """Return all names in the JSON of a command that are explained."""
    return {row["name"] for row in explained(command)["rows"]}
