"""The trace: frames of kinds seen before are read as ``decode_frame`` reads them, and nothing is dropped.

Second opinion on what datagrams hold: scapy's IPv6 and UDP. The frames of the vectors (figures and rows of the RFCs)
are wrapped as captures and must give the datagrams that the vectors state.
"""

import random
import subprocess
import sys
from ipaddress import IPv6Address
from pathlib import Path
from typing import Any

import pytest
from capture.captures import (
    CONTEXTS,
    DESIGN,
    KEY,
    PAN,
    PREFIX,
    SECOND,
    compressed,
    eui,
    frames_of,
    icmpv6_datagram,
    ip_of,
    mac_of,
    mixed,
    records,
    short,
    udp_datagram,
)
from hypothesis import example, given, settings
from hypothesis import strategies as st
from link_contents import command_octets
from vector_files import document

from lowpanbudget import (
    Context,
    Decoder,
    Env,
    Key,
    Reassembler,
    Security,
    Truncated,
    WireError,
    encode_frame,
    follow,
)
from lowpanbudget.capture.files.reading import CaptureFile
from lowpanbudget.capture.files.record import Record
from lowpanbudget.capture.follow.flows import application_of, is_checksum_right
from lowpanbudget.capture.follow.picking import pick
from lowpanbudget.capture.follow.sighting import Sighting
from lowpanbudget.capture.follow.templates import layer_bits
from lowpanbudget.capture.follow.tracing import Trace
from lowpanbudget.design.load import parse_design
from lowpanbudget.errors import RequestError
from lowpanbudget.layers.internet.nd import messages as nd
from lowpanbudget.layers.internet.nd.lowpan_options import AddressRegistration, ContextOption
from lowpanbudget.layers.internet.nd.options import SourceLinkLayerAddress
from lowpanbudget.layers.internet.rpl.messages import Dio
from lowpanbudget.layers.internet.rpl.options import DodagConfiguration
from lowpanbudget.layers.link.contents import Command
from lowpanbudget.layers.link.fcs import fcs
from lowpanbudget.layers.link.mac import FrameType
from lowpanbudget.layers.lowpan.fragment import Fragment
from lowpanbudget.stack.events import Complete, Discarded, TimedOut
from lowpanbudget.stack.outgoing import Outgoing
from lowpanbudget.stack.recoverable import recoverable

VECTORS = Path(__file__).parents[3] / "vectors"
A, B = eui(1), eui(2)
OPENING = Decoder(CONTEXTS, KEY)


def trace_of(frames: list[bytes], link_type: int = 195, **options: Any) -> list[Sighting]:
    options.setdefault("contexts", CONTEXTS)
    return list(Trace(**options).follow(records(frames, link_type)))


def same_as_decoded(sighting: Sighting, decoder: Decoder) -> None:
    """Check what the trace says of a frame against decoding it alone."""
    is_fast = sighting._frame is None  # then it is decoded alone when it is asked for
    own = sighting.frame
    assert own is not None
    is_alone = is_fast and sighting.decoder == decoder and sighting.body.asn is None
    frame = own if is_alone else decoder.frame(sighting.octets, fcs=sighting.fcs_octets)
    assert sighting.template is not None
    if sighting.fault is None or frame.fault is None:
        assert sighting.fault is frame.fault is None
    else:
        assert str(sighting.fault) == str(frame.fault)
    fragment = sighting.template.fragment_of(sighting.payload or b"")
    if frame.fragment is None or isinstance(frame.fragment, Fragment):
        assert fragment == frame.fragment
    if sighting.damaged:
        assert frame.mac is None or frame.mac.fcs_ok is False
        assert sighting.datagram is None
    elif frame.datagram is not None:
        assert sighting.datagram == frame.datagram.octets
        assert sighting.numbers == (sighting.number,)
    assert sighting.payload == frame.payload
    assert sighting.verified == frame.verified
    sent = layer_bits(frame.spans)  # an FCS that the capture took off was sent as well
    if missing := 8 * sighting.missing_fcs:
        sent["MAC"] = sent.get("MAC", 0) + missing
    assert sighting.layer_bits == sent
    assert sorted(map(str, sighting.notices)) == sorted(map(str, frame.notices))
    assert (sighting.source, sighting.destination) == (frame.link_source, frame.link_destination)
    if frame.mac is not None:
        assert sighting.sequence == frame.mac.sequence
        assert sighting.fcs_ok == frame.mac.fcs_ok
        counter = frame.mac.security.frame_counter if frame.mac.security else None
        assert sighting.frame_counter == counter


@pytest.mark.parametrize("keys", [(), (KEY,)], ids=["sealed", "opened"])
def test_kinds_seen_before_are_read_like_new_ones(keys: tuple[bytes, ...]) -> None:
    frames = mixed(1500)
    decoder = Decoder(CONTEXTS, keys)
    reassembler = Reassembler(CONTEXTS)
    fast = 0
    for sighting in trace_of(frames, keys=keys):
        fast += sighting._frame is None
        same_as_decoded(sighting, decoder)
        if sighting.repeats is None and not sighting.damaged and sighting.frame is not None:
            events = reassembler.feed(sighting.frame, sighting.record.time_ns / SECOND)  # type: ignore[operator]
            whole = [e for e in events if isinstance(e, Complete)]
            assert [e.datagram.octets for e in whole] == (
                [sighting.datagram] if sighting.datagram else []
            )
    assert fast > 1000 if keys else fast > 800


