"""HC1 and HC_UDP of RFC 4944 section 10, and escapes of RFC 8066: read only, so every vector goes one way."""

from ipaddress import IPv6Address
from itertools import product
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from vector_files import document

from lowpanbudget import (
    Env,
    Mac,
    Reassembler,
    WireError,
    decode_frame,
    decompress,
    encode_frame,
    errors,
)
from lowpanbudget.bits import Reader, tiles
from lowpanbudget.errors import NotSupported, Reserved
from lowpanbudget.fields import Bits, Choice
from lowpanbudget.layers.internet import udp
from lowpanbudget.layers.internet.ipv6 import Ipv6
from lowpanbudget.layers.lowpan import escape, legacy
from lowpanbudget.stack.events import Complete
from lowpanbudget.stack.frame import decode_lowpan

VECTORS = Path(__file__).parents[3] / "vectors"
Case = dict[str, Any]


def load(folder: str) -> list[Case]:
    return [
        case
        for path in sorted((VECTORS / folder).glob("*.toml"))
        for case in document(path)["case"]
    ]


def named(cases: list[Case]) -> list[Any]:
    return [pytest.param(case, id=case["id"]) for case in cases]


HC1, ESC = load("rfc4944-hc1"), load("rfc8066")
EXPANDING = [case for case in HC1 if case["result"] != "invalid"]
INVALID = [case for case in HC1 + ESC if case["result"] == "invalid"]


def env_of(case: Case) -> Env:
    return Env(case.get("link_source"), case.get("link_destination"), pan_id=case.get("pan_id"))


def test_every_case_is_read() -> None:
    assert len(EXPANDING) + len(INVALID) == len(HC1) + len(ESC)
    assert all(case["result"] == "invalid" for case in ESC)


@pytest.mark.parametrize("case", named(EXPANDING))
def test_expands_to_the_datagram(case: Case) -> None:
    lowpan = bytes.fromhex(case["lowpan"])
    read = decompress(lowpan, env_of(case))
    assert read.octets.hex(" ") == bytes.fromhex(case["ipv6"]).hex(" ")
    assert tiles(read.spans, len(lowpan) * 8)
    assert [notice.name for notice in read.notices if notice.name == "old-identifiers"] == case.get(
        "notices", []
    )
    for layer, size in case.get("sizes", {}).items():
        assert sum(span.bits for span in read.spans if span.layer == layer) == size * 8, layer


@pytest.mark.parametrize("case", named(INVALID))
def test_is_refused_where_it_is_wrong(case: Case) -> None:
    with pytest.raises(WireError) as caught:
        decompress(bytes.fromhex(case["lowpan"]), env_of(case))
    assert type(caught.value) is getattr(errors, case["error"])
    assert caught.value.offset == case["offset"]
    assert caught.value.layer
    assert caught.value.cite is not None


@pytest.mark.parametrize("case", named(EXPANDING))
def test_cut_at_every_octet(case: Case) -> None:
    lowpan = bytes.fromhex(case["lowpan"])
    for end in range(1, len(lowpan)):
        offset = 0
        try:
            read = decompress(lowpan[:end], env_of(case))
        except WireError as error:
            offset = error.offset
        else:
            assert tiles(read.spans, end * 8)
        assert 0 <= offset <= end


@pytest.mark.parametrize("case", named([c for c in EXPANDING if "link_source" in c]))
def test_the_same_inside_a_frame(case: Case) -> None:
    env = env_of(case)
    pan = 0xABCD if env.pan_id is None else env.pan_id
    mac = Mac(
        destination_pan=pan, source=env.source, destination=env.destination, pan_id_compression=True
    )
    octets = encode_frame(mac, bytes.fromhex(case["lowpan"])).octets
    frame = decode_frame(octets)
    assert tiles(frame.spans, len(octets) * 8)
    assert frame.datagram is not None
    if env.pan_id is not None or len(env.source or b"") == 8:  # the frame knows its PAN ID
        assert frame.datagram.octets == bytes.fromhex(case["ipv6"])


@pytest.mark.parametrize("case", named(EXPANDING))
def test_restored_fields_stand_where_they_are_said_to(case: Case) -> None:
    """Bits in line are the field's own, and with both encoding octets and a pad all that there is (section 10.3)."""
    lowpan = bytes.fromhex(case["lowpan"])
    # behind a mesh header, whose addresses stand for those of the link (section 5.2)
    if lowpan[0] == 0x42:
        lowpan = bytes([0x81]) + bytes(range(16)) + lowpan
    frame = decode_lowpan(lowpan, env_of(case))
    head, carried = frame.packet.head(legacy.Legacy), 0
    assert head is not None
    text = "".join(f"{octet:08b}" for octet in lowpan[: head.end])
    for header in frame.restored:
        for span, width in header.fields():
            there = text[span.offset_bits : span.offset_bits + span.bits]
            number = f"{int(span.value):0{width}b}"
            assert number.startswith(there) or number.endswith(there), span
            carried += len(there)
    pad = sum(span.bits for span in frame.spans if span.name == "pad")
    words = 24 if head.value.udp is not None else 16
    assert words + carried + pad == len(text) - 8 * head.start


def test_every_row_is_hit() -> None:
    seen: set[tuple[str, int]] = set()
    for case in HC1:
        try:
            read = decompress(bytes.fromhex(case["lowpan"]), env_of(case))
        except WireError:
            continue
        seen |= {(span.name, span.value) for span in read.spans if span.layer in {"HC1", "HC_UDP"}}
    for header in (legacy.HC1, legacy.HC_UDP):
        for part in header.fields:
            if isinstance(part, Choice):
                assert {(part.label, row.code) for row in part.rows} <= seen
            elif isinstance(part, Bits) and isinstance(part.meaning, dict):
                assert {(part.name, value) for value in part.meaning} <= seen


