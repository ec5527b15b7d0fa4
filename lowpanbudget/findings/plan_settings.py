"""Findings about a design: settings that cost octets, and the network's own messages."""

from collections.abc import Iterator
from dataclasses import replace
from ipaddress import IPv6Address

from lowpanbudget.bits import Writer
from lowpanbudget.cites import rfc
from lowpanbudget.design.flow import Flow
from lowpanbudget.design.routing import Routing
from lowpanbudget.env import Env
from lowpanbudget.errors import LowpanError
from lowpanbudget.findings.design_rule import DesignRule, Plan, octets_text, room_text
from lowpanbudget.findings.finding import Hit, Severity
from lowpanbudget.layers.internet import icmpv6, ipv6
from lowpanbudget.layers.internet.ipv6 import Ipv6
from lowpanbudget.layers.internet.nd import messages as nd
from lowpanbudget.layers.internet.nd.lowpan_options import AuthoritativeBorderRouter, ContextOption
from lowpanbudget.layers.internet.nd.options import PrefixInformation, SourceLinkLayerAddress
from lowpanbudget.layers.link.mac import BROADCAST
from lowpanbudget.layers.lowpan import addresses
from lowpanbudget.layers.lowpan.iphc import HLIM
from lowpanbudget.payload.search.remarks import remarks
from lowpanbudget.room.measure import room_of
from lowpanbudget.stack.outgoing import Outgoing
from lowpanbudget.stack.split import payloads

_ALL_NODES = IPv6Address("ff02::1")


class ContextServesNobody(DesignRule):
    """A context of the design cannot restore an address that lies under it.

    What it sees: a context that is neither 64 nor 128 bits long, with a station's address under it that has other bits
    than zero between the context's end and bit 64.
    Why it costs: those bits are restored as zero, so the address goes in line: 16 octets.
    When it is no fault: another, longer context serves the address.
    Example: context 1 (2001:db8::/32) does not restore 2001:db8:f00d:2::10.
    What to do: Use one context for each /64 that is in use.
    """

    name = "context-serves-nobody"
    severity = Severity.WASTE
    cite = addresses.BASE

    @classmethod
    def check(cls, plan: Plan) -> Iterator[Hit]:
        """Look for addresses under short contexts that no other context serves."""
        design = plan.design
        for number, context in design.contexts.items():
            if context.prefix.prefixlen >= 64:
                continue
            for station in design.stations:
                address = station.ip(design.link.addresses)
                served = any(
                    address in other.prefix and other.prefix.prefixlen >= 64
                    for other in design.contexts.values()
                )
                if (
                    address in context.prefix
                    and int(address) >> 64 << 64 != context.value
                    and not served
                ):
                    cause = f"context {number} ({context.prefix}) does not restore {address}"
                    yield Hit(cause, (), f"station {station.name}")


class HopLimitCostsAnOctet(DesignRule):
    """A flow starts with a hop limit that goes in line.

    What it sees: a flow from inside the mesh whose hop limit is not 1, 64 or 255.
    Why it costs: one octet in every frame of the first hop; later hops pay it anyway.
    When it is no fault: a limit that keeps packets near on purpose.
    Example: hop limit 16 where the default would be elided.
    What to do: Use 64, or 255.
    """

    name = "hop-limit-costs-an-octet"
    severity = Severity.REMARK
    cite = addresses.BASE

    @classmethod
    def check(cls, plan: Plan) -> Iterator[Hit]:
        """Look at each flow."""
        for flow in plan.design.flows:
            if flow.source.role != "outside" and HLIM.best(flow.hop_limit).row.inline:
                yield Hit(f"hop limit {flow.hop_limit}", (), f"flow {flow.name}")


