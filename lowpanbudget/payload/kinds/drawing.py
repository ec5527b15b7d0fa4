"""Values for tests and comparisons: drawn at random, those at edges often, and some of a long list."""

from random import Random
from typing import Any, TypeVar

from lowpanbudget.payload.codec.grid import Stepped, zero_of
from lowpanbudget.payload.exact import exact, nearest

T = TypeVar("T")

EDGE = 0.25  # how often an edge is taken instead of any value
_LONG = 64  # beyond this many elements or octets only the edges are drawn
_MOST = 4096  # all that a table may have; of a longer list every so many, the last always

_WORDS = (1 << 64) - 1, -(1 << 63)  # the whole numbers furthest from 0 that 64 bits hold


def drawn_number(number: Stepped, random: Random) -> Any:
    """Return a value of the grid or a special name."""
    grid = number.grid()
    if number.special and random.random() < EDGE:
        return random.choice(number.special)[0]
    if random.random() < EDGE:
        return grid.value_of(random.choice((grid.low, grid.high)))
    return grid.value_of(random.randint(grid.low, grid.high))


def number_edges(number: Stepped) -> tuple[Any, ...]:
    """Return both ends of the range and the special names."""
    grid = number.grid()
    names = (name for name, _ in number.special)
    return (grid.value_of(grid.low), grid.value_of(grid.high), *names)


def drawn_length(least: int, most: int, random: Random) -> int:
    """Return a number of elements or octets."""
    if most - least > _LONG or random.random() < EDGE:
        return random.choice((least, min(most, least + _LONG)))
    return random.randint(least, most)


def either(random: Random) -> bool:
    """Return true or false, as often the one as the other."""
    return random.choice((True, False))


def edge_or_any(values: tuple[T, ...], random: Random) -> T:
    """Return a value of a list, the first and the last often."""
    return (
        random.choice((values[0], values[-1])) if random.random() < EDGE else random.choice(values)
    )


def some_of(values: tuple[T, ...]) -> tuple[T, ...]:
    """Return the values of a list, or of a long one every so many and the last."""
    every = -(-len(values) // _MOST)
    return (*values[:-1:every], values[-1])


def furthest(number: Stepped) -> list[Any]:
    """Return the ends of a range, their neighbours and the last counts that 64 bits hold, furthest from 0 first."""
    grid, zero = number.grid(), zero_of(number)
    shift = nearest(zero, grid.base, grid.step)  # from counts of the encodings to those of the grid
    inside = (word + shift for word in _WORDS)
    steps = {grid.low, min(grid.low + 1, grid.high), max(grid.high - 1, grid.low), grid.high}
    steps |= {count for count in inside if grid.low <= count <= grid.high}
    values = [grid.value_of(count) for count in steps]
    return sorted(values, key=lambda value: (-abs(exact(value)), value))
