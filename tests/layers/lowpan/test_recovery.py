"""Recoverable fragments: RFC 8931's figures, cutting, losing, overlapping, aborting and putting together again."""

from ipaddress import IPv6Address
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
    RequestError,
    WireError,
    compress,
    decode_frame,
    decompress,
    encode_frame,
    errors,
    split,
)
from lowpanbudget.bits import Reader, Writer, tiles
from lowpanbudget.errors import DoesNotFit
from lowpanbudget.fields import Bits
from lowpanbudget.layers.internet.ipv6 import Ipv6
from lowpanbudget.layers.lowpan import recovery
from lowpanbudget.layers.lowpan.recovery import Rfrag, RfragAck
from lowpanbudget.stack.collected import Collected
from lowpanbudget.stack.events import Complete, Discarded, Event, Ignored, TimedOut
from lowpanbudget.stack.frame import Frame
from lowpanbudget.stack.outgoing import Outgoing
from lowpanbudget.stack.packing import Options
from lowpanbudget.stack.recoverable import recoverable

VECTORS = Path(__file__).parents[3] / "vectors" / "rfc8931"
Case = dict[str, Any]
CASES: list[Case] = [
    case for path in sorted(VECTORS.glob("*.toml")) for case in document(path).get("case", [])
]
HEADERS = [case for case in CASES if "header" in case]
INVALID = [case for case in CASES if case["result"] == "invalid"]
FRAGMENTED = [case for case in CASES if "fragments" in case]
ROOT = IPv6Address("2001:db8::ff:fe00:1")


def named(cases: list[Case]) -> list[Any]:
    return [pytest.param(case, id=case["id"]) for case in cases]


def env_of(case: Case) -> Env:
    contexts = {int(number): prefix for number, prefix in case.get("contexts", {}).items()}
    return Env(
        case["link_source"], case["link_destination"], contexts=contexts, root=case.get("root")
    )


def framed(payload: bytes, env: Env, *, back: bool = False) -> Frame:
    ends = (env.destination, env.source) if back else (env.source, env.destination)
    mac = Mac(destination_pan=1, source=ends[0], destination=ends[1], pan_id_compression=True)
    octets = encode_frame(mac, payload).octets
    frame = decode_frame(octets, contexts=env.contexts, root=env.root)
    assert tiles(frame.spans, len(octets) * 8)
    return frame


def test_every_case_is_read() -> None:
    assert len(HEADERS) + len(INVALID) + len(FRAGMENTED) == len(CASES) == 24


# --- headers ----------------------------------------------------------------------------------------


@pytest.mark.parametrize("case", named(HEADERS))
def test_header_reads_as_the_figure_says(case: Case) -> None:
    octets = bytes.fromhex(case["header"])
    reader, writer = Reader(octets), Writer()
    if "bitmap" in case["fields"]:
        ack = recovery.decode_ack(reader)
        assert {name: getattr(ack, name) for name in case["fields"]} == case["fields"]
        values = {"E": ack.congestion, "Datagram_Tag": ack.tag, "bitmap": ack.bitmap}
        recovery.ACK.write(writer, values)
    else:
        header = recovery.decode(reader)
        assert {name: getattr(header, name) for name in case["fields"]} == case["fields"]
        recovery.encode(writer, header)
    assert bytes(writer.data) == octets[:6]
    assert writer.spans == reader.spans
    assert tiles(writer.spans, 48)


def test_every_named_value_is_hit() -> None:
    seen: set[tuple[str, str, Any]] = set()
    for case in HEADERS:
        reader = Reader(bytes.fromhex(case["header"]))
        (recovery.decode_ack if "bitmap" in case["fields"] else recovery.decode)(reader)
        seen |= {(span.layer, span.name, span.value) for span in reader.spans}
    for header in (recovery.RFRAG, recovery.ACK):
        for part in header.fields:
            if isinstance(part, Bits) and isinstance(part.meaning, dict):
                assert {(header.name, part.name, value) for value in part.meaning} <= seen


@pytest.mark.parametrize("case", named(INVALID))
def test_is_refused_where_it_is_wrong(case: Case) -> None:
    env = env_of(case)
    frame = framed(bytes.fromhex(case["lowpan"]), env)
    assert frame.fault is not None
    assert type(frame.fault) is getattr(errors, case["error"])
    header = 9  # frame control 2, sequence 1, PAN 2, addresses 2 and 2
    assert frame.fault.offset == header + case["offset"]
    assert case.get("hint", "") in frame.fault.hint
    assert bool(frame.fault.hint) == ("hint" in case)


