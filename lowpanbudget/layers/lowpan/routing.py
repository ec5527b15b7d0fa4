"""What 6LoRH headers stand for: RPL option, source route and outer address, in full (RFC 8138 sections 4.3 to 5.6).

The hop-by-hop header with the RPL option (RFC 6553 section 3):

    |  Next Header  |  Hdr Ext Len  |  Option Type  |  Opt Data Len |
    |O|R|F|0|0|0|0|0| RPLInstanceID |          SenderRank           |

The routing header of type 3 (RFC 6554 section 3), expanded with whole addresses (CmprI = CmprE = Pad = 0):

    |  Next Header  |  Hdr Ext Len  | Routing Type  | Segments Left |
    | CmprI | CmprE |  Pad  |               Reserved                |
    |                        Addresses[1..n]                        |
"""

from collections.abc import Sequence
from ipaddress import IPv6Address

from lowpanbudget.bits import Writer
from lowpanbudget.cites import rfc
from lowpanbudget.errors import Malformed, RequestError
from lowpanbudget.fields import Bits, Header
from lowpanbudget.layers.internet import ipv6
from lowpanbudget.layers.lowpan.lorh import (
    ADDRESS_OCTETS,
    MOST_HOPS,
    Rpi,
    SourceRoute,
    encode,
)

COALESCENCE = rfc(8138, "4.3.1")
REFERENCE = rfc(8138, "5.4")
POPPING = rfc(8138, "5.5")
RPL_OPTION = rfc(6553, "3")
ROUTING_HEADER = rfc(6554, "3")

HOP_BY_HOP = Header(
    "hop-by-hop RPL option",
    RPL_OPTION,
    (
        Bits("next header", 8, ipv6.next_header_name),
        Bits("header length", 8, "in units of 8 octets after the first", fixed=0),
        Bits("option type", 8, {0x63: "RPL option", 0x23: "RPL option (RFC 9008)"}),
        Bits("option length", 8, "octets that follow", fixed=4),
        Bits("O", 1),
        Bits("R", 1),
        Bits("F", 1),
        Bits("reserved", 5, fixed=0),
        Bits("RPLInstanceID", 8),
        Bits("SenderRank", 16),
    ),
)
SOURCE_ROUTING = Header(
    "RPL source routing header",
    ROUTING_HEADER,
    (
        Bits("next header", 8, ipv6.next_header_name),
        Bits("header length", 8, "in units of 8 octets after the first"),
        Bits("routing type", 8, "RPL source route", fixed=3),
        Bits("segments left", 8),
        Bits("CmprI", 4, "octets elided from all addresses but the last"),
        Bits("CmprE", 4, "octets elided from the last address"),
        Bits("pad", 4, "octets after the last address"),
        Bits("reserved", 20, fixed=0),
    ),
)
MOST_ADDRESSES = 127  # 16 octets each in a header of at most 255 units of 8 octets


def coalesce(reference: IPv6Address, octets: bytes) -> IPv6Address:
    """Return the address of a compressed form: the reference, its last octets overridden (RFC 8138 section 4.3.1)."""
    return IPv6Address(reference.packed[: 16 - len(octets)] + octets)


def expand_hops(routes: Sequence[SourceRoute], reference: IPv6Address) -> list[IPv6Address]:
    """Return the hops in full.

    "the reference for each subsequent entry is the address of its predecessor once it is uncompressed" (section 5.4).
    """
    hops = []
    for route in routes:
        for octets in route.hops:
            reference = coalesce(reference, octets)
            hops.append(reference)
    return hops


def compress_hops(hops: Sequence[IPv6Address], reference: IPv6Address) -> tuple[SourceRoute, ...]:
    """Return the shortest sequence of SRH-6LoRH headers for these hops.

    A header has one address form: a hop that needs fewer octets than its neighbours may join them, or get a header of
    its own. The best cut behind each hop is found from the first to the last.
    """
    needs = []
    for hop in hops:
        needs.append(shortest_form(hop, reference))
        reference = hop
    best: list[tuple[int, tuple[SourceRoute, ...]]] = [(0, ())]
    for end in range(1, len(hops) + 1):
        candidates = []
        octets = 0
        for start in range(end - 1, max(end - MOST_HOPS, 0) - 1, -1):
            octets = max(octets, needs[start])
            candidates.append((best[start][0] + 2 + octets * (end - start), start, octets))
        cost, start, octets = min(candidates)
        entries = tuple(hop.packed[16 - octets :] for hop in hops[start:end])
        best.append((cost, (*best[start][1], SourceRoute(entries))))
    return best[-1][1]


def shortest_form(address: IPv6Address, reference: IPv6Address) -> int:
    """Return to how many octets, of figure 7's lengths, the address can be compressed against the reference."""
    return next(
        octets
        for octets in ADDRESS_OCTETS
        if coalesce(reference, address.packed[16 - octets :]) == address
    )


# --- the IPv6 headers ----------------------------------------------------------------------------------