def test_identifier_of_a_short_address_holds_the_pan() -> None:
    """RFC 4944 section 6 worked by hand: PAN abcd, address 0001: ab cd 00 ff fe 00 00 01, U/L bit of ab cleared."""
    read = decompress(bytes.fromhex("42 fa 40") + bytes(8), Env("0001", "0002", pan_id=0xABCD))
    assert IPv6Address(read.octets[8:24]) == IPv6Address("fe80::a9cd:ff:fe00:1")
    assert IPv6Address(read.octets[24:40]) == IPv6Address("fe80::a9cd:ff:fe00:2")


@pytest.mark.parametrize(
    ("forms", "older"), [("fa", True), ("ba", True), ("ea", True), ("aa", False)]
)
def test_identifiers_in_line_are_not_the_older_ones(forms: str, *, older: bool) -> None:
    """RFC 4944 section 10.1: "II" and "IC", the second bit of each pair; both in line in the last of these."""
    read = decompress(
        bytes.fromhex("42" + forms + "40") + bytes(24), Env("0001", "0002", pan_id=0xABCD)
    )
    assert ("old-identifiers" in [notice.name for notice in read.notices]) is older


@pytest.mark.parametrize(("bit", "says"), [(0, "16 bits"), (1, "last 4 bits")])
def test_ports_in_words(bit: int, says: str) -> None:
    """RFC 4944 section 10.2: 0 "Not compressed", 1 "Compressed to 4 bits", the source port first."""
    reader = Reader(bytes([bit << 7 | bit << 6]))
    legacy.HC_UDP.read(reader)
    assert all(says in span.meaning for span in reader.spans[:2])


def test_inside_fragments() -> None:
    """An HC1 header behind FRAG1: lengths come from datagram_size (RFC 4944 section 10.1)."""
    links = (bytes.fromhex("02005eef10000001"), bytes.fromhex("02005eef10000002"))
    source, destination = IPv6Address("fe80::5eef:1000:1"), IPv6Address("fe80::5eef:1000:2")
    data = bytes(range(100))
    segment = bytes.fromhex("f0b1 f0b2 006c 0000") + data
    checksum = udp.checksum(source, destination, segment).to_bytes(2, "big")
    datagram = bytes(Ipv6(0, 0, 108, 17, 64, source, destination)) + segment[:6] + checksum + data
    first = bytes.fromhex("c0 94 00 01 42 fb e0 40 12") + checksum + data[:40]
    second = bytes.fromhex("e0 94 00 01 0b") + data[40:]
    mac = Mac(destination_pan=1, source=links[0], destination=links[1], pan_id_compression=True)
    reassembler = Reassembler()
    events = []
    for payload in (first, second):
        events += reassembler.feed(decode_frame(encode_frame(mac, payload).octets))
    assert [type(event) for event in events] == [Complete]
    assert isinstance(events[0], Complete)
    assert events[0].datagram.octets == datagram


@settings(max_examples=200)
@given(st.integers(0, 255), st.integers(0, 255), st.binary(max_size=50), st.sampled_from([2, 8]))
def test_any_encoding_is_read_or_located(hc1: int, hc2: int, rest: bytes, size: int) -> None:
    octets = bytes([0x42, hc1, hc2]) + rest
    offset = 0
    try:
        read = decompress(octets, Env(bytes(range(size)), bytes(range(size))))
    except WireError as error:
        offset = error.offset
    else:
        assert tiles(read.spans, len(octets) * 8)
        assert isinstance(read.layers[0], legacy.Legacy)
    assert 0 <= offset <= len(octets)


@pytest.mark.parametrize(
    ("source", "destination", "traffic", "number"),
    list(product(range(4), range(4), range(2), range(4))),
)
def test_octets_taken_are_what_section_10_says(
    source: int, destination: int, traffic: int, number: int
) -> None:
    """Sizes counted from the text: prefixes and identifiers of 64 bits, 28 bits of traffic class and flow label."""
    encoding = source << 6 | destination << 4 | traffic << 3 | number << 1
    bits = 8 + 64 * ((source in {0, 1}) + (source in {0, 2}))
    bits += 64 * ((destination in {0, 1}) + (destination in {0, 2}))
    bits += (0 if traffic else 28) + (8 if number == 0 else 0)
    reader = Reader(bytes([0x42, encoding]) + bytes(60))
    legacy.decode(reader, Env(bytes(8), bytes(8)))
    assert reader.pos == 2 + (bits + 7) // 8
    assert tiles(reader.spans, reader.pos * 8)


# --- escapes ----------------------------------------------------------------------------------------


def test_every_extension_type_has_its_name() -> None:
    """RFC 8066 figure 4."""
    names = {0: "reserved", 255: "reserved"} | dict.fromkeys(range(32, 255), "unassigned")
    for kind in range(256):
        name = names.get(kind, "command of ITU-T G.9903 or G.9905")
        assert escape.TYPES[kind].name == name
        with pytest.raises(NotSupported if 1 <= kind <= 31 else Reserved) as caught:
            decompress(bytes([0x40, kind, 0x7A, 0x33]), Env())
        assert name in str(caught.value)


def test_an_escape_is_named_in_a_frame() -> None:
    mac = Mac(destination_pan=1, source=b"\0\1", destination=b"\0\2", pan_id_compression=True)
    frame = decode_frame(encode_frame(mac, bytes.fromhex("40 05 01 02")).octets)
    assert isinstance(frame.fault, NotSupported)
    assert frame.layers[-1] == escape.Escape(5)
    assert tiles(frame.spans, len(frame.octets) * 8)
