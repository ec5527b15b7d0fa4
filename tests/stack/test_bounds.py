"""Where a rule of reading begins and ends: one case on each side."""

from ipaddress import IPv6Address

import pytest

from lowpanbudget import Env, Mac, RequestError, decode_frame, encode_frame
from lowpanbudget.errors import Malformed
from lowpanbudget.layers.internet import ipv6, udp
from lowpanbudget.layers.internet.chain import PseudoHeader
from lowpanbudget.layers.lowpan.fragment import SizeTooSmall
from lowpanbudget.layers.lowpan.lorh import Rpi
from lowpanbudget.stack.frame import decode_lowpan
from lowpanbudget.stack.identifiers import explains_checksum, note_carried
from lowpanbudget.stack.outgoing import Outgoing
from lowpanbudget.stack.recoverable import recoverable
from lowpanbudget.stack.upper import WrongChecksum

A, B, PAN = b"\x00\x01", b"\x00\x02", 0xABCD


def carrying(payload: str) -> bytes:
    mac = Mac(destination_pan=PAN, destination=B, source=A, pan_id_compression=True)
    return encode_frame(mac, bytes.fromhex(payload)).octets


def test_a_udp_header_of_a_part_is_noted() -> None:
    """RFC 6282 section 4.3.3: the length is that of the datagram, which one part of a packet does not tell.

    IPHC with all elided, fragment header (E5: EID 2, NH) with offset 0 and M, then UDP (F0: all in line).
    """
    fragment = "7e 33 e5 00 00 0{} 00 00 00 2a f0 f0 b1 f0 b2 12 34 01 02 03 04 05 06 07 08"
    header = 9  # of the MAC: control 2, sequence 1, PAN 2, addresses 2 and 2
    noted = decode_frame(carrying(fragment.format(1)))
    assert [n.offset for n in noted.notices if n.name == "udp-of-a-part"] == [header + 10]
    whole = decode_frame(carrying(fragment.format(0)))  # M is clear: the packet is in one part
    assert not [n for n in whole.notices if n.name == "udp-of-a-part"]


def test_a_fragment_within_a_fragment_is_refused() -> None:
    """RFC 4944 section 5 has one fragment header at most, and RFC 8931 section 5 puts its own in the same place."""
    for inner in ("c0 08 00 07", "e8 01 04 10 00 30"):
        frame = decode_frame(carrying("c0 30 00 07" + inner + "41" + "00" * 40))
        assert isinstance(frame.fault, Malformed), inner
        assert frame.fault.offset == 9 + 4


def test_nothing_was_opened_where_nothing_went_encrypted() -> None:
    for octets in (b"", b"\x41", carrying("41" + "60" + "00" * 39)):
        assert decode_frame(octets).opened == (0, 0)


def test_a_size_below_what_a_first_fragment_brings_is_told_in_octets() -> None:
    """RFC 4944 section 5.3: datagram_size is "the size of the entire IP packet before link-layer fragmentation"."""
    held = decode_frame(carrying("c0 29 00 07 41 60" + "00" * 41))
    assert held.fault is not None
    assert held.fault.about == SizeTooSmall(octets=42, size=41)
    # IPHC with all elided, UDP with all ports in line: 48 octets of headers, and 2 behind them
    expanded = decode_frame(carrying("c0 31 00 07 7e 33 f0 f0 b1 f0 b2 12 34 01 02"))
    assert expanded.fault is not None
    assert expanded.fault.about == SizeTooSmall(octets=50, size=49)


def test_any_octets_of_a_later_fragment_are_read_alike() -> None:
    """RFC 4944 figure 5: 5 octets of header, behind 9 of the MAC; all that follow are free."""
    octets = carrying("e0 30 00 07 05" + "0102030405060708")
    frame = decode_frame(octets)
    assert frame.fragment_octets == octets[14:-2]
    assert (14, len(octets) - 2) in [(place.start, place.end) for place in frame.free]


def test_a_checksum_left_out_without_a_check_is_a_matter_of_the_frame() -> None:
    """RFC 6282 section 4.3.2: the packet is to be dropped; what was left out, C in UDP's octet tells."""
    frame = decode_frame(carrying("7e 33 f4 f0 b1 f0 b2 01 02"))
    at = {notice.name: notice.offset for notice in frame.notices}
    assert (at["udp-checksum-elided"], at["elided-without-check"]) == (11, 0)


