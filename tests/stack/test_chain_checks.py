"""What is checked and noted of UDP and extension headers where they are compressed one behind another (RFC 6282)."""

from ipaddress import IPv6Address

import pytest
from stack.test_explained_rest import BROKEN, COAP, ENV, ip, udp
from stack.test_upper_checks import DESTINATION, SOURCE, sent

from lowpanbudget import CoapMessage, CodedOctets, Udp, compress, decode_frame
from lowpanbudget.layers.internet.udp import checksum
from lowpanbudget.stack.frame import decode_lowpan

AT = 9  # octets of the MAC header, then IPHC's 2
PADDED = "e1 06 01 04 00 00 00 00"  # hop-by-hop options of a PadN, another compressed header follows (section 4.2)
FINAL = IPv6Address("fe80::ff:fe00:9")


def behind(
    headers: str, ends: tuple[IPv6Address, IPv6Address], *, off: int = 0, elided: bool = False
) -> bytes:
    """A frame with compressed UDP behind these headers; its checksum is that between these ends, or so far off."""
    data = b"\1\2\3\4"
    length = (8 + len(data)).to_bytes(2, "big")
    right = checksum(*ends, b"\xf0\xb1\xf0\xb2" + length + b"\0\0" + data)
    sum_ = b"" if elided else (right ^ off).to_bytes(2, "big")
    return sent(bytes.fromhex("7e 33" + headers + ("f7 12" if elided else "f3 12")) + sum_ + data)


def noted(octets: bytes) -> list[tuple[str, int]]:
    frame = decode_frame(octets, fcs=True)
    assert frame.fault is None
    return [(notice.name, notice.offset) for notice in frame.notices]


@pytest.mark.parametrize(
    ("headers", "to"),
    [
        (PADDED, DESTINATION),
        # RFC 6554 section 3, one segment left, the last address with 15 octets left out: the checksum is between the
        # ends (RFC 8200 section 8.1), and the route's last address is its final one
        ("e3 0e 03 01 ff 70 00 00 09 00 00 00 00 00 00 00", FINAL),
    ],
)
def test_a_checksum_behind_other_headers_is_judged(headers: str, to: IPv6Address) -> None:
    ends = SOURCE, to
    assert noted(behind(headers, ends)) == []
    octets = len(bytes.fromhex(headers))
    # behind UDP's octet and one of ports
    wrong = [("udp-checksum-wrong", AT + 2 + octets + 2)]
    assert noted(behind(headers, ends, off=1)) == wrong


def test_a_checksum_that_nobody_can_judge_is_left_alone() -> None:
    """A routing header of type 200, which no standard gives addresses, with a segment left; and one with none."""
    left, done = (f"e3 06 c8 0{segments} 00 00 00 00" for segments in (1, 0))
    assert noted(behind(left, (SOURCE, DESTINATION), off=1)) == []
    assert [name for name, _ in noted(behind(done, (SOURCE, DESTINATION), off=1))] == [
        "udp-checksum-wrong"
    ]


def test_a_checksum_of_zero_behind_other_headers_is_wrong() -> None:
    """RFC 8200 section 8.1: "unlike IPv4 ... the UDP checksum is not optional"."""
    frame = bytes.fromhex("7e 33" + PADDED + "f3 12 0000 01020304")
    assert [name for name, _ in noted(sent(frame))] == ["udp-checksum-wrong"]


def test_one_elided_behind_other_headers_is_computed() -> None:
    """RFC 6282 section 4.3.2: "the decompressor MUST compute the UDP Checksum"."""
    frame = decode_frame(behind(PADDED, (SOURCE, DESTINATION), elided=True), fcs=True)
    assert frame.datagram is not None
    segment = frame.datagram.octets[40 + 8 :]
    assert int.from_bytes(segment[6:8], "big") == checksum(SOURCE, DESTINATION, segment)


@pytest.mark.parametrize(
    ("elided", "what"), [(False, "its length cannot"), (True, "its length and checksum cannot")]
)
def test_what_a_part_cannot_have_is_told(*, elided: bool, what: str) -> None:
    """RFC 6282 section 4.3.3; a fragment header with M (RFC 8200 section 4.5)."""
    octets = behind("e5 00 00 01 00 00 00 2a", (SOURCE, DESTINATION), off=1, elided=elided)
    notices = {one.name: one.text for one in decode_frame(octets, fcs=True).notices}
    assert what in notices["udp-of-a-part"]
    assert "udp-checksum-wrong" not in notices


def test_a_header_behind_a_later_part_is_told_alone() -> None:
    """RFC 8200 section 4.5: behind a later fragment's header there are octets of the packet, and no header."""
    octets = behind("e5 00 00 08 00 00 00 2a", (SOURCE, DESTINATION))
    assert [name for name, _ in noted(octets)] == ["header-behind-later-fragment"]
    # with the next header in line nothing is said to be compressed behind it
    plain = sent(bytes.fromhex("7e 33 e4 11 00 00 08 00 00 00 2a 01 02 03 04"))
    assert noted(plain) == []
    # and other headers have no offset
    assert noted(behind(PADDED, (SOURCE, DESTINATION))) == []


