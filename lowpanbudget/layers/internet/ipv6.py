"""IPv6: the header, the next-header numbers that matter here, the pseudo-header checksum (RFC 8200).

 0                   1                   2                   3
 0 1 2 3 4 5 6 7 8 9 0 1 2 3 4 5 6 7 8 9 0 1 2 3 4 5 6 7 8 9 0 1
+-+-+-+-+-+-+-+-+-+-+-+-+-+-+-+-+-+-+-+-+-+-+-+-+-+-+-+-+-+-+-+-+
|Version| Traffic Class |              Flow Label               |
+-+-+-+-+-+-+-+-+-+-+-+-+-+-+-+-+-+-+-+-+-+-+-+-+-+-+-+-+-+-+-+-+
|         Payload Length        |  Next Header  |   Hop Limit   |
+-+-+-+-+-+-+-+-+-+-+-+-+-+-+-+-+-+-+-+-+-+-+-+-+-+-+-+-+-+-+-+-+
|                   Source, Destination: 16 octets each         |
"""

from collections.abc import Iterator
from functools import lru_cache
from ipaddress import IPv6Address

from lowpanbudget.bits import Reader
from lowpanbudget.cites import Cite, rfc
from lowpanbudget.errors import Malformed
from lowpanbudget.fields import (
    Address,
    Bits,
    Header,
    WireValue,
    bits,
    layout_of,
    part,
    structure,
)

HOP_BY_HOP, ROUTING, FRAGMENT, DESTINATION, MOBILITY = 0, 43, 44, 60, 135
IPV6, UDP, ICMPV6, NO_NEXT_HEADER, TCP = 41, 17, 58, 59, 6
EXTENSIONS = (HOP_BY_HOP, ROUTING, FRAGMENT, DESTINATION, MOBILITY)

NEXT_HEADERS = {
    HOP_BY_HOP: "hop-by-hop options",
    TCP: "TCP",
    UDP: "UDP",
    IPV6: "IPv6",
    ROUTING: "routing header",
    FRAGMENT: "fragment header",
    50: "encapsulating security payload",
    51: "authentication header",
    ICMPV6: "ICMPv6",
    NO_NEXT_HEADER: "no next header",
    DESTINATION: "destination options",
    MOBILITY: "mobility header",
}


def next_header_name(number: int) -> str:
    """Return the name of a next-header number."""
    return NEXT_HEADERS.get(number) or f"next header {number}"


def octets_in_all(value: int) -> str:
    """Return what the length of an extension header means."""
    return f"{8 * value + 8} octets in all"


NEXT = Bits("next header", 8, next_header_name)
EXTENSION = Header(
    "extension header", rfc(8200, "4"), (NEXT, Bits("hdr ext len", 8, octets_in_all))
)
DEEPEST = 16  # headers followed in one datagram; more is no traffic but an attack
MULTICAST = 0xFF  # the first octet of a group's address
_LINK_LOCAL = 0xFE80 >> 6  # the first ten bits
LOOPBACK = 1  # ::1 as a number; 0 is ::, the unspecified address
MINIMUM_MTU = 1280  # RFC 8200 section 5: every link must carry this much


@structure("IPv6", rfc(8200, "3"), kw_only=False)
class Ipv6(WireValue):
    """The fields of an IPv6 header; addresses are ``IPv6Address``, ``payload_length`` is in octets."""

    version = bits(4, fixed=6)
    traffic_class: int = bits(8, "DSCP in the upper six bits, ECN in the lower two")
    flow_label: int = bits(20)
    payload_length: int = bits(16, "octets after this header")
    next_header: int = bits(8, next_header_name)
    hop_limit: int = bits(8)
    source: IPv6Address = part(Address, name="source address")
    destination: IPv6Address = part(Address, name="destination address")


LAYOUT = layout_of(Ipv6)
HEADER, WIDTHS = LAYOUT.word, LAYOUT.widths
OCTETS = LAYOUT.least
encode = LAYOUT.write


def decode(reader: Reader) -> Ipv6:
    """Return the header that comes next.

    Raises ``Truncated``, or ``Reserved`` when the version is not 6.
    """
    if reader.left < HEADER.octets:  # say what the whole header needs, not its first word
        reader.layer = HEADER.name
        reader.need(OCTETS, "the IPv6 header", HEADER.cite)
    return LAYOUT.read(reader)


def header_of(datagram: bytes) -> Ipv6:
    """Return the header that a datagram begins with, as ``decode`` does; those of a flow come again and again."""
    return _decoded(Reader(datagram).ahead(OCTETS))


@lru_cache(1024)
def _decoded(octets: bytes) -> Ipv6:
    return decode(Reader(octets))


def is_link_local(address: IPv6Address) -> bool:
    """Return whether an address is of fe80::/10 (RFC 4291 section 2.5.6); quicker than the library's networks."""
    return int(address) >> 118 == _LINK_LOCAL


def address_flaws(header: Ipv6) -> Iterator[tuple[str, Cite]]:
    """Yield what RFC 4291 forbids in the addresses of a header that one node sends to another, and where it says so."""
    source, destination = header.source, header.destination
    if source.packed[0] == MULTICAST:
        yield f"the source address {source} is multicast, which no source may be", rfc(4291, "2.7")
    for side, address in (("source", source), ("destination", destination)):
        if int(address) == LOOPBACK:
            text = (
                f"the {side} address is the loopback address {address}, which stays within its node"
            )
            yield text, rfc(4291, "2.5.3")
    if not int(destination):
        text = f"the destination address is the unspecified address {destination}, which nobody has"
        yield text, rfc(4291, "2.5.2")


def ones_complement_sum(octets: bytes) -> int:
    """Return the 16-bit one's complement sum of RFC 1071, not inverted."""
    # 2**16 is 1 modulo 65535, so the whole text as one number has the same sum
    total = int.from_bytes(octets, "big") << 8 * (len(octets) % 2)
    return total % 0xFFFF or (0xFFFF if total else 0)


def transport_checksum(
    source: IPv6Address, destination: IPv6Address, next_header: int, segment: bytes
) -> int:
    """Return the checksum of RFC 8200 section 8.1 over pseudo-header and segment (its checksum field zero).

    For UDP a result of zero is sent as 0xffff; ``udp.checksum`` does that.
    """
    return 0xFFFF - (covered_sum(source, destination, next_header, segment) or 0xFFFF)


def covered_sum(
    source: IPv6Address, destination: IPv6Address, next_header: int, segment: bytes
) -> int:
    """Return the one's complement sum of pseudo-header and segment, 0 for 0xffff: with a right checksum in it that.

    The words of an address, or of a length, sum up to the number that it is (RFC 1071 section 2).
    """
    pseudo = int(source) + int(destination) + len(segment) + next_header
    return (pseudo + ones_complement_sum(segment)) % 0xFFFF


def extension_octets(kind: int, octets: bytes, at: int) -> int:
    """Return the length of the extension header at ``octets[at:]``.

    Raises ``Malformed`` when it does not fit in what is there.
    """
    if len(octets) - at < 8:
        raise Malformed(
            f"the {next_header_name(kind)} needs 8 octets, {len(octets) - at} left",
            offset=at,
            layer="IPv6",
            cite=rfc(8200, "4"),
        )
    length = 8 if kind == FRAGMENT else 8 * EXTENSION.values_at(octets, at)["hdr ext len"] + 8
    if at + length > len(octets):
        raise Malformed(
            f"the {next_header_name(kind)} says {length} octets, {len(octets) - at} left",
            offset=at,
            layer="IPv6",
            cite=rfc(8200, "4"),
        )
    return length
