"""Values that fit a format, drawn at random but the same each time: for comparisons and for test vectors.

Edges are drawn often: least and greatest values, special codes, absent fields, empty and full arrays.
"""

import struct
from collections.abc import Iterator
from random import Random
from typing import Any

from lowpanbudget.payload.kinds.binary_float import Float
from lowpanbudget.payload.kinds.boolean import Boolean
from lowpanbudget.payload.kinds.constant import Constant
from lowpanbudget.payload.kinds.elements import Array
from lowpanbudget.payload.kinds.enumeration import Enumeration
from lowpanbudget.payload.kinds.field import CASES, Field
from lowpanbudget.payload.kinds.flags import Flags
from lowpanbudget.payload.kinds.group import Group
from lowpanbudget.payload.kinds.instant import Time
from lowpanbudget.payload.kinds.logarithmic import Logarithmic
from lowpanbudget.payload.kinds.number import Number
from lowpanbudget.payload.kinds.octets import Octets
from lowpanbudget.payload.kinds.reserved import Reserved
from lowpanbudget.payload.kinds.sequence import Sequence
from lowpanbudget.payload.kinds.series import Series
from lowpanbudget.payload.kinds.table import Table
from lowpanbudget.payload.kinds.text import Text
from lowpanbudget.payload.kinds.time_offset import TimeOffset
from lowpanbudget.payload.kinds.union import Union
from lowpanbudget.payload.message import Message

_EDGE = 0.25  # how often an edge is taken instead of any value
_LETTERS = {16: "e", 32: "f", 64: "d"}
_LONG = 64  # beyond this many elements or octets only the edges are drawn


def samples(message: Message, count: int = 64, seed: int = 1) -> Iterator[dict[str, Any]]:
    """Yield values for the least, typical and greatest message, then ``count`` drawn ones; all lie on the grid."""
    for case in CASES:
        yield message.example(case)
    random = Random(seed)  # noqa: S311 - nothing secret is drawn
    for _ in range(count):
        yield _group(message.fields, random, {})


def _group(fields: tuple[Field, ...], random: Random, outer: dict[str, Any]) -> dict[str, Any]:
    values: dict[str, Any] = {}
    known = dict(outer)
    for field in fields:
        if isinstance(field, Reserved) or (field.optional and random.random() < 0.5):
            continue
        values[field.name] = known[field.name] = _value(field, random, known)
    return values


def _value(field: Field, random: Random, known: dict[str, Any]) -> Any:
    if isinstance(field, Number):
        return _number(field, random)
    if isinstance(field, Sequence | Time):
        return _number(field.number(), random)
    if isinstance(field, TimeOffset):
        return known[field.base] + _number(field.number(), random)
    if isinstance(field, Table | Logarithmic):
        return _edge_or_any(field.entries(), random)
    if isinstance(field, Float):
        return _float(field, random)
    if isinstance(field, Boolean):
        return random.random() < 0.5
    if isinstance(field, Enumeration):
        return _edge_or_any(field.names, random)
    if isinstance(field, Flags):
        return tuple(name for name in field.names if random.random() < 0.5)
    if isinstance(field, Constant):
        return field.value
    if isinstance(field, Octets):
        octets = random.randbytes(_length(field.least, field.most, random))
        return (
            bytes(97 + octet % 26 for octet in octets).decode()
            if isinstance(field, Text)
            else octets
        )
    if isinstance(field, Series):
        return _series(field, random)
    if isinstance(field, Array):
        count = _length(field.least, field.most, random)
        return [_value(field.element, random, known) for _ in range(count)]
    if isinstance(field, Group):
        return _group(field.fields, random, known)
    assert isinstance(field, Union)
    chosen = next(option for option in field.options if option.when == known[field.tag])
    return _group(chosen.fields, random, known)


def _number(field: Number, random: Random) -> Any:
    grid = field.grid()
    if field.special and random.random() < _EDGE:
        return random.choice(field.special)[0]
    if random.random() < _EDGE:
        return grid.value_of(random.choice((grid.low, grid.high)))
    return grid.value_of(random.randint(grid.low, grid.high))


def _float(field: Float, random: Random) -> float:
    letter = _LETTERS[field.bits]
    least, most = field.limits()
    low = -1000.0 if least is None else least
    high = max(low, 1000.0) if most is None else most
    value: float = struct.unpack(letter, struct.pack(letter, random.uniform(low, high)))[0]
    return min(max(value, low), high)


def _series(field: Series, random: Random) -> list[Any]:
    """Return a walk of small steps, with jumps where the format can carry them."""
    grid = field.number().grid()
    widest = grid.high - grid.low
    if field.deltas == "fixed" and not field.escape:
        assert field.delta_bits is not None
        widest = (1 << field.delta_bits - 1) - 1
    steps = [random.randint(grid.low, grid.high)]
    for _ in range(_length(field.least, field.most, random) - 1):
        reach = widest if random.random() < _EDGE else min(widest, 3)
        steps.append(min(max(steps[-1] + random.randint(-reach, reach), grid.low), grid.high))
    count = len(steps) if field.least or random.random() > _EDGE else 0
    return [grid.value_of(step) for step in steps[:count]]


def _length(least: int, most: int, random: Random) -> int:
    if most - least > _LONG or random.random() < _EDGE:
        return random.choice((least, min(most, least + _LONG)))
    return random.randint(least, most)


def _edge_or_any(values: tuple[Any, ...], random: Random) -> Any:
    return (
        random.choice((values[0], values[-1])) if random.random() < _EDGE else random.choice(values)
    )
