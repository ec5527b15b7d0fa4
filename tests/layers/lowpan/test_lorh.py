"""Routing headers of page 1: RFC 8138's figures, what they stand for in IPv6 (by a packet library), and back."""

from collections.abc import Iterator
from ipaddress import IPv6Address
from itertools import product
from pathlib import Path
from typing import Any

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from vector_files import document

from lowpanbudget import (
    Env,
    Mac,
    Reassembler,
    compress,
    decode_frame,
    decompress,
    encode_frame,
    errors,
    split,
)
from lowpanbudget.bits import Reader, Writer, tiles
from lowpanbudget.errors import Malformed, RequestError, WireError
from lowpanbudget.layers.internet import ipv6, udp
from lowpanbudget.layers.internet.ipv6 import Ipv6
from lowpanbudget.layers.lowpan import lorh, routing
from lowpanbudget.layers.lowpan.lorh import IpInIp, RoutingHeader, Rpi, Skipped, SrhLorh
from lowpanbudget.stack.events import Complete

VECTORS = Path(__file__).parents[3] / "vectors"
Case = dict[str, Any]


def load(folder: str) -> Iterator[Case]:
    for path in sorted((VECTORS / folder).glob("*.toml")):
        for case in document(path)["case"]:
            yield {"file": f"{folder}/{path.name}", **case}


def named(cases: list[Case]) -> list[Any]:
    return [pytest.param(case, id=f"{case['file']}:{case['id']}") for case in cases]


CASES = list(load("rfc8138"))
PAYLOADS = [case for case in CASES if "lowpan" in case]
EXPANDING = [case for case in PAYLOADS if "ipv6" in case]
SENT = [case for case in EXPANDING if case["result"] == "valid" or case.get("sent")]
INVALID = [case for case in PAYLOADS if case["result"] == "invalid"]
FRAGMENTED = [case for case in CASES if "fragments" in case]
LIFE_CYCLE = [case for case in CASES if "received" in case]


def octets(case: Case, key: str) -> bytes:
    return bytes.fromhex(case[key])


def env_of(case: Case) -> Env:
    return Env(
        case.get("link_source"),
        case.get("link_destination"),
        contexts={int(number): prefix for number, prefix in case.get("contexts", {}).items()},
        root=case.get("root"),
        rpi_type=case.get("rpi_type", 0x63),
    )


def test_every_case_is_read() -> None:
    read = EXPANDING + INVALID + FRAGMENTED + LIFE_CYCLE
    assert len(read) == len(CASES) >= 75


# --- the vectors ------------------------------------------------------------------------------------


@pytest.mark.parametrize("case", named(EXPANDING))
def test_expands_to_the_datagram(case: Case) -> None:
    lowpan = octets(case, "lowpan")
    read = decompress(lowpan, env_of(case))
    assert read.octets.hex(" ") == octets(case, "ipv6").hex(" ")
    assert tiles(read.spans, len(lowpan) * 8)
    assert [notice.name for notice in read.notices] == case.get("notices", [])
    found: dict[str, int] = {}
    for span in read.spans:
        found[span.layer] = found.get(span.layer, 0) + span.bits
    for layer, size in case.get("sizes", {}).items():
        assert found[layer] == size * 8, layer


@pytest.mark.parametrize("case", named(SENT))
def test_datagram_compresses_to_the_wire(case: Case) -> None:
    packed = compress(octets(case, "ipv6"), env_of(case), lorh=True)
    if case.get("shortest", True):
        assert packed.octets.hex(" ") == octets(case, "lowpan").hex(" ")
        assert packed.spans == decompress(packed.octets, env_of(case)).spans
    else:
        assert len(packed.octets) <= len(octets(case, "lowpan"))
        assert packed.octets != octets(case, "lowpan")
        assert decompress(packed.octets, env_of(case)).octets == octets(case, "ipv6")


@pytest.mark.parametrize("case", named(INVALID))
def test_is_refused_where_it_is_wrong(case: Case) -> None:
    with pytest.raises(WireError) as caught:
        decompress(octets(case, "lowpan"), env_of(case))
    assert type(caught.value) is getattr(errors, case["error"])
    assert caught.value.offset == case["offset"]
    assert caught.value.layer
    assert caught.value.cite is not None