# made once: drawing from a list that is new each time costs more than what is drawn
SEEDS, YES = st.integers(0, 1 << 30), st.booleans()
SOURCES = st.sampled_from((A, B, short(1), short(2)))
DESTINATIONS = st.sampled_from((A, B, short(1), b"\xff\xff"))
PREFIXES = st.sampled_from((PREFIX, "fe80::", "2001:db8:9::"))
PORTS = st.sampled_from(((0xF0B1, 0xF0B2), (61000, 5683), (5684, 1), (0xF012, 9)))
KEYS, SIZES = st.sampled_from((None, None, KEY)), st.sampled_from((0, 1, 7, 20, 60, 90, 160))


@st.composite
def streams(draw: st.DrawFn) -> list[bytes]:
    """Return frames that come near each other: the same ones with other payloads, lengths, numbers, changed octets."""
    rng = random.Random(draw(SEEDS))
    frames: list[bytes] = []
    for _ in range(draw(st.integers(1, 4))):
        link = draw(SOURCES)
        to = draw(DESTINATIONS)
        source = ip_of(link, draw(PREFIXES))
        group = IPv6Address("ff02::1")
        destination = group if to == b"\xff\xff" else ip_of(to)
        ports = draw(PORTS)
        key = draw(KEYS) if len(link) == 8 else None
        elide = draw(YES)
        for _ in range(draw(st.integers(1, 5))):
            size = draw(SIZES)
            body = rng.randbytes(size)
            if ports[1] == 5683 and size > 4:
                body = bytes([0x40 | rng.randrange(4), 1]) + body[2:]
            datagram = bytearray(udp_datagram(source, destination, body, ports))
            if draw(st.integers(0, 5)) == 0:
                datagram[46] ^= 1  # a wrong checksum
            env = Env(link, to, contexts=CONTEXTS)
            if elide and size < 60:
                from lowpanbudget import compress

                try:
                    payload = compress(bytes(datagram), env, elide_udp_checksum=True).octets
                    frames.append(
                        encode_frame(mac_of(link, to, rng.randrange(256)), payload).octets
                    )
                    continue
                except Exception:  # noqa: BLE001  # a wrong one cannot be elided
                    pass
            frames += frames_of(
                bytes(datagram), link, to, sequence=rng.randrange(256), tag=rng.randrange(4), key=key,
                counter=rng.randrange(1000), room=80,
            )  # fmt: skip
    whole = list(frames)
    for _ in range(draw(st.integers(0, 6))):
        changed = bytearray(draw(st.sampled_from(whole)))
        changed[draw(st.integers(0, len(changed) - 1))] = draw(st.integers(0, 255))
        cut = draw(st.integers(0, len(changed)))
        frames.append(bytes(changed) if draw(YES) else bytes(changed[:cut]))
    return draw(st.permutations(frames))


# sealed by its security control, and cut in an information element: no octet is an integrity code
CUT_IN_AN_ELEMENT = bytes.fromhex("692a c5 b751 01000010 ef5e0002 01000010")


@pytest.mark.long
@settings(max_examples=150)
@given(streams(), st.sampled_from([0, 2]))
@example([CUT_IN_AN_ELEMENT + bytes(2)], 0)
def test_any_stream_is_read_like_its_frames(frames: list[bytes], fcs: int) -> None:
    if fcs == 0:
        frames = [frame[:-2] for frame in frames]
    for sighting in trace_of(frames * 2, fcs=fcs, keys=KEY):
        same_as_decoded(sighting, OPENING)


@settings(max_examples=100)
@given(
    st.lists(st.binary(max_size=60), max_size=8), st.sampled_from([1, 101, 195, 229, 230, 283, 147])
)
def test_any_octets_of_any_link_type(frames: list[bytes], link_type: int) -> None:
    for sighting in trace_of(frames, link_type, keys=KEY):
        assert isinstance(sighting.reason, str)
        assert sighting.fault is None or isinstance(sighting.fault, WireError)
        assert sighting.kind
        assert isinstance(sighting.layer_bits, dict)
        _ = sighting.frame, sighting.contents, sighting.matched


def vector_cases() -> list[Any]:
    found = []
    for folder in ("rfc6282", "rfc4944", "rfc8025"):
        for path in sorted((VECTORS / folder).glob("*.toml")):
            for case in document(path).get("case", []):
                link = case.get("link_source"), case.get("link_destination")
                if "lowpan" in case and "ipv6" in case and None not in link:
                    found.append(pytest.param(case, id=f"{folder}/{path.stem}:{case['id']}"))
    return found


@pytest.mark.parametrize("case", vector_cases())
def test_vectors_as_captures(case: dict[str, Any]) -> None:
    """What a vector states for its payload holds for a frame around it, first and again, over Ethernet as well."""
    source, destination = (bytes.fromhex(case[f"link_{end}"]) for end in ("source", "destination"))
    if {len(source), len(destination)} - {2, 8}:
        return
    contexts = {
        int(number): Context(**context) if isinstance(context, dict) else context
        for number, context in case.get("contexts", {}).items()
    }
    lowpan, datagram = bytes.fromhex(case["lowpan"]), bytes.fromhex(case["ipv6"])
    frames = [
        encode_frame(mac_of(source, destination, number), lowpan).octets for number in range(3)
    ]
    decoder = Decoder(contexts)
    for sighting in trace_of(frames, contexts=contexts, fcs=2):
        assert sighting.datagram == datagram
        same_as_decoded(sighting, decoder)


