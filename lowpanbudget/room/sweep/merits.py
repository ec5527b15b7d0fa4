"""What speaks for a setting beside its room: how much it protects, in each respect, and how little it takes."""

from collections.abc import Collection, Sequence

from lowpanbudget.room.sweep.axes import Axis


class Merits:
    """The merits of values as numbers of which more is better, in ``width`` columns.

    Each axis that protects has one for each of its respects, 0 as the design has it. Frames of another radio are not
    better or worse: each value of such an axis has one, so that none of them surpasses another. The last is the number
    of conditions, below 0.
    """

    def __init__(self, axes: Sequence[Axis]) -> None:
        self._axes = axes
        self._starts: dict[int, int] = {}
        self._apart: dict[int, int] = {}
        start = 0
        for number, axis in enumerate(axes):
            if any(any(protects) for protects in axis.protection):
                self._starts[number] = start
                start += max(map(len, axis.protection))
            elif axis.apart:
                self._apart[number] = start
                start += len(axis.values)
        self.width = start + 1

    @property
    def protecting(self) -> Collection[int]:
        """Return the numbers of the axes that bear on protection."""
        return self._starts

    def of(
        self, axes: Sequence[int], own: Collection[int], places: Sequence[Sequence[int]]
    ) -> tuple[list[list[int]], list[int]]:
        """Return the merits and the number of changes of combinations of values; of the axes that are their ``own``."""
        merits, changes = [], []
        for row in places:
            columns, count = [0] * self.width, 0
            for number, place in zip(axes, row, strict=True):
                change = self._axes[number].changes[place] if number in own else None
                if number in self._apart:
                    columns[self._apart[number] + place] = 1
                if change is None:
                    continue
                count += 1
                columns[-1] -= bool(change.condition)
                if number in self._starts:
                    start, protection = self._starts[number], change.protection
                    columns[start : start + len(protection)] = protection
            merits.append(columns)
            changes.append(count)
        return merits, changes
