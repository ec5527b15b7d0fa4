"""Information elements from named fields and back, terminations, and requests that cannot be met."""

from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from lowpanbudget import Mac, RequestError, decode_frame, encode_frame
from lowpanbudget.bits import Reader, Writer, tiles
from lowpanbudget.errors import Truncated, WireError
from lowpanbudget.fields import Either
from lowpanbudget.layers.link import elements, header_contents, mlme_contents
from lowpanbudget.layers.link.elements import (
    Element,
    decode_header_ies,
    decode_payload_ies,
    encode_ies,
    header_ie,
    mlme_ie,
    nested_ie,
    payload_ie,
    terminated,
)

TERMINATION_1, TERMINATION_2, PAYLOAD_TERMINATION = Element(0x7E), Element(0x7F), Element(0xF)
TIMES: dict[str, Any] = dict.fromkeys(
    (
        "cca_offset",
        "cca",
        "tx_offset",
        "rx_offset",
        "rx_ack_delay",
        "tx_ack_delay",
        "rx_wait",
        "ack_wait",
        "rx_tx",
        "max_ack",
    ),
    100,
)
LINK = {"timeslot": 1, "channel_offset": 2, "tx": 1, "shared": 1}
EMPTY_SLOTFRAME = {"slotframe_handle": 1, "slotframe_size": 1, "links": []}


@pytest.mark.parametrize(
    ("element", "octets"),
    [
        # octets put together from the layouts at the head of each module, from memory
        (header_ie(0x1E, time_correction=-1), "ff0f"),
        (header_ie(0x1E, time_correction=5, nack=True), "0580"),
        (header_ie(0x1A, csl_phase=1, csl_period=2), "01000200"),
        (header_ie(0x1A, csl_phase=1, csl_period=2, rendezvous_time=3), "010002000300"),
        (header_ie(0x00, oui=bytes.fromhex("123456"), vendor_content=b"\xaa"), "563412aa"),
        (payload_ie(0x5, subtype_id=1, subtype_content=b"\xaa\xbb"), "01aabb"),
        (nested_ie(0x1A, asn=0x0102030405, join_metric=6), "050403020106"),
        (nested_ie(0x1C, timeslot_template_id=0), "00"),
        (
            nested_ie(0x1B, slotframes=[{"slotframe_handle": 1, "slotframe_size": 101, "links": [LINK]}]),
            "0101650001" + "0100020005",
        ),
        (nested_ie(0x9, long=True, hopping_sequence_id=0), "00"),
        (
            nested_ie(
                0x9, long=True, hopping_sequence_id=1, channel_page=0, number_of_channels=2,
                phy_configuration=3, hopping_sequence=[5, 6], current_hop=1,
            ),
            "01000200030000000200050006000100",
        ),
        (nested_ie(0x1E, permit_joining_on=1, link_quality=9), "0309"),
        (nested_ie(0x1E, pib_identifiers=[7, 8]), "100708"),
        (
            nested_ie(0x1C, timeslot_template_id=1, **TIMES, max_tx=4256, timeslot_length=10000),
            "01" + "6400" * 10 + "a0101027",
        ),
        (
            nested_ie(0x1C, timeslot_template_id=1, **TIMES, max_tx=4256, timeslot_length=65536),
            "01" + "6400" * 10 + "a01000000001",
        ),
        (mlme_ie(nested_ie(0x1A, asn=0, join_metric=0), nested_ie(0x9, long=True, hopping_sequence_id=0)),
         "061a000000000000" + "01c800"),
    ],
)  # fmt: skip
def test_named_fields_become_octets(element: Element, octets: str) -> None:
    assert element.content == bytes.fromhex(octets)
    assert element.name


