"""Values that fit a format, for comparisons and for test vectors: drawn at random but the same each time, and at edges.

Edges are drawn often: least and greatest values, special codes, absent fields, empty and full arrays. Drawing at random
misses what only one option of a union holds; where every field has its turn, all else is as small as it may be: absent,
empty, or the first value.
"""

from collections.abc import Container, Iterator
from random import Random
from typing import Any

from lowpanbudget.errors import WireError
from lowpanbudget.payload.codec.nodes import CASES
from lowpanbudget.payload.kinds.field import Field
from lowpanbudget.payload.kinds.group import drawn_values, wished_values
from lowpanbudget.payload.kinds.interfaces import FieldPath, Wish
from lowpanbudget.payload.message import Message
from lowpanbudget.payload.search.tree import walk


def samples(message: Message, count: int = 64, seed: int = 1) -> Iterator[dict[str, Any]]:
    """Yield values for the least, typical and greatest message, then ``count`` drawn ones; all lie on the grid."""
    for case in CASES:
        yield message.example(case)
    random = Random(seed)  # noqa: S311 - nothing secret is drawn
    for _ in range(count):
        yield drawn_values(message.fields, random, {})


def edges(message: Message, paths: Container[FieldPath] | None = None) -> Iterator[dict[str, Any]]:
    """Yield values with every field (or those at ``paths``) at each of its edges, all on the grid of the format."""
    for path, field in walk(message.fields):
        if paths is not None and path not in paths:
            continue
        tags = _tags(message.fields, path)
        for value in field.edges():
            yield wished_values(message.fields, Wish(path, value, tags), (), {})


def every_message(message: Message) -> Iterator[dict[str, Any]]:
    """Yield the values of every message that a format has; only of one of an octet or two are these few."""
    for size in range(message.min_octets, message.max_octets + 1):
        for code in range(1 << 8 * size):
            octets = code.to_bytes(size, "big")
            try:
                values = message.unpack(octets)
            except WireError:
                continue
            if message.pack(values) == octets:
                yield values


def _tags(fields: tuple[Field, ...], path: FieldPath) -> dict[str, str]:
    """Return what the tags of the unions on the way to a path must be."""
    return {
        field.reference(): path[len(above)].strip("()")
        for above, field in walk(fields)
        if path[: len(above)] == above
        and path[len(above) : len(above) + 1]
        and path[len(above)].startswith("(")
    }
