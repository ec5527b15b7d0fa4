"""Four of the five properties that carry most weight, on drawn input and, where the space is small, on all of it.

1. decode(encode(x)) = x. 2. No legal smaller encoding exists. 3. The ledger tiles the frame.
4. Garbage raises only WireError. The sizes of every word stand in tests/test_sizes.py.
"""

import contextlib
import itertools
import random
from collections.abc import Iterator
from ipaddress import IPv6Address, IPv6Network
from typing import Any

import pytest
import second_decoder
import strategies
from contract.vectors import tiles
from hypothesis import example, given, settings
from hypothesis import strategies as st
from second import payload
from second.payload import Around
from second.tape import Refused

from lowpanbudget import (
    Context,
    Env,
    Mac,
    Reassembler,
    RequestError,
    WireError,
    compress,
    decode_frame,
    decompress,
    encode_frame,
    split,
)

# --- 1. decode(encode(x)) = x -----------------------------------------------------------------------


@settings(max_examples=200)
@given(strategies.surroundings_and_datagrams())
def test_what_is_compressed_comes_back(drawn: tuple[Env, bytes]) -> None:
    env, datagram = drawn
    packed = compress(datagram, env)
    back = decompress(packed.octets, env)
    assert back.octets.hex(" ") == datagram.hex(" ")
    assert tiles(packed.spans, len(packed.octets) * 8)
    compressed = {"IPHC", "UDP NHC", "NHC extension"}
    assert [s[:5] for s in packed.spans if s.layer in compressed] == [
        s[:5] for s in back.spans if s.layer in compressed
    ]
    if b"\xdf" not in packed.octets:  # RFC 7400's formats are another decoder's matter
        prefixes = strategies.prefixes_for_compressing(env)
        second = second_decoder.expand(packed.octets, env.source, env.destination, prefixes)
        assert second.hex(" ") == datagram.hex(" ")


@settings(max_examples=120)
@given(strategies.surroundings_and_datagrams())
def test_an_elided_checksum_comes_back_or_is_refused(drawn: tuple[Env, bytes]) -> None:
    env, datagram = drawn
    try:
        packed = compress(datagram, env, elide_udp_checksum=True)
    except RequestError:
        return  # a wrong checksum: compress() without that permission takes every datagram drawn here
    assert decompress(packed.octets, env).octets == datagram


@settings(max_examples=120)
@given(
    strategies.surroundings_and_datagrams(),
    st.integers(56, 110),
    st.booleans(),
    st.randoms(use_true_random=False),
)
def test_what_is_split_comes_back(
    drawn: tuple[Env, bytes], room: int, elide: bool, order: random.Random
) -> None:
    env, datagram = drawn
    try:
        parts = split(datagram, env, room=room, tag=9, elide_udp_checksum=elide)
    except RequestError:
        assert elide  # 45 octets carry any first fragment, so only a wrong checksum is refused
        return
    assert all(len(part) <= room for part in parts)
    assert len(parts) > 1 or room >= len(compress(datagram, env, elide_udp_checksum=elide).octets)
    mac = _mac(env)
    frames = [decode_frame(encode_frame(mac, part).octets, contexts=env.contexts) for part in parts]
    order.shuffle(frames)
    reassembler = Reassembler()
    if env.source is None or env.destination is None:
        return  # the frame cannot leave an address out that was unknown when compressing
    events: list[Any] = [event for frame in frames for event in reassembler.feed(frame)]
    assert len(events) == 1, [frame.fault for frame in frames]
    assert type(events[0]).__name__ == "Complete"
    assert events[0].datagram.octets.hex(" ") == datagram.hex(" ")


def _mac(env: Env) -> Mac:
    return Mac(
        destination_pan=None if env.destination is None else 1,
        destination=env.destination,
        source_pan=1 if env.destination is None and env.source is not None else None,
        source=env.source,
        pan_id_compression=env.source is not None and env.destination is not None,
    )


# --- 2. no legal smaller encoding exists -----------------------------------------------------------
#
# Every value of every selector is tried, the octets in line taken from the datagram; the second decoder says
# which of them stand for it. Nothing of the package's tables is asked.

TF, HLIM = range(4), range(4)


def base(tf: int, nh: int, hlim: int, cid: int, source: int, destination: int) -> bytes:
    word = 0b011 << 13 | tf << 11 | nh << 10 | hlim << 8 | cid << 7 | source << 4 | destination
    return word.to_bytes(2, "big")


