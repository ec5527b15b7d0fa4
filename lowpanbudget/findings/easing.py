"""Whether a change leaves less of what is in the way, and how surely so."""

from math import hypot

from lowpanbudget.deployment.carried import LimitCheck
from lowpanbudget.deployment.change import LESS

PLAYED = ("delivery", "latency", "queue")  # what comes out of a simulation
CLEARLY = 2  # times what was left open: of many changes one or another is better by more than that by chance


def eased(before: LimitCheck, after: LimitCheck, times: int = 1) -> bool:
    """Return whether a change leaves so much less of what strains a check that it is worth telling.

    What was played is less only where that is more than what both leave open, or so many ``times`` as much.
    """
    unsure = _unsure(before, after) * times
    if not after.holds and before.measured - after.measured <= unsure and unsure:
        return False
    return is_less(before, after)


def is_all_late(check: LimitCheck) -> bool:
    """Return whether nothing is in time: by how much it is late is not told, and a change may ease that unseen."""
    return check.matter == "latency" and check.measured + check.half_width >= 1


def is_promising(before: LimitCheck, after: LimitCheck) -> bool:
    """Return whether it came out better by half of what both leave open: that is a standard error."""
    less = before.measured - after.measured
    return is_less(before, after) and less > _unsure(before, after) / 2


def _unsure(before: LimitCheck, after: LimitCheck) -> float:
    return hypot(before.half_width, after.half_width)


def is_less(before: LimitCheck, after: LimitCheck) -> bool:
    """Return whether so much less is in the way that it is worth telling, however unsure it is."""
    return over(after) < over(before) * LESS


def over(check: LimitCheck) -> float:
    """Return how far something is over what is allowed; where it was played by what came out, not by its best case."""
    if check.matter in PLAYED and check.allowed:
        return check.measured / check.allowed
    return check.strain
