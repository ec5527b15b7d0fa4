"""The IPv6 header and the checksum, against scapy and the example of RFC 1071."""

from ipaddress import IPv6Address
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from lowpanbudget import Reserved, Truncated
from lowpanbudget.bits import Reader, Writer, tiles
from lowpanbudget.layers.internet import ipv6
from lowpanbudget.layers.internet.ipv6 import Ipv6

A, B = IPv6Address("2001:db8::a"), IPv6Address("2001:db8::b")


@pytest.mark.parametrize("traffic_class", [0, 1, 0x2E << 2, 0xFF])
@pytest.mark.parametrize("flow_label", [0, 1, 0xFFFFF])
def test_scapy_lays_out_the_header_alike(traffic_class: int, flow_label: int) -> None:
    inet6: Any = pytest.importorskip("scapy.layers.inet6")
    theirs = bytes(
        inet6.IPv6(
            tc=traffic_class, fl=flow_label, plen=1234, nh=59, hlim=77, src=str(A), dst=str(B)
        )
    )
    header = Ipv6(traffic_class, flow_label, 1234, 59, 77, A, B)
    assert bytes(header) == theirs
    writer = Writer()
    ipv6.encode(writer, header)
    assert bytes(writer.data) == theirs
    reader = Reader(theirs)
    assert ipv6.decode(reader) == header
    assert reader.spans == writer.spans
    assert tiles(reader.spans, 40 * 8)


@pytest.mark.parametrize("cut", range(40))
def test_cut_short(cut: int) -> None:
    octets = bytes(Ipv6(0, 0, 0, 59, 64, A, B))[:cut]
    with pytest.raises(Truncated) as caught:
        ipv6.decode(Reader(octets))
    assert caught.value.offset == (0 if cut < 8 else 8 if cut < 24 else 24)
    assert caught.value.layer == "IPv6"


@pytest.mark.parametrize("version", [*range(6), *range(7, 16)])
def test_another_version(version: int) -> None:
    with pytest.raises(Reserved, match="version"):
        ipv6.decode(Reader(bytes([version << 4]) + bytes(39)))


def test_the_example_of_rfc_1071() -> None:
    """Section 3: 0001 f203 f4f5 f6f7 sum up to ddf2."""
    assert ipv6.ones_complement_sum(bytes.fromhex("0001 f203 f4f5 f6f7")) == 0xDDF2
    assert ipv6.ones_complement_sum(b"") == 0
    assert ipv6.ones_complement_sum(bytes(10)) == 0
    assert ipv6.ones_complement_sum(b"\xff\xff") == 0xFFFF  # the other zero
    assert ipv6.ones_complement_sum(b"\x12") == 0x1200


@settings(max_examples=100)
@given(st.binary(max_size=40), st.sampled_from([17, 58, 6]))
def test_scapy_computes_the_checksum_alike(segment: bytes, kind: int) -> None:
    inet6: Any = pytest.importorskip("scapy.layers.inet6")
    theirs = inet6.in6_chksum(kind, inet6.IPv6(src=str(A), dst=str(B)), segment)
    ours = ipv6.transport_checksum(A, B, kind, segment)
    assert ours == theirs or {ours, theirs} == {
        0,
        0xFFFF,
    }  # scapy sends a zero as 0xffff for every kind