@pytest.mark.parametrize("case", named(EXPANDING))
def test_cut_at_every_octet(case: Case) -> None:
    """Nothing but a located error, or the datagram with a shorter payload, comes of octets cut short."""
    lowpan = octets(case, "lowpan")
    for end in range(1, len(lowpan)):
        try:
            read = decompress(lowpan[:end], env_of(case))
        except WireError as error:
            offset = error.offset
        else:
            offset = 0
            assert tiles(read.spans, end * 8)
        assert 0 <= offset <= end


@pytest.mark.parametrize("case", named(FRAGMENTED))
def test_fragments_in_page_0_then_page_1(case: Case) -> None:
    env = env_of(case)
    packet, wire = octets(case, "ipv6"), [bytes.fromhex(text) for text in case["fragments"]]
    assert split(packet, env, room=case["room"], tag=case["tag"], lorh=True) == wire
    mac = Mac(
        destination_pan=1, destination=env.destination, source=env.source, pan_id_compression=True
    )
    reassembler = Reassembler()
    events = []
    for payload in wire:
        frame = decode_frame(
            encode_frame(mac, payload).octets, contexts=env.contexts, root=env.root
        )
        assert frame.fault is None
        assert tiles(frame.spans, len(frame.octets) * 8)
        events += reassembler.feed(frame)
    assert len(events) == 1
    assert isinstance(events[0], Complete)
    assert events[0].datagram.octets == packet


def test_a_packet_library_reads_the_artefacts() -> None:
    from scapy.layers.inet6 import IPv6, IPv6ExtHdrRouting, RplOption

    case = next(case for case in EXPANDING if case["id"] == "figure-20")
    packet = IPv6(decompress(octets(case, "lowpan"), env_of(case)).octets)
    option, route = packet[RplOption], packet[IPv6ExtHdrRouting]
    assert (option.otype, option.Down, option.RplInstanceId, option.SenderRank) == (0x63, 1, 0, 256)
    assert route.type == 3
    assert route.addresses == ["2001:db8::ff:fe00:b02", "2001:db8::ff:fe00:c03"]
    inner = packet.getlayer(IPv6, 2)
    assert inner is not None
    assert inner.dst == "2001:db8::ff:fe00:c03"


# --- every row --------------------------------------------------------------------------------------


def test_every_row_and_type_is_hit() -> None:
    """I and K, the five address forms, each entry of both registries, each flag."""
    types, forms, known = set(), set(), set()
    for case in EXPANDING:
        for layer in decompress(octets(case, "lowpan"), env_of(case)).layers:
            known.add(type(layer))
            if isinstance(layer, SrhLorh):
                types.add(layer.kind)
    for case in EXPANDING:
        for span in decompress(octets(case, "lowpan"), env_of(case)).spans:
            if span.layer == "RPI-6LoRH" and span.bits == 1:
                forms.add((span.name, span.value))
    assert types == set(range(5))
    assert known >= {SrhLorh, Rpi, IpInIp, Skipped}
    names = ("O", "R", "F", lorh.INSTANCE.label, lorh.RANK.label)
    assert forms == set(product(names, (0, 1)))
    assert sorted(p.key for p in lorh.CRITICAL_TYPES.patterns) == ["rpi", "srh", "srh"]


# --- the life cycle of a source route, RFC 8138 appendix A.3 -----------------------------------------


def as_routes(text: list[list[str]]) -> tuple[SrhLorh, ...]:
    return tuple(SrhLorh(tuple(bytes.fromhex(hop) for hop in hops)) for hops in text)


@pytest.mark.parametrize("case", named(LIFE_CYCLE))
def test_what_a_node_forwards_leads_over_the_hops_behind_it(case: Case) -> None:
    received, forwarded = (as_routes(case[key]) for key in ("received", "forwarded"))
    assert routing.expand_hops(forwarded, ROOT) == routing.expand_hops(received, ROOT)[1:]


