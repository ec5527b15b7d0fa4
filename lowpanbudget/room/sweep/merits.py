"""What speaks for a setting beside its room: how much it protects, in each respect, and how little it takes."""

from collections.abc import Collection, Sequence

from lowpanbudget.room.sweep.axes import Axis


class Merits:
    """The merits of values as numbers of which more is better, in ``width`` columns.

    Each axis that protects has one for each of its respects, 0 as the design has it; the last is the number of
    conditions, below 0.
    """

    def __init__(self, axes: Sequence[Axis]) -> None:
        self._axes = axes
        self._starts: dict[int, int] = {}
        start = 0
        for number, axis in enumerate(axes):
            if any(any(protects) for protects in axis.protection):
                self._starts[number] = start
                start += max(map(len, axis.protection))
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
                if change is None:
                    continue
                count += 1
                columns[-1] -= bool(change.condition)
                start = self._starts.get(number)
                if start is not None:
                    protection = change.protection
                    columns[start : start + len(protection)] = protection
            merits.append(columns)
            changes.append(count)
        return merits, changes
