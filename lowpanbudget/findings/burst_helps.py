"""What would help a burst that is not in as it is to be: each change alone, the burst played again."""

from collections.abc import Callable
from functools import cache

from lowpanbudget.arguments import function_or_none, value_of
from lowpanbudget.deployment.airtime import airtime
from lowpanbudget.deployment.burst import PlayedBurst, runs_like
from lowpanbudget.deployment.burst_ladders import burst_ladders
from lowpanbudget.deployment.burst_plan import BurstPlan
from lowpanbudget.deployment.carried import LimitCheck
from lowpanbudget.deployment.carry import judged
from lowpanbudget.deployment.change import PossibleChange
from lowpanbudget.deployment.checks import played_check
from lowpanbudget.deployment.digits import percent, rounded_up
from lowpanbudget.deployment.ladder import Ladder
from lowpanbudget.design.meaning import Design
from lowpanbudget.findings.deployed import deployment_findings, failures
from lowpanbudget.findings.easing import CLEARLY, PLAYED, eased, is_promising
from lowpanbudget.findings.helpful import HelpfulChange, Helping
from lowpanbudget.findings.looks import may_be_luck, may_hold
from lowpanbudget.findings.nearest import nearest
from lowpanbudget.values import replace

Tell = Callable[[int, int], None]  # how many changes were tried, of how many
_RUNS = 100  # of a first look
_LONGER = 2  # times as many, where that is too close to tell
_OF_PACKETS = "share of packets late"


def burst_changes_that_help(
    design: Design, plan: BurstPlan, *, tell: Tell | None = None
) -> tuple[HelpfulChange, ...]:
    """Return the changes that bring more of a burst in, or sooner, best first; empty where it is in as it is to be.

    ``plan`` is what ``carry_burst`` gave of the design; each change is made alone, and the burst is played again.
    ``tell`` is called with how many were tried, and of how many. Raises ``RequestError`` as ``carry_burst``.
    """
    design = Design.of(design)
    function_or_none(tell, "tell")
    plan = value_of(BurstPlan, plan, "Give what carry_burst(design, name) returned")
    return tuple(one.told for one in burst_helping(design, plan, tell))


def burst_helping(design: Design, plan: BurstPlan, tell: Tell | None = None) -> list[Helping]:
    """Return the changes that ``burst_changes_that_help`` tells, with what they make of the design."""
    before = _arrival(plan)
    if design.access is None or before.holds:
        return []
    found, ladders = [], list(burst_ladders(design, design.access.on(design.link), plan))
    besides = Besides(design, plan.seed)
    for number, ladder in enumerate(ladders):
        if tell is not None:
            tell(number, len(ladders))
        if not ladder.rungs:
            continue
        change, then, is_sure = _least(ladder, plan)
        was, after = _compared(plan, then)
        is_doubtful = not eased(was, after)
        if is_doubtful and not is_promising(was, after):
            continue
        is_in = not is_doubtful and (then.holds or then.is_close)
        fails = besides.fails(change.design) if is_in else ()
        broken = besides.broken(change.design)
        caution, decides = change.caution, then.checks[0]
        if broken is not None:
            text = f"then {broken.about}: {broken.text}"
            caution, decides = (
                f"{caution}; {text}" if caution else text,
                broken if is_in else decides,
            )
        is_whole = not fails and broken is None
        told = HelpfulChange(
            change.key, change.text, was, after, is_sure and is_whole, decides, caution,
            is_in and not is_sure and is_whole, fails, is_doubtful,
        )  # fmt: skip
        found.append(Helping(told, change, is_whole, _share_late(then), then, ladder))
    return sorted(found, key=_place)


