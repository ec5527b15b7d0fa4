"""Audits as a whole: no noise over sound networks, bounded state, hostile frames, captures without times."""

import random
import tomllib
import tracemalloc
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from findings import air
from findings.air import BROADCAST, CONTEXTS, NODE, ROOT, Capture, heavy, names
from findings.cases_answers import notified
from findings.cases_application import named_longer, with_own_identifier
from findings.cases_compression import hop_limits, summed, under
from findings.cases_delivery import promise, reading, store
from findings.cases_fragments import LARGE, cut, pausing, route_counted
from findings.cases_nodes import RELAY, asked, in_order, relayed
from findings.cases_nodes import reading as reading_of
from findings.cases_planning import from_far
from findings.cases_protection import post, with_oscore
from findings.cases_reading import READING_TOLD
from findings.judge import about
from findings.test_cases import CASES, firing
from hypothesis import given, settings
from hypothesis import strategies as st
from simulation.contention import Sent

from lowpanbudget import (
    DtlsSender,
    Key,
    RecordKeys,
    decode_frame,
    dtls_suite,
    encode_frame,
    list_frames,
    load_design,
    measure,
)
from lowpanbudget.capture.expand import LeftOut, expand
from lowpanbudget.capture.files.reading import read_capture
from lowpanbudget.capture.files.record import ReadingNotice, Record
from lowpanbudget.capture.follow.fcs_check import STRIPPED, FcsVerdict
from lowpanbudget.capture.follow.tracing import Trace
from lowpanbudget.capture.surveyor import survey
from lowpanbudget.design.load import parse_design
from lowpanbudget.env import Context, Contexts
from lowpanbudget.findings.audit import Audit
from lowpanbudget.findings.captures.rules import CAPTURE_RULES
from lowpanbudget.findings.finding import Hit, Severity
from lowpanbudget.findings.known import known_of
from lowpanbudget.findings.origins import Beginnings
from lowpanbudget.findings.surroundings import Surroundings
from lowpanbudget.findings.tallies import MOST_FRAMES, MOST_NAMED, MOST_SUBJECTS, OTHERS, Tallies
from lowpanbudget.findings.wording import seconds_text
from lowpanbudget.layers.link.auxiliary import Security
from lowpanbudget.stack.frame import Frame

EXAMPLES = Path(__file__).parents[2] / "examples"


def stand_in(octets: bytes, fcs: int) -> Frame:
    """A frame of a design's path, opened with the stand-in key and device that sealed it."""
    closed = decode_frame(octets, fcs=fcs)
    assert closed.mac is not None
    assert closed.mac.source is not None
    short = int.from_bytes(closed.mac.source, "big")
    devices = {short: bytes(8)} if len(closed.mac.source) == 2 else {}
    return decode_frame(octets, fcs=fcs, keys=(bytes(16),), devices=devices, asn=0)


@pytest.mark.parametrize("name", ["footbridge", "archive"])
def test_a_network_that_follows_its_design_has_nothing_of_weight(name: str) -> None:
    """Every flow in its own time, really sealed; fragments of one datagram follow each other."""
    design = load_design(EXAMPLES / f"{name}.toml")
    air_frames: list[bytes | tuple[float, bytes]] = []
    counter, at = 100, 1.0
    devices: dict[int, bytes] = {}
    lasts_s = 2 * max(3600.0, *(flow.every_s or 0.0 for flow in design.flows))
    sent = sorted(
        (10.0 * place + (count + part / len(flow.messages)) * every_s, flow.name, message)
        for place, flow in enumerate(design.flows)
        for every_s in (flow.every_s or lasts_s / 8,)
        for count in range(round(lasts_s / every_s))
        for part, message in enumerate(flow.messages)
    )
    for start, name_of_flow, message in sent:
        data = design.message(message).pack(design.message(message).example("least"))
        at = max(at, start)
        for encoded in design.paths(design.flow(name_of_flow))[0].frames(data):
            counter, at = counter + 1, at + 0.02
            read = stand_in(encoded.octets, design.link.fcs)
            assert read.mac is not None
            assert read.mac.source is not None
            devices[int.from_bytes(read.mac.source[-2:], "big")] = bytes(8)
            security = read.mac.security
            if security is not None and security.frame_counter is not None:
                security = replace(security, frame_counter=counter)
            header = replace(read.mac, sequence=counter & 0xFF, security=security)
            again = encode_frame(
                header,
                read.payload or b"",
                key=bytes(16),
                asn=0,
                fcs=design.link.fcs,
                devices=devices,
            )
            air_frames.append((at, again.octets))
    contexts = {number: str(context.prefix) for number, context in design.contexts.items()}
    capture = Capture(air_frames, contexts, design, design.link.fcs, (bytes(16),), devices)
    assert heavy(capture.fed()) == []


def test_readings_from_different_nodes_stay_apart() -> None:
    other = b"\x00\x18"
    frames = [*summed(under("2001:db8:1::"), under("2001:db8:2::")).air]
    links = (other, ROOT)
    frames += summed(under("2001:db8:1::", links), under("2001:db8:2::", links), links).air
    found = [one for one in Capture(frames).fed() if one.name == "context-table-differs"]
    assert len(found) == 2
    assert {one.count for one in found} == {3}
    assert found[0].frames != found[1].frames


