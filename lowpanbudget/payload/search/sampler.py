"""Values that fit a format, drawn at random but the same each time: for comparisons and for test vectors.

Edges are drawn often: least and greatest values, special codes, absent fields, empty and full arrays.
"""

from collections.abc import Iterator
from random import Random
from typing import Any

from lowpanbudget.payload.codec.nodes import CASES
from lowpanbudget.payload.kinds.group import drawn_values
from lowpanbudget.payload.message import Message


def samples(message: Message, count: int = 64, seed: int = 1) -> Iterator[dict[str, Any]]:
    """Yield values for the least, typical and greatest message, then ``count`` drawn ones; all lie on the grid."""
    for case in CASES:
        yield message.example(case)
    random = Random(seed)  # noqa: S311 - nothing secret is drawn
    for _ in range(count):
        yield drawn_values(message.fields, random, {})
