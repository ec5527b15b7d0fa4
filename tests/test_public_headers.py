"""Headers of frames by their public classes: those that vectors of standards name are found in what is decoded."""

import tomllib
from collections.abc import Iterator
from ipaddress import IPv6Address
from pathlib import Path
from typing import Any

import pytest
from contract import air

from lowpanbudget import (
    Beacon,
    Broadcast,
    Command,
    ConsistencyCheck,
    Dao,
    DaoAck,
    Datagram,
    Decoder,
    DestinationUnreachable,
    Dio,
    Dis,
    DuplicateAddressConfirmation,
    DuplicateAddressRequest,
    EchoReply,
    EchoRequest,
    Env,
    Escape,
    ExtensionNhc,
    Fragment,
    FragmentHeader,
    GuaranteedSlot,
    Icmpv6,
    Icmpv6Nhc,
    Iphc,
    IpInIp,
    Ipv6,
    Legacy,
    Mac,
    Mesh,
    NeighborAdvertisement,
    NeighborSolicitation,
    OptionsHeader,
    OtherHeader,
    PacketTooBig,
    ParameterProblem,
    Redirect,
    RequestError,
    Rfrag,
    RfragAck,
    RouterAdvertisement,
    RouterSolicitation,
    RoutingHeader,
    Rpi,
    RplSecurity,
    Secure,
    Skipped,
    SrhLorh,
    TimeExceeded,
    Udp,
    UdpNhc,
    compress,
    decode_datagram,
    decode_frame,
    encode_frame,
    write_header,
    write_icmpv6,
)

VECTORS = Path(__file__).parents[1] / "vectors"
DECODER = Decoder(contexts=air.CONTEXTS)
NODE, ROOT = air.eui(1), air.eui(2)
SOURCE, DESTINATION = IPv6Address("fe80::5eef:1000:1"), IPv6Address("fe80::5eef:1000:2")
MESSAGES = {
    kind.__name__: kind
    for kind in (
        Dao, DaoAck, DestinationUnreachable, Dio, Dis, DuplicateAddressConfirmation, DuplicateAddressRequest,
        EchoReply, EchoRequest, NeighborAdvertisement, NeighborSolicitation, PacketTooBig, ParameterProblem,
        Redirect, RouterAdvertisement, RouterSolicitation, Secure, TimeExceeded,
    )
}  # fmt: skip


def cases() -> Iterator[tuple[str, bytes]]:
    """Yield the ICMPv6 messages of all vectors that say which they are."""
    for path in sorted(VECTORS.rglob("*.toml")):
        for case in tomllib.loads(path.read_text(encoding="utf-8")).get("case", ()):
            if case.get("kind") in MESSAGES and case["result"] == "valid":
                yield case["kind"], bytes.fromhex(case["message"])


def test_messages_of_icmpv6_are_of_their_class() -> None:
    """Their checksums are those of other addresses, and so is told of each that it is wrong."""
    seen = set()
    for kind, octets in cases():
        frame = decode_datagram(air.ipv6(SOURCE, DESTINATION, 58, octets))
        found = frame.packet.find(Icmpv6)
        assert found is not None, kind
        assert type(found.message) is MESSAGES[kind]
        assert frame.packet.find(MESSAGES[kind]) is found.message
        assert found.checksum_ok is False
        if isinstance(found.message, Secure):
            assert isinstance(found.message.security, RplSecurity)
        # the octets of the vector again, with the checksum (RFC 4443 section 2.3) by a plain sum
        again = write_icmpv6(found.message, str(SOURCE), DESTINATION)
        blank = octets[:2] + bytes(2) + octets[4:]
        assert again[:2] + bytes(2) + again[4:] == blank, kind
        assert int.from_bytes(again[2:4]) == air.checksum(SOURCE, DESTINATION, 58, blank)
        seen.add(kind)
    assert seen == set(MESSAGES)
    # RFC 6550 section 6.6: within a secure message alone
    assert ConsistencyCheck.__doc__ is not None


# payloads by hand from the figures: RFC 4944 5.2, 5.3 and 10.1, RFC 8931 5.1 and 5.2, RFC 8066 (ESC), RFC 8138 5 to 7
ADDRESSES = SOURCE.packed + DESTINATION.packed
DATAGRAM = air.udp_datagram(SOURCE, DESTINATION, b"12345678")
PLAIN = b"\x41" + DATAGRAM
PAYLOADS: dict[type, bytes] = {
    Ipv6: PLAIN,
    Udp: PLAIN,
    Mesh: bytes.fromhex("b5 0001 0002") + PLAIN,
    Broadcast: bytes.fromhex("b5 0001 ffff 5007") + PLAIN,
    Fragment: bytes.fromhex("c038 0001") + PLAIN,
    Rfrag: bytes.fromhex("e8 01 0401 0008 41"),
    RfragAck: bytes.fromhex("ea 01 80000000"),
    Escape: bytes.fromhex("40 05"),
    Legacy: bytes.fromhex("42 fb e0 40 12 b3ab") + b"12345678",
    Iphc: bytes.fromhex("7e33 f0 f0b1 f0b2 0000") + b"12345678",
    UdpNhc: bytes.fromhex("7e33 f0 f0b1 f0b2 0000") + b"12345678",
    ExtensionNhc: bytes.fromhex("7e33 e6 11 04 01 02 0000 f0b1f0b2 0010 0000") + b"12345678",
    Rpi: bytes.fromhex("f1 8005 01 7e33 f0 f0b1 f0b2 0000") + b"12345678",
    SrhLorh: bytes.fromhex("f1 8001 0003 0004 7e33 f0 f0b1 f0b2 0000") + b"12345678",
    IpInIp: bytes.fromhex("f1 a106 40 7e33 f0 f0b1 f0b2 0000") + b"12345678",
    Skipped: bytes.fromhex("f1 a11f 40 7e33 f0 f0b1 f0b2 0000") + b"12345678",
}


