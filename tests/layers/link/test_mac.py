"""MAC headers: every frame control word, a second statement of the layout in ``construct``, scapy as second opinion."""

import struct
from collections import Counter
from dataclasses import replace
from itertools import product
from typing import Any

import construct as c
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from lowpanbudget import Beacon, Mac, Security, decode_frame, encode_frame
from lowpanbudget.bits import Reader, Writer, tiles
from lowpanbudget.errors import NotSupported, RequestError, Reserved, WireError
from lowpanbudget.layers.link import mac
from lowpanbudget.layers.link.addressing import addressing
from lowpanbudget.layers.link.control import CONTROL, CONTROL_2015, shape

BEHIND = bytes(
    range(0x11, 0x11 + 40)
)  # no octet with its highest bit, so no reserved bit in a security control
SHORT, EXTENDED = bytes.fromhex("0a0b"), bytes.fromhex("0011223344556677")

# --- the second statement ---------------------------------------------------------------------

FIELDS = c.ByteSwapped(
    c.BitStruct(
        "source" / c.BitsInteger(2),
        "version" / c.BitsInteger(2),
        "destination" / c.BitsInteger(2),
        "ie" / c.Flag,
        "suppressed" / c.Flag,
        c.Padding(1),
        "compression" / c.Flag,
        "ack_request" / c.Flag,
        "pending" / c.Flag,
        "security" / c.Flag,
        "type" / c.BitsInteger(3),
    )
)
AUXILIARY = c.Struct(
    "control"
    / c.BitStruct(
        c.Padding(1),
        "asn_in_nonce" / c.Flag,
        "suppressed" / c.Flag,
        "mode" / c.BitsInteger(2),
        "level" / c.BitsInteger(3),
    ),
    "counter" / c.If(c.this.control.suppressed == 0, c.Int32ul),
    "source" / c.Switch(c.this.control.mode, {2: c.Bytes(4), 3: c.Bytes(8)}),
    "index" / c.If(c.this.control.mode > 0, c.Byte),
    "end" / c.Tell,
)
ADDRESS = {0: c.Pass, 2: c.Bytes(2), 3: c.Bytes(8)}


def destination_pan(this: Any) -> bool:
    """Return whether the destination PAN ID is there: the two rules in words, not the tables."""
    f = this.fields
    if f.version < 2:
        return bool(f.destination)
    if f.destination and f.source and not (f.destination == f.source == 3):
        return True
    return bool(f.compression) == (not f.destination and not f.source) and bool(
        f.destination or not f.source
    )


def source_pan(this: Any) -> bool:
    """Return whether the source PAN ID is there."""
    f = this.fields
    if not f.source:
        return False
    if f.version < 2:
        return not (f.compression and f.destination)
    return not f.compression and not (f.destination == f.source == 3)


MHR = c.Struct(
    "fields" / FIELDS,
    "sequence"
    / c.If(lambda this: not (this.fields.version == 2 and this.fields.suppressed), c.Byte),
    "destination_pan" / c.If(destination_pan, c.Int16ul),
    "destination" / c.Switch(c.this.fields.destination, ADDRESS),
    "source_pan" / c.If(source_pan, c.Int16ul),
    "source" / c.Switch(c.this.fields.source, ADDRESS),
    "auxiliary" / c.If(c.this.fields.security, AUXILIARY),
    "end" / c.Tell,
)


def readable_words() -> list[int]:
    """Return frame control words without reserved values, pending and acknowledgement bits left out."""
    return [
        kind | secured << 3 | compression << 6 | suppressed << 8 | destination << 10 | version << 12 | source << 14
        for kind, secured, compression, suppressed, destination, version, source in product(
            range(4), range(2), range(2), range(2), (0, 2, 3), range(3), (0, 2, 3)
        )
        if not (secured and version == 0) and not (suppressed and version < 2)
    ]  # fmt: skip


def reversed_or_none(octets: bytes | None) -> bytes | None:
    return None if octets is None else octets[::-1]