def traffic_in_line(tf: int, datagram: bytes) -> bytes:
    first = int.from_bytes(datagram[:4], "big")
    traffic, label = first >> 20 & 0xFF, first & 0xFFFFF
    ecn_dscp = (traffic & 3) << 6 | traffic >> 2
    return (
        (ecn_dscp << 24 | label).to_bytes(4, "big"),
        ((ecn_dscp & 0xC0) << 16 | label).to_bytes(3, "big"),
        bytes([ecn_dscp]),
        b"",
    )[tf]


def source_in_line(mode: int, address: bytes) -> bytes:
    return (address, address[8:], address[14:], b"", b"", address[8:], address[14:], b"")[mode]


def destination_in_line(mode: int, address: bytes) -> bytes:
    unicast = (address, address[8:], address[14:], b"", b"", address[8:], address[14:], b"")
    multicast = (address, address[1:2] + address[11:], address[1:2] + address[13:], address[15:])
    prefixed = (address[1:3] + address[12:], b"", b"", b"")
    return (*unicast, *multicast, *prefixed)[mode]


def encodings(
    datagram: bytes,
    prefixes: dict[int, IPv6Network],
    tfs: range,
    hlims: range,
    nhs: range = range(1),
    modes: int = 8,
) -> Iterator[bytes]:
    """Yield every form of an IPv6 header, legal or not, with its payload as it is.

    ``modes``: of so many modes of each address, the one in line being the first.
    """
    numbers = sorted({0, *prefixes})
    # M says whether "Destination address is ... a multicast address": no form of the other kind is legal
    first = 8 if datagram[24] == 0xFF else 0
    destinations = range(first, first + modes)
    identifiers = [b"", *(bytes([s << 4 | d]) for s in numbers for d in numbers)]
    for tf, hlim, nh, ids, source, destination in itertools.product(
        tfs, hlims, nhs, identifiers, range(modes), destinations
    ):
        yield (
            base(tf, nh, hlim, len(ids), source, destination)
            + ids
            + traffic_in_line(tf, datagram)
            + (datagram[6:7] if nh == 0 else b"")
            + (datagram[7:8] if hlim == 0 else b"")
            + source_in_line(source, datagram[8:24])
            + destination_in_line(destination, datagram[24:40])
            + datagram[40:]
        )


def stands_for(octets: bytes, datagram: bytes, env: Env, prefixes: dict[int, IPv6Network]) -> bool:
    try:
        return second_decoder.expand(octets, env.source, env.destination, prefixes) == datagram
    except Refused:
        return False


def shortest(
    candidates: Iterator[bytes], datagram: bytes, env: Env, prefixes: dict[int, IPv6Network]
) -> int:
    """Return the size of the shortest candidate that stands for the datagram; each that is shorter is judged."""
    beyond = len(datagram) + 10
    for octets in sorted((octets for octets in candidates if len(octets) < beyond), key=len):
        if stands_for(octets, datagram, env, prefixes):
            return len(octets)
    return beyond


@settings(max_examples=50)
@given(strategies.surroundings_and_headers())
def test_no_smaller_header(drawn: tuple[Env, strategies.Ip]) -> None:
    """The fields of the base are independent but for CID, so that addresses and the rest are tried apart."""
    env, ip = drawn
    prefixes = strategies.prefixes_for_compressing(env)
    datagram = ip.datagram(59, b"")
    addresses = shortest(encodings(datagram, prefixes, range(1), range(1)), datagram, env, prefixes)
    fields = shortest(encodings(datagram, {}, TF, HLIM, modes=1), datagram, Env(), {})
    plain = shortest(encodings(datagram, {}, range(1), range(1), modes=1), datagram, Env(), {})
    assert len(compress(datagram, env).octets) == addresses - (plain - fields)


@pytest.mark.long
@pytest.mark.parametrize(
    ("source", "destination", "traffic", "hop_limit"),
    [
        ("2001:db8::5eef:1000:1", "2001:db8:5::ff:fe00:9", 0, 64),
        ("2001:db8:5::aaaa:0:0:1", "ff3e:40:2001:db8:5::7", 0x23, 7),
        ("2001:db8:9::1", "2001:db8:9::2", 0xFF, 2),
        ("::", "ff02::1:ff00:1", 0xFC, 255),
    ],
)
def test_no_smaller_header_of_all_there_are(
    source: str, destination: str, traffic: int, hop_limit: int
) -> None:
    """All 8192 words with every pair of context identifiers, the fields together."""
    env = Env("02005eef10000001", "0009", contexts={5: "2001:db8:5::/64"})
    prefixes = strategies.prefixes_for_compressing(env)
    ip = strategies.Ip(traffic, 0, hop_limit, IPv6Address(source), IPv6Address(destination))
    datagram = ip.datagram(59, b"")
    best = shortest(encodings(datagram, prefixes, TF, HLIM, range(2)), datagram, env, prefixes)
    assert len(compress(datagram, env).octets) == best


