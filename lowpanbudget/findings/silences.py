"""Silences of nodes that had a rhythm and came back to it, beside those of the whole capture."""

from bisect import insort
from collections.abc import Callable, Iterable, Iterator
from typing import NamedTuple, TypeVar

Silent = TypeVar("Silent")

SILENCES = 4  # times the longest silence so far; our choice
BY_CHANCE = 20  # mean silences: of messages at random one in e^20 is as long (Poisson); our choice
FEW = 5  # silences alike that make a rhythm; our choice
_SLOW_S, _MANY = 5.0, 50  # a faster rhythm is that of a transfer, unless it lasts: our choice
_TOGETHER = 3  # that fall silent at once have one cause; our choice
_MOST = 16  # pauses of a capture that are remembered; our choice


def needed(longest_s: float) -> int:
    """Return how many silences alike make a rhythm of which the longest silence has so many seconds."""
    return FEW if longest_s >= _SLOW_S else _MANY


def at_once(
    silent: Iterable[Silent], seconds: Callable[[Silent], float], every: Callable[[Silent], float]
) -> Iterator[list[Silent]]:
    """Yield those whose silences began within an interval of the first of them, of three or more, and each other alone.

    Who sends once in an interval is heard to stop within one, wherever in it his turn is.
    """
    group: list[Silent] = []
    for one in [*sorted(silent, key=seconds), None]:
        if one is not None and (not group or seconds(one) - seconds(group[0]) <= every(group[0])):
            group.append(one)
            continue
        yield from [group] if len(group) >= _TOGETHER else ([alone] for alone in group)
        group = [] if one is None else [one]


class LongSilence(NamedTuple):
    """A node that sent nothing for ``seconds``, between its frames ``before`` and ``after``.

    Before that it was never silent for more than ``rhythm_s``. ``missing`` numbers are between those of the two frames;
    None where they tell nothing.
    """

    seconds: float
    rhythm_s: float
    before: int
    after: int
    missing: int | None


class Pause(NamedTuple):
    """So many ``seconds`` in which nobody was heard, up to frame ``number``, which came at ``end_s``."""

    seconds: float
    end_s: float
    number: int


class Pauses:
    """The widest pauses of a capture."""

    def __init__(self) -> None:
        self._widest: list[Pause] = []  # the least first
        self._least = 0.0

    @property
    def widest(self) -> Pause | None:
        """Return the widest of all."""
        return self._widest[-1] if self._widest else None

    @property
    def lone(self) -> Pause | None:
        """Return the widest where no other is nearly as wide: a network that rests has several.

        Two others that are far wider than the rest are nights, behind which a weekend is no wonder, nor a week.
        """
        widest = self._widest[-3:]
        if len(widest) < 2 or widest[-2].seconds * SILENCES >= widest[-1].seconds:
            return None
        nights = len(widest) == 3 and widest[0].seconds > SILENCES * self._widest[0].seconds
        is_rest = nights and widest[-1].seconds <= SILENCES**2 * widest[-2].seconds
        return None if is_rest else widest[-1]

    def note(self, seconds: float, until_s: float, number: int) -> None:
        """Take a pause that ends now."""
        if seconds <= self._least:
            return
        insort(self._widest, Pause(seconds, until_s, number))
        if len(self._widest) > _MOST:
            del self._widest[0]
            self._least = self._widest[0].seconds

    def widest_since(self, since_s: float) -> float:
        """Return the seconds of the widest that ended since then."""
        return next((one.seconds for one in reversed(self._widest) if one.end_s > since_s), 0.0)