@pytest.mark.parametrize(
    ("make", "says"),
    [
        (lambda: header_ie(0x1E, time_correction=2048), "-2048 to 2047"),
        (lambda: header_ie(0x1E, nack=1), "time_correction"),
        (lambda: header_ie(0x1E, time_correction=1, nak=1), "time_correction"),
        (lambda: header_ie(0x1A, csl_phase=1), "Give csl_phase, csl_period"),
        (lambda: header_ie(0x1A, csl_phase=1, csl_period=65536), "0 to 65535"),
        (lambda: header_ie(0x1A, csl_phase=1, csl_period="2"), "csl_period is str"),
        (lambda: header_ie(0x00, oui=b"\1"), "oui has 1 octets, not 3"),
        (lambda: header_ie(0x29, seconds=1), "no layout"),
        (lambda: payload_ie(0x3, a=1), "no layout"),
        (lambda: nested_ie(0x1A, asn=1 << 40, join_metric=0), "asn is"),
        (lambda: nested_ie(0x1B), "needs slotframes"),
        (lambda: nested_ie(0x1B, slotframes=5), "wrong kind"),
        (lambda: nested_ie(0x1B, slotframes=[{}]), "needs slotframe_handle, slotframe_size, links"),
        (lambda: nested_ie(0x1B, slotframes=[EMPTY_SLOTFRAME] * 256), "0 to 255"),
        (lambda: nested_ie(0x1C, timeslot_template_id=1, max_tx=3), "no such set of fields"),
        (lambda: nested_ie(0x9, long=True, hopping_sequence_id=1, channel_page=0), "number_of_channels"),
        (lambda: nested_ie(0x1E, pib_identifiers=[1, 2, 3, 4]), "does not fit 2 bits"),
        (lambda: mlme_ie(Element(0x1A, bytes(256))), "over 255"),
        (lambda: mlme_ie(Element(0x100, b"")), "does not fit 7 bits"),
    ],
)  # fmt: skip
def test_fields_that_do_not_fit(make: Any, says: str) -> None:
    with pytest.raises(RequestError, match=says):
        make()


@pytest.mark.parametrize(
    ("element", "payload"),
    [
        (Element(0x1A, bytes(128)), False),
        (Element(0x100), False),
        (Element(5, bytes(2048)), True),
        (Element(16), True),
        (Element(-1), True),
    ],
)
def test_elements_that_no_head_holds(element: Element, *, payload: bool) -> None:
    with pytest.raises(RequestError):
        encode_ies(Writer(), (element,), payload=payload)


@pytest.mark.parametrize(
    ("octets", "correction", "nack"),
    [
        ("ff07", 2047, 0),
        ("0008", -2048, 0),
        ("ff0f", -1, 0),
        ("0188", -2047, 1),
        ("0080", 0, 1),
    ],
)
def test_a_time_correction_is_signed(octets: str, correction: int, nack: int) -> None:
    """12 bits in two's complement, the lower ones of a little-endian word (clause 7.4.2.7, from memory)."""
    reader = Reader(bytes.fromhex(octets))
    layout = header_contents.HEADER_IES.content_of(0x1E)
    assert isinstance(layout, Either)
    fields = layout.read(reader)
    assert (fields["time_correction"], fields["nack"]) == (correction, nack)
    assert reader.spans[0].value == correction
    assert f"came {correction:+d} µs" in reader.spans[0].meaning
    assert reader.spans[-1].meaning == (
        "frame received but not accepted" if nack else "frame accepted"
    )


@pytest.mark.parametrize(
    ("options", "says"),
    [
        (0x00, ["no transmit link", "no receive link", "one transmitter", "no time source"]),
        (0x0F, ["transmit link", "receive link", "shared by contending transmitters",
                "the peer keeps the time"]),
    ],
)  # fmt: skip
def test_link_options_in_words(options: int, says: list[str]) -> None:
    """TX, RX, shared, timekeeping, from the least significant bit on (clause 7.4.4.3, from memory)."""
    octets = bytes.fromhex("01 01 6500 01 0100 0200") + bytes([options])
    reader = Reader(octets)
    layout = mlme_contents.SHORT.content_of(0x1B)
    assert isinstance(layout, Either)
    layout.read(reader)
    meanings = [span.meaning for span in reader.spans if span.offset_bits >= 8 * 9]
    assert meanings[:4] == says


# --- terminations -----------------------------------------------------------------------------

CSL = header_ie(0x1A, csl_phase=1, csl_period=2)
IETF = payload_ie(0x5, subtype_id=1)


@pytest.mark.parametrize(
    ("header", "payload_ies", "payload", "expected"),
    [
        # IEEE 802.15.4-2015 table 7-6 (from memory), one row after the other: IEs, payload -> terminations
        ((CSL,), (), False, ((CSL,), ())),
        ((CSL,), (), True, ((CSL, TERMINATION_2), ())),
        ((CSL,), (IETF,), False, ((CSL, TERMINATION_1), (IETF,))),
        ((CSL,), (IETF,), True, ((CSL, TERMINATION_1), (IETF, PAYLOAD_TERMINATION))),
        ((), (IETF,), False, ((TERMINATION_1,), (IETF,))),
        ((), (IETF,), True, ((TERMINATION_1,), (IETF, PAYLOAD_TERMINATION))),
        ((), (), False, ((), ())),
        ((), (), True, ((TERMINATION_2,), ())),
        # given ones stay
        ((CSL, TERMINATION_2), (), False, ((CSL, TERMINATION_2), ())),
        ((CSL, TERMINATION_1), (), True, ((CSL, TERMINATION_1), (PAYLOAD_TERMINATION,))),
        ((TERMINATION_1,), (IETF, PAYLOAD_TERMINATION), True, ((TERMINATION_1,), (IETF, PAYLOAD_TERMINATION))),
    ],
)  # fmt: skip
def test_terminations_are_added_where_a_receiver_needs_them(
    header: tuple[Element, ...],
    payload_ies: tuple[Element, ...],
    expected: Any,
    *,
    payload: bool,
) -> None:
    assert terminated(header, payload_ies, payload=payload) == expected
    mac = Mac(1, 2, 7, header_ies=header, payload_ies=payload_ies, ie_present=True)
    octets = encode_frame(mac, b"\x3f" if payload else b"").octets
    frame = decode_frame(octets)
    assert frame.fault is None
    assert frame.mac is not None
    assert (frame.mac.header_ies, frame.mac.payload_ies) == expected
    assert frame.payload == (b"\x3f" if payload else b"")
    assert encode_frame(frame.mac, frame.payload).octets == octets