@pytest.mark.parametrize(("compressed", "header"), [("7e 33 f7 12", 8), ("7a 33 3b", 0)])
def test_no_longer_datagram_than_its_header_counts(compressed: str, header: int) -> None:
    """RFC 8200 section 3, RFC 768: both lengths have 16 bits. No link carries so much, but a capture file may."""
    for octets in (0xFFFE - header, 0xFFFF - header, 0x10000 - header):
        frame = decode_lowpan(bytes.fromhex(compressed) + bytes(octets), Env(A, B))
        if header + octets > 0xFFFF:
            assert isinstance(frame.fault, Malformed)
            assert frame.datagram is None
        else:
            assert frame.datagram is not None
            assert frame.datagram.octets[4:6] == (header + octets).to_bytes(2, "big")


def test_a_tag_of_recoverable_fragments_has_8_bits() -> None:
    """RFC 8931 section 5.1: Datagram_Tag is an 8-bit field."""
    datagram = bytes(
        ipv6.Ipv6(0, 0, 200, 59, 64, IPv6Address("fe80::1"), IPv6Address("fe80::2"))
    ) + bytes(200)
    sent = Outgoing.read(datagram)
    assert recoverable(sent, Env(A, B), room=80, tag=255)[0].data[1] == 255
    for tag in (256, -1):
        with pytest.raises(RequestError, match="8-bit"):
            recoverable(sent, Env(A, B), room=80, tag=tag)


@pytest.mark.parametrize(
    ("link", "made_of", "sent_over", "side"),
    [
        # RFC 4944 section 6: PAN ID with its universal bit zero, 00ff:fe00, short address; RFC 6282 section 3.2.2 has
        # zeros for the PAN ID
        (A, "2001:db8::ff:fe00:1", "2001:db8::a9cd:ff:fe00:1", "source"),
        # an identifier that no short address made: the older rule says nothing of it
        (A, "2001:db8::77", "2001:db8::a9cd:ff:fe00:1", ""),
        # one that an EUI-64 made: both rules make the same (its universal bit inverted)
        (bytes.fromhex("02005eef10000001"), "2001:db8::5eef:1000:1", "2001:db8::a9cd:ff:fe00:1", ""),
    ],
)  # fmt: skip
def test_whose_identifier_explains_a_checksum(
    link: bytes, made_of: str, sent_over: str, side: str
) -> None:
    there = IPv6Address("2001:db8::2:2:2:2")
    blank = bytes(udp.Udp(61000, 61001, 12, 0)) + b"data"
    sent = udp.checksum(IPv6Address(sent_over), there, blank)
    segment = bytes(udp.Udp(61000, 61001, 12, sent)) + b"data"
    ends = PseudoHeader(IPv6Address(made_of), there)
    right = udp.checksum(*ends[:2], blank)
    wrong = WrongChecksum(ipv6.UDP, sent, right, ends, segment)
    assert explains_checksum(wrong, Env(link, B, PAN)) == side


@pytest.mark.parametrize(
    ("source", "destination", "links", "sides"),
    [
        # RFC 4944 section 6: PAN ID abcd with its universal bit zero, 00ff:fe00, short address 1 or 2
        ("fe80::a9cd:ff:fe00:1", "fe80::2", (A, B), ["source"]),
        ("fe80::1", "fe80::a9cd:ff:fe00:2", (A, B), ["destination"]),
        ("fe80::a9cd:ff:fe00:1", "fe80::a9cd:ff:fe00:2", (A, B), ["source and destination"]),
        ("fe80::a9cd:ff:fe00:1", "fe80::2", (A, bytes(8)), ["source"]),
        ("fe80::1", "fe80::a9cd:ff:fe00:2", (bytes(8), B), ["destination"]),
        ("fe80::a9cd:ff:fe00:1", "fe80::a9cd:ff:fe00:2", (bytes(8), bytes(8)), []),
        ("fe80::1", "fe80::2", (A, B), []),
    ],
)
def test_whose_identifier_is_an_older_one(
    source: str, destination: str, links: tuple[bytes, bytes], sides: list[str]
) -> None:
    header = ipv6.Ipv6(0, 0, 0, 59, 64, IPv6Address(source), IPv6Address(destination))
    notices = note_carried(header, Env(*links, PAN), 5)
    assert [one.text for one in notices] == [
        f"the {side} has an identifier of RFC 4944, with the PAN ID" for side in sides
    ]
    assert [one.offset for one in notices] == [5] * len(sides)
    assert note_carried(header, Env(*links), 5) == []