def test_figure_3_names_what_is_missing() -> None:
    ack = RfragAck(tag=42, bitmap=0x9FFF7800)
    assert set(range(21)) - set(ack.received) == {1, 2, 16}
    assert not set(range(21, 32)) & set(ack.received)
    assert recovery.bitmap_of(ack.received) == ack.bitmap
    assert not ack.aborted
    assert not ack.complete
    assert RfragAck(tag=1, bitmap=recovery.NULL).aborted
    assert RfragAck(tag=1, bitmap=recovery.FULL).complete


@given(st.sets(st.integers(0, 31)))
def test_bitmap_there_and_back(sequences: set[int]) -> None:
    assert set(recovery.sequences_of(recovery.bitmap_of(sequences))) == sequences


@pytest.mark.parametrize("sequence", [-1, 32])
def test_bitmap_has_32_bits(sequence: int) -> None:
    with pytest.raises(RequestError):
        recovery.bitmap_of([sequence])


@pytest.mark.parametrize(
    "header",
    [
        Rfrag(256, 1, 1, 1),
        Rfrag(0, 32, 1, 1),
        Rfrag(0, 1, 1024, 1),
        Rfrag(0, 1, 1, 1 << 16),
        Rfrag(0, 1, 1, 0),
        Rfrag(0, 0, 1),
    ],
)
def test_impossible_headers_are_wrong_requests(header: Rfrag) -> None:
    with pytest.raises(RequestError):
        recovery.encode(Writer(), header)


# --- cutting ----------------------------------------------------------------------------------------


@pytest.mark.parametrize("case", named([c for c in FRAGMENTED if c.get("sent", True)]))
def test_datagram_is_cut_like_this(case: Case) -> None:
    payloads = recoverable(
        Outgoing.read(bytes.fromhex(case["ipv6"])),
        env_of(case),
        room=case["room"],
        tag=case["tag"],
        slack=case["slack"],
        window=case.get("window", 32),
        options=Options(lorh=case.get("lorh", False)),
    )
    assert [payload.data.hex(" ") for payload in payloads] == case["fragments"]
    for payload in payloads:
        assert tiles(payload.spans, len(payload.data) * 8)


@pytest.mark.parametrize("case", named(FRAGMENTED))
def test_fragments_become_the_datagram(case: Case) -> None:
    env = env_of(case)
    frames = [framed(bytes.fromhex(text), env) for text in case["fragments"]]
    for frame, offset in zip(frames, case["offsets"], strict=True):
        assert frame.fault is None
        assert isinstance(frame.fragment, Rfrag)
        assert (frame.fragment.tag, frame.fragment.offset) == (case["tag"], offset)
        assert frame.fragment.size in {None, case["size"]}
    reassembler = Reassembler(env.contexts, root=env.root)
    events = [event for frame in frames for event in reassembler.feed(frame, 1.0)]
    assert [type(event) for event in events] == [Complete]
    assert isinstance(events[0], Complete)
    assert events[0].datagram.octets.hex(" ") == bytes.fromhex(case["ipv6"]).hex(" ")
    assert events[0].fragments == len(frames)


def plain(octets: int, hop_limit: int = 64) -> bytes:
    """Return a datagram with so many octets behind the IPv6 header, between short addresses under context 0."""
    header = Ipv6(0, 0, octets, 59, hop_limit, ROOT, IPv6Address("2001:db8::ff:fe00:a01"))
    return bytes(header) + bytes(n % 251 for n in range(octets))


ENV = Env("0001", "0a01", contexts={0: "2001:db8::/64"}, root=ROOT)


def test_what_fits_is_not_cut() -> None:
    datagram = plain(50)
    (only,) = recoverable(Outgoing.read(datagram), ENV, room=53)
    assert bytes(only.data) == compress(datagram, ENV).octets


def test_slack_is_what_the_next_hop_needs() -> None:
    """RFC 8931 section 4.1; two identifiers of 16 bits and a hop limit of 63 go in line there: 5 octets."""
    datagram = plain(200)
    first = recoverable(Outgoing.read(datagram), ENV, room=80)[0]
    assert len(first.data) == 80 - 5
    assert len(recoverable(Outgoing.read(datagram), ENV, room=80, slack=8)[0].data) == 80 - 8
    extended = Env("02005eef10000001", "02005eef10000002", contexts={0: "2001:db8::/64"})
    source, destination = (IPv6Address(f"2001:db8::5eef:1000:{end}") for end in (1, 2))
    long = bytes(Ipv6(0, 0, 200, 59, 63, source, destination)) + bytes(200)
    # "as if the MTU on the first hop was 8 bytes less", for each identifier elided
    assert len(recoverable(Outgoing.read(long), extended, room=80)[0].data) == 80 - 16


