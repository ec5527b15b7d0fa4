"""What would help a burst that is not in as it is to be: each change alone, the burst played again."""

from collections.abc import Callable

from lowpanbudget.arguments import function_or_none, value_of
from lowpanbudget.deployment.burst import carry_burst
from lowpanbudget.deployment.burst_plan import BurstPlan
from lowpanbudget.deployment.carried import LimitCheck
from lowpanbudget.deployment.helps import burst_changes
from lowpanbudget.design.meaning import Design
from lowpanbudget.findings.deployed import deployment_findings, failures
from lowpanbudget.findings.helps import HelpfulChange, eased, is_promising
from lowpanbudget.values import replace

Tell = Callable[[int, int], None]  # how many changes were tried, of how many
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
    own = set(_failures(design))
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
        found.append(
            HelpfulChange(
                change.key, change.text, before, _arrival(then), then.holds and not fails, then.checks[0],
                change.caution, is_in and then.is_close and not fails, fails, is_doubtful,
            )
        )  # fmt: skip
    return tuple(sorted(found, key=_place))


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
