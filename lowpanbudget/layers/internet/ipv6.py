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
from dataclasses import dataclass, replace
from ipaddress import IPv6Address
from typing import NamedTuple

from lowpanbudget.bits import Reader, Writer
from lowpanbudget.cites import rfc
from lowpanbudget.errors import Malformed, WireError
from lowpanbudget.fields import Bits, Header

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
    return NEXT_HEADERS.get(number, f"next header {number}")


HEADER = Header(
    "IPv6",
    rfc(8200, "3"),
    (
        Bits("version", 4, fixed=6),
        Bits("traffic class", 8, "DSCP in the upper six bits, ECN in the lower two"),
        Bits("flow label", 20),
        Bits("payload length", 16, "octets after this header"),
        Bits("next header", 8, next_header_name),
        Bits("hop limit", 8),
    ),
)
OCTETS = HEADER.octets + 32
DEEPEST = 16  # headers followed in one datagram; more is no traffic but an attack
MINIMUM_MTU = 1280  # RFC 8200 section 5: every link must carry this much


@dataclass(frozen=True, slots=True)
class Ipv6:
    """The fields of an IPv6 header; addresses are ``IPv6Address``."""

    traffic_class: int
    flow_label: int
    payload_length: int
    next_header: int
    hop_limit: int
    source: IPv6Address
    destination: IPv6Address

    def __bytes__(self) -> bytes:
        """Return the 40 octets."""
        head = (6 << 28 | self.traffic_class << 20 | self.flow_label) << 32
        head |= self.payload_length << 16 | self.next_header << 8 | self.hop_limit
        return head.to_bytes(8, "big") + self.source.packed + self.destination.packed

    def with_length(self, payload_length: int) -> "Ipv6":
        """Return the same header for a payload of so many octets."""
        return replace(self, payload_length=payload_length)


def decode(reader: Reader) -> Ipv6:
    """Return the header that comes next.

    Raises ``Truncated``, or ``Reserved`` when the version is not 6.
    """
    values, _ = HEADER.read(reader)
    source, destination = (
        IPv6Address(reader.raw(16, f"the {which} address", HEADER.cite))
        for which in ("source", "destination")
    )
    for back, (which, value) in zip(
        (32, 16), (("source", source), ("destination", destination)), strict=True
    ):
        reader.pos -= back
        reader.octets(16, f"{which} address", "", HEADER.cite, value=value)
        reader.pos += back - 16
    _version, traffic_class, flow_label, length, next_header, hop_limit = values.values()
    return Ipv6(traffic_class, flow_label, length, next_header, hop_limit, source, destination)


def encode(writer: Writer, header: Ipv6) -> None:
    """Append the header's 40 octets with their spans."""
    HEADER.write(
        writer,
        {
            "traffic class": header.traffic_class,
            "flow label": header.flow_label,
            "payload length": header.payload_length,
            "next header": header.next_header,
            "hop limit": header.hop_limit,
        },
    )
    for which, value in (("source", header.source), ("destination", header.destination)):
        writer.octets(value.packed, f"{which} address", "", HEADER.cite, value=value)


def ones_complement_sum(octets: bytes) -> int:
    """Return the 16-bit one's complement sum of RFC 1071, not inverted."""
    if len(octets) % 2:
        octets += b"\0"
    # 2**16 is 1 modulo 65535, so the whole text as one number has the same sum
    total = int.from_bytes(octets, "big")
    return total % 0xFFFF or (0xFFFF if total else 0)


def transport_checksum(
    source: IPv6Address, destination: IPv6Address, next_header: int, segment: bytes
) -> int:
    """Return the checksum of RFC 8200 section 8.1 over pseudo-header and segment (its checksum field zero).

    For UDP a result of zero is sent as 0xffff; ``udp.checksum`` does that.
    """
    pseudo = source.packed + destination.packed
    pseudo += len(segment).to_bytes(4, "big") + next_header.to_bytes(4, "big")
    return 0xFFFF - ones_complement_sum(pseudo + segment)


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
    length = 8 if kind == FRAGMENT else 8 * octets[at + 1] + 8
    if at + length > len(octets):
        raise Malformed(
            f"the {next_header_name(kind)} says {length} octets, {len(octets) - at} left",
            offset=at,
            layer="IPv6",
            cite=rfc(8200, "4"),
        )
    return length


class Found(NamedTuple):
    """Where a header stands in a datagram, and the pseudo-header addresses that hold there."""

    kind: int
    offset: int
    source: IPv6Address
    destination: IPv6Address


def walk(datagram: bytes) -> Iterator[Found]:
    """Yield every header after the first in order, the last being the transport or payload.

    Inner IPv6 headers are followed. Raises ``WireError`` where a header does not fit.
    """
    at, depth = 0, 0
    header = decode(Reader(datagram))
    kind, at = header.next_header, OCTETS
    source, destination = header.source, header.destination
    while depth < DEEPEST:
        depth += 1
        yield Found(kind, at, source, destination)
        if kind == IPV6:
            header = decode(Reader(datagram, at))
            kind, at = header.next_header, at + OCTETS
            source, destination = header.source, header.destination
        elif kind in EXTENSIONS:
            length = extension_octets(kind, datagram, at)
            if kind == ROUTING:
                destination = final_destination(datagram[at : at + length], destination)
            if kind == FRAGMENT and int.from_bytes(datagram[at + 2 : at + 4], "big") >> 3:
                return  # not the first IP fragment: what follows is no header
            kind, at = datagram[at], at + length
        else:
            return


def is_cut(fragment: bytes) -> bool:
    """Return whether a fragment header says that what follows it is a part only (RFC 8200 section 4.5)."""
    return bool(int.from_bytes(fragment[2:4], "big") & 0xFFF9)


def find(datagram: bytes, kind: int) -> Found | None:
    """Return the first header of this kind, or None; a chain that cannot be walked has none."""
    try:
        return next((found for found in walk(datagram) if found.kind == kind), None)
    except WireError:
        return None


def final_destination(routing: bytes, destination: IPv6Address) -> IPv6Address:
    """Return the destination of the pseudo-header behind a routing header (RFC 8200 section 8.1).

    While Segments Left is not zero that is the header's last address; RFC 6554's header (type 3) elides CmprE octets
    of it that it shares with the IPv6 destination. Types without addresses leave ``destination``.
    """
    if len(routing) < 8 or routing[3] == 0:
        return destination
    if routing[2] == 3:  # RFC 6554 section 3: CmprI, CmprE, pad
        elided, pad = routing[4] & 15, routing[5] >> 4
        tail = routing[8 : len(routing) - pad][-(16 - elided) :]
        # a header too short for one address names no destination
        if len(tail) < 16 - elided:
            return destination
        return IPv6Address(destination.packed[:elided] + tail)
    if routing[2] in (0, 2) and len(routing) >= 24:
        return IPv6Address(routing[-16:])
    return destination
