"""LOWPAN_IPHC beside its vectors: two second opinions, and how the encoder chooses among equals."""

from ipaddress import IPv6Address
from typing import Any

import pytest
from construct import BitsInteger, BitStruct

from lowpanbudget import Env, Mac, RequestError, WireError, compress, encode_frame
from lowpanbudget.bits import Reader, Writer, tiles
from lowpanbudget.fields import Choice
from lowpanbudget.layers.internet.ipv6 import Ipv6
from lowpanbudget.layers.lowpan import addresses, forms, iphc, nhc, shortest
from lowpanbudget.stack.frame import decode_lowpan

SOURCE, DESTINATION = bytes.fromhex("02005eef10000001"), bytes.fromhex("02005eef10000002")
# RFC 6282 figure 2, said once more
BASE = BitStruct(
    "dispatch" / BitsInteger(3),
    "tf" / BitsInteger(2),
    "nh" / BitsInteger(1),
    "hlim" / BitsInteger(2),
    "cid" / BitsInteger(1),
    "sac" / BitsInteger(1),
    "sam" / BitsInteger(2),
    "m" / BitsInteger(1),
    "dac" / BitsInteger(1),
    "dam" / BitsInteger(2),
)


@pytest.mark.parametrize("first", range(0x60, 0x80))
def test_construct_reads_the_base_alike(first: int) -> None:
    for second in range(256):
        octets = bytes([first, second])
        ours = iphc.HEADER.split(int.from_bytes(octets, "big"))
        theirs = BASE.parse(octets)
        for name in ("dispatch", "tf", "nh", "hlim", "cid"):
            assert ours[name] == theirs[name]
        assert ours["source"] == theirs.sac << 2 | theirs.sam
        assert ours["destination"] == theirs.m << 3 | theirs.dac << 2 | theirs.dam
        assert iphc.HEADER.join(ours).to_bytes(2, "big") == octets


STATELESS = [
    ("fe80::5eef:1000:1", "fe80::5eef:1000:2"),
    ("fe80::ff:fe00:7", "fe80::ff:fe00:9"),
    ("fe80::a:b:c:d", "fe80::1:2:3:4"),
    ("::", "ff02::1"),
    ("fe80::5eef:1000:1", "ff02::1:ff00:9"),
    ("fe80::5eef:1000:1", "ff05::2"),
    ("2001:db8::1", "2001:db8::2"),
    ("2001:db8::1", "ff3e:1:2:3:4:5:6:7"),
]


@pytest.mark.parametrize(("source", "destination"), STATELESS)
@pytest.mark.parametrize(("hop_limit", "label"), [(64, 0), (1, 0), (255, 0x12345), (77, 0)])
def test_scapy_expands_stateless_addresses_alike(
    source: str, destination: str, hop_limit: int, label: int
) -> None:
    """scapy 2.8 is right in this part; in contexts and the order of ECN and DSCP it is not."""
    sixlowpan = pytest.importorskip("scapy.layers.sixlowpan")
    inet6 = pytest.importorskip("scapy.layers.inet6")
    inet = pytest.importorskip("scapy.layers.inet")
    dot15d4 = pytest.importorskip("scapy.layers.dot15d4")
    packet = inet6.IPv6(src=source, dst=destination, hlim=hop_limit, fl=label)
    packet = packet / inet.UDP(sport=0x1234, dport=0x5678) / b"hello"
    packed = compress(packet, Env(SOURCE, DESTINATION)).octets
    mac = Mac(
        destination_pan=1, destination=DESTINATION, source=SOURCE, pan_id_compression=True
    )  # fmt: skip
    conf: Any = sixlowpan.conf
    before, conf.dot15d4_protocol = conf.dot15d4_protocol, "sixlowpan"
    try:
        theirs = dot15d4.Dot15d4FCS(encode_frame(mac, packed).octets)
    finally:
        conf.dot15d4_protocol = before
    assert bytes(theirs[inet6.IPv6]) == bytes(packet)


def header(source: str, destination: str, **fields: int) -> Ipv6:
    values = {
        "traffic_class": 0,
        "flow_label": 0,
        "payload_length": 0,
        "next_header": 59,
        "hop_limit": 64,
    }
    return Ipv6(
        **(values | fields), source=IPv6Address(source), destination=IPv6Address(destination)
    )


def encoded(value: Ipv6, env: Env, *, nhc: bool = False, outer: Ipv6 | None = None) -> bytes:
    writer = Writer()
    shortest.choose(value, env, nhc=nhc, outer=outer).write(writer)
    assert tiles(writer.spans, len(writer.data) * 8)
    reader = Reader(bytes(writer.data))
    back = iphc.decode(reader, env, outer)
    assert back.header == value
    assert back.nhc is nhc
    assert reader.spans == writer.spans
    return bytes(writer.data)


def test_of_equals_the_smaller_code_and_the_smaller_context() -> None:
    """A rule of our own, so that the same datagram always gives the same octets."""
    contexts = {3: "2001:db8::/64", 2: "2001:db8::/64", 9: "2001:db8::/48"}
    octets = encoded(header("2001:db8::ff:fe00:7", "fe80::ff:fe00:9"), Env(contexts=contexts))
    assert octets[2] == 0x20
    # a link-local address elided without a context although context 0 is link-local, too
    octets = encoded(header("fe80::1:2:3:4", "fe80::1:2:3:5"), Env(contexts={0: "fe80::/64"}))
    assert octets[:2] == bytes.fromhex("7a11")