def trailing_pad(options: bytes) -> set[int]:
    """Return how many octets may be left out at the end: none, or those of a last Pad1 or PadN."""
    last = at = 0
    while at < len(options):
        last = at
        at += 1 if options[at] == 0 else 2 + int.from_bytes(options[at + 1 : at + 2], "big")
    pad = at == len(options) and options[last] in (0, 1)
    return {0, len(options) - last} if pad else {0}


def chains(datagram: bytes, at: int, kind: int, *, elide: bool) -> Iterator[tuple[int, bytes]]:
    """Yield (NH bit, octets) for every way to write what starts at ``at``: every depth, pads in line or left out."""
    yield 0, datagram[at:]
    if kind == 17 and len(datagram) - at >= 8:
        ports, rest = datagram[at : at + 4], datagram[at + 8 :]
        forms = (
            ports,
            ports[:2] + ports[3:],
            ports[1:],
            bytes([(ports[1] & 15) << 4 | ports[3] & 15]),
        )
        for p, octets in enumerate(forms):
            yield 1, bytes([0xF0 | p]) + octets + datagram[at + 6 : at + 8] + rest
            if elide:
                yield 1, bytes([0xF4 | p]) + octets + rest
    eid = {0: 0, 43: 1, 44: 2, 60: 3, 135: 4}.get(kind)
    if eid is None or len(datagram) - at < 8:
        return
    length = 8 if kind == 44 else 8 + 8 * datagram[at + 1]
    if at + length > len(datagram):
        return
    body = datagram[at + 2 : at + length]
    if kind == 44 and int.from_bytes(body[:2], "big") >> 3:
        # RFC 8200 section 4.5: only the first fragment holds the headers, so nothing behind this is one
        yield 1, bytes([0xE0 | eid << 1]) + datagram[at : at + 8] + datagram[at + 8 :]
        return
    for nh, rest in chains(datagram, at + length, datagram[at], elide=elide):
        number = b"" if nh else datagram[at : at + 1]
        if kind == 44:
            yield 1, bytes([0xE0 | eid << 1 | nh]) + number + datagram[at + 1 : at + 8] + rest
            continue
        for left_out in trailing_pad(body) if kind in (0, 60) else (0,):
            part = body[: len(body) - left_out]
            if len(part) <= 255:
                yield 1, bytes([0xE0 | eid << 1 | nh]) + number + bytes([len(part)]) + part + rest


NEAR = (IPv6Address("fe80::ff:fe00:1"), IPv6Address("fe80::ff:fe00:2"))


@settings(max_examples=50)
@given(strategies.segments_and_extensions(*(address.packed for address in NEAR)), st.booleans())
def test_no_smaller_chain(drawn: tuple[bytes, list[tuple[int, bytes]]], elide: bool) -> None:
    env = Env(b"\x00\x01", b"\x00\x02")
    ip = strategies.Ip(0, 0, 64, *NEAR)
    body, chain = drawn
    kind = 17
    for number, octets in chain:
        body, kind = bytes([kind]) + octets + body, number
    datagram = ip.datagram(kind, body)
    try:
        packed = compress(datagram, env, elide_udp_checksum=elide)
    except RequestError:
        return
    best = len(datagram)
    for nh, octets in chains(datagram, 40, kind, elide=elide):
        wire = base(3, nh, 2, 0, 3, 3) + (b"" if nh else bytes([kind])) + octets
        if len(wire) < best and stands_for(wire, datagram, env, {}):
            best = len(wire)
    assert len(packed.octets) == best


# --- 3. the ledger tiles the frame ------------------------------------------------------------------


@settings(max_examples=200)
@given(strategies.surroundings_and_datagrams(), st.sampled_from([0, 2, 4]))
def test_encoder_and_decoder_leave_the_same_ledger(drawn: tuple[Env, bytes], fcs: int) -> None:
    env, datagram = drawn
    encoded = encode_frame(_mac(env), compress(datagram, env).octets, fcs=fcs)
    assert tiles(encoded.spans, len(encoded.octets) * 8)
    frame = decode_frame(encoded.octets, fcs=fcs, contexts=env.contexts)
    assert tiles(frame.spans, len(encoded.octets) * 8)
    assert frame.datagram is not None
    assert frame.datagram.octets == datagram


@settings(max_examples=200)
@given(strategies.anything(), st.sampled_from([0, 2, 4]))
@example(b"", 2)
@example(b"\x41", 2)
@example(b"\x41\x88", 0)
def test_any_octets_are_tiled(octets: bytes, fcs: int) -> None:
    """``decode_frame`` never raises, and what it could not read is a span as well."""
    frame = decode_frame(octets, fcs=fcs, contexts={0: "2001:db8::/64"})
    assert tiles(frame.spans, len(octets) * 8)
    if frame.fault is not None:
        assert 0 <= frame.fault.offset <= len(octets)
        assert frame.fault.layer


