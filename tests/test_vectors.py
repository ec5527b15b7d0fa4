"""Every vector in ``vectors/`` that is a 6LoWPAN payload, a set of fragments or the arithmetic of RFC 4919.

What a case holds is told in ``vectors/README.md``. Values come from the standards, not from the code under test.
"""

import tomllib
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
import second_decoder

from lowpanbudget import (
    Context,
    Env,
    Mac,
    Reassembler,
    Security,
    Span,
    WireError,
    compress,
    decode_frame,
    decompress,
    encode_frame,
    errors,
    split,
)
from lowpanbudget.bits import tiles
from lowpanbudget.layers.lowpan.mesh import Mesh
from lowpanbudget.stack.reassembly import Complete

VECTORS = Path(__file__).parents[1] / "vectors"
FOLDERS = ("rfc6282", "rfc4944", "rfc8025", "invalid")
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
Case = dict[str, Any]


def load(*folders: str) -> list[Case]:
    """Return the cases of these folders, ``file`` added."""
    return [
        {"file": f"{folder}/{path.name}", **case}
        for folder in folders
        for path in sorted((VECTORS / folder).glob("*.toml"))
        for case in tomllib.loads(path.read_text(encoding="utf-8")).get("case", [])
    ]


def named(cases: list[Case]) -> list[Any]:
    return [pytest.param(case, id=f"{case['file']}:{case['id']}") for case in cases]


ALL = load(*FOLDERS)
PAYLOADS = [case for case in ALL if "lowpan" in case]
EXPANDING = [case for case in PAYLOADS if "ipv6" in case]
SHORTEST = [c for c in EXPANDING if c["result"] == "valid" and c.get("shortest", True)]
INVALID = [case for case in PAYLOADS if case["result"] == "invalid"]
FRAGMENTS = [case for case in ALL if "fragments" in case]


def octets(case: Case, key: str) -> bytes:
    return bytes.fromhex(case[key])


def env_of(case: Case) -> Env:
    contexts: dict[int, Any] = {
        int(number): Context(**context) if isinstance(context, dict) else context
        for number, context in case.get("contexts", {}).items()
    }
    return Env(case.get("link_source"), case.get("link_destination"), contexts=contexts)


def header_octets(spans: tuple[Span, ...]) -> int:
    return sum(span.bits for span in spans if span.layer in HEADERS) // 8


