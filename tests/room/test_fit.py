"""Messages into frames: bit maps tile, batches are found by packing, advice makes room when it is taken."""

import re
from dataclasses import replace
from typing import Any

import pytest
from design.designs import EXAMPLES, SMALL
from work import calls

from lowpanbudget import airtime, fit, load_design, review
from lowpanbudget.design.load import parse_design
from lowpanbudget.design.meaning import Design
from lowpanbudget.errors import RequestError
from lowpanbudget.payload.message import Message
from lowpanbudget.room.fit import Fit
from lowpanbudget.room.measure import deepest, room_of

TEXTS = {
    name: (EXAMPLES / f"{name}.toml").read_text(encoding="utf-8")
    for name in ("archive", "footbridge")
}
DESIGNS = {name: parse_design(text) for name, text in TEXTS.items()}
FOUND = [(name, found) for name, design in DESIGNS.items() for found in fit(design)]


def named(found: list[Fit], message: str, hop: str = "first") -> Fit:
    return next(one for one in found if (one.message, one.hop) == (message, hop))


@pytest.mark.parametrize(("name", "found"), FOUND)
def test_the_bit_map_tiles_the_message(name: str, found: Fit) -> None:
    at = 0
    for entry in found.bitmap:
        assert entry.offset == at
        at += entry.bits
    assert at == found.octets * 8
    assert found.bits + found.padding_bits == at
    assert found.least_octets <= found.octets <= DESIGNS[name].message(found.message).max_octets


@pytest.mark.parametrize(("name", "found"), FOUND)
def test_fitting_is_a_matter_of_real_frames(name: str, found: Fit) -> None:
    design = DESIGNS[name]
    path = next(p for p in design.paths(design.flow(found.flow)) if p.hop.name == found.hop)
    frames = path.frames(bytes(found.octets))
    assert found.frames == len(frames)
    assert all(len(frame.octets) <= path.link.largest for frame in frames)
    assert found.fits == (len(frames) <= path.flow.most_frames)
    assert found.spare == found.room - found.octets
    assert (found.spare >= 0) == (len(frames) == 1)
    assert found.room == room_of(path)


@pytest.mark.parametrize(("name", "found"), FOUND)
def test_batches_by_packing(name: str, found: Fit) -> None:
    message = DESIGNS[name].message(found.message)
    if message.batch_field is None:
        assert found.batch_of == "whole message"
        assert (
            found.batch * message.max_octets <= found.room < (found.batch + 1) * message.max_octets
        )
        return
    assert found.batch_of == message.batch_field.name
    if found.batch:
        assert len(message.pack(message.batch_example(found.batch))) <= found.room
    try:
        longer = message.batch_example(found.batch + 1)
    except (RequestError, ValueError):
        return  # the field holds no more
    if len(longer[found.batch_of]) == found.batch + 1:
        assert len(message.pack(longer)) > found.room


def test_the_readings_of_the_footbridge_by_hand() -> None:
    # head 53 bits (4 + 4 + 8 + 32 + count 5); a reading 48 (presence 1, at 12, strain 13, temperature 14, peak 8);
    # 84 octets: (672 - 53) // 48 = 12; 75 octets: (600 - 53) // 48 = 11; 11 readings: 581 bits = 73 octets
    first, forwarded = fit(DESIGNS["footbridge"], "readings")
    assert (first.batch, forwarded.batch) == (12, 11)
    assert first.octets == forwarded.octets == 73  # one message passes both hops
    assert (first.bits, first.padding_bits) == (581, 3)


# readings of one hour, one each 600 s: the seventh comes 3600 s after the first, the eighth 4200 s
SHORT = re.sub(r"max = 7200 .*\nstep = 2\n", "max = 3600\n", TEXTS["footbridge"])


def planned(message: Message, readings: int, every_s: int) -> dict[str, Any]:
    """Return a message of readings as a node takes them: the first at the message's time, each so much later."""
    values = message.batch_example(readings)
    values["time"] = begin = 1_800_000_000
    for number, one in enumerate(values["reading"]):
        one["at"] = begin + number * every_s
    return values


