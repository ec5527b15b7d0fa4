"""Designs and messages through the public names; octets by hand, and by other libraries where they read the same."""

import json
import re
from collections.abc import Callable
from decimal import Decimal
from functools import partial
from pathlib import Path
from typing import Any

import pytest

from lowpanbudget import (
    Alternative,
    Budget,
    Candidate,
    Carrying,
    Certainty,
    Change,
    Coarsening,
    CodeMemory,
    Design,
    DesignError,
    EnoughChanges,
    Explanation,
    Fault,
    Finding,
    Fit,
    Flow,
    FormatComparison,
    Gain,
    Generated,
    GeneratedFile,
    Inexact,
    Ledger,
    Link,
    Loss,
    Malformed,
    Message,
    OnHop,
    PartWorth,
    RequestError,
    Saving,
    Severity,
    Station,
    Truncated,
    Weighing,
    WireError,
    Worth,
    budget,
    carry,
    carrying,
    changes_that_help,
    compatible,
    design_schema,
    encodings,
    explain,
    fit,
    generate,
    load_design,
    page_of_capture,
    parse_design,
    review,
    room_by_hops,
    sweep,
    terms,
    weigh,
)

EXAMPLES = Path(__file__).parents[1] / "examples"
TEXT = (EXAMPLES / "archive.toml").read_text(encoding="utf-8")
ARCHIVE = load_design(EXAMPLES / "archive.toml")
CLIMATE = ARCHIVE.message("climate")
# by hand: presence of co2, version 2, number 0x8000, -1825 and 5000 hundredths, 640, no door, 175 halves; all of them
# least significant octet first
OCTETS = bytes.fromhex("01 02 0080 dff8 8813 8002 00 af")
VALUES = {
    "version": 2, "sequence": 0x8000, "temperature": Decimal("-18.25"), "humidity": Decimal(50),
    "co2": 640, "doors": (), "battery": Decimal("87.5"),
}  # fmt: skip


def test_a_design_is_loaded_or_parsed() -> None:
    assert isinstance(ARCHIVE, Design)
    assert parse_design(TEXT, ARCHIVE.file) == ARCHIVE
    assert isinstance(ARCHIVE.link, Link)
    assert all(isinstance(flow, Flow) for flow in ARCHIVE.flows)
    assert all(isinstance(station, Station) for station in ARCHIVE.stations)
    assert all(isinstance(message, Message) for message in ARCHIVE.messages)
    with pytest.raises(DesignError) as caught:
        parse_design(TEXT.replace('name = "climate"', 'nome = "climate"'), "mine.toml")
    fault = caught.value.faults[0]
    assert isinstance(fault, Fault)
    assert (fault.file, fault.line > 1, fault.column) == ("mine.toml", True, 1)
    schema = json.loads(json.dumps(design_schema()))
    assert {"link", "flow", "message"} <= set(schema["properties"])


def test_budgets_and_fits_are_values() -> None:
    one, two = budget(ARCHIVE, "climate")
    assert isinstance(one, Budget)
    assert isinstance(one.ledger, Ledger)
    # README and the frame: 127 octets of PSDU less 9 MAC, 6 security, 3 IPHC, 4 UDP, 8 MIC and 2 FCS
    assert one.room == 127 - 9 - 6 - 3 - 4 - 8 - 2
    assert two.room < one.room
    assert all(isinstance(change, Saving) for change in (*one.savings, *one.weaker, *one.stronger))
    assert all(isinstance(loss, Loss) for change in one.stronger for loss in change.elsewhere)
    found = fit(ARCHIVE, "climate")
    assert all(isinstance(each, Fit) for each in found)
    mine = [each for each in found if each.flow == "climate"]
    assert [each.room for each in mine] == [one.room, two.room]
    assert all(each.spare == each.room - each.octets for each in found)


def test_settings_that_carry_a_payload_are_found() -> None:
    (one,) = carrying(ARCHIVE, 60, "reading")
    assert isinstance(one, Carrying)
    assert (one.fits, one.most_frames) == (False, 1)
    first = one.sets[0]
    assert isinstance(first, EnoughChanges)
    assert first.carries >= one.octets > one.carries
    assert first.ids == tuple(saving.id for saving in first.savings)