@pytest.mark.parametrize("first", [0x11, 0x20, 0x6F])
def test_construct_reads_the_same_header(first: int) -> None:
    for word in readable_words():
        # the octet behind the addresses, if any, varies with ``first``: levels, modes and counter forms
        octets = struct.pack("<H", word) + bytes(range(first, first + 56))
        other = MHR.parse(octets)
        header = mac.decode(Reader(octets))
        assert header.header_length == other.end, hex(word)
        assert header.sequence == other.sequence
        assert header.destination_pan == other.destination_pan
        assert header.source_pan == other.source_pan
        assert header.destination == reversed_or_none(other.destination)
        assert header.source == reversed_or_none(other.source)
        assert (header.security is None) == (other.auxiliary is None)
        if header.security is not None:
            read, said = header.security, other.auxiliary
            assert (read.level, read.key_id_mode) == (said.control.level, said.control.mode)
            assert read.asn_in_nonce == said.control.asn_in_nonce
            assert read.frame_counter == said.counter
            assert read.key_source == reversed_or_none(said.source)
            assert read.key_index == said.index


# --- every word -------------------------------------------------------------------------------


def attempt(reader: Reader) -> Mac | WireError:
    """Return what reading a header ends in; any other exception fails the test."""
    try:
        header = mac.decode(reader)
    except WireError as fault:
        return fault
    return header.fault or header


@pytest.mark.long
def test_every_frame_control_word() -> None:
    """All 65536: a header or a located fault, spans that tile, and the same octets again, reserved bits and all."""
    outcomes: Counter[str] = Counter()
    for word in range(1 << 16):
        octets = struct.pack("<H", word) + BEHIND
        reader = Reader(octets)
        header = attempt(reader)
        outcomes[type(header).__name__] += 1
        if isinstance(header, WireError):
            assert 0 <= header.offset <= len(octets)
            assert header.layer
            assert header.cite is not None
            continue
        assert tiles(reader.spans, reader.pos * 8)
        assert header.header_length == reader.pos
        writer = Writer("MAC")
        mac.encode(writer, header)
        assert tiles(writer.spans, len(writer.data) * 8)
        assert bytes(writer.data) == octets[: reader.pos], hex(word)
    # types 6 and 7 are an eighth of all words each; type 4, and version 3 of types 0 to 3, are reserved at least
    assert outcomes[NotSupported.__name__] >= 2 * 8192
    assert outcomes[Reserved.__name__] >= 8192 + 4 * 2048
    assert outcomes["Mac"] > 10_000


def test_headers_with_information_elements() -> None:
    """Every readable version-2 word, IE present set, the second termination behind the header."""
    for word in (
        word | 1 << 9 for word in readable_words() if word >> 12 & 3 == 2 and not word & 8
    ):
        octets = struct.pack("<H", word) + BEHIND
        end = MHR.parse(octets).end
        octets = octets[:end] + b"\x80\x3f" + b"behind"
        reader = Reader(octets)
        header = mac.decode(reader)
        assert header.header_length == end + 2
        assert [element.id for element in header.header_ies] == [0x7F]
        writer = Writer("MAC")
        mac.encode(writer, header)
        assert bytes(writer.data) == octets[: end + 2]
        assert writer.spans == reader.spans


# --- scapy, versions 0 and 1 ------------------------------------------------------------------

addresses = st.binary(min_size=2, max_size=2) | st.binary(min_size=8, max_size=8)
pan_ids = st.integers(0, 0xFFFF)


