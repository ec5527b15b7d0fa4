"""Formats that cannot be: each fault is named with its place and a way out, all of them at once."""

import ast
import dataclasses
import time
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest

from lowpanbudget import payload
from lowpanbudget.errors import RequestError
from lowpanbudget.payload.flaws import Flaw, FlawedMessage
from lowpanbudget.payload.kinds.binary_float import Float
from lowpanbudget.payload.kinds.boolean import Boolean
from lowpanbudget.payload.kinds.constant import Constant
from lowpanbudget.payload.kinds.elements import Array
from lowpanbudget.payload.kinds.enumeration import Enumeration
from lowpanbudget.payload.kinds.field import Field
from lowpanbudget.payload.kinds.flags import Flags
from lowpanbudget.payload.kinds.group import Group
from lowpanbudget.payload.kinds.instant import Time
from lowpanbudget.payload.kinds.interfaces import Scope
from lowpanbudget.payload.kinds.logarithmic import Logarithmic
from lowpanbudget.payload.kinds.number import Number
from lowpanbudget.payload.kinds.octets import Octets
from lowpanbudget.payload.kinds.reserved import ReservedBits
from lowpanbudget.payload.kinds.sequence import Sequence
from lowpanbudget.payload.kinds.series import Series
from lowpanbudget.payload.kinds.table import Table
from lowpanbudget.payload.kinds.time_offset import TimeOffset
from lowpanbudget.payload.kinds.union import Option, Union
from lowpanbudget.payload.kinds.version import Version
from lowpanbudget.payload.message import Message
from lowpanbudget.payload.search.remarks import remarks
from lowpanbudget.payload.units import advice, is_same_unit


def flaws(*fields: Field, layout: str = "bit-packed", name: str = "m") -> tuple[Flaw, ...]:
    with pytest.raises(FlawedMessage) as fault:
        Message(name, fields, byte_order="big", bit_order="msb-first", layout=layout)
    assert isinstance(fault.value, RequestError)
    for flaw in fault.value.flaws:
        assert flaw.message in str(fault.value)
    return fault.value.flaws


def only(*fields: Field, layout: str = "bit-packed") -> tuple[tuple[str | int, ...], str]:
    found = flaws(*fields, layout=layout)
    assert len(found) == 1, found
    return found[0].path, f"{found[0].message}. {found[0].hint}"


def number(name: str = "n", low: Any = 0, high: Any = 9, step: Any = 1, **more: Any) -> Number:
    return Number(name, min=Decimal(low), max=Decimal(high), step=Decimal(step), **more)


def test_a_width_that_cannot_hold_the_range_shows_the_arithmetic() -> None:
    path, text = only(number(low="-40", high="85", step="0.01", bits=12, special=(("na", None),)))
    assert path == ("field", 0, "bits")
    assert "12 bits cannot hold the range" in text
    # (85 + 40) / 0.01 + 1 = 12501; with the special code 12502; 2^13 < 12502 <= 2^14
    assert "(85 - -40) / 0.01 + 1 = 12501 values, with 1 special code 12502: 14 bits" in text
    # 2^12 - 1 = 4095 values: 12500 / 4094 rounds up to 4 steps of 0.01
    assert "Use bits = 14, or a step of 0.04 or more" in text


