"""What octets a checksum may cover, and what lengths, other than those of its datagram as it was restored."""

from collections.abc import Iterator

from lowpanbudget.findings.datagrams import HeardDatagram
from lowpanbudget.findings.guesses import Segment, Slip, Trial
from lowpanbudget.layers.internet import chain, ipv6, udp
from lowpanbudget.layers.internet.udp import Udp
from lowpanbudget.layers.lowpan.nhc import UdpNhc
from lowpanbudget.values import replace

MOST_TAIL = 15  # octets behind a datagram, as blocks of 16 leave them; our choice
_LEAST_ICMPV6 = 4  # octets of type, code and checksum (RFC 4443 section 2.1)


def without_length(segment: Segment) -> Trial:
    """Return the reading of a sender that left the length of UDP or ICMPv6 out of the pseudo-header."""
    text = "the length is left out of the pseudo-header"
    return Trial(Slip.LENGTH, text, _is_right(segment, 0, segment.kind), text)


def _is_right(segment: Segment, length: int, number: int, ahead: bytes = b"") -> bool:
    """Return whether the checksum covers this length, next header and, with it, the octets ``ahead``."""
    addresses = segment.source.packed + segment.destination.packed
    pseudo = addresses + length.to_bytes(4, "big") + number.to_bytes(4, "big")
    # with the checksum in it a sum that is right has all bits set (RFC 1071)
    return ipv6.ones_complement_sum(pseudo + ahead + segment.octets) == 0xFFFF


def with_options(datagram: HeardDatagram, segment: Segment) -> Iterator[Trial]:
    """Yield the readings of a sender that counted extension headers in the pseudo-header or under the checksum.

    Those behind the header of its own: what routers put around that nobody counted when the checksum was made.
    """
    own = _last_header(datagram.octets)
    ahead = datagram.octets[own + ipv6.OCTETS : segment.at]
    if not ahead:
        return
    first = ipv6.header_of(datagram.octets[own:]).next_header
    kind, counted = segment.kind, len(ahead)
    for text, length, number, covered in (
        ("the length in the pseudo-header counts the extension headers too", counted, kind, b""),
        ("the checksum covers the extension headers too", counted, kind, ahead),
        ("the checksum covers the extension headers, not counted in its length", 0, kind, ahead),
        ("the pseudo-header names the extension header", 0, first, b""),
        ("the pseudo-header names and counts the extension header", counted, first, b""),
    ):
        fits = _is_right(segment, len(segment.octets) + length, number, covered)
        yield Trial(Slip.OPTION, text, fits, text)


def _last_header(octets: bytes) -> int:
    """Return where the last IPv6 header of a datagram begins, whose chain of headers was walked before."""
    return max((one.offset for one in chain.walk(octets) if one.kind == ipv6.IPV6), default=0)


def other_length_in_line(segment: Segment) -> Iterator[Trial]:
    """Yield the readings of a UDP length in line that is wrong, and told as that: it, or the octets behind it."""
    if segment.kind != ipv6.UDP or len(segment.octets) < udp.OCTETS:
        return
    length = Udp(*udp.HEADER.values_at(segment.octets).values()).length
    if length == len(segment.octets):
        return
    for octets in (segment.octets, segment.octets[:length]):
        if len(octets) >= udp.OCTETS:
            text = f"the UDP length is {len(octets)}"
            yield Trial(Slip.LENGTH_IN_LINE, text, _fits(segment, octets), text)


def without_tail(datagram: HeardDatagram, segment: Segment) -> Iterator[Trial]:
    """Yield the readings of a sender behind whose datagram there are octets that are none of it.

    That is where no length is carried, but follows "from lower layers" (RFC 6282 section 3.1.1), and for UDP from the
    length of the frame (section 4.3.3): what is behind the datagram is taken for a part of it.
    """
    if datagram.iphc is None or datagram.fragments > 1:
        return
    if segment.kind == ipv6.UDP and not any(isinstance(one, UdpNhc) for one in datagram.layers):
        return
    least = udp.OCTETS if segment.kind == ipv6.UDP else _LEAST_ICMPV6
    for tail in range(1, min(MOST_TAIL, len(segment.octets) - least) + 1):
        last = "last octet is" if tail == 1 else f"last {tail} octets are"
        text = f"the {last} left out"
        fits = _fits(segment, segment.octets[:-tail])
        yield Trial(Slip.TAIL, text, fits, "octets behind the datagram")


def _fits(segment: Segment, octets: bytes) -> bool:
    """Return whether the checksum is that of these octets; UDP has its own length in it."""
    if segment.kind == ipv6.UDP:
        header = Udp(*udp.HEADER.values_at(octets).values())
        octets = bytes(replace(header, length=len(octets))) + octets[udp.OCTETS :]
    other = segment._replace(octets=octets)
    return other.checksum(segment.source, segment.destination) == segment.carried
