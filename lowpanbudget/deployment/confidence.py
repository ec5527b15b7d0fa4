"""How sure a measured number is: shares with exact intervals, and what so many values say of quantiles.

A share of independent trials has the exact binomial interval (Clopper and Pearson, Biometrika 26 (1934)): its ends are
quantiles of beta distributions, found here by halving the incomplete beta function (DLMF section 8.17). What is played
is played on until that is enough, so that a plain formula does for it (Wilson's).
"""

from collections.abc import Sequence
from functools import lru_cache
from math import ceil, exp, floor, isclose, lgamma, log, log1p, sqrt
from typing import NamedTuple

from lowpanbudget.values import dataclass

CONFIDENCE = 0.95
BEYOND = 5  # values that must lie beyond a quantile before it is told: 500 for 99 %; our choice
_NORMAL = 1.959964  # standard errors of 95 %
_TINY = 1e-300
_HALVINGS = 60


@dataclass(frozen=True, slots=True)
class MeasuredShare:
    """``count`` of ``trials``, and the share that this proves.

    ``least`` and ``most`` are the ends of the exact two-sided interval of 95 %; ``at_least`` and ``at_most`` each hold
    alone with 95 %. ``share`` is None without a trial. Where more may have come by unheard, the upper ends are those of
    ``count`` and all of these.
    """

    count: int
    trials: int
    share: float | None
    least: float
    most: float
    at_least: float
    at_most: float


@lru_cache(maxsize=4096)  # links and flows of a network have the same few
def share_of(count: int, trials: int, perhaps: int = 0) -> MeasuredShare:
    """Return a share of independent trials with its exact intervals; ``perhaps`` as many more are in it."""
    tail, kindest = 1 - CONFIDENCE, min(count + perhaps, trials)
    share = count / trials if trials else None
    return MeasuredShare(
        count, trials, share, lower(count, trials, tail / 2), upper(kindest, trials, tail / 2),
        lower(count, trials, tail), upper(kindest, trials, tail),
    )  # fmt: skip


def wilson(share: float, trials: int) -> tuple[float, float]:
    """Return between which shares the true one lies (95 %), where so many independent trials came out with this one.

    They are those that the share is no more than 1.96 of their own standard errors away from (Wilson, J. Am. Stat.
    Assoc. 22 (1927)). With the standard error of the share that came out (Wald) they would be too few near 0 and 1
    (Brown, Cai and DasGupta, Stat. Sci. 16 (2001); both from memory).
    """
    square = _NORMAL**2 / trials
    middle = (share + square / 2) / (1 + square)
    half = sqrt(square * (share * (1 - share) + square / 4)) / (1 + square)
    return max(min(middle - half, share), 0.0), min(max(middle + half, share), 1.0)


def towards(wanted: float, share: float, trials: int) -> float:
    """Return how far the true share may be from the one that came out, on the side of what is ``wanted`` (95 %)."""
    least, most = wilson(share, trials)
    return share - least if share >= wanted else most - share


def lower(count: int, trials: int, tail: float) -> float:
    """Return the share at which ``count`` or more of ``trials`` have the chance ``tail``."""
    if not count:
        return 0.0
    if count == trials:
        return float(tail ** (1 / trials))
    return _quantile(tail, count, trials - count + 1)


def upper(count: int, trials: int, tail: float) -> float:
    """Return the share at which ``count`` or fewer of ``trials`` have the chance ``tail``."""
    return 1.0 - lower(trials - count, trials, tail)


def at_most(count: int, trials: int, share: float) -> float:
    """Return the chance that no more than ``count`` of ``trials`` are good, where ``share`` of all are.

    That is an incomplete beta function (DLMF 8.17.5; from memory).
    """
    if count >= trials or share <= 0:
        return 1.0
    return _incomplete_beta(trials - count, count + 1, 1 - share) if share < 1 else 0.0


def share_of_runs(runs: Sequence[tuple[float, int]]) -> tuple[float, float]:
    """Return the share of all trials, of (count, trials) of each run, and how far it may be off (95 %).

    Runs are independent of each other, trials of one run are not: a queue that refuses one frame refuses the next. So
    the spread of the runs counts (a ratio estimate with Student's t), never less than if all trials were independent;
    where nothing was counted, or everything, the bound for none in so many.
    """
    count, trials = sum(one for one, _ in runs), sum(all_ for _, all_ in runs)
    if not trials:
        return 0.0, 1.0
    share = count / trials
    spread = sum((one - share * all_) ** 2 for one, all_ in runs)
    apart = _student(len(runs) - 1) * sqrt(spread * len(runs) / (len(runs) - 1)) / trials
    alone = _NORMAL * sqrt(max(share * (1 - share), 0.0) / trials)
    return share, max(apart, alone, 1 - float((1 - CONFIDENCE) ** (1 / trials)))


