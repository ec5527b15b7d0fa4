"""What is asked of many at once: all links or flows of a capture are one question to it.

Each judged for itself, one-sided with 95 %, 1 in 20 that only just keep the plan would look outside of it, and of
50 nearly always one. So they are held to 5 % together, by Holm's steps (Scand. J. Statist. 6 (1979); from memory):
the worst of m against 5 % / m, the next against 5 % / (m - 1), up to the first that chance explains.
"""

from collections.abc import Sequence

from lowpanbudget.deployment.confidence import CONFIDENCE


def tails(chances: Sequence[float]) -> list[float]:
    """Return what each of these chances is held to: where it is less, chance does not explain what was seen."""
    found, tail, goes_on = [0.0] * len(chances), 0.0, True
    for step, place in enumerate(sorted(range(len(chances)), key=chances.__getitem__)):
        if goes_on:
            tail = (1 - CONFIDENCE) / (len(chances) - step)
        goes_on = goes_on and chances[place] < tail
        found[place] = tail
    return found


def sure_text(of: int, what: str) -> str:
    """Return how sure a bound is, where it is that of one of so many."""
    return "one-sided 95 %" if of == 1 else f"one-sided, 95 % for all {of} {what} together"
