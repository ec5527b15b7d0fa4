"""6LoRH headers to the IPv6 headers that they stand for (RFC 8138 sections 3.2.2, 5 and 7); back: ``artefacts``.

Headers come in groups. Each IP-in-IP-6LoRH ends the group of an outer IPv6 header, "the 6LoRH headers that are found
after the last compressed IP-in-IP header are to be inserted after the IPv6 header that is encoded with the
6LOWPAN_IPHC". In a group stand the source route, in one or more SRH-6LoRH, then the RPL information.
"""

from collections.abc import Callable, Sequence
from ipaddress import IPv6Address
from typing import NamedTuple

from lowpanbudget.bits import Reader
from lowpanbudget.cites import Cite, rfc
from lowpanbudget.env import Env
from lowpanbudget.errors import Malformed, WireError
from lowpanbudget.layers.internet import ipv6, source_route
from lowpanbudget.layers.internet.ipv6 import Ipv6
from lowpanbudget.layers.lowpan import lorh, routing
from lowpanbudget.layers.lowpan.addresses import UnknownLinkAddress, UnknownRoot
from lowpanbudget.layers.lowpan.lorh import IpInIp, RoutingHeader, Rpi, Skipped, SrhLorh
from lowpanbudget.layers.lowpan.routing import Outer, goes_down, goes_up_from_root, reference_of
from lowpanbudget.stack.datagram import Chain, RestoredPart, read_chain
from lowpanbudget.values import dataclass, field, replace

Note = Callable[[str, str, Cite | None, int], None]
PLACEMENT = rfc(8138, "3.2.2")


class Placed(NamedTuple):
    """A routing header and the octet where it stands."""

    offset: int
    header: RoutingHeader


@dataclass(slots=True)
class RoutingGroup:
    """The routing headers of one IPv6 header; ``tunnel`` is None for the header that IPHC carries."""

    offset: int
    routes: list[SrhLorh] = field(default_factory=list)
    rpi: Rpi | None = None
    tunnel: IpInIp | None = None


def read_routed(
    reader: Reader, env: Env, chain: Chain, headers: Sequence[Placed], note: Note
) -> None:
    """Read into ``chain`` what starts at an IPHC header behind routing headers, and add what they stand for.

    Raises ``WireError``. A chain is at most ``ipv6.DEEPEST`` dispatches long, and a routing header holds at most
    ``routing.MOST_ADDRESSES`` addresses, so 2040 octets each bound what is added.
    """
    groups = _groups(headers, note)
    outers = [_outer(group, env) for group in groups[:-1]]
    outer = outers[-1] if outers else None
    try:
        read_chain(reader, env, chain, tunnel=None if outer is None else outer.sides)
    except WireError as error:
        if outer is not None and outer.end is None and isinstance(error.about, UnknownLinkAddress):
            raise _circle(error) from None
        raise
    inner = chain.parts[0].value
    reference = reference_of(inner.source, env, tunnelled=bool(outers))
    hops = tuple(routing.expand_hops(groups[-1].routes, reference))
    if hops and hops[-1] != inner.destination:
        hops = (*hops, inner.destination)
    _note_path(groups[-1], inner.source, hops, note)
    _insert(chain, env, groups[-1], hops, note)
    for group, outer in zip(reversed(groups[:-1]), reversed(outers), strict=True):
        _note_path(group, outer.source, outer.hops, note)
        if not outer.hops and goes_up_from_root(group.rpi, outer.source, env):
            text = (
                "the root sends it, and its RPL information says that it goes up: the tunnel is taken to end where the "
                "datagram inside goes"
            )
            note("tunnel-end-unsure", text, rfc(8138, "7"), group.offset)
        _encapsulate(chain, env, group, outer, inner.destination)


def _circle(error: WireError) -> WireError:
    """Return the fault of a destination that the outer header should tell, whose own destination it is."""
    return Malformed(
        "the destination is elided, and the outer header downwards ends where it leads itself",
        offset=error.offset,
        layer=error.layer,
        cite=rfc(8138, "7"),
        hint="The sender must carry the destination, or a source route behind which it stands",
    )


