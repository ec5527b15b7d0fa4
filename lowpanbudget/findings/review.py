"""All findings about a design, before anything is sent."""

from lowpanbudget.design.meaning import Design
from lowpanbudget.findings.deployed import DEPLOYMENT_RULES, deployment_findings
from lowpanbudget.findings.finding import Finding, ranked
from lowpanbudget.findings.planned import DRAFT_RULES, flow_findings, message_findings
from lowpanbudget.room.fit import fit

DESIGN_RULES = (*DRAFT_RULES, *DEPLOYMENT_RULES)


def review(design: Design) -> tuple[Finding, ...]:
    """Return what a design proves wrong, wasteful or risky before anything is sent, worst first.

    Its flows, its messages in frames and how the network carries them are looked at. Raises ``RequestError`` for what
    is no design.
    """
    design = Design.of(design)
    found = [*flow_findings(design), *message_findings(design, fit(design, advised=False))]
    return tuple(ranked([*found, *deployment_findings(design)]))