@settings(max_examples=60)  # scapy takes its time to load
@given(
    st.integers(0, 1),
    st.integers(0, 255),
    pan_ids,
    addresses,
    pan_ids,
    addresses,
    st.booleans(),
    st.booleans(),
    st.booleans(),
    # not a LoWPAN frame, so that scapy leaves it as it is
    st.binary(max_size=20).map(lambda octets: b"\x00" + octets),
)
def test_scapy_reads_the_same_data_frame(
    version: int,
    sequence: int,
    to_pan: int,
    destination: bytes,
    from_pan: int,
    source: bytes,
    one_pan: bool,
    pending: bool,
    ack: bool,
    payload: bytes,
) -> None:
    """A version-0 or version-1 data frame with both addresses, through scapy's Dot15d4 and its FCS."""
    from scapy.config import conf
    from scapy.layers.dot15d4 import Dot15d4Data, Dot15d4FCS

    conf.dot15d4_protocol = "sixlowpan"  # type: ignore[assignment]  # scapy declares None
    header = Mac(
        1, version, sequence, to_pan, destination, None if one_pan else from_pan, source,
        pan_id_compression=one_pan, pending=pending, ack_request=ack,
    )  # fmt: skip
    octets = encode_frame(header, payload).octets
    other = Dot15d4FCS(octets)
    assert bytes(other) == octets
    assert other.fcs == int.from_bytes(octets[-2:], "little")
    del other.fcs
    assert bytes(other) == octets
    assert (other.fcf_frametype, other.fcf_framever, other.seqnum) == (1, version, sequence)
    assert (bool(other.fcf_pending), bool(other.fcf_ackreq)) == (pending, ack)
    data = other[Dot15d4Data]
    assert data.dest_panid == to_pan
    assert data.dest_addr == int.from_bytes(destination, "big")
    assert data.src_addr == int.from_bytes(source, "big")
    if not one_pan:
        assert data.src_panid == from_pan


# --- requests ---------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("header", "says"),
    [
        (Mac(sequence=None), "has a sequence number"),
        (Mac(sequence=256), "does not fit 8 bits"),
        (Mac(sequence="7"), "does not fit 8 bits"),  # type: ignore[arg-type]
        (Mac(version="2"), "cannot be written"),  # type: ignore[arg-type]
        (Mac(frame_type="data"), "cannot be written"),  # type: ignore[arg-type]
        (Mac(security=5), "is a Security"),  # type: ignore[arg-type]
        (Mac(destination="0001", destination_pan=1), "is no octets"),  # type: ignore[arg-type]
        (Mac(destination=SHORT, destination_pan="x"), "does not fit 16 bits"),  # type: ignore[arg-type]
        (Mac(version=3), "cannot be written"),
        (Mac(frame_type=6), "cannot be written"),
        (Mac(destination=b"\1\2\3"), "3 octets, not 2 or 8"),
        (Mac(destination=SHORT), "destination PAN ID"),
        (Mac(destination=SHORT, destination_pan=65536), "does not fit 16 bits"),
        (Mac(destination=SHORT, destination_pan=-1), "does not fit 16 bits"),
        (Mac(destination=SHORT, destination_pan=1, source_pan=2), "would be lost"),
        (Mac(source=SHORT, source_pan=1, destination_pan=2), "would be lost"),
        (Mac(version=0, security=Security(5)), "no auxiliary header"),
        (Mac(ie_present=True), "no information elements"),
        (Mac(long_control=True), "only multipurpose"),
        (Mac(frame_type=5), "version 0"),
        (Mac(frame_type=5, version=0, source=SHORT, source_pan=1), "would be lost"),
        (Mac(security=Security(8)), "level 8"),
        (Mac(security=Security(5, 4)), "key id mode 4"),
        (Mac(security=Security(5, 0, 1 << 32)), "does not fit 32 bits"),
        (Mac(security=Security(5, 1, 0, None, 256)), "does not fit 8 bits"),
        (Mac(security=Security(5, 1)), "key id mode 1"),
        (Mac(security=Security(5, 2, 0, b"12345678", 1)), "key id mode 2"),
    ],
)
def test_header_that_cannot_be_written(header: Mac, says: str) -> None:
    with pytest.raises(RequestError, match=says):
        mac.encode(Writer("MAC"), header)


