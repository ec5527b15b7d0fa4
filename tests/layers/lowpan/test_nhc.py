"""LOWPAN_NHC beside its vectors: second opinions on ports, the pads of options headers, table of kinds."""

from typing import Any

import pytest
from construct import BitsInteger, BitStruct

from lowpanbudget import Malformed, RequestError
from lowpanbudget.bits import Reader, Writer, tiles
from lowpanbudget.layers.internet import ipv6
from lowpanbudget.layers.lowpan import extension_nhc, nhc

PORTS = [0, 0x1234, 0xEFFF, 0xF000, 0xF0AF, 0xF0B0, 0xF0B7, 0xF0BF, 0xF0C0, 0xF0FF, 0xF100, 0xFFFF]
# RFC 6282 figures 13 and 14, said once more
UDP = BitStruct("id" / BitsInteger(5), "c" / BitsInteger(1), "p" / BitsInteger(2))
EXTENSION = BitStruct("id" / BitsInteger(4), "eid" / BitsInteger(3), "nh" / BitsInteger(1))


def encoded(ports: tuple[int, int], checksum: int | None) -> bytes:
    writer = Writer()
    nhc.choose_udp(ports, checksum).write(writer)
    assert tiles(writer.spans, len(writer.data) * 8)
    reader = Reader(bytes(writer.data))
    back = nhc.decode_udp(reader)
    assert (back.source_port, back.destination_port, back.checksum) == (*ports, checksum)
    assert reader.spans == writer.spans
    return bytes(writer.data)


@pytest.mark.parametrize("source", PORTS)
@pytest.mark.parametrize("destination", PORTS)
def test_scapy_reads_every_form_of_ports_alike(source: int, destination: int) -> None:
    sixlowpan: Any = pytest.importorskip("scapy.layers.sixlowpan")
    for checksum in (0x1234, None):
        octets = encoded((source, destination), checksum)
        theirs = sixlowpan.LoWPAN_NHC_UDP(octets)
        prefix = {0: (0, 0), 1: (0, 0xF000), 2: (0xF000, 0), 3: (0xF0B0, 0xF0B0)}[theirs.P]
        assert prefix[0] + theirs.udpSourcePort == source
        assert prefix[1] + theirs.udpDestPort == destination
        assert int(checksum is None) == theirs.C


@pytest.mark.parametrize("source", PORTS)
@pytest.mark.parametrize("destination", PORTS)
def test_ports_take_as_few_octets_as_section_4_3_3_allows(source: int, destination: int) -> None:
    both = source >> 4 == destination >> 4 == 0xF0B
    either = 0xF0 in (source >> 8, destination >> 8)
    assert len(encoded((source, destination), 0)) == 1 + (1 if both else 3 if either else 4) + 2


def test_construct_reads_the_octets_alike() -> None:
    for octet in range(256):
        if nhc.KINDS[octet].key == "udp":
            theirs = UDP.parse(bytes([octet]))
            assert nhc.UDP.split(octet) == {
                "NHC id": theirs.id, "checksum": theirs.c, "ports": theirs.p,
            }  # fmt: skip
        if nhc.KINDS[octet].key == "extension":
            theirs = EXTENSION.parse(bytes([octet]))
            assert extension_nhc.EXTENSION.split(octet) == {
                "NHC id": theirs.id, "eid": theirs.eid, "NH": theirs.nh,
            }  # fmt: skip


def test_kinds_of_rfc_6282() -> None:
    """1110 is an extension header, 11110 UDP; 11111 belongs to nobody."""
    assert [o for o in range(256) if nhc.KINDS[o].key == "extension"] == list(range(0xE0, 0xF0))
    assert [o for o in range(256) if nhc.KINDS[o].key == "udp"] == list(range(0xF0, 0xF8))
    assert all(nhc.KINDS[o].key == "reserved" for o in range(0xF8, 0x100))
    assert all(nhc.KINDS[o].key == "reserved" for o in range(0x80))


