"""A datagram that goes as it is: what is noticed with a link and without one, and more headers than are followed."""

import struct
from ipaddress import IPv6Address

import pytest

from lowpanbudget import Ipv6, decode_datagram, decode_frame
from lowpanbudget.env import Env
from lowpanbudget.stack.frame import decode_lowpan

SOURCE, DESTINATION = IPv6Address("2001:db8::1"), IPv6Address("2001:db8::2")
UDP, IPV6, NOTHING, OPTIONS, ROUTING = 17, 41, 59, 60, 43
PADDING = bytes(
    [0, 1, 4, 0, 0, 0, 0]
)  # of a header of 8 octets, behind its next header (RFC 8200 section 4.2)


def packet(
    kind: int, body: bytes, *, source: IPv6Address = SOURCE, length: int | None = None
) -> bytes:
    """RFC 8200 section 3."""
    head = struct.pack("!IHBB", 6 << 28, len(body) if length is None else length, kind, 64)
    return head + source.packed + DESTINATION.packed + body


# ports 1 and 2, length 8, and a checksum of 1, which is not that of RFC 8200 section 8.1
PORTS = struct.pack("!HHHH", 1, 2, 8, 1)
ROUTE = bytes([NOTHING, 4, 3, 2, 0, 0, 0, 0]) + 2 * IPv6Address("2001:db8::9").packed


@pytest.mark.parametrize(
    ("octets", "name", "offset"),
    [
        (packet(UDP, PORTS), "udp-checksum-wrong", 46),
        # RFC 8200 section 8.1: over the 8 octets that the length counts 0xa466 is right, by hand, whatever follows
        (packet(UDP, struct.pack("!HHHH", 1, 2, 8, 0xA466) + b"xyz"), "udp-length-differs", 40),
        # RFC 768: the length counts header and data, here 8; a checksum of 0xa465 is right over these, by hand
        (packet(UDP, struct.pack("!HHHH", 1, 2, 9, 0xA465)), "udp-length-differs", 40),
        (packet(NOTHING, b"xyz", length=9), "ipv6-length-differs", 0),
        (packet(NOTHING, b"xyz", length=1), "ipv6-length-differs", 0),
        # RFC 4291 section 2.7, RFC 8200 section 4.1, RFC 6554 section 3
        (packet(NOTHING, b"", source=IPv6Address("ff02::1")), "address-forbidden", 0),
        (
            packet(OPTIONS, bytes([0]) + PADDING + bytes([NOTHING]) + PADDING),
            "hop-by-hop-misplaced",
            48,
        ),
        (packet(ROUTING, ROUTE), "source-route-loop", 40),
        (packet(UDP, PORTS[:5]), "payload-unreadable", 40),
    ],
)
def test_the_same_is_noticed_with_a_link_and_without(octets: bytes, name: str, offset: int) -> None:
    alone = decode_datagram(octets)
    assert alone.fault is None
    assert [(one.name, one.offset) for one in alone.notices] == [(name, offset)]
    framed = decode_lowpan(b"\x41" + octets, Env())
    assert [(one.name, one.text, one.cite, one.offset) for one in framed.notices] == [
        (one.name, one.text, one.cite, one.offset + 1) for one in alone.notices
    ]


def test_tunnels_that_are_read_stay_where_there_are_more_of_them() -> None:
    """RFC 2473 section 4.1 limits them by options and sizes alone: 16 in the first are followed, more are told."""
    octets = packet(NOTHING, b"")
    for depth in range(18):
        frame = decode_datagram(octets)
        assert len([one for one in frame.layers if isinstance(one, Ipv6)]) == 1 + min(depth, 16)
        assert [one.text for one in frame.notices] == (
            ["more than 16 IPv6 headers in each other"] if depth > 16 else []
        )
        octets = packet(IPV6, octets)
    assert frame.notices[0].offset == 17 * 40


def test_options_that_are_read_stay_where_there_are_more_of_them() -> None:
    headers = bytes([NOTHING]) + PADDING
    for number in range(1, 19):
        frame = decode_datagram(packet(OPTIONS, headers))
        assert len(frame.layers) == 1 + min(number, 16)
        assert [(one.text, one.offset) for one in frame.notices] == (
            [("more than 16 extension headers", 40 + 16 * 8)] if number > 16 else []
        )
        headers = bytes([OPTIONS]) + PADDING + headers


@pytest.mark.parametrize(
    ("octets", "missing"),
    [
        # RFC 6282 section 3.1: TF 00 has four octets in line; section 4.3: P 00 four, C 0 two; 802.15.4-2006 7.6.2.1
        ("418801341202000100 60003000", "the place of traffic class and flow label"),
        ("418801341202000100 7e33f0aabb", "the place of source port and destination port"),
        ("418801341202000100 7e33f0aabbccdd", "checksum"),
        ("499801341202000100 0500", "frame counter"),
        # RFC 8138 sections 6.1 and 6.2: I 0 has one octet, K 0 two
        ("418801341202000100 f18005", "RPLInstanceID"),
        ("418801341202000100 f1800509bb", "SenderRank"),
    ],
)
def test_what_is_cut_is_named_and_not_the_bits_that_ask_for_it(octets: str, missing: str) -> None:
    fault = decode_frame(bytes.fromhex(octets), fcs=0).fault
    assert fault is not None
    assert fault.message.startswith(f"{missing} needs ")