def test_a_first_context_that_nobody_gave_is_found_by_the_prefix_seen() -> None:
    """A global address in full teaches its /64; a checksum then names it as the sender's context."""
    told = air.ip(
        air.address("2001:db8:77::", NODE), air.address("2001:db8:77::", ROOT), 17,
        air.udp(b"hello", air.address("2001:db8:77::", NODE), air.address("2001:db8:77::", ROOT)),
    )  # fmt: skip
    frames = [air.frame(told), *summed(under("2001:db8:1::"), under("2001:db8:77::")).air]
    (found,) = [one for one in Capture(frames).fed() if one.name == "context-table-differs"]
    assert "context 0 read as 2001:db8:77::/64" in found.cause


def test_the_checksum_of_a_datagram_in_fragments_is_explained_too() -> None:
    source, to = under("2001:db8:1::")
    packet = air.ip(source, to, 17, air.udp(bytes(200), *under("2001:db8:2::")))
    capture = Capture([(1 + n / 50, part) for n, part in enumerate(air.pieces(packet))])
    for found in (capture.fed(), capture.followed()):
        assert "context-table-differs" in names(found)


def test_sealed_frames_are_compared_with_the_plan_as_far_as_they_can_be_read() -> None:
    (found,) = [one for one in named_longer(3).fed() if one.name == "longer-than-budgeted"]
    assert found.evidence[0].startswith("security control key identifier: 9 octets, planned 1")
    assert "8 octets more than budgeted" in found.cause
    assert "longer-than-budgeted" not in names(named_longer(1).fed())


def test_an_outer_header_that_must_be_there_is_no_fault_of_the_frame() -> None:
    """RFC 9008 section 7.2.2: what comes from outside gets it; without it the artefacts are somebody else's."""
    told = {}
    plans = {
        tunnel: parse_design(from_far(f"[flow.routing]\nrpi = true\ntunnel = {tunnel}"))
        for tunnel in ("true", "false")
    }
    for sent, sender in plans.items():
        frames = [one.octets for one in sender.paths(sender.flows[0])[0].frames(bytes(20))]
        for planned, design in plans.items():
            contexts = {0: "2001:db8:1::/64"}
            found = Capture(list(frames), contexts, design).followed()
            told[sent, planned] = [
                (one.name, one.severity.word) for one in found if one.name in ABOUT_TUNNELS
            ]
            if (sent, planned) == ("true", "false"):
                (longer,) = (one for one in found if one.name == "longer-than-budgeted")
                assert "3 octets more than budgeted for the first hop: an outer" in longer.cause
                assert longer.advice.startswith("Set tunnel = true")
    assert told == {
        ("true", "true"): [],
        ("true", "false"): [("longer-than-budgeted", "remark")],
        ("false", "true"): [("artefacts-inserted", "risk")],
        ("false", "false"): [("artefacts-inserted", "risk")],
    }


ASKED = """
title = "A valve that the root answers."
[link]
addresses = "short"
pan_id = 0xabcd
[[context]]
id = 0
prefix = "2001:db8:1::/64"
[[station]]
name = "root"
role = "collector"
short = "0001"
prefix = "2001:db8:1::/64"
[[station]]
name = "node"
role = "node"
short = "0017"
prefix = "2001:db8:1::/64"
[[flow]]
name = "ask"
source = "node"
destination = "root"
hops = 2
hop_limit = {limit}
source_port = 61616
destination_port = 5683
routing = {{ rpi = true }}
coap = {{ code = "POST", confirmable = true }}
answer = {{ {route} }}
"""


def answered(route: str, *, planned: str, entry: bool = False, limit: int = 64) -> list[str]:
    """What is said of lengths where an answer is sent on its first hop of two and another is planned.

    ``entry``: the source route names the destination too, as a last entry of 2 octets (RFC 8138 section 5.1).
    """
    sender = parse_design(ASKED.format(route=route, limit=limit))
    frame = sender.paths(sender.flow("ask-answer"))[0].frames(b"\0")[0].octets
    head, payload = (
        frame[:9],
        frame[9:-2],
    )  # frame control, number, PAN, two addresses; check sequence
    if entry:
        assert payload[:3] == b"\xf1\x80\x01"  # page 1, one entry of 2 octets
        payload = b"\xf1\x81\x01" + payload[3:5] + air.NODE + payload[5:]
    sent = air.raw(payload, 1, (ROOT, head[6:4:-1]))
    design = air.design(ASKED.format(route=planned, limit=64))
    found = Capture([sent], {0: "2001:db8:1::/64"}, design).followed()
    return [
        f"{one.severity.word}: {one.cause.partition(' take ')[2]} {one.advice.partition(',')[0]}"
        for one in found
        if one.name == "longer-than-budgeted"
    ]


def test_a_source_route_that_an_answer_is_not_planned_with() -> None:
    """RFC 8138 section 5.1: two octets and 2 for each entry; section 5.2.2: IPHC has the destination on all hops."""
    assert answered("route = 1", planned="route = 1") == []
    (found,) = answered("route = 1", planned="")
    assert found == (
        "remark: 4 octets more than budgeted for the first hop: a source route, which the root writes Set route = 1"
    )
    (found,) = answered("route = 1", planned="", entry=True)
    assert found.startswith("remark: 6 octets more")
    # what has no place in the plan is said of the root
    (found,) = answered("route = 1", planned="route = 1", entry=True)
    assert found.startswith("remark: 2 octets more than budgeted for the first hop: the source")
    assert "Let the root leave the last entry out" in found
    # a hop limit in line beside it (RFC 6282 section 3.1.1) is the node's
    for entry in (False, True):
        (found,) = answered("route = 1", planned="", entry=entry, limit=63)
        assert found.startswith("risk: 1 octet more than budgeted for the first hop under a source")