@pytest.mark.parametrize(
    ("window", "asks"), [(1, {0, 1, 2, 3}), (2, {1, 3}), (3, {2, 3}), (32, {3}), (None, set())]
)
def test_windows_end_with_a_request(window: int | None, asks: set[int]) -> None:
    payloads = recoverable(Outgoing.read(plain(300)), ENV, room=90, window=window)
    assert len(payloads) == 4
    asking = {n for n, payload in enumerate(payloads) if payload.data[2] & 0x80}
    assert asking == asks


def test_most_is_32_fragments() -> None:
    """RFC 8931 section 5.1: N is in 0 to 31. 3 octets of headers and a next header's number before the rest."""
    room = 40
    most = 32 * (room - 6)
    assert len(recoverable(Outgoing.read(plain(most - 3)), ENV, room=room, slack=0)) == 32
    with pytest.raises(DoesNotFit) as caught:
        recoverable(Outgoing.read(plain(most - 3 + 5)), ENV, room=room, slack=0)
    assert caught.value.by == 5


@pytest.mark.parametrize("cut", [split, recoverable])
def test_headers_that_cannot_be_walked_are_cut_all_the_same(cut: Any) -> None:
    """A next header of 0 and octets that are no options header: a datagram of any kind may be sent."""
    datagram = plain(200)[:6] + b"\0" + plain(200)[7:]
    given = Outgoing.read(datagram) if cut is recoverable else datagram
    payloads = cut(given, ENV, room=80)
    assert len(payloads) > 2


def test_a_fragment_holds_1023_octets() -> None:
    payloads = recoverable(Outgoing.read(plain(3000)), ENV, room=2000, slack=0)
    assert [len(payload.data) - 6 for payload in payloads] == [1023, 1023, 957]


def test_headers_that_do_not_fit_the_first_fragment_go_uncompressed() -> None:
    """RFC 8931 section 3; a destination options header of 64 octets does not fit 60."""
    options = bytes([59, 7, 1, 60]) + bytes(60)
    header = Ipv6(0, 0, 64 + 100, 60, 64, ROOT, IPv6Address("2001:db8::ff:fe00:a01"))
    datagram = bytes(header) + options[:4] + bytes(range(60)) + bytes(100)
    payloads = recoverable(Outgoing.read(datagram), ENV, room=60)
    assert bytes(payloads[0].data[6:9]) == bytes.fromhex(
        "7a 77 3c"
    )  # NH=0: the options header as it is
    assert together(payloads, ENV) == datagram


@pytest.mark.parametrize("slack", [None, 0, 3])
def test_a_room_too_small_for_the_headers_lacks_as_much_as_it_says(slack: int | None) -> None:
    """RFC 8931 section 3: so many octets more hold the headers in the first fragment, one fewer does not."""
    sent = Outgoing.read(plain(60))
    with pytest.raises(DoesNotFit, match="first fragment") as caught:
        recoverable(sent, ENV, room=7, slack=slack)
    enough = 7 + caught.value.by
    assert recoverable(sent, ENV, room=enough, slack=slack)
    with pytest.raises(DoesNotFit, match="first fragment") as caught:
        recoverable(sent, ENV, room=enough - 1, slack=slack)
    assert caught.value.by == 1


@pytest.mark.parametrize(
    ("changes", "error"),
    [
        ({"tag": 256}, RequestError),
        ({"tag": -1}, RequestError),
        ({"window": 0}, RequestError),
        ({"room": 0}, DoesNotFit),
        ({"room": 6}, DoesNotFit),
        ({"room": 8}, DoesNotFit),
        ({"slack": 72}, DoesNotFit),
    ],
)
def test_wrong_requests(changes: dict[str, int], error: type[RequestError]) -> None:
    arguments: dict[str, Any] = {"room": 80, "tag": 1} | changes
    with pytest.raises(error):
        recoverable(Outgoing.read(plain(200)), ENV, **arguments)


# --- together again ---------------------------------------------------------------------------------


