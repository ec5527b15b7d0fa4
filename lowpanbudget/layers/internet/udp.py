"""UDP: header and checksum (RFC 768, RFC 8200 section 8.1).

 0      7 8     15 16    23 24    31
+--------+--------+--------+--------+
|   Source Port   |   Dest. Port    |
+--------+--------+--------+--------+
|     Length      |    Checksum     |
+--------+--------+--------+--------+
"""

from ipaddress import IPv6Address

from lowpanbudget.bits import Reader, Writer
from lowpanbudget.cites import rfc
from lowpanbudget.fields import Bits, Header
from lowpanbudget.layers.internet import ipv6
from lowpanbudget.values import dataclass

HEADER = Header(
    "UDP",
    rfc(768),
    (
        Bits("source port", 16),
        Bits("destination port", 16),
        Bits("length", 16, "octets of header and data"),
        Bits("checksum", 16, "over pseudo-header, header and data", free=True),
    ),
)
OCTETS = HEADER.octets
(CHECKSUM,) = HEADER.free
WIDTHS = tuple(part.width for part in HEADER.fields)


@dataclass(frozen=True, slots=True)
class Udp:
    """The fields of a UDP header; ``length`` counts header and data."""

    source_port: int
    destination_port: int
    length: int
    checksum: int

    def __bytes__(self) -> bytes:
        """Return the 8 octets."""
        return HEADER.octets_of(self.source_port, self.destination_port, self.length, self.checksum)


def decode(reader: Reader) -> Udp:
    """Return the header that comes next; raises ``Truncated``."""
    return Udp(*HEADER.read(reader)[0].values())


def encode(writer: Writer, header: Udp) -> None:
    """Append the header's 8 octets with their spans."""
    HEADER.write(writer, _values(header))


def _values(header: Udp) -> dict[str, int]:
    return {
        "source port": header.source_port,
        "destination port": header.destination_port,
        "length": header.length,
        "checksum": header.checksum,
    }


def checksum(source: IPv6Address, destination: IPv6Address, segment: bytes) -> int:
    """Return the checksum to send for a segment, whatever its checksum field holds now.

    "if the computed checksum is zero, it is transmitted as all ones" (RFC 768).
    """
    blank = segment[:6] + b"\0\0" + segment[8:]
    return ipv6.transport_checksum(source, destination, ipv6.UDP, blank) or 0xFFFF


def pseudo_sum(source: IPv6Address, destination: IPv6Address) -> int:
    """Return what the pseudo-headers of all segments between two addresses have in common, for ``is_right``."""
    return (int.from_bytes(source.packed + destination.packed, "big") + ipv6.UDP) % 0xFFFF


def is_right(pseudo: int, segment: bytes) -> bool:
    """Return whether a segment carries a checksum, and the right one: with it in the sum all sums up to ones."""
    if not CHECKSUM.number(segment):
        return False
    return not (pseudo + len(segment) + ipv6.ones_complement_sum(segment)) % 0xFFFF
