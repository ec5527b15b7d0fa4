"""Restored fields against the packet library's reading of the datagram; the shortest form against its own octets."""

from ipaddress import IPv6Address

import pytest
from capture import captures as air
from hypothesis import given, settings
from hypothesis import strategies as st
from scapy.layers.inet import UDP
from scapy.layers.inet6 import IPv6

from lowpanbudget import Env, compress, decode_frame, encode_frame, split
from lowpanbudget.bits import Span
from lowpanbudget.env import Contexts
from lowpanbudget.layers.internet import udp as udp_layer
from lowpanbudget.layers.internet.ipv6 import Ipv6
from lowpanbudget.layers.lowpan.mesh import Mesh
from lowpanbudget.layers.lowpan.mesh import encode as encode_mesh
from lowpanbudget.stack.comparison import compare
from lowpanbudget.stack.frame import Frame
from lowpanbudget.stack.uncompressed import restored

CONTEXTS = Contexts({0: "2001:db8:7:1::/64", 3: "2001:db8:51::/48", 9: "2001:db8:9::5/128"})
NODE, ROOT = air.eui(1), air.short(0x100)

addresses = st.sampled_from(
    [
        IPv6Address(text)
        for text in (
            "::", "fe80::1", "fe80::ff:fe00:100", "2001:db8:7:1::ff:fe00:100", "2001:db8:7:1::beef",
            "2001:db8:51:2::1", "2001:db8:9::5", "2001:db8:ffff::1",
        )
    ]
    + [air.ip_of(NODE), air.ip_of(NODE, "fe80::"), air.ip_of(ROOT)]
)  # fmt: skip
groups = st.sampled_from(
    [IPv6Address(text) for text in ("ff02::1", "ff03::fc", "ff05::1:3", "ff0e::1:2:3", "ff02:1::1")]
)
ports = st.sampled_from([0xF0B1, 0xF0BF, 0xF012, 7005, 61616, 1])


@st.composite
def datagrams(draw: st.DrawFn) -> bytes:
    source, destination = draw(addresses), draw(addresses | groups)
    payload = draw(st.binary(max_size=40))
    header = udp_layer.Udp(draw(ports), draw(ports), 8 + len(payload), 0)
    segment = bytes(header) + payload
    checksum = udp_layer.checksum(source, destination, segment)
    segment = segment[:6] + checksum.to_bytes(2, "big") + payload
    ip = Ipv6(
        draw(st.sampled_from([0, 1, 0xB8, 0xFF])), draw(st.sampled_from([0, 1, 0xFFFFF])),
        len(segment), 17, draw(st.sampled_from([1, 2, 64, 255])), source, destination,
    )  # fmt: skip
    return bytes(ip) + segment


def framed(payload: bytes, contexts: object = CONTEXTS) -> Frame:
    octets = encode_frame(air.mac_of(NODE, ROOT), payload).octets
    return decode_frame(octets, contexts=contexts)  # type: ignore[arg-type]


def fields(frame: Frame) -> list[Span]:
    return [span for header in restored(frame, CONTEXTS) for span in header.spans]


@settings(max_examples=80)
@given(datagrams(), st.sampled_from([{}, {0: "2001:db8:7:1::/64"}, dict(CONTEXTS)]), st.booleans())
def test_fields_agree_with_the_packet_library(
    octets: bytes, known: dict[int, object], whole: bool
) -> None:
    """Whatever the sender knew: each field has the datagram's value, and all bits of the payload are told."""
    payload = (
        b"\x41" + octets if whole else compress(octets, Env(NODE, ROOT, contexts=known)).octets
    )
    frame = framed(payload)
    assert frame.fault is None
    headers = restored(frame, CONTEXTS)
    packet = IPv6(octets)
    told = {(header.name, span.name): span for header in headers for span in header.spans}
    ip = {name: told["IPv6", name].value for header, name in told if header == "IPv6"}
    assert (ip["version"], ip["traffic class"], ip["flow label"]) == (6, packet.tc, packet.fl)
    assert (ip["payload length"], ip["next header"], ip["hop limit"]) == (
        packet.plen,
        17,
        packet.hlim,
    )
    assert (str(ip["source address"]), str(ip["destination address"])) == (packet.src, packet.dst)
    transport = [
        told["UDP", name].value
        for name in ("source port", "destination port", "length", "checksum")
    ]
    seen = packet[UDP]
    assert transport == [seen.sport, seen.dport, seen.len, seen.chksum]
    assert sum(sum(header.widths) for header in headers) == 8 * 48
    for span in (span for header in headers for span in header.spans):
        assert ("in line" in span.source) == (span.bits > 0), span


