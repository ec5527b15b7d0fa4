"""Surveys: counts by hand on small captures, totals against the capture itself, and parts that add up."""

import pickle
import struct
from collections import Counter
from ipaddress import IPv6Address
from typing import Any

import pytest
from capture.captures import (
    CONTEXTS,
    KEY,
    SECOND,
    eui,
    frames_of,
    ip_of,
    mac_of,
    mixed,
    records,
    udp_datagram,
)
from capture.columns.columns_help import by_columns
from contract.air import UDP, ipv6
from contract.vectors import header_of
from findings.air import FAR_ROOT
from findings.cases_link import acknowledged_by
from hypothesis import given, settings
from hypothesis import strategies as st

from lowpanbudget import Env, LeftOut, Mac, compress, encode_frame, expand, follow, frame_rows
from lowpanbudget.bits import Nature
from lowpanbudget.capture import surveyor as surveys
from lowpanbudget.capture.files.record import Record
from lowpanbudget.capture.follow.flows import FlowKey
from lowpanbudget.capture.follow.receivers import Reception
from lowpanbudget.capture.follow.tracing import Trace
from lowpanbudget.capture.survey import Survey
from lowpanbudget.capture.surveyor import OTHERS, Surveyor, survey
from lowpanbudget.capture.tally import Tally
from lowpanbudget.layers.link.mac import FrameType
from lowpanbudget.report import survey_text
from lowpanbudget.report.view import data_of
from lowpanbudget.stack.decoder import decode_datagram
from lowpanbudget.stack.outgoing import Outgoing
from lowpanbudget.stack.recoverable import recoverable

A, B = eui(1), eui(2)
DATAGRAM = udp_datagram(ip_of(A), ip_of(B), b"12345678")
FLOW = FlowKey(ip_of(A), ip_of(B), 17, 0xF0B1, 0xF0B2)


def of(frames: list[bytes], **options: object) -> Survey:
    step = int(str(options.pop("step_ns", 2 * SECOND)))
    return survey(records(frames, step_ns=step), contexts=CONTEXTS, **options)  # type: ignore[arg-type]


def test_one_frame_octet_by_octet() -> None:
    """RFC 6282 sections 3 and 4: 2 octets of IPHC with all elided under context 0, UDP in 1 + 1 + 2."""
    (frame,) = frames_of(DATAGRAM, A, B)
    found = of([frame])
    tally = found.total
    assert len(frame) == 2 + 1 + 2 + 8 + 8 + 2 + 4 + 8 + 2
    assert tally.layer_bits == {
        "MAC": (2 + 1 + 2 + 8 + 8 + 2) * 8,
        "IPHC": 2 * 8,
        "UDP NHC": 4 * 8,
        "payload": 8 * 8,
    }
    assert (tally.frames, tally.octets, tally.datagrams, tally.datagram_octets) == (1, 37, 1, 56)
    assert (tally.application, tally.unused, tally.avoidable) == (8, 127 - 37, 0)
    assert found.flows == {FLOW: tally}
    assert found.nodes == {A: tally}
    assert found.kinds == {"data": tally}
    header = dict.fromkeys(("MAC", "IPHC", "UDP NHC"), Nature.HEADER)
    assert found.natures == {**header, "payload": Nature.PAYLOAD}


def test_natures_stand_in_the_order_of_the_frame() -> None:
    """RFC 8200 section 4: each header names the next one; eight layers have one order of 40320 by chance alone."""
    kinds = (0, 60, 43, 44)  # all of 8 octets; the fragment header is that of a whole datagram
    headers = b"".join(bytes([kind, *bytes(7)]) for kind in (*kinds[1:], UDP))
    octets = ipv6(ip_of(A), ip_of(B), kinds[0], headers + DATAGRAM[40:])
    found = of([encode_frame(mac_of(A, B), b"\x41" + octets).octets])
    assert list(found.natures) == list(found.total.layer_bits)
    assert len(found.natures) >= 8


@pytest.mark.parametrize(
    ("contexts", "too_many"),
    [
        ({}, 32),  # both addresses in line for want of a context: 2 x 16 octets
        ({0: "2001:db8:7:1::/64"}, 0),
    ],
)
def test_octets_that_the_shortest_encoding_saves(contexts: dict[int, str], too_many: int) -> None:
    assert of(frames_of(DATAGRAM, A, B, contexts=contexts)).total.avoidable == too_many


