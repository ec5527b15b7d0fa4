"""A change that helps: what is told of it, and the change itself."""

from typing import NamedTuple

from lowpanbudget.deployment.burst_plan import BurstPlan
from lowpanbudget.deployment.carried import LimitCheck
from lowpanbudget.deployment.change import PossibleChange
from lowpanbudget.deployment.ladder import Ladder
from lowpanbudget.values import dataclass


@dataclass(frozen=True, slots=True)
class HelpfulChange:
    """A change alone: the ``key`` of the design file, the change in words, and what it makes of what decides.

    ``before`` and ``after`` are the check that decides, or that of clocks, ``then`` what decides after it. The network
    then carries everything where it ``holds``; where it ``is_close`` that is too close to tell. ``fails`` names what
    then is wrong in the design itself, a failure that ``review`` finds as well. ``caution`` says what it takes. Where
    it ``is_doubtful`` it came out better, but by no more than what was played leaves open: it may be no help.
    """

    key: str
    text: str
    before: LimitCheck
    after: LimitCheck | None
    holds: bool
    then: LimitCheck | None
    caution: str = ""
    is_close: bool = False
    fails: tuple[str, ...] = ()
    is_doubtful: bool = False


class Helping(NamedTuple):
    """A change that helps, as it is told, and the change itself; one that ``is_whole`` breaks nothing else.

    ``left``: of changes that help alike, the one that leaves least of what is too much comes first. ``plan`` is what
    then becomes of a burst; the ``ladder`` knows by how much less or more it may be changed.
    """

    told: HelpfulChange
    change: PossibleChange
    is_whole: bool = True
    left: float = 0.0
    plan: BurstPlan | None = None
    ladder: Ladder | None = None
