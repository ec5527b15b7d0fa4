"""What 6LoRH headers stand for: RPL option, source route, outer address (RFC 8138 sections 4.3 to 5.6).

The IPv6 headers themselves are ``internet``'s: the RPL option in hop-by-hop options (``rpi``), and
the routing header of type 3 (``source_route``), here always with whole addresses (CmprI = CmprE =
Pad = 0).
"""

from collections.abc import Sequence
from functools import lru_cache
from ipaddress import IPv6Address

from lowpanbudget.bits import Reader, Writer
from lowpanbudget.env import IID_MASK, Env
from lowpanbudget.errors import Malformed, WireError
from lowpanbudget.layers.internet import extension, ipv6, source_route
from lowpanbudget.layers.internet.rpi import RplOption
from lowpanbudget.layers.lowpan.iphc import Sides
from lowpanbudget.layers.lowpan.lorh import (
    ADDRESS_OCTETS,
    MOST_HOPS,
    Rpi,
    SrhLorh,
)
from lowpanbudget.values import dataclass

ROUTING_HEADER = source_route.CITE

MOST_ADDRESSES = 127  # 16 octets each in a header of at most 255 units of 8 octets


def coalesce(reference: IPv6Address, octets: bytes) -> IPv6Address:
    """Return the address of a compressed form: the reference, its last octets overridden (RFC 8138 section 4.3.1)."""
    return IPv6Address(reference.packed[: 16 - len(octets)] + octets)


def expand_hops(routes: Sequence[SrhLorh], reference: IPv6Address) -> list[IPv6Address]:
    """Return the hops in full.

    "the reference for each subsequent entry is the address of its predecessor once it is uncompressed" (section 5.4).
    """
    hops = []
    for route in routes:
        for octets in route.hops:
            reference = coalesce(reference, octets)
            hops.append(reference)
    return hops


def compress_hops(hops: Sequence[IPv6Address], reference: IPv6Address) -> tuple[SrhLorh, ...]:
    """Return the shortest sequence of SRH-6LoRH headers for these hops.

    A header has one address form: a hop that needs fewer octets than its neighbours may join them, or get a header of
    its own. The best cut behind each hop is found from the first to the last.
    """
    needs = []
    for hop in hops:
        needs.append(shortest_form(hop, reference))
        reference = hop
    # for the hops up to each: the octets in all, where the last header begins, the octets of its addresses
    costs, cuts = [0], [(0, 0)]
    for end in range(1, len(hops) + 1):
        widest = needs[end - 1]
        least, cut = costs[end - 1] + 2 + widest, (end - 1, widest)
        for start in range(end - 2, max(end - MOST_HOPS, 0) - 1, -1):
            widest = max(widest, needs[start])
            octets = costs[start] + 2 + widest * (end - start)
            if octets <= least:
                least, cut = octets, (start, widest)
        costs.append(least)
        cuts.append(cut)
    headers: list[SrhLorh] = []
    end = len(hops)
    while end:
        start, octets = cuts[end]
        headers.append(SrhLorh(tuple(hop.packed[16 - octets :] for hop in hops[start:end])))
        end = start
    return tuple(reversed(headers))


def shortest_form(address: IPv6Address, reference: IPv6Address) -> int:
    """Return to how many octets, of figure 7's lengths, the address can be compressed against the reference.

    The Length of an IP-in-IP-6LoRH could count others, but it "indicates which compression is performed" (section 7),
    and figure 7 has all that there are: a length between is read, since it can mean one address only, and never sent.
    """
    there, here = address.packed, reference.packed
    return next(octets for octets in ADDRESS_OCTETS if there[: 16 - octets] == here[: 16 - octets])


# --- what both ways of an outer header go by -----------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Outer:
    """An outer header resolved: its source, the hops still to visit, and the tunnel's end.

    Without hops the end is implicit: the root, or (``end`` None) the destination that IPHC carries.
    """

    source: IPv6Address
    hops: tuple[IPv6Address, ...]
    end: IPv6Address | None

    @property
    def sides(self) -> Sides:
        """Return the identifiers that addresses in IPHC may be elided against (RFC 8138 section 5.2.3)."""
        end = None if self.end is None else int(self.end) & IID_MASK
        return int(self.source) & IID_MASK, end


def goes_down(rpi: Rpi | None, source: IPv6Address, env: Env) -> bool:
    """Return whether a packet travels away from the root: its O flag says so, or the root itself sent it.

    Decides which destination is implicit: "the root in the RPL graph for packets going upwards; in Storing mode, it is
    the destination address in the LOWPAN_IPHC for packets going downwards" (RFC 8138 section 7).
    """
    return source == env.root or (rpi is not None and rpi.down)