@settings(max_examples=80)
@given(datagrams(), st.sampled_from([{}, {0: "2001:db8:7:1::/64"}, dict(CONTEXTS)]), st.booleans())
def test_differences_add_up(octets: bytes, known: dict[int, object], whole: bool) -> None:
    payload = (
        b"\x41" + octets if whole else compress(octets, Env(NODE, ROOT, contexts=known)).octets
    )
    frame = framed(payload)
    best = compress(octets, Env(NODE, ROOT, contexts=CONTEXTS)).octets
    found = compare(frame, CONTEXTS, octets)
    assert (found.here, found.shortest, found.octets) == (len(payload), len(best), best)
    assert found.saved == len(payload) - len(best) >= 0
    assert sum(one.here - one.shortest for one in found.differences) == 8 * found.saved
    if known == dict(CONTEXTS) and not whole:
        assert found.differences == ()


def test_routing_headers_that_become_fewer_are_one_difference() -> None:
    """RFC 8138 section 5.1: 2 octets and entries of 8, 2 and 4 octets by type; 10 + 4 + 10 become 2 + 4 and 10."""
    route = "8003 aaaaaaaaaaaaaaaa 8001 bbbb 8102 ccccccccdddddddd"
    ends = "7e55 aaaaaaaaaaaa0001 aaaaaaaaddddeeee f312 5c1a 00"
    frame = framed(bytes.fromhex(f"f1 {route} {ends}"))
    assert frame.datagram is not None
    found = compare(frame, CONTEXTS, frame.datagram.octets)
    (routing,) = (one for one in found.differences if one.header.startswith("SRH"))
    assert (routing.here, routing.shortest) == (24 * 8, 16 * 8)
    assert routing.source == "3 headers here, 2 then"
    assert sum(one.here - one.shortest for one in found.differences) == 8 * found.saved


def test_an_identifier_behind_a_mesh_header_comes_from_its_address() -> None:
    """RFC 4944 section 5.2: the mesh header's originator counts, not the hop's link address."""
    from lowpanbudget.bits import Writer

    far = air.short(0x42)
    packet = air.udp_datagram(air.ip_of(far), air.ip_of(ROOT), b"x")
    writer = Writer()
    encode_mesh(writer, Mesh(hops_left=5, originator=far, final=ROOT))
    payload = bytes(writer.data) + compress(packet, Env(far, ROOT, contexts=CONTEXTS)).octets
    source = next(one for one in fields(framed(payload)) if one.name == "source address")
    assert source.value == air.ip_of(far)
    assert source.source.endswith("the mesh header's address 00:42")
    assert compare(framed(payload), CONTEXTS, packet).saved == 0


def test_an_inner_header_leans_on_the_outer_one() -> None:
    """RFC 6282 section 3.2.2: the encapsulating header is the outer IPv6 header, where there is one."""
    inner = air.udp_datagram(air.ip_of(NODE), air.ip_of(ROOT), b"x")
    outer = bytes(Ipv6(0, 0, len(inner), 41, 64, air.ip_of(NODE), air.ip_of(ROOT))) + inner
    payload = compress(outer, Env(NODE, ROOT, contexts=CONTEXTS)).octets
    headers = restored(framed(payload), CONTEXTS)
    assert [one.depth for one in headers if one.name == "IPv6"] == [0, 1]
    ends = [one for one in fields(framed(payload)) if one.name == "source address"]
    assert "link address" in ends[0].source
    assert ends[1].source.endswith("the outer IPv6 header")
    lengths = [
        one.value
        for one in fields(framed(payload))
        if (one.layer, one.name) == ("IPv6", "payload length")
    ]
    assert lengths == [len(inner), len(inner) - 40]


def test_the_first_fragment_tells_and_later_ones_do_not() -> None:
    packet = air.udp_datagram(air.ip_of(NODE), air.ip_of(ROOT), bytes(200))
    parts = split(packet, Env(NODE, ROOT, contexts=CONTEXTS), room=100)
    first, *others = (framed(part) for part in parts)
    length = next(one for one in fields(first) if one.name == "payload length")
    assert (length.value, length.source) == (208, "from datagram_size")
    assert [restored(one, CONTEXTS) for one in others] == [()] * (len(parts) - 1)
    small = split(packet, Env(NODE, ROOT, contexts=CONTEXTS), room=60)
    found = compare(framed(small[0]), CONTEXTS, packet, pieces=[len(part) for part in small])
    best = split(packet, Env(NODE, ROOT, contexts=CONTEXTS), room=127 - found.around)
    assert (found.frames_here, found.frames_shortest) == (len(small), len(best))
    assert found.saved == sum(map(len, small)) - sum(map(len, best)) + found.around * (
        len(small) - len(best)
    )


@settings(max_examples=100)
@given(st.binary(max_size=110))
def test_any_octets(octets: bytes) -> None:
    frame = framed(octets)
    assert sum(span.bits for span in fields(frame)) <= 8 * len(octets)


