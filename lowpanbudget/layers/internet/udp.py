"""UDP: header and checksum (RFC 768, RFC 8200 section 8.1).

 0      7 8     15 16    23 24    31
+--------+--------+--------+--------+
|   Source Port   |   Dest. Port    |
+--------+--------+--------+--------+
|     Length      |    Checksum     |
+--------+--------+--------+--------+
"""

from ipaddress import IPv6Address

from lowpanbudget.cites import rfc
from lowpanbudget.fields import WireValue, bits, layout_of, structure
from lowpanbudget.layers.internet import ipv6


@structure("UDP", rfc(768), kw_only=False)
class Udp(WireValue):
    """The fields of a UDP header; ``length`` counts header and data, in octets."""

    source_port: int = bits(16)
    destination_port: int = bits(16)
    length: int = bits(16, "octets of header and data")
    checksum: int = bits(16, "over pseudo-header, header and data", free=True)


LAYOUT = layout_of(Udp)
HEADER, WIDTHS = LAYOUT.word, LAYOUT.widths
OCTETS = LAYOUT.least
_ADDRESSES_AT = ipv6.OCTETS - 2 * 16
(CHECKSUM,) = HEADER.free
decode, encode = LAYOUT.read, LAYOUT.write


def checksum(source: IPv6Address, destination: IPv6Address, segment: bytes) -> int:
    """Return the checksum to send for a segment, whatever its checksum field holds now.

    "if the computed checksum is zero, it is transmitted as all ones" (RFC 768).
    """
    blank = segment[:6] + b"\0\0" + segment[8:]
    return ipv6.transport_checksum(source, destination, ipv6.UDP, blank) or 0xFFFF


def pseudo_sum(source: IPv6Address, destination: IPv6Address) -> int:
    """Return what the pseudo-headers of all segments between two addresses have in common, for ``is_right``."""
    return ipv6.covered_sum(source, destination, ipv6.UDP, b"")


def is_right_between(source: IPv6Address, destination: IPv6Address, segment: bytes) -> bool:
    """Return whether the checksum that a segment between two addresses carries is right; one of zero is none."""
    return not ipv6.covered_sum(source, destination, ipv6.UDP, segment)


def is_right_behind(datagram: bytes) -> bool:
    """Return whether the checksum of a datagram that is IPv6 and UDP alone is right; one of zero is none.

    The addresses stand before the segment as they do in the pseudo-header.
    """
    covered = ipv6.ones_complement_sum(datagram[_ADDRESSES_AT:])
    return not (ipv6.UDP + len(datagram) - ipv6.OCTETS + covered) % 0xFFFF


def is_right(pseudo: int, segment: bytes) -> bool:
    """Return whether a segment carries a checksum, and the right one: with it in the sum all sums up to ones."""
    if not CHECKSUM.number(segment):
        return False
    return not (pseudo + len(segment) + ipv6.ones_complement_sum(segment)) % 0xFFFF
