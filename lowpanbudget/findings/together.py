"""Changes made together, where none alone is enough: the best one stays, and what helps beside it is sought again."""

from collections.abc import Callable, Sequence
from functools import cache, partial
from typing import NamedTuple

from lowpanbudget.arguments import function_or_none, value_of
from lowpanbudget.deployment.airtime import airtime
from lowpanbudget.deployment.burst import PlayedBurst, runs_like
from lowpanbudget.deployment.burst_plan import BurstPlan
from lowpanbudget.deployment.carried import CarriedNetwork, LimitCheck
from lowpanbudget.deployment.carry import carry, judged
from lowpanbudget.deployment.fewest import fewest, value_of_key, with_value
from lowpanbudget.deployment.ladder import Ladder
from lowpanbudget.design.meaning import Design
from lowpanbudget.findings.burst_helps import Besides, burst_helping
from lowpanbudget.findings.deployed import deployment_failures
from lowpanbudget.findings.easing import PLAYED, over
from lowpanbudget.findings.helpful import Helping
from lowpanbudget.findings.helps import helping
from lowpanbudget.findings.looks import is_refuted, may_be_luck
from lowpanbudget.values import dataclass, replace

Tell = Callable[[int, int], None]  # how many changes of a round were tried, of how many
_MOST = 3  # changes: of more nobody knows what each is for
_STARTS = 2  # of networks: the change that eases most may leave no way on
_ROUNDS = 5  # one number may have to grow in several of them
_LEAVES = 0.9  # of what is too much at most: three changes that each leave more are not enough


@dataclass(frozen=True, slots=True)
class ChangesTogether:
    """Changes that are enough together, and would not be if one of them were left out.

    ``keys`` of the design file, the changes in words, ``texts``, and what each takes, ``cautions`` (empty: nothing
    that is known). ``then`` is what decides with all of them made; where that ``is_close`` it is too close to tell
    whether they are enough. Numbers are changed by as little as is enough. What was asked for, how much, how often and
    by when, is left as it is. Other sets may be enough as well.
    """

    keys: tuple[str, ...]
    texts: tuple[str, ...]
    cautions: tuple[str, ...]
    then: LimitCheck
    is_close: bool = False


class SetTrial(NamedTuple):
    """Whether a design is enough, whether that is too close to tell, and what decides."""

    holds: bool
    is_close: bool
    decides: LimitCheck


def changes_that_help_together(
    design: Design, played: CarriedNetwork | BurstPlan, *, tell: Tell | None = None
) -> ChangesTogether | None:
    """Return changes that are enough together; None where one alone is, where none is needed, or none were found.

    ``played`` is what ``carry(design)`` gave, or ``carry_burst`` of one burst. Of the changes that help alone the best
    one is made, those that help beside it are sought, and so on, up to three. ``tell`` is called with how many of a
    round were tried, and of how many. Raises ``RequestError`` as these do.
    """
    design = Design.of(design)
    function_or_none(tell, "tell")
    if isinstance(played, BurstPlan):
        return burst_together(design, played, burst_helping(design, played, tell), tell)
    network = value_of(CarriedNetwork, played, "Give what carry(design) or carry_burst returned")
    return network_together(design, network, helping(design, network, tell), tell)


def network_together(
    design: Design, network: CarriedNetwork, alone: Sequence[Helping], tell: Tell | None = None
) -> ChangesTogether | None:
    """Return changes with which a network carries its messages, where none that helps ``alone`` is enough; or None."""
    carried = cache(partial(_carried, seed=network.seed))
    # which had no part in choosing what is made together
    again = cache(partial(_carried, seed=network.seed + 1))

    def seek(then: Design) -> Sequence[Helping]:
        return helping(then, carried(then), tell)

    def judge(then: Design) -> SetTrial | None:
        played = carried(then)
        fails = deployment_failures(then, airtime(then), played)
        if played.decides is None or fails:
            return None
        return trial_of(played, played.decides, lambda: any(map(is_refuted, again(then).checks)))

    return _together(design, alone, seek, judge, _STARTS)


def _carried(design: Design, seed: int) -> CarriedNetwork:
    """Return what ``carry`` does; of slots where something is in the way that needs not be played, without playing."""
    access = design.access
    if access is not None and access.slots is not None:
        network = judged(design, access, airtime(design), seed, services=())
        if any(
            not one.holds and not one.is_close and one.matter not in PLAYED
            for one in network.checks
        ):
            return network
    return carry(design, seed=seed)


def burst_together(
    design: Design, plan: BurstPlan, alone: Sequence[Helping], tell: Tell | None = None
) -> ChangesTogether | None:
    """Return changes with which a burst is in, where none that helps ``alone`` is enough; or None."""
    plans: dict[Design, BurstPlan] = {}

    def known(found: Sequence[Helping]) -> Sequence[Helping]:
        plans.update({one.change.design: one.plan for one in found if one.plan is not None})
        return found

    def play(then: Design) -> BurstPlan:
        if then not in plans:
            plans[then] = PlayedBurst(then, plan.name, plan.seed).plan(runs_like(plan))
        return plans[then]

    @cache
    def again(then: Design) -> BurstPlan:
        return PlayedBurst(then, plan.name, plan.seed + 1).plan(runs_like(plan))

    def seek(then: Design) -> Sequence[Helping]:
        return known(burst_helping(then, play(then), tell))

    besides = Besides(design, plan.seed)

    def judge(then: Design) -> SetTrial | None:
        played = play(then)
        if besides.fails(then) or besides.broken(then) is not None:
            return None
        return trial_of(played, played.checks[0], lambda: not again(then).holds)

    return _together(design, known(alone), seek, judge)


