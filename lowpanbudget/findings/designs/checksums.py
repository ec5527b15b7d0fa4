"""Flows without a UDP checksum: what has to stand in for it (RFC 6282 section 4.3.2)."""

from dataclasses import replace

from lowpanbudget.design.flow import Flow
from lowpanbudget.findings.draft import Draft, rooms_beside
from lowpanbudget.findings.finding import Hit
from lowpanbudget.findings.rule import Hits, Subject

PLANNED_CHECKSUMS = Subject("planned-checksums")


@PLANNED_CHECKSUMS.rule("checksum-planned-without-cover", Flow)
def checksum_planned_without_cover(draft: Draft, flow: Flow) -> Hits:
    """Look for an integrity code of the link, and measure the frames that receivers keep."""
    if not flow.elide_udp_checksum or draft.design.link.has_integrity_code:
        return
    carried = replace(flow, elide_udp_checksum=False)
    evidence = tuple(rooms_beside(draft, flow, carried, "with the checksum"))
    cause = "the checksum is elided and frames have no integrity code"
    yield Hit(cause, evidence, f"flow {flow.name}")
