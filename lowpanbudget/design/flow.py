"""A flow of a design: who sends to whom, over which headers and how many hops.

The knobs that turn a flow key stand in ``flow_knobs``; those of its addresses in ``addresses``.
"""

from ipaddress import IPv6Address
from itertools import zip_longest
from typing import Any, Literal, NamedTuple

from lowpanbudget.arguments import explains, one_of, whole_number, with_flags
from lowpanbudget.cites import rfc
from lowpanbudget.design.application import NONE, Application
from lowpanbudget.design.link import AddressForm
from lowpanbudget.design.routing import UNROUTED, Routing, routers
from lowpanbudget.env import IID_MASK, interface_identifier, link_of_identifier
from lowpanbudget.errors import RequestError, plural
from lowpanbudget.layers.internet import rpi
from lowpanbudget.layers.link.mac import BROADCAST
from lowpanbudget.layers.lowpan.addresses import LINK_LOCAL
from lowpanbudget.layers.lowpan.forms import HLIM
from lowpanbudget.layers.lowpan.mesh import group_address
from lowpanbudget.layers.lowpan.nhc import KNOWN_PORT
from lowpanbudget.shown import LINK_ADDRESS, shown_named
from lowpanbudget.values import HashedOnce, dataclass, field, replace

Role = Literal["node", "collector", "border", "outside"]
FIRST, FORWARDED = "first", "forwarded"

# Relays are nobody's address: nothing can be elided because of them
_RELAYS: dict[str, tuple[bytes, ...]] = {
    "short": tuple(bytes.fromhex(f"7df{number}") for number in range(1, 9)),
    "extended": tuple(bytes.fromhex(f"02fffefdfcfbf{number}f{number}") for number in range(1, 9)),
}
_DEPTH = {"outside": 0, "border": 1, "collector": 1, "node": 2}
_ONE_LINK = 2  # the scope of a group that no router passes on (RFC 4291 section 2.7)
_FORMS: tuple[AddressForm, ...] = ("short", "extended")
_STAND_IN_SHORT = {"node": b"\x00\x17", "collector": b"\x00\x01", "border": b"\x00\x00"}


def _form(form: AddressForm) -> AddressForm:
    return one_of(form, _FORMS, "form")


@dataclass(frozen=True, slots=True)
class Station(HashedOnce):
    """One end of a flow: its role, link addresses and IPv6 address.

    ``prefix`` with ``identifier`` makes the address follow the link address; else ``address`` is given whole.
    """

    name: str
    role: Role
    short: bytes | None = field(default=None, metadata=LINK_ADDRESS)
    extended: bytes | None = field(default=None, metadata=LINK_ADDRESS)
    address: IPv6Address | None = None
    prefix: int = field(default=LINK_LOCAL.value, metadata={"shown": hex})
    identifier: AddressForm | Literal["link"] = "link"

    def link_address(self, form: AddressForm) -> bytes:
        """Return the link address of this form; a station without a short one gets a stand-in."""
        if _form(form) == "short":
            return self.short or _STAND_IN_SHORT.get(self.role, b"\x00\x21")
        return self.extended or bytes.fromhex("02000000000000") + (self.short or b"\x01")[-1:]

    def ip(self, form: AddressForm) -> IPv6Address:
        """Return the IPv6 address, its identifier made from the link address of ``form`` where it follows that."""
        if self.address is not None:
            return self.address
        own = self._identified_by(form)
        return IPv6Address(self.prefix | (interface_identifier(self.link_address(own)) or 0))

    def is_short(self, form: AddressForm) -> bool:
        """Return whether the identifier is made from a short address, of one given whole as far as it shows.

        Another one that is given whole stands for addresses as short where there is no EUI-64 beside it.
        """
        if self.address is None:
            return self._identified_by(form) == "short"
        made = link_of_identifier(int(self.address) & IID_MASK, len(BROADCAST)) is not None
        return made or self.extended is None

    def _identified_by(self, form: AddressForm) -> AddressForm:
        return _form(form) if self.identifier == "link" else self.identifier


class Hop(NamedTuple):
    """One transmission of a flow's datagram: link addresses, the hop limit it has there."""

    name: str
    source: bytes
    destination: bytes
    hop_limit: int

    def __repr__(self) -> str:
        return shown_named(self, "source", "destination")


