"""Encodings by frames: real frames decide, the batches are the most that fits, our own row agrees with fit."""

import struct
from dataclasses import replace
from decimal import Decimal
from functools import cache
from typing import Any
from unittest.mock import patch

import cbor2
import pytest
from design.designs import EXAMPLES
from hypothesis import given, settings
from hypothesis import strategies as st
from payload.schemas import filled_messages, simple_fields

from lowpanbudget import fit
from lowpanbudget.design.load import parse_design
from lowpanbudget.design.meaning import Design
from lowpanbudget.errors import RequestError
from lowpanbudget.payload.codec.nodes import CASES
from lowpanbudget.payload.forms.encodings import ENCODINGS, encoded, made_for
from lowpanbudget.payload.kinds.boolean import Boolean
from lowpanbudget.payload.kinds.elements import Array
from lowpanbudget.payload.kinds.group import Group
from lowpanbudget.payload.kinds.instant import Time
from lowpanbudget.payload.kinds.number import Number
from lowpanbudget.payload.kinds.time_offset import TimeOffset
from lowpanbudget.payload.message import Message
from lowpanbudget.payload.search.sampler import samples
from lowpanbudget.room.encodings import Alternative, encodings, most_that_fit

NAMES = ("archive", "footbridge")
DESIGNS = {
    name: parse_design((EXAMPLES / f"{name}.toml").read_text(encoding="utf-8")) for name in NAMES
}
BY_NAME = {encoding.name: encoding for encoding in ENCODINGS}


@cache
def found_in(name: str) -> list[Alternative]:
    """Return all encodings of an example: seconds of work, which collecting the tests need not do."""
    return encodings(DESIGNS[name])


def named(found: list[Alternative], encoding: str) -> Alternative:
    return next(one for one in found if one.encoding == encoding)


@pytest.mark.long
@pytest.mark.parametrize("name", NAMES)
def test_every_message_is_in_every_encoding_on_every_hop(name: str) -> None:
    found, design = found_in(name), DESIGNS[name]
    assert [(one.message, one.encoding) for one in found] == [
        (message.name, encoding.name) for message in design.messages for encoding in ENCODINGS
    ]
    for one in found:
        carriers = design.carriers(design.message(one.message))
        wanted = [(f.name, p.hop.name) for f in carriers for p in design.paths(f)]
        assert [(place.flow, place.hop) for place in one.places] == wanted
        assert one.exact or (one.cannot and one.encoding.startswith("SenML")), one.encoding


@pytest.mark.parametrize("name", NAMES)
def test_frames_are_real(name: str) -> None:
    design = DESIGNS[name]
    for one, place in [(each, place) for each in found_in(name) for place in each.places]:
        path = next(p for p in design.paths(design.flow(place.flow)) if p.hop.name == place.hop)
        for case, octets in one.wire.items():
            spare, count = place.spare[case], place.frames[case]
            assert spare is not None
            assert spare == place.room - len(octets)
            if count is not None:
                frames = path.frames(octets)
                assert count == len(frames)
                assert (count == 1) == (spare >= 0)
            else:
                # RFC 4944 section 4: the MTU of 1280 octets holds headers of 48 octets and the payload
                assert len(octets) > 1280 - 48 - 120
        assert one.largest is not None
        assert one.largest_wire is not None
        assert len(one.largest_wire) <= one.largest
        assert (one.largest_is == "found") == (len(one.largest_wire) == one.largest)
        assert one.largest >= max(one.octets.values())
        assert place.largest_spare == place.room - one.largest
        if place.largest_frames is not None:
            assert place.largest_frames == len(path.frames(bytes(one.largest)))
        fits = place.largest_frames is not None and place.largest_frames <= place.most_frames
        if place.collects:  # as many are sent as one frame carries on each hop of the way
            way = [other for other in one.places if other.flow == place.flow]
            fits = fits or all(other.batch for other in way)
        assert place.fits == (fits and not one.cannot)


@pytest.mark.parametrize("name", NAMES)
def test_our_own_row_agrees_with_fit(name: str) -> None:
    mine = {
        (one.message, place.flow, place.hop): place
        for one in found_in(name) if one.encoding == "as designed" for place in one.places
    }  # fmt: skip
    for other in fit(DESIGNS[name]):
        place = mine[other.message, other.flow, other.hop]
        assert place.room == other.room
        assert place.most_frames == other.most_frames
        assert place.fits == other.fits
        if other.batch_of == "whole message":
            assert place.batch is None
        else:
            assert place.batch == other.batch


