"""How far a compressor goes, and what it refuses: RFC 6282 sections 2, 4.2 and 4.3.2."""

from dataclasses import replace
from ipaddress import IPv6Address

import pytest
import second_decoder
from scapy.layers import inet6

from lowpanbudget import Env, RequestError, compress, decompress
from lowpanbudget.bits import tiles
from lowpanbudget.findings.checksum import is_wrong
from lowpanbudget.layers.internet.icmpv6 import Icmpv6
from lowpanbudget.layers.internet.ipv6 import Ipv6
from lowpanbudget.stack.decoder import decode_datagram
from lowpanbudget.stack.frame import decode_lowpan
from lowpanbudget.stack.outgoing import Outgoing
from lowpanbudget.stack.packing import Options, pack_headers

ENV = Env(b"\x00\x01", b"\x00\x02")
ADDRESSES = bytes.fromhex(
    "fe80 0000 0000 0000 0000 00ff fe00 0001 fe80 0000 0000 0000 0000 00ff fe00 0002"
)


def datagram(kind: int, payload: bytes) -> bytes:
    return (
        bytes.fromhex("6000 0000")
        + len(payload).to_bytes(2, "big")
        + bytes([kind, 64])
        + ADDRESSES
        + payload
    )


def segment(data: bytes = b"hello") -> bytes:
    head = bytes.fromhex("f0b1 f0b2") + (8 + len(data)).to_bytes(2, "big")
    return (
        head
        + second_decoder.udp_checksum(ADDRESSES[:16], ADDRESSES[16:], head + b"\0\0" + data)
        + data
    )


OPTIONS = bytes([60, 0]) + bytes.fromhex("1e04deadbeef")
CHAIN = datagram(0, OPTIONS + bytes([17, 0]) + bytes.fromhex("1e04deadbeef") + segment())


@pytest.mark.parametrize(
    ("depth", "covers", "octets"),
    [
        (-1, 40, 41),  # 0x41 and the header as it is
        (0, 40, 3),  # IPHC, the next header's number in line
        (1, 40, 3),  # one extension header gains nothing alone
        (2, 40, 3),
        (3, 64, 2 + 8 + 8 + 4),
        (16, 64, 2 + 8 + 8 + 4),
    ],
)
def test_depth_limits_what_is_compressed(depth: int, covers: int, octets: int) -> None:
    """RFC 6282 section 2: a header that cannot fit the first fragment "MUST NOT be compressed"; depth keeps that."""
    packed = pack_headers(Outgoing.read(CHAIN), ENV, Options(depth=depth))
    assert (packed.covers, len(packed.written().data)) == (covers, octets)
    assert tiles(packed.written().spans, octets * 8)
    assert decompress(bytes(packed.written().data) + CHAIN[covers:], ENV).octets == CHAIN


def information(kind: int) -> bytes:
    """The RPL option alone in a hop-by-hop header: down, instance 0, rank 0x0200 (RFC 6553 section 3)."""
    return bytes([kind, 0]) + bytes.fromhex("6304 80 00 0200")


@pytest.mark.parametrize(
    ("sent", "depth", "covers", "octets"),
    [
        (information(17) + segment(), 0, 40, 3),
        # page 1, RPI-6LoRH of 3 octets (RFC 8138 figure 11), IPHC with a next header in line
        (information(17) + segment(), 1, 48, 1 + 3 + 3),
        (information(17) + segment(), 2, 56, 1 + 3 + 2 + 4),
        # the root's outer header as IP-in-IP-6LoRH, its hop limit in line
        (information(41) + datagram(17, segment()), 2, 88, 1 + 3 + 3 + 3),
        (information(41) + datagram(17, segment()), 3, 96, 1 + 3 + 3 + 2 + 4),
    ],
    ids=["no other", "this one", "one behind", "inner", "one behind the inner"],
)
def test_routing_headers_count_as_what_they_stand_for(
    sent: bytes, depth: int, covers: int, octets: int
) -> None:
    whole, env = datagram(0, sent), replace(ENV, root=IPv6Address(ADDRESSES[:16]))
    packed = pack_headers(Outgoing.read(whole), env, Options(lorh=True, depth=depth))
    assert (packed.covers, len(packed.written().data)) == (covers, octets)
    assert decompress(bytes(packed.written().data) + whole[covers:], env).octets == whole


def test_a_compressed_header_needs_compressed_ones_before_it() -> None:
    """Section 4.2: "the immediately preceding header must be encoded using either LOWPAN_IPHC or LOWPAN_NHC"."""
    authentication = bytes.fromhex("1102 0000 00000001 00000002 00000003")
    packed = compress(datagram(51, authentication + segment()), ENV)
    assert packed.covers == 40
    assert packed.octets.endswith(authentication + segment())


def test_a_wrong_checksum_is_never_elided() -> None:
    wrong = bytearray(datagram(17, segment()))
    wrong[46] ^= 1
    with pytest.raises(RequestError, match="must not elide"):
        compress(bytes(wrong), ENV, elide_udp_checksum=True)


def test_a_checksum_of_zero_is_wrong_over_ipv6() -> None:
    """RFC 8200 section 8.1: receivers "must discard UDP packets containing a zero checksum"."""
    zero = bytearray(datagram(17, segment()))
    zero[46:48] = b"\0\0"
    with pytest.raises(RequestError):
        compress(bytes(zero), ENV, elide_udp_checksum=True)
    assert decompress(compress(bytes(zero), ENV).octets, ENV).octets == bytes(zero)


