"""Parts of settings as arrays, and what is done with them: added up, counted, and the best of them chosen."""

import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

Ints = NDArray[np.int64]
Truths = NDArray[np.bool_]
_LARGEST = np.iinfo(np.int64).max


class Addends(NamedTuple):
    """A table as arrays, a row for each combination of its ``axes``.

    ``places``: which value of each axis it has; ``octets``: what is left, side by side for each given value; ``valid``:
    for which of these it is not refused; ``merits``: what more is better of; ``changes``: how many it takes. Both are
    counted for its ``own`` axes alone.
    """

    axes: tuple[int, ...]
    own: frozenset[int]
    places: Ints
    octets: Ints
    valid: Truths
    merits: Ints
    changes: Ints


class Best(NamedTuple):
    """Settings, or parts of some: the octets they leave, their merits and changes, and the values of all axes."""

    octets: Ints
    merits: Ints
    changes: Ints
    places: Ints

    def at(self, rows: Ints | Truths) -> "Best":
        """Return these rows alone."""
        return Best(*(column[rows] for column in self))

    def with_each(self, other: "Best") -> "Best":
        """Return each row added to each of the other."""
        return Best(*(each_with_each(one, more) for one, more in zip(self, other, strict=True)))


def weakens(merits: Ints) -> Truths:
    """Return which rows protect less than the design in some respect; the last merit is no protection."""
    return np.asarray((merits[:, :-1] < 0).any(axis=1))


def each_with_each(one: Ints, other: Ints) -> Ints:
    """Return the sums of each row with each row of the other."""
    return (one[:, None] + other[None]).reshape(-1, *one.shape[1:])


def grouped(rows: Ints, counts: Ints) -> tuple[Ints, Ints]:
    """Return the distinct rows and the sum of the counts of each."""
    _, first, which = np.unique(_keys(rows), return_index=True, return_inverse=True, axis=0)
    sums = np.zeros(len(first), np.int64)
    np.add.at(sums, which.ravel(), counts)
    return rows[first], sums


def _keys(rows: Ints) -> Ints:
    """Return one number for each row, equal where rows are; the rows themselves where no number holds them."""
    if not len(rows):
        return rows
    least = rows.min(axis=0)
    sizes = [int(size) for size in rows.max(axis=0) - least + 1]
    if math.prod(sizes) > _LARGEST:
        return rows
    keys = np.zeros(len(rows), np.int64)
    for column, size in enumerate(sizes):
        keys = keys * size + (rows[:, column] - least[column])
    return keys


def joined(several: Sequence[Best]) -> Best:
    """Return the rows of all."""
    return Best(*(np.concatenate(columns) for columns in zip(*several, strict=True)))


def unsurpassed(best: Best) -> Best:
    """Return those that no other surpasses in octets and merits; of equal ones the one of fewest changes."""
    # with fewest changes first: of equal rows the first is kept
    best = best.at(np.argsort(best.changes, kind="stable"))
    best = best.at(np.unique(_keys(_goods(best)), axis=0, return_index=True)[1])
    goods = _goods(best)
    # a row that surpasses another one has the greater sum
    order = np.argsort(-goods.sum(axis=1), kind="stable")
    kept: list[int] = []
    front = np.empty_like(goods)
    for row in order:
        if not (front[: len(kept)] >= goods[row]).all(axis=1).any():
            front[len(kept)] = goods[row]
            kept.append(int(row))
    return best.at(np.array(kept, np.int64))


def _goods(best: Best) -> Ints:
    """Return everything of which more is better, side by side."""
    return np.concatenate([best.octets, best.merits], axis=1)