def test_types_of_the_life_cycle() -> None:
    """Figure 22 names them: Type 3 Size 0, Type 1 Size 0, Type 2 Size 1."""
    received = as_routes(LIFE_CYCLE[0]["received"])
    assert [(route.kind, len(route.hops) - 1) for route in received] == [(3, 0), (1, 0), (2, 1)]


HOPS = st.lists(
    st.one_of(
        *(
            st.lists(st.binary(min_size=size, max_size=size), min_size=1, max_size=4).map(tuple)
            for size in (1, 2, 4, 8, 16)
        )
    ),
    min_size=1,
    max_size=5,
).map(lambda routes: tuple(map(SrhLorh, routes)))
ADDRESSES = st.integers(1, (1 << 120) - 1).map(lambda n: IPv6Address(0x20 << 120 | n))


# --- compressing hops -------------------------------------------------------------------------------

NEAR = st.lists(
    st.tuples(st.sampled_from((1, 2, 4, 8, 16)), st.integers(0, 3)), min_size=1, max_size=5
)


def near(steps: list[tuple[int, int]], reference: IPv6Address) -> list[IPv6Address]:
    """Return hops each of which differs from the one before in about so many octets."""
    hops = []
    for octets_, value in steps:
        packed = bytearray(reference.packed)
        packed[16 - octets_] = 0x20 + value if octets_ == 16 else value
        reference = IPv6Address(bytes(packed))
        hops.append(reference)
    return hops


def fewest(hops: list[IPv6Address], reference: IPv6Address) -> int:
    """Return the least octets, trying every address form for every hop (RFC 8138 sections 4.3.1 and 5.1)."""
    best = 1 << 30
    for forms in product((1, 2, 4, 8, 16), repeat=len(hops)):
        before, cost, last = reference, 0, 0
        for hop, form in zip(hops, forms, strict=True):
            if before.packed[: 16 - form] + hop.packed[16 - form :] != hop.packed:
                break
            cost += form + (2 if form != last else 0)
            before, last = hop, form
        else:
            best = min(best, cost)
    return best


@settings(max_examples=60)
@given(NEAR, ADDRESSES)
@example([(2, 1), (1, 2), (2, 3)], IPv6Address("2001:db8::1"))
def test_no_shorter_form_of_a_route_exists(
    steps: list[tuple[int, int]], reference: IPv6Address
) -> None:
    hops = near(steps, reference)
    writer = Writer()
    for route in routing.compress_hops(hops, reference):
        lorh.encode(writer, route)
    assert len(writer.data) == fewest(hops, reference)
    assert routing.expand_hops(routing.compress_hops(hops, reference), reference) == hops


# --- headers alone ----------------------------------------------------------------------------------

RPIS = st.builds(
    Rpi,
    st.integers(0, 255),
    st.one_of(st.integers(0, 0xFFFF), st.integers(0, 255).map(lambda n: n << 8)),
    st.booleans(),
    st.booleans(),
    st.booleans(),
)
HEADERS = st.one_of(
    RPIS,
    HOPS.map(lambda routes: routes[0]),
    st.builds(IpInIp, st.integers(0, 255), st.binary(max_size=16)),
    st.builds(Skipped, st.integers(7, 255), st.binary(max_size=31)),
)


@given(HEADERS)
def test_header_there_and_back(header: RoutingHeader) -> None:
    writer = Writer()
    lorh.encode(writer, header)
    reader = Reader(bytes(writer.data))
    assert lorh.decode(reader) == header
    assert reader.left == 0
    assert reader.spans == writer.spans
    assert tiles(writer.spans, len(writer.data) * 8)


@given(RPIS)
def test_sizes_of_the_four_forms(rpi: Rpi) -> None:
    """RFC 8138 figures 10 to 13: 3, 4, 4 and 5 octets."""
    writer = Writer()
    lorh.encode(writer, rpi)
    assert len(writer.data) == 3 + (rpi.instance != 0) + (rpi.sender_rank % 256 != 0)


