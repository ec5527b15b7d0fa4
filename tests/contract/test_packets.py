"""Packets in and out: scapy's own fields agree with what was compressed."""

from scapy.layers.inet import UDP
from scapy.layers.inet6 import IPv6

from lowpanbudget import Env, Mac, compress, decode_frame, decompress, encode_frame

ENV = Env(source="0104", destination="0031", contexts={0: "2001:db8::/64"})
PACKET = (
    IPv6(src="2001:db8::ff:fe00:104", dst="2001:db8::ff:fe00:31", hlim=64)
    / UDP(sport=0xF0B1, dport=61616)
    / b"21.5"
)


def test_a_packet_comes_back_as_a_packet() -> None:
    back = decompress(compress(PACKET, ENV).octets, ENV).packet()
    assert bytes(back) == bytes(PACKET)
    assert (back.src, back[UDP].dport, bytes(back[UDP].payload)) == (PACKET.src, 61616, b"21.5")


def test_a_frame_gives_a_packet() -> None:
    mac = Mac(
        destination_pan=7, destination=b"\x00\x31", source=b"\x01\x04", pan_id_compression=True
    )
    frame = decode_frame(
        encode_frame(mac, compress(PACKET, ENV).octets).octets, contexts=ENV.contexts
    )
    assert frame.datagram is not None
    assert bytes(frame.datagram.packet()) == bytes(PACKET)


def test_headers_stay_explained_when_their_contents_cannot_be_read() -> None:
    """CoAP version 3 behind a plain UDP header: RFC 7252 section 3 knows version 1 only."""
    packet = IPv6(src="fe80::1", dst="fe80::2", hlim=64) / UDP(sport=5683, dport=5683) / b"\xff\xff"
    back = decompress(b"\x41" + bytes(packet))
    assert [span.layer for span in back.spans if span.name == "source port"] == ["UDP"]
    assert [notice.name for notice in back.notices] == ["payload-unreadable"]


def old_sender(link: str, pan_id: int) -> str:
    """The link-local address of RFC 4944 section 6: PAN ID (universal/local bit zero), 00ff:fe00, address."""
    return f"fe80::{pan_id & 0xFDFF:x}:ff:fe00:{link}"


def notices_of(packet: IPv6, env: Env) -> list[str]:
    mac = Mac(
        destination_pan=0xABCD, destination=b"\x00\x02", source=b"\x00\x01", pan_id_compression=True
    )
    payload = compress(packet, env).octets
    frame = decode_frame(encode_frame(mac, payload).octets)
    assert frame.fault is None
    return [notice.name for notice in frame.notices]


def test_identifiers_of_both_rules_are_told_apart() -> None:
    """PAN 0xabcd and 0x0001 give fe80::a9cd:ff:fe00:1; RFC 6282 gives fe80::ff:fe00:1."""
    env = Env(source="0001", destination="0002")
    to = "fe80::ff:fe00:2"
    ports = UDP(sport=0xF0B1, dport=0xF0B2)
    assert notices_of(IPv6(src="fe80::ff:fe00:1", dst=to) / ports / b"x", env) == []
    assert old_sender("1", 0xABCD) == "fe80::a9cd:ff:fe00:1"
    old = IPv6(src=old_sender("1", 0xABCD), dst=to) / ports / b"x"
    assert notices_of(old, env) == ["old-identifiers"]  # its 64 bits go in line
    # an old sender that elides: the checksum is of the old address, the receiver restores the new one
    elided = IPv6(bytes(IPv6(src="fe80::ff:fe00:1", dst=to) / ports / b"x"))
    elided[UDP].chksum = IPv6(bytes(old))[UDP].chksum
    assert notices_of(elided, env) == ["udp-checksum-wrong", "old-identifiers"]
