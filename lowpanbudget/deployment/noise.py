"""Noise on the links of a simulated network: each loss by itself, or in runs."""

from collections.abc import Callable
from math import exp

from lowpanbudget.deployment.delivery import LossStates


class Noise:
    """Draws what noise loses; ``runs`` are good and bad times of every link, in place of the shares of frames."""

    __slots__ = ("_fades_s", "_random", "_runs", "_states")

    def __init__(self, random: Callable[[], float], runs: LossStates | None) -> None:
        self._random, self._runs = random, runs
        self._fades_s = 0.0 if runs is None else runs.fades_s
        self._states: dict[int, tuple[float, bool]] = {}

    def loses(self, loss: float, link: int, now_s: float) -> bool:
        """Return whether what is sent over the link of this number, now, is lost: ``loss`` is its share alone."""
        runs = self._runs
        if runs is None:
            return loss > 0 and self._random() < loss
        share = runs.bad_share
        before = self._states.get(link)
        if before is not None and self._fades_s:
            keeps = exp((before[0] - now_s) / self._fades_s)
            share = share * (1 - keeps) + (keeps if before[1] else 0.0)
        is_bad = self._random() < share
        self._states[link] = (now_s, is_bad)
        return self._random() < (runs.bad if is_bad else runs.good)
