"""Frames end where the slot of a design ends them, and each answer about a design says the same of it.

A slot for SUN FSK leaves a frame 20 800 µs (common practice, no standard); at 50 kb/s an octet takes 160, so that 130
go in, of which preamble (8), SFD (2) and PHR (2) are no frame: 118. Behind 9 octets of MAC header and 4 of check
sequence IPHC with both addresses elided takes 2 (RFC 6282 section 3.1.1), UDP with both ports in 4 bits and its
checksum 4 (section 4.3): 99 are left.
"""

from pathlib import Path

import pytest
from contract.entry import invoke

from lowpanbudget import (
    DesignError,
    Record,
    airtime,
    annotate,
    audit,
    budget,
    carrying,
    fit,
    list_frames,
    page_of_design,
    parse_design,
    review,
    survey,
    sweep,
)

DESIGN = """
title = "A store by slots"
[link]
phy = "{phy}"
pan_id = 0x1a2b
frame_version = 2
slotted = true
[network]
nodes = 4
[[station]]
name = "probe"
role = "node"
short = 0x0017
[[station]]
name = "sink"
role = "collector"
short = 0x0001
[[flow]]
name = "up"
source = "probe"
destination = "sink"
source_port = 0xf0b1
destination_port = 0xf0b2
messages = ["reading"]
[[message]]
name = "reading"
byte_order = "big"
bit_order = "msb-first"
layout = "octet-aligned"
field = [{{ kind = "octets", name = "data", length = {octets} }}]
[access]
method = "slots"
[access.slots]
template = "{template}"
"""


def text(octets: int = 99, template: str = "sun-fsk-50", phy: str = "sun-fsk") -> str:
    return DESIGN.format(octets=octets, template=template, phy=phy)


def test_the_room_is_that_of_the_longest_frame_that_a_slot_has_time_for() -> None:
    design = parse_design(text())
    (found,) = budget(design)
    assert (found.room, found.ledger.octets, found.in_slot) == (99, 118, 118)
    (message,) = airtime(design)
    assert message.frames[0].times.octets == 118
    assert message.frames[0].times.on_air_us == 20_800


@pytest.mark.parametrize(("octets", "fits", "frames"), [(99, True, 1), (100, False, 2)])
def test_a_message_that_no_frame_of_the_slot_carries_is_no_yes(
    octets: int, fits: bool, frames: int
) -> None:
    design = parse_design(text(octets))
    (found,) = fit(design)
    assert (found.fits, found.frames, found.in_slot) == (fits, frames, 118)
    (answer,) = carrying(design, octets)
    assert (answer.fits, answer.carries, answer.in_slot) == (fits, 99, 118)
    found_of = {one.name: one for one in review(design)}
    names = set(found_of)
    assert ("message-does-not-fit" in names) is not fits
    if not fits:
        told = found_of["message-does-not-fit"]
        assert "a slot has time for frames of 118 octets" in told.cause
        assert told.advice.startswith("Use a template with a longer slot")
    assert "slot-too-short-for-frame" not in names  # frames are made for the slot


@pytest.mark.parametrize(
    "words",
    [
        ("fit",),
        ("budget", "--octets", "100"),
        ("budget", "--no-ledger"),
        ("sweep", "--axis", "level=0"),
    ],
)
def test_the_commands_name_what_ends_the_frame(words: tuple[str, ...], tmp_path: Path) -> None:
    file = tmp_path / "slots.toml"
    file.write_text(text(100), encoding="utf-8")
    done = invoke(words[0], file, *words[1:])
    assert done.exit_code == (words[0] == "fit" or "--octets" in words)
    assert "A slot has time for frames of 118 octets at most (access.slots)" in " ".join(
        done.stdout.split()
    )


def test_a_page_and_the_data_of_a_sweep_tell_what_ends_the_frame() -> None:
    design = parse_design(text())
    assert "A slot has time for frames of 118 octets at most" in page_of_design(design)
    few = {"level": ["0"], "ports": ["0xf0b1,0xf0b2"]}
    assert [one.in_slot for one in sweep(design, axes=few)] == [118]


def test_what_is_not_limited_stays_as_it_is() -> None:
    """The default slot has time for (6 + 127) x 32 µs; how long an octet takes on SUN OFDM is not known here."""
    (usual,) = budget(parse_design(text(50, "10ms", "o-qpsk-2450")))
    assert (usual.in_slot, usual.ledger.octets) == (None, 127)
    (unknown,) = budget(parse_design(text(50, "10ms", "sun-ofdm")))
    assert unknown.in_slot is None


