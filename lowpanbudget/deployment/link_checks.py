"""Whether the tries on links fail more often than planned: all links of a capture are one question."""

from collections.abc import Iterator, Mapping, Sequence
from math import floor
from typing import NamedTuple

from lowpanbudget.deployment.confidence import CONFIDENCE, at_most, upper
from lowpanbudget.deployment.family import sure_text, tails
from lowpanbudget.deployment.measured import MeasuredLink, PlanCheck, PlanNumber, PlanVerdict
from lowpanbudget.deployment.met import met_share
from lowpanbudget.design.loss import FrameLoss
from lowpanbudget.design.meaning import Design
from lowpanbudget.env import link_text

_ROUNDED = 10_000
_LITTLE = 0.01  # loss of a link that no plan minds; our choice


class _LostTries(NamedTuple):
    """The tries of a link: ``planned`` of ``trials`` are to fail, ``ended`` did not, or so many at the ``kindest``.

    ``one_way`` is what a frame alone is to lose, ``met`` the share that others hit.
    """

    link: MeasuredLink
    one_way: float
    planned: float
    trials: int
    ended: int
    kindest: int
    met: float = 0.0

    @property
    def chance(self) -> float:
        """Return the chance that so many fail by the plan."""
        return at_most(self.kindest, self.trials, 1 - self.planned)

    def meeting(self, met: float) -> "_LostTries":
        """Return the same where others hit such a share of the frames."""
        return self._replace(planned=1 - (1 - self.planned) * (1 - met), met=met)

    def bound(self, tail: float) -> float:
        """Return the share that fails at least, but for a chance of ``tail``."""
        return 1 - upper(self.kindest, self.trials, tail)


def link_checks(design: Design, links: tuple[MeasuredLink, ...]) -> Iterator[PlanCheck]:
    """Yield what the plan says of the tries on links."""
    judged = {} if design.loss is None else {one.link: one for one in _lost(design.loss, links)}
    held = _held(judged)
    if any(one.chance < held[link] for link, one in judged.items()) and (met := met_share(design)):
        # it is the network's plan, and none of the loss of a link, that frames meet: played where it may decide
        judged = {link: one.meeting(met) for link, one in judged.items()}
        held = _held(judged)
    for link in links:
        if design.access is not None:
            most = design.access.retries + 1
            if link.most_tries > most:
                why = f"a frame was sent {link.most_tries} times; with {most - 1} retries it is {most} at most"
                yield PlanCheck(
                    PlanNumber.TRIES, _name(link), most, link.most_tries, "tries", PlanVerdict.OUTSIDE, why
                )  # fmt: skip
        if link in judged:
            yield _loss(judged[link], held[link], len(judged))


def _name(link: MeasuredLink) -> str:
    return f"{link_text(link.sender)} to {link_text(link.receiver)}"


def _lost(loss: FrameLoss, links: Sequence[MeasuredLink]) -> Iterator[_LostTries]:
    """Yield the links whose tries are known, with what is planned to be lost.

    What was lost on one way alone depends on where it was heard: beside the sender an acknowledgement is heard when the
    sender hears it, beside the receiver whenever it is sent. That the sender tried again is heard at both places, so a
    try is held against a frame and an acknowledgement that both come through.
    """
    for link in links:
        ended = link.ended
        if ended is None or not ended.trials:
            continue
        one_way = loss.of(round(link.octets))
        planned = 1 - (1 - one_way) * (1 - loss.of(link.answer_octets or round(link.octets)))
        kindest = min(ended.count + link.perhaps, ended.trials)
        yield _LostTries(link, one_way, planned, ended.trials, ended.count, kindest)


def _held(judged: Mapping[MeasuredLink, _LostTries]) -> dict[MeasuredLink, float]:
    """Return the chance of error that each link is held to."""
    return dict(zip(judged, tails([one.chance for one in judged.values()]), strict=True))


def _loss(one: _LostTries, tail: float, links: int) -> PlanCheck:
    """Return whether more tries fail than was planned for, with less chance of error than ``tail``."""
    share = one.link.ended
    assert share is not None  # or it were not judged
    failed, alone = one.trials - one.ended, 1 - CONFIDENCE
    verdict = PlanVerdict.OPEN
    if 1 - share.least <= max(2 * one.planned, _LITTLE):
        verdict = PlanVerdict.WITHIN
    fail = f"{1 - share.most:.1%} to {1 - share.least:.1%} fail, there or back (two-sided 95 %)"
    if one.chance < tail:
        verdict = PlanVerdict.OUTSIDE
        # the ends of two sides may still hold the plan: what decides is told, rounded away from what is proved
        bound = floor(one.bound(tail) * _ROUNDED) / _ROUNDED
        fail = f"{bound:.2%} or more fail, there or back ({sure_text(links, 'links')})"
    elif one.bound(alone) > one.planned:
        verdict = PlanVerdict.OPEN
        fail += f"; alone it were over the plan, of {links} links one looks so by chance"
    why = (
        f"{failed} of {one.trials} tries were sent again or given up: {fail}; "
        f"the design plans {one.one_way:.1%} for a frame one way, "
    )
    if one.met:
        why += f"and that others hit {one.met:.2%} of them, "
    why += f"so {one.planned:.2%}"
    return PlanCheck(
        PlanNumber.LOSS, _name(one.link), one.planned, failed / one.trials, "share", verdict, why
    )
