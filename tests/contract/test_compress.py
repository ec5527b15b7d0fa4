"""``compress`` and ``decompress``: what they report beside the octets."""

import pytest
from contract.vectors import tiles

from lowpanbudget import Env, Malformed, RequestError, WireError, compress, decompress

ENV = Env(b"\x00\x01", b"\x00\x02")
# by hand, RFC 6282 figures 2 and 14: link-local, hop limit 64, ports 0xf0b1 and 0xf0b2
WIRE = bytes.fromhex("7e33 f3 12 23c7 68656c6c6f")


def test_what_a_result_says() -> None:
    back = decompress(WIRE, ENV)
    packed = compress(back.octets, ENV)
    assert packed.octets == WIRE
    assert (packed.header_octets, packed.covers) == (6, 48)
    assert tiles(packed.spans, len(WIRE) * 8)
    assert tiles(back.spans, len(WIRE) * 8)
    assert len(back.layers) >= 2


def test_a_restored_checksum_is_noted() -> None:
    """RFC 6282 section 4.3.2."""
    notices = {n.name: n for n in decompress(bytes.fromhex("7e33 f7 12 68656c6c6f"), ENV).notices}
    assert "6282" in str(notices["udp-checksum-elided"])


@pytest.mark.parametrize(
    ("fragment", "clause"),
    [
        ("e0640001 0a 0000000000000000", "RFC 4944 §5.3"),  # FRAGN: size 100, tag 1, offset 10
        ("e8 01 0402 0008 aabb", "RFC 8931 §5.1"),  # RFRAG: tag 1, sequence 1, 2 octets at 8
        ("ea 09 00000001", "RFC 8931 §5.2"),  # RFRAG-ACK: tag 9, sequence 31 came
    ],
)
def test_a_fragment_is_no_datagram(fragment: str, clause: str) -> None:
    with pytest.raises(Malformed, match="fragment") as caught:
        decompress(bytes.fromhex(fragment), ENV)
    assert "Reassembler" in caught.value.hint
    assert str(caught.value.cite) == clause


def test_without_surroundings() -> None:
    """No link addresses, no contexts: everything that depends on them goes in line."""
    datagram = decompress(WIRE, ENV).octets
    packed = compress(datagram)
    assert len(packed.octets) == len(WIRE) + 2 + 2  # two identifiers of 0000:00ff:fe00:XXXX
    assert decompress(packed.octets).octets == datagram


@pytest.mark.parametrize("octets", [None, "7e33", 7])
def test_no_octets(octets: object) -> None:
    with pytest.raises(RequestError, match="octets"):
        compress(octets)


def _datagram(kind: int, carried: bytes) -> bytes:
    """An IPv6 header (RFC 8200 section 3), hop limit 64, from :: to ::1, around octets of this kind."""
    head = bytes([0x60, 0, 0, 0]) + len(carried).to_bytes(2, "big") + bytes([kind, 64])
    return head + bytes(31) + b"\x01" + carried


@pytest.mark.parametrize("data", [2047, 2048, 9000])
@pytest.mark.parametrize("kind", [17, 58])
def test_byte_code_for_what_is_too_long_for_a_datagram(kind: int, data: int) -> None:
    """What no fragment header can name (RFC 4944 section 5.3: 11 bits) is sent without byte code, not refused."""
    head = b"\x16\x33\x16\x33" + (8 + data).to_bytes(2, "big") + b"\x12\x34" if kind == 17 else b""
    datagram = _datagram(kind, head + bytes(data))
    packed = compress(datagram, ENV, ghc=True)
    assert decompress(packed.octets, ENV).octets == datagram
    assert (len(packed.octets) < 200) == (data <= 2047)


@pytest.mark.parametrize(
    "fragment", ["11 00 ff f8 00 00 00 01", "11 00 00 01 00 00 00 01"], ids=["later", "first"]
)
@pytest.mark.parametrize("ghc", [False, True])
def test_part_of_an_ip_fragment_is_explained_alike(fragment: str, ghc: bool) -> None:
    """RFC 8200 section 4.5: octets behind a fragment header are a part, no header, whoever explains them."""
    packed = compress(_datagram(44, bytes.fromhex(fragment) + b"\xaa\xbb"), ENV, ghc=ghc)
    assert packed.spans == decompress(packed.octets, ENV).spans
    assert packed.spans[-1].meaning == "part of a datagram"


@pytest.mark.parametrize(
    ("carried", "meaning"),
    [
        # hop-by-hop or destination options of a PadN (RFC 8200 section 4.2), then TCP, or UDP on port 7
        ("06 00 01 04 00 00 00 00  aa bb", "tcp"),
        ("11 00 01 04 00 00 00 00  00 07 00 07 00 0a 00 00 aa bb", "application data"),
    ],
)
@pytest.mark.parametrize("kind", [0, 60])
def test_octets_behind_headers_are_named_by_the_last_header(
    kind: int, carried: str, meaning: str
) -> None:
    packed = decompress(b"\x41" + _datagram(kind, bytes.fromhex(carried)), ENV)
    assert packed.spans[-1].bits == 16
    assert packed.spans[-1].meaning.lower() == meaning


def test_what_is_not_lowpan_is_named() -> None:
    """RFC 4944 section 5.1: 00xxxxxx, "Not a LoWPAN frame"."""
    with pytest.raises(Malformed, match="not a LoWPAN frame") as caught:
        decompress(b"\x00\xff")
    assert str(caught.value.cite) == "RFC 4944 §5.1"


def test_no_surroundings() -> None:
    for wrong in ({"source": "0001"}, "0001", 5):
        with pytest.raises(RequestError, match="an Env is needed"):
            decompress(WIRE, wrong)  # type: ignore[arg-type]
        with pytest.raises(RequestError, match="an Env is needed"):
            compress(WIRE, wrong)  # type: ignore[arg-type]


def test_a_cut_ipv6_header_says_what_it_needs() -> None:
    """RFC 8200 section 3: 40 octets."""
    with pytest.raises(RequestError, match="needs 40 octets, 1 octet left"):
        compress(b"\x60")


def test_which_address_cannot_be_expanded() -> None:
    """RFC 6282 section 3.1.1: both addresses of this header are elided."""
    with pytest.raises(WireError, match=r"destination address: .* is not known"):
        decompress(WIRE, Env("0001"))
    with pytest.raises(WireError, match=r"source address: .* is not known"):
        decompress(WIRE, Env(None, "0002"))
