"""Reserved bits that are set: each is told with its clause, is no fault, and is written again."""

from dataclasses import replace
from ipaddress import IPv6Address

import pytest
from contract import air

from lowpanbudget import (
    Decoder,
    Dis,
    FragmentHeader,
    Frame,
    Icmpv6,
    Mac,
    RequestError,
    compress,
    decode_datagram,
    decompress,
    encode_frame,
    write_header,
    write_icmpv6,
)

SOURCE, DESTINATION = IPv6Address("fe80::5eef:1000:1"), IPv6Address("fe80::5eef:1000:2")
NODE, ROOT = air.eui(1), air.eui(2)
UDP = "f0b1 f0b2 0008 0000"


def told(frame: Frame) -> list[tuple[str, str, int]]:
    """Return what is told of reserved bits: the text up to the comma, the clause, the octet."""
    assert frame.fault is None
    return [
        (one.text.partition(", ")[0], str(one.cite), one.offset)
        for one in frame.notices
        if one.name == "reserved-bits-set"
    ]


# messages by hand from the figures, every bit of each reserved field set; the octets count from the message's first
MESSAGES = [
    # RFC 4861 sections 4.1, 4.6.2: Reserved, Reserved1, Reserved2
    ("8500 0000 ffffffff", ["router solicitation: reserved is 0xffffffff"], ["RFC 4861 §4.1"], [4]),
    (
        "8600 0000 40 07 0000 00000000 000000000304 40 1f 00000001 00000001 ffffffff 20010db8" + 24 * "0",
        ["router advertisement: reserved is 0x7", "prefix information option: reserved 1 is 0x1f",
         "prefix information option: reserved 2 is 0xffffffff"],
        ["RFC 4861 §4.2", "RFC 4861 §4.6.2", "RFC 4861 §4.6.2"], [5, 19, 28],
    ),
    # RFC 4443 section 3.1: Unused
    ("0104 0000 00000100", ["destination unreachable: unused is 0x100"], ["RFC 4443 §3.1"], [4]),
    # RFC 8505 section 4.2: the Code Prefix of an EDAR
    (
        "9df1 0000 00 01 003c 02005eef10000001" + "20010db8" + 24 * "0",
        ["ICMPv6: code prefix is 0xf"], ["RFC 6775 §4.4"], [1],
    ),
    # RFC 6550 sections 6.2.1, 6.3.1, 6.4.1, 6.7.8
    ("9b00 0000 ffff", ["DODAG information solicitation: reserved is 0xffff"], ["RFC 6550 §6.2.1"], [4]),
]  # fmt: skip


@pytest.mark.parametrize(("text", "said", "clauses", "places"), MESSAGES)
def test_of_a_message(text: str, said: list[str], clauses: list[str], places: list[int]) -> None:
    octets = bytes.fromhex(text)
    checksum = air.checksum(SOURCE, DESTINATION, 58, octets).to_bytes(2, "big")
    octets = octets[:2] + checksum + octets[4:]
    datagram = air.ipv6(SOURCE, DESTINATION, 58, octets, 255)
    expected = [(*pair, 40 + place) for *pair, place in zip(said, clauses, places, strict=True)]
    for _ in range(10):  # also once there is a function for what stands often at a place
        frame = decode_datagram(datagram)
        assert told(frame) == expected
        message = frame.packet.find(Icmpv6)
        assert message is not None
        assert write_icmpv6(message, SOURCE, DESTINATION) == octets
    # on the air, read at one go
    packed = compress(datagram).octets
    sent = encode_frame(air.mac_of(NODE, ROOT), packed).octets
    behind = len(sent) - 2 - len(octets)
    for _ in range(10):
        frame = Decoder().frame(sent)
        assert told(frame) == [
            (*pair, behind + at) for *pair, at in zip(said, clauses, places, strict=True)
        ]
    assert "reserved-bits-set" in [one.name for one in decompress(packed).notices]


def test_of_a_message_without_any_nothing_is_told() -> None:
    octets = bytes.fromhex("8500 0000 00000000")
    for _ in range(10):
        assert told(decode_datagram(air.ipv6(SOURCE, DESTINATION, 58, octets, 255))) == []