def test_a_slot_without_time_for_any_message_is_a_fault_of_the_design() -> None:
    """4 256 µs of the default slot are 26 octets at 160 µs: a frame of 14, 13 of them header and check sequence."""
    with pytest.raises(DesignError) as caught:
        parse_design(text(50, "10ms"))
    (fault,) = caught.value.faults
    assert fault.key == "access.slots"
    assert "a slot has time for frames of 14 octets at most" in fault.message


def test_one_octet_is_told_as_one() -> None:
    """4 160 µs are 26 octets of 160 each, 12 of them before the frame: 9 of MAC header and 4 of check leave 1 of 14."""
    with pytest.raises(DesignError) as caught:
        parse_design(text(50) + "max_frame_us = 4160\n")
    assert ": 1 octet of room cannot carry a fragment" in caught.value.faults[0].message


@pytest.mark.parametrize(
    ("command", "about"), [("fit", "messages in frames"), ("airtime", "the network on the air")]
)
def test_lists_of_other_things_have_other_titles(command: str, about: str, tmp_path: Path) -> None:
    file = tmp_path / "slots.toml"
    file.write_text(text(100) + "max_ack_us = 100\n", encoding="utf-8")
    done = invoke(command, file)
    assert f"What the design alone tells of {about}: 1 failure" in done.stdout


@pytest.mark.parametrize("octets", [60, 99, 100])
def test_a_capture_is_held_against_the_same_frames(octets: int) -> None:
    """What is cut because of the slot is not cut without need, and has no room for more."""
    design = parse_design(text())
    path = design.paths(design.flow("up"))[0]
    frames = [frame.octets for frame in path.frames(bytes(octets))]
    records = [Record(n, n * 10**7, 195, one, len(one)) for n, one in enumerate(frames, 1)]
    assert len(frames) == (2 if octets > 99 else 1)
    found = audit(records, design=design, fcs=4)
    assert "fragmented-without-need" not in [one.name for one in found.findings]
    listed = list_frames(records, design=design, fcs=4)
    assert [one.room for one in listed.frames] == [118 - len(one) for one in frames]
    assert survey(records, design=design, fcs=4).total.avoidable == 0
    shortest = annotate(records, len(frames), design=design, fcs=4)[0].shortest
    assert shortest is not None
    assert (shortest.saved, shortest.largest) == (0, 118)


ENDS_EARLY = 'template = "{}"\nslot_us = {}'


@pytest.mark.parametrize(("acknowledged", "octets"), [(True, 63), (False, 115)])
def test_the_longest_frame_and_its_acknowledgement_end_within_the_slot(
    acknowledged: bool, octets: int
) -> None:
    """A frame begins 2 120 µs into the default slot, so that 3 880 of 6 000 are left: 121 octets at 32 µs each.

    6 of them are preamble, SFD and PHR. An acknowledgement begins 1 000 µs behind the frame: 9 octets of MAC header
    with both addresses, 4 of time correction (IEEE 802.15.4-2015 section 7.4.2.7, from memory), 2 of check sequence,
    672 µs with its own 6. 2 208 are left for the frame, 69 octets less 6.
    """
    ends_early = text(90, phy="o-qpsk-2450").replace(
        'template = "sun-fsk-50"', ENDS_EARLY.format("10ms", 6000)
    )
    if not acknowledged:
        ends_early = ends_early.replace("slotted = true", "slotted = true\nacknowledged = false")
    design = parse_design(ends_early)
    (found,) = budget(design)
    assert (found.ledger.octets, found.in_slot) == (octets, octets)
    (message,) = airtime(design)
    assert max(part.start_us + part.us for part in message.frames[0].times.parts) <= 6000
    assert not message.broken
    assert fit(design)[0].fits is not acknowledged


def test_what_the_network_sends_for_itself_ends_within_the_slot_too() -> None:
    """Nothing cuts it: a beacon with all that it tells of slots takes more than 1 280 µs, 34 octets."""
    ends_early = text(1, phy="o-qpsk-2450").replace(
        'template = "sun-fsk-50"', ENDS_EARLY.format("10ms", 3400)
    )
    design = parse_design(
        ends_early.replace("slotted = true", "slotted = true\nacknowledged = false")
        + "[upkeep]\nbeacon_s = 60\n"
    )
    upkeep = next(one for one in airtime(design) if one.flow == "upkeep")
    (broken,) = upkeep.broken
    ends = 2120 + upkeep.frames[0].times.on_air_us
    assert (
        broken.text == f"a frame, or what acknowledges it, ends {ends:g} µs into its slot of 3400"
    )