def together(payloads: list[Writer], env: Env) -> bytes | None:
    reassembler = Reassembler(env.contexts, root=env.root)
    for payload in payloads:
        for event in reassembler.feed(framed(bytes(payload.data), env)):
            if isinstance(event, Complete):
                return event.datagram.octets
    return None


@settings(max_examples=60)
@given(st.integers(60, 700), st.integers(20, 127), st.data())
def test_any_order_and_any_repetition(octets: int, room: int, data: st.DataObject) -> None:
    datagram = plain(octets)
    try:
        payloads = recoverable(Outgoing.read(datagram), ENV, room=room)
    except DoesNotFit:
        # 3 octets of compressed header in front, 5 of slack in the first fragment
        assert 3 + octets > 32 * (room - 6) - 5
        return
    for payload in payloads:
        assert len(payload.data) <= room
        assert tiles(payload.spans, len(payload.data) * 8)
    if len(payloads) == 1:
        return
    order = data.draw(st.permutations(range(len(payloads))))
    twice = data.draw(st.lists(st.sampled_from(order), max_size=3))
    reassembler = Reassembler(ENV.contexts)
    events = [
        event
        for n in [*twice, *order]
        for event in reassembler.feed(framed(bytes(payloads[n].data), ENV))
    ]
    complete = [event for event in events if isinstance(event, Complete)]
    assert len(complete) == 1
    assert complete[0].datagram.octets == datagram
    assert all(isinstance(event, Complete | Ignored) for event in events)


def fragments(
    *parts: tuple[int, int, int], size: int, tag: int = 7, octets: bytes = b""
) -> list[bytes]:
    """Return fragments (sequence, start, end) of a compressed datagram, laid out by figure 1."""
    payloads = []
    for sequence, start, end in parts:
        word = sequence << 26 | (end - start) << 16 | (start if sequence else size)
        payloads.append(bytes([0xE8, tag]) + word.to_bytes(4, "big") + octets[start:end])
    return payloads


WHOLE = compress(plain(97), ENV).octets  # 100 octets


def feed(reassembler: Reassembler, payloads: list[bytes], at: float = 0.0) -> list[Event]:
    return [event for payload in payloads for event in reassembler.feed(framed(payload, ENV), at)]


def test_a_long_fragment_retried_as_two_short_ones() -> None:
    """RFC 8931 section 6.2: sequence 5, too long for a new path, comes again as 13 and 14."""
    sent = fragments((0, 0, 40), (1, 40, 60), (13, 60, 80), (14, 80, 100), size=100, octets=WHOLE)
    events = feed(Reassembler(ENV.contexts), sent)
    assert isinstance(events[-1], Complete)
    assert events[-1].datagram.octets == plain(97)


def test_overlaps_that_agree_are_kept() -> None:
    """Section 6.1.2: "may receive overlapping fragments as the result of retries after an MTU change"."""
    sent = fragments((0, 0, 40), (5, 40, 90), (13, 30, 70), (14, 70, 100), size=100, octets=WHOLE)
    assert isinstance(feed(Reassembler(ENV.contexts), sent)[-1], Complete)


@pytest.mark.parametrize(
    ("second", "reason"),
    [
        (fragments((2, 50, 70), size=100, octets=WHOLE[::-1]), "differ"),
        (fragments((1, 40, 50), size=100, octets=WHOLE), "sequence 1"),
        (fragments((3, 90, 110), size=100, octets=WHOLE + bytes(10)), "beyond"),
        (fragments((0, 0, 40), size=99, octets=WHOLE), "99"),
        (fragments((0, 0, 50), size=100, octets=WHOLE), "sequence 0"),
    ],
)
def test_contradictions_give_up_what_was_held(second: list[bytes], reason: str) -> None:
    reassembler = Reassembler(ENV.contexts)
    first = fragments((0, 0, 40), (1, 40, 60), size=100, octets=WHOLE)
    events = feed(reassembler, first + second)
    assert isinstance(events[0], Discarded)
    assert reason in events[0].reason
    assert events[0].received == 60
    assert events[0].key == (b"\x00\x01", b"\x0a\x01", None, 7)


def test_size_too_small_for_what_came_before() -> None:
    sent = fragments((1, 40, 60), size=100, octets=WHOLE) + fragments(
        (0, 0, 40), size=50, octets=WHOLE
    )
    events = feed(Reassembler(ENV.contexts), sent)
    assert isinstance(events[0], Discarded)


