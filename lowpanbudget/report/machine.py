"""Plain data to JSON text for programs: versioned, never wrapped, ASCII in every locale."""

import json
from collections.abc import Callable, Iterable, Iterator
from io import StringIO
from typing import Any, TypeVar

What = TypeVar("What")
VERSION = 1  # changes when a name or a meaning does, not when one is added


def fault(**data: Any) -> str:
    """Return one JSON object that says why there is no result, on one line: it serves where lines are objects too."""
    return json.dumps({"version": VERSION, "fault": data}, allow_nan=False) + "\n"


def document(**data: Any) -> str:
    """Return one JSON object of ``data`` with its ``version`` first, and a line end."""
    encoder = json.JSONEncoder(indent=2, allow_nan=False)
    text = StringIO()  # a list of all its pieces takes twice the room
    text.writelines(encoder.iterencode({"version": VERSION, **data}))
    text.write("\n")
    return text.getvalue()


class MadeLate(list[What]):
    """What is made of each of many values, anew whenever it is iterated: there may be hundreds of thousands."""

    def __init__(self, values: Iterable[Any], make: Callable[[Any], What]) -> None:
        super().__init__(values)
        self._make = make

    def __iter__(self) -> Iterator[What]:
        return map(self._make, super().__iter__())