def _least(ladder: Ladder, plan: BurstPlan) -> tuple[PossibleChange, BurstPlan, bool]:
    """Return the least change with which the burst is in, else the first, what then becomes of it, and if that is sure.

    Of many values that are tried one or another is enough by chance: so each must be in runs of another seed as well,
    which had no part in choosing it, and take for enough what is not as seldom as those of a single value do.
    """
    change = cache(ladder.change)
    bursts = cache(lambda value, seed: PlayedBurst(change(value).design, plan.name, seed))
    few, whole = min(plan.runs, _RUNS), runs_like(plan)

    def late(value: float, seed: int, begun: int | None = None) -> tuple[LimitCheck, ...]:
        then = plan if value == ladder.start else bursts(value, seed).plan(whole, begun=begun)
        return () if _arrival(then).holds else (_packets_late(then),)

    def shortly(value: float) -> tuple[LimitCheck, ...]:
        if value == ladder.start:
            return late(value, plan.seed)
        then = bursts(value, plan.seed).plan(min(plan.runs, _LONGER * few), begun=few)
        arrival = _arrival(then)
        return () if arrival.holds or may_hold(arrival) else (_packets_late(then),)

    def again(value: float) -> tuple[LimitCheck, ...]:
        found = late(value, plan.seed)
        if found or not may_be_luck(bursts(value, plan.seed).plan(whole).checks):
            return found
        return late(value, plan.seed + 1, few)

    value = ladder.rungs[0]
    then = bursts(value, plan.seed).plan(few)
    first = _compared(plan, then)
    # the furthest ones have most cells, backoffs, retries and places
    may_be_in = any(bursts(one, plan.seed).can_be_in for one in reversed(ladder.rungs))
    if may_be_in and eased(*first, times=CLEARLY):
        value = nearest(ladder, (shortly, again)) or value
    if few < plan.runs and (eased(*first) or is_promising(*first)):
        # a yes is said of nothing that was looked at less than the burst itself
        then = bursts(value, plan.seed).plan(whole)
    return change(value), then, then.holds and not again(value)


class Besides:
    """What a change of ``design`` would break beside the burst: that may be more than the network has otherwise."""

    def __init__(self, design: Design, seed: int) -> None:
        self._seed = seed
        self._failures = set(_failures(design))
        self._broken = {one.matter for one in _broken(design, seed)}

    def fails(self, then: Design) -> tuple[str, ...]:
        """Return what keeps the changed network from working at all, and did not before."""
        return tuple(one for one in _failures(then) if one not in self._failures)

    def broken(self, then: Design) -> LimitCheck | None:
        """Return what of the usual messages no longer holds."""
        broken = _broken(then, self._seed)
        return next((one for one in broken if one.matter not in self._broken), None)


def _broken(design: Design, seed: int) -> tuple[LimitCheck, ...]:
    """Return what the usual messages break for sure, as far as that is known without playing them again."""
    if design.access is None:
        return ()
    network = judged(design, design.access, airtime(design), seed, services=())
    return tuple(
        one
        for one in network.checks
        if not one.holds and not one.is_close and one.matter not in PLAYED
    )


def _failures(design: Design) -> tuple[str, ...]:
    """Return the titles of what keeps a network from working at all, whatever its limits."""
    return failures(deployment_findings(design))


def _arrival(plan: BurstPlan) -> LimitCheck:
    """Return the check of how it arrives; what is left open beside how much came out says nothing of a change."""
    (check,) = (one for one in plan.checks if one.matter in ("delivery", "latency"))
    return replace(
        check, text=check.text.removesuffix(f": {check.why_open}") if check.why_open else check.text
    )


def _compared(before: BurstPlan, after: BurstPlan) -> tuple[LimitCheck, LimitCheck]:
    """Return what is compared: the chance that all are in in time, or where that is no better how many packets are."""
    chances = _arrival(before), _arrival(after)
    if before.in_time is None or eased(*chances):
        return chances
    packets = _packets_late(before), _packets_late(after)
    return chances if is_promising(*chances) and not eased(*packets) else packets


def _packets_late(plan: BurstPlan) -> LimitCheck:
    """Return how many packets are late: fewer may be, where some always are."""
    late, half = _share_late(plan), plan.in_time_half_width / plan.packets
    text = f"{percent(1 - late)} of the packets are in in time"
    if plan.enough_s is not None:
        text += f", all of them after {rounded_up(plan.enough_s):g} s"
    check = played_check(
        "latency", f"burst {plan.name}", text, late, 1 - plan.wanted, _OF_PACKETS, half
    )
    return replace(check, text=text, holds=False, is_close=False)


def _share_late(plan: BurstPlan) -> float:
    """Return the share of the packets that is not in in time, or at all where no time is asked for."""
    return 1 - (plan.arrived if plan.in_time is None else plan.in_time) / plan.packets


def _place(one: Helping) -> tuple[bool, bool, bool, float]:
    told = one.told
    return told.is_doubtful, not told.holds, not told.is_close, one.left