def all_payloads() -> list[Any]:
    """Return every 6LoWPAN payload of every vector with surroundings, whatever comes of it."""
    found = []
    for path in sorted(VECTORS.glob("*/*.toml")):
        for case in document(path).get("case", []):
            ends = [case.get(f"link_{end}") for end in ("source", "destination")]
            if "lowpan" in case and all(end and len(end) in (4, 16) for end in ends):
                found.append(pytest.param(case, id=f"{path.parent.name}/{path.stem}:{case['id']}"))
    return found


@pytest.mark.long
@pytest.mark.parametrize("case", all_payloads())
def test_payloads_near_the_vectors_are_read_like_new_ones(case: dict[str, Any]) -> None:
    """Other octets at the end, fewer and more of them, and each octet changed, after the vector itself was seen."""
    source, destination = (bytes.fromhex(case[f"link_{end}"]) for end in ("source", "destination"))
    contexts = {
        int(number): Context(**context) if isinstance(context, dict) else context
        for number, context in case.get("contexts", {}).items()
    }
    root = case.get("root")
    lowpan = bytes.fromhex(case["lowpan"])
    near = [lowpan, lowpan + b"\x05", lowpan + b"\x05\x06" * 9, lowpan[:-1], lowpan[:-2]]
    near += [
        lowpan[:at] + bytes([lowpan[at] ^ change]) + lowpan[at + 1 :]
        for at in range(min(len(lowpan), 60))
        for change in (0x40 if at % 2 else 0x01,)
    ]
    head = encode_frame(mac_of(source, destination, 0), b"", fcs=0).octets
    frames = []
    for number, payload in enumerate([*near, *near]):
        octets = head[:2] + bytes([number & 255]) + head[3:] + payload
        frames.append(octets + fcs(octets, 2))
    decoder = Decoder(contexts, root=root)
    for sighting in trace_of(frames, contexts=contexts, fcs=2, root=root):
        same_as_decoded(sighting, decoder)


def test_another_library_reads_the_same_datagrams() -> None:
    from scapy.layers.inet import UDP
    from scapy.layers.inet6 import IPv6

    count = 0
    for sighting in trace_of(mixed(400), keys=KEY):
        if sighting.datagram is None or sighting.flow is None or sighting.contents is None:
            continue
        packet = IPv6(sighting.datagram)
        assert packet.src == str(sighting.flow.source)
        assert packet.dst == str(sighting.flow.destination)
        assert (packet[UDP].sport, packet[UDP].dport) == sighting.flow[3:5]
        assert packet[UDP].len == len(sighting.datagram) - 40
        sent = bytes(packet[UDP].payload)
        carried = packet[UDP].chksum
        del packet[UDP].chksum
        assert IPv6(bytes(packet))[UDP].chksum == carried
        assert is_checksum_right(sighting.contents)
        assert sent.endswith(application_of(sighting.contents))
        count += 1
    assert count > 200


def test_a_frame_too_long_for_any_datagram() -> None:
    """Files may say so: 16 bits count the octets of an IPv6 payload (RFC 8200 section 3)."""
    (octets,) = frames_of(udp_datagram(ip_of(A), ip_of(B), b"x"), A, B, fcs=0)
    frames = [octets, octets + bytes(0xFEC0), octets + bytes(0xFFF8), octets + bytes(0x1FFFF)]
    sighting = trace_of(frames, fcs=0)
    for one in sighting:
        same_as_decoded(one, Decoder(CONTEXTS))
    assert [one.fault is None for one in sighting] == [True, True, False, False]


# --- fragments --------------------------------------------------------------------------------------


def test_fragments_of_two_datagrams_between_each_other() -> None:
    one, two = (udp_datagram(ip_of(x), ip_of(B), bytes([7]) * 200) for x in (A, short(5)))
    first, second = frames_of(one, A, B, tag=1), frames_of(two, short(5), B, tag=1)
    assert len(first) == len(second) == 3
    order = [first[0], second[0], second[2], first[2], first[1], second[1]]
    sighting = trace_of(order)
    assert [t.datagram for t in sighting] == [None] * 4 + [one, two]
    assert sighting[4].numbers == (1, 4, 5)
    assert sighting[5].numbers == (2, 3, 6)
    # the flow of every fragment is known once the first has been seen
    assert [t.flow.source if t.flow else None for t in sighting] == [
        ip_of(A), ip_of(short(5)), ip_of(short(5)), ip_of(A), ip_of(A), ip_of(short(5)),
    ]  # fmt: skip
    assert sighting[4].contents is not None
    assert application_of(sighting[4].contents) == bytes([7]) * 200


