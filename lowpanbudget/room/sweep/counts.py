"""How many settings leave how much: counted without listing them."""

import math
from collections.abc import Mapping, Sequence

import numpy as np

from lowpanbudget.room.sweep.around import Around
from lowpanbudget.room.sweep.arrays import Addends, Ints, each_with_each, grouped, weakens
from lowpanbudget.room.sweep.parts import EACH, Parts


class Counts:
    """How many settings leave so many octets where they leave least, and what these carry.

    ``weaker``: of all settings, else of those that protect no less than the design. ``columns`` are the octets that may
    be the least of a setting.
    """

    def __init__(self, parts: Parts, *, weaker: bool) -> None:
        self._parts, axes, self._weaker = parts, parts.axes, weaker
        self.settings = math.prod(1 if axis.given else len(axis.values) for axis in axes)
        self.columns = self._deciding(range(EACH * parts.values))
        self._low, self._counts = self._lowest({}, self.columns)

    @property
    def encoded(self) -> int:
        """Return how many settings are not refused."""
        return int(self._counts.sum()) * len(self._written())

    def carrying(self, octets: int) -> int:
        """Return how many settings carry so many octets."""
        return sum(
            int(self._counts[self._low >= one.length(octets)].sum()) for one in self._written()
        )

    def rooms(self) -> tuple[int, int] | None:
        """Return the least and the most room; None where everything is refused."""
        return _ends(self._low, self._written())

    def by_value(self, number: int) -> list[tuple[int, int] | None]:
        """Return the least and the most room of the settings with each value of an axis."""
        parts, values = self._parts, range(len(self._parts.axes[number].values))
        if number == parts.given:
            columns = (range(EACH * value, EACH * (value + 1)) for value in values)
            lows = (self._lowest({}, self._deciding(few))[0] for few in columns)
            return [_ends(low, self._written()) for low in lows]
        if number in parts.payloads.axes:
            return [_ends(self._low, self._written(number, value)) for value in values]
        return [
            _ends(self._lowest({number: value}, self.columns)[0], self._written())
            for value in values
        ]

    def _written(self, number: int | None = None, value: int = 0) -> list[Around]:
        """Return what may stand around payloads, or may where an axis has a value; without what is refused."""
        parts = self._parts
        at = None if number is None else parts.payloads.axes.index(number)
        wanted = self._wanted(parts.payloads, np.arange(len(parts.around)))
        return [
            one
            for one in map(parts.around.__getitem__, wanted)
            if not one.refused and (at is None or one.places[at] == value)
        ]

    def _wanted(self, part: Addends, rows: Ints) -> Ints:
        """Return the rows of a table whose settings are counted."""
        return rows if self._weaker else rows[~weakens(part.merits[rows])]

    def _deciding(self, columns: Sequence[int]) -> list[int]:
        """Return which of these octets may be the least of a setting; of two that are always equal one."""
        deciding: list[int] = []
        for column in columns:
            if any(self._is_never_less(column, other) for other in deciding):
                continue
            deciding = [other for other in deciding if not self._is_never_less(other, column)]
            deciding.append(column)
        return deciding

    def _is_never_less(self, column: int, other: int) -> bool:
        parts = self._parts
        least = int(parts.base[column] - parts.base[other])
        for part in parts.tables:
            least += int((part.octets[:, column] - part.octets[:, other]).min())
        return least >= 0

    def _lowest(self, fixed: Mapping[int, int], columns: Sequence[int]) -> tuple[Ints, Ints]:
        """Return the distinct octets that settings leave where they leave least, and how many leave so many."""
        parts = self._parts
        lows, counts = [np.empty(0, np.int64)], [np.empty(0, np.int64)]
        for matching in parts.strata(fixed):
            octets, count = parts.base[None, columns], np.ones(1, np.int64)
            for part, rows in zip(parts.tables, matching, strict=True):
                counted = self._wanted(part, rows)
                alone = np.ones(len(counted), np.int64)
                distinct, times = grouped(part.octets[counted][:, columns], alone)
                sums = each_with_each(octets, distinct)
                octets, count = grouped(sums, np.multiply.outer(count, times).ravel())
            lows.append(octets.min(axis=1))
            counts.append(count)
        low, count = grouped(np.concatenate(lows)[:, None], np.concatenate(counts))
        return low[:, 0], count


def _ends(low: Ints, written: Sequence[Around]) -> tuple[int, int] | None:
    """Return the least and the most room; None where there is nothing."""
    if not (len(low) and written):
        return None
    least = min(one.payload(int(low.min())) for one in written)
    return least, max(one.payload(int(low.max())) for one in written)
