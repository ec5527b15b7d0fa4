"""Senders that report at nearly the same times: started together, they meet on the air again and again."""

from collections.abc import Iterator, Sequence
from math import exp
from statistics import median

from lowpanbudget.deployment.flows_seen import FlowJourneys, intervals
from lowpanbudget.deployment.journeys import SECOND
from lowpanbudget.deployment.measured import ReportsTogether

# our choices: what is near, as a share of the period and at most so many seconds; how many senders and reports tell
_NEAR, _NEAREST_S = 0.01, 0.5
_SENDERS, _REPORTS = 3, 5


def reports_together(groups: Sequence[FlowJourneys]) -> Iterator[ReportsTogether]:
    """Yield flows of several senders, with how many of their reports began together.

    Only reports that were heard where they left count, and flows of three senders or more with five reports each.
    """
    flows: dict[tuple[str, str | None], list[FlowJourneys]] = {}
    for group in groups:
        name = group.journeys[0].crossing.flow_name
        if name is not None:
            flows.setdefault((name, group.message), []).append(group)
    for (name, message), senders in flows.items():
        found = _together(message or name, senders)
        if found is not None:
            yield found


def _together(name: str, groups: Sequence[FlowJourneys]) -> ReportsTogether | None:
    left: list[tuple[int, int]] = []
    periods = []
    for sender, group in enumerate(groups):
        starts = [None if one.left is None else one.left.first_ns for one in group.journeys]
        known = [start for start in starts if start is not None]
        gaps = intervals(starts, group.numbers)
        if len(known) >= _REPORTS and gaps:
            left += [(start, sender) for start in known]
            periods.append(median(gaps))
    if len(periods) < _SENDERS:
        return None
    period = median(periods)
    near = min(_NEAR * period, _NEAREST_S)
    left.sort()
    together = sum(_has_near(left, at, near * SECOND) for at in range(len(left)))
    chance = 1 - exp(-2 * near * (len(periods) - 1) / period) if period > 0 else 1.0
    return ReportsTogether(name, len(periods), len(left), together, near, chance)


def _has_near(left: Sequence[tuple[int, int]], at: int, near_ns: float) -> bool:
    """Return whether another sender began within that time of a report; ``left`` is in order of time."""
    start, sender = left[at]
    for step in (-1, 1):
        other = at + step
        while 0 <= other < len(left) and abs(left[other][0] - start) <= near_ns:
            if left[other][1] != sender:
                return True
            other += step
    return False