def hop_by_hop_of(rpi: Rpi, option_type: int) -> bytes:
    """Return the 8 octets of the hop-by-hop header with this RPL option; its next header is 0, to be filled in."""
    values = {
        "option type": option_type,
        "O": rpi.down,
        "R": rpi.rank_error,
        "F": rpi.forwarding_error,
        "RPLInstanceID": rpi.instance,
        "SenderRank": rpi.sender_rank,
    }
    return HOP_BY_HOP.join(values).to_bytes(HOP_BY_HOP.octets, "big")


def rpi_of(octets: bytes, option_type: int) -> Rpi | None:
    """Return the RPL information of a hop-by-hop header, or None when an RPI-6LoRH could not stand for it.

    That is when the header holds anything but this option, another option type, sub-TLVs or reserved bits.
    """
    if len(octets) != HOP_BY_HOP.octets:
        return None
    values = HOP_BY_HOP.split(int.from_bytes(octets, "big"))
    if values["option type"] != option_type or not _fixed(HOP_BY_HOP, values):
        return None
    flags = (bool(values[flag]) for flag in "ORF")
    return Rpi(values["RPLInstanceID"], values["SenderRank"], *flags)


def routing_header_of(addresses: Sequence[IPv6Address]) -> bytes:
    """Return the routing header of these addresses, all still to be visited; its next header is 0, to be filled in.

    Raises ``Malformed`` for more addresses than a header can hold.
    """
    if len(addresses) > MOST_ADDRESSES:
        raise Malformed(
            f"{len(addresses)} hops do not fit a routing header: at most {MOST_ADDRESSES} do",
            cite=ROUTING_HEADER,
        )
    values = {"header length": 2 * len(addresses), "segments left": len(addresses)}
    head = SOURCE_ROUTING.join(values).to_bytes(SOURCE_ROUTING.octets, "big")
    return head + b"".join(address.packed for address in addresses)


def addresses_of(octets: bytes, destination: IPv6Address) -> tuple[IPv6Address, ...] | None:
    """Return the addresses still to be visited, or None when no SRH-6LoRH could stand for the routing header.

    ``destination`` is the IPv6 header's, whose prefix the addresses share (CmprI, CmprE). Addresses that were visited
    are left out: "the routing information is lost along the way" (RFC 8138 section 5.2.2). A header with no segments
    left, with more than a header of whole addresses holds, of another type, or of a length that no number of addresses
    gives has no compressed form.
    """
    if len(octets) < SOURCE_ROUTING.octets:
        return None
    values = SOURCE_ROUTING.split(int.from_bytes(octets[: SOURCE_ROUTING.octets], "big"))
    left = values["segments left"]
    inner, last = 16 - values["CmprI"], 16 - values["CmprE"]
    room = len(octets) - SOURCE_ROUTING.octets - values["pad"] - last
    if not _fixed(SOURCE_ROUTING, values) or room < 0 or room % inner:
        return None
    count = room // inner + 1
    if not 1 <= left <= min(count, MOST_ADDRESSES):
        return None
    vector = octets[SOURCE_ROUTING.octets :]
    tails = [vector[at : at + inner] for at in range(0, room, inner)]
    tails.append(vector[room : room + last])
    return tuple(coalesce(destination, tail) for tail in tails[count - left :])


def _fixed(header: Header, values: dict[str, int]) -> bool:
    return all(
        part.fixed is None or values[part.name] == part.fixed
        for part in header.fields
        if isinstance(part, Bits)
    )


# --- a source route on its way -------------------------------------------------------------------------


def consume(routes: Sequence[SourceRoute]) -> tuple[SourceRoute, ...]:
    """Return the source route that a router forwards after popping its own address, the first entry.

    Where the next header is compressed further than this one, its first entry is "removed and coalesced with the first
    entry of the current". Raises ``RequestError`` when nothing is left to pop. Source: RFC 8138 section 5.5.
    """
    if not routes:
        raise RequestError("there is no SRH-6LoRH to pop an entry of", cite=POPPING)
    first, *rest = routes
    if len(first.hops) > 1:
        return (SourceRoute(first.hops[1:]), *rest)
    if not rest or rest[0].kind >= first.kind:
        return tuple(rest)
    entry, following = first.hops[0], rest[0].hops[0]
    coalesced = entry[: len(entry) - len(following)] + following
    # "a recursive action": the entry of the following header is popped by the same rules
    return (SourceRoute((coalesced,)), *consume(rest))


def deepest(room: int, octets: int = 2) -> int:
    """Return how many hops of ``octets`` each (1, 2, 4, 8 or 16) a source route can hold in ``room`` octets.

    Found by encoding routes and looking at their length; from 33 hops on they take more than one SRH-6LoRH.
    """
    hops = 0
    writer = Writer()
    while True:
        # a full header when it fits, else the longest that does
        for count in range(MOST_HOPS, 0, -1):
            more = Writer()
            encode(more, SourceRoute((bytes(octets),) * count))
            if len(writer.data) + len(more.data) <= room:
                break
        else:
            return hops
        writer.append(more)
        hops += count
