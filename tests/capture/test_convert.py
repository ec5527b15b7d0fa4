"""Captures out again. Second opinion: scapy reads what is written, and what is in it."""

import io
import random
from dataclasses import replace
from pathlib import Path

import pytest
from capture.captures import (
    CONTEXTS,
    DESIGN,
    KEY,
    eui,
    frames_of,
    ip_of,
    mixed,
    records,
    short,
    udp_datagram,
)
from hypothesis import given, settings
from hypothesis import strategies as st

from lowpanbudget import RequestError, decode_frame, load_design
from lowpanbudget.capture.expand import LeftOut, decrypt, expand
from lowpanbudget.capture.files.reading import read_capture
from lowpanbudget.capture.files.record import Record
from lowpanbudget.capture.files.writing import PcapWriter, write_pcap
from lowpanbudget.capture.follow.tracing import Trace
from lowpanbudget.capture.shrink import Counters, Shrinker, shrink
from lowpanbudget.design.load import parse_design

EXAMPLES = Path(__file__).parents[2] / "examples"
A, B = eui(1), eui(2)
OPEN = parse_design(DESIGN)


def written(found: list[Record], link_type: int) -> bytes:
    file = io.BytesIO()
    assert write_pcap(file, found, link_type) == len(found)
    return file.getvalue()


def test_what_is_written_another_library_reads() -> None:
    from scapy.utils import RawPcapReader

    fed = records(mixed(50), start_ns=1_700_000_000_123_456_789)
    octets = written(fed, 195)
    reader = RawPcapReader(io.BytesIO(octets))  # type: ignore[arg-type]
    assert reader.nano
    assert reader.linktype == 195
    seen = [(data, meta.sec * 10**9 + meta.usec, meta.wirelen) for data, meta in reader]
    assert seen == [(r.octets, r.time_ns, r.original_length) for r in fed]
    again = list(read_capture(io.BytesIO(octets)))
    assert [r._replace(offset=None) for r in again] == fed


def test_writing_what_the_format_cannot_hold() -> None:
    file = io.BytesIO()
    writer = PcapWriter(file, 229)
    for time_ns in (None, -5, 1 << 80):
        writer.write(Record(1, time_ns, 229, b"abc", 3))
    with pytest.raises(RequestError, match="link type"):
        writer.write(Record(1, 0, 195, b"abc", 3))
    file.seek(0)
    assert [r.time_ns for r in read_capture(file)] == [0, 0, (1 << 32) * 10**9 - 1]
    assert writer.count == 3


def test_datagrams_out_of_frames() -> None:
    from scapy.layers.inet import UDP
    from scapy.layers.inet6 import IPv6

    sent = [
        udp_datagram(ip_of(A), ip_of(B), bytes([n]) * size) for n, size in enumerate((5, 150, 9))
    ]
    frames = [f for n, d in enumerate(sent) for f in frames_of(d, A, B, sequence=10 * n, tag=n)]
    frames.insert(1, frames[0])
    left_out = LeftOut()
    found = list(expand(records(frames), contexts=CONTEXTS, left_out=left_out))
    assert [r.octets for r in found] == sent
    assert left_out.reasons == {"a retransmission": 1}
    assert {r.link_type for r in found} == {229}
    for record, datagram in zip(read_capture(io.BytesIO(written(found, 229))), sent, strict=True):
        assert bytes(IPv6(record.octets)[UDP].payload) == datagram[48:]


def test_what_brings_no_datagram_is_counted() -> None:
    left_out = LeftOut()
    sealed = frames_of(udp_datagram(ip_of(A), ip_of(B), b"x"), A, B, key=KEY)
    piece = frames_of(udp_datagram(ip_of(A), ip_of(B), bytes(200)), A, B)[0]
    assert not list(expand(records([*sealed, piece]), contexts=CONTEXTS, left_out=left_out))
    assert left_out.count == 2
    assert any("sealed" in reason for reason in left_out.reasons)
    assert any("ended" in reason for reason in left_out.reasons)