def test_a_source_pan_id_that_compression_stands_for_may_be_given() -> None:
    header = Mac(1, 1, 7, 0xABCD, SHORT, 0xABCD, EXTENDED, pan_id_compression=True)
    writer = Writer("MAC")
    mac.encode(writer, header)
    read = mac.decode(Reader(bytes(writer.data)))
    assert read == replace(header, source_pan=None)
    assert read.pan_id == 0xABCD


def test_acknowledgement_is_the_shortest_frame() -> None:
    """5 octets: frame control, sequence number and FCS (IEEE 802.15.4-2006 figure 54, from memory)."""
    octets = encode_frame(Mac(frame_type=2, version=0, sequence=9), b"").octets
    assert len(octets) == 5
    frame = decode_frame(octets)
    assert frame.fault is None
    assert frame.mac is not None
    assert (frame.mac.frame_type, frame.mac.sequence) == (2, 9)


@pytest.mark.parametrize(
    ("fact", "octets"),
    [
        ({}, "05 01"),
        ({"destination_pan": 0x1234}, "0d 01 01 34 12"),
        ({"sequence": None}, "0d 04"),
        ({"pending": True}, "0d 08 01"),
        ({"ack_request": True}, "0d 40 01"),
        ({"ie_present": True}, "0d 80 01"),
        ({"destination": SHORT}, "25 01 0b 0a"),
        ({"source": SHORT}, "85 01 0b 0a"),
    ],
    ids=str,
)  # fmt: skip
def test_each_fact_that_the_short_multipurpose_form_cannot_say_asks_for_the_long_one(
    fact: dict[str, Any], octets: str
) -> None:
    """IEEE 802.15.4-2015 clause 7.3.5, from memory: type in bits 0-2, long form 3, destination mode 4-5, source 6-7;
    the second octet PAN ID present 0, security 1, sequence suppression 2, pending 3, version 4-5, ack request 6, IE 7.
    """
    header = Mac(**({"frame_type": 5, "version": 0, "sequence": 1} | fact))
    writer = Writer("MAC")
    mac.encode(writer, header)
    assert bytes(writer.data) == bytes.fromhex(octets)


def test_addressing_rows_count_their_octets() -> None:
    """RFC 4944 section 4: 25 octets of frame overhead at most, 23 + FCS 2 of them in the header."""
    assert 2 + 1 + addressing(1, 3, 3, 0).layout.least + 2 == 25


@pytest.mark.parametrize("version", range(4))
def test_versions_are_called_by_their_edition(version: int) -> None:
    """IEEE 802.15.4-2015 clause 7.2.1.9 (from memory): 0 is the edition of 2003, 1 that of 2006, 2 that of 2015."""
    word = 0x8841 | version << 12
    spans = (CONTROL_2015 if version == 2 else CONTROL).explain(word)[1]
    says = ("IEEE 802.15.4-2003", "IEEE 802.15.4-2006", "IEEE 802.15.4-2015 and later", "reserved")
    assert (12, says[version]) in [(span.offset_bits, span.meaning) for span in spans]
    form = shape(word & 0xFF, word >> 8)
    assert (form.fault is None) == (version < 3)
    assert form.spans_at(0) == (spans if version < 3 else ())
    assert [(span.offset_bits - 24, span[1:]) for span in form.spans_at(3)] == [
        (span.offset_bits, span[1:]) for span in form.spans_at(0)
    ]


def test_a_beacon_of_version_2_shows_no_superframe() -> None:
    """IEEE 802.15.4-2015 clause 7.3.1, from memory: an enhanced beacon has no superframe specification."""
    octets = "40eb1a2bffffab785634feff1202003f1a88061a393000000001011c000a1b0100650001000000000f01c80000f8"
    beacon = decode_frame(bytes.fromhex(octets), fcs=False).packet.find(Beacon)
    assert repr(beacon) == "Beacon(payload=b'')"
    assert repr(Beacon(15)) == "Beacon(beacon_order=15, superframe_order=15, final_cap_slot=15)"
