"""Values at the edges of a format: for each field, wherever it stands, a message with each edge of it.

Drawing at random misses what only one option of a union holds; here every field has its turn. All
else is as small as it may be: absent, empty, or the first value.
"""

from collections.abc import Container, Iterator
from typing import Any

from lowpanbudget.payload.kinds.field import Field
from lowpanbudget.payload.kinds.group import wished_values
from lowpanbudget.payload.kinds.interfaces import FieldPath, Wish
from lowpanbudget.payload.message import Message
from lowpanbudget.payload.search.tree import walk


def edges(message: Message, paths: Container[FieldPath] | None = None) -> Iterator[dict[str, Any]]:
    """Yield values with every field (or those at ``paths``) at each of its edges, all on the grid of the format."""
    for path, field in walk(message.fields):
        if paths is not None and path not in paths:
            continue
        tags = _tags(message.fields, path)
        for value in field.edges():
            yield wished_values(message.fields, Wish(path, value, tags), (), {})


def _tags(fields: tuple[Field, ...], path: FieldPath) -> dict[str, str]:
    """Return what the tags of the unions on the way to a path must be."""
    return {
        field.reference(): path[len(above)].strip("()")
        for above, field in walk(fields)
        if path[: len(above)] == above
        and path[len(above) : len(above) + 1]
        and path[len(above)].startswith("(")
    }
