"""What would help a burst that is not in as it is to be: each change alone, the burst played again."""

from collections.abc import Callable

from lowpanbudget.arguments import function_or_none, value_of
from lowpanbudget.deployment.airtime import airtime
from lowpanbudget.deployment.burst import carry_burst
from lowpanbudget.deployment.burst_plan import BurstPlan
from lowpanbudget.deployment.carried import LimitCheck
from lowpanbudget.deployment.carry import judged
from lowpanbudget.deployment.helps import burst_changes
from lowpanbudget.design.meaning import Design
from lowpanbudget.findings.deployed import deployment_findings, failures
from lowpanbudget.findings.helps import HelpfulChange, eased, is_promising
from lowpanbudget.values import replace

Tell = Callable[[int, int], None]  # how many changes were tried, of how many
_PLAYED = ("delivery", "latency", "queue")  # what comes out of a simulation
_RUNS = 100  # of a first look


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
    before = _arrival(plan)
    if design.access is None or before.holds:
        return ()
    own, kept = set(_failures(design)), {one.matter for one in _broken(design, plan.seed)}
    found, changes = [], list(burst_changes(design, design.access.on(design.link), plan))
    for number, change in enumerate(changes):
        if tell is not None:
            tell(number, len(changes))
        then = carry_burst(change.design, plan.name, seed=plan.seed, runs=min(plan.runs, _RUNS))
        first = _arrival(then)
        if then.runs < plan.runs and (eased(before, first) or is_promising(before, first)):
            # a yes is said of nothing that was looked at less than the burst itself
            then = carry_burst(change.design, plan.name, seed=plan.seed, runs=plan.runs)
        is_doubtful = not eased(before, _arrival(then))
        if is_doubtful and not is_promising(before, _arrival(then)):
            continue
        is_in = not is_doubtful and (then.holds or then.is_close)
        fails = tuple(one for one in _failures(change.design) if one not in own) if is_in else ()
        # what brings the burst in may be more than the network has otherwise
        broken = next(
            (one for one in _broken(change.design, plan.seed) if one.matter not in kept), None
        )
        caution, decides = change.caution, then.checks[0]
        if broken is not None:
            text = f"then {broken.about}: {broken.text}"
            caution, decides = (
                f"{caution}; {text}" if caution else text,
                broken if is_in else decides,
            )
        is_whole = not fails and broken is None
        found.append(
            HelpfulChange(
                change.key, change.text, before, _arrival(then), then.holds and is_whole, decides, caution,
                is_in and then.is_close and is_whole, fails, is_doubtful,
            )
        )  # fmt: skip
    return tuple(sorted(found, key=_place))


def _broken(design: Design, seed: int) -> tuple[LimitCheck, ...]:
    """Return what the usual messages break for sure, as far as that is known without playing them again."""
    if design.access is None:
        return ()
    network = judged(design, design.access, airtime(design), seed, services=())
    return tuple(
        one
        for one in network.checks
        if not one.holds and not one.is_close and one.matter not in _PLAYED
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


def _place(change: HelpfulChange) -> tuple[bool, bool, bool, float]:
    after = change.after
    return (
        change.is_doubtful,
        not change.holds,
        not change.is_close,
        0.0 if after is None else after.measured,
    )
