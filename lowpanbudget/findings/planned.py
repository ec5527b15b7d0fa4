"""Findings about a design's link, flows and messages, before anything is sent."""

from collections.abc import Iterable

from lowpanbudget.design.meaning import Design
from lowpanbudget.findings.designs.checksums import PLANNED_CHECKSUMS
from lowpanbudget.findings.designs.frames import FRAMES
from lowpanbudget.findings.designs.protection import PLANNED_PROTECTION
from lowpanbudget.findings.designs.protocols import PROTOCOLS
from lowpanbudget.findings.designs.rhythms import RHYTHMS
from lowpanbudget.findings.designs.routes import ROUTES
from lowpanbudget.findings.designs.settings import SETTINGS
from lowpanbudget.findings.designs.tunnels import TUNNELS
from lowpanbudget.findings.draft import Draft, hits
from lowpanbudget.findings.finding import Finding, ranked
from lowpanbudget.findings.rule import rules_of
from lowpanbudget.room.fit import Fit

_FORMS = (TUNNELS, PLANNED_CHECKSUMS, PLANNED_PROTECTION, ROUTES, RHYTHMS)
DRAFT_RULES = rules_of(*_FORMS, FRAMES, PROTOCOLS, SETTINGS)


def flow_findings(design: Design, flow: str | None = None) -> list[Finding]:
    """Return what a design proves wrong, wasteful or risky about its link and flows, or one flow, worst first."""
    flows = [one for one in design.flows if flow in {None, one.name}]
    draft = Draft(design, ())
    return ranked(hits(DRAFT_RULES, draft, (draft, *flows)))


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
    return ranked(hits(DRAFT_RULES, draft, (*messages, *worst)))


def form_findings(design: Design, flows: Iterable[str] | None = None) -> list[Finding]:
    """Return which flows, all or those of these names, have a form that cannot be, worst first.

    They lack a tunnel, a checksum, routers of their route, numbers of notifications, or a tag that is long enough:
    their rooms are too large by that, and their frames, times on the air and loads too small; or none of their messages
    can be made.
    """
    names = None if flows is None else set(flows)
    asked = [flow for flow in design.flows if names is None or flow.name in names]
    return ranked(hits(rules_of(*_FORMS), Draft(design, ()), asked))