@pytest.mark.parametrize(
    ("octets", "said"),
    [
        (b"", "no IPv6 datagram"),
        (bytes(39), "no IPv6 datagram"),
        (b"\x45" + bytes(60), "no IPv6 datagram"),
        (datagram(59, b"ab")[:-1], "2 octets, 1 are there"),
        (datagram(59, b"ab") + b"c", "2 octets, 3 are there"),
    ],
)
def test_what_is_no_datagram(octets: bytes, said: str) -> None:
    with pytest.raises(RequestError, match=said):
        compress(octets, ENV)


def test_a_tunnel_whose_length_disagrees_goes_as_it_is() -> None:
    inner = bytearray(datagram(59, b"ab"))
    inner[5] = 7
    whole = datagram(41, bytes(inner))
    packed = compress(whole, ENV)
    assert packed.covers == 40
    assert decompress(packed.octets, ENV).octets == whole


def test_a_tunnel_is_compressed_against_its_outer_header() -> None:
    whole = datagram(41, datagram(17, segment()))
    packed = compress(whole, ENV).octets
    assert packed[:5] == bytes.fromhex("7e33 ee 7e33")
    assert decompress(packed, ENV).octets == whole


def routed(kind: int, left: int, *, addresses: bytes = b"") -> bytes:
    return datagram(
        43, bytes([17, len(addresses) // 8, kind, left]) + bytes(4) + addresses + segment()
    )


@pytest.mark.parametrize("ghc", [False, True])
def test_a_checksum_over_an_unknown_destination_is_not_elided(*, ghc: bool) -> None:
    """RFC 8200 section 8.1: the pseudo-header holds the final destination; RFC 6282 section 4.3.2: verify, then elide.

    Routing type 253 is for experiments (RFC 4727, from memory): nobody knows where its last address stands.
    """
    hidden = routed(253, 1)
    with pytest.raises(RequestError, match="cannot be read: a compressor must not elide"):
        compress(hidden, ENV, elide_udp_checksum=True, ghc=ghc)
    assert decompress(compress(hidden, ENV, ghc=ghc).octets, ENV).octets == hidden
    finished = routed(253, 0)
    packed = compress(finished, ENV, elide_udp_checksum=True, ghc=ghc).octets
    assert decompress(packed, ENV).octets == finished


def test_a_checksum_over_the_last_address_of_a_known_route_is_elided() -> None:
    """RFC 6275 section 6.4: type 2 holds one whole address, that of the mobile node: here the destination itself."""
    known = routed(2, 1, addresses=ADDRESSES[16:])
    packed = compress(known, ENV, elide_udp_checksum=True).octets
    found = decompress(packed, ENV)
    assert found.octets == known
    assert "udp-checksum-unsure" not in {notice.name for notice in found.notices}


def icmpv6_behind(kind: int, left: int) -> bytes:
    """Return an echo request behind a routing header of this type; scapy makes its checksum over the addresses."""
    source, destination = (str(IPv6Address(ADDRESSES[at : at + 16])) for at in (0, 16))
    plain = inet6.IPv6(src=source, dst=destination) / inet6.ICMPv6EchoRequest(data=b"hello")
    echo = bytes(plain)[40:]
    return datagram(43, bytes([58, 0, kind, left]) + bytes(4) + echo)


def test_the_checksum_of_icmpv6_behind_an_unknown_route_is_neither_right_nor_wrong() -> None:
    """RFC 8200 section 8.1: the pseudo-header holds the final destination, and here nobody can tell which that is."""
    echo = icmpv6_behind(253, 1)
    compressed = decode_lowpan(compress(echo, ENV).octets, ENV)
    assert compressed.packet.find(Ipv6) is not None
    for frame in (compressed, decode_lowpan(b"\x41" + echo, ENV), decode_datagram(echo)):
        message = frame.packet.find(Icmpv6)
        assert message is not None
        assert message.checksum_ok is None
    assert not is_wrong(echo)
    finished = decode_datagram(icmpv6_behind(253, 0)).packet.find(Icmpv6)
    assert finished is not None
    assert finished.checksum_ok is True
    assert is_wrong(icmpv6_behind(253, 0)[:-1] + b"\x01")


def test_icmpv6_is_compressed_behind_an_extension_header_as_well() -> None:
    """RFC 7400 section 3.3: LOWPAN_NHC 11011111; zeros and a copy say an echo request of 48 zeros in 6 octets more."""
    echo = bytes.fromhex("8000 0000 0001 0001") + bytes(48)
    padding = bytes.fromhex("3a00 0104 0000 0000")
    alone = compress(datagram(58, echo), ENV, ghc=True).octets
    behind = compress(datagram(0, padding + echo), ENV, ghc=True).octets
    assert alone[2] == 0b11011111
    assert behind[2:4] == b"\xe1\x00"  # the padding goes without its octets (RFC 6282 section 4.2)
    assert behind[4:] == alone[2:]


@pytest.mark.parametrize("headers", [1, 2, 14, 15])
def test_as_many_headers_are_compressed_as_a_reader_follows(headers: int) -> None:
    """IPHC of 2 octets; each options header of padding alone goes as 2 octets, the last with its next header."""
    padding = bytes.fromhex("00 0104 0000 0000")
    chain = b"".join(bytes([kind]) + padding for kind in [60] * (headers - 1) + [59])
    found = compress(datagram(60, chain + b"x"), ENV).octets
    assert len(found) == 2 + 2 * headers + 1 + 1
    assert decompress(found, ENV).octets == datagram(60, chain + b"x")
