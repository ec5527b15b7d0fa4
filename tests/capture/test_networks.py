"""Two networks in one capture: a short address is one in its PAN alone (IEEE 802.15.4-2015 clause 6.4.2, from memory).

Fragments of one datagram have its sender in common (RFC 4944 section 5.3): those of two PANs are of two. What each
network sent is counted by hand.
"""

import random
import struct
from collections.abc import Sequence
from pathlib import Path

import pytest
from capture.columns.columns_help import by_columns
from findings import air
from findings.air import CONTEXTS, FAR_NODE, FAR_ROOT, NODE, PAN, ROOT

from lowpanbudget import (
    Complete,
    Env,
    Reassembler,
    Record,
    RequestError,
    annotate,
    audit,
    compress,
    decode_frame,
    follow,
    frame_rows,
    measure,
    survey,
    write_pcap,
)
from lowpanbudget.capture.follow.tracing import Trace
from lowpanbudget.deployment import measurement
from lowpanbudget.design.load import parse_design
from lowpanbudget.report.page.capture import capture_page

OTHER = 0xBEEF
READINGS, LONG_EACH, PARTS = 20, 4, 3  # every fourth takes three frames
SECOND = 10**9


def sent(pan: int, sequence: int) -> list[list[bytes]]:
    """Return the frames of each reading of NODE, from this sequence number on."""
    made: list[list[bytes]] = []
    for number in range(READINGS):
        octets = b"%4d of %x" % (number, pan) + bytes(180 if number % LONG_EACH == 0 else 0)
        datagram = air.datagram(octets)
        frames = air.pieces(datagram, tag=number)
        made.append([numbered(frame, pan, sequence + n) for n, frame in enumerate(frames)])
        sequence += len(frames)
    return made


def numbered(frame: bytes, pan: int, sequence: int) -> bytes:
    """Return a frame with another sequence number and PAN ID: octets 2, and 3 and 4."""
    return air.mended(
        frame[:2] + bytes([sequence & 0xFF]) + pan.to_bytes(2, "little") + frame[5:-2] + bytes(2)
    )


def acknowledgement(frame: bytes) -> bytes:
    """IEEE 802.15.4-2006 clause 7.2.2.3, from memory: frame control 0x0002 and the number, no address."""
    return air.mended(bytes([0x02, 0x00, frame[2], 0, 0]))


def side_by_side(*networks: Sequence[list[bytes]]) -> list[Record]:
    """Return readings of all networks in turn, a second apart, their fragments mixed."""
    records: list[Record] = []
    for number, readings in enumerate(zip(*networks, strict=True)):
        at = number * SECOND
        for place in range(max(map(len, readings))):
            for frames in readings:
                for octets in (
                    (frames[place], acknowledgement(frames[place])) if place < len(frames) else ()
                ):
                    records.append(Record(len(records) + 1, at, 195, octets, len(octets)))
                    at += 3 * SECOND // 1000
    return records


@pytest.fixture(scope="module")
def both() -> list[Record]:
    return side_by_side(sent(PAN, 10), sent(OTHER, 200))


def test_the_frames_are_as_the_counts_say() -> None:
    long = READINGS // LONG_EACH
    assert sum(map(len, sent(PAN, 10))) == READINGS - long + long * PARTS


@pytest.mark.parametrize("columns", [False, True])
def test_datagrams_fragments_and_numbers_are_of_their_network(
    both: list[Record], columns: bool
) -> None:
    found = by_columns(both, contexts=CONTEXTS)[0] if columns else survey(both, contexts=CONTEXTS)
    long = READINGS // LONG_EACH
    assert found.total.datagrams == 2 * READINGS
    assert found.total.assembled == 2 * long
    assert (found.total.fragments, found.total.dropped) == (2 * long * PARTS, 0)
    assert (found.total.lost, found.total.retransmissions, found.total.duplicates) == (0, 0, 0)
    alone = READINGS - long + long * PARTS
    assert {pan: one.frames for pan, one in found.networks.items()} == {PAN: alone, OTHER: alone}
    nodes = found.apart(lambda cell: cell.node)
    assert {key: one.datagrams for key, one in nodes.items()} == {
        (PAN, NODE): READINGS, (OTHER, NODE): READINGS,
    }  # fmt: skip