def test_routing_headers_in_short_form_stand_for_their_own_octets() -> None:
    """RFC 8138 section 6: RPI-6LoRH of 3 octets behind the page switch; IPHC and a next header follow.

    It stands for a hop-by-hop header, "a total of 8 octets", which the IPv6 header then names as its next one (0, RFC
    8200 section 4.3), whatever IPHC has in line for what stands behind.
    """
    frame = decode_frame(carrying("f1 83 05 02 7a 33 3b"))
    (found,) = [header for header in frame.restored if isinstance(header.value, Rpi)]
    assert [(span.offset_bits, span.bits) for span in found.spans] == [(8 * 10, 8 * 3)]
    assert (found.name, found.widths) == ("hop-by-hop options", (8 * 8,))
    (ip,) = [header for header in frame.restored if header.name == "IPv6"]
    told = {span.name: span for span in ip.spans}["next header"]
    assert (told.value, told.bits, told.source) == (0, 0, "the RPI-6LoRH")
    assert str(told.cite) == "RFC 8138 §6.3"


def test_a_next_header_is_restored_by_what_belongs_to_its_own_ipv6_header() -> None:
    """RFC 8138 figure 19: behind an IP-in-IP-6LoRH the RPL information is of the outer header, and NHC of the inner."""
    frame = decode_frame(
        carrying("f1 93 05 02 a1 06 40 7e 33 f0 f0b1 f0b2 1234 01 02"), root="2001:db8::1"
    )
    assert frame.fault is None
    names = [header.name for header in frame.restored]
    assert names == ["hop-by-hop options", "IP-in-IP-6LoRH", "IPv6", "UDP"]
    told = {span.name: span for span in frame.restored[2].spans}["next header"]
    assert (told.value, str(told.cite)) == (17, "RFC 6282 §3.1.1")


@pytest.mark.parametrize(
    ("ports", "octets"),
    [("f0 f0b1 f0b2", 4), ("f1 f012 b2", 3), ("f2 b1 f0b2", 3), ("f3 12", 1)],
)
def test_where_a_restored_checksum_comes_from(ports: str, octets: int) -> None:
    """RFC 6282 section 4.3.3: it stands behind the ports, of 4, 3, 3 or 1 octets; 9 of the MAC and IPHC before."""
    frame = decode_frame(carrying(f"7e 33 {ports} 1234 01 02"))
    (header,) = [one for one in frame.restored if one.name == "UDP"]
    found = {span.name: (span.offset_bits, span.bits) for span in header.spans}
    assert found["checksum"] == (8 * (9 + 2 + 1 + octets), 16)
    assert found["source port"][0] == 8 * (9 + 2 + 1)


@pytest.mark.parametrize(
    ("payload", "name", "first", "octets"),
    [
        # RFC 6282 section 4.2: NHC octet and, but for a fragment header, a length octet stand before what is restored;
        # the next header of a chain that goes on compressed is in neither
        ("7e 33 e5 00 00 00 00 00 00 2a f0 f0 b1 f0 b2 12 34 01 02", "fragment", 3, 7),
        ("7e 33 e1 06 01 04 00 00 00 00 f0 f0 b1 f0 b2 12 34 01 02", "hop-by-hop options", 4, 6),
    ],
)
def test_where_a_restored_extension_header_comes_from(
    payload: str, name: str, first: int, octets: int
) -> None:
    frame = decode_frame(carrying(payload))
    assert frame.fault is None
    (found,) = [header for header in frame.restored if name in header.name.lower()]
    assert [(s.offset_bits, s.bits) for s in found.spans] == [(8 * (9 + first), 8 * octets)]


@pytest.mark.parametrize(
    ("payload", "at"),
    [
        # behind a MAC header of 9 octets IPHC's 2, UDP's octet, the ports (RFC 6282 section 4.3.3)
        ("7e 33 f3 12 de ad 01 02", 13),
        ("7e 33 f0 f0 b1 f0 b2 de ad 01 02", 16),
        # the next header in line; UDP's checksum is its octet 6 (RFC 768), ICMPv6's its octet 2 (RFC 4443 section 2.1)
        ("7a 33 11 f0 b1 f0 b2 00 0a de ad 01 02", 18),
        ("7a 33 3a 80 00 de ad 00 01 00 01", 14),
    ],
)
def test_a_wrong_checksum_is_told_where_it_stands(payload: str, at: int) -> None:
    """It is said that it is wrong, and what to look at."""
    frame = decode_frame(carrying(payload))
    (notice,) = (one for one in frame.notices if one.name.endswith("checksum-wrong"))
    assert notice.offset == at
    assert frame.octets[at : at + 2].hex() == "dead"
    assert " is wrong: " in notice.text
    assert "compare the restored addresses" in notice.text
