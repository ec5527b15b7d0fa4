"""What would help a network that does not carry its messages: each change alone, everything calculated again."""

from collections.abc import Callable, Iterator, Sequence
from functools import cache, partial
from math import hypot
from typing import NamedTuple

from lowpanbudget.arguments import function_or_none, value_of
from lowpanbudget.deployment.airtime import MessageAirtime, airtime
from lowpanbudget.deployment.burst_plan import BurstPlan
from lowpanbudget.deployment.carried import CarriedNetwork, LimitCheck
from lowpanbudget.deployment.carry import judged
from lowpanbudget.deployment.change import PossibleChange
from lowpanbudget.deployment.checks import rank, service_checks
from lowpanbudget.deployment.clock_helps import clock_changes
from lowpanbudget.deployment.helps import possible_changes
from lowpanbudget.deployment.slot_helps import SLOTFRAME
from lowpanbudget.design.access import Access
from lowpanbudget.design.meaning import Design
from lowpanbudget.findings.deployed import deployment_failures
from lowpanbudget.findings.designs.clocks import clock_check
from lowpanbudget.findings.slotframes import LONGER, nearest_slotframe
from lowpanbudget.values import dataclass

Tell = Callable[[int, int], None]  # how many changes were tried, of how many
PLAYED = ("delivery", "latency", "queue")  # what comes out of a simulation
_OF_MESSAGES = ("delivery", "latency")
_LESS = 0.98  # a change that leaves more of the strain is none worth telling
_TRANSMISSIONS = 10_000  # of each simulation here: enough to tell which changes matter
_IN_SLOTS = 20_000  # of those in slots, which are quicker
_CLEARLY = 2  # times what was left open: of many changes one or another is better by more than that by chance
_LONGER = 3  # times as many, where a first look is too close to tell
_MOST_LONGER = (
    2  # changes that are played so: the most promising ones; all of them would take too long
)


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
    then becomes of a burst.
    """

    told: HelpfulChange
    change: PossibleChange
    is_whole: bool = True
    left: float = 0.0
    plan: BurstPlan | None = None


class _Tried(NamedTuple):
    """A change that came out better, but not clearly beyond what was left open; it can be ``played`` for longer."""

    change: PossibleChange
    played: Callable[[int | None], CarriedNetwork]
    then: CarriedNetwork
    after: LimitCheck


def changes_that_help(
    design: Design, network: CarriedNetwork, *, tell: Tell | None = None
) -> tuple[HelpfulChange, ...]:
    """Return the changes that ease what decides in a network that does not carry its messages, best first.

    Those of which that is doubtful come last.
    Where clocks drift out of the guard, which is a failure of the design, the changes that set them follow.
    ``network`` is what ``carry(design)`` gave; each change is made alone, and everything is calculated again. Empty
    where the network carries its messages. ``tell`` is called with how many were tried, and of how many. Raises
    ``RequestError`` as ``carry``.
    """
    design = Design.of(design)
    function_or_none(tell, "tell")
    network = value_of(CarriedNetwork, network, "Give what carry(design) returned")
    return tuple(one.told for one in helping(design, network, tell))


def helping(design: Design, network: CarriedNetwork, tell: Tell | None = None) -> list[Helping]:
    """Return the changes that ``changes_that_help`` tells, with what they make of the design."""
    if design.access is None:
        return []
    return [*_helping(design, design.access, network, tell), *_setting_clocks(design, network)]


def _setting_clocks(design: Design, network: CarriedNetwork) -> Iterator[Helping]:
    """Yield the changes that keep clocks within the guard where they drift out of it, whatever else is in the way."""
    slots = None if design.access is None else design.access.slots
    if slots is None or slots.synchronised_s is None:
        return
    before = clock_check(design, airtime(design))
    if before is None or before.holds:
        return
    for change in clock_changes(design, slots.synchronised_s):
        after, access = clock_check(change.design, change.messages), change.design.access
        if after is None or not after.holds or access is None:
            continue
        if network.decides is None or network.decides.holds:
            # a yes is said of nothing that was looked at less than the design itself
            then = judged(change.design, access, change.messages, network.seed)
        else:
            then = _again(change.design, access, change.messages, network)
        fails = deployment_failures(change.design, change.messages, then)
        told = HelpfulChange(
            change.key, change.text, before, after, then.holds and not fails, then.decides, change.caution,
            then.is_close and not fails, fails,
        )  # fmt: skip
        yield Helping(told, change)


def _helping(
    design: Design, access: Access, network: CarriedNetwork, tell: Tell | None
) -> list[Helping]:
    decides = network.decides
    if decides is None or decides.holds:
        return []
    found: list[Helping] = []
    open_: list[_Tried] = []
    before = decides
    if _is_played(network) or network.played is None:
        again = _again(design, access, airtime(design), network)
        before = _same(again, decides, design) or decides
    changes = list(possible_changes(design, access, network))
    for number, change in enumerate(changes):
        if tell is not None:
            tell(number, len(changes))
        one = _tried(change, network, before, decides)
        if isinstance(one, Helping):
            found.append(one)
        elif one is not None:
            open_.append(one)
    found = _with_nearest_slotframe(design, access, network, before, decides, found)
    surer = min(before, decides, key=lambda one: one.half_width)
    found += _longer(access, open_, network, surer)
    return sorted(found, key=_place)


def _tried(
    change: PossibleChange, network: CarriedNetwork, before: LimitCheck, decides: LimitCheck
) -> Helping | _Tried | None:
    """Return a change that helps, or one of which that is open; None: it does not."""
    if change.design.access is None:
        return None
    played = cache(
        partial(judged, change.design, change.design.access, change.messages, network.seed)
    )
    then = _again(change.design, change.design.access, change.messages, network)
    after = _same(then, decides, change.design)
    if after is None and decides.matter in _OF_MESSAGES:
        # too few of what fails were played to compare it with what it was
        then = played(None)
        after = _same(then, decides, change.design)
        if after is None:
            return None
    if after is None or eased(before, after, times=_CLEARLY):
        helpful = _helpful(change, played, then, network, decides)
        after = helpful.after
        # played for longer it may be no better than it was
        is_eased = after is None or eased(decides if after.half_width else before, after)
        return Helping(helpful, change) if is_eased else None
    return _Tried(change, played, then, after) if _is_less(before, after) else None


def _with_nearest_slotframe(
    design: Design, access: Access, network: CarriedNetwork, before: LimitCheck, decides: LimitCheck,
    found: list[Helping],
) -> list[Helping]:  # fmt: skip
    """Return the changes that help with the slotframe that is just enough, where half of it or twice as much is not.

    A longer one takes longer for everything: there just enough takes the place of twice as much as well.
    """
    others = [one for one in found if one.change.key != SLOTFRAME]
    usual = [one for one in found if one.change.key == SLOTFRAME]
    if decides.matter not in LONGER and any(one.told.holds for one in usual):
        return found
    nearest = nearest_slotframe(design, access, airtime(design), network)
    one = None if nearest is None else _tried(nearest, network, before, decides)
    if not isinstance(one, Helping) or any(one.told.holds < each.told.holds for each in usual):
        return found
    if decides.matter not in LONGER and usual and not one.told.holds:
        return found
    return [*others, one]


def _place(one: Helping) -> tuple[bool, bool, bool, float]:
    told = one.told
    left = 0.0 if told.after is None else over(told.after)
    return told.is_doubtful, not told.holds, not told.is_close, left


def _longer(
    access: Access, tried: Sequence[_Tried], network: CarriedNetwork, before: LimitCheck
) -> Iterator[Helping]:
    """Yield what was too close to tell at a first look, the most promising ones played for longer."""
    transmissions = _LONGER * (_TRANSMISSIONS if access.slots is None else _IN_SLOTS)
    for number, one in enumerate(sorted(tried, key=lambda one: over(one.after))):
        then, after = one.then, one.after
        if number < _MOST_LONGER:
            then = one.played(transmissions)
            after = _same(then, before, one.change.design) or after
        if eased(before, after):
            yield Helping(_helpful(one.change, one.played, then, network, before), one.change)
        elif is_promising(before, after):
            told = HelpfulChange(
                one.change.key, one.change.text, before, after, holds=False, then=then.decides,
                caution=one.change.caution, is_doubtful=True,
            )  # fmt: skip
            yield Helping(told, one.change)


def _helpful(
    change: PossibleChange, played: Callable[[int | None], CarriedNetwork], then: CarriedNetwork,
    network: CarriedNetwork, decides: LimitCheck,
) -> HelpfulChange:  # fmt: skip
    """Return what a change makes of the network, which was ``then`` at a first look; it is ``played`` for longer."""
    after = _same(then, decides, change.design)
    is_eased = after is None or after.holds or after.is_close
    if is_eased and network.played and not _is_played(network):
        # what was played of the old network says nothing of what comes next in the way
        then = played(_TRANSMISSIONS)
    if (
        then.is_close
        or (then.is_unchecked and then.not_checked)
        or (then.holds and network.played is None and not _is_played(network))
    ):
        then = played(
            None
        )  # a yes is said of nothing that was looked at less than the design itself
    fails = deployment_failures(change.design, change.messages, then)
    return HelpfulChange(
        change.key, change.text, decides, _same(then, decides, change.design), then.holds and not fails, then.decides,
        change.caution, then.is_close and not fails, fails,
    )  # fmt: skip


def eased(before: LimitCheck, after: LimitCheck, times: int = 1) -> bool:
    """Return whether a change leaves so much less of what strains a check that it is worth telling.

    What was played is less only where that is more than what both leave open, or so many ``times`` as much.
    """
    unsure = _unsure(before, after) * times
    if not after.holds and before.measured - after.measured <= unsure and unsure:
        return False
    return _is_less(before, after)


def is_promising(before: LimitCheck, after: LimitCheck) -> bool:
    """Return whether it came out better by half of what both leave open: that is a standard error."""
    less = before.measured - after.measured
    return _is_less(before, after) and less > _unsure(before, after) / 2


def _unsure(before: LimitCheck, after: LimitCheck) -> float:
    return hypot(before.half_width, after.half_width)


def _is_less(before: LimitCheck, after: LimitCheck) -> bool:
    return over(after) < over(before) * _LESS


def over(check: LimitCheck) -> float:
    """Return how far something is over what is allowed; where it was played by what came out, not by its best case."""
    if check.matter in PLAYED and check.allowed:
        return check.measured / check.allowed
    return check.strain


def _again(
    design: Design, access: Access, messages: Sequence[MessageAirtime], network: CarriedNetwork
) -> CarriedNetwork:
    transmissions = _TRANSMISSIONS if access.slots is None else _IN_SLOTS
    if _is_played(network):
        return judged(design, access, messages, network.seed, transmissions)
    return judged(
        design, access, messages, network.seed, transmissions, network.services, network.hops
    )


def _is_played(network: CarriedNetwork) -> bool:
    """Return whether what decides came out of a simulation, so that it must be played again for each change."""
    decides = network.decides
    is_simulated = any(one.messages is not None for one in network.services)
    return is_simulated and decides is not None and decides.matter in PLAYED


def _same(network: CarriedNetwork, check: LimitCheck, design: Design) -> LimitCheck | None:
    """Return the check of the same matter, the one that strains it most; of how messages arrive that of the same ones.

    Another message may arrive better, whatever becomes of the one that fails.
    """
    checks: Sequence[LimitCheck] = network.checks
    if check.matter in _OF_MESSAGES:
        of_all = service_checks(network.services, design.limits)
        checks = sorted((one for one in of_all if one.about == check.about), key=rank)
    return next((one for one in checks if one.matter == check.matter), None)
