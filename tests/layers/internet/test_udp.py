"""The UDP header and its checksum, against scapy and RFC 768."""

from ipaddress import IPv6Address
from typing import Any

import pytest

from lowpanbudget import RequestError, Truncated
from lowpanbudget.bits import Reader, Writer, tiles
from lowpanbudget.layers.internet import udp
from lowpanbudget.layers.internet.udp import Udp

A, B = IPv6Address("2001:db8::a"), IPv6Address("2001:db8::b")


@pytest.mark.parametrize("data", [b"", b"x", b"hello", bytes(100)])
def test_scapy_builds_it_alike(data: bytes) -> None:
    inet6: Any = pytest.importorskip("scapy.layers.inet6")
    inet: Any = pytest.importorskip("scapy.layers.inet")
    packet = inet6.IPv6(src=str(A), dst=str(B)) / inet.UDP(sport=5683, dport=61616) / data
    segment = bytes(packet)[40:]
    header = udp.decode(Reader(segment))
    assert header == Udp(5683, 61616, 8 + len(data), int.from_bytes(segment[6:8], "big"))
    assert udp.checksum(A, B, segment) == header.checksum
    assert bytes(header) == segment[:8]
    writer = Writer()
    udp.encode(writer, header)
    assert bytes(writer.data) == segment[:8]
    assert tiles(writer.spans, 64)


def test_a_sum_of_zero_goes_as_all_ones() -> None:
    """RFC 768: "If the computed checksum is zero, it is transmitted as all ones"."""
    segment = bytes.fromhex("f0b1 f0b2 000a 0000 0000")
    blank = udp.checksum(A, B, segment)
    segment = segment[:8] + blank.to_bytes(
        2, "big"
    )  # the sum's complement as data makes the sum zero
    assert udp.checksum(A, B, segment) == 0xFFFF


def test_the_checksum_field_itself_does_not_count() -> None:
    segment = bytes.fromhex("f0b1 f0b2 000a 0000 0102")
    assert udp.checksum(A, B, segment) == udp.checksum(
        A, B, segment[:6] + b"\xab\xcd" + segment[8:]
    )


@pytest.mark.parametrize("cut", range(8))
def test_cut_short(cut: int) -> None:
    with pytest.raises(Truncated):
        udp.decode(Reader(bytes(cut)))


def test_a_port_has_16_bits() -> None:
    with pytest.raises(RequestError, match="source port"):
        udp.encode(Writer(), Udp(70000, 1, 8, 0))