def test_byte_code_in_a_first_fragment_is_compared_with_byte_code_there() -> None:
    """RFC 7400 section 2: it may stand in any frame, a first fragment included."""
    packet = air.udp_datagram(air.ip_of(NODE), air.ip_of(ROOT), bytes(40) + bytes(range(160)))
    env = Env(NODE, ROOT, contexts=CONTEXTS)
    sent, plain = split(packet, env, room=60, ghc=True), split(packet, env, room=60)
    assert sum(map(len, sent)) < sum(map(len, plain))
    found = compare(framed(sent[0]), CONTEXTS, packet, pieces=[len(part) for part in sent])
    room = found.around + 60
    pieces = [len(part) for part in sent]
    found = compare(framed(sent[0]), CONTEXTS, packet, pieces=pieces, largest=room)
    assert (found.saved, found.differences) == (0, ())
    assert (found.here, found.frames_here) == (sum(pieces), len(sent))


NAMES = {0: "hop-by-hop options", 60: "destination options"}
OPTIONS = bytes.fromhex(
    "00010400000000"
)  # 8 octets with the next header before them: PadN (RFC 8200 section 4.2)
ENDS_41 = "fe80000000000000000000fffe000001fe80000000000000000000fffe000002"


@pytest.mark.parametrize("begins", ["7a 33", "41 60000000"])
@pytest.mark.parametrize("chain", [(0,), (60,), (0, 60), (60, 60), (0, 60, 60)])
@pytest.mark.parametrize(("kind", "rest"), [(17, "f0b1f0b2"), (58, "80"), (44, "1100"), (43, "11")])
def test_headers_that_are_whole_stay_where_what_they_carry_cannot_be_read(
    begins: str, chain: tuple[int, ...], kind: int, rest: str
) -> None:
    """RFC 8200 sections 3, 4.1: 40 octets of IPv6, 8 of each header of options, then what is too short for its own."""
    options = b"".join(bytes([number]) + OPTIONS for number in (*chain[1:], kind)) + bytes.fromhex(
        rest
    )
    octets = bytes.fromhex(begins) + bytes(chain[:1]) + options
    if begins != "7a 33":
        head = len(options).to_bytes(2, "big") + bytes([chain[0], 64]) + bytes.fromhex(ENDS_41)
        octets = bytes.fromhex(begins) + head + options
    frame = framed(octets)
    headers = restored(frame, CONTEXTS)
    assert [header.name for header in headers] == ["IPv6", *(NAMES[number] for number in chain)]
    assert [sum(header.widths) for header in headers] == [320, *[64] * len(chain)]
    last = frame.spans[-2]  # before the check sequence
    assert (last.layer, last.bits) == ("payload", 4 * len(rest))
    assert [notice.name for notice in frame.notices][:1] == ["payload-unreadable"]
    assert frame.datagram is not None
    compare(frame, CONTEXTS, frame.datagram.octets)


def test_a_first_fragment_that_can_be_recovered_tells_the_whole_length() -> None:
    """RFC 8931 section 5.1: Fragment_Offset of Sequence 0 is the size of the compressed datagram."""
    packet = air.udp_datagram(air.ip_of(NODE), air.ip_of(ROOT), bytes(150))
    packed = compress(packet, Env(NODE, ROOT, contexts=CONTEXTS)).octets
    first = bytes.fromhex("e809 0050") + len(packed).to_bytes(2, "big") + packed[:80]
    frame = framed(first)
    lengths = [one for one in fields(frame) if one.name in {"payload length", "length"}]
    assert [one.value for one in lengths] == [158, 158]
    assert {one.source for one in lengths} == {
        "from the Datagram_Size that stands as Fragment_Offset"
    }


@pytest.mark.parametrize("begins", ["7a 33 11", "41 60000000 00d0 11 40" + ENDS_41])
def test_a_header_that_a_first_fragment_carries_as_it_is_is_read(begins: str) -> None:
    """RFC 4944 section 5.3: 40 octets of IPv6, 8 of UDP, 200 of data, in fragments."""
    udp = bytes.fromhex("f0b2 f0b7 00d0 4e89")
    frame = framed(bytes.fromhex("c0f8 0001" + begins) + udp + bytes(48))
    ip, header = restored(frame, CONTEXTS)
    assert [span.value for span in header.spans] == [0xF0B2, 0xF0B7, 208, 0x4E89]
    assert next(span.value for span in ip.spans if span.name == "payload length") == 208
    payload = [span for span in frame.spans if span.layer == "payload"]
    assert [(span.bits, span.meaning) for span in payload] == [(8 * 48, "part of a datagram")]
    cut = framed(bytes.fromhex("c0f8 0001" + begins) + udp[:7])
    assert [header.name for header in restored(cut, CONTEXTS)] == ["IPv6"]
