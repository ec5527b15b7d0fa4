"""Vectors, damaged: flipped bits, cuts, repeats and pieces of other vectors give a result or a located error.

Unlike octets at random these get past the first checks and into options, nested elements and byte code.
"""

from pathlib import Path
from typing import Any

import pytest
from contract.vectors import PAN, framed, header_of, tiles
from hypothesis import given, settings
from hypothesis import strategies as st
from vector_files import document

from lowpanbudget import Env, RequestError, WireError, compress, decode_frame, decompress

VECTORS = Path(__file__).parents[2] / "vectors"
KEY = bytes(range(0xC0, 0xD0))  # of IEEE 802.15.4-2006 annex C
CASES: list[tuple[Path, dict[str, Any]]] = [
    (path, {**whole, **case})
    for path in sorted(VECTORS.rglob("*.toml"))
    for whole in [document(path)]
    for case in whole.get("case", [])
]


def hexes(key: str, folders: str = "") -> list[bytes]:
    return [
        bytes.fromhex(case[key])
        for path, case in CASES
        if isinstance(case.get(key), str) and path.parent.name.startswith(folders)
    ]


FRAMES = hexes("wire", "ieee802154")
LOWPAN = [
    *hexes("lowpan"),
    *(bytes.fromhex(part) for _, case in CASES for part in case.get("fragments", [])),
]
# the messages of ICMPv6, CoAP and DTLS behind the shortest heads there are: 7a33 3a, and 7e33 with ports in line
CARRIED = [
    *(b"\x7a\x33\x3a" + octets for octets in hexes("message")),
    *(bytes.fromhex("7e33 f0 1633 f0b0 1234") + octets for octets in hexes("wire", "rfc7")),
    *(
        bytes.fromhex("7e33 f0 1634 f0b0 1234") + octets
        for folder in ("rfc6347", "rfc9147")
        for octets in hexes("wire", folder)
    ),
    *(bytes.fromhex("7e33 df") + octets for octets in hexes("code", "rfc7400")),
]
ENV = Env("0001", "0002", PAN, contexts={0: "2001:db8::/64"}, root="2001:db8::ff:fe00:1")
START = len(header_of(b"\0\1", b"\0\2"))


COUNTS = st.integers(1, 3)
# what is done, a number for it, and how often: each kind as likely as another
DAMAGES = st.one_of(
    st.integers(0, 255).map(lambda octet: ("set", octet, 1)),
    st.integers(0, 7).map(lambda bit: ("flip", 1 << bit, 1)),
    st.just(("cut", 0, 1)),
    st.integers(1, 8).map(lambda many: ("drop", many, 1)),
    st.sampled_from([("repeat", many, times) for many in range(1, 21) for times in (1, 2, 20)]),
    st.integers(1, 40).map(lambda many: ("graft", many, 1)),
)


@st.composite
def damaged(draw: st.DrawFn, whole: st.SearchStrategy[bytes]) -> bytes:
    octets = bytearray(draw(whole))
    for _ in range(draw(COUNTS)):
        at = draw(st.integers(0, len(octets)))
        kind, number, times = draw(DAMAGES)
        if kind == "cut":
            del octets[at:]
        elif kind == "drop":
            del octets[at : at + number]
        elif kind == "repeat":
            octets[at:at] = bytes(octets[at : at + number]) * times
        elif kind == "graft":
            other = draw(whole)
            start = draw(st.integers(0, len(other)))
            octets[at:at] = other[start : start + number]
        elif at < len(octets):
            octets[at] = number if kind == "set" else octets[at] ^ number
    return bytes(octets[:2000])


DAMAGED_FRAMES, DAMAGED_LOWPAN, DAMAGED_CARRIED = (
    damaged(st.sampled_from(pool)) for pool in (FRAMES, LOWPAN, CARRIED)
)


def test_there_are_vectors_of_each_kind() -> None:
    assert min(len(FRAMES), len(LOWPAN), len(CARRIED)) > 100


@settings(max_examples=500)
@given(DAMAGED_FRAMES, st.sampled_from([0, 2]), st.sampled_from([None, 5]))
def test_damaged_frames(octets: bytes, fcs: int, asn: int | None) -> None:
    devices = {0x0A0B: "02005eef10000001"}
    frame = decode_frame(octets, fcs=fcs, keys=KEY, devices=devices, asn=asn)
    assert tiles(frame.spans, len(octets) * 8)
    assert frame.fault is None or 0 <= frame.fault.offset <= len(octets)


@pytest.mark.long
@pytest.mark.parametrize("drawn", [DAMAGED_LOWPAN, DAMAGED_CARRIED], ids=["headers", "contents"])
def test_damaged_payloads(drawn: st.SearchStrategy[bytes]) -> None:
    @settings(max_examples=500)
    @given(drawn, st.booleans(), st.booleans())
    def check(octets: bytes, ghc: bool, lorh: bool) -> None:
        frame = framed(octets, ENV)
        assert frame.fault is None or 0 <= frame.fault.offset - START <= len(octets)
        try:
            datagram = decompress(octets, ENV).octets
        except WireError:
            assert frame.datagram is None
            return
        assert frame.datagram is not None
        assert frame.datagram.octets == datagram
        try:
            packed = compress(datagram, ENV, ghc=ghc, lorh=lorh)
        except RequestError:
            return  # a length in an uncompressed IPv6 header that disagrees
        back = decompress(packed.octets, ENV)
        assert back.spans == packed.spans
        if lorh:  # a source route may come back in an equivalent form; that form is stable
            datagram = back.octets
            back = decompress(compress(datagram, ENV, ghc=ghc, lorh=True).octets, ENV)
        assert back.octets == datagram

    check()
