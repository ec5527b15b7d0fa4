"""Knobs of a flow: every key of it that may be turned, and every position that a key has.

``flow_knobs`` are the changes that may free octets, or protect more; ``flow_positions`` are all others. Those of its
addresses stand in ``addresses``.
"""

from collections.abc import Iterator

from lowpanbudget.cites import rfc
from lowpanbudget.design.application import Application
from lowpanbudget.design.application_knobs import (
    application_knobs,
    application_positions,
    application_protections,
)
from lowpanbudget.design.flow import Flow
from lowpanbudget.design.knob import Knob, Share, replacing
from lowpanbudget.design.link import AddressForm
from lowpanbudget.design.routing import Routing, routing_knobs, routing_positions
from lowpanbudget.layers.lowpan.forms import HLIM
from lowpanbudget.layers.lowpan.nhc import KNOWN_PORT, PORTS
from lowpanbudget.values import replace

_LIMITS = (64, 255, 1)  # hop limits that no octet carries (RFC 6282 section 3.1.1)
# one pair for each form of ports (RFC 6282 section 4.3.1): which octets of both go in line
_PORT_PAIRS = (
    (KNOWN_PORT + 1, KNOWN_PORT + 2, "both ports in 0xf0b0-0xf0bf"),
    (0xC001, 0xF001, "the destination port alone in 0xf000-0xf0ff"),
    (0xC001, 0xC002, "ports that no form shortens"),
)


def flow_knobs(flow: Flow, form: AddressForm) -> Iterator[Knob[Flow]]:
    """Yield every change of a flow key that may free octets, or protect more."""
    for application_knob in application_knobs(flow.application):
        yield _of_application(application_knob)
    tunnelled, untunnelled, routing = _tunnelled(flow), _untunnelled(flow), flow.routed(form)
    for routing_knob in routing_knobs(routing, tunnelled=tunnelled, untunnelled=untunnelled):
        yield _of_routing(routing_knob)
    ports = (flow.source_port, flow.destination_port)
    if PORTS.best(ports).row.inline > min(row.inline for row in PORTS.rows):
        yield _ports(flow, *_PORT_PAIRS[0])
    if HLIM.best(flow.hop_limit).row.inline and flow.source.role != "outside":
        yield from (_hop_limit(flow, limit) for limit in _limits(flow))
    if flow.traffic_class or flow.flow_label:
        yield Knob(
            "traffic_class,flow_label",
            "0",
            "flow.traffic_class, flow.flow_label",
            "traffic class and flow label zero",
            rfc(6282, "3.2.1"),
            replacing(traffic_class=0, flow_label=0),
            "nothing on the way treats its packets by them",
            now=f"{flow.traffic_class},{flow.flow_label}",
            shares=(Share.CLASS,),
        )
    if flow.elide_udp_checksum:
        yield Knob(
            "udp_checksum",
            "carried",
            "flow.udp_checksum",
            "the UDP checksum carried",
            rfc(6282, "4.3.2"),
            replacing(elide_udp_checksum=False),
            stronger=True,
            now="elided",
            shares=(Share.TRANSPORT,),
        )
    else:
        yield Knob(
            "udp_checksum",
            "elided",
            "flow.udp_checksum",
            "the UDP checksum elided",
            rfc(6282, "4.3.2"),
            replacing(elide_udp_checksum=True),
            caution="only where the upper layer permits it, another integrity check covers pseudo-header and data "
            "end to end, and frames have an integrity code: without one receivers must drop the packets, and a "
            "damaged one may reach a wrong node unseen",
            now="carried",
            shares=(Share.TRANSPORT,),
        )


def flow_positions(flow: Flow, form: AddressForm) -> Iterator[Knob[Flow]]:
    """Yield the other positions that the flow's dimensions have, but for its hops, of which there may be any number."""
    if flow.group is None:  # what protects from end to end has two ends
        for application_knob in application_positions(flow.application):
            yield _of_application(application_knob)
    for routing_knob in routing_positions(flow.routed(form)):
        yield _of_routing(routing_knob)
    now = PORTS.best((flow.source_port, flow.destination_port)).row.inline
    for first, second, text in _PORT_PAIRS:
        if PORTS.best((first, second)).row.inline > now:
            yield _ports(flow, first, second, text)
    if not HLIM.best(flow.hop_limit).row.inline and flow.source.role != "outside":
        yield from (_hop_limit(flow, limit) for limit in _limits(flow) if limit != flow.hop_limit)