@pytest.mark.parametrize("kind", PAYLOADS, ids=lambda kind: kind.__name__)
def test_headers_of_6lowpan_are_of_their_class(kind: type[Any]) -> None:
    octets = encode_frame(air.mac_of(NODE, ROOT), PAYLOADS[kind]).octets
    frame = DECODER.frame(octets)
    found: Any = frame.packet.find(kind)
    assert type(found) is kind, (frame.layers, frame.fault)
    assert frame.packet.find(Mac) is frame.mac
    head = next(head for head in frame.packet.heads if head.value is found)
    assert write_header(found) == octets[head.start : head.end]


def test_headers_of_the_internet_are_of_their_class() -> None:
    """RFC 8200 sections 4.3 to 4.6, RFC 6275 section 6.1.1 (mobility), by hand."""
    udp = DATAGRAM[40:]
    for kind, number, header in (
        (OptionsHeader, 0, bytes.fromhex("11 00 0104 00000000")),
        (RoutingHeader, 43, bytes.fromhex("11 00 fd00 00000000")),
        (OtherHeader, 135, bytes.fromhex("3b 00 0000 00000000")),
        (FragmentHeader, 44, bytes.fromhex("11 00 0001 00000007")),
    ):
        frame = decode_datagram(air.ipv6(SOURCE, DESTINATION, number, header + udp))
        found: Any = frame.packet.find(kind)
        assert isinstance(found, kind), frame.notices
        assert write_header(found) == header
    # RFC 7400 appendix A figure 8: a DIS in byte code
    ends = IPv6Address("fe80::21c:daff:fe00:2024"), IPv6Address("ff02::1a")
    dis = air.ipv6(*ends, 58, bytes.fromhex("9b006bde00000000"), 255)
    link = bytes.fromhex("001cdafffe002024")
    packed = compress(dis, Env(link, ROOT), ghc=True).octets
    frame = DECODER.frame(encode_frame(air.mac_of(link, ROOT), packed).octets)
    assert frame.datagram == Datagram(dis)
    message = decode_datagram(dis).packet.find(Icmpv6)
    assert message is not None
    assert message.checksum_ok
    assert isinstance(message.message, Dis)
    assert isinstance(frame.packet.find(Icmpv6Nhc), Icmpv6Nhc)


def test_contents_of_the_link_are_of_their_class() -> None:
    """IEEE 802.15.4: a beacon with superframe 0xffff and nothing pending, a data request (from memory)."""
    beacon = Mac(0, 1, 1, source_pan=air.PAN, source=air.short(1))
    frame = DECODER.frame(encode_frame(beacon, bytes.fromhex("ffcf 00 00")).octets)
    assert isinstance(frame.layers[1], Beacon)
    # clause 7.3.1 (2015): a descriptor, which receives: address 0x0001, slot 7 of length 2
    frame = DECODER.frame(encode_frame(beacon, bytes.fromhex("ffcf 81 01 0100 27 00")).octets)
    found = frame.packet.find(Beacon)
    assert found is not None
    assert found.slots == (GuaranteedSlot(1, 7, 2, receive=True),)
    assert write_header(found) == bytes.fromhex("ffcf 81 01 0100 27 00")
    # clause 7.2.2.1 (2006): order 15 and 15, slot 15, PAN coordinator, open; a short and an extended address pending,
    # their least significant octet first; two octets of a higher layer behind them
    beacon_of = Beacon(
        15, pan_coordinator=True, association_permit=True, pending_short=(0x1234,),
        pending_extended=(bytes(range(8)),), payload=b"\xbe\xef",
    )  # fmt: skip
    wanted = bytes.fromhex("ffcf 00 11 3412 0706050403020100 beef")
    assert write_header(beacon_of) == wanted
    assert DECODER.frame(encode_frame(beacon, wanted).octets).packet.find(Beacon) == beacon_of
    assert write_header(Beacon(payload=b"\xbe\xef")) == b"\xbe\xef"
    request = Mac(3, 1, 1, air.PAN, air.short(2), None, air.short(1), pan_id_compression=True)
    frame = DECODER.frame(encode_frame(request, b"\x04").octets)
    command = frame.layers[1]
    assert isinstance(command, Command)
    assert command.id == 4
    assert write_header(command) == b"\x04"
    # clause 7.5.3 (2015): an association response with short address 0x1234, successful; octets of a later edition
    answer = Command(2, {"short_address": 0x1234, "association_status": 0}, b"\x07")
    assert write_header(answer) == bytes.fromhex("02 3412 00 07")
    assert DECODER.frame(encode_frame(request, write_header(answer)).octets).layers[1] == answer