def trial_of(
    played: CarriedNetwork | BurstPlan, decides: LimitCheck, is_refuted_again: Callable[[], bool]
) -> SetTrial:
    """Return what changes come to: where luck may decide they must be enough from another seed as well."""
    is_luck = played.holds and may_be_luck(played.checks) and is_refuted_again()
    return SetTrial(played.holds and not is_luck, played.is_close or is_luck, decides)


def _together(
    design: Design,
    alone: Sequence[Helping],
    seek: Callable[[Design], Sequence[Helping]],
    judge: Callable[[Design], SetTrial | None],
    starts: int = 1,
) -> ChangesTogether | None:
    """Return changes that are enough together, begun with the best one, then with others up to so many ``starts``."""
    if any(_is_enough(one) for one in alone):
        return None
    best: ChangesTogether | None = None
    for first in list(filter(_may_stay, alone))[:starts]:
        found = _begun_with(first, design, seek, judge)
        if found is not None and (best is None or len(found.keys) < len(best.keys)):
            best = found
        if best is not None and len(best.keys) < _MOST:
            break
    return best


def _begun_with(
    first: Helping,
    design: Design,
    seek: Callable[[Design], Sequence[Helping]],
    judge: Callable[[Design], SetTrial | None],
) -> ChangesTogether | None:
    """Return the best change of each round until they are enough, without those that are not needed at the end."""
    made: dict[str, Helping] = {}  # what a key is changed to later takes the place of the earlier
    ladders: dict[str, Ladder] = {}  # of each key the first, which begins at the design's own value
    found: Sequence[Helping] = (first,)
    seen: set[Design] = set()
    for _ in range(_ROUNDS):
        may_stay = filter(_may_stay, found)
        best = next((one for one in may_stay if one.change.key in made or len(made) < _MOST), None)
        if best is None:
            return None
        then = best.change.design
        if then in seen:
            return None  # one change takes back what another did
        seen.add(then)
        made.pop(best.change.key, None)  # the last one stands last
        made[best.change.key] = best
        if best.ladder is not None:
            ladders.setdefault(best.change.key, best.ladder)
        if _is_enough(best):
            trial = judge(then)
            if trial is None or not (trial.holds or trial.is_close):
                return None
            return LeastTogether(design, judge).least(then, made, ladders, trial)
        found = seek(then)
    return None


def _is_enough(one: Helping) -> bool:
    return one.told.holds or one.told.is_close


def _may_stay(one: Helping) -> bool:
    """Return whether others may be sought beside a change: it surely helps, breaks nothing and asks for no less."""
    if one.told.is_doubtful or one.change.asks_less or not one.is_whole:
        return False
    if "," in one.change.key:
        return False  # changes of headers, which are no single value of the design
    after = one.told.after
    return after is None or after.holds or over(after) <= over(one.told.before) * _LEAVES


class LeastTogether:
    """Takes out of changes that are enough what is not needed for that."""

    def __init__(self, design: Design, judge: Callable[[Design], SetTrial | None]) -> None:
        self._design, self._judge = design, judge

    def least(
        self, then: Design, made: dict[str, Helping], ladders: dict[str, Ladder], trial: SetTrial
    ) -> ChangesTogether:
        """Return the changes that ``made`` a design that is enough, each with as little as is enough."""
        needed, trial = self._needed(then, made, trial)
        then = _with(self._design, then, list(needed))
        changes = {key: one.change for key, one in needed.items()}
        # the last was sought beside the others and is little enough: what these have more than it asks for goes first
        for key in needed:
            ladder = ladders.get(key)
            if ladder is not None and ladder.has_steps:
                fewer = ladder.before(value_of_key(then, key))
                then, trial = self._as_little(then, trial, key, fewer)
                changes[key] = ladder.change(value_of_key(then, key))
        texts, cautions = (
            tuple(getattr(one, name) for one in changes.values()) for name in ("text", "caution")
        )
        return ChangesTogether(tuple(changes), texts, cautions, trial.decides, trial.is_close)

    def _as_little(
        self, then: Design, trial: SetTrial, key: str, fewer: Sequence[float]
    ) -> tuple[Design, SetTrial]:
        """Return a design with the least value that is enough, of those ``fewer`` or its own."""

        def is_enough(place: int) -> bool:
            nonlocal then, trial
            less = with_value(then, key, fewer[place])
            found = self._as_good(less, trial)
            if found is not None:
                then, trial = less, found
            return found is not None

        fewest(-1, len(fewer), is_enough)
        return then, trial

    def _needed(
        self, then: Design, made: dict[str, Helping], trial: SetTrial
    ) -> tuple[dict[str, Helping], SetTrial]:
        """Return the changes without those that the others do not need, and what they come to."""
        needed = dict(made)
        for key in list(made)[:-1]:  # without the last the others were not enough
            others = [one for one in needed if one != key]
            found = self._as_good(_with(self._design, then, others), trial)
            if found is not None:
                needed.pop(key)
                trial = found
        return needed, trial

    def _as_good(self, then: Design, trial: SetTrial) -> SetTrial | None:
        """Return what a design comes to where that is enough, as surely as it was; else None."""
        found = self._judge(then)
        is_as_good = found is not None and (found.holds or (found.is_close and trial.is_close))
        return found if is_as_good else None


def _with(design: Design, then: Design, keys: Sequence[str]) -> Design:
    """Return a design that has what another has under these keys."""
    for key in keys:
        table = key.split(".")[0]
        if getattr(design, table) is None:  # a table that the file has not
            design = replace(design, **{table: getattr(then, table)})
        else:
            design = with_value(design, key, value_of_key(then, key))
    return design