def test_a_retransmitted_fragment_opens_no_second_datagram() -> None:
    datagram = udp_datagram(ip_of(A), ip_of(B), bytes(150))
    first, last = frames_of(datagram, A, B)
    trace = Trace(contexts=CONTEXTS)
    sighting = list(trace.follow(records([first, last, last])))
    assert [t.repeats for t in sighting] == [None, None, 2]
    assert sighting[1].datagram == datagram
    assert sighting[1].headers_template is sighting[0].template  # all headers are in the first
    assert sighting[2].datagram is None
    assert not trace.leftover


def test_the_first_three_frames_are_picked_whatever_becomes_whole_behind_them() -> None:
    datagram = udp_datagram(ip_of(A), ip_of(B), bytes(150))
    first, last = frames_of(datagram, A, B)
    (one,), (two,), (three,) = (
        frames_of(udp_datagram(ip_of(A), ip_of(B), bytes([n] * 3)), A, B) for n in range(3)
    )
    heard = CaptureFile.of(records([first, one, two, three, last]))
    picked, count = pick(Trace(contexts=CONTEXTS), heard, (), "a capture")
    assert [sighting.number for sighting in picked] == [1, 2, 3]
    assert not picked[0].is_open  # its datagram is whole
    assert count == 5


def test_fragments_that_never_become_whole_are_told() -> None:
    datagram = udp_datagram(ip_of(A), ip_of(B), bytes(300))
    pieces = frames_of(datagram, A, B)
    trace = Trace(contexts=CONTEXTS)
    late = records([*pieces[:2], pieces[0]], step_ns=61 * SECOND)
    sighting = list(trace.follow(late))
    ended = [event for t in sighting for event in t.ended if isinstance(event, TimedOut)]
    assert [tuple(part.number for part in event.marks) for event in ended] == [(1,), (2,)]
    assert ended[0].marks[0].flow is not None
    assert [(type(o), [p.number for p in o.marks]) for o in trace.leftover] == [(Discarded, [3])]


def test_recovered_fragments() -> None:
    datagram = udp_datagram(ip_of(A), ip_of(B), bytes(range(250)))
    writers = recoverable(Outgoing.read(datagram), Env(A, B, contexts=CONTEXTS), room=90, tag=9)
    frames = [encode_frame(mac_of(A, B, n), bytes(w.data)).octets for n, w in enumerate(writers)]
    sighting = trace_of([frames[1], frames[0], *frames[2:]])
    assert sighting[-1].datagram == datagram
    assert len(sighting[-1].parts) == len(frames)


def test_mesh_ends_count_not_the_hop() -> None:
    """RFC 4944 section 5.2: one octet 10 V F hops-left, originator, final; V and F set: short addresses."""
    datagram = udp_datagram(ip_of(short(5)), ip_of(short(6)), b"hello")
    mesh = bytes([0b10110101]) + short(5) + short(6)
    payload = mesh + compressed(datagram, short(5), short(6))
    sighting = trace_of(
        [encode_frame(mac_of(short(1), short(2), n), payload).octets for n in range(2)]
    )
    assert [t.datagram for t in sighting] == [datagram, datagram]
    assert sighting[1].source == short(5)
    assert sighting[1].destination == short(6)


# --- other link types -------------------------------------------------------------------------------


def test_lowpan_over_ethernet() -> None:
    """RFC 7973: EtherType 0xa0ed; identifiers come from EUI-48 by RFC 2464 section 4."""
    source, destination = bytes.fromhex("00005e0053af"), bytes.fromhex("00005e005301")
    datagram = udp_datagram(
        IPv6Address("fe80::200:5eff:fe00:53af"), IPv6Address("fe80::200:5eff:fe00:5301"), b"abc"
    )
    lowpan = compressed(datagram, source, destination)
    assert len(lowpan) == 9  # identifiers elided: two octets of IPHC, four of UDP, three of payload
    octets = destination + source + b"\xa0\xed" + lowpan
    (sighting,) = trace_of([octets], 1)
    assert sighting.datagram == datagram
    assert sighting.source == source
    frame = encode_frame(
        mac_of(A, B), compressed(udp_datagram(ip_of(A), ip_of(B), b"x"), A, B)
    ).octets
    for end in (frame, frame[:-2]):
        inside = [destination + source + b"\x80\x9a" + end] * 5
        assert all(t.datagram is not None for t in trace_of(inside, 1))
    filled = destination + source + b"\x86\xdd" + datagram + bytes(9)
    assert trace_of([filled], 1)[0].datagram == datagram


def test_plain_datagrams() -> None:
    datagram = udp_datagram(ip_of(A), ip_of(B), b"abc")
    for link_type in (229, 101):
        (sighting,) = trace_of([datagram], link_type)
        assert sighting.datagram == datagram
        assert sighting.flow is not None
        assert sighting.flow.destination_port == 0xF0B2
        assert sighting.frame is None
    (sighting,) = trace_of([b"\x45" + bytes(30)], 101)
    assert "version 4" in sighting.reason


def test_a_frame_of_which_the_capture_kept_the_front() -> None:
    (octets,) = frames_of(udp_datagram(ip_of(A), ip_of(B), bytes(60)), A, B)
    record = Record(1, 0, 195, octets[:40], len(octets))
    (sighting,) = Trace(contexts=CONTEXTS).follow([record])
    assert sighting.fcs_ok is None
    assert sighting.fcs_octets == 0
    assert sighting.flow is not None