def test_sender_aborts() -> None:
    reassembler = Reassembler(ENV.contexts)
    abort = bytes.fromhex("e8 07 00 00 00 00")
    assert isinstance(feed(reassembler, [abort])[0], Ignored)
    feed(reassembler, fragments((0, 0, 40), size=100, octets=WHOLE))
    (event,) = feed(reassembler, [abort])
    assert isinstance(event, Discarded)
    assert event.received == 40
    assert reassembler.held == 0


def test_receiver_aborts_and_acknowledges() -> None:
    """The acknowledgement goes the other way: link addresses swapped, the same tag (section 6.1.2)."""
    reassembler = Reassembler(ENV.contexts)
    feed(reassembler, fragments((0, 0, 40), size=100, octets=WHOLE))
    some = framed(bytes.fromhex("ea 07 80 00 00 00"), ENV, back=True)
    assert some.layers[-1] == RfragAck(tag=7, bitmap=0x8000_0000)
    assert isinstance(reassembler.feed(some)[0], Ignored)
    other = framed(bytes.fromhex("ea 08 00 00 00 00"), ENV, back=True)
    assert isinstance(reassembler.feed(other)[0], Ignored)
    (event,) = reassembler.feed(framed(bytes.fromhex("ea 07 00 00 00 00"), ENV, back=True))
    assert isinstance(event, Discarded)
    assert "receiver" in event.reason


def test_late_fragments_of_a_whole_datagram_are_absorbed() -> None:
    """Section 6: "absorbs the fragments that were still in flight for that datagram without creating a new state"."""
    reassembler = Reassembler(ENV.contexts)
    sent = fragments((0, 0, 50), (1, 50, 100), size=100, octets=WHOLE)
    assert isinstance(feed(reassembler, sent)[-1], Complete)
    assert isinstance(feed(reassembler, sent[1:], at=0.5)[0], Ignored)
    assert (
        len(feed(reassembler, sent, at=30.0)) == 1
    )  # the timer is over: a new datagram with an old tag
    # another datagram may take the tag at once
    other = compress(plain(97, 255), ENV).octets
    new = fragments((0, 0, 50), (1, 50, 100), size=100, octets=other)
    again = Reassembler(ENV.contexts)
    assert [type(event) for event in feed(again, sent + new)] == [Complete, Complete]


@pytest.mark.parametrize(
    ("resent", "again"),
    [
        ((1,), True),  # "the source retried the last fragment" (section 6.1.2)
        ((0,), True),  # "or resend the first fragment with an X flag set" (section 6)
        ((0, 2), False),  # other octets: a datagram that begins
        ((2,), False),
    ],
)
def test_what_is_sent_again_of_a_whole_datagram_is_no_datagram_more(
    resent: tuple[int, ...], again: bool
) -> None:
    """The acknowledgement may be lost: what comes again 3 s later alone is not one that never was whole."""
    reassembler = Reassembler(ENV.contexts)
    sent = fragments((0, 0, 50), (1, 50, 100), size=100, octets=WHOLE)
    sent += fragments((1, 50, 90), size=100, octets=WHOLE)
    feed(reassembler, sent[:2])
    assert feed(reassembler, [sent[one] for one in resent], at=3.0) == []
    (event,) = reassembler.close(time_s=90.0)
    assert isinstance(event, TimedOut)
    assert event.again is again
    # a minute later the tag may be another's
    feed(reassembler, sent[1:2], at=200.0)
    (late,) = reassembler.close()
    assert isinstance(late, Discarded)
    assert not late.again


@pytest.mark.parametrize(
    ("bounds", "kept"),
    [
        ((3, 300), (7, 8, 9)),
        ((2, 300), (8, 9)),
        ((3, 299), (8, 9)),
        ((3, 199), (9,)),
        ((1, 300), (9,)),
        ((3, 99), ()),
    ],
)
def test_each_bound_holds_for_what_is_absorbed(
    bounds: tuple[int, int], kept: tuple[int, ...]
) -> None:
    """Three datagrams of 100 octets are whole: the oldest of them are forgotten until both bounds hold."""
    datagrams, octets = bounds
    reassembler = Reassembler(ENV.contexts, max_datagrams=datagrams, max_octets=octets)
    late = {}
    for tag in (7, 8, 9):
        sent = fragments((0, 0, 50), (1, 50, 100), size=100, tag=tag, octets=WHOLE)
        late[tag] = sent[1:]
        feed(reassembler, sent)
        assert reassembler.held <= octets
    assert reassembler.held == 100 * len(kept)
    for tag in kept:
        (event,) = feed(reassembler, late[tag], at=0.5)
        assert isinstance(event, Ignored)
    for tag in {7, 8, 9} - set(kept):
        events = feed(reassembler, late[tag], at=0.5)
        assert not any(isinstance(event, Ignored) for event in events)