@pytest.mark.parametrize("name", NAMES)
def test_our_own_largest_message_is_that_of_its_format(name: str) -> None:
    for one in found_in(name):
        if one.encoding == "as designed":
            assert one.largest == DESIGNS[name].message(one.message).max_octets
            assert one.largest_is == "found"


def with_message(message: Message) -> Design:
    return replace(DESIGNS["archive"], messages=(message,))


READINGS = Message(
    "readings",
    (Array("r", element=Number("", min=Decimal(0), max=Decimal(2**16 - 1)), max_length=200, batch=True),),
    byte_order="big", bit_order="msb-first", layout="bit-packed",
)  # fmt: skip


def test_batches_fill_the_room() -> None:
    """Sizes by hand: struct's H and a count in front; RFC 8949: 65535 takes 3 octets, a head of 1 below 24, 2 above."""
    found = encodings(with_message(READINGS), "readings")
    assert found[0].batch_of == "r"
    for index, place in enumerate(found[0].places):
        room = place.room
        assert named(found, "as designed").places[index].batch == (room - 1) // 2
        assert named(found, "C struct, packed").places[index].batch == (room - 1) // 2
        assert named(found, "C struct, padded").places[index].batch == (room - 2) // 2
        most = next(n for n in range(200, 0, -1) if len(cbor2.dumps([[65535] * n])) <= room)
        assert named(found, "CBOR array").places[index].batch == most


def test_no_encoding_carries_readings_that_their_times_do_not_span() -> None:
    """The times are values of the message, however they are written: in an hour 7 readings, one each 600 s."""
    text = (EXAMPLES / "footbridge.toml").read_text(encoding="utf-8")
    found = encodings(parse_design(text.replace("max = 7200  ", "max = 3600  ")), "readings")
    roomy = encodings(parse_design(text), "readings")
    for one, other in zip(found, roomy, strict=True):
        for place, without in zip(one.places, other.places, strict=True):
            assert place.batch is not None
            assert without.batch is not None
            assert place.batch <= min(
                without.batch, 7
            )  # offsets of 4 digits and 2 octets both times
            assert place.batch_ends == ("reading[].at" if place.batch == 7 else "octets")
    assert [place.batch for place in named(found, "as designed").places] == [7, 7]
    none = text.replace("max = 7200  ", "max = 3600  ").replace(
        "min_length = 1", "min_length = 8", 1
    )
    for one in encodings(parse_design(none), "readings"):
        assert {(place.batch, place.fits) for place in one.places} == {(0, False)}
    assert [place.batch for place in named(roomy, "as designed").places] == [12, 11]


def test_readings_with_a_time_each_have_no_index_in_senml() -> None:
    """RFC 8428 section 5.1.2 names all readings of a sensor alike; section 5.1.3: "time is used to correlate data".

    Octets by hand. A record of CBOR: a map of three, 0 and the 4 of "r/t", 6 and the 3 of 598 to 600, 2 and the 2 of
    50: 13. The first has -2 and the 30 of a base name of 28, -3 and 5 of a base time, -4 and the 4 of "Cel" besides.
    """
    readings = Message(
        "readings",
        (Time("time"), Array("r", max_length=3, element=Group("", fields=(
            TimeOffset("at", base="time", max=Decimal(600)),
            Number("t", min=Decimal(0), max=Decimal(50), unit="Cel"))))),
        byte_order="big", bit_order="msb-first", layout="bit-packed",
    )  # fmt: skip
    found = encodings(with_message(readings))
    in_cbor, in_json = named(found, "SenML CBOR"), named(found, "SenML JSON")
    assert in_cbor.octets["greatest"] == in_cbor.largest == 1 + (13 + 31 + 6 + 5) + 13 + 13
    head = '{"bn":"urn:dev:ow:10e2073a01080063:","bt":4294967295,"bu":"Cel",'
    text = ",".join(f'"n":"r/t","t":{at},"v":50}}' for at in (598, 599, 600)).replace(
        ',"n"', ',{"n"'
    )
    assert sorted(in_json.wire["greatest"]) == sorted(f"[{head}{text}]".encode())
    assert in_json.largest == len(f"[{head}{text}]")
    assert (in_json.largest_is, in_cbor.largest_is) == ("found", "found")


MANY = 40  # a least number that many frames have no room for