def test_messages_are_packed_and_unpacked() -> None:
    assert CLIMATE.pack(VALUES) == OCTETS
    assert CLIMATE.unpack(OCTETS) == VALUES
    with pytest.raises(Truncated) as short:
        CLIMATE.unpack(OCTETS[:-1])
    assert short.value.offset == len(OCTETS) - 1
    with pytest.raises(Malformed):
        CLIMATE.unpack(OCTETS + b"\0")
    with pytest.raises(RequestError, match="temperature"):
        CLIMATE.pack(VALUES | {"temperature": 200})
    values = CLIMATE.unpack(OCTETS)
    values["co2"] = 641  # what is unpacked is the caller's own
    assert CLIMATE.pack(values) == OCTETS.replace(b"\x80\x02", b"\x81\x02")


def test_c_is_generated() -> None:
    made = generate(CLIMATE, prefix="reading")
    assert isinstance(made, Generated)
    assert isinstance(made.header, GeneratedFile)
    assert (made.header.name, made.source.name) == ("reading.h", "reading.c")
    assert "reading_pack" in made.header.text
    assert isinstance(made.memory, CodeMemory)
    assert f"struct reading {made.memory.structure} (fewer" in made.header.text
    assert ", ".join(f"0x{octet:02x}" for octet in OCTETS) in " ".join(made.source.text.split())


def test_messages_are_weighed() -> None:
    (one,) = weigh(ARCHIVE, "climate")
    assert isinstance(one, Weighing)
    assert (one.message, one.octets) == ("climate", CLIMATE.max_octets)
    by_path = {worth.path: worth for worth in one.fields}
    co2 = by_path["co2"]
    assert isinstance(co2, Worth)
    assert isinstance(co2.told, Gain)
    assert (co2.bits, co2.saves_octets) == (16, 2)
    assert all(isinstance(each, Candidate) for each in one.smaller)
    sizes = [each.octets for each in one.smaller]
    assert sizes == sorted(sizes, reverse=True)
    assert len(one.smaller[1].message.pack(one.smaller[1].message.example("greatest"))) == sizes[1]
    change = one.smaller[1].changes[0]
    assert isinstance(change, Coarsening)
    assert change.step_after > change.step_before
    (wanted,) = weigh(ARCHIVE, "climate", octets=sizes[1])
    assert (wanted.reached, wanted.smaller) == (True, one.smaller[:2])
    (never,) = weigh(ARCHIVE, "climate", octets=1)
    assert (never.reached, never.smaller) == (False, one.smaller)


def test_formats_are_compared() -> None:
    same = compatible(ARCHIVE, ARCHIVE)
    assert all(isinstance(one, FormatComparison) for one in same)
    assert all(one.safe and not one.changes for one in same)
    later = parse_design(TEXT.replace('unit = "ppm"', 'unit = "ppb"'))
    (one,) = compatible(ARCHIVE, later, "climate")
    assert not one.safe
    assert isinstance(one.changes[0], Change)
    assert one.changes[0].path == "co2"


def test_encodings_are_compared() -> None:
    import cbor2

    found = encodings(ARCHIVE, "door_alarm")
    assert all(isinstance(one, Alternative) for one in found)
    assert all(isinstance(hop, OnHop) for one in found for hop in one.places)
    own = found[0]
    message = ARCHIVE.message("door_alarm")
    assert own.octets["greatest"] == message.max_octets
    named = next(one for one in found if "CBOR" in one.encoding)
    assert len(cbor2.loads(named.wire["typical"])) == len(message.example("typical"))


def test_what_an_encoding_rounds_is_told() -> None:
    """2**53 + 1 is the first whole number that a double does not hold (IEEE 754); RFC 8259 section 6 warns."""
    odd = f"""
[[message]]
name = "odd"
byte_order = "big"
bit_order = "msb-first"
layout = "bit-packed"
[[message.field]]
kind = "number"
name = "ticks"
min = 0
max = {2**53 + 1}
"""
    made = parse_design(TEXT + odd)
    text = next(one for one in encodings(made, "odd") if one.encoding == "JSON, compact")
    assert text.errors == (Inexact("ticks", Decimal(1), ""),)


def test_a_design_is_reviewed_and_a_term_explained() -> None:
    found = review(load_design(EXAMPLES / "footbridge.toml"))
    assert found
    for one in found:
        assert isinstance(one, Finding)
        assert isinstance(one.severity, Severity)
        assert one.certainty is Certainty.PLAN
        (page,) = explain(one.name)
        assert (page.term, page.kind) == (one.name, "finding")
        assert page.data["sections"]
    assert [one.severity for one in found] == sorted((one.severity for one in found), reverse=True)
    (iphc,) = explain("iphc")
    assert isinstance(iphc, Explanation)
    assert iphc.data["octets"] == 2  # RFC 6282 figure 1
    assert "LOWPAN_IPHC" in str(iphc)
    listed = terms()
    assert {
        "words", "columns", "design", "key_files", "kinds", "headers", "tables", "findings", "documents",
    } == set(listed)  # fmt: skip
    assert all(explain(f"column {name}")[0].kind == "column" for name in listed["columns"])
    for word in terms()["words"]:
        assert explain(word)[0].text
    for name in listed["headers"]:
        assert explain(f"header {name}")[0].text