def mean_of_runs(runs: Sequence[Sequence[float]]) -> tuple[float, float]:
    """Return the mean of all values, and how far it may be off (95 %): as ``share_of_runs`` does of shares."""
    values = [value for run in runs for value in run]
    if not values:
        return 0.0, 0.0
    count, mean = len(values), sum(values) / len(values)
    spread = sum((sum(run) - mean * len(run)) ** 2 for run in runs)
    apart = _student(len(runs) - 1) * sqrt(spread * len(runs) / (len(runs) - 1)) / count
    alone = _NORMAL * sqrt(sum((value - mean) ** 2 for value in values)) / count
    return mean, max(apart, alone)


def ends_of(ordered: Sequence[float], part: float, half: float) -> tuple[float, float | None]:
    """Return between which values a quantile lies, from how far off the share of values below it may be (95 %).

    They are those at the shares ``part`` less and more ``half`` (Woodruff, J. Am. Stat. Assoc. 47 (1952); from memory);
    0.0 and None where there are too few values to tell an end.
    """
    least, most = floor(len(ordered) * (part - half)) - 1, ceil(len(ordered) * (part + half))
    return ordered[least] if least >= 0 else 0.0, ordered[most] if most < len(ordered) else None


def _student(freedom: int) -> float:
    """Return the two-sided quantile of 95 % of Student's t (Abramowitz and Stegun 26.7.5), for 5 or more."""
    z = _NORMAL
    first, second = (z**3 + z) / 4, (5 * z**5 + 16 * z**3 + 3 * z) / 96
    return z + first / freedom + second / freedom**2


def trials_for(share: float) -> int:
    """Return how many trials, all of them good, prove that a share is at least so high, with 95 %."""
    if share >= 1:
        raise ValueError("no number of trials proves that nothing is ever lost")
    return ceil(log(1 - CONFIDENCE) / log(share)) if share > 0 else 1


def _quantile(part: float, a: float, b: float) -> float:
    """Return the value below which a beta distribution has this part."""
    low, high = 0.0, 1.0
    for _ in range(_HALVINGS):
        middle = (low + high) / 2
        if not low < middle < high:
            break  # no number lies between them
        if _incomplete_beta(a, b, middle) < part:
            low = middle
        else:
            high = middle
    return (low + high) / 2


def _incomplete_beta(a: float, b: float, x: float) -> float:
    """Return the regularized incomplete beta function by its continued fraction (DLMF 8.17.22), which wants small x.

    ``x`` lies between 0 and 1, neither included.
    """
    if x > (a + 1) / (a + b + 2):
        return 1 - _incomplete_beta(b, a, 1 - x)
    front = exp(lgamma(a + b) - lgamma(a) - lgamma(b) + a * log(x) + b * log1p(-x)) / a
    # evaluated from the front: numerators d_1, d_2, ... over 1 + ... ; numerator and denominator grow step by step
    upper_before, upper_now, lower_before, lower_now = 1.0, 1.0, 0.0, 1.0
    ratio = 0.0
    for step in range(1, 10_000):
        half = step // 2
        if step % 2:
            term = -(a + half) * (a + b + half) * x / ((a + 2 * half) * (a + 2 * half + 1))
        else:
            term = half * (b - half) * x / ((a + 2 * half - 1) * (a + 2 * half))
        upper_before, upper_now = upper_now, upper_now + term * upper_before
        lower_before, lower_now = lower_now, lower_now + term * lower_before
        scale = upper_now if abs(upper_now) > _TINY else _TINY
        upper_before, upper_now = upper_before / scale, 1.0
        lower_before, lower_now = lower_before / scale, lower_now / scale
        if isclose(lower_now, ratio, rel_tol=1e-15):
            break
        ratio = lower_now
    return front * lower_now


class Quantile(NamedTuple):
    """The value that this ``part`` of values does not exceed."""

    part: float
    value: float


@dataclass(frozen=True, slots=True)
class Spread:
    """How some values spread: how many, the mean with its standard error, the least, the most, the deviation.

    ``quantiles`` are those of 5, 50, 95 and 99 % that so many values can tell: five or more must lie beyond one.
    """

    values: int
    mean: float
    error: float
    deviation: float
    least: float
    most: float
    quantiles: tuple[Quantile, ...]

    def quantile(self, part: float) -> float | None:
        """Return a quantile, None where there are too few values for it."""
        return next((one.value for one in self.quantiles if one.part == part), None)

    @property
    def median(self) -> float:
        """Return the value in the middle; of few values the mean stands for it."""
        middle = self.quantile(0.5)
        return self.mean if middle is None else middle


_PARTS = (0.05, 0.5, 0.95, 0.99)


def spread_of(values: Sequence[float]) -> Spread | None:
    """Return how values spread; None of none."""
    if not values:
        return None
    ordered, count = sorted(values), len(values)
    mean = sum(ordered) / count
    deviation = sqrt(sum((one - mean) ** 2 for one in ordered) / (count - 1)) if count > 1 else 0.0
    quantiles = tuple(
        Quantile(part, ordered[ceil(part * count) - 1])
        for part in _PARTS
        if count * min(part, 1 - part) >= BEYOND - 1e-9
    )
    return Spread(
        count, mean, deviation / sqrt(count), deviation, ordered[0], ordered[-1], quantiles
    )


def values_for(part: float) -> int:
    """Return how many values a quantile wants before it is told."""
    return ceil(BEYOND / min(part, 1 - part) - 1e-9)