@pytest.mark.long  # batches by hand stand above, and those of the examples in test_fit
@settings(max_examples=25)
@given(
    filled_messages(),
    st.integers(0, 3),
    st.integers(0, 60),
    simple_fields("", aligned=True),
    st.booleans(),
)
def test_batches_are_those_of_fit(
    filled: tuple[Message, Any], least: int, more: int, element: tuple[Any, Any], many: bool
) -> None:
    """Random messages with readings behind them, also with a least number that does not fit."""
    message, _ = filled
    least += MANY if many else 0
    most = least + more + 1
    readings = Array("readings", element=element[0], min_length=least, max_length=most, batch=True)
    design = with_message(replace(message, fields=(*message.fields, readings)))
    with patch("lowpanbudget.room.encodings.ENCODINGS", [BY_NAME["as designed"]]):
        ours = [place.batch for one in encodings(design) for place in one.places]
    assert ours == [each.batch for each in fit(design)]


@settings(max_examples=6)
@given(st.integers(0, 2), st.integers(1, 40), simple_fields("", aligned=False), st.integers(0, 5))
def test_no_readings_of_a_batch_need_a_second_frame(
    least: int, more: int, element: tuple[Any, Any], seed: int
) -> None:
    most = least + more
    readings = Array("readings", element=element[0], min_length=least, max_length=most, batch=True)
    message = replace(READINGS, fields=(Boolean("b"), readings))
    for one in encodings(with_message(message)):
        encoding = BY_NAME[one.encoding]
        coder = encoding.coder(message)
        room = min(place.room for place in one.places)
        batch = min(place.batch or 0 for place in one.places)
        for values in samples(message, 12, seed) if batch and not encoding.rigid else ():
            drawn = {**values, "readings": values["readings"][:batch]}
            octets = encoded(message, coder, drawn).octets
            assert octets is None or len(octets) <= room


def test_a_struct_for_some_readings_has_room_for_no_more() -> None:
    struct_of = BY_NAME["C struct, packed"]
    able = made_for(READINGS, struct_of, 3)
    found = encoded(able, struct_of.coder(able), {"r": [1, 2, 3]})
    assert found.octets == struct.pack("<B3H", 3, 1, 2, 3)
    assert made_for(READINGS, BY_NAME["CBOR array"], 3) is READINGS


def test_what_is_not_installed_has_no_sizes(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("lowpanbudget.payload.forms.encodings.find_spec", lambda _name: None)
    found = encodings(with_message(READINGS))
    missing = named(found, "ASN.1 UPER")
    assert "asn1tools" in missing.missing
    assert missing.octets == {}
    assert missing.places == ()
    assert not missing.exact
    assert set(named(found, "JSON, compact").octets) == set(CASES)


def test_what_cannot_be_said_has_no_frames() -> None:
    empty = replace(READINGS, fields=(replace(READINGS.fields[0], optional=True),))
    found = named(encodings(with_message(empty)), "SenML JSON")
    assert "least" in found.cannot
    assert all(place.frames["least"] is None and not place.fits for place in found.places)
    assert all(place.spare["least"] is None for place in found.places)


def test_a_message_that_is_not_there_is_refused() -> None:
    with pytest.raises(RequestError, match="climate_batch"):
        encodings(DESIGNS["archive"], "climte_batch")


@given(
    st.lists(st.integers(0, 9), min_size=1, max_size=60), st.integers(0, 200), st.integers(0, 70)
)
def test_the_largest_count_is_found_however_sizes_grow(
    steps: list[int], room: int, told: int
) -> None:
    """Against counting up; from some count on no size may be known."""
    totals = [sum(steps[: n + 1]) for n in range(len(steps))]
    sizes = {n: total if n <= told else None for n, total in enumerate(totals, 1)}
    fitting = [n for n, octets in sizes.items() if octets is not None and octets <= room]
    assert most_that_fit(sizes.__getitem__, room, 1, len(steps)) == max(fitting, default=0)


@pytest.mark.parametrize("head", [0, 1, 3])
@pytest.mark.parametrize("each", [1, 2, 7])
@pytest.mark.parametrize("room", range(30, 120, 13))
def test_even_growth_is_measured_four_times(head: int, each: int, room: int) -> None:
    """Both ends, the guess and its neighbour."""
    asked = []

    def size(count: int) -> int:
        asked.append(count)
        return head + each * count

    assert most_that_fit(size, room, 1, 400) == (room - head) // each
    assert len(asked) == len(set(asked)) <= 4
