"""What a RPL network adds to a datagram: RPL information, a source route, an outer header.

The headers are built as IPv6 carries them (RFC 6553, RFC 6554, RFC 2473); the stack then compresses them with
LOWPAN_NHC, or as routing headers of page 1 (RFC 8138) where the flow says so.
"""

from collections.abc import Callable, Iterator
from ipaddress import IPv6Address

from lowpanbudget.bits import Writer
from lowpanbudget.cites import Cite, rfc
from lowpanbudget.design.knob import Knob, replacing
from lowpanbudget.env import IID_MASK
from lowpanbudget.layers.internet import ipv6, source_route
from lowpanbudget.layers.internet.ipv6 import Ipv6
from lowpanbudget.layers.internet.source_route import SourceRoute
from lowpanbudget.layers.lowpan import routing
from lowpanbudget.layers.lowpan.lorh import Rpi
from lowpanbudget.payload.flaws import Flaw
from lowpanbudget.stack.outgoing import AnyHeader, Extension
from lowpanbudget.values import dataclass, replace

TUNNEL_HOP_LIMIT = 64
_WHOLE_IDENTIFIER = 8  # octets
# the modes of operation (RFC 6550 section 6.3.1)
MODES = {
    "storing": "Storing mode: routers know the way down, and no packet carries it.",
    "non-storing": "Non-storing mode: the root writes the way into each packet that goes down.",
}
# ... and what a flow says in each
MODES_WRITTEN = {
    "storing": (
        "In a design file: [flow.routing] with rpi = true, and no route; tunnel = true where the packet begins outside "
        "the mesh (RFC 9008)."
    ),
    "non-storing": (
        "In a design file: [flow.routing] with rpi = true; for flows that go down also route, which counts the "
        "routers between root and node, and tunnel = true where the packet begins outside the mesh (RFC 9008). Answers "
        "that go down have a route where such a flow has one, or where [flow.answer] says route."
    ),
}


@dataclass(frozen=True, slots=True)
class Routing:
    """The routing artefacts of a flow; the default has none.

    ``route`` is the number of routers in a source route, ``entry_octets`` how many last octets tell their addresses
    apart, 0 where the node's own address says it (``Flow.routed``). ``compressed``: as 6LoRH headers in page 1, else as
    extension headers. ``rpi_type`` is 0x63 or 0x23. ``non_storing``: where no router is in between, the root still says
    in an entry where its outer header ends (RFC 8138 section 7).
    """

    rpi: bool = False
    instance: int = 0
    sender_rank: int = 512
    route: int = 0
    entry_octets: int = 2
    tunnel: bool = False
    compressed: bool = True
    rpi_type: int = 0x63
    non_storing: bool = False

    def around(
        self, header: Ipv6, root: IPv6Address, *, down: bool, passed: int = 0
    ) -> list[AnyHeader]:
        """Return the headers of a datagram up to ``header``, with these artefacts; lengths and links are still open.

        ``passed`` routers of the source route have been visited already.
        """
        extensions: list[AnyHeader] = []
        if self.rpi:
            information = Rpi(self.instance, self.sender_rank, down)
            octets = routing.hop_by_hop_of(information, self.rpi_type)
            extensions.append(Extension(ipv6.HOP_BY_HOP, octets, information))
        next_stop, route = self._source_route(header.destination, root, min(passed, self.route))
        if route is not None:
            writer = Writer()
            source_route.encode(writer, route)
            extensions.append(Extension(ipv6.ROUTING, bytes(writer.data), route))
        if not self.tunnel:
            return [replace(header, destination=next_stop), *extensions]
        # up, the tunnel ends at the root; down, at the first router of the route or the destination
        start, end = (root, next_stop) if down else (header.source, root)
        outer = Ipv6(0, 0, 0, ipv6.IPV6, TUNNEL_HOP_LIMIT - passed, start, end)
        return [outer, *extensions, header]

    def end_octets(self, final: IPv6Address, root: IPv6Address) -> int:
        """Return the octets of the last entry of a source route once those before it were popped; 0 in storing mode.

        A router takes its entry out and leaves the others in the form they have, or gives the next one its own where
        that is longer (RFC 8138 section 5.5).
        """
        if not self.route and not self.non_storing:
            return 0
        hops = [*routers(final, root, self.route, self.entry_octets), final]
        return max(len(one.hops[0]) for one in routing.compress_hops(hops, root))

    def _source_route(
        self, final: IPv6Address, root: IPv6Address, passed: int
    ) -> tuple[IPv6Address, SourceRoute | None]:
        """Return the next stop and the routing header when so many routers were passed; None without a route.

        On its way the header keeps its size: each router swaps an address in it with the destination (RFC 6554 section
        4.2). Only as 6LoRH is an entry dropped once it was visited (RFC 8138 section 5.5).
        """
        first, *rest = *routers(final, root, self.route, self.entry_octets), final
        if not rest:
            return final, None
        if self.compressed:
            first, *rest = (first, *rest)[passed:]
            return first, routing.whole_route(rest) if rest else None
        destination, route = first, source_route.compress(first, tuple(rest), 0)
        for _ in range(passed):
            destination, route = route.visit(destination)
        return destination, route


UNROUTED = Routing()