@pytest.mark.parametrize(
    ("header", "octets"),
    [
        # RFC 8138 section 5.1: Size 31 is 32 addresses; 6.3: instance and rank in line; 7: hop limit and an address
        (SrhLorh((b"\0",) * 32), 2 + 32),
        (Rpi(255, 0xFFFF), 2 + 3),
        (IpInIp(0), 2 + 1),
        (IpInIp(255, bytes(range(16))), 2 + 1 + 16),
        (Skipped(255, bytes(31)), 2 + 31),
    ],
)
def test_headers_hold_as_much_as_their_fields(header: RoutingHeader, octets: int) -> None:
    writer = Writer()
    lorh.encode(writer, header)
    assert len(writer.data) == octets
    assert lorh.decode(Reader(bytes(writer.data))) == header


def test_the_least_information_is_of_the_global_instance() -> None:
    """RFC 8138 figure 13: I and K set, O, R and F clear, instance 0 elided, a rank of one octet."""
    writer = Writer()
    lorh.encode(writer, Rpi())
    assert bytes(writer.data) == bytes([0b100_000_11, 5, 0])


@pytest.mark.parametrize(
    "header",
    [
        SrhLorh(()),
        SrhLorh((b"\0\0\0",)),
        SrhLorh((b"\0", b"\0\0")),
        SrhLorh((b"\0",) * 33),
        Rpi(256),
        Rpi(0, 1 << 16),
        Rpi(-1),
        IpInIp(256),
        IpInIp(1, bytes(17)),
        Skipped(256, b""),
        Skipped(7, bytes(32)),
    ],
)
def test_impossible_headers_are_wrong_requests(header: RoutingHeader) -> None:
    with pytest.raises(RequestError):
        lorh.encode(Writer(), header)


# --- whole datagrams --------------------------------------------------------------------------------

ROOT = IPv6Address("2001:db8::ff:fe00:1")
ENV = Env("0001", "0a01", contexts={0: "2001:db8::/64"}, root=ROOT)
NEAR_NODES = st.integers(2, 0xFFFF)
FAR_NODES = st.integers(2, 255)
FAR = int(IPv6Address("2001:db8:7::"))
# which hops are far: one to four, each number as often
WAYS = [
    way
    for count in range(1, 5)
    for way in product((False, True), repeat=count)
    for _ in range(16 >> count)
]
# the source, the hops, whether there are a segment and an option, the flags of the option, the traffic class
ROUTES = st.sampled_from(
    list(
        product(
            ("root", "root", "near", "far"),
            WAYS,
            (False, True),
            (False, True),
            range(8),
            (0, 0, 0, 0x2E),
        )
    )
)
DEPTHS = st.integers(1, 3)
HOP_LIMITS = st.integers(0, 255)
DATA, PORT_PAIRS, REMAINDERS = (
    st.binary(max_size=20),
    st.binary(min_size=4, max_size=4),
    st.binary(min_size=3, max_size=3),
)


def node(draw: st.DrawFn, *, far: bool) -> IPv6Address:
    return IPv6Address(FAR + draw(FAR_NODES) if far else int(ROOT) - 1 + draw(NEAR_NODES))


@st.composite
def routed(draw: st.DrawFn) -> bytes:
    """Return a datagram with the artefacts of RPL, made from the layouts of RFC 8200, 6553 and 6554 alone."""
    payload, kind = draw(DATA), 59
    first = True
    for _ in range(draw(DEPTHS)):
        origin, way, with_segment, with_option, flags, traffic = draw(ROUTES)
        source = ROOT if origin == "root" else node(draw, far=origin == "far")
        hops = list(dict.fromkeys(node(draw, far=far) for far in way))
        if first and with_segment:
            segment = draw(PORT_PAIRS) + (8 + len(payload)).to_bytes(2, "big")
            segment += b"\0\0" + payload
            checksum = udp.checksum(source, hops[-1], segment)
            payload, kind = segment[:6] + checksum.to_bytes(2, "big") + segment[8:], ipv6.UDP
        if len(hops) > 1:
            head = bytes([kind, 2 * (len(hops) - 1), 3, len(hops) - 1]) + bytes(4)
            payload = head + b"".join(hop.packed for hop in hops[1:]) + payload
            kind = ipv6.ROUTING
        if with_option:
            rpi = bytes([kind, 0, 0x63, 4, flags << 5]) + draw(REMAINDERS)
            payload, kind = rpi + payload, ipv6.HOP_BY_HOP
        header = Ipv6(traffic, 0, len(payload), kind, draw(HOP_LIMITS), source, hops[0])
        payload, kind, first = bytes(header) + payload, ipv6.IPV6, False
    return payload