@dataclass(frozen=True, slots=True)
class Flow(HashedOnce):
    """Who sends to whom.

    ``group`` is the destination of a multicast flow, else None; ``messages`` are names of the design's messages;
    ``every_s`` says how often; ``most_frames`` how many frames one may take. ``answers`` names the flow whose requests
    it answers, as often as they come. ``mesh_under``: its frames are forwarded below IPv6 (RFC 4944 section 11).
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
    answers: str = ""
    mesh_under: bool = False

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
        link, regardless of the number of hops in the IPv6 tunnel" (RFC 2473 section 6.3). Of a mesh below IPv6 "all
        IPv6 hosts in a LoWPAN are only one IP hop away from the 6LBR" (RFC 6775 section 2).
        """
        return 1 if self.routing.tunnel or self.mesh_under else self.hops

    @property
    def inserted(self) -> bool:
        """Return whether the root adds the routing artefacts to a packet of somebody else, a host outside.

        "an intermediate router that needs to add an extension header (e.g., RH3 or RPL Option) MUST still encapsulate
        the packet in an (additional) outer IP header" (RFC 9008 section 6).
        """
        routing, unicast = self.routing, self.group is None
        return unicast and self.source.role == "outside" and (routing.rpi or routing.route > 0)

    @property
    def leaving(self) -> bool:
        """Return whether the flow leads out of the mesh with an RPL option that others must discard.

        To a destination outside the RPL instance "routers MUST use IPv6-in-IPv6 tunneling" (RFC 6553 section 4); only
        an option of type 0x23 may leave (RFC 9008 section 4.2).
        """
        routing, unicast = self.routing, self.group is None
        old = routing.rpi and routing.rpi_type == rpi.OLD
        return unicast and self.destination.role == "outside" and old

    @property
    def must_tunnel(self) -> bool:
        """Return whether the standards want an outer header around the flow's packets."""
        return self.inserted or self.leaving

    def routed(self, form: AddressForm) -> Routing:
        """Return the routing, with what tells routers apart: their addresses are such as that of the node at an end."""
        if self.routing.entry_octets:
            return self.routing
        ends = self.destination, self.source
        node = next((end for end in ends if end.role == "node"), self.destination)
        return replace(self.routing, entry_octets=2 if node.is_short(form) else 8)

    @with_flags
    def tunnelled(self, *, tunnel: bool = True) -> "Flow":
        """Return the flow with an outer header, or without one."""
        return replace(self, routing=replace(self.routing, tunnel=tunnel))

    @explains
    def with_station(self, station: Station) -> "Flow":
        """Return the flow with this station in place of the one of its name, itself where that is not in it."""
        ends = (
            ("source", "border") if self.group is not None else ("source", "destination", "border")
        )
        named: dict[str, Any] = {
            end: station for end in ends if getattr(self, end).name == station.name
        }
        return replace(self, **named) if named else self

    def with_hops(self, hops: int) -> "Flow":
        """Return the flow over so many hops; a source route grows and shrinks with them.

        Raises ``RequestError`` where it does not reach so far.
        """
        hops = whole_number(hops, "hops", 1)
        routing = self.routing
        if routing.route or routing.non_storing:
            route = max(routing.route + hops - self.hops, 0)
            routing = replace(routing, route=route, non_storing=not route and routing.tunnel)
        flow = replace(self, hops=hops, routing=routing)
        flow.must_reach()
        return flow

    def must_reach(self) -> None:
        """Raise ``RequestError`` where the hop limit, the scope of the group or an address ends before the flow."""
        ends = (self.source, self.destination) if self.group is None else (self.source,)
        outside = any(station.role == "outside" for station in ends)
        if self.hop_limit < self.hops_routed + outside:
            raise RequestError(
                f"a hop limit of {self.hop_limit} ends before {plural(self.hops, 'hop')}",
                cite=rfc(8200, "3"), hint="Raise it",
            )  # fmt: skip
        tunnel_ends = (self.border,) if self.routing.tunnel else ()
        local = any(station.ip("short") in LINK_LOCAL.prefix for station in (*ends, *tunnel_ends))
        one_link = self.group is not None and self.group.packed[1] & 15 == _ONE_LINK
        if self.hops > 1 and not self.mesh_under and (local or one_link):
            raise RequestError(
                "an address or a group with the scope of one link is not forwarded over "
                f"{plural(self.hops, 'hop')}",
                cite=rfc(4291, "2.5.6"), hint="Give it a wider scope",
            )  # fmt: skip

    @explains
    def hop_list(self, form: AddressForm) -> tuple[Hop, ...]:
        """Return the hops that differ: the first, and a forwarded one when there are several.

        The forwarded hop stands for the worst: its link addresses are relays' (but for the last of two hops) and its
        hop limit is one that no form elides. How many routers a host outside is away nobody knows; there is one. Behind
        a source route the relays are those that it names: in 6LoRH each "MUST drop the packet" where it is not the one
        (RFC 8138 section 5.6), as an extension header each is the destination of the packet, next to the one before it
        ("a strict source route policy", RFC 6554 section 2). In 6LoRH a router forwards the packet without its entry
        (section 5.5): so the second hop is the worst, with the hop limit of that hop alone.
        """
        start, end = self._link_addresses(form)
        entry, relay, next_relay = self._relays(form, {start, end})
        if self.group is not None:
            end = entry = next_relay = BROADCAST
        limit = self.hop_limit
        if self.source.role == "outside":
            limit = _worst(range(self.hop_limit - 1, self.hops_routed - 1, -1))
        first = Hop(FIRST, start, end if self.hops == 1 else entry, limit)
        if self.hops == 1:
            return (first,)
        is_outside = (
            self.source.role == "outside"
        )  # and the limit of the first hop may be any smaller one
        last = 1 if is_outside and self.hops_routed > 1 else limit - self.hops_routed + 1
        later = range(limit - 1, last - 1, -1) or range(limit, limit + 1)
        if self.routing.compressed and self.routing.route > 1 and not is_outside:
            later = later[:1]  # an entry less outweighs a hop limit in line
        worst = _worst(later)
        return first, Hop(FORWARDED, relay, end if self.hops == 2 else next_relay, worst)

    def ends_of(self, hop: Hop, form: AddressForm) -> tuple[bytes, bytes]:
        """Return the link addresses that identifiers are elided against: of the hop, or of both ends of a mesh.

        "when routing in a mesh ... the corresponding link-layer address is that found in the "Mesh Addressing" field"
        (RFC 4944 section 10.1): what the first frame elides, a frame that is forwarded elides as well.
        """
        return self.mesh_ends(form) if self.mesh_under else (hop.source, hop.destination)

    def mesh_ends(self, form: AddressForm) -> tuple[bytes, bytes]:
        """Return the link addresses of originator and final destination of a mesh below IPv6, of a group its own."""
        start, end = self._link_addresses(form)
        return start, end if self.group is None else group_address(self.group)

    def _link_addresses(self, form: AddressForm) -> tuple[bytes, bytes]:
        """Return the link addresses of both ends; a host outside is reached through the border router."""
        ends = (self.source, self.destination)
        start, end = (self.border if one.role == "outside" else one for one in ends)
        return start.link_address(form), end.link_address(form)

    def _relays(self, form: AddressForm, ends: set[bytes]) -> tuple[bytes, bytes, bytes]:
        """Return link addresses that are none of the ends': where the first hop leads, and both of a forwarded one."""
        routing, final = self.routed(form), self.destination.ip(form)
        relay = relay_beside(form, ends, self.source.ip(form))
        next_relay = relay_beside(form, {*ends, relay}, final)
        if not routing.route:
            return next_relay, relay, next_relay

        def link_of(stop: IPv6Address) -> bytes | None:
            return link_of_identifier(int(stop) & IID_MASK, len(relay))

        # routers have addresses such as the node's: made of their link addresses where its own is, else that is open
        follows = link_of(final) == self.destination.link_address(form)
        root, count = self.border.ip(form), min(routing.route, 2)
        stops = routers(final, root, count, routing.entry_octets) if follows else []
        relay, next_relay = (
            stand_in if link is None or link in ends else link
            for link, stand_in in zip_longest(map(link_of, stops), (relay, next_relay))
        )
        return relay, relay, next_relay


def relay_beside(form: AddressForm, others: set[bytes], address: IPv6Address) -> bytes:
    """Return a link address that is none of the others, from which no bit of this address can be worked out.

    A context may leave as little as the last bit to the link address (RFC 6282 section 3.1.1).
    """
    return next(one for one in _RELAYS[form] if one not in others and (one[-1] ^ int(address)) & 1)


def _worst(limits: range) -> int:
    """Return the first hop limit that goes in line, or the first of all."""
    return next((value for value in limits if HLIM.best(value).row.inline), limits[0])