def _groups(headers: Sequence[Placed], note: Note) -> list[RoutingGroup]:
    groups = [RoutingGroup(headers[0].offset)]
    for offset, header in headers:
        group = groups[-1]
        if isinstance(header, Skipped):
            note(
                "elective-skipped",
                f"elective routing header type {header.kind} is not known and was skipped",
                lorh.ELECTIVE,
                offset,
            )
        elif isinstance(header, SrhLorh):
            if group.rpi is not None:
                text = "the source route stands behind the RPL information, not before it"
                note("source-route-misplaced", text, PLACEMENT, offset)
            group.routes.append(header)
        elif isinstance(header, Rpi):
            if group.rpi is not None:
                raise Malformed(
                    "a second RPI-6LoRH for the same IPv6 header",
                    offset=offset,
                    layer="RPI-6LoRH",
                    cite=PLACEMENT,
                )
            group.rpi = header
        else:
            group.tunnel = header
            groups.append(RoutingGroup(offset))
    return groups


def _outer(group: RoutingGroup, env: Env) -> Outer:
    tunnel = group.tunnel
    assert tunnel is not None
    octets = tunnel.encapsulator
    if len(octets) < 16 and env.root is None:
        raise _unknown_root(group, "the encapsulator's address is compressed against the root's")
    source = routing.coalesce(env.root or IPv6Address(0), octets)
    # section 5.4: the Encapsulator Address, or the root's when it is elided, is the reference
    hops = tuple(routing.expand_hops(group.routes, source))
    if hops:
        return Outer(source, hops, hops[-1])
    if goes_down(group.rpi, source, env):
        return Outer(source, (), None)
    if env.root is None:
        raise _unknown_root(group, "the tunnel going up ends at the root")
    return Outer(source, (), env.root)


def _unknown_root(group: RoutingGroup, why: str) -> WireError:
    return WireError(
        f"{why}, which is not known",
        offset=group.offset,
        layer="6LoRH",
        cite=rfc(8138, "4.3.2"),
        hint="Give its address (root)",
        about=UnknownRoot(),
    )


def _note_path(
    group: RoutingGroup, source: IPv6Address, hops: tuple[IPv6Address, ...], note: Note
) -> None:
    """Note what is forbidden in a source route that can be expanded all the same."""
    for name, text, cite in source_route.flaws(source, hops):
        note(name, text, cite, group.offset)


def _insert(
    chain: Chain,
    env: Env,
    group: RoutingGroup,
    hops: tuple[IPv6Address, ...],
    note: Note,
) -> None:
    """Put hop-by-hop and routing header behind the IPv6 header that IPHC carried, for the path to its destination."""
    first, *rest = chain.parts
    following = first.value.next_header if first.next_header is None else first.next_header
    if group.rpi is not None and following == ipv6.HOP_BY_HOP:
        text = "a second hop-by-hop header stands behind the one of the RPL information"
        note("hop-by-hop-twice", text, rfc(8200, "4.1"), group.offset)
    if hops:
        first.value = replace(first.value, destination=hops[0])
    extensions = _extensions(group, hops[1:], following, env.rpi_type)
    chain.parts = [first, *extensions, *rest]
    if extensions:
        first.next_header = extensions[0].kind


def _encapsulate(
    chain: Chain, env: Env, group: RoutingGroup, outer: Outer, final: IPv6Address
) -> None:
    """Put an outer IPv6 header with its hop-by-hop and routing headers before the chain."""
    tunnel = group.tunnel
    assert tunnel is not None
    destination = outer.hops[0] if outer.hops else outer.end or final
    extensions = _extensions(group, outer.hops[1:], ipv6.IPV6, env.rpi_type)
    kind = extensions[0].kind if extensions else ipv6.IPV6
    header = Ipv6(0, 0, 0, kind, tunnel.hop_limit, outer.source, destination)
    chain.parts = [RestoredPart(ipv6.IPV6, header), *extensions, *chain.parts]


def _extensions(
    group: RoutingGroup, addresses: tuple[IPv6Address, ...], following: int, rpi_type: int
) -> list[RestoredPart]:
    parts = []
    if group.rpi is not None:
        parts.append(RestoredPart(ipv6.HOP_BY_HOP, routing.hop_by_hop_of(group.rpi, rpi_type)))
    if addresses:
        try:
            octets = routing.routing_header_of(addresses)
        except Malformed as error:
            error.offset, error.layer = group.offset, "SRH-6LoRH"
            raise
        parts.append(RestoredPart(ipv6.ROUTING, octets))
    kinds = [part.kind for part in parts[1:]] + [following]
    for part, kind in zip(parts, kinds, strict=False):
        part.next_header = kind
    return parts
