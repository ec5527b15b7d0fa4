"""Frames longer than 127 octets, and those of the PHYs that send them: room, shortest form, largest datagram.

Frames have 127 octets at most, 2047 of the SUN PHYs, whose FCS has 4 (IEEE 802.15.4-2015 table 11-1 and clause 7.2.10,
from memory); datagrams 1280 (RFC 4944 section 4). MAC headers here take 21 octets, compressed ones 6: 2 of IPHC with
both addresses elided (RFC 6282 section 3.1.1), 4 of UDP with ports of 4 bits (section 4.3.3) and checksum.
"""

import json
import zlib
from pathlib import Path
from typing import Any

import pytest
from capture.captures import CONTEXTS, DESIGN, eui, frames_of, ip_of, records, udp_datagram
from capture.columns.columns_help import by_columns
from contract import shelf
from contract.entry import invoke

from lowpanbudget import (
    Comparison,
    Design,
    LeftOut,
    Record,
    Shrinker,
    annotate,
    audit,
    budget,
    decode_frame,
    list_frames,
    parse_design,
    shortest_form,
    shrink,
    survey,
)

NODE, SINK = eui(1), eui(2)
HEADERS = 21 + 6
LONG = parse_design(DESIGN.replace("[link]", '[link]\nphy = "sun-fsk"'), "long.toml")
USUAL = parse_design(DESIGN, "usual.toml")


def frame_of(octets: int, fcs: int, sequence: int = 1) -> bytes:
    """Return a frame of so many octets, FCS included."""
    payload = bytes([sequence]) * (octets - HEADERS - fcs)
    datagram = udp_datagram(ip_of(NODE), ip_of(SINK), payload)
    (frame,) = frames_of(datagram, NODE, SINK, room=2000, fcs=fcs, sequence=sequence)
    assert len(frame) == octets
    return frame


def form_of(frame: bytes, fcs: int) -> Comparison:
    found = shortest_form(decode_frame(frame, fcs=fcs, contexts=CONTEXTS))
    assert found is not None
    return found


# --- the shortest form ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("octets", "fcs", "largest", "why"),
    [
        (127, 2, 127, ""),
        (128, 2, 2047, "this one is longer than 127"),
        (127, 4, 2047, "this one has an FCS of 4"),
        (230, 4, 2047, "this one is longer than 127"),
        (1300, 4, 2047, "this one is longer than 127"),
    ],
)
def test_a_long_frame_is_compared_with_others_that_may_be_as_long(
    octets: int, fcs: int, largest: int, why: str
) -> None:
    frame = frame_of(octets, fcs)
    found = form_of(frame, fcs)
    assert (found.saved, found.frames_here, found.frames_shortest) == (0, 1, 1)
    assert (found.largest, found.assumed) == (largest, why)
    (followed,) = annotate(records([frame]), 1, contexts=CONTEXTS, fcs=fcs)
    assert followed.shortest == found


def test_an_fcs_that_was_taken_off_counts() -> None:
    """126 octets without their FCS of 2 were 128 on the air."""
    (followed,) = annotate(records([frame_of(128, 2)[:-2]], 230), 1, contexts=CONTEXTS)
    assert followed.shortest is not None
    assert (followed.shortest.largest, followed.shortest.around) == (2047, 21 + 2)


def test_what_was_assumed_is_said(tmp_path: Path) -> None:
    capture = shelf.written(tmp_path / "a.pcap", [(1.0, frame_of(230, 4))])
    said = " ".join(invoke("annotate", capture, *shelf.CONTEXT, "--fcs", "4").stdout.split())
    assert "The form that was sent is the shortest" in said
    assert "No design tells the largest frame: 2047 octets are assumed" in said
    design = tmp_path / "usual.toml"
    design.write_text(DESIGN)
    said = " ".join(invoke("annotate", capture, "--design", design, "--fcs", "4").stdout.split())
    assert "with frames of at most 127 octets it takes 3" in said
    assert "no longer written" not in said
    assert "No design tells" not in said


