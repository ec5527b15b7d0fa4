"""A number of a design that may help where it is another one, and the values between which the least change lies."""

from collections.abc import Callable, Sequence
from math import floor, log10

from lowpanbudget.deployment.airtime import MessageAirtime, airtime
from lowpanbudget.deployment.change import PossibleChange
from lowpanbudget.deployment.fewest import value_of_key, with_value
from lowpanbudget.design.allowed import is_allowed
from lowpanbudget.design.meaning import Design
from lowpanbudget.values import dataclass

# of each decade of seconds, so that one is a twentieth or a tenth more than the one before
_ROUND = (*range(10, 20), 20, 22, 24, 25, 27, 30, 32, 35, 38, *range(40, 100, 5))


@dataclass(frozen=True, slots=True)
class Ladder:
    """A number under a ``key``, ``start`` in the design; ``rungs`` are values ever further away from it.

    Between them it takes whole numbers, ``step`` apart, or seconds as people say them (``step`` 0), none of them
    nearer than ``nearest``. Where ``step`` is None there is nothing between them.
    """

    key: str
    start: float
    rungs: tuple[float, ...]
    change: Callable[[float], PossibleChange]
    step: int | None = 1
    nearest: float | None = None

    def between(self, short: float, far: float) -> Sequence[float]:
        """Return the values behind ``short`` up to ``far``, a rung, the nearest first."""
        inner: Sequence[float] = ()
        if self.step:
            way = self.step if far > short else -self.step
            inner = range(int(far) - way, int(short), -way)[::-1]
        elif self.step is not None:
            told = _seconds(min(short, far), max(short, far))
            inner = told if far > short else told[::-1]
        return [*(one for one in inner if self.nearest is None or one <= self.nearest), far]

    @property
    def has_steps(self) -> bool:
        """Return whether it can be changed by more or by less, not only changed or not."""
        return self.step is not None or len(self.rungs) > 1

    def before(self, value: float) -> Sequence[float]:
        """Return the values between the start and this one, the nearest first."""
        if self.step is not None:
            return self.between(self.start, value)[:-1]
        return [one for one in self.rungs if abs(one - self.start) < abs(value - self.start)]


def alone(change: PossibleChange) -> Ladder:
    """Return the ladder of a change that is made or not."""
    return Ladder(change.key, 0, (1,), lambda _: change, None)


def turned_by(
    design: Design,
    key: str,
    rungs: Sequence[float],
    text: Callable[[int], str] | str,
    takes: Callable[[int], str] | str,
    messages: Sequence[MessageAirtime] | None,
    *,
    start: float | None = None,
    step: int | None = 1,
    nearest: float | None = None,
) -> Ladder:
    """Return the ladder of a key, with the rungs that a file may state; ``messages`` are None where it changes frames.

    In texts ``{}`` stands for the value.
    """

    def made(value: float) -> PossibleChange:
        value = int(value) if step else value
        then = with_value(design, key, value)
        said, price = (
            one.format(f"{value:g}") if isinstance(one, str) else one(int(value))
            for one in (text, takes)
        )
        sent = airtime(then) if messages is None else messages
        return PossibleChange(key, said, then, sent, price)

    begin = value_of_key(design, key) if start is None else start
    stated = dict.fromkeys(int(one) if step else one for one in rungs if one != begin)
    allowed = tuple(one for one in stated if is_allowed(with_value(design, key, one), key))
    return Ladder(key, begin, allowed, made, step, nearest)


def doubled(start: float, times: int, most: float | None = None) -> tuple[float, ...]:
    """Return a number twice as large, and so many times so, up to ``most``, which is the last."""
    grown = [start * 2**each for each in range(1, times + 1)]
    if most is None:
        return tuple(grown)
    within = [one for one in grown if one < most]
    return (*within, most) if len(within) < times and most > start else tuple(within)


def rounded_down(seconds: float) -> float:
    """Return whole seconds, of less than one two digits."""
    scale = 1 if seconds >= 1 else 10 ** (1 - floor(log10(seconds)))
    return floor(seconds * scale) / scale


def _seconds(low: float, high: float) -> list[float]:
    decades = range(floor(log10(low)) - 1, floor(log10(high)))
    told = (float(f"{digits}e{decade}") for decade in decades for digits in _ROUND)
    return [one for one in told if low < one < high]
