"""Findings about a design, before anything is sent: every number comes from frames that were really encoded."""

from collections.abc import Iterable, Sequence

from lowpanbudget.design.meaning import Design
from lowpanbudget.findings.design_rule import DesignRule, Plan
from lowpanbudget.findings.finding import Finding, ranked
from lowpanbudget.findings.plan_frames import (
    FirstFragmentWithoutSlack,
    FitsOnlyUnsecured,
    FragmentsPaySecurityEach,
    GroupMessageFragmented,
    LaterHopDecides,
    MessageDoesNotFit,
    MessageJustOverACliff,
    MessageTakesManyFrames,
    RouteTooLong,
)
from lowpanbudget.findings.plan_protocols import (
    BlockSizeToUse,
    HandshakeTakesManyFrames,
    ObserveWillGrow,
    ProtectionDoesNotFit,
)
from lowpanbudget.findings.plan_settings import (
    AdvertisementDoesNotFit,
    ContextServesNobody,
    HopLimitCostsAnOctet,
    MessageDeservesALook,
    RoutingAsExtensionHeaders,
    TunnelCostsOctets,
)
from lowpanbudget.findings.rule import finding_of
from lowpanbudget.room.compute import Budget
from lowpanbudget.room.fit import Fit


def design_findings(
    design: Design, budgets: Iterable[Budget], fits: Iterable[Fit]
) -> list[Finding]:
    """Return what a design proves wrong, wasteful or risky, worst first.

    ``budgets`` and ``fits`` are those of ``budget(design)`` and ``fit(design)``, or those of a part of it.
    """
    plan = Plan(design, tuple(budgets), tuple(fits))
    return ranked([finding_of(rule, hit, 1) for rule in DESIGN_RULES for hit in rule.check(plan)])


DESIGN_RULES: Sequence[type[DesignRule]] = (
    MessageDoesNotFit,
    LaterHopDecides,
    FitsOnlyUnsecured,
    GroupMessageFragmented,
    RouteTooLong,
    ObserveWillGrow,
    ContextServesNobody,
    FragmentsPaySecurityEach,
    MessageTakesManyFrames,
    MessageJustOverACliff,
    FirstFragmentWithoutSlack,
    HopLimitCostsAnOctet,
    BlockSizeToUse,
    ProtectionDoesNotFit,
    HandshakeTakesManyFrames,
    AdvertisementDoesNotFit,
    TunnelCostsOctets,
    RoutingAsExtensionHeaders,
    MessageDeservesALook,
)