@settings(max_examples=150)
@given(routed(), st.booleans(), st.booleans(), st.sampled_from((ROOT, None)))
def test_artefacts_there_and_back(
    datagram: bytes, elide: bool, ghc: bool, root: IPv6Address | None
) -> None:
    env = Env("0001", "0a01", contexts={0: "2001:db8::/64"}, root=root)
    plain = compress(datagram, env, elide_udp_checksum=elide, ghc=ghc)
    packed = compress(datagram, env, elide_udp_checksum=elide, ghc=ghc, lorh=True)
    assert len(packed.octets) <= len(plain.octets)
    assert tiles(packed.spans, len(packed.octets) * 8)
    read = decompress(packed.octets, env)
    assert read.octets == datagram
    assert read.spans == packed.spans


@settings(max_examples=40)
@given(routed(), st.integers(60, 110))
def test_artefacts_in_fragments(datagram: bytes, room: int) -> None:
    try:
        payloads = split(datagram, ENV, room=room, lorh=True)
    except RequestError:
        return
    assert all(len(payload) <= room for payload in payloads)
    mac = Mac(
        destination_pan=1, destination=ENV.destination, source=ENV.source, pan_id_compression=True
    )
    reassembler = Reassembler()
    events = []
    for payload in payloads:
        frame = encode_frame(mac, payload)
        events += reassembler.feed(decode_frame(frame.octets, contexts=ENV.contexts, root=ROOT))
    assert [type(event) for event in events] == [Complete]
    assert isinstance(events[0], Complete)
    assert events[0].datagram.octets == datagram


