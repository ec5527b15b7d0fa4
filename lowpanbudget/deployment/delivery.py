"""What arrives over links that lose frames, and how often each is sent: exact, for losses apart and in runs."""

from math import exp
from typing import NamedTuple

from lowpanbudget.values import dataclass


@dataclass(frozen=True, slots=True)
class LinkTries:
    """A frame over one link: the shares of frames and of acknowledgements that are lost, and its attempts at most.

    Losses are independent of each other.
    """

    loss: float
    answer_loss: float
    attempts: int

    @property
    def succeeds(self) -> float:
        """Return the chance that frame and acknowledgement of one attempt both arrive."""
        return (1 - self.loss) * (1 - self.answer_loss)

    @property
    def delivered(self) -> float:
        """Return the chance that the frame arrives; that its acknowledgement is lost changes nothing of it."""
        return 1 - self.loss**self.attempts

    @property
    def known(self) -> float:
        """Return the chance that the sender knows of it."""
        return 1 - (1 - self.succeeds) ** self.attempts

    @property
    def mean_attempts(self) -> float:
        """Return how often it is sent on average."""
        if not self.succeeds:
            return float(self.attempts)
        return self.known / self.succeeds

    @property
    def duplicates(self) -> float:
        """Return how many copies arrive beside the first, on average."""
        return max((1 - self.loss) * self.mean_attempts - self.delivered, 0.0)


class LossStates(NamedTuple):
    """A link that is good or bad: what it loses in each, how long a bad time lasts in seconds, the part that is bad."""

    good: float
    bad: float
    bad_s: float
    bad_share: float

    @property
    def fades_s(self) -> float:
        """Return after how long a link keeps 1/e of its state; 0: it keeps nothing."""
        return 0.0 if self.bad_share >= 1 or self.bad_s <= 0 else self.bad_s * (1 - self.bad_share)

    def memory(self, apart_s: float) -> float:
        """Return how much of its state a link keeps over a time: 1 all of it, 0 nothing."""
        return exp(-apart_s / self.fades_s) if self.fades_s else 0.0


def delivered_in_runs(states: LossStates, apart_s: float, attempts: int, frames: int) -> float:
    """Return the chance that all frames of a message arrive, each sent up to ``attempts`` times ``apart_s`` apart.

    The chain of Gilbert and Elliott: it starts in the mix of all time, loses by its state, then may change it. For one
    frame this is 1 - v (L B)^(n-1) L 1; several follow each other at the same distance.
    """
    keeps = states.memory(apart_s)
    share = states.bad_share
    to_bad, to_good = share * (1 - keeps), (1 - share) * (1 - keeps)

    def later(good: float, bad: float) -> tuple[float, float]:
        return good * (1 - to_bad) + bad * to_good, good * to_bad + bad * (1 - to_good)

    good, bad = 1 - share, share
    for _ in range(frames):
        arrived = (0.0, 0.0)
        for _ in range(attempts):
            received = later(good * (1 - states.good), bad * (1 - states.bad))
            arrived = (arrived[0] + received[0], arrived[1] + received[1])
            good, bad = later(good * states.good, bad * states.bad)
        good, bad = arrived
    return good + bad