def test_needless_fragments_are_avoidable() -> None:
    """Cut for a room of 40 octets though the whole fits one frame, which has no fragment header."""
    datagram = udp_datagram(ip_of(A), ip_of(B), bytes(60))
    cut, whole = frames_of(datagram, A, B, room=40), frames_of(datagram, A, B)
    assert len(whole) == 1
    total = of(cut).total
    assert total.fragments == len(cut) > 1
    assert total.avoidable == sum(map(len, cut)) - len(whole[0])
    assert total.datagrams == 1
    assert total.application == 60


def test_retransmissions_duplicates_and_losses() -> None:
    one, two, three, nine = (frames_of(DATAGRAM, A, B, sequence=n)[0] for n in (1, 2, 3, 9))
    assert of([one, one, one]).total.retransmissions == 2
    assert of([one, one, one]).total.datagrams == 1
    assert of([one, two], step_ns=SECOND // 10).total.duplicates == 1
    assert of([one, two, three, nine]).total.lost == 5
    last, first = (frames_of(DATAGRAM, A, B, sequence=n)[0] for n in (255, 0))
    assert of([last, first]).total.lost == 0  # the number wraps
    assert of([nine, one]).total.lost == 0  # 247 missing: started anew


@pytest.mark.parametrize("columns", [False, True])
@pytest.mark.parametrize("keys", [(), (bytes(16),), (KEY,)], ids=["none", "wrong", "right"])
@pytest.mark.parametrize("level", [4, 5, 7])
def test_sealed_frames_sent_again_are_counted_without_the_key(
    level: int, keys: tuple[bytes, ...], columns: bool
) -> None:
    """A frame that is sent again has the same octets, frame counter included (IEEE 802.15.4-2006 clause 7.5.6.4.3)."""
    sent = [
        frames_of(DATAGRAM, A, B, sequence=n, key=KEY, counter=n, level=level)[0] for n in range(20)
    ]
    again = [frame for frame in sent for _ in range(2)]
    made = records(again, step_ns=SECOND // 10)
    known: dict[str, object] = {"contexts": CONTEXTS, "keys": keys}
    found = by_columns(made, **known)[0] if columns else survey(made, **known)  # type: ignore[arg-type]
    total = found.total
    assert (total.frames, total.retransmissions, total.duplicates, total.lost) == (40, 20, 0, 0)


@pytest.mark.parametrize(
    ("numbers", "lost"),
    [
        ((20, 21, 12, 22), 0),  # an old frame between two that follow each other
        ((20, 21, 12, 12, 22), 0),  # twice
        ((20, 21, 14, 12, 22), 0),  # and an older one
        ((20, 21, 12, 23), 1),  # 22 is missing all the same
        ((20, 12, 13, 14, 16), 1),  # started anew: 15 is missing
        ((20, 12, 20, 21), 0),  # sent again behind it
        ((2, 3, 250, 4), 0),  # the number wrapped in between
        ((20, 21, 12, 22, 30), 7),  # what was set aside is forgotten
        # two devices under one address, whose numbers begin 80 apart; none is missing, in whatever order they send
        ((20, 100, 21, 101, 22, 23, 102, 103, 24, 104, 105, 106, 25), 0),
        ((20, 100, 21, 101, 22, 23, 102, 104, 24, 27), 3),  # 103, 25 and 26 are
    ],
)
def test_an_old_frame_sent_once_more_makes_none_missing(
    numbers: tuple[int, ...], lost: int
) -> None:
    """Counted by hand; macDSN goes up by one a frame (IEEE 802.15.4-2006 clause 7.5.6.1, from memory)."""
    frames = [frames_of(DATAGRAM, A, B, sequence=n)[0] for n in numbers]
    assert of(frames).total.lost == lost


def test_frames_of_other_kinds() -> None:
    ack = encode_frame(Mac(FrameType.ACKNOWLEDGEMENT, 0, 7), b"").octets
    beacon = encode_frame(
        mac_of(A, None, 9, frame_type=FrameType.BEACON), bytes([0xFF, 0xCF, 0, 0])
    ).octets
    damaged = bytearray(frames_of(DATAGRAM, A, B)[0])
    damaged[-1] ^= 1
    sealed = frames_of(DATAGRAM, A, B, key=KEY)[0]
    unknown = frames_of(DATAGRAM, A, B, contexts={5: "2001:db8:7:1::/64"})[0]
    found = of([ack, beacon, bytes(damaged), sealed, unknown, b"\x41"])
    assert {kind: tally.frames for kind, tally in found.kinds.items()} == {
        "acknowledgement": 1, "beacon": 1, "data": 3, "unreadable": 1,
    }  # fmt: skip
    assert found.total.damaged == 1
    assert found.total.unread == 4
    assert sum(found.reasons.values()) == 4
    assert any("context 5" in reason for reason in found.reasons)


def test_a_sealed_acknowledgement_without_sender_is_told_for_what_it_is() -> None:
    """It has its key; who sealed it only the frame before tells, which a survey does not look at."""
    capture = acknowledged_by(FAR_ROOT)
    known: dict[str, Any] = {"keys": capture.keys, "contexts": capture.contexts, "fcs": 2}
    (reason,) = survey(list(capture.records()), **known).reasons
    assert reason.startswith("an acknowledgement that names no sender: annotate and audit open it")
    asked, answer = follow(list(capture.records()), **known)
    assert (asked.reason, answer.reason) == ("", "")
    (reason,) = survey(list(capture.records())[1:], fcs=2).reasons
    assert reason.startswith("sealed; the key wanted")


def test_fragments_that_are_lost() -> None:
    pieces = frames_of(udp_datagram(ip_of(A), ip_of(B), bytes(200)), A, B)
    found = of(pieces[:-1])
    assert found.total.dropped == 1
    assert found.flows[FLOW].dropped == 1
    assert found.total.datagrams == 0


@pytest.mark.parametrize(("kept", "cut"), [(127, 0), (60, 1), (24, 0)])
def test_fragments_that_the_capture_cut_are_fragments(kept: int, cut: int) -> None:
    """The header of a fragment has 4 or 5 octets (RFC 4944 section 5.3), behind 21 of the MAC: all of it is captured.

    Whether a datagram became whole is not seen, where a snap length took the end of one of its fragments: it is not
    told as one that never did. With 24 octets of each frame no header is whole.
    """
    frames = frames_of(udp_datagram(ip_of(A), ip_of(B), bytes(150)), A, B, room=80)
    assert [frame[21] >> 3 for frame in frames] == [0b11000, *[0b11100] * (len(frames) - 1)]
    assert len(frames[-1]) < 60 < len(frames[0])
    whole = records(frames, step_ns=SECOND // 100)
    some = [one._replace(octets=one.octets[:kept]) for one in whole]
    total = survey(some, contexts=CONTEXTS, fcs=2).total
    assert total.fragments == (len(frames) if kept > 24 else 0)
    assert (total.assembled, total.dropped, total.cut) == (kept == 127, cut, cut)
    rows = list(frame_rows(some, contexts=CONTEXTS, fcs=2))
    assert [row.fragment for row in rows] == [kept > 24] * len(frames)
    left_out = LeftOut()
    assert len(list(expand(some, left_out=left_out, contexts=CONTEXTS, fcs=2))) == total.assembled
    assert (left_out.assembled, left_out.dropped, left_out.cut) == (total.assembled, cut, cut)
    told = " ".join(survey_text.facts(data_of(total)))
    assert ("1 datagram cut by the capture" in told, "never whole" in told) == (bool(cut), False)


def test_recoverable_fragments_that_the_capture_cut_are_fragments() -> None:
    """Fragment_Size says more than was captured (RFC 8931 section 5.1), which is no fault of the sender's."""
    sent = Outgoing.read(udp_datagram(ip_of(A), ip_of(B), bytes(250)))
    writers = recoverable(sent, Env(A, B, contexts=CONTEXTS), room=90, tag=9)
    frames = [
        encode_frame(mac_of(A, B, n), bytes(one.data)).octets for n, one in enumerate(writers)
    ]
    whole = records(frames, step_ns=SECOND // 100)
    some = [one._replace(octets=one.octets[:80]) for one in whole]
    assert len(frames[-1]) < 80 < len(frames[0])
    total = survey(some, contexts=CONTEXTS, fcs=2).total
    assert (total.fragments, total.dropped, total.cut) == (len(frames), 1, 1)
    reasons = {one.reason for one in follow(some, contexts=CONTEXTS, fcs=2)}
    assert reasons == {"", "the capture kept the front of the frame only"}


def test_what_comes_after_the_time_of_a_datagram_is_cut_off_of_none() -> None:
    """RFC 4944 section 5.3: what is not whole after 60 s, at most, is given up; expand and survey say the same."""
    first, later = frames_of(udp_datagram(ip_of(A), ip_of(B), bytes(150)), A, B)
    made = records([first, later], step_ns=61 * SECOND)
    made[1] = made[1]._replace(octets=made[1].octets[:-9])
    total, left_out = survey(made, contexts=CONTEXTS).total, LeftOut()
    assert not list(expand(made, left_out=left_out, contexts=CONTEXTS))
    assert (total.dropped, total.cut) == (left_out.dropped, left_out.cut) == (1, 0)


@pytest.mark.parametrize(("link_type", "octets"), [(195, 40), (230, 42)])
def test_a_frame_of_which_nothing_was_captured_has_its_octets(link_type: int, octets: int) -> None:
    """One with its FCS among the 40 octets that were not, and one whose FCS the receiver took off (link type 230)."""
    total = survey([Record(1, 0, link_type, b"", 40)]).total
    assert total.octets == octets
    assert total.layer_bits == {"MAC": 16, "not captured": 8 * (octets - 2)}


@pytest.mark.parametrize("keys", [(), (KEY,)])
def test_totals_are_those_of_the_capture(keys: tuple[bytes, ...]) -> None:
    frames = mixed(800)
    found = of(frames, keys=keys)
    total = found.total
    assert total.frames == len(frames)
    assert total.octets == sum(map(len, frames))
    assert sum(total.layer_bits.values()) == 8 * total.octets
    for groups in (found.kinds, found.cells):
        assert sum(t.frames for t in groups.values()) == total.frames
    assert (total.first_ns, total.last_ns) == (0, (len(frames) - 1) * 2 * SECOND)
    types = Counter(frame[0] & 7 for frame in frames if len(frame) > 3)
    assert abs(found.kinds["acknowledgement"].frames - types[2]) <= 40  # damage may change a type


def test_a_stripped_fcs_counts_as_sent() -> None:
    frames = [frames_of(DATAGRAM, A, B, sequence=n)[0] for n in range(5)]
    assert of([f[:-2] for f in frames]).total.octets == of(frames).total.octets


def test_plain_datagrams_are_counted_by_layer() -> None:
    found = survey(records([DATAGRAM] * 3, 229))
    assert found.total.layer_bits == {"IPv6": 3 * 40 * 8, "UDP": 3 * 8 * 8, "payload": 3 * 8 * 8}
    assert (found.total.datagrams, found.total.application) == (3, 24)
    assert set(found.flows) == {FLOW}


def test_a_survey_of_parts() -> None:
    fed = records(mixed(600))
    parts = [fed[:200], fed[200:400], fed[400:]]
    one, two, three = (survey(part, contexts=CONTEXTS, keys=KEY, fcs=2) for part in parts)
    left, right = one.merge(two).merge(three), one.merge(two.merge(three))
    assert left == right
    assert (one + two).total == (two + one).total
    whole = survey(fed, contexts=CONTEXTS, keys=KEY, fcs=2).total
    for name in (
        "frames",
        "octets",
        "layer_bits",
        "unread",
        "damaged",
        "first_ns",
        "last_ns",
        "unused",
    ):
        assert getattr(left.total, name) == getattr(whole, name), name
    assert pickle.loads(pickle.dumps(left)) == left
    assert one.merge(Survey()) == one


def test_captures_add_up_whoever_is_first() -> None:
    """Workers end in any order: the sum is of the same frames, so it is the same survey."""
    plain, sealed = mixed(90)[:30], mixed(300)[200:]
    parts = [
        survey(records(plain), contexts=CONTEXTS, fcs=2),
        survey(records(plain)),  # tests what stands at the end
        survey(records([frame[:-2] for frame in plain], 230)),
        survey(records([DATAGRAM] * 3, 229)),
        survey(records(sealed), contexts=CONTEXTS, keys=KEY),
        Survey(natures={"application": Nature.PADDING, "sealed": Nature.SEALED}),
        Survey(natures={"application": Nature.PAYLOAD, "sealed": Nature.PAYLOAD}),
        Survey(receptions=(Reception("south", 3, 1),)),
        Survey(receptions=(Reception("north", 2, 1),)),
    ]
    assert len({one.check_sequences for one in parts}) > 2
    sums = [sum(order, Survey()) for order in (parts, parts[::-1], parts[4:] + parts[:4])]
    assert sums[0] == sums[1] == sums[2] == (parts[0] + parts[1]) + sum(parts[2:], Survey())
    assert sums[0].natures["application"] is sums[0].natures["sealed"] is Nature.PAYLOAD
    assert sum(parts[:1], Survey()) == parts[0]


@pytest.mark.parametrize("reverse", [False, True])
def test_a_layer_with_one_header_is_a_header(*, reverse: bool) -> None:
    """Whichever part of a capture shows it; of a layer that was never read nothing is known."""
    parts = [
        Survey(natures={"beacon": nature, "IPHC": Nature.UNREAD})
        for nature in (Nature.PAYLOAD, Nature.HEADER)
    ]
    one, two = reversed(parts) if reverse else parts
    assert Survey().merge(one).merge(two).natures == {"beacon": Nature.HEADER}


def tallies() -> st.SearchStrategy[Tally]:
    count = st.integers(0, 5)
    time = st.one_of(st.none(), count)
    bits = st.dictionaries(st.sampled_from(["MAC", "IPHC", "payload"]), count, max_size=3)
    return st.builds(Tally, count, count, bits, count, lost=count, first_ns=time, last_ns=time)


@settings(max_examples=60)
@given(tallies(), tallies(), tallies())
def test_tallies_add_up_in_any_grouping(one: Tally, two: Tally, three: Tally) -> None:
    assert (one + two) + three == one + (two + three)
    assert one + two == two + one


def test_cells_are_bounded(monkeypatch: pytest.MonkeyPatch) -> None:
    """The bound is made small here; those of DEVELOPERS.md are the bounds as they are."""
    most = 200
    monkeypatch.setattr(surveys, "MOST_CELLS", most)
    surveyor = Surveyor()
    trace = Trace(fcs=2)
    for number in range(most + 50):
        link = number.to_bytes(8, "big")
        octets = encode_frame(mac_of(link, B, 0), b"\x00").octets
        surveyor.add(trace.feed(Record(number + 1, 0, 195, octets, len(octets))))
    found = surveyor.survey()
    assert len(found.cells) == most + 1
    assert found.nodes[OTHERS].frames == 50
    assert found.total.frames == most + 50


def test_datagrams_of_frames_that_are_alike_are_not_read_again(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Reading a datagram takes longer than all the rest: a survey does so for the first of a kind alone."""
    read: list[bytes] = []

    def counted(octets: bytes) -> object:
        read.append(octets)
        return decode_datagram(octets)

    monkeypatch.setattr("lowpanbudget.stack.decoder.decode_datagram", counted)
    frames = [
        frame
        for number in range(60)
        for frame in frames_of(
            udp_datagram(ip_of(A), ip_of(B), number.to_bytes(8, "big")), A, B, sequence=number
        )
    ]
    assert of(frames).total.frames == 60
    assert len(read) <= 2


def test_what_is_no_udp_brings_nothing_to_an_application() -> None:
    # RFC 8200 section 4.7: behind "no next header" there are octets to pass on, and nobody to read them
    ends = IPv6Address("2001:db8:1::ff:fe00:1"), IPv6Address("2001:db8:1::ff:fe00:2")
    links, contexts = (b"\x00\x01", b"\x00\x02"), {0: "2001:db8:1::/64"}
    captured = []
    for number, octets in enumerate((20, 30, 25)):
        head = struct.pack(">IHBB", 6 << 28, octets, 59, 64)
        packet = head + ends[0].packed + ends[1].packed + bytes(octets)
        mac = Mac(
            FrameType.DATA, 1, number, 0xABCD, links[1], source=links[0], pan_id_compression=True
        )
        frame = encode_frame(mac, compress(packet, Env(*links, contexts=contexts)).octets).octets
        captured.append(Record(number + 1, number * 10**9, 195, frame, len(frame)))
    total = survey(captured, contexts=contexts, fcs=2).total
    assert (total.datagrams, total.application, total.datagram_octets) == (3, 0, 195)


@pytest.mark.parametrize("octets", [0, 6, 7])
def test_a_cut_udp_header_brings_nothing_to_an_application(octets: int) -> None:
    # RFC 768: the header has 8 octets
    head = struct.pack(">IHBB", 6 << 28, octets, 17, 64) + bytes(32)
    frame = header_of(b"\0\1", b"\0\2") + b"\x41" + head + bytes(octets)
    captured = [Record(1, 0, 230, frame, len(frame))]
    total = survey(captured, fcs=0).total
    assert (total.datagrams, total.application) == (1, 0)
