"""How often something was sent over the time: parts of equally many intervals, and the silence behind the last."""

from collections.abc import Sequence
from itertools import pairwise
from statistics import median
from typing import NamedTuple

from lowpanbudget.deployment.confidence import Spread, spread_of

FEWEST = 5  # intervals of a part
MOST_PARTS = 24
PART_OFF = 0.25  # of the time: so much beside a plan is not as planned; our choice
SCATTERED = (
    0.85  # of the interval in the middle: a quarter is shorter at random moments; our choice
)
MANY = 30  # random intervals whose own spread tells how sure their mean is: fewer may all be short; our choice
# so many are too few for their quarters to tell a clock: their deviation does, so little of the mean; three at random
# moments deviate so little in 3 % (their shares of the time lie anywhere in a triangle, those in a circle); our choice
_FEW, _CLOCKED = 2 * FEWEST, 0.2
LONG = 4  # times as long as planned is an interval that is off by itself: chance seldom makes one; our choice


class TimedInterval(NamedTuple):
    """The ``seconds`` from one to the next, and when they began."""

    since_s: float
    seconds: float


class RhythmPart(NamedTuple):
    """A part of the time, from ``since_s`` on and ``seconds`` long, with so many ``intervals`` in it.

    The one in the middle is ``every_s``, give or take ``error_s``, and ``longest_s`` the longest; a quarter of them is
    no longer than ``low_s``, and a quarter no shorter than ``high_s``. Behind the last that was heard there is none.
    """

    since_s: float
    seconds: float
    intervals: int
    every_s: float | None
    error_s: float = 0.0
    longest_s: float = 0.0
    low_s: float = 0.0
    high_s: float = 0.0

    @property
    def usual_s(self) -> float:
        """Return the interval in the middle; 0 without any."""
        return self.every_s or 0.0


def rhythm(intervals: Sequence[TimedInterval], most: int = MOST_PARTS) -> list[RhythmPart]:
    """Return up to ``most`` parts of a time in which something was sent again and again, of five intervals or more."""
    count = len(intervals)
    parts = min(most, count // FEWEST)
    bounds = [count * place // parts for place in range(parts + 1)] if parts else []
    return [_part(intervals[begin:end]) for begin, end in pairwise(bounds)]


def at_random(parts: Sequence[RhythmPart], spread: Spread) -> bool:
    """Return whether something came at random moments rather than by a clock; ``spread`` is that of all intervals.

    Of intervals by a clock a quarter is hardly shorter than the one in the middle; at random moments (Poisson) these
    are 0.288 and 0.693 of the mean. The upper quarter is twice as long then, by a clock only where many were missed: it
    is asked of few, of which the lower may be long by chance.
    """
    usual_s = sum(part.usual_s * part.intervals for part in parts)
    if sum(part.low_s * part.intervals for part in parts) < SCATTERED * usual_s:
        return True
    if spread.values < _FEW:
        return spread.deviation > _CLOCKED * spread.mean
    high_s = sum(part.high_s * part.intervals for part in parts)
    return spread.values < MANY and usual_s < SCATTERED * high_s


def lasts(seconds: float) -> str:
    """Return a time in the unit that suits it."""
    for unit, size in (("days", 86400), ("hours", 3600), ("minutes", 60)):
        if seconds >= 2 * size:
            return f"{seconds / size:.1f} {unit}"
    return f"{seconds:.3g} s"


def _part(intervals: Sequence[TimedInterval]) -> RhythmPart:
    seconds = sorted(one.seconds for one in intervals)
    spread = spread_of(seconds)
    error = 0.0 if spread is None else spread.error
    quarter, since_s = len(seconds) // 4, intervals[0].since_s
    low_s, middle_s, high_s = seconds[quarter], median(seconds), seconds[-1 - quarter]
    return RhythmPart(
        since_s, sum(seconds), len(seconds), middle_s, error, seconds[-1], low_s, high_s
    )