def test_who_sends_and_passes_on_is_held_against_the_budget_of_each_hop() -> None:
    """Planned on a forwarded hop are source and destination of 2 octets in line (RFC 6282 section 3.1.1): 4, not 8."""
    found = with_own_identifier("2001:db8:1::1:2:3:4", "2001:db8:1::1:2:3:5").followed()
    assert {
        one.subject: (one.cause.partition(" take ")[2], one.frames)
        for one in found
        if one.name == "longer-than-budgeted"
    } == {
        "flow readings, 0x0017: IPHC source address":
        ("6 octets more than budgeted for the first hop", (1,)),
        "flow readings, 0x0017 on the forwarded hop: IPHC source address":
        ("4 octets more than budgeted for the forwarded hop", (2,)),
    }  # fmt: skip


@pytest.mark.parametrize(
    ("less", "says"), [(24, "as 16 octets, not 40"), (40, "is not counted"), (32, None), (0, None)]
)
def test_offsets_that_count_a_source_route_otherwise(less: int, says: str | None) -> None:
    """RFC 6554 section 3: 40 octets with whole addresses, 16 without what they share; 8 is no form of it."""
    for found in (route_counted(less).fed(), route_counted(less).followed()):
        told = {
            one.name: one.cause for one in found if "offsets" in one.name or "overlap" in one.name
        }
        if says is None:
            assert set(told) == ({"fragments-overlap"} if less else set())
        else:
            assert [cause.endswith(says) for cause in told.values()] == [True]


ABOUT_TUNNELS = {"longer-than-budgeted", "artefacts-inserted", "rpl-option-leaves-network"}


@pytest.mark.parametrize(("others", "blamed"), [(40, True), (120, False)])
def test_a_few_acknowledgements_by_chance_blame_nobody(others: int, blamed: bool) -> None:
    """Four of 50 frames are answered: this receiver hears the root. Four of 130: noise may have sent what fits."""
    frames = in_order(
        asked(6, 4, False),
        asked(4, 1, True, RELAY, at=6.0),
        asked(others, 1, False, RELAY, at=100.0),
    )
    named = {(one.name, one.subject) for one in frames.followed()}
    assert (("frames-not-acknowledged", "0x0017 to 0x0001") in named) == blamed


@pytest.mark.parametrize(
    ("stopped", "given_up", "told"),
    [(6, 0, None), (0, 6, "6 of 46 frames"), (6, 6, None), (2, 6, "6 of 48 frames")],
)
def test_a_sender_that_stops_had_its_acknowledgement(
    stopped: int, given_up: int, told: str | None
) -> None:
    """Of three retries one was used, or all: then as many may have been missed as of those that stopped."""
    frames = in_order(
        asked(40, 1, True),
        asked(stopped, 2, False, at=1001.0),
        asked(given_up, 4, False, at=2001.0),
    )
    causes = [one.cause for one in frames.followed() if one.name == "frames-not-acknowledged"]
    assert causes == (
        [] if told is None else [f"{told} were never acknowledged, tried up to 4 times"]
    )
    (link,) = measure(list(frames.records()), contexts=CONTEXTS).links
    assert link.unanswered == given_up


@pytest.mark.parametrize(("others", "blamed"), [(4, False), (40, True)])
def test_frames_sent_once_blame_nobody_where_chance_explains_it(others: int, blamed: bool) -> None:
    """Five frames in ten or 45 are not answered here: that none of five is has the chance (5/9)^5, or (5/45)^5."""
    frames = in_order(asked(5, 1, False), asked(others, 1, True, RELAY, at=1006.0))
    assert ("frames-not-acknowledged" in names(frames.followed())) == blamed


@pytest.mark.parametrize(
    ("tries", "blamed"), [((2, 2, 2, 1, 1), False), ((2,) * 5, True), ((4, 4, 4, 1, 1), True)]
)
def test_a_receiver_that_is_not_heard_is_blamed_for_tries_that_were_used_up(
    tries: tuple[int, ...], blamed: bool
) -> None:
    """Whose acknowledgements never reach this receiver may give them all: of three retries one or none was used."""
    unheard = [
        (1000.0 + 10 * number + 0.005 * turn, reading_of(number, (NODE, RELAY)))
        for number, count in enumerate(tries)
        for turn in range(count)
    ]
    frames = in_order([*unheard, *asked(4, 1, True)])
    assert ("frames-not-acknowledged" in names(frames.followed())) == blamed


@pytest.mark.parametrize(("unheard", "longer"), [(20, False), (0, True)])
def test_no_longer_capture_tells_what_came_unheard(unheard: int, longer: bool) -> None:
    """Of 58 readings 20 have no acknowledgement here, and are not tried again; or none is without: 95 % are proved."""
    sent = [
        Sent(30.0 * n, 1, 0, reading(n, 30.0 * n), 0, 79, heard=not 0 < n <= unheard, acked=True)
        for n in range(60)
    ]
    (told,) = (
        one for one in store(sent, promise(0.99)).followed() if one.name == "too-few-packets-to-say"
    )
    assert told.advice.startswith("Capture for longer" if longer else "No longer capture")