def artefact(
    addresses: list[str], *, elided: int = 0, left: int | None = None, tail: bytes = b""
) -> bytes:
    """Return a datagram with a routing header whose addresses leave out ``elided`` octets (RFC 6554 section 3)."""
    vector = b"".join(IPv6Address(address).packed[elided:] for address in addresses)
    pad = -len(vector) % 8
    left = len(addresses) if left is None else left
    head = bytes([59, (len(vector) + pad) // 8, 3, left, elided << 4 | elided, pad << 4, 0, 0])
    body = head + vector + bytes(pad) + tail
    destination = IPv6Address("2001:db8::ff:fe00:a01")
    return bytes(Ipv6(0, 0, len(body), ipv6.ROUTING, 64, ROOT, destination)) + body


def test_elided_prefixes_come_back_whole() -> None:
    """An SRH says nothing about CmprI and CmprE: "a valid IPv6 packet, including an SRH" comes back, an equal one."""
    hops = ["2001:db8::ff:fe00:b02", "2001:db8::ff:fe00:c03"]
    packed = compress(artefact(hops, elided=14, tail=b"\xaa"), ENV, lorh=True).octets
    # wire by hand, as in vectors/rfc8138
    assert packed.hex(" ") == "f1 81 01 0a 01 0b 02 7a 76 3b 0c 03 aa"
    assert decompress(packed, ENV).octets == artefact(hops, tail=b"\xaa")


def test_visited_addresses_are_lost() -> None:
    """ "will not carry all the consumed addresses" (RFC 8138 section 5.3)."""
    hops = ["2001:db8::ff:fe00:9", "2001:db8::ff:fe00:b02"]
    packed = compress(artefact(hops, left=1), ENV, lorh=True).octets
    assert decompress(packed, ENV).octets == artefact(hops[1:])


def test_a_last_hop_that_comes_twice_stays_a_routing_header() -> None:
    """Its addresses would come back one short: the final destination is no hop of its own."""
    hops = ["2001:db8::ff:fe00:b02", "2001:db8::ff:fe00:b02"]
    packed = compress(artefact(hops), ENV, lorh=True).octets
    assert packed[0] != 0xF1
    assert decompress(packed, ENV).octets == artefact(hops)


def test_a_routing_header_holds_127_whole_addresses() -> None:
    """RFC 6554 section 3: Hdr Ext Len is of 8 bits, in units of 8 octets; 127 addresses of 16 octets are 254 of them.

    The first hop is the IPv6 destination, the last one stands in IPHC (by hand, as in vectors/rfc8138).
    """
    for hops, added in ((127, 127), (128, None)):
        sizes = [32, 32, 32, hops - 96]
        route = b"".join(
            bytes([0x80 | size - 1, 0]) + bytes(range(32 * at + 1, 32 * at + 1 + size))
            for at, size in enumerate(sizes)
        )
        wire = b"\xf1" + route + bytes.fromhex("7a 76 3b 0a 01")
        if added is None:
            with pytest.raises(Malformed, match="128 hops do not fit"):
                decompress(wire, ENV)
            continue
        found = decompress(wire, ENV).octets
        assert (found[6], found[40:44]) == (43, bytes([59, 2 * added, 3, added]))
        assert len(found) == 40 + 8 + 16 * added
        assert found[39] == 1
        assert [found[48 + 16 * at + 15] for at in range(added - 1)] == list(range(2, hops + 1))


def test_as_many_routing_headers_are_sent_as_are_read() -> None:
    """A page switch, SRH-6LoRH and IPHC: hops of 8 octets and of 1 by turns take a header each, and come back."""
    for headers in range(12, 17):
        hops = [f"2001:db8::{at // 2 + 1:x}:0:0:{at % 2 + 1}" for at in range(headers - 1)]
        datagram = artefact([*hops, "2001:db8::ff:fe00:e05"])
        packed = compress(datagram, ENV, lorh=True).octets
        assert decompress(packed, ENV).octets == datagram
        # 16 dispatches are read of a frame: a bound of our own
        assert (packed[0] == 0xF1) == (1 + headers + 1 <= 16)


def test_a_routing_header_cut_short_stays_as_it_is() -> None:
    whole = artefact(["2001:db8::ff:fe00:b02"])
    datagram = whole[:4] + (12).to_bytes(2, "big") + whole[6:52]
    packed = compress(datagram, ENV, lorh=True).octets
    assert packed[0] != 0xF1
    assert decompress(packed, ENV).octets == datagram


def test_byte_code_does_not_lean_on_the_route() -> None:
    """Removing a hop "does not modify the part of the packet that is encoded with LOWPAN_IPHC" (section 3.2.1)."""
    final = IPv6Address("2001:db8::ff:fe00:e05").packed
    hop = IPv6Address("2001:db8::ff:fe00:b02").packed
    body = bytes([58, 2, 3, 1]) + bytes(4) + final + bytes.fromhex("80000000 00010002") + final * 2
    header = Ipv6(0, 0, len(body), ipv6.ROUTING, 64, ROOT, IPv6Address(hop))
    datagram = bytes(header) + body
    packed = compress(datagram, ENV, lorh=True, ghc=True).octets
    assert packed[:5].hex(" ") == "f1 80 01 0b 02"
    # the next router pops its entry; the rest of the packet is untouched
    popped = decompress(b"\xf1" + packed[5:], ENV).octets
    assert popped[24:40] == final
    assert popped[40:] == body[24:]


def test_fragments_never_carry_another_form() -> None:
    """Sizes and offsets of RFC 4944 speak of the datagram that comes back, so it must be the same."""
    datagram = artefact(["2001:db8::ff:fe00:b02"], elided=8, tail=bytes(100))
    payloads = split(datagram, ENV, room=80, lorh=True)
    assert len(payloads) > 1
    assert payloads[0][4] != 0xF1  # no page 1 behind the fragment header


@pytest.mark.parametrize(
    "change",
    [
        {4: 0x22},  # another option type
        {5: 5},  # sub-TLVs
        {6: 0x01},  # reserved bits
    ],
)
def test_options_that_no_header_can_hold_stay(change: dict[int, int]) -> None:
    option = bytearray.fromhex("3b 00 63 04 00 00 02 00")
    for at, value in change.items():
        option[at - 2] = value
    datagram = bytes(Ipv6(0, 0, 8, 0, 64, ROOT, IPv6Address("2001:db8::ff:fe00:a01"))) + option
    packed = compress(datagram, ENV, lorh=True).octets
    assert packed[0] != 0xF1
    assert decompress(packed, ENV).octets == datagram


def test_other_option_type_needs_the_matching_env() -> None:
    option = bytes.fromhex("3b 00 23 04 00 00 02 00")
    datagram = bytes(Ipv6(0, 0, 8, 0, 64, ROOT, IPv6Address("2001:db8::ff:fe00:a01"))) + option
    assert compress(datagram, ENV, lorh=True).octets[0] != 0xF1
    other = Env("0001", "0a01", contexts={0: "2001:db8::/64"}, root=ROOT, rpi_type=0x23)
    packed = compress(datagram, other, lorh=True).octets
    assert packed.hex(" ") == "f1 83 05 02 7a 77 3b"
    mac = Mac(destination_pan=1, source=b"\0\1", destination=b"\x0a\1", pan_id_compression=True)
    for rpi_type in (0x63, 0x23):
        frame = decode_frame(
            encode_frame(mac, packed).octets, contexts=other.contexts, rpi_type=rpi_type
        )
        assert frame.datagram is not None
        assert frame.datagram.octets[42] == rpi_type


@pytest.mark.parametrize(
    "octets",
    [
        "f1 930502 7e33 ee 7e77 f3123a05",
        "f1 930502 a10640 7e33 ee 7e33 f3123a05",
        "f1 a20640c7 7e55 1122334455667788 a122334455667788 ee 7e33 f3123a05",
    ],
)
def test_a_tunnel_may_stay_behind_iphc(octets: str) -> None:
    """RFC 8138 section 7, RFC 6282 section 4.2: where 6LoRH takes more octets, EID 7 (ee) leads to the inner header."""
    env = Env(
        bytes.fromhex("0017"), bytes.fromhex("0001"),
        contexts={0: "2001:db8:1::/64"}, root="2001:db8:1::1",
    )  # fmt: skip
    sent = bytes.fromhex(octets) + b"hello"
    datagram = decompress(sent, env).octets
    assert compress(datagram, env, lorh=True).octets == sent


def test_lorh_is_only_used_on_request() -> None:
    case = next(case for case in EXPANDING if case["id"] == "figure-16")
    assert compress(octets(case, "ipv6"), env_of(case)).octets[0] != 0xF1


def test_without_artefacts_nothing_changes() -> None:
    datagram = bytes(Ipv6(0, 0, 1, 59, 64, ROOT, IPv6Address("2001:db8::ff:fe00:a01"))) + b"\xaa"
    assert compress(datagram, ENV, lorh=True).octets == compress(datagram, ENV).octets


# --- garbage ----------------------------------------------------------------------------------------

SNIPPETS = st.sampled_from(
    [bytes.fromhex(text) for text in (
        "83 05 02", "80 01 0a 01", "a1 06 40", "a3 06 40 0a 01", "f1", "f0", "a0 07", "9f 00",
        "7a 77 3b", "7e 77 f3", "7a 07 3b", "41", "ee", "e3 02",
    )]
)  # fmt: skip


@settings(max_examples=200)
@given(st.lists(st.one_of(SNIPPETS, st.binary(max_size=6)), max_size=20).map(b"".join))
def test_garbage_gives_a_datagram_or_a_located_error(noise: bytes) -> None:
    lowpan = b"\xf1" + noise
    try:
        read = decompress(lowpan, ENV)
    except WireError as error:
        offset = error.offset
    else:
        offset = 0
        assert tiles(read.spans, len(lowpan) * 8)
        assert len(read.octets) < 65_576
    assert 0 <= offset <= len(lowpan)
    frame = decode_frame(
        encode_frame(
            Mac(destination_pan=1, destination=b"\0\1", source=b"\0\2", pan_id_compression=True),
            lowpan,
        ).octets,
        contexts=ENV.contexts,
        root=ROOT,
    )
    assert tiles(frame.spans, len(frame.octets) * 8)


@settings(max_examples=150)
@given(
    routed(),
    st.lists(st.tuples(st.integers(0, 0xFFFF), st.integers(0, 255)), min_size=1, max_size=3),
)
def test_damaged_artefacts_are_never_fatal(datagram: bytes, changes: list[tuple[int, int]]) -> None:
    """Any octet of a datagram with artefacts may be anything: it goes some way and comes back, or is refused."""
    octets_ = bytearray(datagram)
    for place, octet in changes:
        octets_[40 + place % (len(octets_) - 40) if len(octets_) > 40 else 39] = octet
    try:
        packed = compress(bytes(octets_), ENV, lorh=True).octets
    except RequestError:
        return
    assert len(packed) <= len(compress(bytes(octets_), ENV).octets)
    again = decompress(packed, ENV).octets
    assert compress(again, ENV, lorh=True).octets == packed


def test_tunnel_bombs_stay_small() -> None:
    """Sixteen tunnels of three octets each: refused at the bound, without an expansion."""
    with pytest.raises(WireError):
        decompress(b"\xf1" + b"\xa1\x06\x40" * 40 + bytes.fromhex("7a 77 3b"), ENV)
    thirteen = (
        b"\xf1" + b"\xa1\x06\x40" * 13 + bytes.fromhex("7a 77 3b".replace("77", "76")) + b"\x0a\x01"
    )
    assert len(decompress(thirteen, ENV).octets) == 14 * 40


def test_tunnel_bombs_in_a_datagram_stay_small() -> None:
    datagram = b""
    for _ in range(40):
        kind = ipv6.IPV6 if datagram else 59
        header = Ipv6(0, 0, len(datagram), kind, 64, ROOT, IPv6Address("2001:db8::ff:fe00:a01"))
        datagram = bytes(header) + datagram
    packed = compress(datagram, ENV, lorh=True).octets
    assert decompress(packed, ENV).octets == datagram


@pytest.mark.parametrize(
    ("source", "octets"),
    [
        ("2001:db8::ff:fe00:2", 1),
        ("2001:db8::ff:fe00:201", 2),
        ("2001:db8::ff:fe03:201", 4),  # three octets differ
        ("2001:db8::4ff:fe03:201", 8),  # five and a half do
    ],
)
def test_an_encapsulator_has_one_of_the_compressions_of_figure_7(source: str, octets: int) -> None:
    """RFC 8138 section 7: Length "indicates which compression is performed", and figure 7 lists 1, 2, 4, 8 and 16."""
    inner = bytes(Ipv6(0, 0, 1, 59, 64, IPv6Address("2001:db8::ff:fe00:9"), ROOT)) + b"x"
    outer = bytes(Ipv6(0, 0, len(inner), 41, 64, IPv6Address(source), ROOT))
    packed = compress(outer + inner, ENV, lorh=True)
    tunnel = [span for span in packed.spans if span.layer == "IP-in-IP-6LoRH"]
    assert tunnel, packed.octets.hex(" ")
    assert sum(span.bits for span in tunnel if span.name == "encapsulator") == 8 * octets
    assert next(span.value for span in tunnel if span.name == "length") == 1 + octets
    assert decompress(packed.octets, ENV).octets == outer + inner


@pytest.mark.parametrize("rpi", ["", "930501"])
def test_a_tunnel_downwards_ends_where_its_inner_header_leads(rpi: str) -> None:
    """RFC 8138 section 7: "it is the destination address in the LOWPAN_IPHC for packets going downwards"."""
    env = Env("0001", "0002", contexts={0: "2001:db8::/64"}, root="2001:db8::1")
    with pytest.raises(Malformed, match="ends where it leads itself") as caught:
        decompress(bytes.fromhex(f"f1{rpi}a106407e77f3121a2b48656c6c6f"), env)
    assert str(caught.value.cite) == "RFC 8138 §7"