def flow_protections(flow: Flow) -> Iterator[Knob[Flow]]:
    """Yield what protects the flow's messages from end to end, where nothing does and it has two ends."""
    if flow.group is None:
        for application_knob in application_protections(flow.application):
            yield _of_application(application_knob)


def _tunnelled(flow: Flow) -> str | None:
    """Return when the flow's packets may go in an outer header; None: RFC 9008 has none for them (tables 4 and 19).

    Between a node that speaks RPL and the root there is none in either mode; the router of a node that speaks no RPL
    adds one to its packets, which are then not those of this flow.
    """
    if flow.group is not None:
        return None
    if flow.source.role == "outside":
        return (
            "the root puts its artefacts in a header of its own (RFC 9008 sections 7.2.2 and 8.2.2)"
        )
    if flow.destination.role == "outside":
        return "the root takes the outer header off (RFC 9008 sections 7.2.1 and 8.2.1)"
    at_root = flow.border.name in {flow.source.name, flow.destination.name}
    if at_root or flow.direction == "down" or flow.routing.route:
        return None
    return "non-storing mode: the root takes it off and writes another for the way down (RFC 9008 section 8.3.1)"


def _untunnelled(flow: Flow) -> str | None:
    """Return when the flow's packets may go without an outer header; None: never (RFC 9008 tables 4 and 19)."""
    if flow.must_tunnel:
        return None
    if flow.destination.role == "outside":
        return "the RPL option may leave the network (RFC 9008 sections 7.2.1 and 8.2.1)"
    return "both ends speak RPL, and a source route is written by the sender itself (RFC 9008)"


def hops_knob(flow: Flow, hops: int) -> Knob[Flow]:
    """Return the change to so many hops; a source route follows. No setting: where a node stands decides it.

    Where frames may be forwarded below IPv6 what is in front of all headers counts the hops as well.
    """
    below = flow.mesh_under or flow.hops > 1
    return Knob(
        "hops",
        str(hops),
        "flow.hops",
        f"{hops} hops",
        rfc(8200, "3"),
        lambda outer: outer.with_hops(hops),
        now=str(flow.hops),
        shares=(Share.LINK, Share.NETWORK) if below else (Share.NETWORK,),
    )


def _of_application(knob: Knob[Application]) -> Knob[Flow]:
    return knob.within(
        lambda outer: outer.application,
        lambda outer, application: replace(outer, application=application),
        shares=(Share.APPLICATION,),
    )


def _of_routing(knob: Knob[Routing]) -> Knob[Flow]:
    return knob.within(
        lambda outer: outer.routing,
        lambda outer, routing: replace(outer, routing=routing),
        shares=(Share.NETWORK,),
    )


def _ports(flow: Flow, first: int, second: int, text: str) -> Knob[Flow]:
    """Return the change to this pair of ports."""
    known = first >> 4 == KNOWN_PORT >> 4
    return Knob(
        "ports",
        f"{first:#06x},{second:#06x}",
        "flow.source_port, flow.destination_port",
        text,
        rfc(6282, "4.3.1"),
        replacing(source_port=first, destination_port=second),
        "these ports say little about the application: pair them with an integrity check"
        if known
        else "",
        now=f"{flow.source_port:#06x},{flow.destination_port:#06x}",
        shares=(Share.TRANSPORT,),
    )


def _limits(flow: Flow) -> list[int]:
    """Return the hop limits that no octet carries and that reach the flow's end."""
    outside = "outside" in {flow.source.role, flow.destination.role}
    return [limit for limit in _LIMITS if limit >= flow.hops_routed + outside]


def _hop_limit(flow: Flow, limit: int) -> Knob[Flow]:
    """Return the change to this hop limit."""
    return Knob(
        "hop_limit",
        str(limit),
        "flow.hop_limit",
        f"hop limit {limit}",
        rfc(6282, "3.1.1"),
        replacing(hop_limit=limit),
        now=str(flow.hop_limit),
        shares=(Share.NETWORK,),
    )
