"""A flow of a design: who sends to whom, over which headers and how many hops.

The knobs that turn a flow key stand at the end, beside what they turn; those of its addresses in ``addresses``.
"""

from collections.abc import Iterator
from ipaddress import IPv6Address
from typing import Any, Literal, NamedTuple

from lowpanbudget.cites import rfc
from lowpanbudget.design.application import NONE, Application, application_knobs
from lowpanbudget.design.knob import Knob, replacing
from lowpanbudget.design.link import AddressForm, Link
from lowpanbudget.design.routing import UNROUTED, Routing, routing_knobs
from lowpanbudget.env import interface_identifier
from lowpanbudget.layers.link.mac import BROADCAST
from lowpanbudget.layers.lowpan.addresses import LINK_LOCAL
from lowpanbudget.layers.lowpan.forms import HLIM
from lowpanbudget.layers.lowpan.nhc import KNOWN_PORT, PORTS
from lowpanbudget.values import HashedOnce, dataclass, replace

Role = Literal["node", "collector", "border", "outside"]
FIRST, FORWARDED = "first", "forwarded"

# Relays are nobody's address: nothing can be elided because of them
_RELAYS: dict[str, tuple[bytes, ...]] = {
    "short": tuple(bytes.fromhex(f"7df{number}") for number in (1, 2, 3, 4)),
    "extended": tuple(bytes.fromhex(f"02fffefdfcfbf{number}f{number}") for number in (1, 2, 3, 4)),
}
_DEPTH = {"outside": 0, "border": 1, "collector": 1, "node": 2}
_STAND_IN_SHORT = {"node": b"\x00\x17", "collector": b"\x00\x01", "border": b"\x00\x00"}


@dataclass(frozen=True, slots=True)
class Station(HashedOnce):
    """One end of a flow: its role, link addresses and IPv6 address.

    ``prefix`` with ``identifier`` makes the address follow the link address; else ``address`` is given whole.
    """

    name: str
    role: Role
    short: bytes | None = None
    extended: bytes | None = None
    address: IPv6Address | None = None
    prefix: int = LINK_LOCAL.value
    identifier: AddressForm | Literal["link"] = "link"

    def link_address(self, form: AddressForm) -> bytes:
        """Return the link address of this form; a station without a short one gets a stand-in."""
        if form == "short":
            return self.short or _STAND_IN_SHORT.get(self.role, b"\x00\x21")
        return self.extended or bytes.fromhex("02000000000000") + (self.short or b"\x01")[-1:]

    def ip(self, form: AddressForm) -> IPv6Address:
        """Return the IPv6 address, its identifier made from the link address of ``form`` where it follows that."""
        if self.address is not None:
            return self.address
        own = form if self.identifier == "link" else self.identifier
        return IPv6Address(self.prefix | (interface_identifier(self.link_address(own)) or 0))


class Hop(NamedTuple):
    """One transmission of a flow's datagram: link addresses, the hop limit it has there."""

    name: str
    source: bytes
    destination: bytes
    hop_limit: int