def route_flaws(route: int, hops: int, role: str) -> Iterator[Flaw]:
    """Yield what is wrong with a source route over so many routers in what goes so many hops from such a station."""
    if route and role == "node":
        yield Flaw(
            ("route",), "only the root writes source routes (RFC 6550 section 9.7)",
            "Leave route out of what nodes send",
        )  # fmt: skip
    if route and route >= hops:
        yield Flaw(
            ("route",),
            f"a route over {route} routers takes {route + 1} hops, the flow has {hops}",
            "Count the routers between root and node",
        )


def routers(
    final: IPv6Address, root: IPv6Address, count: int, entry_octets: int
) -> list[IPv6Address]:
    """Return addresses of ``count`` routers between ``root`` and ``final``.

    They share all but the last ``entry_octets`` octets with ``final``, and none is an end's. Neighbours differ from the
    first of these octets on, so that no shorter form can carry them.
    """
    head = final.packed[: 16 - entry_octets]
    first = final.packed[16 - entry_octets]
    # not 0: an identifier of zeros is the anycast address of a subnet's routers (RFC 4291 section 2.6.1). Nor odd where
    # this is the first octet of an identifier: one that is made of an EUI-64 would belong to a group
    step = 2 if entry_octets == _WHOLE_IDENTIFIER else 1
    start = (first // step + 1) * step
    others = [other for ahead in range(0, 255, step) if (other := (start + ahead) % 256)]
    tails = 256 ** (entry_octets - 1)
    stops = (
        IPv6Address(
            head
            + bytes([others[number % len(others)]])
            + ((number + 1) % tails).to_bytes(entry_octets - 1, "big")
        )
        for number in range(count + 2)
    )
    # an identifier like an end's would be elided against that one's link address
    taken = {int(end) & IID_MASK for end in (final, root)}
    return [stop for stop in stops if int(stop) & IID_MASK not in taken][:count]


def routing_knobs(
    routing: Routing, *, tunnelled: str | None, untunnelled: str | None
) -> Iterator[Knob[Routing]]:
    """Yield every change of a routing key that may free octets.

    ``tunnelled`` says when the flow may have an outer header, ``untunnelled`` when it may do without; None: never.
    """
    if routing == UNROUTED:
        return
    if not routing.compressed:
        yield _knob(
            "form",
            "6lorh",
            "routing artefacts as 6LoRH headers instead of extension headers",
            rfc(8138, "4"),
            replacing(compressed=True),
            "all nodes understand page 1 (RFC 8025)",
            now="extension",
        )
    if routing.rpi and routing.instance:
        yield _knob(
            "instance",
            "0",
            "RPL instance 0",
            rfc(8138, "6"),
            replacing(instance=0),
            "the network has no other instance",
            now=str(routing.instance),
        )
    if routing.rpi and routing.sender_rank & 0xFF:
        yield _knob(
            "sender_rank",
            str(routing.sender_rank & 0xFF00),
            "ranks that are multiples of 256",
            rfc(8138, "6"),
            replacing(sender_rank=routing.sender_rank & 0xFF00),
            "MinHopRankIncrease is 256 and the objective function gives whole steps",
            now=str(routing.sender_rank),
        )
    if routing.route and routing.entry_octets > 2:
        yield _knob(
            "entry_octets",
            "2",
            "router addresses that differ in their last 2 octets only",
            rfc(8138, "5.1") if routing.compressed else source_route.CITE,
            replacing(entry_octets=2),
            "identifiers come from short link addresses or are assigned",
            now=str(routing.entry_octets),
        )
    if routing.tunnel and untunnelled is not None:
        yield _knob(
            "tunnel",
            "false",
            "no outer header",
            rfc(8138, "7"),
            replacing(tunnel=False),
            untunnelled,
            now="true",
        )
    if not routing.tunnel and tunnelled is not None:
        yield _knob(
            "tunnel",
            "true",
            "an outer header to and from the root",
            rfc(8138, "7"),
            replacing(tunnel=True),
            tunnelled,
            now="false",
        )


def routing_positions(routing: Routing) -> Iterator[Knob[Routing]]:
    """Yield the other positions that the routing keys have; none without artefacts."""
    if routing == UNROUTED:
        return
    if routing.compressed:
        yield _knob(
            "form", "extension", "routing artefacts as extension headers", rfc(6553, "3"),
            replacing(compressed=False), now="6lorh",
        )  # fmt: skip
    if routing.route:
        yield _knob(
            "route", "0", "no source route", rfc(6550, "9.7"), replacing(route=0),
            "the routers know the way down (storing mode)", now=str(routing.route),
        )  # fmt: skip
        if routing.entry_octets != _WHOLE_IDENTIFIER:
            yield _knob(
                "entry_octets", str(_WHOLE_IDENTIFIER), "router addresses that differ in 8 octets",
                source_route.CITE, replacing(entry_octets=_WHOLE_IDENTIFIER),
                now=str(routing.entry_octets),
            )  # fmt: skip


def _knob(
    key: str,
    value: str,
    text: str,
    cite: Cite,
    turn: Callable[[Routing], Routing],
    condition: str = "",
    *,
    now: str,
) -> Knob[Routing]:
    return Knob(
        f"routing.{key}", value, f"flow.routing.{key}", text, cite, turn, condition, now=now
    )