def sizes(spans: tuple[Span, ...]) -> dict[str, int]:
    found: dict[str, int] = {}
    for span in spans:
        found[span.layer] = found.get(span.layer, 0) + span.bits
    return {layer: bits // 8 for layer, bits in found.items()}


@pytest.mark.parametrize("case", named(ALL))
def test_case_says_where_it_comes_from_and_why(case: Case) -> None:
    assert case["source"]
    assert case["why"]
    assert case["result"] in {"valid", "invalid", "lenient"}


def test_ids_are_unique() -> None:
    ids = [(case["file"], case["id"]) for case in ALL]
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
        hops, originator, final = case["mesh"]
        mesh = found.layers[0]
        assert isinstance(mesh, Mesh)
        assert [mesh.hops_left, mesh.originator.hex(), mesh.final.hex()] == [
            hops,
            originator,
            final,
        ]


@pytest.mark.parametrize("case", named(SHORTEST))
def test_compresses_to_these_octets(case: Case) -> None:
    elide = case.get("elide_udp_checksum", False)
    found = compress(octets(case, "ipv6"), env_of(case), elide_udp_checksum=elide)
    assert found.octets.hex(" ") == octets(case, "lowpan").hex(" ")
    assert tiles(found.spans, len(found.octets) * 8)
    assert _laid_out(found.spans) == _laid_out(decompress(found.octets, env_of(case)).spans)


def _laid_out(spans: tuple[Span, ...]) -> list[tuple[int, int, str, str, Any]]:
    return [
        (s.offset_bits, s.bits, s.layer, s.name, s.value) for s in spans if s.layer != "payload"
    ]


@pytest.mark.parametrize("case", named([c for c in EXPANDING if c not in SHORTEST]))
def test_is_legal_but_not_what_we_send(case: Case) -> None:
    if "mesh" in case:
        return  # a mesh header is no choice of the compressor's
    found = compress(octets(case, "ipv6"), env_of(case))
    assert found.octets != octets(case, "lowpan")
    if all(context.may_compress for context in env_of(case).contexts.values()):
        assert len(found.octets) <= len(octets(case, "lowpan"))
    assert decompress(found.octets, env_of(case)).octets == octets(case, "ipv6")


@pytest.mark.parametrize("case", named([c for c in EXPANDING if c["file"].startswith("rfc6282")]))
def test_second_decoder_agrees_with_the_vector(case: Case) -> None:
    prefixes = {
        int(number): context["prefix"] if isinstance(context, dict) else context
        for number, context in case.get("contexts", {}).items()
    }
    env = env_of(case)
    found = second_decoder.expand(octets(case, "lowpan"), env.source, env.destination, prefixes)
    assert found == octets(case, "ipv6")


@pytest.mark.parametrize("case", named(EXPANDING))
def test_cut_at_every_octet_of_its_headers(case: Case) -> None:
    whole, env = octets(case, "lowpan"), env_of(case)
    spans = decompress(whole, env).spans
    for cut in range(header_octets(spans)):
        with pytest.raises(errors.Truncated) as caught:
            decompress(whole[:cut], env)
        assert caught.value.offset <= cut
        assert caught.value.layer


@pytest.mark.parametrize("case", named(INVALID))
def test_is_refused_with_its_place(case: Case) -> None:
    with pytest.raises(WireError) as caught:
        decompress(octets(case, "lowpan"), env_of(case))
    assert type(caught.value) is getattr(errors, case["error"])
    assert caught.value.offset == case["offset"]
    assert caught.value.layer
    assert str(caught.value)


@pytest.mark.parametrize(
    "case", named([c for c in PAYLOADS if "link_source" in c and "link_destination" in c])
)
def test_the_same_inside_a_frame(case: Case) -> None:
    """A version-1 frame of one PAN: FCF, number, PAN ID, two addresses (2006 edition, clause 7.2.1)."""
    env = env_of(case)
    mac = Mac(
        destination_pan=0xABCD, destination=env.destination, source=env.source, pan_id_compression=True
    )  # fmt: skip
    octets_of_frame = encode_frame(mac, octets(case, "lowpan")).octets
    assert env.source is not None
    assert env.destination is not None
    header = 5 + len(env.source) + len(env.destination)
    frame = decode_frame(octets_of_frame, contexts=env.contexts)
    assert tiles(frame.spans, len(octets_of_frame) * 8)
    assert frame.payload == octets(case, "lowpan")
    if "ipv6" in case:
        assert frame.fault is None
        assert frame.datagram is not None
        assert frame.datagram.octets == octets(case, "ipv6")
    elif frame.fault is not None:
        assert type(frame.fault) is getattr(errors, case["error"])
        assert frame.fault.offset == header + case["offset"]
    else:  # nothing is wrong with the frame, but it brings no whole datagram
        assert case["error"] == "Malformed" or not case["lowpan"]
        assert frame.datagram is None


FIGURES = [case for case in load("rfc7400") if "ipv6" in case]


@pytest.mark.parametrize("case", named(FIGURES))
def test_ipv6_headers_of_rfc7400s_figures_there_and_back(case: Case) -> None:
    """Link addresses are those that the figures' link-local identifiers come from (RFC 4291 appendix A)."""
    packet = octets(case, "ipv6")
    source, destination = packet[16:24], packet[32:40]
    links = [bytes([iid[0] ^ 2]) + iid[1:] for iid in (source, destination)]
    known = Env(links[0], links[1], contexts={0: "2002:db8::/64"})
    for env in (Env(), Env(links[0], links[1]), known):
        packed = compress(packet, env).octets
        assert decompress(packed, env).octets == packet
        prefixes = {number: context.prefix for number, context in env.contexts.items()}
        assert second_decoder.expand(packed, env.source, env.destination, prefixes) == packet
    assert len(FIGURES) == 7


# --- fragments ------------------------------------------------------------------------------------


def frames_of(case: Case) -> list[Any]:
    env = env_of(case)
    mac = Mac(
        destination_pan=0xABCD, destination=env.destination, source=env.source, pan_id_compression=True
    )  # fmt: skip
    return [
        decode_frame(encode_frame(mac, bytes.fromhex(fragment)).octets, contexts=env.contexts)
        for fragment in case["fragments"]
    ]


@pytest.mark.parametrize("case", named(FRAGMENTS))
@pytest.mark.parametrize("order", ["as sent", "backwards"])
def test_fragments_become_the_datagram(case: Case, order: str) -> None:
    frames = frames_of(case)
    for frame in frames:
        assert frame.fault is None, frame.fault
        assert tiles(frame.spans, len(frame.octets) * 8)
        assert frame.fragment.size == len(octets(case, "ipv6"))
        assert frame.fragment.tag == case["tag"]
    assert [frame.fragment.offset for frame in frames] == case["offsets"]
    for frame, (start, end) in zip(
        frames, pairwise([*case["offsets"], len(octets(case, "ipv6"))]), strict=True
    ):
        if not case.get("elide_udp_checksum"):
            assert frame.fragment_octets == octets(case, "ipv6")[start:end]
    if order == "backwards":
        frames.reverse()
    reassembler = Reassembler()
    events = [event for frame in frames for event in reassembler.feed(frame, 1.0)]
    assert len(events) == 1
    assert isinstance(events[0], Complete)
    assert events[0].datagram.octets.hex(" ") == octets(case, "ipv6").hex(" ")
    assert events[0].fragments == len(frames)
    assert reassembler.held == 0


@pytest.mark.parametrize("case", named([c for c in FRAGMENTS if c.get("shortest", True)]))
def test_datagram_is_cut_into_these_fragments(case: Case) -> None:
    found = split(
        octets(case, "ipv6"), env_of(case), room=case["room"], tag=case["tag"],
        elide_udp_checksum=case.get("elide_udp_checksum", False),
    )  # fmt: skip
    assert [part.hex(" ") for part in found] == [
        bytes.fromhex(fragment).hex(" ") for fragment in case["fragments"]
    ]


# --- the arithmetic of RFC 4919 and RFC 4944 section 4 ---------------------------------------------

ARITHMETIC = tomllib.loads(
    (VECTORS / "rfc4919" / "section-2-and-4.toml").read_text(encoding="utf-8")
)
SOURCE, DESTINATION = bytes.fromhex("02005eef10000001"), bytes.fromhex("02005eef10000002")


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