@dataclass(frozen=True, slots=True)
class Flow(HashedOnce):
    """Who sends to whom.

    ``group`` is the destination of a multicast flow, else None; ``messages`` are names of the design's messages;
    ``every_s`` says how often; ``most_frames`` how many frames one may take.
    """

    name: str
    source: Station
    destination: Station
    border: Station
    group: IPv6Address | None = None
    hops: int = 1
    source_port: int = KNOWN_PORT
    destination_port: int = KNOWN_PORT
    hop_limit: int = 64
    traffic_class: int = 0
    flow_label: int = 0
    elide_udp_checksum: bool = False
    application: Application = NONE
    routing: Routing = UNROUTED
    messages: tuple[str, ...] = ()
    every_s: float | None = None
    most_frames: int = 1

    @property
    def direction(self) -> str:
        """Return up, down, across, or to many, as seen from the nodes."""
        if self.group is not None:
            return "to many"
        start, end = _DEPTH[self.source.role], _DEPTH[self.destination.role]
        return "up" if start > end else "down" if start < end else "across"

    @property
    def hops_routed(self) -> int:
        """Return the hops over which the flow's own hop limit falls: a tunnel is one, inside it only the outer falls.

        "the passing of the original packet through the tunnel is like the passing of the original packet over a one hop
        link, regardless of the number of hops in the IPv6 tunnel" (RFC 2473 section 6.3).
        """
        return 1 if self.routing.tunnel else self.hops

    def with_station(self, station: Station) -> "Flow":
        """Return the flow with this station in place of the one of its name, itself where that is not in it."""
        ends = (
            ("source", "border") if self.group is not None else ("source", "destination", "border")
        )
        named: dict[str, Any] = {
            end: station for end in ends if getattr(self, end).name == station.name
        }
        return replace(self, **named) if named else self

    def hop_list(self, link: Link) -> tuple[Hop, ...]:
        """Return the hops that differ: the first, and a forwarded one when there are several.

        The forwarded hop stands for the worst: its link addresses are relays' (but for the last of two hops) and its
        hop limit is one that no form elides. How many routers a host outside is away nobody knows; there is one.
        """
        form = link.addresses
        start, end = (
            (self.border if station.role == "outside" else station).link_address(form)
            for station in (self.source, self.destination)
        )
        relay, next_relay = [other for other in _RELAYS[form] if other not in {start, end}][:2]
        if self.group is not None:
            end = next_relay = BROADCAST
        limit = self.hop_limit
        if self.source.role == "outside":
            limit = _worst(range(self.hop_limit - 1, self.hops_routed - 1, -1))
        first = Hop(FIRST, start, end if self.hops == 1 else next_relay, limit)
        if self.hops == 1:
            return (first,)
        worst = (
            _worst(range(limit - 1, limit - self.hops_routed, -1))
            if self.hops_routed > 1
            else limit
        )
        return first, Hop(FORWARDED, relay, end if self.hops == 2 else next_relay, worst)


def _worst(limits: range) -> int:
    """Return the first hop limit that goes in line, or the first of all."""
    return next((value for value in limits if HLIM.best(value).row.inline), limits[0])


def flow_knobs(flow: Flow) -> Iterator[Knob[Flow]]:
    """Yield every change of a flow key that may free octets, or protect more."""
    for application_knob in application_knobs(flow.application):
        yield application_knob.within(
            lambda outer: outer.application,
            lambda outer, application: replace(outer, application=application),
        )
    for routing_knob in routing_knobs(flow.routing):
        yield routing_knob.within(
            lambda outer: outer.routing, lambda outer, routing: replace(outer, routing=routing)
        )
    ports = (flow.source_port, flow.destination_port)
    if PORTS.best(ports).row.inline > min(row.inline for row in PORTS.rows):
        first, second = KNOWN_PORT + 1, KNOWN_PORT + 2
        yield Knob(
            "ports",
            f"{first:#06x},{second:#06x}",
            "flow.source_port, flow.destination_port",
            "both ports in 0xf0b0-0xf0bf",
            rfc(6282, "4.3.1"),
            replacing(source_port=first, destination_port=second),
            "these ports say little about the application: pair them with an integrity check",
        )
    outside = {flow.source.role, flow.destination.role} & {"outside"}
    if HLIM.best(flow.hop_limit).row.inline and flow.source.role != "outside":
        for limit in (64, 255, 1):
            if limit >= flow.hops_routed + len(outside):
                yield Knob(
                    "hop_limit",
                    str(limit),
                    "flow.hop_limit",
                    f"hop limit {limit}",
                    rfc(6282, "3.1.1"),
                    replacing(hop_limit=limit),
                )
    if flow.traffic_class or flow.flow_label:
        yield Knob(
            "traffic_class,flow_label",
            "0",
            "flow.traffic_class, flow.flow_label",
            "traffic class and flow label zero",
            rfc(6282, "3.2.1"),
            replacing(traffic_class=0, flow_label=0),
            "nothing on the way treats its packets by them",
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
        )
    else:
        yield Knob(
            "udp_checksum",
            "elided",
            "flow.udp_checksum",
            "the UDP checksum elided",
            rfc(6282, "4.3.2"),
            replacing(elide_udp_checksum=True),
            caution="only where the upper layer permits it and another integrity check covers pseudo-header and "
            "data end to end; otherwise a damaged packet may reach a wrong node unseen",
        )