@pytest.mark.parametrize("level", range(1, 8))
def test_a_cut_frame_is_judged_by_nothing_that_was_cut(level: int) -> None:
    """IEEE 802.15.4-2015 table 9-6, from memory: MICs of 4, 8 and 16 octets end a frame, before its FCS of 2."""
    mic = {0: 0, 1: 4, 2: 8, 3: 16}[level % 4]
    mac = mac_of(A, B, security=Security(level, 1, 1000, key_index=1))
    payload = compressed(udp_datagram(ip_of(A), ip_of(B), bytes(20)), A, B)
    whole = encode_frame(mac, payload, key=KEY).octets
    for kept in range(30, len(whole) - 2):
        record = Record(1, 0, 195, whole[:kept], len(whole))
        (sighting,) = Trace(contexts=CONTEXTS, keys=(KEY,), fcs=2).follow([record])
        frame = sighting.as_frame
        there = b"".join(span.value for span in frame.spans if span.name == "MIC")
        assert there == whole[len(whole) - 2 - mic : kept]
        assert frame.mac is not None
        assert frame.mac.security is not None
        assert frame.mac.security.mic == there
        assert not frame.verified
        assert not frame.notices
        assert frame.datagram is None
        assert isinstance(frame.fault, Truncated)
        assert sum(span.bits for span in frame.spans) == 8 * kept
    for kept in range(len(whole) - 2, len(whole)):  # an FCS, or half of one, is all that is missing
        record = Record(1, 0, 195, whole[:kept], len(whole))
        (sighting,) = Trace(contexts=CONTEXTS, keys=(KEY,), fcs=2).follow([record])
        assert sighting.verified == (mic > 0)
        assert sighting.datagram is not None
        assert not sighting.cut


# --- what is learned --------------------------------------------------------------------------------


def test_contexts_seen_on_the_air_with_their_lifetime() -> None:
    """RFC 6775: section 4.2 counts minutes; 5.4.3 keeps a context for twice the router lifetime after its end."""
    router, host = eui(9), eui(1)
    option = ContextOption(
        cid=3, prefix=Context("2001:db8:33::/64").prefix, valid_lifetime=2, may_compress=False
    )
    advertisement = nd.RouterAdvertisement(cur_hop_limit=64, router_lifetime=60, options=(option,))
    tell = icmpv6_datagram(ip_of(router, "fe80::"), IPv6Address("ff02::1"), advertisement)
    (announcement,) = frames_of(tell, router, b"\xff\xff", contexts={})
    datagram = udp_datagram(ip_of(host, "2001:db8:33::"), ip_of(router, "2001:db8:33::"), b"x")
    using = [
        frames_of(datagram, host, router, sequence=n, contexts={3: "2001:db8:33::/64"})[0]
        for n in range(4)
    ]
    trace = Trace()
    times = [0, 1, 2, 1 + 120 + 120, 1 + 120 + 120 + 1]
    frames = [using[0], announcement, *using[1:]]
    fed = [
        Record(n, s * SECOND, 195, f, len(f))
        for n, (s, f) in enumerate(zip(times, frames, strict=True), 1)
    ]
    sighting = list(trace.follow(fed[:4]))
    assert "context 3 is not known" in sighting[0].reason
    assert [t.datagram for t in sighting[2:]] == [datagram, datagram]
    (learned,) = trace.learned_contexts
    assert (learned.cid, learned.number, str(learned.context.prefix)) == (3, 2, "2001:db8:33::/64")
    assert not learned.context.may_compress
    late = trace.feed(fed[4])
    assert "context 3 ran out: frame 2 announced it last" in late.reason
    assert late.fault is not None
    assert str(late.fault.cite) == "RFC 6775 §5.4.3"
    assert late.fault.hint.endswith("3=2001:db8:33::/64")
    assert not trace.learned_contexts


def test_a_context_past_its_lifetime_expands_and_compresses_no_more() -> None:
    """RFC 6775 section 5.4.3: "placed in a receive-only mode, which is the equivalent of receiving [...] C=0"."""
    router, host, context = eui(9), eui(1), {3: "2001:db8:33::/64"}
    option = ContextOption(cid=3, prefix=Context(context[3]).prefix, valid_lifetime=2)
    advertisement = nd.RouterAdvertisement(cur_hop_limit=64, router_lifetime=60, options=(option,))
    tell = icmpv6_datagram(ip_of(router, "fe80::"), IPv6Address("ff02::1"), advertisement)
    datagram = udp_datagram(ip_of(host, "2001:db8:33::"), ip_of(router, "2001:db8:33::"), b"x")
    frames = frames_of(tell, router, b"\xff\xff", contexts={})
    frames += [frames_of(datagram, host, router, sequence=n, contexts=context)[0] for n in range(3)]
    fed = [
        Record(n, s * SECOND, 195, frame, len(frame))
        for n, (s, frame) in enumerate(zip([0, 120, 121, 241], frames, strict=True), 1)
    ]
    in_time, late, too_late = list(follow(fed))[1:]
    assert in_time.datagram is not None
    assert in_time.shortest is not None
    assert in_time.shortest.shortest == in_time.shortest.here
    assert late.datagram is not None
    # both prefixes in line and no CID octet would take 31 octets more: nobody may send what was sent
    with pytest.raises(RequestError, match=r"context 3 .* compresses no more: it ran out"):
        _ = late.shortest
    assert too_late.datagram is None


