"""Headers chained behind IPHC: what vectors cannot show, with RFC 6282 and RFC 8200 beside each."""

from ipaddress import IPv6Address

import pytest
import second_decoder

from lowpanbudget import Env, Mac, Malformed, Truncated, decode_frame, decompress, encode_frame
from lowpanbudget.bits import Reader
from lowpanbudget.layers.internet import ipv6
from lowpanbudget.stack.datagram import (
    Chain,
    RestoredPart,
    complete_checksum,
    endpoints,
    fill,
    read_chain,
)

ENV = Env(b"\x00\x01", b"\x00\x02")
ONE, TWO = IPv6Address("fe80::ff:fe00:1"), IPv6Address("fe80::ff:fe00:2")


def read(wire: str, *, whole: bool = True) -> Chain:
    chain = Chain(whole=whole)
    read_chain(Reader(bytes.fromhex(wire)), ENV, chain)
    return chain


def test_parts_of_a_chain() -> None:
    chain = read("7e33 e106 1e0400000000 f312 1234 aabb")
    assert [part.kind for part in chain.parts] == [ipv6.IPV6, ipv6.HOP_BY_HOP, ipv6.UDP]
    assert chain.header_octets == 40 + 8 + 8
    assert chain.payload == b"\xaa\xbb"
    assert not chain.checksum_elided
    assert read("7e33 f712").checksum_elided


def test_lengths_count_what_is_still_to_come() -> None:
    """RFC 6282 section 4.3.3: the UDP length is "inferred from lower layers", here from datagram_size."""
    octets = fill(read("7e33 e106 1e0400000000 f312 1234 aabb", whole=False), missing=100)
    assert octets[4:6] == (8 + 8 + 2 + 100).to_bytes(2, "big")
    assert octets[52:54] == (8 + 2 + 100).to_bytes(2, "big")
    assert len(octets) == 40 + 8 + 8 + 2


def test_an_elided_checksum_waits_for_the_whole() -> None:
    part = fill(read("7e33 f712 aabb", whole=False), missing=10)
    assert part[46:48] == b"\0\0"
    whole = part + bytes(range(10))
    done = complete_checksum(whole)
    right = second_decoder.udp_checksum(ONE.packed, TWO.packed, whole[40:])
    assert done == whole[:46] + right + whole[48:]


def test_a_checksum_of_nothing_but_the_header_is_completed() -> None:
    """RFC 768: a UDP length of 8 is the least, and is summed like any other."""
    part = fill(read("7e33 f712", whole=False))
    assert len(part) == 48
    right = second_decoder.udp_checksum(ONE.packed, TWO.packed, part[40:46] + bytes(2))
    assert complete_checksum(part[:46] + bytes(2)) == part[:46] + right


@pytest.mark.parametrize(("wire", "headers"), [("7e33 f312 1234", 8), ("7a33 3a", 0)])
def test_no_length_is_over_16_bits(wire: str, headers: int) -> None:
    """RFC 8200 section 3: the payload length has 16 bits, extension headers and UDP header counted."""
    most = 0xFFFF - headers
    octets = fill(read(wire, whole=False), missing=most)
    assert octets[4:6] == b"\xff\xff"
    assert not headers or octets[44:46] == b"\xff\xff"
    with pytest.raises(Malformed, match="too long"):
        fill(read(wire, whole=False), missing=most + 1)


@pytest.mark.parametrize("length", [0, 39, 40, 47])
def test_completing_what_holds_no_udp_changes_nothing(length: int) -> None:
    octets = fill(read("7e33 f712 aabb"))[:length]
    assert complete_checksum(octets) == octets


def test_the_lengths_of_tunnels_nest() -> None:
    octets = fill(read("7e33 ee 7e33 f312 1234 aabbcc"))
    assert octets[4:6] == (40 + 8 + 3).to_bytes(2, "big")
    assert octets[44:46] == (8 + 3).to_bytes(2, "big")
    assert octets[84:86] == (8 + 3).to_bytes(2, "big")


def test_endpoints_are_those_of_the_innermost_header() -> None:
    far = IPv6Address("2001:db8::9")
    route = bytes([17, 2, 0, 1]) + bytes(4) + far.packed
    outer = RestoredPart(ipv6.IPV6, ipv6.Ipv6(0, 0, 0, 41, 64, far, far))
    inner = RestoredPart(ipv6.IPV6, ipv6.Ipv6(0, 0, 0, 43, 64, ONE, TWO))
    assert endpoints([outer, inner]) == (ONE, TWO, False)
    assert endpoints([outer, inner, RestoredPart(ipv6.ROUTING, route)]) == (ONE, far, False)
    assert endpoints([RestoredPart(ipv6.ROUTING, route), inner]) == (ONE, TWO, False)


def test_what_was_read_before_a_fault_stays() -> None:
    chain = Chain(whole=True)
    reader = Reader(bytes.fromhex("7e33 e106 1e0400000000 f3"))
    with pytest.raises(Truncated):
        read_chain(reader, ENV, chain)
    assert [part.kind for part in chain.parts] == [ipv6.IPV6, ipv6.HOP_BY_HOP]
    assert len(chain.heads) == 2
    mac = Mac(
        destination_pan=1, destination=b"\x00\x02", source=b"\x00\x01", pan_id_compression=True
    )
    frame = decode_frame(encode_frame(mac, bytes.fromhex("7e33 e106 1e0400000000 f3")).octets)
    assert len(frame.layers) == 3  # MAC, IPHC, extension
    assert isinstance(frame.fault, Truncated)


@pytest.mark.parametrize("headers", [14, 15, 16, 100])
def test_chains_are_bounded(headers: int) -> None:
    """A bound of our own: 16 headers in one datagram."""
    wire = (
        bytes.fromhex("7e33")
        + bytes.fromhex("e500000000000000") * headers
        + bytes.fromhex("f312ffff")
    )
    if headers <= 14:
        assert len(decompress(wire, ENV).octets) == 40 + 8 * headers + 8
    else:
        with pytest.raises(Malformed, match="16"):
            decompress(wire, ENV)
