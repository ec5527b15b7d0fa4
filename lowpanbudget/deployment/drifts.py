"""Clocks of nodes that are off: the period of one node over many intervals, beside the plan and all others of its flow.

One interval tells nothing: it has the jitter of two messages. The mean of many has a small part of it.
"""

from collections.abc import Iterator, Mapping, Sequence
from math import hypot
from statistics import median
from typing import NamedTuple

from lowpanbudget.deployment.confidence import Spread
from lowpanbudget.deployment.measured import MeasuredFlow
from lowpanbudget.deployment.rhythm import at_random
from lowpanbudget.deployment.rhythm_checks import OFF_RHYTHM

# our choices: intervals that tell a period, others of the flow that tell what is usual, standard errors that chance
# seldom makes among many flows, and what is more than any crystal is off: 40 of a million and aging are far less
FEWEST, OTHERS, _ERRORS, _LEAST = 10, 3, 4, 0.003
_MISSED = 1.5  # of the interval in the middle is one in which a message is missing; our choice


class Drift(NamedTuple):
    """A ``flow`` whose period is ``off`` by this share of the plan, give or take ``error``; ``others_s`` is theirs."""

    flow: MeasuredFlow
    planned_s: float
    every_s: float
    off: float
    error: float
    others_s: float
    others: int


def drifts(flows: Sequence[MeasuredFlow], planned: Mapping[str, float]) -> Iterator[Drift]:
    """Yield the flows whose sender's clock is off; ``planned`` are intervals by title.

    What all are off by is the plan's, or the clock of whoever captured: none of them is told.
    """
    kinds: dict[tuple[str | None, str | None, float], list[tuple[MeasuredFlow, Spread]]] = {}
    for flow in flows:
        spread, every = flow.interval, planned.get(flow.title)
        if every is not None and spread is not None and _has_period(flow, spread):
            kinds.setdefault((flow.name, flow.message, every), []).append((flow, spread))
    for (_, _, every), alike in kinds.items():
        for flow, spread in alike:
            beside = [other for one, other in alike if one is not flow]
            if len(beside) < OTHERS:
                continue
            others_s = median(other.mean for other in beside)
            error_s = hypot(spread.error, median(other.error for other in beside))
            least_s = max(_ERRORS * error_s, _LEAST * every)
            off_s, beside_s = spread.mean - every, spread.mean - others_s
            is_off = min(abs(off_s), abs(beside_s)) > least_s and off_s * beside_s > 0
            if is_off and abs(off_s) <= OFF_RHYTHM * every:  # more is another interval
                yield Drift(
                    flow, every, spread.mean, off_s / every, spread.error / every, others_s, len(beside)
                )  # fmt: skip


def _has_period(flow: MeasuredFlow, spread: Spread) -> bool:
    """Return whether messages come by a clock, none of them missing between, and nearly as often as planned."""
    if spread.values < FEWEST or at_random(list(flow.rhythm), spread):
        return False
    return spread.most < _MISSED * spread.median and spread.least > spread.median / _MISSED