def test_what_is_missing_when_time_is_over() -> None:
    reassembler = Reassembler(ENV.contexts, timeout_s=10)
    feed(reassembler, fragments((0, 0, 40), (2, 60, 80), size=100, octets=WHOLE))
    feed(reassembler, fragments((2, 60, 80), size=100, tag=9, octets=WHOLE))
    events = feed(reassembler, [bytes.fromhex("ea 07 80 00 00 00")], at=11.0)
    assert [type(event) for event in events] == [TimedOut, TimedOut, Ignored]
    assert isinstance(events[0], TimedOut)
    assert isinstance(events[1], TimedOut)
    assert (events[0].received, events[0].missing) == (60, ((40, 60), (80, 100)))
    assert events[1].missing == ((0, 60),)  # up to where something is: the size is not known


def test_bitmap_of_what_came() -> None:
    collected = Collected(0.0)
    collected.add(Rfrag(7, 0, 40, 0, 100), WHOLE[:40])
    collected.add(Rfrag(7, 2, 20, 60), WHOLE[60:80])
    assert recovery.sequences_of(collected.bitmap) == (0, 2)
    collected.add(Rfrag(7, 1, 20, 40), WHOLE[40:60])
    collected.add(Rfrag(7, 3, 20, 80), WHOLE[80:])
    assert (
        collected.bitmap == recovery.FULL
    )  # "as opposed to a bitmap that acknowledges only the received"


def test_whole_but_not_to_be_expanded() -> None:
    """A context that is not known, or octets that are no datagram."""
    sent = fragments((0, 0, 50), (1, 50, 100), size=100, octets=WHOLE)
    frames = [framed(payload, ENV) for payload in sent]
    events = [event for frame in frames for event in Reassembler().feed(frame)]
    assert events == []
    reassembler = Reassembler()
    events = [event for frame in frames for event in reassembler.feed(frame)]
    assert isinstance(events[-1], Discarded)
    assert "context 0" in events[-1].reason
    other = Frame(b"", fragment=Rfrag(7, 0, 2, size=2), fragment_octets=b"\0\1")  # no LoWPAN frame
    events = Reassembler().feed(other)
    assert isinstance(events[-1], Discarded)
    assert "no datagram" in events[-1].reason
    inside = fragments(
        (0, 0, 4), (1, 4, 12), size=12, octets=bytes.fromhex("41 60 00 00") + bytes(8)
    )
    assert isinstance(feed(Reassembler(), inside)[-1], Ignored)  # the first holds no whole header


def test_fragments_in_fragments_are_no_datagram() -> None:
    inner = fragments((1, 8, 16), size=16, octets=bytes(16))[0]
    events = feed(Reassembler(), fragments((1, 4, 14), (0, 0, 4), size=14, octets=inner))
    assert not any(isinstance(event, Complete) for event in events)


@settings(max_examples=60)
@given(
    st.lists(
        st.tuples(
            st.integers(0, 31),
            st.integers(0, 5),
            st.binary(max_size=100),
            st.integers(0, 120),
            st.floats(0, 100),
        ),
        min_size=1,
        max_size=25,
    )
)
def test_any_fragments_keep_the_bounds(lot: list[tuple[int, int, bytes, int, float]]) -> None:
    reassembler = Reassembler(ENV.contexts, max_datagrams=3, max_octets=300)
    for sequence, tag, octets, field, time_s in lot:
        payload = bytes([0xE8, tag]) + (sequence << 26 | len(octets) << 16 | field).to_bytes(
            4, "big"
        )
        reassembler.feed(framed(payload + octets, ENV), time_s)
        assert reassembler.held <= 300
    assert len(reassembler.close()) <= 3
    assert sum(1 for _ in reassembler.close()) == 0


@settings(max_examples=200)
@given(st.binary(max_size=40), st.sampled_from([0xE8, 0xE9, 0xEA, 0xEB]))
def test_garbage_is_located(noise: bytes, dispatch: int) -> None:
    octets = bytes([dispatch]) + noise
    offset = 0
    try:
        decompress(octets, ENV)
    except WireError as error:
        offset = error.offset
    assert 0 <= offset <= len(octets)
    framed(octets, ENV)