@pytest.mark.parametrize(
    ("number", "text", "said"),
    [
        # RFC 8200 section 4.5: Reserved and Res
        (44, "11 ff 0006 00000007", [("fragment header: reserved 1 is 0xff", "RFC 8200 §4.5", 41),
                                     ("fragment header: reserved 2 is 0x3", "RFC 8200 §4.5", 43)]),
        # RFC 6554 section 3
        (43, "11 02 03 01 0 0 0 fffff" + "20010db8" + 24 * "0",
         [("source routing header: reserved is 0xfffff", "RFC 6554 §3", 45)]),
        # RFC 6553 section 3: flags without meaning
        (0, "11 00 6304 1f 00 0001", [("RPL option: reserved is 0x1f", "RFC 6553 §3", 44)]),
    ],
)  # fmt: skip
def test_of_an_extension_header(number: int, text: str, said: list[tuple[str, str, int]]) -> None:
    header = bytes.fromhex(text.replace(" ", ""))
    datagram = air.ipv6(SOURCE, DESTINATION, number, header + bytes.fromhex(UDP))
    for _ in range(10):
        frame = decode_datagram(datagram)
        assert told(frame) == said
        assert write_header(frame.heads[1].value) == header


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("6033 0af12345 3b 07", ("IPHC: pad is 0xf", "RFC 6282 §3.2.1", 3)),
        ("6a33 302345 3b", ("IPHC: pad is 0x3", "RFC 6282 §3.2.1", 2)),
        # RFC 4944 sections 10.2 and 10: five bits of HC_UDP, four behind the last field
        ("42 fb ff 40 12 b3ab 3132", ("HC_UDP: reserved is 0x1f", "RFC 4944 §10.2", 2)),
        ("42 fb 60 40 f0b1 2 b3ab f 3132", ("HC_UDP: pad is 0xf", "RFC 4944 §10", 8)),
    ],
)
def test_of_a_compressed_header(text: str, said: tuple[str, str, int]) -> None:
    octets = bytes.fromhex(text.replace(" ", ""))
    for _ in range(10):
        frame = Decoder().lowpan(octets, NODE, ROOT)
        assert told(frame) == [said]
        head = frame.heads[0]
        assert write_header(head.value) == octets[head.start : head.end]


def test_what_is_kept_is_no_part_of_what_a_value_shows() -> None:
    frame = decode_datagram(air.ipv6(SOURCE, DESTINATION, 58, bytes.fromhex("9b00 0000 ffff"), 255))
    message = frame.packet.find(Dis)
    assert message is not None
    assert "reserved" not in repr(message)
    assert message.reserved == 0xFFFF
    assert message != replace(message, reserved=0)
    assert write_icmpv6(replace(message, reserved=0), SOURCE, DESTINATION)[4:6] == b"\0\0"
    assert FragmentHeader(17, 8, True, 7) == FragmentHeader(17, 8, True, 7, reserved_1=0)


@pytest.mark.parametrize(
    ("control", "version", "bits"),
    [
        # IEEE 802.15.4-2006 clause 7.2.1.1: bits 7 to 9; of 2015, clause 7.2.2: bit 7 (from memory)
        (0x98C1, 1, "7"),
        (0x99C1, 1, "7, 8"),
        (0x9A41, 1, "9"),
        (0x8BC1, 0, "7, 8, 9"),
        (0xA8C1, 2, "7"),
    ],
)
def test_of_the_frame_control(control: int, version: int, bits: str) -> None:
    header = control.to_bytes(2, "little") + bytes.fromhex("07 b751 0100 0200")
    for _ in range(10):
        frame = Decoder().frame(header + bytes.fromhex("7a33 3b"), False)
        assert frame.fault is None
        assert frame.datagram is not None
        told = [one for one in frame.notices if one.name == "frame-control-bits-reserved"]
        assert [one.text.partition(" of ")[0] for one in told] == [f"bits {bits}"]
        assert told[0].cite is not None
        mac = frame.mac
        assert mac is not None
        assert (mac.version, mac.reserved) == (
            version,
            sum(1 << int(bit) for bit in bits.split(", ")),
        )
        assert encode_frame(mac, bytes.fromhex("7a33 3b"), fcs=0).octets == frame.octets
        clear = (control & ~mac.reserved).to_bytes(2, "little") + header[2:]
        assert encode_frame(replace(mac, reserved=0), b"", fcs=0).octets == clear
    known = Decoder().frame(header, False).mac
    assert known is not None
    for wrong in (1, 1 << 16, -1):
        with pytest.raises(RequestError, match=r"reserved .* has bits that mean something"):
            encode_frame(replace(known, reserved=wrong), b"")
    with pytest.raises(RequestError):
        encode_frame(Mac(5, 0, reserved=1 << 7), b"")