def test_a_removed_context_and_one_that_differs() -> None:
    router = eui(9)

    def announce(lifetime: int, prefix: str, sequence: int) -> bytes:
        option = ContextOption(cid=0, prefix=Context(prefix).prefix, valid_lifetime=lifetime)
        message = nd.RouterAdvertisement(cur_hop_limit=64, router_lifetime=1800, options=(option,))
        datagram = icmpv6_datagram(ip_of(router, "fe80::"), IPv6Address("ff02::1"), message)
        return frames_of(datagram, router, b"\xff\xff", sequence=sequence, contexts={})[0]

    trace = Trace()
    frames = [announce(10, "2001:db8:1::/64", 1), announce(0, "2001:db8:1::/64", 2)]
    list(trace.follow(records(frames[:1])))
    assert str(trace.contexts[0].prefix) == "2001:db8:1::/64"
    list(trace.follow(records(frames[1:])))
    assert not trace.contexts
    gone = trace.contexts.gone(0)
    assert gone is not None
    assert (str(gone.prefix), gone.why) == ("2001:db8:1::/64", "was withdrawn in frame 1")
    given = Trace(contexts={0: "2001:db8:5::/64"})
    (sighting,) = given.follow(records(frames[:1]))
    assert [n.name for n in sighting.notices] == ["context-differs"]
    assert str(given.contexts[0].prefix) == "2001:db8:5::/64"


@pytest.mark.parametrize(
    ("steps", "noticed"),
    [
        (((0, 1, 10, True), (8, 1, 0, True), (10, 2, 10, False)), True),
        (((0, 1, 10, True), (8, 1, 0, True), (9, 1, 0, True), (307, 2, 10, False)), True),
        (((0, 1, 10, True), (8, 1, 0, True), (308, 2, 10, False)), False),
        (((0, 1, 10, True), (8, 1, 10, False), (200, 1, 0, False), (308, 2, 10, False)), False),
        (((0, 1, 10, True), (8, 1, 0, True), (10, 1, 10, True)), False),  # the same once more
        (((0, 1, 10, False), (8, 1, 0, False), (10, 2, 10, False)), False),  # never in use
    ],
)
def test_a_context_withdrawn_and_given_to_another_prefix(
    steps: tuple[tuple[int, int, int, bool], ...], *, noticed: bool
) -> None:
    """RFC 6775 section 7.2: out of use for MIN_CONTEXT_CHANGE_DELAY, 300 s (section 9), before new values."""
    router, fed = eui(9), []
    for number, (at, prefix, lifetime, compress) in enumerate(steps, 1):
        option = ContextOption(
            cid=0,
            prefix=Context(f"2001:db8:{prefix}::/64").prefix,
            valid_lifetime=lifetime,
            may_compress=compress,
        )
        message = nd.RouterAdvertisement(cur_hop_limit=64, router_lifetime=1800, options=(option,))
        datagram = icmpv6_datagram(ip_of(router, "fe80::"), IPv6Address("ff02::1"), message)
        (frame,) = frames_of(datagram, router, b"\xff\xff", sequence=number, contexts={})
        fed.append(Record(number, at * SECOND, 195, frame, len(frame)))
    *_, last = Trace().follow(fed)
    assert [n.name for n in last.notices] == ["context-moved"] * noticed


def test_a_context_in_a_fragmented_advertisement() -> None:
    router = eui(9)
    options = tuple(
        ContextOption(cid=n, prefix=Context(f"2001:db8:{n}::/64").prefix, valid_lifetime=5)
        for n in range(6)
    )
    message = nd.RouterAdvertisement(cur_hop_limit=64, router_lifetime=1800, options=options)
    datagram = icmpv6_datagram(ip_of(router, "fe80::"), IPv6Address("ff02::1"), message)
    frames = frames_of(datagram, router, b"\xff\xff", contexts={})
    assert len(frames) > 1
    trace = Trace()
    list(trace.follow(records(frames)))
    assert sorted(trace.contexts) == [0, 1, 2, 3, 4, 5]


def sealed_by(link: bytes, number: int, device: bytes, counter: int) -> bytes:
    datagram = udp_datagram(ip_of(link), ip_of(B), b"sealed")
    devices = {int.from_bytes(link, "big"): device}
    return frames_of(datagram, link, B, sequence=number, key=KEY, counter=counter, devices=devices)[
        0
    ]


def association() -> bytes:
    """Association response: short address, status (IEEE 802.15.4-2015 clause 7.5.3, from memory)."""
    content = command_octets(Command(2, {"short_address": 0x0042, "association_status": 0}))
    return encode_frame(mac_of(B, eui(7), 1, frame_type=FrameType.COMMAND), content).octets


def registration() -> bytes:
    """RFC 6775 section 5.5: a solicitation with the sender's address and the EUI-64 that registers it."""
    message = nd.NeighborSolicitation(
        target=ip_of(B, "fe80::"),
        options=(
            SourceLinkLayerAddress(address=short(0x42)),
            AddressRegistration(registration_lifetime=10, rovr=eui(7)),
        ),
    )
    datagram = icmpv6_datagram(ip_of(short(0x42)), ip_of(B, "fe80::"), message)
    return frames_of(datagram, short(0x42), B, room=110)[0]