def test_needless_fragments_of_long_frames_are_avoidable() -> None:
    """Cut for 127 octets where an FCS of 4 tells of 2047."""
    datagram = udp_datagram(ip_of(NODE), ip_of(SINK), bytes(300))
    cut = frames_of(datagram, NODE, SINK, room=102, fcs=4)
    (whole,) = frames_of(datagram, NODE, SINK, room=2000, fcs=4)
    too_many = sum(map(len, cut)) - len(whole)
    last = annotate(records(cut), len(cut), contexts=CONTEXTS, fcs=4)[0].shortest
    assert last is not None
    assert (last.saved, last.frames_shortest) == (too_many, 1)
    assert survey(records(cut), contexts=CONTEXTS, fcs=4).total.avoidable == too_many
    assert survey(records(cut), design=USUAL, fcs=4).total.avoidable == 0


# --- room -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("octets", "fcs", "room"),
    [
        (100, 2, 27),
        (127, 2, 0),
        # 2047 - 128 are 1919; the datagram of 40 + 8 + 99 octets grows by 1133
        (128, 2, 1280 - (48 + 128 - HEADERS - 2)),
        (60, 4, 1280 - (48 + 60 - HEADERS - 4)),
        (1262, 4, 1280 - (48 + 1262 - HEADERS - 4)),
        (1400, 4, 0),
    ],
)
def test_room_is_what_frame_and_datagram_may_grow_by(octets: int, fcs: int, room: int) -> None:
    captured = records([frame_of(octets, fcs)])
    listed = list_frames(captured, contexts=CONTEXTS, fcs=fcs)
    assert [one.room for one in listed.frames] == [room]
    found = survey(captured, contexts=CONTEXTS, fcs=fcs)
    assert found.total.unused == room
    assert found.assumed == listed.assumed == ((2047,) if fcs == 4 or octets > 127 else (127,))


def test_room_ends_at_the_mtu_of_a_design() -> None:
    """40 octets of IPv6 and 8 of UDP leave 1232 of 1280, in a budget as in a list."""
    room = budget(LONG, "climate")[0].room
    assert room == 1280 - 48
    captured = records([frame_of(HEADERS + 4 + sent, 4) for sent in (100, room)])
    listed = list_frames(captured, design=LONG, fcs=4)
    assert [one.room for one in listed.frames] == [room - 100, 0]
    assert listed.assumed == ()
    found = survey(captured, design=LONG, fcs=4)
    assert (found.total.unused, found.assumed) == (room - 100, ())


def test_a_list_and_a_survey_say_what_was_assumed(tmp_path: Path) -> None:
    frames = [(float(n), frame_of(octets, 2, n)) for n, octets in enumerate((60, 130), 1)]
    capture = shelf.written(tmp_path / "a.pcap", frames)
    known = (*shelf.CONTEXT, "--fcs", "2")
    for command in (("annotate", capture, "--list"), ("survey", capture)):
        said = " ".join(invoke(*command, *known).stdout.split())
        assert "room is counted up to 2047 octets where a frame is longer than 127" in said
    listed = json.loads(invoke("annotate", capture, "--list", *known, "--json").stdout)
    assert listed["assumed"] == [127, 2047]
    short = shelf.written(tmp_path / "b.pcap", frames[:1])
    assert "No design" not in invoke("annotate", short, "--list", *known).stdout


@pytest.mark.parametrize("known", [{"contexts": CONTEXTS}, {"design": LONG}, {"design": USUAL}])
@pytest.mark.parametrize("stripped", [False, True])
def test_long_frames_are_counted_alike_by_columns(known: dict[str, Any], *, stripped: bool) -> None:
    """Frames of 2 octets of FCS around 127 and around the MTU, some sent once more."""
    frames = []
    for sequence in range(60):
        octets = (60, 126, 127, 128, 129, 300, 1260, 1262, 1400)[sequence % 9]
        frame = frame_of(octets, 2, sequence)
        frames += [frame[:-2] if stripped else frame] * (2 if sequence % 7 == 6 else 1)
    captured = records(frames, 230 if stripped else 195, step_ns=10**8)
    found, shares = by_columns(captured, **known)
    expected = survey(captured, columns=False, **known)
    assert found == expected
    assert shares.columns > len(frames) // 2
    assert expected.assumed == ((127, 2047) if "contexts" in known else ())


# --- frames made for a design ------------------------------------------------------------------------------