def test_no_more_readings_go_together_than_their_times_span() -> None:
    """Judged by packing readings at their planned times; octets by hand: 53 bits and 48 a reading."""
    design = parse_design(SHORT)
    message = design.message("readings")
    assert len(message.pack(planned(message, 7, 600))) == -(-(53 + 7 * 48) // 8) == 49
    with pytest.raises(RequestError, match=r"reading\[7\].at .* 4200 s after time, outside"):
        message.pack(planned(message, 8, 600))
    found = fit(design, "readings")
    assert {(one.batch, one.readings, one.octets, one.fits) for one in found} == {(7, 7, 49, True)}
    assert {(one.wait_s, one.sends_every_s) for one in found} == {(3600, 4200)}
    assert {one.batch_ends for one in found} == {"reading[].at"}
    sent = {one.sends_every_s for one in airtime(design) if one.message == "readings"}
    assert sent == {4200}  # what the network carries follows from it
    whole = DESIGNS["footbridge"]
    for one in fit(whole, "readings"):
        whole.message("readings").pack(planned(whole.message("readings"), one.batch, 600))
        assert one.batch_ends == "octets"


@pytest.mark.parametrize(
    ("keys", "every_s", "most", "ends"),
    [
        ("max = 3600", 7200, 1, "reading[].at"),  # not even two
        ("max = 3600", 3600, 2, "reading[].at"),
        ("max = 3600", 3601, 1, "reading[].at"),
        (
            "max = 600\nmin = -3600",
            600,
            8,
            "reading[].at",
        ),  # 7 before the message's time or at it, one after it
        ("max = 1\nstep = 0.1", 0.1, 11, "reading[].at"),  # exact: 1 / 0.1 is 10
        ("max = 60", 1, (672 - 53) // (48 - 6), "octets"),  # 61 codes take 6 bits, 3601 take 12
        (
            "max = 3600\noptional = true",
            600,
            (672 - 53) // (48 + 1),
            "octets",
        ),  # what may be absent keeps nobody out
    ],
)
def test_what_ends_a_batch(keys: str, every_s: float, most: int, ends: str) -> None:
    text = SHORT.replace("every_s = 600\n", f"every_s = {every_s}\n")
    start, end = (
        text.index("max = 3600\n"),
        text.index('[[message.field.element.field]]\nkind = "number"'),
    )
    first = fit(parse_design(text[:start] + keys + "\n\n" + text[end:]), "readings")[0]
    assert (first.batch, first.batch_ends) == (most, ends)


def test_times_that_are_counted_inside_a_reading_keep_none_out() -> None:
    """A reading with a time of its own, from which the offset counts: each spans an hour by itself."""
    own = '[[message.field.element.field]]\nkind = "time"\nname = "time"\n\n'
    at = '[[message.field.element.field]]\nkind = "time-offset"'
    first = fit(parse_design(SHORT.replace(at, own + at)), "readings")[0]
    assert (first.batch, first.batch_ends) == ((672 - 53) // (48 + 32), "octets")


def test_fewest_readings_that_their_times_do_not_span() -> None:
    text = SHORT.replace("min_length = 1\nmax_length = 32", "min_length = 8\nmax_length = 12", 1)
    for one in fit(parse_design(text), "readings"):
        assert (one.batch, one.batch_ends, one.fits) == (0, "reading[].at", False)
    long = SHORT.replace("max = 3600\n", "max = 36000\n").replace(
        "max_length = 32", "max_length = 5"
    )
    assert {one.batch_ends for one in fit(parse_design(long), "readings")} == {"length"}


def test_elements_wait_for_each_other_only_as_collected_readings() -> None:
    plain = parse_design(TEXTS["footbridge"].replace("batch = true", "batch = false"))
    collected, at_once = (
        named(fit(one, "readings"), "readings") for one in (DESIGNS["footbridge"], plain)
    )
    every_s = plain.flow(at_once.flow).every_s
    assert at_once.batch == collected.batch == 12  # what a frame carries stays the same
    assert every_s is not None
    assert collected.wait_s == 11 * every_s
    assert (at_once.wait_s, at_once.sends_every_s, at_once.readings) == (None, every_s, 1)


def test_the_climate_of_the_archive_by_hand() -> None:
    # presence 1, version 1, sequence 2, temperature 2, humidity 2, CO2 2, light 3, doors 1, battery 1
    found = fit(DESIGNS["archive"], "climate")[0]
    assert found.octets == 15
    assert found.padding_bits == 6 + 5  # of the presence octet and of the doors'
    # head 64 bits, a reading 35: (92 * 8 - 64) // 35 = 19
    assert fit(DESIGNS["archive"], "climate_batch")[1].batch == 19


def test_most_frames_decides() -> None:
    design = DESIGNS["footbridge"]
    assert [one.frames for one in fit(design, "snapshot")] == [14, 14]
    assert all(one.fits for one in fit(design, "snapshot"))
    for most, fits in ((14, True), (13, False), (1, False)):
        text = TEXTS["footbridge"].replace("most_frames = 16", f"most_frames = {most}")
        assert all(one.fits is fits for one in fit(parse_design(text), "snapshot"))


def test_what_no_datagram_carries() -> None:
    text = TEXTS["footbridge"].replace("length = 256", "length = 300")  # 1350 octets
    (first, _) = fit(parse_design(text), "snapshot")
    assert (first.frames, first.fits, first.advice) == (None, False, ())
    assert first.spare == first.room - 1350


def test_advice_makes_it_fit() -> None:
    text = TEXTS["footbridge"].replace("length = 18", "length = 70")  # features: 13.5 + 70 octets
    given = 0
    for found in fit(parse_design(text), "features"):
        assert found.octets == 84
        assert found.fits == (found.room >= 84)
        if found.fits:
            assert found.advice == ()
            continue
        given += 1
        assert found.advice
        room = found.room
        for saving in found.advice:
            assert not saving.caution
            room += saving.gain
        assert room >= 84
        path = found.advice[-1].path
        assert path is not None
        (frame,) = path.frames(bytes(84))
        assert len(frame.octets) <= 127
    assert given == 1


def test_advice_never_costs_protection() -> None:
    # 4 octets are missing; a shorter integrity code would give them, and is not what is said
    text = TEXTS["archive"].replace("max_length = 24", "max_length = 79")
    found = fit(parse_design(text), "label")[0]
    assert (found.octets, found.room) == (96, 92)
    assert found.advice == ()
    # without the context for the office 15 octets are missing instead, and a context is what is said
    open_text = text.replace("max_length = 79", "max_length = 70").replace(
        'id = 1\nprefix = "2001:db8:a2c4:1::5/128"', 'id = 2\nprefix = "2001:db8:a2c4:2::/64"'
    )
    found = fit(parse_design(open_text), "label")[0]
    assert found.octets == 87
    assert [saving.knob for saving in found.advice] == ["context"]


def test_a_message_that_no_flow_names_is_tried_on_all() -> None:
    design = parse_design(SMALL.replace('messages = ["reading"]', ""))
    assert {(one.flow, one.hop) for one in fit(design)} == {
        (flow, hop) for flow in ("up", "out") for hop in ("first", "forwarded")
    }


def many(count: int) -> Design:
    """Return the small design with messages of 120, 119 ... octets that no flow carries: the small one's never fit."""
    texts = [
        f"""
[[message]]
name = "m{number}"
byte_order = "big"
bit_order = "msb-first"
layout = "bit-packed"

[[message.field]]
kind = "octets"
name = "block"
length = {120 - number}
"""
        for number in range(count)
    ]
    return parse_design(SMALL + "".join(texts))


def test_a_message_more_costs_a_small_part_of_the_first() -> None:
    """The changes that give room are encoded once for each flow, whatever the number of messages that need them."""
    one, six = many(1), many(6)
    rooms = [room_of(path) for flow in one.flows for path in one.paths(flow)]
    assert max(rooms) < 120 - 5  # all of them need advice on each flow and hop
    first = calls(lambda: fit(one))
    assert calls(lambda: fit(six)) < 1.45 * first


def test_only_who_shows_advice_looks_for_it(monkeypatch: pytest.MonkeyPatch) -> None:
    text = TEXTS["footbridge"].replace("length = 18", "length = 70")  # features: 13.5 + 70 octets
    design = parse_design(text)
    advised = fit(design)
    assert any(one.advice for one in advised)

    def looked(*_: object) -> None:
        raise AssertionError("nobody asked for changes")

    monkeypatch.setattr("lowpanbudget.room.sets.SetSearch", looked)
    assert fit(design, advised=False) == [replace(one, advice=()) for one in advised]
    assert review(design)
    assert airtime(design)


def test_it_tells_how_far_it_is() -> None:
    told: list[tuple[int, int]] = []
    design = many(3)
    fits = fit(design, tell=lambda done, total: told.append((done, total)))
    # 3 messages on both flows, and the one that a flow names, which fits
    assert told == [(done, 7) for done in range(1, 8)]
    assert fits == fit(design)


def test_requests() -> None:
    design = DESIGNS["archive"]
    assert {one.message for one in fit(design, "label")} == {"label"}
    with pytest.raises(RequestError, match="no message 'x'"):
        fit(design, "x")
    no_messages = replace(design, messages=())
    assert fit(no_messages) == []


def test_deepest_route_is_the_last_that_fits() -> None:
    """The longest source route with which the command still takes one frame, by the frames themselves."""
    for found in fit(load_design(EXAMPLES / "footbridge.toml"), "command"):
        if found.flow != "routed":
            assert found.deepest is None
            continue
        design = load_design(EXAMPLES / "footbridge.toml")
        path = next(p for p in design.paths(design.flow("routed")) if p.hop.name == found.hop)
        assert found.deepest is not None
        fits, too_long = path.with_route(found.deepest), path.with_route(found.deepest + 1)
        assert fits is not None
        assert too_long is not None
        assert len(fits.frames(bytes(found.octets))) == 1
        assert len(too_long.frames(bytes(found.octets))) > 1


def test_no_route_leaves_a_frame_enough_for_what_fills_it() -> None:
    """102 octets are what a frame of 127 has beside the longest MAC header and FCS (RFC 4944 section 4)."""
    design = load_design(EXAMPLES / "footbridge.toml")
    for flow, found in (("routed", -1), ("features", None)):
        for path in design.paths(design.flow(flow)):
            assert deepest(path, 102) == found