def test_nothing_is_said_but_that_they_share_addresses(both: list[Record]) -> None:
    assert [one.name for one in audit(both, contexts=CONTEXTS).findings] == [
        "short-addresses-in-two-pans"
    ]


def test_one_is_measured_and_the_other_named(both: list[Record]) -> None:
    found = measure(both, contexts=CONTEXTS)
    (flow,) = found.flows
    assert flow.arrived is not None
    assert (flow.datagrams, flow.arrived.count, flow.arrived.trials) == (
        READINGS,
        READINGS,
        READINGS,
    )
    assert flow.interval is not None
    assert flow.interval.median == pytest.approx(1.0, abs=0.1)
    assert "0xbeef" in found.unknown[0]


def test_a_pan_id_without_0x_is_said_how_to_write() -> None:
    with pytest.raises(RequestError) as caught:
        follow([], pan="1a2b")
    assert caught.value.hint.startswith("Write 0x1a2b. ")


def singles(first: int, count: int) -> list[bytes]:
    """Return a frame of each of so many PANs, of which 0xb000 is the first."""
    reading = air.frame(air.datagram(b"alone"), 7)
    return [numbered(reading, 0xB000 + first + n, 7) for n in range(count)]


def in_order(*groups: list[bytes]) -> list[Record]:
    frames = [frame for group in groups for frame in group]
    return [Record(n, n * SECOND, 195, octets, len(octets)) for n, octets in enumerate(frames, 1)]


OWN = [frame for frames in sent(PAN, 10) for frame in frames]
MANY = measurement.MOST_NETWORKS + 44
ORDERS = {
    "a few others with a frame each": ([OWN, singles(0, 100)], 0),
    "more than are kept, before": ([singles(0, MANY), OWN], 0),
    "more than are kept, behind": ([OWN, singles(0, MANY)], 0),
    "more than are kept, in between": ([OWN[:9], singles(0, MANY), OWN[9:]], 0),
    "more than are kept, behind the first": ([OWN[:1], singles(0, MANY), OWN[1:]], 1),
}


@pytest.mark.parametrize("order", ORDERS)
def test_the_one_with_the_most_frames_is_measured_among_many(order: str) -> None:
    """Whatever the order: nothing of another is mixed in, and what was not kept is told (counts of the frames)."""
    groups, missed = ORDERS[order]
    found = measure(in_order(*groups), contexts=CONTEXTS)
    assert found.networks[0] == PAN
    assert len(found.networks) == 1 + sum(map(len, groups)) - len(OWN)
    assert (found.frames, len(found.nodes)) == (len(OWN) - missed, 1)
    assert [flow.datagrams for flow in found.flows] == [READINGS - missed]
    told = "The first 1 frame of 0x{PAN:04x} came while" if missed else "frames of other networks"
    assert any(told.format(PAN=PAN) in one for one in found.unknown)
    assert any("The first" in one for one in found.unknown) == bool(missed)


def test_an_audit_names_every_network() -> None:
    """As a survey does; the frames of 101 PANs are counted by hand."""
    found = audit(in_order(OWN, singles(0, 100)), contexts=CONTEXTS)
    assert found.networks == (PAN, *(0xB000 + n for n in range(100)))