def test_the_contexts_that_were_used_are_reported() -> None:
    contexts = {0: "2001:db8::/64", 5: "2001:db8:5::/64"}
    env = Env(SOURCE, DESTINATION, contexts=contexts)
    for wire, used in (
        ("7a333b", (None, None)),
        ("7a733b", (0, None)),
        ("7a373b", (None, 0)),
        ("7af7053b", (0, 5)),
        ("7ac3053b", (None, None)),  # SAC=1 SAM=00 is ::, whatever SCI says
        ("7a3c3b3e0000000001", (None, 0)),
    ):
        assert iphc.decode(Reader(bytes.fromhex(wire)), env).contexts == used


def test_an_outer_header_stands_for_the_link() -> None:
    env = Env(SOURCE, DESTINATION)
    outer = header("2001:db8::a:b:c:d", "2001:db8::1:2:3:4", next_header=41)
    inner = header("fe80::a:b:c:d", "fe80::1:2:3:4")
    assert encoded(inner, env, outer=outer) == bytes.fromhex("7a333b")
    assert len(encoded(inner, env)) == 3 + 8 + 8


def test_an_unknown_context_is_named_with_a_hint() -> None:
    with pytest.raises(WireError) as caught:
        iphc.decode(Reader(bytes.fromhex("7ae3703b0001")), Env(SOURCE, DESTINATION))
    assert "context 7" in str(caught.value)
    assert "as a context, such as 7=" in caught.value.hint
    assert caught.value.layer == "IPHC"


def test_a_value_that_no_field_holds_is_a_wrong_request() -> None:
    with pytest.raises(RequestError):
        iphc.HEADER.join({"dispatch": 3, "tf": 4})


@pytest.mark.parametrize(
    "choice", [forms.TF, forms.NH, forms.HLIM, forms.CID, addresses.SOURCE, addresses.DESTINATION]
)
def test_what_would_shorten_a_form_is_said(choice: Choice) -> None:
    """The longest form that is no reserved one names the others; the shortest has nothing to say."""
    least = min(row.inline for row in choice.rows if row.restore is not None)
    for row in choice.rows:
        if row.inline == least:
            assert not any(choice.hints(row))
        elif row.restore is not None and row.family in ("", "unicast"):
            assert any(choice.hints(row))


@pytest.mark.parametrize(
    "often", [1, 20]
)  # by the engine, then by a function made for such headers
@pytest.mark.parametrize(
    ("kind", "has"),
    [
        *((kind, True) for kind in (0, 43, 44, 60, 135, 41, 17)),
        *((kind, False) for kind in (6, 50, 51, 58, 59, 132)),
    ],
)
def test_a_number_is_left_out_only_where_its_header_has_a_compressed_form(
    kind: int, often: int, *, has: bool
) -> None:
    """RFC 6282 sections 4.2 and 4.3: EID 0 to 4 and 7, and UDP; RFC 7400 section 3.1 has an octet for ICMPv6 in place
    of the number, and saves none of it.
    """
    header = bytes.fromhex("7a33") + bytes([kind]) + bytes(8)  # NH = 0, both addresses elided
    behind = bytes.fromhex("7e33e0") + bytes([kind, 6]) + bytes(14)  # hop-by-hop options, NH = 0
    for octets in (header, behind):
        for _ in range(often):
            spans = decode_lowpan(octets, Env(SOURCE, DESTINATION)).spans
        hint = next(one.removed_by for one in spans if one.name == "next header")
        assert hint.startswith("0 octets if") is has


@pytest.mark.parametrize(
    ("source", "is_local"),
    [("fe80::1:2", True), ("2001:db8::1:2", False), ("2001:db8:900::17", False)],
)
def test_an_address_says_what_makes_it_itself_smaller(source: str, *, is_local: bool) -> None:
    """RFC 6282 section 3.1.1: fe80::/64 is the prefix of SAC = 0; no address from elsewhere can have it."""
    # RFC 8200 section 3: version 6, no payload, no next header (59), hop limit 64
    head = (
        bytes.fromhex("60000000 0000 3b40")
        + IPv6Address(source).packed
        + IPv6Address("fe80::9").packed
    )
    env = Env(bytes(8), bytes(8), contexts={0: "2001:db8::/64"})
    packed = compress(head, env)
    hint = next(
        one.removed_by
        for one in decode_lowpan(packed.octets, env).spans
        if one.name == "source address"
    )
    assert ("fe80::/64" in hint) is is_local
    assert ("a context" in hint) is not is_local


def test_each_port_says_what_it_shrinks_to_itself() -> None:
    """RFC 6282 section 4.3.3: 16, 8 or 4 bits of each."""
    source, destination = (
        dict(part.split(" if ") for part in str(hint).split("; "))
        for hint in nhc.PORTS.hints(nhc.PORTS.rows[0])
    )
    both, of_8 = "both ports are in 0xf0b0-0xf0bf", "port is in 0xf000-0xf0ff"
    assert source == {"4 bits": both, "1 octet": f"the source {of_8}"}
    assert destination == {"4 bits": both, "1 octet": f"the destination {of_8}"}
    assert nhc.PORTS.hints(nhc.PORTS.rows[2]) == (f"4 bits if {both}",) * 2
    assert nhc.PORTS.hints(nhc.PORTS.rows[3]) == ("", "")