@pytest.mark.parametrize("kind", [ipv6.HOP_BY_HOP, ipv6.DESTINATION])
@pytest.mark.parametrize("missing", range(8))
def test_a_pad_comes_back(kind: int, missing: int) -> None:
    """RFC 8200 section 4.2: Pad1 is one zero octet, PadN is 1, its length, zeros."""
    pad = {0: b"", 1: b"\0"}.get(missing) or (
        bytes([1, missing - 2]) + bytes(missing - 2) if missing else b""
    )
    option = bytes([0x1E, 12 - missing]) + bytes(range(0x40, 0x4C - missing))
    whole = bytes([59, 1]) + option + pad
    assert len(whole) == 16
    assert extension_nhc.fits_extension(kind, whole)
    writer = Writer()
    extension_nhc.encode_extension(writer, kind, whole, nhc=False)
    assert len(writer.data) == 3 + len(option)
    assert extension_nhc.decode_extension(Reader(bytes(writer.data))).octets == whole


@pytest.mark.parametrize("units", [1, 2, 9, 31])
def test_the_length_comes_back_in_eights_without_the_first(units: int) -> None:
    """RFC 8200 section 4.4; a next header that is compressed too (NH = 1) is still to be filled in."""
    whole = bytes([0, units - 1, 4, 0]) + bytes(8 * units - 4)
    for nhc_bit in (False, True):
        writer = Writer()
        extension_nhc.encode_extension(writer, ipv6.ROUTING, whole, nhc=nhc_bit)
        read = extension_nhc.decode_extension(Reader(bytes(writer.data)))
        assert (read.octets, read.next_header) == (whole, None if nhc_bit else 0)


def test_a_pad_in_the_middle_stays() -> None:
    """Section 4.2: "Pad1 and PadN options that appear in locations other than the end MUST be carried in-line"."""
    whole = bytes([59, 0]) + b"\x01\x00" + b"\x1e\x02\xaa\xbb"
    writer = Writer()
    extension_nhc.encode_extension(writer, ipv6.HOP_BY_HOP, whole, nhc=False)
    assert bytes(writer.data) == bytes.fromhex("e0 3b 06 0100 1e02aabb")


def test_options_that_cannot_be_walked_stay_as_they_are() -> None:
    """The last option claims more octets than there are: nothing is known of a pad."""
    whole = bytes([59, 0]) + b"\x1e\x09\x00\x00\x00\x00"
    writer = Writer()
    extension_nhc.encode_extension(writer, ipv6.HOP_BY_HOP, whole, nhc=False)
    assert bytes(writer.data) == bytes.fromhex("e0 3b 06 1e0900000000")


@pytest.mark.parametrize(
    ("units", "pad", "fits"), [(31, 0, True), (32, 0, False), (32, 7, True), (32, 6, False)]
)
def test_255_octets_are_the_most(units: int, pad: int, *, fits: bool) -> None:
    """Section 4.2: "MUST NOT be used" for headers with "more than 255 octets following the Length field"."""
    total = 8 * units + 8 - 2
    fill = total - pad
    options = b""
    while fill > 250:
        options += bytes([0x1E, 100]) + bytes([7]) * 100
        fill -= 102
    options += bytes([0x1E, fill - 2]) + bytes([7]) * (fill - 2)
    whole = bytes([59, units]) + options + (bytes([1, pad - 2]) + bytes(pad - 2) if pad else b"")
    assert len(whole) == 8 * units + 8
    assert extension_nhc.fits_extension(ipv6.HOP_BY_HOP, whole) is fits


@pytest.mark.parametrize("kind", [ipv6.ROUTING, ipv6.MOBILITY])
@pytest.mark.parametrize("length", [0, 1, 5, 7, 13])
def test_only_options_are_padded(kind: int, length: int) -> None:
    octet = 0xE0 | {ipv6.ROUTING: 1, ipv6.MOBILITY: 4}[kind] << 1
    with pytest.raises(Malformed, match="multiple of 8"):
        extension_nhc.decode_extension(Reader(bytes([octet, 59, length]) + bytes(length)))


def test_a_port_beyond_16_bits_is_a_wrong_request() -> None:
    with pytest.raises(RequestError):
        nhc.PORTS.best((70000, 1))