def test_any_octets_of_a_part_are_read_alike() -> None:
    octets = sent(bytes.fromhex("7e 33 e4 11 00 00 08 00 00 00 2a 01 02 03 04"))
    (place,) = (one for one in decode_frame(octets, fcs=True).free if one.start > AT)
    assert (place.start, place.end) == (len(octets) - 2 - 4, len(octets) - 2)


@pytest.mark.parametrize(("octet", "told"), [("ee", []), ("ef", [("nhc-unused-bit-set", AT + 2)])])
def test_the_nh_bit_before_an_ipv6_header(octet: str, told: list[tuple[str, int]]) -> None:
    """RFC 6282 section 4.2: EID 7: "the NH bit of the LOWPAN_NHC encoding is unused and MUST be set to zero"."""
    assert noted(sent(bytes.fromhex(f"7e 33 {octet} 7a 33 3b"))) == told


@pytest.mark.parametrize(
    ("header", "at", "is_length"),
    [
        # "Reserved: 8-bit reserved field. Initialized to zero" (RFC 8200 section 4.5); it stands behind EID's octet, or
        # behind that and a next header in line; 6 octets follow it
        ("e5 06 00 00 00 00 00 2a f3 12 {} 01", 3, True),
        ("e5 05 00 00 00 00 00 2a f3 12 {} 01", 3, False),
        ("e4 3b 06 00 00 00 00 00 2a 01", 4, True),
        ("e4 3b 07 00 00 00 00 00 2a 01", 4, False),
    ],
)
def test_a_reserved_octet_is_told_where_it_stands(header: str, at: int, *, is_length: bool) -> None:
    sum_ = checksum(SOURCE, DESTINATION, bytes.fromhex("f0b1 f0b2 0009 0000 01"))
    octets = sent(bytes.fromhex("7e 33" + header.format(f"{sum_:04x}")))
    frame = decode_frame(octets, fcs=True)
    (notice,) = frame.notices
    assert (notice.name, notice.offset) == ("fragment-reserved-not-zero", AT + at)
    assert octets[notice.offset] == int(header.split()[at - 2], 16)
    assert ("looks like a length" in notice.text) is is_length


def test_what_a_compressed_header_has_in_line_is_read_as_what_it_names() -> None:
    """RFC 6282 section 4.2: NH 0, the next header 17 is in line, and UDP stands behind in full."""
    segment = udp(61000, b"\1\2")
    frame = decode_frame(
        sent(bytes.fromhex("7e 33 e0 11 06 01 04 00 00 00 00") + segment), fcs=True
    )
    assert frame.notices == ()
    (found,) = (layer for layer in frame.layers if isinstance(layer, Udp))
    assert found.length == len(segment)
    wrong = sent(bytes.fromhex("7e 33 e0 11 06 01 04 00 00 00 00") + segment[:-1] + b"\7")
    assert [name for name, _ in noted(wrong)] == ["udp-checksum-wrong"]


@pytest.mark.parametrize("data", [b"", b"\1\2"])
def test_a_length_of_udp_in_full_that_is_another_is_told(data: bytes) -> None:
    """RFC 768: it counts header and data, and the checksum covers what it counts (RFC 8200 section 8.1)."""
    head = bytes.fromhex("7e 33 e0 11 06 01 04 00 00 00 00")
    segment = udp(61000, data)
    differs, wrong = "udp-length-differs", "udp-checksum-wrong"
    assert [name for name, _ in noted(sent(head + segment))] == []
    assert [name for name, _ in noted(sent(head + segment + b"\7"))] == [differs]
    ports = bytes([segment[0] ^ 1]) + segment[1:]
    assert sorted(name for name, _ in noted(sent(head + ports + b"\7"))) == [wrong, differs]
    if data:  # not all that it covers is there
        assert [name for name, _ in noted(sent(head + segment[:-1]))] == [differs]


@pytest.mark.parametrize(("data", "is_read"), [(COAP, True), (BROKEN, False)])
def test_a_message_in_byte_code_stands_where_its_code_does(data: bytes, *, is_read: bool) -> None:
    """RFC 7400: octets that the code stands for have no place of their own in the frame."""
    packed = compress(ip(17, udp(5683, data + bytes(24))), ENV, ghc=True)
    frame = decode_lowpan(packed.octets, ENV)
    assert frame.datagram is not None
    places = [(head.start, head.end) for head in frame.heads if isinstance(head.value, CoapMessage)]
    code = min(span.offset_bits // 8 for span in frame.spans if isinstance(span.value, CodedOctets))
    assert places == ([(code, len(packed.octets))] if is_read else [])
    told = [notice.offset for notice in frame.notices if notice.name == "payload-unreadable"]
    assert told == ([] if is_read else [code])
