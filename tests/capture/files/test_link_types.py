"""What link types wrap around frames. Numbers are those of the public registry of link types (from memory).

Second opinion on Ethernet: scapy writes the headers. Reception elements are laid out by hand.
"""

import struct

import pytest
from capture.captures import A_FRAME
from hypothesis import given
from hypothesis import strategies as st

from lowpanbudget import WireError
from lowpanbudget.capture.files.link_types import (
    FRAME,
    IPV6,
    LINK_TYPES,
    LOWPAN,
    OTHER,
    name_of,
    unwrap,
)
from lowpanbudget.capture.files.record import Record
from lowpanbudget.capture.files.tap import decode
from lowpanbudget.errors import Truncated


def of(octets: bytes, link_type: int) -> Record:
    return Record(1, 0, link_type, octets, len(octets))


def element(kind: int, value: bytes) -> bytes:
    return struct.pack("<HH", kind, len(value)) + value + bytes(-len(value) % 4)


def tapped(*elements: bytes, frame: bytes = A_FRAME, version: int = 0) -> bytes:
    body = b"".join(elements)
    return struct.pack("<BBH", version, 0, 4 + len(body)) + body + frame


def test_every_element_by_name() -> None:
    octets = tapped(
        element(0, b"\x01"),
        element(1, struct.pack("<f", -61.5)),
        element(2, struct.pack("<f", 250.0)),
        element(3, struct.pack("<HB", 15, 0)),
        element(4, b"\x07\x01\x02"),
        element(5, struct.pack("<Q", 11)),
        element(6, struct.pack("<Q", 12)),
        element(7, struct.pack("<Q", 0x0102030405)),
        element(8, struct.pack("<Q", 13)),
        element(9, struct.pack("<I", 10_000)),
        element(10, b"\xff"),
        element(11, struct.pack("<f", 2_425_000.0)),
        element(99, b"abc"),
    )
    body = unwrap(of(octets, 283))
    assert body.kind == FRAME
    assert body.octets == A_FRAME
    assert octets[body.start :] == A_FRAME
    assert dict(body.fields) == {
        "fcs_type": 1,
        "fcs_octets": 2,
        "receive_power_dbm": -61.5,
        "bit_rate_kbit_s": 250.0,
        "channel": 15,
        "channel_page": 0,
        "sun_band": 7,
        "sun_type": 1,
        "sun_mode": 2,
        "start_of_frame_ns": 11,
        "end_of_frame_ns": 12,
        "absolute_slot_number": 0x0102030405,
        "start_of_slot_ns": 13,
        "slot_length_us": 10_000,
        "link_quality": 255,
        "centre_frequency_khz": 2_425_000.0,
        "unknown": ((99, b"abc"),),
    }
    assert body.asn == 0x0102030405


@pytest.mark.parametrize(("kind", "octets"), [(0, 0), (1, 2), (2, 4)])
def test_the_kind_of_fcs(kind: int, octets: int) -> None:
    """0 none, 1 of 16 bits, 2 of 32 bits; a value that fills its padding is read as well."""
    for value in (bytes([kind]), bytes([kind, 0, 0, 0])):
        assert unwrap(of(tapped(element(0, value)), 283)).fcs == octets
    assert unwrap(of(tapped(), 283)).fcs is None


def test_values_that_cannot_be_used_are_kept_as_octets() -> None:
    octets = tapped(
        element(0, b"\x07"), element(7, b"\xff" * 8), element(1, struct.pack("<f", float("nan"))),
        element(3, b"\x01"),
    )  # fmt: skip
    fields, _ = decode(octets)
    assert [kind for kind, _ in fields["unknown"]] == [0, 7, 1, 3]
    assert set(fields) == {"unknown"}


@pytest.mark.parametrize(
    ("octets", "offset"),
    [
        (b"", 0), (b"\0\0\4", 0), (tapped(version=1), 0), (b"\0\0\3\0abc", 2), (b"\0\0\xff\0abc", 2),
        (b"\0\0\6\0\1\0", 4), (b"\0\0\x08\0\1\0\4\0", 6),
    ],
)  # fmt: skip
def test_wrong_headers_are_located(octets: bytes, offset: int) -> None:
    with pytest.raises(WireError) as caught:
        decode(octets)
    assert caught.value.offset == offset
    body = unwrap(of(octets, 283))
    assert body.kind == OTHER
    assert body.fault is not None


@given(st.binary(max_size=80))
def test_any_octets_as_reception_elements(octets: bytes) -> None:
    body = unwrap(of(octets, 283))
    if body.fault is not None:
        assert 0 <= body.fault.offset <= len(octets)
        assert body.kind == OTHER
    else:
        assert 4 <= body.start <= len(octets)
        assert octets[body.start :] == body.octets


@pytest.mark.parametrize(
    ("ethertype", "kind"), [(0xA0ED, LOWPAN), (0x809A, FRAME), (0x86DD, IPV6), (0x0800, OTHER)]
)
def test_ethernet(ethertype: int, kind: str) -> None:
    from scapy.layers.l2 import Ether

    inner = struct.pack(">IHBB", 6 << 28, 3, 59, 64) + bytes(32) + b"abc"
    octets = bytes(Ether(dst="00:00:5e:00:53:01", src="00:00:5e:00:53:af", type=ethertype) / inner)
    body = unwrap(of(octets + (bytes(3) if kind == IPV6 else b""), 1))
    assert body.kind == kind
    assert body.octets == inner
    assert body.source == bytes.fromhex("00005e0053af")
    assert body.destination == bytes.fromhex("00005e005301")
    assert (body.fault is not None) == (kind == OTHER)


def test_each_link_type_and_those_that_are_not_read() -> None:
    assert {number: unwrap(of(A_FRAME, number)).fcs for number in (195, 230)} == {195: 2, 230: 0}
    assert unwrap(of(b"\x60" + bytes(39), 229)).kind == IPV6
    assert unwrap(of(b"\x45" + bytes(39), 101)).kind == OTHER
    assert unwrap(of(b"\x01\x02", 1)).kind == OTHER
    # the link-type registry, from memory: 4 octets of preamble that are zero, a delimiter, and the length of the frame
    sent = b"\0\0\0\0\xa7" + bytes([len(A_FRAME)]) + A_FRAME
    body = unwrap(of(sent, 215))
    assert (body.kind, body.octets, body.start, body.fcs) == (FRAME, A_FRAME, 6, 2)
    assert isinstance(unwrap(of(sent[:5], 215)).fault, Truncated)
    unknown = unwrap(of(A_FRAME, 147))
    assert unknown.kind == OTHER
    assert "147" in str(unknown.fault)
    assert name_of(147) == "link type 147"
    assert name_of(195) == LINK_TYPES[195].name
    for short in (b"", b"\x60" + bytes(38)):  # RFC 8200 section 3: the header has 40 octets
        assert isinstance(unwrap(of(short, 229)).fault, Truncated)