@pytest.mark.parametrize("stripped", [False, True])
def test_plain_frames_hold_the_same_datagrams(stripped: bool) -> None:
    frames = mixed(500)
    link_type = 195
    if stripped:
        frames, link_type = [f[:-2] for f in frames], 230
    fed = records(frames, link_type)
    found = list(decrypt(fed, contexts=CONTEXTS, keys=KEY))
    assert len(found) == len(fed)
    before = [t.datagram for t in Trace(contexts=CONTEXTS, keys=KEY).follow(fed)]
    after = list(Trace(contexts=CONTEXTS).follow(found))
    assert [t.datagram for t in after] == before
    assert not any(
        t.template.example.mac.security
        for t in after
        if t.datagram and t.template and t.template.example.mac
    )


@pytest.mark.parametrize("level", [4, 5])  # encrypted alone, and with an integrity code
def test_a_sealed_frame_is_left_out_for_want_of_a_key(level: int) -> None:
    datagram = udp_datagram(ip_of(A), ip_of(B), b"x")
    sealed = frames_of(datagram, A, B, key=KEY, level=level)
    left_out = LeftOut()
    assert not list(expand(records(sealed), contexts=CONTEXTS, left_out=left_out))
    assert list(left_out.reasons) == ["sealed; the key wanted: key id mode 1, index 1"]


def test_plain_frames_without_the_key_stay_sealed() -> None:
    sealed = frames_of(udp_datagram(ip_of(A), ip_of(B), b"secret"), A, B, key=KEY)
    left_out = LeftOut()
    (found,) = decrypt(records(sealed), contexts=CONTEXTS, left_out=left_out)
    assert found.octets == sealed[0]
    assert left_out.count == 1
    assert not list(decrypt(records([bytes(40)], 229), left_out=left_out))


# --- there and back ---------------------------------------------------------------------------------


@st.composite
def datagrams(draw: st.DrawFn) -> list[bytes]:
    rng = random.Random(draw(st.integers(0, 1 << 30)))
    found = []
    for _ in range(draw(st.integers(1, 5))):
        ends = [
            ip_of(draw(st.sampled_from([A, B, short(1), short(0x1234), eui(77)])), prefix)
            for prefix in draw(
                st.sampled_from([("2001:db8:7:1::", "fe80::"), ("2001:db8:f::", "2001:db8:7:1::")])
            )
        ]
        ports = draw(st.sampled_from([(0xF0B1, 0xF0B2), (61000, 5683), (1, 2)]))
        size = draw(st.sampled_from([0, 1, 40, 79, 80, 81, 300, 1200, 1900]))
        octets = bytearray(
            udp_datagram(
                ends[0],
                ends[1],
                rng.randbytes(size),
                ports,
                draw(st.sampled_from([1, 17, 64, 255])),
            )
        )
        if draw(st.integers(0, 4)) == 0:
            octets[46] ^= 0xFF  # a wrong checksum is carried as it is
        if draw(st.integers(0, 4)) == 0:
            octets[6] = draw(st.sampled_from([6, 58, 59, 132]))
        found.append(bytes(octets))
    return found


@settings(max_examples=60)
@given(datagrams(), st.booleans())
def test_expand_shrink_expand_is_the_identity(sent: list[bytes], secured: bool) -> None:
    design = load_design(EXAMPLES / "archive.toml") if secured else OPEN
    design = replace(design, link=replace(design.link, mtu=2047))  # as long as datagram_size says
    key = KEY if secured else None
    keys = KEY if secured else ()
    first = [Record(n, n, 229, d, len(d)) for n, d in enumerate(sent, 1)]
    expanded = list(expand(first))
    assert [r.octets for r in expanded] == sent
    left_out = LeftOut()
    devices = {int.from_bytes(short(n), "big"): eui(n) for n in (1, 0x1234)}
    try:
        counters = Counters(tag=65534, sequence=250)
        shrinker = Shrinker(design, key=key, counters=counters, devices=devices)
    except RequestError as error:
        pytest.fail(str(error))
    frames = list(shrink(expanded, shrinker, left_out=left_out))
    assert all(len(r.octets) <= design.link.largest for r in frames)
    assert not left_out.reasons
    known = {s.short: s.extended for s in design.stations if s.short and s.extended}
    table = {int.from_bytes(k, "big"): v for k, v in known.items()} | devices
    again = list(expand(frames, design=design, keys=keys, devices=table, left_out=left_out))
    assert [r.octets for r in again] == sent
    assert not left_out.reasons


ROUTED = DESIGN.replace(
    'messages = ["alarm"]',
    'messages = ["alarm"]\nrouting = { rpi = true, option_type = 0x23, form = "FORM" }',
)