def link_local() -> bytes:
    """RFC 4291 appendix A: an identifier made of an EUI-64 in a frame with the short address."""
    universal = bytes.fromhex("00005e0053000007")
    datagram = udp_datagram(ip_of(universal, "fe80::"), ip_of(B, "fe80::"), b"x")
    return frames_of(datagram, short(0x42), B)[0]


@pytest.mark.parametrize(
    ("teaches", "device", "how"),
    [
        (association, eui(7), "association response"),
        (registration, eui(7), "address registration"),
        (link_local, bytes.fromhex("00005e0053000007"), "link-local source address"),
    ],
)
def test_short_addresses_learned_on_the_air(teaches: Any, device: bytes, how: str) -> None:
    frames = [sealed_by(short(0x42), n, device, n) for n in range(2)]
    trace = Trace(contexts=CONTEXTS, keys=KEY)
    sighting = list(trace.follow(records([frames[0], teaches(), frames[1]])))
    assert "not known" in sighting[0].reason
    assert sighting[1].fault is None
    assert sighting[2].verified
    assert sighting[2].datagram is not None
    (learned,) = trace.learned_devices
    assert (learned.pan, learned.short, learned.eui64, learned.how) == (PAN, 0x42, device, how)
    assert learned.number == 2


def test_given_devices_win_over_the_air() -> None:
    trace = Trace(devices={0x42: eui(7)})
    content = command_octets(Command(2, {"short_address": 0x0042, "association_status": 0}))
    other = encode_frame(mac_of(B, eui(8), 1, frame_type=FrameType.COMMAND), content).octets
    (sighting,) = trace.follow(records([other]))
    assert [n.name for n in sighting.notices] == ["device-differs"]
    assert not trace.learned_devices


def test_a_damaged_frame_teaches_nothing() -> None:
    frame = bytearray(association())
    frame[-1] ^= 1
    trace = Trace(fcs=2)
    list(trace.follow(records([bytes(frame)])))
    assert not trace.learned_devices


def test_the_root_is_learned_from_rpl() -> None:
    """RFC 6550 section 6.3.1: the DODAGID of a DIO is an address of the root."""
    message = Dio(rpl_instance_id=1, version=0, rank=256, dodag_id=ip_of(eui(0x100)))
    datagram = icmpv6_datagram(ip_of(A, "fe80::"), IPv6Address("ff02::1a"), message)
    trace = Trace()
    list(trace.follow(records(frames_of(datagram, A, b"\xff\xff", contexts={}))))
    assert trace.knowledge.root == ip_of(eui(0x100))


@pytest.mark.parametrize(
    ("mode", "flag", "given", "kind"),
    [(2, True, None, 0x23), (2, False, None, 0x63), (7, False, None, 0x23), (2, True, 0x63, 0x63)],
)
def test_the_rpl_option_is_restored_with_the_type_that_a_dio_announced(
    mode: int, flag: bool, given: int | None, kind: int
) -> None:
    """RFC 9008 sections 4.1.3 and 4.3: the type that is active; with MOP 7 always 0x23. RFC 8138 figure 10."""
    options = (
        DodagConfiguration(
            dio_interval_doublings=8,
            dio_interval_min=12,
            dio_redundancy_constant=10,
            max_rank_increase=7,
            min_hop_rank_increase=256,
            objective_code_point=1,
            default_lifetime=30,
            lifetime_unit=60,
            rpi_0x23=flag,
        ),
    )
    message = Dio(
        rpl_instance_id=0,
        version=0,
        rank=256,
        dodag_id=ip_of(eui(0x100)),
        mode=mode,
        options=options,
    )
    datagram = icmpv6_datagram(ip_of(A, "fe80::"), IPv6Address("ff02::1a"), message)
    # page 1, RPI-6LoRH with I and K and rank 0x0200, IPHC: hop limit 64, link-local, no next header
    sent = encode_frame(mac_of(A, B), bytes.fromhex("f1830502 7a333b")).octets
    frames = [sent, *frames_of(datagram, A, b"\xff\xff", contexts={}), sent]
    sighting = list(Trace(rpi_type=given).follow(records(frames)))
    assert sighting[0].datagram is not None
    assert sighting[0].datagram[40:] == bytes.fromhex("3b00 63 04 00000200")
    assert sighting[-1].datagram is not None
    assert sighting[-1].datagram[40:] == bytes([0x3B, 0, kind, 4, 0, 0, 2, 0])