# --- 4. garbage raises only WireError ----------------------------------------------------------------


@settings(max_examples=200)
@given(strategies.anything(), strategies.surroundings())
def test_garbage_gives_a_datagram_or_a_located_error(octets: bytes, env: Env) -> None:
    fault = None
    try:
        found = decompress(octets, env)
    except WireError as error:
        fault = error
    if fault is not None:
        assert 0 <= fault.offset <= len(octets)
        assert fault.layer
        assert str(fault)
        return
    assert tiles(found.spans, len(octets) * 8)


@settings(max_examples=200)
@given(
    st.one_of(
        st.builds(
            lambda low, high, rest: bytes([0x60 | low, high]) + rest,
            st.integers(0, 31),
            st.integers(0, 255),
            st.lists(
                st.sampled_from([0, 1, 6, 0xE0, 0xE1, 0xE6, 0xEE, 0xEF, 0xF0, 0xF3, 0xF7, 0xFF]),
                max_size=70,
            ).map(bytes),
        ),
        strategies.anything(),
    ),
    strategies.surroundings(),
)
def test_both_decoders_agree_on_anything(octets: bytes, env: Env) -> None:
    prefixes = strategies.prefixes_for_expanding(env)
    try:
        around = Around(env.source, env.destination, prefixes)
        second: bytes | None = payload.datagram(octets, around)
    except Refused:
        second = None
    try:
        first: bytes | None = decompress(octets, env).octets
    except WireError:
        first = None
    assert first == second


@settings(max_examples=200)
@given(
    st.one_of(strategies.anything(), strategies.anything().map(lambda t: b"\x60" + t)),
    st.integers(0, 120),
)
def test_any_octets_are_compressed_or_refused(octets: bytes, room: int) -> None:
    """What is no datagram is the request's fault, never another error."""
    with contextlib.suppress(RequestError):
        assert decompress(compress(octets, Env()).octets).octets == octets
    with contextlib.suppress(RequestError):
        assert all(len(part) <= room for part in split(octets, Env(), room=room))


@settings(max_examples=50)
@given(
    st.lists(
        st.builds(
            lambda first, size, tag, offset, rest: (
                ((0b11000 if first else 0b11100) << 11 | size).to_bytes(2, "big")
                + bytes([0, tag])
                + (b"" if first else bytes([offset]))
                + rest
            ),
            st.booleans(),
            st.sampled_from([0, 40, 48, 64, 2047]),
            st.integers(0, 2),
            st.integers(0, 8),
            st.one_of(st.binary(max_size=40), st.just(bytes.fromhex("7a333b")), st.just(bytes(8))),
        ),
        max_size=25,
    ),
    st.lists(st.integers(0, 100), max_size=25),
)
def test_any_fragments_are_survived(parts: list[bytes], times: list[int]) -> None:
    reassembler = Reassembler(max_datagrams=2, max_octets=100)
    mac = Mac(
        destination_pan=1, destination=b"\x00\x02", source=b"\x00\x01", pan_id_compression=True
    )
    for part, time_s in itertools.zip_longest(parts, times, fillvalue=0):
        if not isinstance(part, bytes):
            continue
        event: Any
        for event in reassembler.feed(decode_frame(encode_frame(mac, part).octets), float(time_s)):
            key = getattr(event, "key", None)
            if type(event).__name__ == "Complete" and key is not None:
                assert len(event.datagram.octets) == event.key[2]
        assert reassembler.held <= 100
    reassembler.close()
    assert reassembler.held == 0


@pytest.mark.parametrize(
    "lead", ["7a333b", "7e33f312ffff", "7e33f712", "7e33e106000000000000f312ffff", "41"]
)
@pytest.mark.parametrize("size", [65487, 65488, 65495, 65496, 65527, 65528, 65535, 65536, 70000])
def test_more_octets_than_a_length_field_holds(lead: str, size: int) -> None:
    octets = bytes.fromhex(lead) + bytes(size)
    with contextlib.suppress(WireError):
        decompress(octets, Env("0001", "0002"))
    decode_frame(bytes.fromhex("4188 00 0100 0200 0100") + octets, fcs=0)


def test_contexts_of_a_frame_are_those_of_the_test() -> None:
    """Guards the strategies: contexts that may not be used exist among the drawn ones."""
    forbidden = Context("2001:db8::/64", may_compress=False)
    env = Env(contexts={0: forbidden})
    assert strategies.prefixes_for_expanding(env)
    assert not strategies.prefixes_for_compressing(env)
