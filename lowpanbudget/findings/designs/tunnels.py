"""Flows that the standards want in a tunnel, as which a design does not count them (RFC 9008 tables 4 and 19)."""

from lowpanbudget.design.flow import Flow
from lowpanbudget.findings.draft import Draft, rooms_beside
from lowpanbudget.findings.finding import Hit
from lowpanbudget.findings.rule import Hits, Subject

TUNNELS = Subject("tunnels")


@TUNNELS.rule("inserted-without-tunnel", Flow)
def inserted_without_tunnel(draft: Draft, flow: Flow) -> Hits:
    """Look at what comes from outside, and measure the frames that the standards allow."""
    if flow.inserted and not flow.routing.tunnel:
        evidence = tuple(rooms_beside(draft, flow, flow.tunnelled(), "with a tunnel"))
        cause = f"the root adds {_artefacts(flow)} to packets of {flow.source.name}"
        yield Hit(cause, evidence, f"flow {flow.name}")


def _artefacts(flow: Flow) -> str:
    """Return what routing adds to the packets of a flow."""
    both = [("RPL information", flow.routing.rpi), ("a source route", flow.routing.route > 0)]
    return " and ".join(name for name, is_there in both if is_there)


@TUNNELS.rule("option-leaves-without-tunnel", Flow)
def option_leaves_without_tunnel(draft: Draft, flow: Flow) -> Hits:
    """Look at what goes outside, and measure both ways out."""
    if flow.leaving and not flow.routing.tunnel:
        evidence = tuple(rooms_beside(draft, flow, flow.tunnelled(), "with a tunnel"))
        where = f"goes out to {flow.destination.name}"
        yield Hit(f"an option that others must discard {where}", evidence, f"flow {flow.name}")
