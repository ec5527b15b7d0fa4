"""Noise on the links of a simulated network: each loss by itself, or in runs."""

from collections.abc import Callable
from math import exp

from lowpanbudget.deployment.delivery import LossStates

Loses = Callable[[float, int, float], bool]  # share, link, seconds


def noise(random: Callable[[], float], runs: LossStates | None) -> Loses:
    """Return what draws whether noise loses what is sent over the link of a number, at a time.

    It is given the share that the link loses alone; ``runs`` are good and bad times of every link in its place.
    """
    if runs is None:
        return lambda loss, _, __: loss > 0 and random() < loss
    good, bad, bad_share, fades_s = runs.good, runs.bad, runs.bad_share, runs.fades_s
    states: dict[int, tuple[float, bool]] = {}

    def loses(_: float, link: int, now_s: float) -> bool:
        share, before = bad_share, states.get(link)
        if before is not None and fades_s:
            keeps = exp((before[0] - now_s) / fades_s)
            share = share * (1 - keeps) + (keeps if before[1] else 0.0)
        is_bad = random() < share
        states[link] = now_s, is_bad
        return random() < (bad if is_bad else good)

    return loses