def test_networks_are_let_go_where_they_have_too_many_datagrams(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Thirteen networks, each with more than 5 frames: as many are kept as 8 times 5 datagrams allow."""
    own = [[numbered(frame, 0xA000 + pan, 9) for frame in OWN] for pan in range(12)]
    monkeypatch.setattr(measurement, "_LOOKED_AFTER", 1)
    measurer = measurement.Measurer(most=5)
    trace = Trace(contexts=CONTEXTS, fcs=2)
    for record in in_order(*own, OWN):
        measurer.add(trace.feed(record))
    assert len(measurer._networks) == 8
    assert sum(min(one.frames, 5) for one in measurer._networks.values()) <= 8 * 5


@pytest.mark.parametrize("pan", [OTHER, "0xbeef", "0xBEEF"])
def test_asked_for_one_the_other_is_as_if_nobody_had_heard_it(
    both: list[Record], pan: int | str
) -> None:
    """Acknowledgements name no PAN: those of the other's frames are left out with them."""
    alone = side_by_side(sent(OTHER, 200))
    narrowed, expected = survey(both, contexts=CONTEXTS, pan=pan), survey(alone, contexts=CONTEXTS)
    assert narrowed.total.frames == len(alone)
    assert {kind: one.octets for kind, one in narrowed.kinds.items()} == {
        kind: one.octets for kind, one in expected.kinds.items()
    }
    assert narrowed.outside == len(both) - len(alone)
    assert audit(both, contexts=CONTEXTS, pan=pan).findings == ()
    assert [one.octets for one in follow(both, pan=pan)] == [one.octets for one in alone]
    assert measure(both, contexts=CONTEXTS, pan=pan).flows[0].datagrams == READINGS
    rows = list(frame_rows(both, contexts=CONTEXTS, pan=pan))
    assert {row.pan for row in rows} == {OTHER, None}


@pytest.mark.parametrize("pan", [-1, 0xFFFF, "beef", "", 1.5, True])
def test_what_is_no_pan_id_is_refused(both: list[Record], pan: object) -> None:
    with pytest.raises(RequestError, match="no PAN ID"):
        follow(both, pan=pan)  # type: ignore[arg-type]


def test_a_reassembler_keeps_networks_apart() -> None:
    """Frames of two PANs at random, tags and sizes alike: each datagram comes whole, with its own octets."""
    chance, frames = random.Random(4), list[bytes]()
    for one, other in zip(sent(PAN, 10), sent(OTHER, 10), strict=True):
        frames += chance.sample([*one, *other], len(one) + len(other))
    reassembler, whole = Reassembler(), []
    for octets in frames:
        events = reassembler.feed(decode_frame(octets, contexts=CONTEXTS))
        whole += [one.datagram.octets for one in events if isinstance(one, Complete)]
    expected = [
        air.datagram(b"%4d of %x" % (n, pan) + bytes(180 if n % LONG_EACH == 0 else 0))
        for n in range(READINGS)
        for pan in (PAN, OTHER)
    ]
    assert sorted(whole) == sorted(expected)


def test_an_eui_64_is_one_whatever_its_pan() -> None:
    """A node that moved on goes on with its numbers: 8 is missing, and nothing before it in the other PAN."""
    links = FAR_NODE, FAR_ROOT
    frames = [
        numbered(
            air.frame(air.datagram(b"%d" % n, links=links), 0, links), PAN if n < 6 else OTHER, n
        )
        for n in range(12)
        if n != 8
    ]
    records = [
        Record(n, n * 60 * SECOND, 195, octets, len(octets)) for n, octets in enumerate(frames, 1)
    ]
    assert survey(records, contexts=CONTEXTS).total.lost == 1


def test_a_frame_of_another_network_is_told_as_that(both: list[Record]) -> None:
    with pytest.raises(RequestError, match="frame 1 is of another PAN"):
        annotate(both, 1, pan=OTHER)
    assert [one.number for one in annotate(both, 3, pan=OTHER)] == [3]


def test_an_acknowledgement_is_of_who_asked_on_its_channel() -> None:
    """Both ask under number 9 at the same time, on channels 15 and 20; the one of channel 15 is acknowledged first.

    Link type 283: version and length, then elements of type, length and value filled up to 4 octets: 3 is the channel
    (from memory).
    """
    readings = {15: sent(PAN, 9)[1][0], 20: sent(OTHER, 9)[1][0]}
    order = [(15, readings[15]), (20, readings[20])]
    order += [(channel, acknowledgement(readings[channel])) for channel in (15, 20)]
    records = []
    for number, (channel, octets) in enumerate(order, 1):
        told = struct.pack("<HHI", 0, 1, 1) + struct.pack("<HHHH", 3, 3, channel, 0)
        head = struct.pack("<BBH", 0, 0, 4 + len(told)) + told
        records.append(Record(number, number * 10**6, 283, head + octets, len(head + octets)))
    assert [one.number for one in follow(records, pan=PAN, fcs=2)] == [1, 3]
    assert [one.number for one in follow(records, pan=OTHER, fcs=2)] == [2, 4]


@pytest.mark.parametrize("answer_ms", [3, 2000])
def test_an_acknowledgement_is_of_no_frame_that_it_cannot_answer(answer_ms: int) -> None:
    """A frame of version 1 and one of version 2 ask under number 9, the latter last: a plain one answers the former.

    Frame control bits 12 and 13 are the version; aTurnaroundTime is 12 symbols (IEEE 802.15.4-2015 clauses 7.2.1 and
    6.7, from memory): what comes 2 s later answers neither, and nobody knows whose it is.
    """
    first, last = sent(PAN, 9)[1][0], sent(OTHER, 9)[1][0]
    later = air.mended(last[:1] + bytes([last[1] ^ 0x30]) + last[2:-2] + bytes(2))
    times = zip((0, 1, answer_ms), (first, later, acknowledgement(first)), strict=True)
    records = [
        Record(number, at * 10**6, 195, octets, len(octets))
        for number, (at, octets) in enumerate(times, 1)
    ]
    seen = {pan: [one.number for one in follow(records, pan=pan, fcs=2)] for pan in (PAN, OTHER)}
    assert seen == {PAN: [1, 3], OTHER: [2] if answer_ms < 100 else [2, 3]}


PREFIXES = {PAN: "2001:db8:a::", OTHER: "2001:db8:b::"}


def taught(rounds: int = 8) -> list[Record]:
    """Both networks have a context 0 of their own, which their routers announce; nodes compress with it."""
    records: list[Record] = []
    for number in range(rounds):
        for place, (pan, prefix) in enumerate(PREFIXES.items()):
            links = NODE, ROOT
            context = air.context_option(0, f"{prefix}/64")
            announced = air.advertisement(context)
            octets = air.frame(announced, number, (ROOT, air.BROADCAST), destination_pan=pan)
            own = Env(*links, contexts={0: f"{prefix}/64"})
            packet = air.datagram(b"%2d of %x" % (number, pan), prefix)
            reading = numbered(air.raw(compress(packet, own).octets, 1, links), pan, number)
            for at, one in ((0, octets), (1, reading), (2, acknowledgement(reading))):
                now = number * 60 * SECOND + place * SECOND // 10 + at * SECOND // 100
                records.append(Record(len(records) + 1, now, 195, one, len(one)))
    return records


def test_a_context_is_of_the_network_that_announces_it() -> None:
    """RFC 6775 section 7.2: a 6LoWPAN has one set of contexts; another PAN is another."""
    records = taught()
    flows = [one.flow for one in follow(records) if one.flow is not None]
    assert [str(one.source) for one in flows if one.protocol == 17] == [
        str(air.address(prefix, NODE)) for _ in range(8) for prefix in PREFIXES.values()
    ]
    assert {one.name for one in audit(records).findings} == {"short-addresses-in-two-pans"}
    by_column, _ = by_columns(records)
    assert by_column == survey(records)


@pytest.mark.parametrize("pan", [PAN, OTHER])
def test_who_has_no_pan_yet_is_read_with_the_contexts_of_whom_it_speaks_to(pan: int) -> None:
    """Source PAN ID 0xffff and an EUI-64, the destination PAN ID that of the network.

    IEEE 802.15.4-2006 clauses 7.2.1 and 7.3.1.1 (from memory): frame control 0xc801 of a data frame, short destination,
    extended source, no PAN ID compression; number, PAN ID and address of the destination, then of the source.
    """
    links = FAR_NODE, ROOT
    own = Env(*links, contexts={0: f"{PREFIXES[pan]}/64"})
    packet = air.datagram(b"I am new", PREFIXES[pan], links)
    octets = b"\x01\xc8\x05" + pan.to_bytes(2, "little") + ROOT[::-1] + b"\xff\xff" + FAR_NODE[::-1]
    octets = air.mended(octets + compress(packet, own).octets + bytes(2))
    for records in (taught(), taught()[:-3]):  # the other's frame came last, and its own
        now = (records[-1].time_ns or 0) + SECOND
        last = Record(len(records) + 1, now, 195, octets, len(octets))
        flow = [*follow([*records, last])][-1].flow
        assert flow is not None
        assert flow.source == air.address(PREFIXES[pan], FAR_NODE)


def test_what_a_design_has_is_not_held_against_the_network_next_to_it() -> None:
    """The design is of PAN, and says context 0 as its router does; the other network announces its own."""
    text = f"""
title = "A cold store"
[link]
frame_version = 1
addresses = "short"
pan_id = {PAN}
[[context]]
id = 0
prefix = "{PREFIXES[PAN]}/64"
[[station]]
name = "store"
role = "node"
short = "00:17"
prefix = "{PREFIXES[PAN]}/64"
[[station]]
name = "collector"
role = "collector"
short = "00:01"
prefix = "{PREFIXES[PAN]}/64"
[[flow]]
name = "readings"
source = "store"
destination = "collector"
source_port = {air.PORTS[0]}
destination_port = {air.PORTS[1]}
"""
    records = taught()
    # all of it, and without what the other network's router says
    for heard in (records, [one for n, one in enumerate(records) if n % 6 != 3]):
        found = audit(heard, design=parse_design(text)).findings
        assert {one.name for one in found} == {"pan-not-in-design", "short-addresses-in-two-pans"}


def test_findings_of_two_networks_name_the_one_that_was_not_heard_first() -> None:
    """Ports 61617 and 61618 in 4 octets where one would do (RFC 6282 section 4.3.1), by a node of each network.

    IPHC 0x7a33: traffic class and flow label elided, next header compressed, hop limit 64, stateless addresses of both
    sides elided (RFC 6282 section 3.1.1); UDP NHC 0xf0: both ports and the checksum in line (section 4.3.3).
    """
    packet = air.datagram(b"reading", "fe80::")
    segment = packet[40:]
    packed = b"\x7e\x33\xf0" + segment[:4] + segment[6:]
    frames = [
        numbered(air.raw(packed, 1), pan, number) for number in range(6) for pan in (PAN, OTHER)
    ]
    records = [
        Record(n, n * SECOND, 195, octets, len(octets)) for n, octets in enumerate(frames, 1)
    ]
    found = [one for one in audit(records).findings if one.name == "ports-not-shortest"]
    told = [(one.subject.partition(":")[0], one.count, one.frames) for one in found]
    assert sorted(told) == [
        ("0x0017", 6, (1, 3, 5, 7, 9, 11)), ("0x0017 of PAN 0xbeef", 6, (2, 4, 6, 8, 10, 12)),
    ]  # fmt: skip


def test_a_page_of_two_networks_names_that_of_each_node(both: list[Record], tmp_path: Path) -> None:
    path = tmp_path / "both.pcap"
    with path.open("wb") as file:
        write_pcap(file, both, 195)
    page = capture_page(path, contexts=CONTEXTS)
    nodes = {f"0x0017, network {pan:#06x}" for pan in (PAN, OTHER)}
    assert {one["name"] for one in page["survey"]["groups"]["nodes"]["rows"]} == nodes
    assert {one["name"] for one in page["time"]["nodes"]} == {*nodes, "no address"}
