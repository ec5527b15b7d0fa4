"""What stands behind an IPv6 header: the walk, and the pseudo-header behind a routing header (RFC 8200)."""

from ipaddress import IPv6Address
from typing import Any

import pytest

from lowpanbudget import Malformed
from lowpanbudget.layers.internet import chain, ipv6
from lowpanbudget.layers.internet.ipv6 import Ipv6

A, B, C = (IPv6Address(f"2001:db8::{n}") for n in "abc")


def routing(kind: int, left: int, body: bytes) -> bytes:
    return bytes([17, (4 + len(body)) // 8 - 1, kind, left]) + body


@pytest.mark.parametrize(
    ("header", "final", "hidden"),
    [
        (routing(0, 1, bytes(4) + C.packed), C, False),
        (routing(2, 1, bytes(4) + C.packed), C, False),
        (routing(0, 2, bytes(4) + A.packed + C.packed), C, False),
        (routing(0, 0, bytes(4) + C.packed), B, False),
        # CmprI 15, CmprE 15, pad 7
        (routing(3, 1, bytes.fromhex("ff700000") + b"\x0c" + bytes(7)), C, False),
        # CmprE 0: a whole address
        (routing(3, 1, bytes.fromhex("f0000000") + C.packed), C, False),
        (routing(3, 0, bytes.fromhex("ff700000") + b"\x0c" + bytes(7)), B, False),
        (routing(3, 1, bytes.fromhex("00000000")), B, True),  # no room for an address
        (routing(3, 1, bytes.fromhex("00f00000")), B, True),  # more pad than octets
        (routing(0, 1, bytes(4)), B, True),
        (routing(4, 1, bytes(4) + C.packed), B, True),  # a type that we do not know
        (routing(4, 0, bytes(4) + C.packed), B, False),
    ],
)
def test_the_destination_behind_a_routing_header(
    header: bytes, final: IPv6Address, *, hidden: bool
) -> None:
    """RFC 8200 section 8.1: "the Destination Address used in the pseudo-header is that of the final destination"."""
    assert chain.PseudoHeader(A, B).behind(header) == (A, final, hidden)


def test_scapy_computes_the_checksum_behind_a_routing_header_alike() -> None:
    inet6: Any = pytest.importorskip("scapy.layers.inet6")
    inet: Any = pytest.importorskip("scapy.layers.inet")
    packet = inet6.IPv6(src=str(A), dst=str(B))
    packet /= inet6.IPv6ExtHdrRouting(type=0, segleft=1, addresses=[str(C)])
    datagram = bytes(packet / inet.UDP(sport=1, dport=2) / b"hello")
    found = chain.find(datagram, ipv6.UDP)
    assert found is not None
    assert found.destination == C
    segment = datagram[found.offset :]
    blank = segment[:6] + b"\0\0" + segment[8:]
    assert (
        ipv6.transport_checksum(found.source, found.destination, 17, blank).to_bytes(2, "big")
        == segment[6:8]
    )


def datagram(next_header: int, payload: bytes) -> bytes:
    return bytes(Ipv6(0, 0, len(payload), next_header, 64, A, B)) + payload


def test_walking_a_chain() -> None:
    inner = bytes(Ipv6(0, 0, 8, 17, 64, C, A)) + bytes(8)
    options = bytes([43, 0, 1, 4, 0, 0, 0, 0])
    route = bytes([41, 0, 9, 0, 0, 0, 0, 0])
    found = list(chain.walk(datagram(0, options + route + inner)))
    assert [(f.kind, f.offset) for f in found] == [(0, 40), (43, 48), (41, 56), (17, 96)]
    assert (found[-1].source, found[-1].destination) == (C, A)
    assert (found[0].source, found[0].destination) == (A, B)


def test_behind_a_later_fragment_stands_no_header() -> None:
    first = bytes([17, 0, 0, 1, 0, 0, 0, 0])
    later = bytes([17, 0, 0, 9, 0, 0, 0, 0])
    assert chain.find(datagram(44, first + bytes(8)), 17) is not None
    assert chain.find(datagram(44, later + bytes(8)), 17) is None


@pytest.mark.parametrize(
    ("word", "cut", "later"),
    [
        # RFC 8200 section 4.5: 13 bits of offset, two reserved, M; offset 0 and M 0 is a whole packet
        ("0000", False, False),
        ("0006", False, False),
        ("0001", True, False),
        ("0008", True, True),
        ("fff9", True, True),
    ],
)
def test_which_fragment_headers_stand_before_a_part(word: str, cut: bool, later: bool) -> None:
    header = bytes.fromhex(f"11 00 {word} 00 00 00 00")
    assert chain.is_cut(header) is cut
    assert chain.is_later(header) is later


@pytest.mark.parametrize(
    "payload", [b"", bytes(7), bytes([59, 1]) + bytes(6), bytes([59, 255]) + bytes(200)]
)
def test_an_extension_header_that_does_not_fit(payload: bytes) -> None:
    octets = datagram(60, payload)
    with pytest.raises(Malformed) as caught:
        list(chain.walk(octets))
    assert caught.value.offset == 40
    assert chain.find(octets, 59) is None


def test_a_chain_without_end_is_given_up() -> None:
    assert (
        len(list(chain.walk(datagram(60, bytes([60, 0, 1, 4, 0, 0, 0, 0]) * 1000)))) == ipv6.DEEPEST
    )
