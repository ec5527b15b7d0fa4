"""Generic header compression inside LOWPAN_NHC: the figures of RFC 7400 as whole payloads."""

import contextlib
from ipaddress import IPv6Address
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from vector_files import document

from lowpanbudget import Env, WireError, compress, decompress
from lowpanbudget.bits import tiles
from lowpanbudget.layers.lowpan import nhc

FIGURES = Path(__file__).parents[3] / "vectors" / "rfc7400" / "appendix-a.toml"
CASES = [case for case in document(FIGURES)["case"] if "ipv6" in case]


def octets(text: str) -> bytes:
    return bytes.fromhex("".join(text.split()))


# RFC 7400 figures 2, 3 and 6: the NHC octets that are registered
@pytest.mark.parametrize(
    ("key", "first", "last"),
    [
        ("udp-ghc", 0b11010000, 0b11010111),
        ("icmpv6-ghc", 0b11011111, 0b11011111),
        ("extension-ghc", 0b10110000, 0b10110111),
    ],
)
def test_nhc_octets(key: str, first: int, last: int) -> None:
    found = [octet for octet in range(256) if nhc.KINDS[octet].key == key]
    assert found == list(range(first, last + 1))


@pytest.mark.parametrize("case", CASES, ids=[case["id"] for case in CASES])
def test_figure_in_a_payload(case: dict[str, Any]) -> None:
    """The ICMPv6 messages of the figures, with the code as printed behind IPHC and NHC 11011111."""
    packet = octets(case["ipv6"])
    packed = compress(packet, ghc=True)
    code = octets(case["code"])
    assert len(packed.octets) <= packed.octets.index(0xDF) + 1 + len(code)
    back = decompress(packed.octets)
    assert back.octets == packet
    assert tiles(back.spans, len(packed.octets) * 8)
    assert back.spans == packed.spans
    printed = packed.octets[: packed.octets.index(0xDF) + 1] + code
    assert decompress(printed).octets == packet


def udp_packet(data: bytes, hop_by_hop: bytes = b"") -> bytes:
    scapy = pytest.importorskip("scapy.layers.inet6")
    inet = pytest.importorskip("scapy.layers.inet")
    packet = scapy.IPv6(src="2001:db8::1", dst="2001:db8::2", hlim=64)
    if hop_by_hop:
        packet /= scapy.IPv6ExtHdrHopByHop(options=[scapy.RouterAlert()])
    return bytes(packet / inet.UDP(sport=0xF0B1, dport=0xF0B2) / data)


@settings(max_examples=60)
@given(st.binary(max_size=60), st.booleans(), st.integers(0, 7))
def test_any_payload_comes_back_and_is_never_longer(data: bytes, options: bool, zeros: int) -> None:
    packet = udp_packet(data + bytes(zeros), b"x" if options else b"")
    env = Env(contexts={0: "2001:db8::/64"})
    packed = compress(packet, env, ghc=True)
    assert len(packed.octets) <= len(compress(packet, env).octets)
    assert decompress(packed.octets, env).octets == packet
    for cut in range(len(packed.octets)):
        with contextlib.suppress(WireError):
            decompress(packed.octets[:cut], env)


def test_an_extension_header_of_byte_code_needs_its_stop_code() -> None:
    # hand-derived, RFC 7400 section 3.2: NHC 10110000, four zeros as code, no stop code 0x90
    head = bytes.fromhex("7f33")  # TF and HLIM elided, NH=1, both addresses elided
    env = Env(source="0001", destination="0002")
    with pytest.raises(WireError, match="stop code"):
        decompress(head + bytes.fromhex("b082"), env)
    whole = decompress(head + bytes.fromhex("b0 01 3b 83 90"), env)
    # next header 59, then five zeros: 2 + 5 octets, Pad1 makes 8
    assert whole.octets[40:] == bytes.fromhex("3b00000000000000")
    assert IPv6Address(whole.octets[8:24]) == IPv6Address("fe80::ff:fe00:1")
