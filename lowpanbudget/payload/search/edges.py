"""Values at the edges of a format: for each field, wherever it stands, a message with each edge of it.

Drawing at random misses what only one option of a union holds; here every field has its turn. All
else is as small as it may be: absent, empty, or the first value.
"""

from collections.abc import Container, Iterator
from typing import Any, NamedTuple

from lowpanbudget.payload.kinds.binary_float import Float
from lowpanbudget.payload.kinds.boolean import Boolean
from lowpanbudget.payload.kinds.elements import Array
from lowpanbudget.payload.kinds.enumeration import Enumeration
from lowpanbudget.payload.kinds.field import Field
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
from lowpanbudget.payload.search.tree import ELEMENT, Place, walk

_LONG_ENOUGH = 3  # samples of a series: a first one, a difference there and one back
_MOST = 512  # values of one list; of a longer one every so many, the last always


class _Wish(NamedTuple):
    """The place that a value is wanted at, and the tags that lead there."""

    place: Place
    value: Any
    tags: dict[str, str]


def edges(message: Message, places: Container[Place] | None = None) -> Iterator[dict[str, Any]]:
    """Yield values with every field (or those at ``places``) at each of its edges, all on the grid of the format."""
    for place, field in walk(message.fields):
        if isinstance(field, Reserved | Group | Union) or (
            places is not None and place not in places
        ):
            continue
        tags = _tags(message.fields, place)
        for value in _edges(field):
            yield _group(message.fields, {}, _Wish(place, value, tags), ())


def _tags(fields: tuple[Field, ...], place: Place) -> dict[str, str]:
    """Return what the tags of the unions on the way to a place must be."""
    found = {}
    for where, field in walk(fields):
        if isinstance(field, Union) and place[: len(where)] == where and len(place) > len(where):
            found[field.tag] = place[len(where)].strip("()")
    return found


def _edges(field: Field) -> Iterator[Any]:
    """Yield the values of a field that differ most; an array's and a series' are lengths."""
    if isinstance(field, Number | Sequence | Time | TimeOffset):
        number = field if isinstance(field, Number) else field.number()
        grid = number.grid()
        yield from (grid.value_of(grid.low), grid.value_of(grid.high))
        yield from (name for name, _ in number.special)
    elif isinstance(field, Table | Logarithmic):
        yield from _some(field.entries())
    elif isinstance(field, Enumeration):
        yield from _some(field.names)
    elif isinstance(field, Flags):
        yield from ((), *((name,) for name in field.names), field.names)
    elif isinstance(field, Boolean):
        yield from (False, True)
    elif isinstance(field, Float):
        yield from (field.example("least"), field.example("greatest"))
        yield from (limit for limit in field.limits() if limit is not None)
    elif isinstance(field, Octets):
        yield from (_octets(field, field.least), _octets(field, field.most))
        if isinstance(field, Text):
            yield from _letters(field)
    elif isinstance(field, Array):
        yield from dict.fromkeys((field.least, field.most))
    elif isinstance(field, Series):
        yield from _walks(field)


def _some(values: tuple[Any, ...]) -> tuple[Any, ...]:
    return (*values[:: len(values) // _MOST + 1], values[-1])


def _octets(field: Octets, length: int) -> Any:
    return (
        "a" * length if isinstance(field, Text) else bytes(0xA5 ^ i & 0xFF for i in range(length))
    )


def _letters(field: Text) -> Iterator[str]:
    """Yield text outside ASCII where the encoding has it and the length has room for its two octets."""
    if field.encoding == "utf-8" and field.most >= len("µ".encode()):
        yield "µ" + "a" * max(field.least - len("µ".encode()), 0)


def _walks(field: Series) -> Iterator[list[Any]]:
    """Yield series as short and as long as may be: level at both ends of the range, rising, and with jumps."""
    grid = field.number().grid()
    reach = grid.high - grid.low
    if field.deltas == "fixed" and not field.escape:
        assert field.delta_bits is not None
        reach = min(reach, (1 << field.delta_bits - 1) - 1)
    for length in dict.fromkeys(
        (field.least, min(field.most, max(field.least, _LONG_ENOUGH)), field.most)
    ):
        for first, other in ((grid.low, grid.low + reach), (grid.high, grid.high - reach)):
            yield [grid.value_of(first)] * length
            yield [grid.value_of((first, other)[index % 2]) for index in range(length)]


def _group(
    fields: tuple[Field, ...], outer: dict[str, Any], wish: _Wish, here: Place
) -> dict[str, Any]:
    values: dict[str, Any] = {}
    known = dict(outer)
    for field in fields:
        place = (*here, field.name)
        wanted = wish.place[: len(place)] == place
        if isinstance(field, Reserved) or (field.optional and not wanted):
            continue
        values[field.name] = known[field.name] = _value(field, known, wish, place)
    return values


def _value(field: Field, known: dict[str, Any], wish: _Wish, here: Place) -> Any:
    wanted = wish.place == here
    if isinstance(field, Array):
        length = wish.value if wanted else field.least
        below = (*here, ELEMENT)
        if wish.place[: len(below)] == below:
            length = max(length, 1)
        return [_value(field.element, known, wish, below) for _ in range(length)]
    if isinstance(field, Group):
        return _group(field.fields, known, wish, here)
    if isinstance(field, Union):
        when = known[field.tag]
        chosen = next(option for option in field.options if option.when == when)
        return _group(chosen.fields, known, wish, (*here, f"({when})"))
    if isinstance(field, TimeOffset):
        return known[field.base] + (wish.value if wanted else field.example_offset("least"))
    if wanted:
        return wish.value
    if isinstance(field, Enumeration):
        name = wish.tags.get(field.name)
        return name if name in field.names else field.names[0]
    if isinstance(field, Series):
        return [field.number().example("typical")] * field.least
    example: Any = field.example("least")  # type: ignore[attr-defined]  # all others have one
    return example
