"""Findings about a design, before anything is sent: of its flows, of its messages, of both."""

from collections.abc import Iterable, Sequence

from lowpanbudget.deployment.airtime import MessageAirtime, airtime
from lowpanbudget.design.meaning import Design
from lowpanbudget.errors import RequestError
from lowpanbudget.findings.designs.deployment import DEPLOYMENT
from lowpanbudget.findings.designs.frames import FRAMES
from lowpanbudget.findings.designs.loads import LOADS
from lowpanbudget.findings.designs.protocols import PROTOCOLS
from lowpanbudget.findings.designs.settings import SETTINGS
from lowpanbudget.findings.draft import Deployment, Draft
from lowpanbudget.findings.finding import Finding, ranked
from lowpanbudget.findings.rule import rules_of
from lowpanbudget.room.fit import Fit, fit

DESIGN_RULES = rules_of(FRAMES, PROTOCOLS, SETTINGS, DEPLOYMENT, LOADS)


def review(design: Design) -> tuple[Finding, ...]:
    """Return what a design proves wrong, wasteful or risky before anything is sent, worst first.

    Its flows, its messages in frames and how the network carries them are looked at. Raises ``RequestError`` for what
    is no design.
    """
    design = Design.of(design)
    found = [*flow_findings(design), *message_findings(design, fit(design))]
    return tuple(ranked([*found, *deployment_findings(design)]))


def flow_findings(design: Design, flow: str | None = None) -> list[Finding]:
    """Return what a design proves wrong, wasteful or risky about its link and flows, or one flow, worst first."""
    flows = [one for one in design.flows if flow in {None, one.name}]
    return ranked(_findings(draft := Draft(design, ()), (draft, *flows)))


def message_findings(
    design: Design, fits: Iterable[Fit], message: str | None = None
) -> list[Finding]:
    """Return what a design proves about its messages, or one of them, worst first.

    ``fits`` are those of ``fit(design)``, or of a part of it: rules read the worst of each message on each flow.
    """
    draft = Draft(design, tuple(fits))
    fitted = {fit.message for fit in draft.fits}
    messages = [
        one for one in design.messages if one.name in fitted and message in {None, one.name}
    ]
    worst = [fit for fit in draft.worst() if message in {None, fit.message}]
    return ranked(_findings(draft, (*messages, *worst)))


def deployment_findings(
    design: Design, messages: Sequence[MessageAirtime] | None = None
) -> list[Finding]:
    """Return what a design proves about how its network carries messages, worst first.

    ``messages`` are those of ``airtime(design)``, or of a part of it; None: all, where it can be told.
    """
    if messages is None:
        messages = _on_air(design)
    deployment = Deployment(design, tuple(messages))
    return ranked(_findings(deployment, (deployment,)))


def _on_air(design: Design) -> list[MessageAirtime]:
    """Return what all messages take on the air; nothing where access or PHY are not known."""
    try:
        return airtime(design)
    except RequestError:
        return []


def _findings(draft: Draft | Deployment, items: Iterable[object]) -> list[Finding]:
    """Return the finding of each hit of the rules that read the class of an item."""
    return [
        rule.finding(hit)
        for item in items
        for rule in DESIGN_RULES
        for kind, check in rule.reads
        if isinstance(kind, type) and isinstance(item, kind)
        for hit in check(draft, item) or ()
    ]
