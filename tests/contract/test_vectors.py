"""Every vector in ``vectors/`` that is a 6LoWPAN payload, a set of fragments or the arithmetic of RFC 4919.

What a case holds is told in ``vectors/README.md``. Values come from the standards, not from the code under test.
"""

import contextlib
from itertools import pairwise
from typing import Any

import pytest
import second_decoder
from contract.vectors import (
    DESTINATION,
    SOURCE,
    VECTORS,
    Case,
    around_of,
    env_of,
    framed,
    in_order,
    load,
    named,
    octets,
    plain,
    sizes,
    tiles,
)
from second import payload
from second.tape import Refused
from vector_files import document

import lowpanbudget
from lowpanbudget import (
    Mac,
    Reassembler,
    Security,
    Span,
    Truncated,
    WireError,
    compress,
    decode_frame,
    decompress,
    encode_frame,
    split,
)

ALL = [case for case in load() if "lowpan" in case or "fragments" in case]
# the headers of 6LoWPAN; what they carry may be explained further, as headers of its own
HEADERS = {
    "6LoWPAN dispatch",
    "page switch",
    "mesh",
    "BC0",
    "IPHC",
    "NHC extension",
    "UDP NHC",
    "IPv6",
}
CUT_STRICTLY = ("rfc6282", "rfc4944", "rfc8025")


def folder(case: Case) -> str:
    return str(case["file"].partition("/")[0])


def is_of(case: Case, document: str) -> bool:
    """Return whether the case's folder or file is named after the document."""
    return document in case["file"].replace(".toml", "").split("/")


def is_routed(case: Case) -> bool:
    """Return whether the case's datagram is sent with 6LoWPAN routing headers."""
    return bool(case.get("lorh", is_of(case, "rfc8138")))


def is_old(case: Case) -> bool:
    """Return whether the case has an HC1 header, which is read and not sent any more."""
    spans = decompress(octets(case, "lowpan"), env_of(case)).spans
    return any(span.layer == "HC1" for span in spans)


PAYLOADS = [case for case in ALL if "lowpan" in case]
EXPANDING = [case for case in PAYLOADS if "ipv6" in case]
OLD = [case for case in EXPANDING if is_old(case)]
SENT = [c for c in EXPANDING if c not in OLD and (c["result"] == "valid" or c.get("sent"))]
SHORTEST = [case for case in SENT if case.get("shortest", True)]
INVALID = [case for case in PAYLOADS if case["result"] == "invalid"]
FRAGMENTS = [case for case in ALL if "fragments" in case]


def packed(case: Case) -> Any:
    return compress(
        octets(case, "ipv6"), env_of(case), elide_udp_checksum=case.get("elide_udp_checksum", False),
        ghc=is_of(case, "rfc7400") and bool(case.get("shortest", True)), lorh=is_routed(case),
    )  # fmt: skip


def header_octets(spans: tuple[Span, ...]) -> int:
    return sum(span.bits for span in spans if span.layer in HEADERS) // 8


@pytest.mark.parametrize("key", ["case", "story"])
def test_case_says_where_it_comes_from_and_why(key: str) -> None:
    for case in load(key=key):
        assert case["source"], case["id"]
        if "result" in case:
            assert case["result"] in {"valid", "invalid", "lenient"}
            assert case.get("why") or folder(case) == "rfc8613", case["id"]


def test_ids_are_unique() -> None:
    ids = [(case["file"], case["id"]) for key in ("case", "story") for case in load(key=key)]
    assert len(ids) == len(set(ids))