class AdvertisementDoesNotFit(DesignRule):
    """A router advertisement with all that the design needs does not fit one frame.

    What it sees: an advertisement with the design's contexts, prefix information, border router and link-layer address
    options, really encoded for this link, to all neighbours.
    Why it costs: joining depends on it, and to a group nothing is sent again.
    When it is no fault: nodes that are configured and need no advertisement; contexts sent in several.
    Example: an advertisement with 6 options takes 2 frames: 128 octets of ICMPv6, 116 behind the MAC header.
    What to do: Send contexts in an advertisement of their own; answer solicitations by unicast.
    """

    name = "advertisement-does-not-fit"
    severity = Severity.REMARK
    cite = rfc(6775, "5.4")

    @classmethod
    def check(cls, plan: Plan) -> Iterator[Hit]:
        """Build the advertisement and cut it."""
        design = plan.design
        router = next(
            (s for role in ("border", "collector") for s in design.stations if s.role == role), None
        )
        if router is None or not design.contexts:
            return
        form = design.link.addresses
        link = router.link_address(form)
        source = replace(
            router, address=None, prefix=addresses.LINK_LOCAL.value, identifier="link"
        ).ip(form)
        address = router.ip(form)
        options: tuple[object, ...] = (
            PrefixInformation(
                prefix_length=64, address=IPv6Address(int(address) >> 64 << 64), autonomous=True
            ),
            *(
                ContextOption(cid=n, prefix=c.prefix, valid_lifetime=60)
                for n, c in design.contexts.items()
                if c.prefix.prefixlen
            ),
            AuthoritativeBorderRouter(version_low=1, border_router=address),
            SourceLinkLayerAddress(address=link),
        )
        writer = Writer()
        icmpv6.encode(
            writer,
            nd.RouterAdvertisement(cur_hop_limit=64, router_lifetime=1800, options=options),
            source,
            _ALL_NODES,
        )
        body = bytes(writer.data)
        header = Ipv6(0, 0, len(body), ipv6.ICMPV6, 255, source, _ALL_NODES)
        packet = Outgoing((header,), body)
        room = design.link.room(link, BROADCAST)
        try:
            count = len(payloads(packet, Env(link, BROADCAST, contexts=design.contexts), room=room))
        except LowpanError:
            return
        if count > 1:
            sizes = f"{len(body)} octets of ICMPv6, {room} behind the MAC header"
            yield Hit(
                f"an advertisement with {len(options)} options takes {count} frames",
                (sizes,),
                "the link",
            )


class TunnelCostsOctets(DesignRule):
    """A flow pays for an outer header.

    What it sees: a flow whose routing has a tunnel; its room with it and without.
    Why it costs: the octets named, in every frame of this flow alone.
    When it is no fault: artefacts of the routing must not leave the network, and the sender is outside: then a tunnel
    it must be.
    Example: room 100, 101 without the tunnel.
    What to do: Plan flows that cross the border apart; see RFC 9008 for which of them need a tunnel.
    """

    name = "tunnel-costs-octets"
    severity = Severity.REMARK
    cite = rfc(9008, "7")

    @classmethod
    def check(cls, plan: Plan) -> Iterator[Hit]:
        """Measure both."""
        for flow in plan.design.flows:
            if not flow.routing.tunnel:
                continue
            yield from _difference(
                plan, flow, replace(flow.routing, tunnel=False), "without the tunnel"
            )


class RoutingAsExtensionHeaders(DesignRule):
    """RPL artefacts go as extension headers.

    What it sees: a flow whose routing has the form of extension headers; its room with them and with 6LoRH headers.
    Why it costs: the octets named, in every frame.
    When it is no fault: nodes that do not read page 1.
    Example: room 97, 101 as 6LoRH headers: 4 octets a frame.
    What to do: Set form = "6lorh" if all nodes understand it.
    """

    name = "routing-as-extension-headers"
    severity = Severity.REMARK
    cite = rfc(8138, "4")

    @classmethod
    def check(cls, plan: Plan) -> Iterator[Hit]:
        """Measure both."""
        for flow in plan.design.flows:
            if (flow.routing.rpi or flow.routing.route) and not flow.routing.compressed:
                yield from _difference(
                    plan, flow, replace(flow.routing, compressed=True), "as 6LoRH headers"
                )


def _difference(plan: Plan, flow: Flow, routing: Routing, text: str) -> Iterator[Hit]:
    # the hops anew: hop limits fall otherwise in a tunnel
    path, other = (
        plan.design.paths(replace(flow, routing=one))[-1] for one in (flow.routing, routing)
    )
    now, then = room_of(path), room_of(other)
    gain = then - now
    if gain > 0:
        yield Hit(
            f"{f'room {now}' if now >= 0 else room_text(now)}, {then} {text}",
            (f"{octets_text(gain)} a frame",),
            f"flow {flow.name}",
        )


class MessageDeservesALook(DesignRule):
    """A message format leaves something out that is missed later.

    What it sees: several samples without sequence number or time, a format without version, units that are unusual.
    Why it costs: a lost message shifts all later samples in time, unseen; receivers cannot tell formats apart.
    When it is no fault: the port or path says the version; time comes from elsewhere.
    Example: several samples, and neither a sequence number nor a time: a lost message goes unseen.
    What to do: Add the field that is named.
    """

    name = "message-deserves-a-look"
    severity = Severity.REMARK
    cite = rfc(8428, "4")

    @classmethod
    def check(cls, plan: Plan) -> Iterator[Hit]:
        """Take the remarks about each message; what loses the time of samples is a risk."""
        for message in plan.design.messages:
            for remark in remarks(message):
                where = f"message {message.name}" + (f", {remark.path}" if remark.path else "")
                lost = "samples" in remark.text and "neither" in remark.text
                yield Hit(
                    remark.text,
                    (),
                    where,
                    severity=Severity.RISK if lost else None,
                    advice=remark.hint,
                )