@pytest.mark.parametrize(
    ("header", "payload_ies"),
    [
        ((TERMINATION_2,), (IETF,)),
        ((TERMINATION_1, CSL), ()),
        ((CSL,), (PAYLOAD_TERMINATION, IETF)),
    ],
)
def test_terminations_that_contradict(
    header: tuple[Element, ...], payload_ies: tuple[Element, ...]
) -> None:
    with pytest.raises(RequestError, match="termination"):
        encode_frame(Mac(1, 2, 7, header_ies=header, payload_ies=payload_ies), b"\x3f")


# --- properties -------------------------------------------------------------------------------

LAYOUTS: list[Either] = [
    known
    for table in (
        header_contents.HEADER_IES,
        elements.PAYLOAD_IES,
        mlme_contents.SHORT,
        mlme_contents.LONG,
    )
    for known in table.entries.values()
    if isinstance(known, Either)
]


@settings(max_examples=300)
@given(st.sampled_from(LAYOUTS), st.binary(max_size=40))
def test_a_content_that_can_be_read_is_written_the_same(layout: Either, octets: bytes) -> None:
    reader = Reader(octets)
    try:
        fields = layout.read(reader)
    except WireError as fault:
        event = fault
        assert 0 <= event.offset <= len(octets)  # any octets may be read here
        return
    assert reader.left == 0
    assert tiles(reader.spans, len(octets) * 8)
    written = layout.write(fields)
    if layout.name == "TSCH timeslot IE" and len(octets) == 27:
        # 3 octets where 2 would do are read, never written
        assert layout.read(Reader(written)) == fields
        return
    assert written == octets


def test_elements_before_a_fault_are_kept() -> None:
    """IEEE 802.15.4-2015 clause 7.4.2.1 (from memory): length in bits 0 to 6, id in bits 7 to 14: 02 0f is id 0x1e,
    2 octets. What follows is IPHC without a termination before it, and reads as an element of 0x7a octets."""
    frame = decode_frame(bytes.fromhex("41aa01 b751 ffff 0100 020f 0100 7a333b"), fcs=0)
    assert isinstance(frame.fault, Truncated)
    assert frame.mac is not None
    assert [(one.id, one.content) for one in frame.mac.header_ies] == [(0x1E, b"\x01\x00")]
    assert frame.datagram is None


names = st.sampled_from(["header", "payload"])


@settings(max_examples=300)
@given(names, st.binary(max_size=60))
def test_any_octets_walk_or_fault(kind: str, octets: bytes) -> None:
    reader = Reader(octets)
    try:
        found = decode_header_ies(reader)[0] if kind == "header" else decode_payload_ies(reader)
    except WireError as fault:
        assert 0 <= fault.offset <= len(octets)  # noqa: PT017  # any octets may be read here
        return
    assert tiles(reader.spans, reader.pos * 8)
    writer = Writer()
    encode_ies(writer, found, payload=kind == "payload")
    assert bytes(writer.data) == octets[: reader.pos]
    assert writer.spans == reader.spans


def test_counts_cannot_take_more_than_the_octets_hold() -> None:
    """255 slotframes of 255 links, or 65535 channels, are announced by a few octets: bounded by what is there."""
    for octets in (b"\xff" * 1200, b"\x01\x00\x10\x00" + bytes(4) + b"\xff\xff" + bytes(1200)):
        for layout in (mlme_contents.SHORT.content_of(0x1B), mlme_contents.LONG.content_of(0x9)):
            assert isinstance(layout, Either)
            reader = Reader(octets)
            with pytest.raises(WireError):
                layout.read(reader)
            assert len(reader.spans) <= 8 * len(octets)
