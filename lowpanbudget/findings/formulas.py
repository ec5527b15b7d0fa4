"""How a checksum may be made over the right octets and addresses, other than RFC 8200 section 8.1 says."""

from collections.abc import Iterator

from lowpanbudget.findings.datagrams import HeardDatagram
from lowpanbudget.findings.guesses import Segment, Slip, Trial
from lowpanbudget.layers.internet import ipv6

_CHECKSUM_AT = {ipv6.UDP: 6, ipv6.ICMPV6: 2}  # RFC 768, RFC 4443 section 2.1


def other_formulas(_datagram: HeardDatagram, segment: Segment, computed: int) -> Iterator[Trial]:
    """Yield the readings of a sender that adds up other words, or ends the sum otherwise."""
    at = _CHECKSUM_AT[segment.kind]
    octets = segment.octets[:at] + bytes(2) + segment.octets[at + 2 :]
    pseudo = _pseudo(segment, len(octets))
    for text, added in (
        ("no pseudo-header is counted", ipv6.ones_complement_sum(octets)),
        ("it is not inverted at the end", computed),
        ("the carries out of its 16 bits are not added to it", _without_carries(pseudo + octets)),
        (
            "the length in the pseudo-header counts the 40 octets of the IPv6 header too",
            ipv6.ones_complement_sum(_pseudo(segment, len(octets) + ipv6.OCTETS) + octets),
        ),
    ):
        yield Trial(Slip.FORMULA, text, _is_carried(segment, added), text)
    if len(octets) % 2:
        text = "the odd octet at the end is the second of its word, not the first"
        added = ipv6.ones_complement_sum(pseudo + octets[:-1] + b"\0" + octets[-1:])
        yield Trial(Slip.PADDING, text, _is_carried(segment, added), text)


def _pseudo(segment: Segment, length: int) -> bytes:
    ends = segment.source.packed + segment.destination.packed
    return ends + length.to_bytes(4, "big") + segment.kind.to_bytes(4, "big")


def _without_carries(octets: bytes) -> int:
    """Return the last 16 bits of a sum of words; RFC 1071 section 1 has the carries added to them."""
    octets += bytes(len(octets) % 2)
    return sum(octets[0::2]) * 256 + sum(octets[1::2]) & 0xFFFF


def _is_carried(segment: Segment, added: int) -> bool:
    """Return whether the checksum that is carried is that of this sum; zero is sent as 0xffff."""
    return (added + segment.carried) % 0xFFFF == 0
