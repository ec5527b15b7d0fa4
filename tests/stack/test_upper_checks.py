"""Checksums of ICMPv6 behind compressed headers, and over what they are judged."""

from ipaddress import IPv6Address

import pytest

from lowpanbudget import Icmpv6, Mac, compress, decode_frame, encode_frame
from lowpanbudget.env import Env
from lowpanbudget.errors import Truncated
from lowpanbudget.stack.frame import decode_lowpan

A, B, PAN = b"\x00\x01", b"\x00\x02", 0xABCD
# RFC 6282 section 3.2.2: of the short addresses; RFC 4944 section 6: with the PAN ID, its universal bit zero
SOURCE, DESTINATION = IPv6Address("fe80::ff:fe00:1"), IPv6Address("fe80::ff:fe00:2")
OLDER = IPv6Address("fe80::a9cd:ff:fe00:1")
# RFC 4443 section 4.1: an echo request with its checksum left open
ECHO = bytes.fromhex("80 00 0000 1234 0001 61 62 63")


def summed(source: IPv6Address, destination: IPv6Address, message: bytes) -> bytes:
    """The message with its checksum: RFC 1071 over RFC 8200 section 8.1's pseudo-header and RFC 4443 section 2.3."""
    covered = source.packed + destination.packed + len(message).to_bytes(4, "big") + b"\0\0\0\x3a"
    covered += message + bytes(len(message) % 2)
    total = sum(int.from_bytes(covered[at : at + 2], "big") for at in range(0, len(covered), 2))
    while total >> 16:
        total = (total & 0xFFFF) + (total >> 16)
    return message[:2] + (total ^ 0xFFFF).to_bytes(2, "big") + message[4:]


def sent(payload: bytes) -> bytes:
    mac = Mac(destination_pan=PAN, destination=B, source=A, pan_id_compression=True)
    return encode_frame(mac, payload, fcs=True).octets


@pytest.mark.parametrize(
    ("over", "told"),
    [
        (SOURCE, []),
        (OLDER, ["icmpv6-checksum-wrong", "old-identifiers"]),
        (IPv6Address("fe80::77"), ["icmpv6-checksum-wrong"]),
    ],
)
def test_an_older_identifier_explains_a_checksum_of_icmpv6(
    over: IPv6Address, told: list[str]
) -> None:
    """RFC 6282 figure 2: all elided but the next header."""
    frame = decode_frame(sent(b"\x7a\x33\x3a" + summed(over, DESTINATION, ECHO)), fcs=True)
    assert [notice.name for notice in frame.notices] == told


def test_what_a_checksum_covers_is_not_known_behind_a_route_that_nobody_knows() -> None:
    """RFC 8200 section 8.1: over the final destination, which a routing header of type 200 may name or not.

    With no segment left the destination is final, whatever the type is (section 4.4).
    """
    message = summed(SOURCE, DESTINATION, ECHO)
    for left, is_right in ((1, None), (0, True)):
        route = bytes([58, 0, 200, left, 0, 0, 0, 0])
        frame = decode_frame(sent(b"\x7a\x33\x2b" + route + message), fcs=True)
        (found,) = (layer for layer in frame.layers if isinstance(layer, Icmpv6))
        assert found.checksum_ok is is_right
        assert frame.notices == ()


def carrying(kind: int, source: str, destination: str, octets: bytes) -> bytes:
    """A frame with the shortest form of a datagram; UDP's checksum is summed up as that of ICMPv6 is above."""
    ends = IPv6Address(source), IPv6Address(destination)
    if kind == 17:  # behind two ports and the length
        octets = b"\xee\x48" * 2 + (8 + len(octets)).to_bytes(2, "big") + b"\0\0" + octets
        # 58 - 17 less in the pseudo-header; the checksum stands 4 octets further on
        total = int.from_bytes(summed(*ends, b"\0\0\0\0" + octets)[2:4], "big")
        total = (total + 4 + 58 - 17 - 1) % 0xFFFF + 1
        octets = octets[:6] + total.to_bytes(2, "big") + octets[8:]
    datagram = b"\x60\0\0\0" + len(octets).to_bytes(2, "big") + bytes([kind, 64])
    datagram += ends[0].packed + ends[1].packed + octets
    return sent(compress(datagram, Env(A, B, PAN)).octets)


@pytest.mark.parametrize("kind", [17, 59])
@pytest.mark.parametrize(
    ("source", "destination", "told"),
    [
        (str(SOURCE), str(DESTINATION), []),
        (str(OLDER), str(DESTINATION), ["old-identifiers"]),
        # "Multicast addresses must not be used as source addresses" (RFC 4291 section 2.7)
        ("ff02::1", str(DESTINATION), ["address-forbidden"]),
        # "The unspecified address must not be used as the destination address" (section 2.5.2)
        (str(SOURCE), "::", ["address-forbidden"]),
        # a node that has no address yet has it as its source
        ("::", "ff02::1:2", []),
    ],
)
def test_what_addresses_are_noted(
    kind: int, source: str, destination: str, told: list[str]
) -> None:
    frame = decode_frame(carrying(kind, source, destination, b"\1\2\3\4"), fcs=True)
    assert frame.datagram is not None
    assert [notice.name for notice in frame.notices] == told
    # where its IPHC header stands, behind 9 octets of the MAC
    assert {notice.offset for notice in frame.notices} <= {9}


def test_what_stands_behind_a_header_in_line_is_looked_at() -> None:
    """RFC 8200 section 4.1: a hop-by-hop header "is restricted to appear immediately after an IPv6 header only"."""
    first, second = bytes([0, 0, 1, 4, 0, 0, 0, 0]), bytes([59, 0, 1, 4, 0, 0, 0, 0])
    for kind, octets, told in (
        (60, first + second, [("hop-by-hop-misplaced", 9 + 3 + 8)]),
        (0, second, []),
        (60, second, []),
    ):
        frame = decode_frame(sent(bytes([0x7A, 0x33, kind]) + octets), fcs=True)
        assert [(one.name, one.offset) for one in frame.notices] == told
    # in line as well: a group as the source
    group = IPv6Address("ff02::1").packed
    frame = decode_frame(sent(b"\x7a\x03\x3c" + group + second), fcs=True)
    assert [one.name for one in frame.notices] == ["address-forbidden"]


def test_a_message_that_ends_too_soon_is_noted() -> None:
    """RFC 4443 section 2.1: a message has four octets at least."""
    frame = decode_frame(carrying(58, str(SOURCE), str(DESTINATION), b"\x80\0\0"), fcs=True)
    assert [notice.name for notice in frame.notices] == ["payload-unreadable"]


def test_no_octets_are_no_headers() -> None:
    frame = decode_lowpan(b"", Env(A, B))
    assert isinstance(frame.fault, Truncated)
    assert frame.datagram is None