@pytest.mark.parametrize("case", named(EXPANDING))
def test_expands(case: Case) -> None:
    found = decompress(octets(case, "lowpan"), env_of(case))
    assert found.octets.hex(" ") == octets(case, "ipv6").hex(" ")
    assert tiles(found.spans, len(octets(case, "lowpan")) * 8)
    measured = sizes(found.spans)
    for layer, size in case.get("sizes", {}).items():
        assert measured[layer] == size
    if "mesh" in case:
        hops, *ends = case["mesh"]
        mesh = [span.value for span in found.spans if span.layer == "mesh"]
        assert hops in mesh
        assert in_order([bytes.fromhex(end) for end in ends], mesh)
    if "notices" in case:
        assert in_order(case["notices"], [notice.name for notice in found.notices])
    if "spans" in case:
        there = [[span.layer, span.name, span.bits, plain(span.value)] for span in found.spans]
        for wanted in case["spans"]:
            assert wanted in there
        assert in_order(case["spans"], there)


BASE = [case for case in EXPANDING if octets(case, "lowpan")[0] >> 5 == 0b011]


@pytest.mark.parametrize("case", named(BASE))
def test_codes_of_the_base_header(case: Case) -> None:
    """RFC 6282 figures 2 and 14: dispatch, TF, NH, HLIM, CID, SAC and SAM, M and DAC and DAM; then UDP's C and P."""
    lowpan = octets(case, "lowpan")
    spans = decompress(lowpan, env_of(case)).spans
    first, second = lowpan[:2]
    base = [
        first >> 5,
        first >> 3 & 3,
        first >> 2 & 1,
        first & 3,
        second >> 7,
        second >> 4 & 7,
        second & 15,
    ]
    assert [span.value for span in spans[:7]] == base
    assert {span.layer for span in spans[:7]} == {"IPHC"}
    for place, span in enumerate(spans):
        if span.layer == "UDP NHC" and span.bits == 5:
            octet = lowpan[span.offset_bits // 8]
            assert [s.value for s in spans[place : place + 3]] == [
                octet >> 3,
                octet >> 2 & 1,
                octet & 3,
            ]


@pytest.mark.parametrize("case", named(SHORTEST))
def test_compresses_to_these_octets(case: Case) -> None:
    found = packed(case)
    assert found.octets.hex(" ") == octets(case, "lowpan").hex(" ")
    assert tiles(found.spans, len(found.octets) * 8)
    assert _laid_out(found.spans) == _laid_out(decompress(found.octets, env_of(case)).spans)


def _laid_out(spans: tuple[Span, ...]) -> list[tuple[int, int, str, str, Any]]:
    return [
        (s.offset_bits, s.bits, s.layer, s.name, s.value) for s in spans if s.layer != "payload"
    ]


@pytest.mark.parametrize("case", named(c for c in EXPANDING if c not in SHORTEST))
def test_is_legal_but_not_what_we_send(case: Case) -> None:
    if "mesh" in case:
        return  # a mesh header is no choice of the compressor's
    found = packed(case)
    assert found.octets != octets(case, "lowpan") or case["result"] == "lenient"
    usable = all(context.may_compress for context in env_of(case).contexts.values())
    if usable and folder(case) in CUT_STRICTLY:
        assert len(found.octets) <= len(octets(case, "lowpan"))
    assert decompress(found.octets, env_of(case)).octets == octets(case, "ipv6")


@pytest.mark.parametrize("case", named(ALL))
def test_second_decoder_agrees_with_the_vector(case: Case) -> None:
    """Of what must be refused as well: it knows no faults, only that there is no datagram."""
    around, found = around_of(case), None
    with contextlib.suppress(Refused):
        if "fragments" in case:
            pieces = [bytes.fromhex(fragment) for fragment in case["fragments"]]
            found = payload.joined(payload.piece(piece, around) for piece in pieces)
        else:
            found = payload.datagram(octets(case, "lowpan"), around)
    assert found == (octets(case, "ipv6") if "ipv6" in case else None)


@pytest.mark.parametrize("case", named(EXPANDING))
def test_cut_at_every_octet(case: Case) -> None:
    """A cut header is an error in its place; cut behind its headers, a payload is shorter or cannot be right."""
    whole, env = octets(case, "lowpan"), env_of(case)
    strict = header_octets(decompress(whole, env).spans) if folder(case) in CUT_STRICTLY else 0
    for cut in range(len(whole)):
        try:
            read = decompress(whole[:cut], env)
        except WireError as error:
            assert error.offset <= cut  # noqa: PT017
            assert error.layer  # noqa: PT017
            assert cut >= strict or type(error) is Truncated  # noqa: PT017
        else:
            assert cut >= strict
            assert tiles(read.spans, cut * 8)


# a lone RFRAG says what it is in a frame only
ALONE = [case for case in INVALID if "hint" not in case and folder(case) != "rfc8931"]


@pytest.mark.parametrize("case", named(ALONE))
def test_is_refused_with_its_place(case: Case) -> None:
    with pytest.raises(WireError) as caught:
        decompress(octets(case, "lowpan"), env_of(case))
    assert type(caught.value) is getattr(lowpanbudget, case["error"])
    assert caught.value.offset == case["offset"]
    assert caught.value.layer
    assert caught.value.cite is not None or caught.value.offset == 0
    assert str(caught.value)


@pytest.mark.parametrize(
    "case", named(c for c in PAYLOADS if "link_source" in c and "link_destination" in c)
)
def test_the_same_inside_a_frame(case: Case) -> None:
    env = env_of(case)
    frame = framed(octets(case, "lowpan"), env)
    header = len(frame.octets) - len(octets(case, "lowpan"))
    assert frame.payload == octets(case, "lowpan")
    if "ipv6" in case:
        assert frame.fault is None
        # HC1's identifiers of short addresses hold the PAN ID, and a frame has one
        if case not in OLD or env.pan_id is not None or len(env.source or b"") == 8:
            assert frame.datagram.octets == octets(case, "ipv6")
    elif frame.fault is not None:
        assert type(frame.fault) is getattr(lowpanbudget, case["error"])
        assert frame.fault.offset == header + case["offset"]
        assert case.get("hint", "") in frame.fault.hint
    else:  # nothing is wrong with the frame, but it brings no whole datagram
        assert case["error"] == "Malformed" or not case["lowpan"]
        assert frame.datagram is None


FIGURES = [case for case in load("rfc7400") if "ipv6" in case and "code" in case]


@pytest.mark.parametrize("case", named(FIGURES))
def test_ipv6_headers_of_rfc7400s_figures_there_and_back(case: Case) -> None:
    """Link addresses are those that the figures' link-local identifiers come from (RFC 4291 appendix A)."""
    packet = octets(case, "ipv6")
    source, destination = packet[16:24], packet[32:40]
    links = [bytes([iid[0] ^ 2]) + iid[1:] for iid in (source, destination)]
    known = {"link_source": links[0].hex(), "link_destination": links[1].hex()}
    for case_of in ({}, known, known | {"contexts": {0: "2002:db8::/64"}}):
        env = env_of(case_of)
        found = compress(packet, env).octets
        assert decompress(found, env).octets == packet
        prefixes = {number: context.prefix for number, context in env.contexts.items()}
        assert second_decoder.expand(found, env.source, env.destination, prefixes) == packet
    assert len(FIGURES) == 7


# --- fragments ------------------------------------------------------------------------------------


def recoverable(case: Case) -> bool:
    """Return whether these are fragments of RFC 8931, which count in the compressed form."""
    return octets({"first": case["fragments"][0]}, "first")[0] & 0xFE == 0xE8


@pytest.mark.parametrize("case", named(FRAGMENTS))
@pytest.mark.parametrize("order", ["as sent", "backwards"])
def test_fragments_become_the_datagram(case: Case, order: str) -> None:
    env, datagram = env_of(case), octets(case, "ipv6")
    frames = [framed(bytes.fromhex(fragment), env) for fragment in case["fragments"]]
    for frame in frames:
        assert frame.fault is None, frame.fault
        if "size" in case or not recoverable(case):
            assert frame.fragment.size in {None, case.get("size", len(datagram))}
        assert frame.fragment.tag == case["tag"]
    if "offsets" in case:
        assert [frame.fragment.offset for frame in frames] == case["offsets"]
    if not recoverable(case) and not case.get("elide_udp_checksum"):
        for frame, (start, end) in zip(
            frames, pairwise([*case["offsets"], len(datagram)]), strict=True
        ):
            assert frame.fragment_octets == datagram[start:end]
    if order == "backwards":
        frames.reverse()
    reassembler = Reassembler(env.contexts, root=env.root)
    events: list[Any] = [event for frame in frames for event in reassembler.feed(frame, 1.0)]
    assert [type(event).__name__ for event in events] == ["Complete"]
    assert events[0].datagram.octets.hex(" ") == datagram.hex(" ")
    assert events[0].fragments == len(frames)


CUT = [c for c in FRAGMENTS if "room" in c and c.get("shortest", True) and not recoverable(c)]


@pytest.mark.parametrize("case", named(CUT))
def test_datagram_is_cut_into_these_fragments(case: Case) -> None:
    found = split(
        octets(case, "ipv6"), env_of(case), room=case["room"], tag=case["tag"],
        elide_udp_checksum=case.get("elide_udp_checksum", False), lorh=is_routed(case),
    )  # fmt: skip
    assert [part.hex(" ") for part in found] == [
        bytes.fromhex(fragment).hex(" ") for fragment in case["fragments"]
    ]


# --- the arithmetic of RFC 4919 and RFC 4944 section 4 ---------------------------------------------

ARITHMETIC = document(VECTORS / "rfc4919" / "section-2-and-4.toml")


def largest_frame(level: int, datagram: bytes) -> bytes:
    security = Security(level, key_id_mode=0, frame_counter=1) if level else None
    mac = Mac(
        destination_pan=0x1111, destination=DESTINATION, source_pan=0x2222, source=SOURCE, security=security
    )  # fmt: skip
    return encode_frame(mac, datagram, key=bytes(16) if level else None).octets


@pytest.mark.parametrize("case", [pytest.param(c, id=c["id"]) for c in ARITHMETIC["case"]])
def test_127_octets_shrink_as_the_rfcs_say(case: Case) -> None:
    figures = ARITHMETIC
    overhead = len(largest_frame(0, b""))
    assert overhead == figures["overhead"]
    assert figures["psdu"] - overhead == figures["room"]
    assert len(largest_frame(case["level"], b"")) == overhead + case["security"]
    room = figures["psdu"] - len(largest_frame(case["level"], b""))
    assert room == case["room"]

    # a real uncompressed datagram in that room: the dispatch octet comes on top of the RFCs' sum
    data = case["udp_data"] - figures["dispatch"]
    segment = bytes.fromhex("1234 5678") + (8 + data).to_bytes(2, "big") + b"\x12\x34" + bytes(data)
    ipv6 = (
        bytes.fromhex("6000 0000") + len(segment).to_bytes(2, "big") + bytes([17, 64])
        + bytes.fromhex("fe80000000000000 00005eef10000001 fe80000000000000 00005eef10000002") + segment
    )  # fmt: skip
    octets_of_frame = largest_frame(case["level"], b"\x41" + ipv6)
    assert len(octets_of_frame) == figures["psdu"]
    frame = decode_frame(octets_of_frame, keys=[bytes(16)])
    assert frame.fault is None
    assert frame.datagram is not None
    assert frame.datagram.octets == ipv6
    measured = sizes(frame.spans)
    assert measured["IPv6"] == figures["ipv6_header"]
    assert measured["UDP"] == figures["udp_header"]
    assert len(frame.datagram.octets) - measured["IPv6"] - measured["UDP"] == data
    assert room - measured["IPv6"] == case["upper_layer"]
    assert room - measured["IPv6"] - measured["UDP"] == case["udp_data"]
    if "tcp_data" in case:
        assert room - measured["IPv6"] - figures["tcp_header"] == case["tcp_data"]
