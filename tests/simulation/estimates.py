"""Numbers that a simulation gives, each with its standard error."""

from collections.abc import Iterable, Sequence
from math import sqrt
from typing import NamedTuple


class Estimate(NamedTuple):
    """A value and its standard error."""

    value: float
    error: float

    def agrees(self, other: "float | Estimate", errors: float = 4.0) -> bool:
        """Whether another value, or one with an error of its own, lies within so many standard errors."""
        value, error = other if isinstance(other, Estimate) else (other, 0.0)
        return abs(self.value - value) <= errors * sqrt(self.error**2 + error**2)


def share(count: int, total: int) -> Estimate:
    """A share of independent trials; none of a kind counts as one where the error is told."""
    value = count / total
    seen = min(max(count, 1), total - 1) / total
    return Estimate(value, sqrt(seen * (1 - seen) / total))


def mean(values: Sequence[float]) -> Estimate:
    """The mean of independent values."""
    middle = sum(values) / len(values)
    spread = sum((one - middle) ** 2 for one in values) / (len(values) - 1)
    return Estimate(middle, sqrt(spread / len(values)))


def quantile(values: Iterable[float], part: float) -> Estimate:
    """A quantile of independent values; its error is the wider side of what one standard error of ranks spans.

    The rank of a quantile is binomial: it varies by sqrt(n p (1 - p)). Where values thin out at a step of their
    distribution, one side says nothing about the other.
    """
    ordered = sorted(values)
    last = len(ordered) - 1
    off = sqrt(len(ordered) * part * (1 - part))
    low, high = (ordered[min(max(round(part * last + by), 0), last)] for by in (-off, off))
    middle = ordered[round(part * last)]
    return Estimate(middle, max(high - middle, middle - low))


def over_runs(values: Sequence[float]) -> Estimate:
    """A value that several runs gave: what happens within one run is not independent, runs are."""
    return mean(values)
