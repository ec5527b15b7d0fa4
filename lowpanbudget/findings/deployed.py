"""Findings about how the network of a design carries its messages, before anything is sent."""

from collections.abc import Sequence

from lowpanbudget.deployment.airtime import MessageAirtime, airtime
from lowpanbudget.deployment.carried import CarriedNetwork
from lowpanbudget.design.meaning import Design
from lowpanbudget.errors import RequestError
from lowpanbudget.findings.designs.deployment import DEPLOYMENT
from lowpanbudget.findings.designs.loads import LOADS
from lowpanbudget.findings.draft import Deployment, hits
from lowpanbudget.findings.finding import Finding, Severity, ranked
from lowpanbudget.findings.rule import rules_of

DEPLOYMENT_RULES = rules_of(DEPLOYMENT, LOADS)


def deployment_findings(
    design: Design,
    messages: Sequence[MessageAirtime] | None = None,
    network: CarriedNetwork | None = None,
) -> list[Finding]:
    """Return what a design proves about how its network carries messages, worst first.

    ``messages`` are those of ``airtime(design)``, or of a part of it whose own faults are told; None: all, where it can
    be told.
    ``network`` is ``carry(design)``; None: it is played where a queue cannot be told without.
    """
    sent = tuple(_on_air(design))
    asked = sent if messages is None else tuple(messages)
    deployment = Deployment(design, asked, sent, network)
    return ranked(hits(DEPLOYMENT_RULES, deployment, (deployment,)))


def deployment_failures(
    design: Design, messages: Sequence[MessageAirtime], network: CarriedNetwork
) -> tuple[str, ...]:
    """Return what keeps a network from working at all, whatever its limits: titles of failures that a review finds.

    ``messages`` are all that it sends.
    """
    sent = tuple(messages)
    deployment = Deployment(design, sent, sent, network)
    return failures(ranked(hits(DEPLOYMENT_RULES, deployment, (deployment,))))


def failures(found: Sequence[Finding]) -> tuple[str, ...]:
    """Return the titles of what keeps a network from working at all, each once."""
    return tuple(dict.fromkeys(one.title for one in found if one.severity is Severity.FAILURE))


def _on_air(design: Design) -> list[MessageAirtime]:
    """Return what all messages take on the air; nothing where access or PHY are not known."""
    try:
        return airtime(design)
    except RequestError:
        return []
