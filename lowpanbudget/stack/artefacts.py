"""RPL artefacts of an IPv6 datagram (RFC 6553, RFC 6554, IP-in-IP) as the 6LoRH headers that stand for them.

The way back from ``routed``: which of a datagram's headers can go as routing headers, and which those are.
"""

from collections.abc import Sequence
from ipaddress import IPv6Address

from lowpanbudget.env import Env
from lowpanbudget.layers.internet import ipv6
from lowpanbudget.layers.internet.ipv6 import Ipv6
from lowpanbudget.layers.lowpan import routing
from lowpanbudget.layers.lowpan.lorh import IpInIp, RoutingHeader, Rpi, SrhLorh
from lowpanbudget.layers.lowpan.routing import Outer, goes_down, reference_of
from lowpanbudget.stack.outgoing import Extension, Outgoing
from lowpanbudget.values import dataclass, replace


@dataclass(frozen=True, slots=True)
class Level:
    """An IPv6 header whose RPL artefacts can be written as routing headers.

    ``route`` holds the addresses of its routing header still to be visited, ``kind`` and ``following`` what comes after
    the artefacts and the index of that header. ``same`` says that they would come back octet for octet: a routing
    header with elided prefixes, or with addresses already visited, comes back as an equivalent one.
    """

    header: Ipv6
    kind: int
    following: int
    rpi: Rpi | None = None
    route: tuple[IPv6Address, ...] = ()
    same: bool = True

    @property
    def hops(self) -> tuple[IPv6Address, ...]:
        """Return where the packet goes from here on, the current destination first."""
        return (self.header.destination, *self.route)


def level_of(sent: Outgoing, index: int, env: Env) -> Level:
    """Return the IPv6 header at ``index`` of the datagram, with the artefacts that follow it."""
    header = sent.headers[index]
    assert isinstance(header, Ipv6)
    level = Level(header, header.next_header, index + 1)
    extension = _extension(sent, level, ipv6.HOP_BY_HOP)
    if extension is not None:
        rpi = routing.rpi_of(extension.octets, env.rpi_type, extension.value)
        if rpi is not None:
            level = replace(level, kind=extension.octets[0], following=index + 2, rpi=rpi)
    extension = _extension(sent, level, ipv6.ROUTING)
    if extension is not None:
        octets = extension.octets
        route = routing.addresses_of(octets, header.destination, extension.value)
        if route is not None and not any(hop.is_multicast for hop in (header.destination, *route)):
            level = replace(
                level,
                kind=octets[0],
                following=level.following + 1,
                route=route,
                same=octets[1:] == routing.routing_header_of(route)[1:],
            )
    return level


def _extension(sent: Outgoing, level: Level, kind: int) -> Extension | None:
    """Return the extension header of this kind when it stands next."""
    if level.kind != kind or level.following >= len(sent.headers):
        return None
    header = sent.headers[level.following]
    return header if isinstance(header, Extension) else None


def can_tunnel(level: Level) -> bool:
    """Return whether an IP-in-IP-6LoRH can carry this header: it has no room for traffic class and flow label."""
    header = level.header
    return level.kind == ipv6.IPV6 and header.traffic_class == header.flow_label == 0


def ends_as_implied(level: Level, env: Env, final: IPv6Address) -> bool:
    """Return whether an outer header goes where an IP-in-IP-6LoRH without a source route leads.

    That is the root for a packet that travels up, else ``final``, the destination that IPHC will carry.
    """
    implied = final if goes_down(level.rpi, level.header.source, env) else env.root
    return not level.route and level.header.destination == implied


def without_groups(levels: list[Level], env: Env) -> list[Level]:
    """Return the levels up to the first whose header must go in IPHC.

    An outer header to a group has no other place where its destination could stand: no source route holds a multicast
    address (RFC 6554 section 3), so it goes in an IP-in-IP-6LoRH only where its destination is the implied one.
    """
    for count, level in enumerate(levels[:-1], 1):
        final = levels[-1].hops[-1]
        if level.header.destination.is_multicast and not ends_as_implied(level, env, final):
            return without_groups(levels[:count], env)
    return levels


def outer_headers(
    level: Level, env: Env, final: IPv6Address, end_octets: int = 0
) -> tuple[list[RoutingHeader], Outer]:
    """Return the routing headers of an outer IPv6 header, and what may be elided against it.

    ``final`` is the destination that IPHC will carry. With ``end_octets`` a way down that ends there says so in an
    entry of so many octets, or more: "In Non-Storing mode, there is no implicit value for packets going downwards"
    (RFC 8138 section 7).
    """
    header, root = level.header, env.root
    encapsulator = header.source.packed
    if root is not None:
        octets = 0 if header.source == root else routing.shortest_form(header.source, root)
        encapsulator = encapsulator[16 - octets :]
    hops, down = level.hops, goes_down(level.rpi, header.source, env)
    is_implied = ends_as_implied(level, env, final)
    if is_implied and not (end_octets and down):
        outer = Outer(header.source, (), None if down else root)
    else:
        outer = Outer(header.source, hops, hops[-1])
    headers = _group_headers(outer.hops, header.source, level.rpi)
    if is_implied and outer.hops:
        octets = max(end_octets, routing.shortest_form(final, header.source))
        headers[0] = SrhLorh((final.packed[16 - octets :],))
    return [*headers, IpInIp(header.hop_limit, encapsulator)], outer


def inner_headers(level: Level, env: Env, *, tunnelled: bool) -> list[RoutingHeader] | None:
    """Return the routing headers of the IPv6 header that IPHC will carry, or None when they would come back wrong.

    The final destination goes in IPHC "at all times along the path" and is no hop.
    """
    hops = level.hops[:-1]
    if hops and hops[-1] == level.hops[-1]:
        return None
    return _group_headers(
        hops, reference_of(level.header.source, env, tunnelled=tunnelled), level.rpi
    )


def _group_headers(
    hops: Sequence[IPv6Address], reference: IPv6Address, rpi: Rpi | None
) -> list[RoutingHeader]:
    headers: list[RoutingHeader] = [*routing.compress_hops(hops, reference)]
    if rpi is not None:
        headers.append(rpi)
    return headers