@pytest.mark.parametrize(
    ("high", "bits", "special", "step"),
    [
        # with ``codes`` = 2^bits - special codes, the range may have codes - 1 steps
        (9, 1, (), 9),
        (9, 2, (), 3),
        (10, 2, (), 4),
        (9, 2, (("na", None),), 5),
        (9, 2, (("na", None), ("over", None)), 9),
        (200, 7, (), 2),
    ],
)
def test_the_coarser_step_that_is_named_fits_and_no_finer_one_does(
    high: int, bits: int, special: tuple[tuple[str, None], ...], step: int
) -> None:
    def coarser(by: int) -> Number:
        return number(high=-(-high // by) * by, step=by, bits=bits, special=special)

    assert f", or a step of {step} or more" in only(coarser(1))[1]
    Message("m", (coarser(step),), byte_order="big", bit_order="msb-first", layout="bit-packed")
    assert only(coarser(step - 1))[0] == ("field", 0, "bits")


@pytest.mark.parametrize(
    "field",
    [
        # one code beside the special one, or none: no step makes a range of that
        number(bits=1, special=(("na", None),)),
        number(bits=1, special=(("na", None), ("over", None))),
        # the codes do not begin at min, so a coarser step moves all of them
        number(low=-5, high=5, bits=3, coding="twos-complement"),
        number(low=0, high=9, bits=3, coding="twos-complement"),
        number(low=5, high=14, bits=3, offset=Decimal(0)),
    ],
)
def test_no_step_is_named_where_none_can_be_told(field: Number) -> None:
    assert only(field)[1].endswith(f"Use bits = {field.fewest_bits()} or a coarser step")


@pytest.mark.parametrize(("code", "value"), [(0, 0), (3, 3), (5, 5), (11, -5), (12, -4), (15, -1)])
def test_a_special_code_that_is_a_value_of_twos_complement(code: int, value: int) -> None:
    # four bits: codes from 8 on stand for code - 16
    field = number(low=-5, high=5, coding="twos-complement", special=(("lost", code),))
    path, text = only(field)
    assert path == ("field", 0, "special", "lost")
    assert f"code {code} already means {value}" in text


def test_a_step_that_does_not_divide_the_range() -> None:
    path, text = only(number(low=0, high=100, step=3))
    assert path == ("field", 0, "step")
    assert "(100 - 0) / 3 = 33.3333" in text
    assert "max = 99 or max = 102" in text


@pytest.mark.parametrize(
    ("field", "where", "words"),
    [
        (number(step=0), "step", "leads nowhere"),
        (number(low=9, high=9), "max", "use kind 'constant'"),
        (number(low=9, high=1), "max", "is not above min"),
        (number(step="NaN"), "step", "no number that a sensor can send"),
        (number(high="1E+500"), "max", "no number that a sensor can send"),
        (number(high="1E+25"), "step", "at most 64"),
        (number(bits=65), "bits", "Use 1 to 64"),
        (number(offset=Decimal("0.5")), "offset", "on the grid"),
        (number(offset=Decimal(5)), "offset", "above min"),
        (number(coding="excess"), "coding", "offset or twos-complement"),
        (number(typical=Decimal(10)), "typical", "outside 0 .. 9"),
        (number(tolerance=Decimal("0.4")), "tolerance", "already errs by 0.5"),
        (number(special=(("na", 3),)), "special", "code 3 already means 3"),
        (number(special=(("na", 99),), bits=4), "special", "does not fit in 4 bits"),
        (Enumeration("n", names=("a",)), "names", "kind 'constant'"),
        (Enumeration("n", names=("a", "b"), codes=(1, 1)), "names", "already means 'a'"),
        (Enumeration("n", names=("a", "b"), codes=(1, 9), bits=3), "bits", "takes 4 bits, not 3"),
        (Enumeration("n", names=("a", "a")), "names", "twice"),
        (Enumeration("n", names=("a", "b c")), "names", "is no name"),
        (Flags("n", names=()), "names", "no flags"),
        (Flags("n", names=("a", "b"), bits=1), "bits", "2 flags in 1 bit"),
        (Constant("n", value=4, bits=2), "value", "does not fit in 2 bits"),
        (Constant("n", value=0, bits=0), "bits", "Use 1 to 64"),
        (Constant("n", value=0, bits=65), "bits", "Use 1 to 64"),
        (ReservedBits("n", bits=0), "bits", "Use 1 to 512"),
        (ReservedBits("n", bits=513), "bits", "Use 1 to 512"),
        (Sequence("n", bits=0), "bits", "Use 1 to 64"),
        (Sequence("n", bits=65), "bits", "Use 1 to 64"),
        (Time("n", bits=0), "bits", "Use 1 to 64"),
        # RFC 3339 section 5.6: a month is 01 to 12, and hyphens stand between the parts of a date
        (Time("n", epoch="2025-13-01"), "epoch", "2026-01-01T00:00:00Z"),
        (Time("n", epoch="2025-01-01T00:00:00 UTC"), "epoch", "2026-01-01T00:00:00Z"),
        (Time("n", epoch="01.02.2025"), "epoch", "2026-01-01T00:00:00Z"),
        (Time("n", bits=65), "bits", "Use 1 to 64"),
        (Float("n", bits=24), "bits", "16, 32 or 64"),
        (Float("n", bits=32, min=Decimal(1), max=Decimal(1)), "max", "max 1 is not above min 1"),
        (Float("n", bits=16, max=Decimal(70000)), "max", "more than 16 bits"),
        # 1.2e39 is beyond (2 - 2^-23) * 2^127 = 3.4e38 (IEEE 754-2019 table 3.5)
        (Float("n", bits=32, typical=Decimal("12345678912345e26")), "typical", "more than 32 bits"),
        (Logarithmic("n", min=Decimal(0), max=Decimal(1), steps=9), "min", "0 < min < max"),
        (Logarithmic("n", min=Decimal(1), max=Decimal(2), steps=900, digits=2), "digits", "same"),
        (Table("n", values=(Decimal(2), Decimal(1))), "values", "does not rise"),
        (Table("n", values=tuple(map(Decimal, range(5))), bits=2), "bits", "5 values take 3 bits, not 2"),
        (Table("n", values=tuple(map(Decimal, range(5))), bits=17), "bits", "Use 3 to 16"),
        (Octets("n", length=3, max_length=4), "length", "fixed length and a range"),
        (Octets("n", max_length=70000), "max_length", "1 to 65535"),
        (Octets("n", max_length=300, length_bits=8), "length_bits", "are 301 lengths, which take 9 bits, not 8"),
        (Series("n", min=Decimal(0), max=Decimal(9), deltas="variable", group_bits=32, length=3), "group_bits", "32"),
        # zero is a width that was stated, and not the 7 of a design that states none
        (Series("n", min=Decimal(0), max=Decimal(9), deltas="variable", group_bits=0, length=3), "group_bits", "0 is"),
        (Array("n", element=Boolean(""), max_length=300, count_bits=8), "count_bits", "take 9 bits, not 8"),
        (Array("n", element=Boolean("", optional=True), length=3), "element", "cannot be absent"),
        (Array("n", element=ReservedBits("", bits=3), length=3), "element", "carries nothing"),
        (Group("n", fields=()), "field", "without fields"),
        (Series("n", min=Decimal(0), max=Decimal(9), deltas="fixed", length=3), "delta_bits", "2 to 32"),
        (TimeOffset("n", base="t", max=Decimal(9)), "base", "no earlier field of kind time"),
        (Union("n", tag="t", options=()), "tag", "no earlier field of kind enumeration"),
        (Boolean("größe"), "name", "all ASCII"),
        (Boolean(""), "name", "no name"),
        (Constant("n", value=1, bits=2, optional=True), "optional", "cannot be absent"),
    ],
)  # fmt: skip
def test_each_fault_has_its_place(field: Field, where: str, words: str) -> None:
    path, text = only(field)
    assert path[:3] == ("field", 0, where)
    assert words in text


@pytest.mark.parametrize(
    "field",
    [
        Constant("n", value=1, bits=1),
        Constant("n", value=2**64 - 1, bits=64),
        ReservedBits("n", bits=1),
        ReservedBits("n", bits=512),
        Sequence("n", bits=1),
        Sequence("n", bits=64),
        Time("n", bits=1),
        Time("n", bits=64),
        Table("n", values=tuple(map(Decimal, range(5))), bits=3),
        Table("n", values=tuple(map(Decimal, range(5))), bits=16),
        number(typical=Decimal(0)),
        number(typical=Decimal(9)),
        number(tolerance=Decimal("0.5")),
        number(low=0, high="9E30", step="1E30"),
        number(low="1E-30", high="9E-30", step="1E-30"),
        number(low="100000000000000000000000000001", high="200000000000000000000000000001", step="1E29"),
        Octets("n", min_length=3, max_length=3),
        Octets("n", length=65535),
        Boolean("n", at=8 * 65535 - 1),
    ],
)  # fmt: skip
def test_what_stands_at_a_limit_is_allowed(field: Field) -> None:
    Message("m", (field,), byte_order="big", bit_order="msb-first", layout="bit-packed")


@pytest.mark.parametrize(
    ("value", "said"),
    [("1e500", "is 1E+500, outside 0 .. 9"), ("-1.5e-400", "is -1.5E-400, outside"), ("1e20", f"is {10**20}, outside")],
)  # fmt: skip
def test_a_number_is_told_without_exponent_unless_it_would_be_long(value: str, said: str) -> None:
    made = Message("m", (number(),), byte_order="big", bit_order="msb-first", layout="bit-packed")
    with pytest.raises(RequestError) as fault:
        made.pack({"n": Decimal(value)})
    assert said in str(fault.value)


@pytest.mark.parametrize("bits", [8 * 65535 + 1, 10**9])
def test_a_place_beyond_any_datagram(bits: int) -> None:
    path, text = only(Boolean("n", at=bits))
    assert path == ("field", 0, "at")
    assert f"bit {bits} is beyond 65535 octets" in text


@pytest.mark.parametrize("high", ["2000000000000000000000000000001", "2E31", "2E-31"])
def test_numbers_beyond_30_digits_are_none_that_sensors_send(high: str) -> None:
    path, text = only(number(low=0, high=high, step="1E29"))
    assert path == ("field", 0, "max")
    assert "at most 30 digits" in text


@pytest.mark.parametrize(
    "field",
    [
        Boolean("n"),
        Constant("n", bits=8, value=1),
        Enumeration("n", names=("a", "b")),
        Flags("n", names=("a",)),
    ],
)
@pytest.mark.parametrize("value", [10**5000, [10**5000]], ids=["number", "list"])
def test_values_that_python_does_not_write_are_refused_in_words(field: Field, value: Any) -> None:
    """Python writes no number of more than 4300 digits."""
    message = Message("m", (field,), byte_order="big", bit_order="msb-first", layout="bit-packed")
    with pytest.raises(RequestError, match=r"(is|holds) (0x|a list)"):
        message.pack({"n": value})
    with pytest.raises(RequestError, match="has no field 0x"):
        message.pack({10**5000: 1})  # type: ignore[dict-item]


def test_octets_without_any_length() -> None:
    path, text = only(Octets("n"))
    assert path == ("field", 0)
    assert "State length" in text


def test_all_faults_at_once() -> None:
    found = flaws(
        number("a", step=7), Boolean("b"), Boolean("b"), Group("g", fields=(number("c", high=0),))
    )
    assert [flaw.path for flaw in found] == [
        ("field", 0, "step"),
        ("field", 2, "name"),
        ("field", 3, "field", 0, "max"),
    ]


def test_overlap_and_places_inside_an_octet() -> None:
    path, text = only(number("a"), number("b", at=3))
    assert path == ("field", 1, "at")
    assert "bit 3 overlaps what comes before, which ends at bit 4" in text
    assert "inside an octet" in only(number("a"), number("b", at=12), layout="octet-aligned")[1]
    assert "no fixed size" in only(Octets("a", max_length=3), number("b", at=80))[1]


def test_unions_need_an_option_for_each_name() -> None:
    tag = Enumeration("t", names=("x", "y"))
    _, text = only(tag, Union("u", tag="t", options=(Option("x", ()),)))
    assert "no option for y" in text
    found = flaws(
        tag, Union("u", tag="t", options=(Option("x", ()), Option("x", ()), Option("z", ())))
    )
    assert [flaw.path for flaw in found] == [
        ("field", 1, "option", 1, "when"),
        ("field", 1, "option", 2, "when"),
        ("field", 1, "option"),
    ]


def test_options_are_judged_one_by_one() -> None:
    tag = Enumeration("t", names=("x", "y"))
    wrong, right = number(step=7), number()
    for first, second in ((wrong, right), (right, wrong), (wrong, wrong)):
        found = flaws(
            tag, Union("u", tag="t", options=(Option("x", (first,)), Option("y", (second,))))
        )
        assert [flaw.path for flaw in found] == [
            ("field", 1, "option", index, "field", 0, "step")
            for index, field in enumerate((first, second))
            if field is wrong
        ]


def test_a_tag_or_base_must_always_be_there() -> None:
    options = (Option("x", ()), Option("y", ()))
    tag = Enumeration("t", names=("x", "y"), optional=True)
    assert only(tag, Union("u", tag="t", options=options))[0] == ("field", 1, "tag")
    base = Time("t", optional=True)
    assert only(base, TimeOffset("o", base="t", max=Decimal(9)))[0] == ("field", 1, "base")
    # nor may it come later, or be inside a group
    assert only(TimeOffset("o", base="t", max=Decimal(9)), Time("t"))[0] == ("field", 0, "base")
    inside = Group("g", fields=(Time("t"),))
    assert only(inside, TimeOffset("o", base="t", max=Decimal(9)))[0] == ("field", 1, "base")


def test_limits() -> None:
    assert "more than 1000 fields" in only(*(Boolean(f"f{k}") for k in range(10_000)))[1]
    deep: Field = Boolean("b")
    for _ in range(20):
        deep = Group("g", fields=(deep,))
    assert "deep" in only(deep)[1]
    nested: Field = Boolean("")
    for _ in range(20):
        nested = Array("a", element=nested, length=2)
    assert "deep" in only(nested)[1]
    huge = Array("a", element=Array("", element=number(""), length=65535), length=65535)
    assert "more than a datagram" in only(huge)[1]


def test_a_message_needs_name_fields_and_orders() -> None:
    assert flaws(name="größe")[0].path == ("name",)
    with pytest.raises(FlawedMessage) as fault:
        Message("m", (), byte_order="middle", bit_order="", layout="tight")
    assert [flaw.path for flaw in fault.value.flaws] == [
        ("byte_order",),
        ("bit_order",),
        ("layout",),
        ("field",),
    ]


def test_other_numbers_become_exact_decimals() -> None:
    field = Number("n", min=-40, max="85", step=0.01)  # type: ignore[arg-type]  # as people type it
    assert (field.min, field.max, field.step) == (Decimal(-40), Decimal(85), Decimal("0.01"))
    assert Table("t", values=(1, 2.5)).values == (Decimal(1), Decimal("2.5"))  # type: ignore[arg-type]
    assert number(low=2**256 - 1).min == 2**256 - 1
    with pytest.raises(RequestError, match="min is a whole number of 257 bits: out of any range"):
        Number("n", min=2**256, max=Decimal(1))  # type: ignore[arg-type]
    with pytest.raises(RequestError, match="field 'n': min is 'x', not a number"):
        Number("n", min="x", max=Decimal(1))  # type: ignore[arg-type]


def test_a_special_code_beyond_any_width() -> None:
    path, text = only(number(special=(("na", 10**30),)))
    assert path == ("field", 0, "special", "na")
    assert "does not fit" in text


def test_a_time_whose_range_is_past() -> None:
    """By hand: 2^20 steps of 60 s are 728 days and 4.25 hours after 1970, 2^40 ms are 12725 days and some hours."""

    def of(**keys: Any) -> list[str]:
        fields = (Version("v", value=1), Time("t", **keys))
        made = Message("m", fields, byte_order="big", bit_order="msb-first", layout="bit-packed")
        return [f"{remark.text}; {remark.hint}" for remark in remarks(made)]

    (found,) = of(bits=20, step=Decimal(60))
    assert "it ends with 1971-12-30T04:15:00Z" in found
    assert "no time of 2026 or later can be sent" in found
    # two years after a later epoch all would be past again
    assert "epoch = " not in found
    assert 'epoch = "2026-01-01T00:00:00Z"' in of(bits=40, step=Decimal("0.001"))[0]
    # 65536 s are 18 h 12 min 16 s, soon over after any epoch
    (short,) = of(bits=16, epoch="2026-06-01T00:00:00Z")
    assert "it ends with 2026-06-01T18:12:15Z, 0.759 days after its epoch" in short
    assert "; More bits, or a greater step" in short
    assert "it ends with 2004-11-03" in of(bits=40, step=Decimal("0.001"))[0]
    # 32 bits of seconds last up to 2106, and what counts from no date never ends
    assert of() == of(bits=20, epoch="power-on") == of(bits=20, epoch="1.5 h after power-on") == []
    assert of(bits=28, epoch="2025-01-01T00:00:00Z") == []


def test_an_epoch_without_an_offset_is_one_of_utc(monkeypatch: pytest.MonkeyPatch) -> None:
    """55 years of 365 days and 14 leap days lie between 1970 and 2025, wherever this runs."""
    monkeypatch.setenv("TZ", "Asia/Tokyo")
    time.tzset()
    try:
        assert Time("t", epoch="2025-01-01").base_time() == (55 * 365 + 14) * 86400
        # so that a date with an offset can be told from it; the other way round it may be of any zone
        bare, zulu = (Time("t", epoch=f"2025-01-01T00:00:00{offset}") for offset in ("", "Z"))
        nothing = Scope({}, {})
        assert bare.taken("2025-01-02T00:00:00Z", nothing, table=False) == 86400
        assert bare.taken("2025-01-02T00:00:00", nothing, table=False) == 86400
        left = zulu.taken("2025-01-02T00:00:00", nothing, table=False)
        made = Message("m", (zulu,), byte_order="big", bit_order="msb-first", layout="bit-packed")
        with pytest.raises(RequestError, match="without an offset from UTC"):
            made.pack({"t": left})
        with pytest.raises(RequestError, match=r"Its times are 2025-01-01T00:00:00Z \.\. 2161-02"):
            made.pack({"t": -1})
    finally:
        monkeypatch.undo()
        time.tzset()


def test_only_units_have_a_clause_to_cite() -> None:
    """RFC 8428 section 12.1 is the registry of units; its section 4 says nothing of versions, orders or widths."""
    fields = (number(unit="°C"), Float("f", bits=32, min=Decimal(0), max=Decimal(1)))
    made = Message("m", fields, byte_order="big", bit_order="msb-first", layout="bit-packed")
    cited = {remark.text: str(remark.cite) for remark in remarks(made)}
    assert [cite for text, cite in cited.items() if "registry" in text] == ["RFC 8428 §12.1"]
    assert len(cited) == 3
    assert {cite for text, cite in cited.items() if "registry" not in text} == {"None"}


# RFC 8428 section 12.1, table 6: the names, without those that have an asterisk
_UNITS = (
    "m kg s A K cd mol Hz rad sr N Pa J W V Ohm S Wb T H Cel lm lx Bq Gy Sv kat m2 m3 m/s m/s2 m3/s W/m2 cd/m2 bit "
    "bit/s lat lon pH dB dBW count / %RH %EL EL 1/s S/m"
)
# secondary ones (RFC 8798, from memory), prefixes of the SI, and texts of one's own
_OWN_UNITS = "ms min h kW Wh kWh mV mA nA pA kN mS MS Mm hPa km/h ppm dBm µε µm/m NTU people a"


@pytest.mark.parametrize("unit", [*_UNITS.split(), *_OWN_UNITS.split()])
def test_nothing_is_said_of_units_that_mean_one_thing(unit: str) -> None:
    assert advice(unit) == ("", "")


@pytest.mark.parametrize(
    ("written", "meant"),
    [
        ("CEL", "Cel"), ("%rh", "%RH"), ("ph", "pH"), ("KG", "kg"), ("LX", "lx"), ("deg C", "Cel"), ("Volts", "V"),
        ("kelvin", "K"), ("m^3", "m3"), ("ohms", "Ohm"),
    ],
)  # fmt: skip
def test_units_that_the_registry_spells_otherwise(written: str, meant: str) -> None:
    assert advice(written) == (
        f"SenML's registry calls this unit {meant!r} (RFC 8428 §12.1)",
        f'Write unit = "{meant}"',
    )
    assert is_same_unit(written, meant)


@pytest.mark.parametrize(
    ("written", "other"),
    [
        ("psi", "Pa"), ("inHg", "Pa"), ("mph", "m/s"), ("kn", "m/s"), ("ft", "m"), ("in", "m"), ("L", "m3"),
        ("gal", "m3"), ("lb", "kg"), ("RPM", "Hz"), ("percent", "/"), ("°F", "Cel"), ("day", "s"),
    ],
)  # fmt: skip
def test_units_of_which_the_registry_has_another_scale(written: str, other: str) -> None:
    text, hint = advice(written)
    assert f"has no {written!r}, but {other!r} for this quantity" in text
    assert hint.startswith(f'Write unit = "{other}", and the numbers change with it; or keep it')
    assert not is_same_unit(written, other)


def test_a_special_code_that_makes_a_field_wider() -> None:
    """5001 values and a name take 13 bits: 2^13 = 8192. 99999 takes 17 (2^16 = 65536)."""

    def of(layout: str = "bit-packed", **keys: Any) -> list[str]:
        fields = (Version("v", value=1), number(high=5000, **keys))
        made = Message("m", fields, byte_order="big", bit_order="msb-first", layout=layout)
        return [f"{remark.text}; {remark.hint}" for remark in remarks(made)]

    (found,) = of(special=(("off", 8191), ("na", 99999)))
    assert "for the special code 99999 (na) it takes 17 bits, and 13 are enough" in found
    assert "below 8192" in found
    assert of(special=(("na", 8191),)) == of(special=(("na", None),)) == of() == []
    assert of(special=(("na", 99999),), bits=17) == []  # somebody else's format
    # of whole octets both take two
    assert of("octet-aligned", special=(("na", 65535),)) == []


def test_remarks() -> None:
    def of(*fields: Field, **orders: str) -> list[tuple[str, str]]:
        stated = {"byte_order": "big", "bit_order": "msb-first", "layout": "bit-packed"} | orders
        return [remark[:2] for remark in remarks(Message("m", fields, **stated))]

    version = Version("v", value=1)
    assert of(version, number()) == []
    assert of(version, number(unit="Cel")) == []
    (found,) = of(version, number(unit="°C"))
    assert found == ("n", "SenML's registry calls this unit 'Cel' (RFC 8428 §12.1)")
    # RFC 8428 table 6: "%" is "*", not recommended for new implementations
    told = of(version, number(unit="%"))[0][1]
    assert "does not recommend" in told
    # note 2 there: "it is NOT a percentage but the absolute ratio!"
    assert "30 says 3000 percent" in told
    # two percentages have units of their own there: relative humidity and the level of a battery
    shares, grams = (advice(unit)[1] for unit in ("%", "g"))
    assert all(one in shares and one not in grams for one in ('"%RH"', '"%EL"', "Divide by 100"))
    # "Cel" is its name of degrees Celsius, "C" the coulomb, "F" the farad, "s" the second; there is no other of them
    assert {of(version, number(unit=unit))[0][1] for unit in ("degC", "celsius")} == {found[1]}
    assert "'C' is coulomb" in of(version, number(unit="C"))[0][1]
    assert "'F' is farad" in of(version, number(unit="F"))[0][1]
    assert "'Cel' for this quantity" in of(version, number(unit="degF"))[0][1]
    assert "'s' for this quantity" in of(version, number(unit="hours"))[0][1]
    assert "which version" in of(number())[0][1]
    # bit 0 says whether o is there, so a second optional field moves the version; a presence octet has room for 8
    maybe = dataclasses.replace(number(), name="o", optional=True)
    assert of(version, maybe)[0][0] == "v"
    assert "presence bits stand before it" in of(version, maybe)[0][1]
    assert of(version, maybe, layout="octet-aligned") == []
    eight = (dataclasses.replace(maybe, name=f"o{index}") for index in range(8))
    assert "presence bits" in of(version, *eight, layout="octet-aligned")[0][1]
    assert of(version, Group("g", fields=(maybe,))) == []
    assert of(Sequence("s"), version) == []
    assert of(number(), version) == [
        (
            "v",
            "what comes before it (n) moves it when it changes, and old receivers read other bits",
        )
    ]
    assert (
        "a lost message goes unseen" in of(version, Array("a", element=number(""), length=3))[0][1]
    )
    (split,) = of(version, number(high=1000), byte_order="little")
    assert "cuts a number into groups of eight" in split[1]
    batch = Array("a", element=number(""), length=3, batch=True)
    assert "batch = true has no effect" in of(version, batch)[0][1]
    many = (dataclasses.replace(batch, name=n, length=None, max_length=3) for n in "ab")
    assert [words for _, words in of(version, *many)].count("batch = true has no effect here") == 2
    assert "known" in of(version, Float("f", bits=32, min=Decimal(0), max=Decimal(9)))[0][1]
    # binary16 numbers below 2^-14 = 6.1e-5 are 2^-24 apart (IEEE 754-2019 table 3.5): struct makes 5.96e-8 of 5e-8
    small = Float("f", bits=16, typical=Decimal("5e-8"), unit="A")
    assert of(version, small)[0][1] == "16 bits are off by up to 3.0e-8 below 6.1e-5 A"
    assert of(version, dataclasses.replace(small, bits=32)) == []


@pytest.mark.parametrize(
    ("layout", "bits", "reach"),
    # steps of 0.1, 700 from end to end; by hand: -8 .. 7 of 4 bits, -128 .. 127 of an octet, -1024 .. 1023 of 11 bits
    [
        ("bit-packed", 4, "-0.8 .. 0.7 Cel"),
        ("octet-aligned", 4, "-12.8 .. 12.7 Cel"),
        ("bit-packed", 11, ""),
    ],
)
def test_a_series_that_refuses_jumps_is_told(layout: str, bits: int, reach: str) -> None:
    """The jump beside the reach is packed or refused as the remark says; an escape or groups take any."""
    span: dict[str, Any] = {
        "min": Decimal(-40),
        "max": Decimal(30),
        "step": Decimal("0.1"),
        "unit": "Cel",
        "max_length": 9,
    }
    series = Series("s", **span, deltas="fixed", delta_bits=bits)
    fields = (Version("v", value=1), Time("t"), series)
    made = Message("m", fields, byte_order="big", bit_order="msb-first", layout=layout)
    found = remarks(made)
    assert [one.path for one in found] == ["s"] * bool(reach)
    if reach:
        assert found[0].text.startswith(
            f"{reach} is as far as a sample may lie from the one before"
        )
        assert found[0].loses
        down, up = (Decimal(end) for end in reach.removesuffix(" Cel").split(" .. "))
        made.pack({"t": 0, "s": [0, up, 0, down]})
        for jump in (up + Decimal("0.1"), down - Decimal("0.1")):
            with pytest.raises(RequestError, match="steps from the sample before"):
                made.pack({"t": 0, "s": [0, jump]})
    else:
        made.pack({"t": 0, "s": [-40, 30, -40]})
    for free in (Series("s", **span, deltas="variable"), dataclasses.replace(series, escape=True)):
        other = Message(
            "m", (*fields[:2], free), byte_order="big", bit_order="msb-first", layout=layout
        )
        assert remarks(other) == ()


def test_every_flaw_has_a_way_out() -> None:
    """Each place of the package that states a flaw states a hint as well: read from its source."""
    found = []
    for path in sorted(Path(payload.__file__).parent.rglob("*.py")):
        for call in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if not isinstance(call, ast.Call):
                continue
            name = getattr(call.func, "id", getattr(call.func, "attr", ""))
            starred = any(isinstance(part, ast.Starred) for part in call.args)
            if name in ("Flaw", "_flaw") and len(call.args) < 3 and not starred:
                found.append(f"{path.name}:{call.lineno}")
    assert not found