def goes_up_from_root(rpi: Rpi | None, source: IPv6Address, env: Env) -> bool:
    """Return whether a packet contradicts itself: the root sent it, and its O flag says that it goes there.

    "implicitly the root ... for packets going upwards" (RFC 8138 section 7) would be a tunnel from the root to itself.
    Behind an elided encapsulator, "for instance, the root", it goes down in all likelihood, and the flag is wrong.
    """
    return source == env.root and rpi is not None and not rpi.down


def reference_of(source: IPv6Address, env: Env, *, tunnelled: bool) -> IPv6Address:
    """Return what the first hop of the header in IPHC is compressed against.

    "The reference address may be obtained by configuration [...] Else, if there is no IP-in-IP encapsulation, the
    source address" (RFC 8138 section 5.4). In RPL they are the same: the root alone writes source routes.
    """
    return source if tunnelled or env.root is None else env.root


# --- the IPv6 headers ----------------------------------------------------------------------------------


@lru_cache(maxsize=64)  # who writes it asks, and who looks whether a shorter form gives it back
def hop_by_hop_of(rpi: Rpi, option_type: int) -> bytes:
    """Return the 8 octets of the hop-by-hop header with this RPL option; its next header is 0, to be filled in."""
    option = RplOption(
        rpl_instance_id=rpi.instance,
        sender_rank=rpi.sender_rank,
        down=rpi.down,
        rank_error=rpi.rank_error,
        forwarding_error=rpi.forwarding_error,
        type=option_type,
    )
    writer = Writer()
    extension.encode(writer, extension.OptionsHeader(ipv6.HOP_BY_HOP, 0, (option,)))
    return bytes(writer.data)


def rpi_of(octets: bytes, option_type: int, known: object = None) -> Rpi | None:
    """Return the RPL information of a hop-by-hop header, or None when an RPI-6LoRH could not stand for it.

    That is when the header holds anything but this option, another option type, sub-TLVs or reserved bits. Who wrote
    the header gives its ``known`` information.
    """
    if isinstance(known, Rpi):
        return known if hop_by_hop_of(known, option_type)[1:] == octets[1:] else None
    try:
        header = extension.decode(Reader(octets), ipv6.HOP_BY_HOP)
    except WireError:
        return None
    options = header.options if isinstance(header, extension.OptionsHeader) else ()
    if len(options) != 1 or not isinstance(options[0], RplOption):
        return None
    found = options[0]
    rpi = Rpi(
        found.rpl_instance_id,
        found.sender_rank,
        found.down,
        found.rank_error,
        found.forwarding_error,
    )
    return rpi if hop_by_hop_of(rpi, option_type)[1:] == octets[1:] else None


def whole_route(addresses: Sequence[IPv6Address]) -> source_route.SourceRoute:
    """Return the routing header of these addresses, whole and all still to be visited; its next header is 0.

    Raises ``Malformed`` for more addresses than a header can hold.
    """
    if len(addresses) > MOST_ADDRESSES:
        raise Malformed(
            f"{len(addresses)} hops do not fit a routing header: at most {MOST_ADDRESSES} do",
            cite=ROUTING_HEADER,
        )
    whole = tuple(address.packed for address in addresses)
    return source_route.SourceRoute(next_header=0, segments_left=len(whole), addresses=whole)


def routing_header_of(addresses: Sequence[IPv6Address]) -> bytes:
    """Return the octets of the routing header of these addresses; raises as ``whole_route``."""
    writer = Writer()
    source_route.encode(writer, whole_route(addresses))
    return bytes(writer.data)


def addresses_of(
    octets: bytes, destination: IPv6Address, known: object = None
) -> tuple[IPv6Address, ...] | None:
    """Return the addresses still to be visited, or None when no SRH-6LoRH could stand for the routing header.

    ``destination`` is the IPv6 header's, whose prefix the addresses share (CmprI, CmprE). Addresses that were visited
    are left out: "the routing information is lost along the way" (RFC 8138 section 5.2.2). A header with no segments
    left, with more than a header of whole addresses holds, with reserved bits, of another type, or of a length that no
    number of addresses gives has no compressed form.
    """
    if isinstance(known, source_route.SourceRoute):
        return known.expand(destination)[-known.segments_left :] if known.segments_left else None
    try:
        route = source_route.decode(Reader(octets))
    except WireError:
        return None
    if not 1 <= route.segments_left <= MOST_ADDRESSES:
        return None
    again = Writer()
    source_route.encode(again, route)
    if bytes(again.data[: source_route.HEADER.octets]) != octets[: source_route.HEADER.octets]:
        return None  # reserved bits are set
    return route.expand(destination)[-route.segments_left :]