@pytest.mark.parametrize(
    "header",
    [
        # a first fragment has no datagram_offset (RFC 4944 section 5.3); Fragment_Offset is the size in a first
        # recoverable fragment, the offset in a later one, and 0 in what aborts (RFC 8931 section 5.1); a beacon of
        # version 2 has no superframe specification (IEEE 802.15.4-2015 clause 7.3.1, from memory)
        Fragment(200, 1, offset=8, first=True),
        Rfrag(1, 5, 100, offset=4, size=9),
        Rfrag(1, 0, 10, offset=7, size=50),
        Rfrag(1, 3, 10, offset=50, abort=True),
        Beacon(pan_coordinator=True),
    ],
)
def test_what_a_form_has_no_place_for_is_not_lost(header: Any) -> None:
    with pytest.raises(RequestError):
        write_header(header)


@pytest.mark.parametrize("size", [0, 1, 2, 7, 300, 65527])
def test_a_header_says_of_what_it_carries_what_it_is(size: int) -> None:
    """RFC 768, RFC 8200 sections 3 and 8.1: the packet is what scapy makes of the same, octet for octet."""
    from scapy.layers.inet import UDP
    from scapy.layers.inet6 import IPv6 as SixHeader

    data = bytes(number % 251 for number in range(size))
    ends = {"source": str(SOURCE), "destination": DESTINATION.packed}
    segment = write_header(Udp(61616, 5683, 1, 2), data, **ends)
    other = UDP(sport=61616, dport=5683) / data
    packet = SixHeader(tc=3, fl=0x12345, hlim=9, src=str(SOURCE), dst=str(DESTINATION)) / other
    assert segment == bytes(packet)[40:]
    if size + 8 < 1 << 16:
        assert write_header(Ipv6(3, 0x12345, 0, 17, 9, SOURCE, DESTINATION), segment) == bytes(
            packet
        )
    blank = segment[:6] + bytes(2) + segment[8:]
    assert int.from_bytes(segment[6:8]) == air.checksum(SOURCE, DESTINATION, 17, blank)


def test_a_checksum_of_zero_is_sent_as_ones() -> None:
    """ "If the computed checksum is zero, it is transmitted as all ones" (RFC 768)."""
    blank = air.ipv6(SOURCE, DESTINATION, 17, bytes.fromhex("f0b1f0b2000a0000 0000"))[40:]
    rest = air.checksum(SOURCE, DESTINATION, 17, blank)
    data = rest.to_bytes(2)
    assert air.checksum(SOURCE, DESTINATION, 17, blank[:8] + data) == 0
    octets = write_header(Udp(0xF0B1, 0xF0B2, 0, 0), data, SOURCE, DESTINATION)
    assert octets == bytes.fromhex("f0b1f0b2000affff") + data


def test_what_a_header_carries_stands_behind_it_and_addresses_are_for_a_checksum() -> None:
    mesh = Mesh(5, air.short(1), air.short(2))
    assert write_header(mesh, PLAIN) == bytes.fromhex("b5 0001 0002") + PLAIN
    assert write_header(Udp(1, 2, 3, 4), None) == bytes.fromhex("0001 0002 0003 0004")
    for header, carried in ((mesh, PLAIN), (Udp(1, 2, 3, 4), None)):
        with pytest.raises(RequestError, match="are for the checksum of a Udp and what it carries"):
            write_header(header, carried, SOURCE, DESTINATION)
    with pytest.raises(RequestError, match=r"^source None is not an IPv6 address"):
        write_header(Udp(1, 2, 3, 4), b"")
    with pytest.raises(RequestError, match="UDP length 65536 does not fit 16 bits"):
        write_header(Udp(1, 2, 3, 4), bytes(65528), SOURCE, DESTINATION)
    with pytest.raises(RequestError, match="IPv6 payload length 65536 does not fit 16 bits"):
        write_header(Ipv6(0, 0, 0, 17, 9, SOURCE, DESTINATION), bytes(65536))


def test_the_check_sequence_is_told_by_place_or_by_name() -> None:
    """A data frame of version 1, its FCS left out: as ``Decoder.frame`` takes it, so does ``decode_frame``."""
    octets = encode_frame(air.mac_of(NODE, ROOT), PLAIN).octets
    for fcs, sent in ((True, octets), (2, octets), (False, octets[:-2])):
        assert decode_frame(sent, fcs) == decode_frame(sent, fcs=fcs) == Decoder().frame(sent, fcs)
        assert decode_frame(sent, fcs).datagram == Datagram(DATAGRAM)