@pytest.mark.parametrize(
    ("option", "form", "octets"),
    [
        # a page switch of 1 octet, and RPI-6LoRH (RFC 8138 section 6): 2, and 1 of the rank as its low octet is 0
        ("23 04 00 00 03 00", "6lorh", 4),
        # LOWPAN_NHC for a hop-by-hop header (RFC 6282 section 4.2): 1, its length 1, and the option of 6
        ("23 04 00 00 03 00", "extension-headers", 8),
        # of the other type it would come back as one of the planned type; with padding behind it without
        ("63 04 00 00 03 00", "6lorh", 8),
        ("23 04 00 00 03 00 01 05 00 00 00 00 00 00", "6lorh", None),
    ],
)
@pytest.mark.parametrize("named", [True, False])
def test_rpl_information_goes_in_the_form_that_the_flow_has(
    option: str, form: str, octets: int | None, named: bool
) -> None:
    """Each form gives back the datagram octet for octet. The flow in front of it, which is not routed, has no say."""
    design = parse_design(ROUTED.replace("FORM", form))
    plain = udp_datagram(ip_of(B), ip_of(A), b"abc", (61000, 5683))
    options = bytes.fromhex(option)
    extension = bytes([17, (len(options) + 2) // 8 - 1]) + options
    length = len(plain) - 40 + len(extension)
    routed = plain[:4] + length.to_bytes(2, "big") + b"\0" + plain[7:40] + extension + plain[40:]
    flow = design.flow("ask") if named else None
    bare, frame = (Shrinker(design, flow=flow).frames(one)[0] for one in (plain, routed))
    if octets is not None:
        assert len(frame) - len(bare) == octets
    first = [Record(n, n, 229, one, len(one)) for n, one in enumerate((routed, plain), 1)]
    shrinker = Shrinker(design, flow=flow)
    again = expand(shrink(first, shrinker), design=design)
    assert [one.octets for one in again] == [routed, plain]
    # what the flow does not have is counted, of those alone for which it would be another datagram
    assert shrinker.in_headers == (form == "6lorh" and octets != 4)


def test_what_cannot_go_in_frames_is_counted() -> None:
    left_out = LeftOut()
    long = udp_datagram(ip_of(A), ip_of(B), bytes(2100))
    short_one = bytearray(udp_datagram(ip_of(A), ip_of(B), b"abc"))
    short_one[5] = 99
    fed = records([long, bytes(short_one), b"\x60", b""], 229) + records([b"\x45"], 101)
    assert not list(shrink(fed, Shrinker(OPEN), left_out=left_out))
    assert left_out.count == 5


def test_a_secured_link_wants_a_key_or_a_word() -> None:
    design = load_design(EXAMPLES / "archive.toml")
    with pytest.raises(RequestError, match="secured"):
        Shrinker(design)
    datagram = udp_datagram(ip_of(A), ip_of(B), b"abc")
    frame = Shrinker(design, unprotected=True).frames(datagram)[0]
    mac = decode_frame(frame).mac
    assert mac is not None
    assert mac.security is None


def test_counters_never_repeat() -> None:
    """A frame counter is never used twice, and ends before its last value."""
    design = load_design(EXAMPLES / "archive.toml")
    station = next(s for s in design.stations if s.short and s.extended and s.role == "node")
    flow = design.flow("climate")
    shrinker = Shrinker(design, flow=flow, key=KEY, counters=Counters(frame_counter=0xFFFF_FFFD))
    ip = station.ip(design.link.addresses)
    datagram = udp_datagram(ip, ip, b"abc")
    seen = [decode_frame(shrinker.frames(datagram)[0]).mac for _ in range(2)]
    assert [m.security.frame_counter for m in seen if m and m.security] == [
        0xFFFF_FFFD,
        0xFFFF_FFFE,
    ]
    with pytest.raises(RequestError, match="used up"):
        shrinker.frames(datagram)


def test_a_hop_of_a_flow_gives_the_link_addresses() -> None:
    flow = OPEN.flow("climate")
    frame = decode_frame(
        Shrinker(OPEN, flow=flow).frames(udp_datagram(ip_of(A), ip_of(B), b"x"))[0]
    )
    assert (frame.link_source, frame.link_destination) == (A, B)
    with pytest.raises(RequestError, match="no 'forwarded' hop"):
        Shrinker(OPEN, flow=flow, hop="forwarded")