def test_what_one_rule_explains_no_other_complains_of() -> None:
    assert names(CASES["pan-id-rule-of-other-version"].fires().fed()) == [
        "pan-id-rule-of-other-version"
    ]


def test_a_reading_is_seldom_chance() -> None:
    """Of 400 random checksums, with some 15 readings each, 400 * 15 / 65535 = 0.09 match one by chance."""
    dice = random.Random(1071)
    source, to = under("2001:db8:1::")
    frames = []
    for number in range(400):
        packet = air.ip(
            source, to, 17, air.udp(dice.randbytes(6), source, to, checksum=dice.randint(1, 0xFFFF))
        )
        frames.append(air.frame(packet, number & 0xFF))
    found = Capture(list(frames)).fed()
    explained = sum(one.count for one in found if one.name != "checksum-wrong")
    assert explained <= 3
    assert sum(one.count for one in found if one.name == "checksum-wrong") >= 395


def test_checksums_that_are_no_more_read_in_full_are_counted(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Thirty frames with wrong checksums are thirty, and each is told as those before between the same addresses."""
    monkeypatch.setattr("lowpanbudget.findings.wrong_sums.MOST_READINGS", 5)
    source, to = under("2001:db8:1::")
    packet = air.ip(source, to, 17, air.udp(b"abcdef", source, to, checksum=0x1234))
    frames = [air.frame(packet, number) for number in range(30)]
    (found,) = (one for one in Capture([*frames]).fed() if one.name.startswith("checksum"))
    assert (found.name, found.count) == ("checksum-wrong", 30)
    # three whose identifiers are made by an older rule, which a reading explains
    explained = CASES["identifier-by-old-rule"].fires
    monkeypatch.setattr("lowpanbudget.findings.wrong_sums.MOST_READINGS", 1)
    told = {one.name: one.count for one in explained().fed()}
    monkeypatch.undo()
    assert told == {one.name: one.count for one in explained().fed()}


def test_a_fragment_that_comes_again_opens_no_datagram() -> None:
    """The acknowledgement of the last fragment is lost: it comes again, under a new number, and nothing is missing."""
    frames = []
    for turn in range(4):
        parts = air.pieces(air.datagram(bytes(300)), tag=turn, start=10 * turn + 1)
        again = bytearray(parts[-1])
        again[2] += 1
        frames += [
            (100.0 * turn + n / 50, part)
            for n, part in enumerate([*parts, air.mended(bytes(again))])
        ]
    frames.append((900.0, air.frame(air.datagram())))
    capture = Capture(list(frames))
    for found in (capture.fed(), capture.followed()):
        assert not {"fragments-unfinished", "fragments-meet"} & set(names(found))


@pytest.mark.parametrize("contexts", [air.CONTEXTS, {}])
def test_all_count_the_same_datagrams_in_fragments(contexts: dict[int, str]) -> None:
    """720 are begun in 72 s, more than are followed at once; 20 come whole, and one more is cut by the end."""
    frames: list[tuple[float, bytes]] = []
    parts = air.pieces(air.datagram(bytes(300)))
    for number in range(720):
        octets = bytearray(parts[0])
        octets[11:13] = (0x1000 + number).to_bytes(2, "big")
        frames.append((1 + number / 10, air.mended(bytes(octets))))
    for tag in range(21):
        whole = air.pieces(air.datagram(bytes(300)), tag=tag, start=4 * tag)
        frames += [(200 + 20.0 * tag + n / 50, part) for n, part in enumerate(whole)]
    frames.pop()
    capture = replace(Capture(list(frames)), contexts=contexts)
    told = {one.name: one for one in capture.followed() if one.name.startswith("fragments-")}
    flood, one = told.pop("fragments-flood"), told.pop("fragments-unfinished")
    assert not told, "one cause is told once"
    # 256 are followed at once, and the one that comes; each of the others made room
    assert (flood.severity, flood.cause, flood.evidence[1]) == (
        Severity.FAILURE,
        "720 of 741 datagrams to 0x0001 were begun and never went on, 257 or more at once",
        f"{GIVEN_UP} given up for room: more were open than are followed",
    )
    assert (one.severity, one.cause, one.evidence) == (
        Severity.REMARK,
        "1 of 21 datagrams in fragments were not completed",
        ("1 still open when the capture ends",),
    )
    total = survey(capture.records(), contexts=contexts, fcs=2).total
    left_out = LeftOut()
    expanded = list(expand(capture.records(), left_out=left_out, contexts=contexts, fcs=2))
    assert (
        (total.dropped, total.given_up) == (left_out.dropped, left_out.given_up) == (721, GIVEN_UP)
    )
    # without the context those that were sent in full are read by nobody
    assert total.assembled == left_out.assembled == len(expanded) == (20 if contexts else 0)


# 720 in 72 s: a time-out ends those of the first 12 s that are still there, and 256 are open at once. The oldest of the
# first 600 are given up by the time that their minute is over
GIVEN_UP = 720 - 256


@pytest.mark.parametrize(
    ("used_at", "minutes", "why"),
    [(3720.0, 2, "ran out after 120 s"), (3722.0, 2, "ran out after 120 s"), (9.0, 0, "was withdrawn")],
)  # fmt: skip
def test_a_context_that_nobody_has_any_more_is_known_for_what_it_was(
    used_at: float, minutes: int, why: str
) -> None:
    """RFC 6775 section 5.4.3: receivers keep it for twice the router lifetime more, here until 1 + 120 + 3600 s."""
    frames = [
        (at, air.frame(air.advertisement(option), number, (ROOT, BROADCAST)))
        for number, (at, option) in enumerate(
            [
                (1.0, air.context_option(1, "2001:db8:2::/64", minutes=minutes or 2)),
                *[(3.0, air.context_option(1, "2001:db8:2::/64", minutes=0))] * (not minutes),
            ]
        )
    ]
    frames.append((used_at, air.frame(air.datagram(prefix="2001:db8:2::"), 9)))
    known = Surroundings(Contexts())
    trace, audit = Trace(fcs=2), Audit(known)
    for sighting in trace.follow(Capture([*frames]).records()):
        audit.follow(sighting)
    (late,) = (one for one in audit.close() if one.name.startswith("context"))
    assert (late.name, late.frames) == ("context-used-too-late", (len(frames),))
    assert f"context 1 (2001:db8:2::/64) {why}" in late.cause


def test_a_context_given_for_expanding_only() -> None:
    known = Surroundings(Contexts({0: Context("2001:db8:1::/64", may_compress=False)}))
    trace, audit = Trace(contexts=known.contexts, fcs=2), Audit(known)
    for sighting in trace.follow(Capture([air.frame(air.datagram())]).records()):
        audit.follow(sighting)
    assert names(audit.close()) == ["context-used-too-soon"]


def test_a_retransmission_that_comes_first_hides_nothing_of_its_kind() -> None:
    """A context is learned, so kinds of frames are learned anew; the first of its kind then is a retransmission."""
    told = air.frame(
        air.advertisement(air.context_option(5, "2001:db8:55::/64")), 1, (ROOT, air.BROADCAST)
    )
    frames = [
        air.frame(air.datagram(), n, pan_id_compression=False, source_pan=air.PAN)
        for n in range(1, 5)
    ]
    found = Capture([frames[0], told, frames[0], *frames[1:]]).followed()
    (twice,) = [one for one in found if one.name == "pan-id-carried-twice"]
    assert twice.frames == (1, 4, 5, 6)


def test_a_retransmission_is_not_counted_whichever_way_it_was_read() -> None:
    """Of five datagrams with hop limit 16 two are sent twice, by hand: frames 1, 3, 4, 6 and 7 are new."""
    first, *others = hop_limits(16).air[:5]
    frames = [first, first, others[0], others[1], others[1], *others[2:]]
    for found in (Capture(frames).fed(), Capture(frames).followed()):
        (in_line,) = [one for one in found if one.name == "hop-limit-in-line"]
        assert (in_line.frames, in_line.count) == ((1, 3, 4, 6, 7), 5)


def test_many_subjects_become_one_more() -> None:
    frames = []
    for node in range(1, 60):
        links = (node.to_bytes(2, "big"), b"\x00\xff")
        frames.append(
            air.frame(
                air.datagram(links=links), 1, links, pan_id_compression=False, source_pan=air.PAN
            )
        )
    (found,) = [one for one in Capture(list(frames)).fed() if one.name == "pan-id-carried-twice"]
    assert found.count == 59
    assert found.subject.startswith("0x0001, 0x0002, 0x0003, ")
    assert found.subject.endswith(f" and {MOST_SUBJECTS + 1 - MOST_NAMED} more")
    assert len(found.frames) == MOST_FRAMES


def test_subjects_beyond_those_that_are_told_apart_are_others() -> None:
    """The causes differ, so that each is a finding of its own."""
    (rule,) = [rule for rule in CAPTURE_RULES if rule.name == "frame-too-long"]
    tallies = Tallies()
    for node in range(1, 60):
        tallies.count(rule, Hit(f"octets of {chr(64 + node)}", (), f"node {node}"), node)
    found = tallies.findings()
    assert len(found) == MOST_SUBJECTS + 1
    assert sum(one.count for one in found) == 59
    (others,) = [one for one in found if one.subject == OTHERS]
    assert len(others.frames) == MOST_FRAMES


def stream(count: int) -> Iterator[Record]:
    """Records of a few kinds and many senders, built as they are asked for."""
    kinds = [
        air.frame(
            air.datagram(bytes([n]) * 20, links=(bytes([1, n]), ROOT)), n, (bytes([1, n]), ROOT)
        )
        for n in range(40)
    ]
    parts = air.pieces(air.datagram(bytes(300)))
    for number in range(1, count + 1):
        octets = bytearray(parts[0] if number % 7 == 0 else kinds[number % 40])
        octets[2] = number & 0xFF
        if number % 7 == 0:
            octets[11:13] = (number & 0xFFFF).to_bytes(
                2, "big"
            )  # a first fragment alone, each with its own tag
        yield Record(number, number * 10_000_000, 195, air.mended(bytes(octets)), len(octets))


def peak(count: int) -> int:
    tracemalloc.start()
    trace, audit = Trace(contexts=air.CONTEXTS, fcs=2), Audit(Surroundings())
    for sighting in trace.follow(stream(count)):
        audit.follow(sighting)
    audit.close()
    _, most = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    return most


def test_memory_is_flat() -> None:
    """Ten times as many frames, hardly more memory."""
    small, large = peak(100), peak(1_000)
    assert large < small + 2**19


@given(st.lists(st.binary(max_size=140), max_size=12))
@settings(max_examples=60)
def test_no_frame_stops_an_audit(octets: list[bytes]) -> None:
    capture = Capture(list(octets), fcs=0)
    for found in (capture.fed(), capture.followed()):
        assert all(one.frames or one.count for one in found)


@pytest.mark.long
def test_damaged_captures_do_not_stop_an_audit() -> None:
    """The frames of all cases, with octets changed at random under a right check sequence."""
    dice = random.Random(6282)
    for made in map(firing, CASES):
        frames = []
        for time_s, octets in made.timed():
            changed = bytearray(octets)
            for _ in range(dice.randint(1, 3)):
                changed[dice.randrange(len(changed))] = dice.randrange(256)
            frames.append((time_s, air.mended(bytes(changed))))
        again = replace(made, air=list(frames))
        again.fed()
        again.followed()


# of ICMPv6, UDP, hop-by-hop options, no next header, ESP and a routing header the first octets, or none (RFC 8200)
@pytest.mark.parametrize(
    ("kind", "front"),
    [(58, b""), (58, b"\x80"), (17, b""), (17, b"abc"), (0, b"\x11"), (59, b""), (50, bytes(3)), (43, b"\0")],
)  # fmt: skip
def test_a_router_may_send_what_ends_before_it_begins(kind: int, front: bytes) -> None:
    ends = air.address(air.PREFIX, RELAY), air.address(air.PREFIX, ROOT)
    last = air.frame(air.ip(*ends, kind, front), 120, (RELAY, ROOT))
    made = Capture([*relayed(3, 4, 5).air, (15.0, last)])
    for found in (made.fed(), made.followed()):
        assert set(names(found)) - {"contents-unreadable"} == {"datagrams-not-sent-on"}


def test_damaged_frames_prove_nothing_about_their_senders() -> None:
    frame = bytearray(air.frame(air.datagram(), 1, pan_id_compression=False, source_pan=air.PAN))
    frame[-1] ^= 1
    assert names(Capture([bytes(frame)]).fed()) == ["check-sequence-wrong"]


@pytest.mark.parametrize(
    ("times", "slow", "lost"),
    [
        # all are sent, too late: the time-out is "set to a maximum of 60 seconds" (RFC 4944 section 5.3)
        ((0, 70, 70.1, 70.2), 9, 0),
        ((0, 0.1, 0.2, 61), 3, 0),
        # each pause counts for itself
        ((0, 61, 122, 183), 9, 0),
        # one that goes on and is not ended is slow, and not completed, once
        ((0, 0.1, 70), 3, 3),
        # what comes after more than two times that is taken for another datagram
        ((0, 0.1, 130, 130.1), 0, 6),
    ],
)
def test_a_datagram_that_goes_on_after_its_time_is_a_slow_one(
    times: tuple[float, ...], slow: int, lost: int
) -> None:
    made = pausing(*times)
    found = {one.name: one.count for one in made.followed()}
    assert found.get("fragments-too-slow", 0) == slow
    assert found.get("fragments-unfinished", 0) == lost
    # the receiver gives up what it holds all the same, and each datagram counts once
    told = survey(list(made.records()), contexts=made.contexts, fcs=2).total
    assert (told.dropped, told.datagrams) == (max(lost, 3), 1)


def test_another_datagram_under_the_tag_is_no_slow_one() -> None:
    """The first fragment of one, and 70 s later a whole one of the same size."""
    first, *_ = cut()
    made = Capture([first, *cut(at=71.0), (300.0, air.frame(air.datagram(), 99))])
    found = {one.name: one.cause for one in made.followed()}
    assert "fragments-too-slow" not in found
    assert found["fragments-unfinished"] == "1 of 2 datagrams in fragments were not completed"


@pytest.mark.parametrize("name", ["sent-again-as-new", "fragments-too-slow", "interval-off-plan"])
def test_without_times_nothing_is_said_about_times(name: str) -> None:
    made = CASES[name].fires()
    trace = Trace(contexts=made.contexts, design=made.design, fcs=made.fcs)
    audit = Audit(made.known())
    records = (record._replace(time_ns=None) for record in made.records())
    for sighting in trace.follow(records):
        audit.follow(sighting)
    assert name not in names(audit.close())


def test_datagrams_and_payloads_without_a_link() -> None:
    """Link types 101 (raw IP) and 1 with ethertype 0xa0ed (RFC 7973): no MAC header, and the same judgement."""
    source, to = under("2001:db8:1::")
    wrong = bytearray(air.ip(source, to, 17, air.udp(b"data", source, to)))
    wrong[46] ^= 0x55
    ether = (
        bytes(6) + bytes.fromhex("02005e000001") + bytes.fromhex("a0ed") + bytes.fromhex("7a043b")
    )
    records = [
        Record(1, 10**9, 101, air.datagram(), 55),
        Record(2, 2 * 10**9, 101, bytes(wrong), 52),
        Record(3, 3 * 10**9, 1, ether, len(ether)),
        Record(4, 4 * 10**9, 9999, b"?", 1),
    ]
    trace, audit = Trace(contexts=air.CONTEXTS), Audit(Surroundings())
    for sighting in trace.follow(records):
        audit.follow(sighting)
    found = {one.name: one.frames for one in audit.close()}
    assert found == {"checksum-wrong": (2,), "reserved-code-used": (3,), "not-read-further": (4,)}


@pytest.mark.parametrize(("then", "told"), [(63, False), (64, True)])
def test_without_a_link_the_hop_limit_tells_a_next_hop(then: int, *, told: bool) -> None:
    """Raw IP (link type 101): "Decremented by 1 by each node that forwards the packet" (RFC 8200 section 3)."""
    records = []
    for number in range(8):
        message, limit = air.coap_message(data=b"on", mid=number // 2), then if number % 2 else 64
        packet = air.datagram(message, ports=(0xF0B1, 5683), hop_limit=limit)
        records.append(Record(number + 1, (number + 1) * 10**8, 101, packet, len(packet)))
    trace, audit = Trace(contexts=air.CONTEXTS), Audit(Surroundings())
    for sighting in trace.follow(records):
        audit.follow(sighting)
    assert ("request-repeated" in air.names(audit.close())) == told


def test_what_reading_and_learning_noticed() -> None:
    audit = Audit(Surroundings())
    audit.note(ReadingNotice("cut", "the file ends inside a record", 7, 1234))
    audit.note(FcsVerdict(STRIPPED, 0, 0, 64, 0, "no FCS is there", claimed=2))
    found = {one.name: one for one in audit.close()}
    assert found["capture-damaged"].frames == (7,)
    assert found["check-sequence-not-as-said"].severity == Severity.REMARK


@pytest.mark.parametrize("kept", [5, 12, 24, 30, 40])
def test_of_frames_that_the_capture_cut_nothing_is_concluded(kept: int) -> None:
    """A sealed and a plain frame, both in order: what is not there cannot be wrong."""
    sound = [
        air.secured(b"data", 1, 5, links=(air.FAR_NODE, air.FAR_ROOT)),
        air.frame(air.datagram(bytes(30)), 2),
    ]
    trace, audit = Trace(contexts=air.CONTEXTS, keys=(air.KEY,)), Audit(Surroundings())
    for sighting in trace.follow(
        Record(number, None, 195, octets[:kept], len(octets))
        for number, octets in enumerate(sound, 1)
    ):
        assert sighting.cut
        assert sighting.datagram is None
        assert "front of the frame" in sighting.reason
        audit.follow(sighting)
    assert not audit.close()
    assert audit.frames == len(sound)


@pytest.mark.parametrize("asks", [True, False])
@pytest.mark.parametrize("times", [6, 40])
def test_fragments_that_the_capture_cut_are_not_told_as_lost(times: int, *, asks: bool) -> None:
    """Datagrams in four fragments each (RFC 4944 section 5.3), the last of them short enough to be kept whole.

    The first frame of all is cut as well: what came behind it is timed from it. Where a frame asks for no
    acknowledgement, its number tells nothing of what the air may have lost to all.
    """
    other = air.frame(air.datagram(bytes(60), links=(ROOT, NODE)), 1, (ROOT, NODE))
    sent = [(0.0, other)]
    for number in range(times):
        parts = air.pieces(air.datagram(bytes(LARGE)), start=4 * number % 256, tag=number)
        if not asks:  # bit 5 of the frame control (IEEE 802.15.4-2006 clause 7.2.1.1, from memory)
            parts = [air.mended(bytes([part[0] & ~0x20]) + part[1:]) for part in parts]
        every_s = 100.0 if times < 10 else 1.0
        sent += [(20 + every_s * number + 0.02 * at, part) for at, part in enumerate(parts)]
    kept = len(sent[-1][1])
    assert kept < min(map(len, [other, *parts[:-1]]))
    trace, audit = Trace(contexts=air.CONTEXTS), Audit(Surroundings())
    for sighting in trace.follow(
        Record(number, round(time_s * 1e9), 195, octets[:kept], len(octets))
        for number, (time_s, octets) in enumerate(
            [*sent, (900.0, air.frame(air.datagram(), 4 * times))]
        )
    ):
        audit.follow(sighting)
    assert not audit.close()


def test_a_datagram_is_left_out_where_a_later_fragment_is_cut_and_the_next_under_its_tag_is_not() -> (
    None
):
    """Of the first only the second fragment is cut; five under the same tag have a first one, and no more at all."""
    parts = air.pieces(air.datagram(bytes(LARGE)))
    sent = [(1.0, parts[0], 200), (1.1, parts[1], 60), (1.2, parts[3], 200)]
    sent += [
        (200.0 * n, air.pieces(air.datagram(bytes([n]) * LARGE), start=5 + n)[0], 200)
        for n in range(1, 6)
    ]
    sent += [(1500.0, air.frame(air.datagram(), 11), 200)]
    trace, audit = Trace(contexts=air.CONTEXTS), Audit(Surroundings())
    for sighting in trace.follow(
        Record(number, round(time_s * 1e9), 195, octets[:kept], len(octets))
        for number, (time_s, octets, kept) in enumerate(sent, 1)
    ):
        audit.follow(sighting)
    found = {one.name: one for one in audit.close()}
    assert found["fragments-unfinished"].cause == "5 of 5 datagrams in fragments were not completed"


def test_a_block_of_a_kind_made_later_is_no_damage() -> None:
    audit = Audit(Surroundings())
    audit.note(ReadingNotice("block-unknown", "a block of unknown type 77", 7, 1234))
    (found,) = [one for one in audit.close() if one.name == "capture-damaged"]
    assert found.severity == Severity.REMARK


def test_a_context_announced_otherwise() -> None:
    option = air.context_option(1, "2001:db8:99::/64")
    told = air.frame(air.advertisement(option), 1, (ROOT, air.BROADCAST))
    name = "context-announced-otherwise"
    assert about(name, Capture([told]).followed()) == [READING_TOLD[name]]
    same = air.frame(
        air.advertisement(air.context_option(1, "2001:db8:2::/64")), 1, (ROOT, air.BROADCAST)
    )
    assert "context-announced-otherwise" not in names(Capture([same]).followed())


def test_application_data_are_no_header() -> None:
    """The example's headers are as planned; its messages, up to 46 octets in CoAP, are no part of them."""
    design = load_design(EXAMPLES / "footbridge.toml")
    secrets = tomllib.loads((EXAMPLES / "footbridge.keys.toml").read_text("ascii"))
    keys = [Key(one["octets"], index=one["index"]) for one in secrets["key"]]
    trace = Trace(design=design, contexts=design.contexts, keys=keys)
    audit = Audit(known_of(trace, design))
    with read_capture(EXAMPLES / "footbridge.pcap") as records:
        for sighting in trace.follow(records):
            audit.follow(sighting)
    assert "longer-than-budgeted" not in names(audit.close())


TUNNEL = """
title = "A store whose readings go in DTLS records."
[link]
addresses = "short"
pan_id = 0xabcd
[[context]]
id = 0
prefix = "2001:db8:1::/64"
[[station]]
name = "root"
role = "collector"
short = "0001"
prefix = "2001:db8:1::/64"
[[station]]
name = "node"
role = "node"
short = "0017"
prefix = "2001:db8:1::/64"
[[flow]]
name = "readings"
source = "node"
destination = "root"
source_port = 5684
destination_port = 5684
[flow.dtls]
suite = "{suite}"
"""


@pytest.mark.parametrize("suite", ["TLS_AES_128_CCM_8_SHA256", "TLS_PSK_WITH_AES_128_CCM_8"])
def test_what_a_record_seals_is_no_header(suite: str) -> None:
    """Frames made as the design says are not longer than it says, though nobody here reads the records."""
    design = air.design(TUNNEL.format(suite=suite))
    (path, *_) = design.paths(design.flow("readings"))
    frames = [frame.octets for data in (8, 30, 46) for frame in path.frames(bytes(data))]
    found = Capture(list(frames), design=design).followed()
    assert "longer-than-budgeted" not in names(found)


def test_a_length_in_each_record_is_as_planned_where_it_is_planned() -> None:
    """RFC 9147 section 4: with the L bit two octets say how long a record is, which the last may leave out.

    What the design makes is sealed under keys of zeros, with epoch 3.
    """
    suite = 'TLS_AES_128_CCM_8_SHA256"\nepoch = 3\nlength_present = {}\n#"'
    sender = DtlsSender(
        dtls_suite(suite[:24]), RecordKeys(bytes(16), bytes(12), bytes(16)), epoch=3
    )
    designs = [air.design(TUNNEL.format(suite=suite.format(one))) for one in ("false", "true")]
    sent = [design.paths(design.flow("readings"))[0].frames(bytes(20)) for design in designs]
    for seen, planned, over in ((1, 0, True), (1, 1, False), (0, 1, False), (0, 0, False)):
        frames = [one.octets for one in sent[seen]]
        found = Capture([*frames], design=designs[planned], dtls=(sender,)).followed()
        longer = [one for one in found if one.name == "longer-than-budgeted"]
        assert bool(longer) is over
        if longer:
            assert longer[0].evidence == ("DTLS length: 2 octets, planned none",)
            assert "2 octets more" in longer[0].cause


def test_seconds_are_never_told_as_powers_of_ten() -> None:
    told = [seconds_text(seconds) for seconds in (3220.4, 999.4, 12.34, 0.0123)]
    assert told == ["3220 s", "999 s", "12.3 s", "0.0123 s"]


def test_an_answer_comes_within_ten_seconds() -> None:
    """Our choice; also of what a capture begins with nobody asked before."""
    asked = Beginnings()
    assert asked.begins(1, 2, 0.0)
    assert not asked.begins(2, 1, 9.9)
    assert asked.begins(2, 1, 10.0)


def test_what_a_replayed_frame_brings_is_no_message_of_its_sender() -> None:
    """Its receiver drops it: the counter is not higher than before (IEEE 802.15.4-2020 clause 9.2.4, from memory)."""
    sealed, devices = [], {1: air.FAR_ROOT}
    for counter, (_, octets) in enumerate(notified(5, 6).timed(), 7):
        packed = decode_frame(octets).payload
        assert packed is not None
        header = air.mac(
            counter, (air.ROOT, air.NODE), security=Security(5, 1, counter, key_index=1)
        )
        sealed.append(encode_frame(header, packed, key=air.KEY, devices=devices).octets)
    first, second = sealed
    capture = Capture(
        [(1.0, first), (299.0, second), (300.0, first)], keys=(air.KEY,), devices=devices
    )
    assert [one.name for one in capture.followed()] == ["frame-replayed"]
    assert [one.name for one in capture.fed()] == ["frame-replayed"]


@pytest.mark.parametrize(
    ("payload", "told"),
    [
        (post(), "CoAP 0.02 POST /a, readings: reading, without its OSCORE"),
        # another path is none of the flow: it is not what was planned sealed
        (post(b"b"), "CoAP 0.02 POST /b"),
    ],
)
def test_a_list_says_what_goes_without_its_protection(payload: bytes, told: str) -> None:
    sent = with_oscore(payload)
    (listed,) = list_frames(list(sent.records()), design=sent.design).frames
    assert listed.carries == told