NO_AXES: Any = ([1], 5, {5: [6]}, {"level": None})
NO_HOPS: Any = (5, "5", [[1]])


@pytest.mark.parametrize(
    "wrong",
    [
        lambda: load_design("/nowhere/archive.toml"),
        lambda: weigh("archive.toml"),  # type: ignore[arg-type]
        lambda: weigh(ARCHIVE, "nothing"),
        lambda: weigh(ARCHIVE, octets=0),
        lambda: compatible(ARCHIVE, None),  # type: ignore[arg-type]
        lambda: compatible(ARCHIVE, ARCHIVE, "nothing"),
        lambda: encodings("archive.toml"),  # type: ignore[arg-type]
        lambda: encodings(ARCHIVE, "nothing"),
        lambda: review(None),  # type: ignore[arg-type]
        lambda: explain(""),
        lambda: explain(None),  # type: ignore[arg-type]
        lambda: explain("no such term at all"),
        lambda: generate(CLIMATE, prefix="1st"),
        lambda: generate("climate"),  # type: ignore[arg-type]
        lambda: parse_design(None),  # type: ignore[arg-type]
        lambda: budget(ARCHIVE, "nothing"),
        lambda: fit(ARCHIVE, spare=-1),
        lambda: fit(ARCHIVE, "nothing"),
        lambda: generate(CLIMATE, prefix=5),  # type: ignore[arg-type]
        *(partial(sweep, ARCHIVE, axes=axes) for axes in NO_AXES),
        *(partial(room_by_hops, ARCHIVE, hops) for hops in NO_HOPS),
        lambda: changes_that_help(ARCHIVE, "network"),  # type: ignore[arg-type]
        *(partial(carry, ARCHIVE, seed=seed) for seed in ("x", None, 0.5, -1)),  # type: ignore[arg-type]
        *(partial(page_of_capture, name) for name in (None, 5)),  # type: ignore[arg-type]
    ],
)
def test_requests_that_cannot_be_met(wrong: Callable[[], Any]) -> None:
    with pytest.raises(RequestError) as caught:
        wrong()
    assert not isinstance(caught.value, WireError)


def test_more_than_any_datagram_carries_is_no_and_one_value_is_a_list_of_one() -> None:
    (found,) = carrying(ARCHIVE, 1 << 70, "climate", most_frames=1 << 70)
    assert (found.fits, found.sets) == (False, ())
    assert sweep(ARCHIVE, "climate", axes={"level": 6, "hops": 2}) == sweep(
        ARCHIVE, "climate", axes={"level": [6], "hops": [2]}
    )


@pytest.mark.parametrize("name", ["climate", "door_alarm", "label", "climate_batch", "self_check"])
@pytest.mark.parametrize(
    ("case", "hint"),
    [
        ("typcial", "Did you mean 'typical'"),
        ("x" * 99, "Give 'least' or 'typical' or 'greatest'"),
        ("", "Give 'least'"),
        (None, "None is unknown. Give 'least'"),
        (3, "case 3 is unknown"),
    ],
)
def test_a_case_is_one_of_three(name: str, case: Any, hint: str) -> None:
    message = load_design(EXAMPLES / "archive.toml").message(name)
    for asked in (message.example, message.size_bits, message.bitmap):
        with pytest.raises(RequestError, match=re.escape(hint)):
            asked(case)
    if message.batch_field:
        with pytest.raises(RequestError, match=re.escape(hint)):
            message.batch(80, case)


def test_differences_of_a_series_are_weighed() -> None:
    """Counted: 128 samples of the burst are 127 differences of 5 bits, -15 .. 15 beside the escape; 4 bits save 127."""
    (one,) = weigh(load_design(EXAMPLES / "footbridge.toml"), "strain_burst")
    (part,) = one.fields[-1].parts
    assert isinstance(part, PartWorth)
    assert (part.bits, part.less_bits, part.saves_bits) == (5, 4, 127)
    assert part.gives == "jumps of -15 .. 15 µε, others in full"