def test_following_a_capture_loads_nothing_heavy() -> None:
    probe = (
        "import sys, lowpanbudget.capture.surveyor, lowpanbudget.capture.files.reading, lowpanbudget.capture.expand\n"
        "print(*{m.split('.')[0] for m in sys.modules} & {'numpy', 'scapy', 'pydantic', 'rich', 'cryptography'})"
    )
    done = subprocess.run([sys.executable, "-c", probe], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == ""


def test_keys_are_not_shown() -> None:
    trace = Trace(keys=KEY)
    (sighting,) = trace.follow(records([sealed_by(short(1), 0, eui(1), 0)]))
    shown = repr(sighting) + repr(trace.__dict__) + str(sighting.reason)
    assert KEY.hex() not in shown
    assert repr(KEY)[2:-1] not in shown


def test_a_slot_number_of_the_receiver_opens_a_frame() -> None:
    """Reception element 7 is the absolute slot number (from memory); the nonce holds it."""
    security = Security(5, 1, None, None, 1, asn_in_nonce=True)
    mac = mac_of(A, B, version=2, security=security, pan_id_compression=False)
    frame = encode_frame(
        mac,
        compressed(udp_datagram(ip_of(A), ip_of(B), b"x"), A, B),
        key=Key(KEY),
        asn=0x0102030405,
    ).octets
    elements = bytes.fromhex("0000010001000000070008000504030201000000")
    tap = (len(elements) + 4).to_bytes(2, "little")
    octets = b"\x00\x00" + tap + elements + frame
    (sighting,) = trace_of([octets], 283, keys=KEY)
    assert sighting.verified
    assert sighting.body.asn == 0x0102030405
    assert sighting.body.fields["fcs_octets"] == 2


# --- repetitions ------------------------------------------------------------------------------------


def test_retransmissions_and_copies() -> None:
    datagram = udp_datagram(ip_of(A), ip_of(B), b"the same")
    one, other = (frames_of(datagram, A, B, sequence=n)[0] for n in (4, 5))
    fast = list(Trace(contexts=CONTEXTS).follow(records([one, one, other], step_ns=SECOND // 20)))
    assert [(t.repeats, t.copies) for t in fast] == [(None, None), (1, None), (None, 1)]
    slow = list(Trace(contexts=CONTEXTS).follow(records([one, other], step_ns=60 * SECOND)))
    assert [(t.repeats, t.copies) for t in slow] == [(None, None)] * 2


# --- a design ---------------------------------------------------------------------------------------


def test_messages_of_a_design() -> None:
    design = parse_design(DESIGN)
    climate = design.message("climate").pack(
        {"reading": [{"temperature": 20.5}, {"temperature": -3}]}
    )
    alarm = design.message("alarm").pack({"door": True})
    request = bytes([0x50, 0x02, 0, 1]) + b"\xb1a\xff" + alarm
    elsewhere = bytes([0x50, 0x02, 0, 1]) + b"\xb1b\xff" + alarm
    datagrams = [
        udp_datagram(ip_of(A), ip_of(B), climate),
        udp_datagram(ip_of(A), ip_of(B), alarm),
        udp_datagram(ip_of(A), ip_of(B), b"\x09wrong"),
        udp_datagram(ip_of(B), ip_of(A), request, (61000, 5683)),
        udp_datagram(ip_of(B), ip_of(A), elsewhere, (61000, 5683)),
        udp_datagram(ip_of(B), ip_of(A), b"x", (1, 2)),
    ]
    trace = Trace(design=design)
    frames = [
        frames_of(d, A, B)[0] if d[8:24] == ip_of(A).packed else frames_of(d, B, A)[0]
        for d in datagrams
    ]
    first, second, wrong, asked, other, none = [t.matched for t in trace.follow(records(frames))]
    assert first is not None
    assert first.flow.name == "climate"
    assert first.message is design.message("climate")
    assert [(r.place, float(r.value), r.unit) for r in first.readings] == [
        ("kind", 1.0, ""), ("reading[0].temperature", 20.5, "Cel"), ("reading[1].temperature", -3.0, "Cel"),
    ] or [(r.place, float(r.value), r.unit) for r in first.readings] == [
        ("reading[0].temperature", 20.5, "Cel"), ("reading[1].temperature", -3.0, "Cel"),
    ]  # fmt: skip
    assert second is not None
    assert second.message is design.message("alarm")
    assert second.values is not None
    assert second.values["door"] is True
    assert wrong is not None
    assert wrong.message is None
    assert [name for name, _ in wrong.faults] == ["climate", "alarm"]
    assert asked is not None
    assert asked.flow.name == "ask"
    assert asked.message is design.message("alarm")
    assert other is None
    assert none is None


@pytest.mark.long  # the quick ones of tests/test_hostile.py bound the same memory of every reader
def test_what_is_remembered_is_bounded() -> None:
    """Thousands of senders, tags and payload kinds: the tables keep their bounds."""
    rng = random.Random(3)
    trace = Trace(contexts=CONTEXTS, fcs=2)
    before, _, behind = encode_frame(mac_of(A, B, 0), b"", fcs=0).octets.partition(A[::-1])
    for number in range(4_500):
        link = eui(rng.randrange(65536))
        payload = (
            bytes([0xC1, 0x00]) + rng.randbytes(2) + b"\x7b\x33" + rng.randbytes(rng.randrange(40))
        )
        head = before[:2] + bytes([number & 255]) + before[3:] + link[::-1] + behind
        octets = head + payload + fcs(head + payload)
        assert number or octets == encode_frame(mac_of(link, B, 0), payload).octets
        trace.feed(Record(number + 1, number * 10**6, 195, octets, len(octets)))
    assert len(trace.reassembler._open) <= 256
    assert len(trace.reader._templates._young) + len(trace.reader._templates._old) <= 2048
    assert len(trace.reader._headers._young) + len(trace.reader._headers._old) <= 2048
    assert len(trace.repeats._sources) <= 4096