@pytest.mark.parametrize(("design", "fcs"), [(LONG, 4), (USUAL, 2)])
@pytest.mark.parametrize("octets", [60, 1200])
def test_what_is_made_for_a_design_ends_as_its_phy_does(
    design: Design, fcs: int, octets: int
) -> None:
    """The CRC of 32 bits is that of zlib over the frame padded to 4 octets (clause 7.2.10), of 16 bits another."""
    datagram = udp_datagram(ip_of(NODE), ip_of(SINK), bytes(range(256))[:60] * (octets // 60))
    for made in shrink(records([datagram], 229), Shrinker(design)):
        frame, check = made.octets[:-fcs], made.octets[-fcs:]
        assert (check == zlib.crc32(frame).to_bytes(4, "little")) is (fcs == 4)
        assert decode_frame(made.octets, fcs=fcs, contexts=CONTEXTS).fault is None
    (followed, *_) = annotate(list(shrink(records([datagram], 229), Shrinker(design))), 1)
    assert (followed.fcs_octets, followed.fcs_ok) == (fcs, True)


# --- datagrams over the MTU -------------------------------------------------------------------------------


@pytest.mark.parametrize("phy", ["sun-fsk", "o-qpsk-2450"])
def test_no_frames_are_made_of_what_is_over_the_mtu(phy: str) -> None:
    """What is made is not faulted by an audit of the same design."""
    plan = parse_design(
        DESIGN.replace("[link]", f'[network]\nmtu = 1400\n[link]\nphy = "{phy}"'), "plan.toml"
    )
    datagrams = [
        Record(number, number * 10**9, 229, octets, len(octets))
        for number, size in enumerate((1280, 1400, 1401), 1)
        for octets in [udp_datagram(ip_of(NODE), ip_of(SINK), bytes([number]) * (size - 48))]
    ]
    for design, kept in ((plan, 2), (LONG if phy == "sun-fsk" else USUAL, 1)):
        left_out = LeftOut()
        made = list(shrink(datagrams, Shrinker(design), left_out=left_out))
        mtu = design.link.mtu
        assert list(left_out.reasons) == [
            f"a datagram of {size} octets is over the MTU of {mtu}"
            for size in (1400, 1401)[kept - 1 :]
        ]
        found = audit(made, design=design)
        assert found.frames == len(made)
        assert "datagram-size-impossible" not in [one.name for one in found.findings]


@pytest.mark.parametrize(
    ("octets", "fcs", "design", "said"),
    [
        (127, 2, None, []),
        (128, 2, None, ["risk"]),
        (1300, 2, None, ["risk"]),
        (1300, 4, None, []),
        (128, 2, USUAL, ["failure"]),
        (128, 4, LONG, []),
    ],
)
def test_the_audit_assumes_the_frames_that_the_survey_assumes(
    octets: int, fcs: int, design: Design | None, said: list[str]
) -> None:
    frames = records([frame_of(octets, fcs)])
    known: dict[str, Any] = {"contexts": CONTEXTS} if design is None else {"design": design}
    found = audit(frames, fcs=fcs, **known).findings
    assert [one.severity.word for one in found if one.name == "frame-too-long"] == said


@pytest.mark.parametrize(
    ("fcs", "design", "spare"), [(4, None, 2047 - 231), (4, LONG, 2047 - 231), (2, None, None)]
)
def test_what_an_fcs_of_4_tells_of_frames_holds_for_fragments(
    fcs: int, design: Design | None, spare: int | None
) -> None:
    """200 octets of UDP payload behind 27 of headers, with 4 of FCS: a frame of 231, which three fragments carried."""
    datagram = udp_datagram(ip_of(NODE), ip_of(SINK), bytes(range(200)))
    made = records(frames_of(datagram, NODE, SINK, room=92, fcs=fcs), step_ns=10**7)
    assert len(made) == 3
    known: dict[str, Any] = {"contexts": CONTEXTS} if design is None else {"design": design}
    found = audit(made, fcs=fcs, **known).findings
    causes = [one.cause for one in found if one.name == "fragmented-without-need"]
    said = f"3 fragments make a frame of 231 octets, {spare} to spare"
    assert causes == ([] if spare is None else [said])
