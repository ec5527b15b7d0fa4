"""Frame numbers of one address that go on in two rows, in turns: two senders have it.

A node that is reset leaves its row for good, and an old frame that somebody sends once more has a row only as long as
it is not new. A row that goes on, again and again, where it was left for another is that of somebody else.
"""

from typing import Generic, NamedTuple, TypeVar

from lowpanbudget.capture.recent import Recent
from lowpanbudget.layers.link.control import SEQUENCE_NUMBERS
from lowpanbudget.values import dataclass

Name = TypeVar("Name")
# our choices: turns to either row that show it, and addresses that are looked at; by chance a number goes on from
# another row in one of 256 turns
_TURNS, MOST_NAMES = 8, 1024


class TwoRows(NamedTuple):
    """Numbers in two rows: frame ``before`` has ``last`` of one, and the next ``frame`` has ``own`` of the other."""

    before: int
    last: int
    frame: int
    own: int
    turns: int


@dataclass(slots=True)
class _NumberRow:
    """A row of numbers: the last, of which frame, and how often in turn it went on where it was left."""

    last: int
    frame: int
    turns: int = 0


class NumberRows(Generic[Name]):
    """Follows the two rows that the numbers of each address may have."""

    def __init__(self) -> None:
        self._rows = Recent[Name, list[_NumberRow]](MOST_NAMES)

    def take(self, name: Name, number: int, frame: int) -> TwoRows | None:
        """Take the number of a new frame; return what shows two rows, each time that it is shown."""
        rows = self._rows.get(name)
        if rows is None:
            self._rows[name] = [_NumberRow(number, frame)]
            return None
        now = rows[0]
        if (number - now.last) % SEQUENCE_NUMBERS <= 1:
            now.last, now.frame = number, frame
            return None
        other = rows[1] if len(rows) > 1 else None
        if other is None or (number - other.last) % SEQUENCE_NUMBERS != 1:
            # some are missing, or it is a row that begins: one that was left stays only while it goes on
            if (
                (number - now.last) % SEQUENCE_NUMBERS <= SEQUENCE_NUMBERS // 4
                and other is not None
                and other.turns
            ):
                now.last, now.frame = number, frame
            else:
                rows[:] = [_NumberRow(number, frame), now]
            return None
        other.last, other.frame, other.turns = number, frame, other.turns + 1
        rows[:] = [other, now]
        turns = other.turns + now.turns
        if min(other.turns, now.turns) < _TURNS:
            return None
        return TwoRows(now.frame, now.last, frame, number, turns)
