"""Checksums of ICMPv6 behind compressed headers, and over what they are judged."""

from ipaddress import IPv6Address

import pytest

from lowpanbudget import Icmpv6, Mac, decode_frame, encode_frame
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


def test_no_octets_are_no_headers() -> None:
    frame = decode_lowpan(b"", Env(A, B))
    assert isinstance(frame.fault, Truncated)
    assert frame.datagram is None
