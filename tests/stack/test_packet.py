"""The packet tree: which layout a head was read with, what is inside it, and which spans stand in it."""

from lowpanbudget import decode_frame
from lowpanbudget.bits import tiles
from lowpanbudget.fields import Head, Header, Layout
from lowpanbudget.layers.internet.coap.message import CoapMessage
from lowpanbudget.layers.internet.dtls.record import DtlsRecord
from lowpanbudget.layers.internet.ipv6 import Ipv6
from lowpanbudget.layers.internet.udp import Udp
from lowpanbudget.layers.link.mac import Mac
from lowpanbudget.layers.lowpan.iphc import Iphc
from lowpanbudget.layers.lowpan.nhc import UdpNhc
from lowpanbudget.stack.frame import Frame

MAC = "41 88 07 cd ab 02 00 01 00"  # data, PAN 0xabcd, 0x0002 to 0x0001 (IEEE 802.15.4-2006 7.2.1, from memory)
# RFC 4944 section 5.2: V and F, 14 hops; section 5.3: FRAG1 of 64 octets; RFC 6282: IPHC, UDP; RFC 7252 section 3
MESHED = "be 00 03 00 04 c0 40 12 34 7e 33 f0 16 33 f0 b1 12 34 40 01 00 07 ff 61 62 63 64"


def read(octets: str) -> Frame:
    return decode_frame(bytes.fromhex(MAC + octets), fcs=False)


def names(heads: tuple[Head, ...]) -> list[str]:
    return [type(head.value).__name__ for head in heads]


def test_what_is_inside_a_head() -> None:
    packet = read("7e 33 f0 16 33 f0 b1 12 34 40 01 00 07 ff 61").packet
    assert names(packet.heads) == ["Mac", "Iphc", "UdpNhc", "CoapMessage"]
    for at, head in enumerate(packet.heads):
        assert packet.inside(head) == packet.heads[at + 1 :]
    assert packet.head(Udp) is None  # it is not on the air
    assert isinstance(packet.find(Udp), Udp)
    udp = packet.head(UdpNhc)
    assert udp is not None
    assert names(packet.inside(udp)) == ["CoapMessage"]


def test_a_fragment_behind_a_mesh_header() -> None:
    packet = read(MESHED).packet
    assert names(packet.heads) == ["Mac", "Mesh", "Fragment", "Iphc", "UdpNhc"]
    layouts = [head.layout for head in packet.heads]
    assert [layout and layout.name for layout in layouts] == [
        "MAC",
        "mesh",
        "FRAG1",
        "IPHC",
        "UDP NHC",
    ]


def test_records_stand_beside_each_other() -> None:
    """RFC 6347 section 4.1.1: "Multiple DTLS messages ... may be placed in a single datagram"; two alerts here."""
    alert = "15 fefd 0000 00000000000{} 0002 0100"
    packet = read("7e 33 f0 16 34 f0 b1 12 34" + alert.format(1) + alert.format(2)).packet
    assert names(packet.heads) == ["Mac", "Iphc", "UdpNhc", "DtlsRecord", "DtlsRecord"]
    assert packet.inside(packet.heads[3]) == packet.inside(packet.heads[4]) == ()
    assert names(packet.inside(packet.heads[2])) == ["DtlsRecord", "DtlsRecord"]
    assert packet.head(DtlsRecord) == packet.heads[3]


def test_the_spans_of_a_head_are_those_of_its_layout() -> None:
    frame = read("7e 33 f0 16 33 f0 b1 12 34 40 01 00 07 ff 61")
    packet = frame.packet
    for kind in (Mac, Iphc, UdpNhc, CoapMessage):
        head = packet.head(kind)
        assert head is not None
        spans = packet.spans_of(head)
        moved = [span._replace(offset_bits=span.offset_bits - 8 * head.start) for span in spans]
        assert tiles(moved, 8 * (head.end - head.start))
        layout = head.layout
        assert isinstance(layout, Header | Layout)
        word = layout if isinstance(layout, Header) else layout.word
        told = [getattr(field, "label", field.name) for field in word.fields]
        assert [span.name for span in spans[: len(told)]] == told
        assert {span.layer for span in spans} == {layout.name}


def test_an_uncompressed_packet() -> None:
    """The header of RFC 8200 section 3 behind the dispatch of RFC 4944 section 5.1."""
    ipv6 = "60000000 0009 11 40 fe80000000000000 0000000000000001 fe80000000000000 0000000000000002"
    packet = read("41" + ipv6 + "0001 0002 0009 1234 61").packet
    assert names(packet.heads) == ["Mac", "Ipv6", "Udp"]
    assert packet.find(Ipv6) is packet.heads[1].value
    layout = packet.heads[1].layout
    assert isinstance(layout, Layout)
    assert (layout.name, layout.least) == ("IPv6", 40)


def test_restored_ports_stand_where_their_bits_do() -> None:
    """RFC 6282 section 4.3.3: 4 bits of each port in the octet behind LOWPAN_NHC, the checksum behind them."""
    before = len(bytes.fromhex(MAC)) + 3  # IPHC of 2 octets, NHC
    for code, places in (
        ("f3 12", [(0, 4), (4, 4), (8, 16)]),
        ("f1 f0 b1 b2", [(0, 16), (16, 8), (24, 16)]),
        ("f2 b1 f0 b2", [(0, 8), (8, 16), (24, 16)]),
    ):
        udp = read(f"7e 33 {code} 12 34 01").restored[-1]
        names = ("source port", "destination port", "checksum")
        spans = [next(span for span in udp.spans if span.name == name) for name in names]
        assert [(span.offset_bits - before * 8, span.bits) for span in spans] == places
        assert [span.value for span in spans] == [0xF0B1, 0xF0B2, 0x1234]
