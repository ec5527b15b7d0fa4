"""The tables of a flow as arrays: what all its settings are added up from."""

from collections.abc import Iterator, Mapping, Sequence
from itertools import product

import numpy as np

from lowpanbudget.design.meaning import Design
from lowpanbudget.room.sweep.around import around
from lowpanbudget.room.sweep.arrays import Addends, Ints
from lowpanbudget.room.sweep.axes import Axis
from lowpanbudget.room.sweep.merits import Merits
from lowpanbudget.room.sweep.tables import NOTHING, Measured
from lowpanbudget.values import replace

EACH = len(NOTHING)  # octets of a setting for one value that is given


class Parts:
    """What the design leaves (``base``), the ``tables`` that are added to it, and what stands around a payload.

    ``given`` is the number of the axis whose values are given, ``values`` how many these are: octets stand side by side
    for each of them.
    """

    def __init__(self, design: Design, flow: str, axes: Sequence[Axis], found: Measured) -> None:
        self.axes, self.merits = axes, Merits(axes)
        self.given = next(number for number, axis in enumerate(axes) if axis.given)
        self.values = len(axes[self.given].values)
        self.base: Ints = np.tile(np.array(found.base, np.int64), self.values)
        self._owned: set[int] = set()
        self.tables = [
            self._part(
                table.axes,
                [one.places for one in table.combinations],
                [one.octets for one in table.combinations],
            )
            for table in found.tables
        ]
        numbers, self.around = around(design, flow, axes)
        self.payloads = self._part(
            numbers,
            [one.places for one in self.around],
            [[None if one.refused else NOTHING] for one in self.around],
        )
        several = [number for part in self.tables for number in part.axes]
        self._shared = sorted({number for number in several if several.count(number) > 1})

    def _part(
        self,
        axes: tuple[int, ...],
        places: Sequence[tuple[int, ...]],
        octets: Sequence[Sequence[tuple[int, ...] | None]],
    ) -> Addends:
        """Return a table as arrays; it owns the axes that none before it had.

        Octets that are no other for any given value stand there once.
        """
        own = frozenset(axes) - self._owned
        self._owned |= own
        merits, changes = self.merits.of(axes, own, places)
        each = self.values // len(octets[0])
        rows = [[number for left in row for number in (left or NOTHING)] * each for row in octets]
        return Addends(
            axes,
            own,
            np.array(places, np.int64).reshape(len(places), len(axes)),
            np.array(rows, np.int64),
            np.array([[left is not None for left in row] * each for row in octets]),
            np.array(merits, np.int64),
            np.array(changes, np.int64),
        )

    def counted(self) -> "Parts":
        """Return what is asked once all is counted: the axes without their changes, which are functions of designs."""
        self.axes = [replace(axis, changes=()) for axis in self.axes]
        del self.merits
        return self

    def strata(self, fixed: Mapping[int, int]) -> Iterator[list[Ints]]:
        """Yield the rows of each table that go together where some axes have ``fixed`` values.

        One time for each choice of values for the axes that several tables have: then any row goes with any other.
        """
        choices = (
            [fixed[number]] if number in fixed else range(len(self.axes[number].values))
            for number in self._shared
        )
        for choice in product(*choices):
            at = {**fixed, **dict(zip(self._shared, choice, strict=True))}
            yield [_matching(part, at) for part in self.tables]

    def rows_of(self, part: Addends, places: Ints) -> Ints:
        """Return the row of a table that each setting has, whose values stand at these places of the axes."""
        rows = np.zeros(len(places), np.int64)
        for number in part.axes:
            rows = rows * len(self.axes[number].values) + places[:, number]
        return rows


def _matching(part: Addends, at: Mapping[int, int]) -> Ints:
    """Return the rows that have these values and are refused for no given value."""
    rows = part.valid.all(axis=1)
    for index, number in enumerate(part.axes):
        if number in at:
            rows = rows & (part.places[:, index] == at[number])
    return np.flatnonzero(rows)
