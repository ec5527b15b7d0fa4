"""Values, ranges, special codes, rounding, sizes and batches, with numbers worked out beside each check."""

import re
import struct
from decimal import Decimal
from fractions import Fraction
from itertools import pairwise, product
from typing import Any

import pytest

from lowpanbudget.errors import Malformed, RequestError, Truncated
from lowpanbudget.payload.codec.nodes import CASES
from lowpanbudget.payload.forms.doubles import real_of
from lowpanbudget.payload.kinds import logarithmic
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
from lowpanbudget.payload.kinds.text import Text
from lowpanbudget.payload.kinds.time_offset import TimeOffset
from lowpanbudget.payload.kinds.union import Option, Union
from lowpanbudget.payload.kinds.version import Version
from lowpanbudget.payload.message import Message
from lowpanbudget.payload.rounding import roundings
from lowpanbudget.payload.shown import shown_values


def packed(*fields: Field) -> Message:
    return Message("m", fields, byte_order="big", bit_order="msb-first", layout="bit-packed")


def aligned(*fields: Field) -> Message:
    return Message("m", fields, byte_order="big", bit_order="msb-first", layout="octet-aligned")


def number(name: str, low: str, high: str, step: str = "1", **more: Any) -> Number:
    return Number(name, min=Decimal(low), max=Decimal(high), step=Decimal(step), **more)


TEMPERATURE = number("t", "-40", "85", "0.01", unit="Cel", special=(("na", None),))


@pytest.mark.parametrize(
    ("low", "high", "step", "bits"),
    [
        # ceil(log2(values)): 12501 values, 1001 values of 0.1 %, 256, 257, 2
        ("-40", "85", "0.01", 14),
        ("0", "100", "0.1", 10),
        ("0", "255", "1", 8),
        ("0", "256", "1", 9),
        ("0", "1", "1", 1),
    ],
)
def test_width_follows_from_range_and_step(low: str, high: str, step: str, bits: int) -> None:
    assert packed(number("n", low, high, step)).max_bits == bits


def test_a_special_code_may_cost_a_bit() -> None:
    # 256 values take 8 bits, 256 values and one special code are 257 codes
    assert packed(number("n", "0", "255", special=(("na", None),))).max_bits == 9
    assert packed(number("n", "0", "254", special=(("na", None),))).max_bits == 8
    # the same below zero; three beside -1 and 0 are five codes, which take three bits
    signed = {"coding": "twos-complement"}
    assert packed(number("n", "-128", "127", special=(("na", None),), **signed)).max_bits == 9
    assert packed(number("n", "-127", "127", special=(("na", None),), **signed)).max_bits == 8
    three = (("na", None), ("over", None), ("under", None))
    assert packed(number("n", "-1", "0", special=three, **signed)).max_bits == 3


def test_numbers_of_whole_steps_are_whole() -> None:
    message = packed(number("n", "0", "250", "5"), number("d", "0", "1", "0.5"))
    values = message.unpack(message.pack({"n": 35, "d": 1}))
    assert [(type(value), value) for value in values.values()] == [(int, 35), (Decimal, 1)]


def test_a_text_that_may_not_be_there_is_shown_where_it_is_empty() -> None:
    message = packed(
        Text("always", max_length=3),
        Text("maybe", max_length=3, optional=True),
        Group("inner", fields=(Text("always", max_length=3),)),
        number("n", "0", "7", optional=True),
    )
    values = {"always": "", "maybe": "", "inner": {"always": ""}, "n": 3}
    assert [(one.path, one.text, one.remark) for one in shown_values(message, values)] == [
        ("always", "", ""),
        ("maybe", "", "there, and empty"),
        ("inner.always", "", "there, and empty"),
        ("n", "3", ""),
    ]


def test_special_codes_are_all_ones_downwards_and_read_back_by_name() -> None:
    message = aligned(number("co2", "0", "65533", special=(("na", None), ("over", None))))
    # CO2 as uint16: 0xffff unknown, 0xfffe over range (Bluetooth SIG 0x2B8C)
    assert message.pack({"co2": "na"}) == b"\xff\xff"
    assert message.pack({"co2": "over"}) == b"\xff\xfe"
    assert message.unpack(b"\xff\xfe") == {"co2": "over"}
    with pytest.raises(RequestError, match="Special names are na, over"):
        message.pack({"co2": "broken"})


def test_special_code_of_twos_complement_is_the_most_negative() -> None:
    message = aligned(
        number("t", "-273.15", "327.67", "0.01", coding="twos-complement", special=(("na", None),))
    )
    assert message.pack({"t": "na"}) == b"\x80\x00"
    assert message.pack({"t": -0.01}) == b"\xff\xff"


@pytest.mark.parametrize("code", range(10, 16))
def test_a_stated_special_code_is_the_one_sent(code: int) -> None:
    message = packed(number("n", "0", "9", special=(("lost", code), ("na", None))))
    # four bits, then four bits of padding
    assert message.pack({"n": "lost"}) == bytes([code << 4])
    assert message.unpack(bytes([code << 4])) == {"n": "lost"}
    # the code that is chosen is the highest that is free
    assert message.pack({"n": "na"}) == (b"\xe0" if code == 15 else b"\xf0")


def test_a_stated_special_code_of_twos_complement_is_the_one_sent() -> None:
    # four bits: -5 to 5 are 0xb to 0xf and 0 to 5; 6, 7 and -8 to -6 are free
    for code in (0x6, 0x7, 0x8, 0x9, 0xA):
        message = packed(
            number("n", "-5", "5", coding="twos-complement", special=(("lost", code),))
        )
        assert message.pack({"n": "lost"}) == bytes([code << 4])
        assert message.unpack(bytes([code << 4])) == {"n": "lost"}


def test_all_codes_of_twos_complement_can_have_a_meaning() -> None:
    """Four bits: -8 to 5 are 0x8 to 0xf and 0 to 5; 6 and 7 are left, the highest first."""
    message = packed(
        number(
            "n", "-8", "5", coding="twos-complement", bits=4, special=(("na", None), ("over", None))
        )
    )
    assert [message.pack({"n": name}) for name in ("na", "over")] == [b"\x70", b"\x60"]


def test_codes_without_meaning_are_located() -> None:
    message = packed(Boolean("b"), number("n", "0", "100"))  # 101 of 128 codes
    with pytest.raises(Malformed, match=r"field n has code 127") as fault:
        message.unpack(b"\x7f")
    assert (fault.value.offset, fault.value.layer) == (0, "message m")
    with pytest.raises(Truncated, match="field n needs 7 bits here and 0 are left") as short:
        packed(Octets("o", length=1), number("n", "0", "100")).unpack(b"\x00")
    assert short.value.offset == 1


@pytest.mark.parametrize(
    "before",
    [
        Array("a", element=number("", "0", "15"), length=2),
        Array("a", element=Group("", fields=(number("x", "0", "15"),)), length=2),
        Group("a", fields=(number("x", "0", "255"),)),
        Series("a", min=Decimal(0), max=Decimal(15), deltas="fixed", delta_bits=4, length=2),
        Octets("a", min_length=1, max_length=2),
    ],
)
def test_a_fault_behind_others_has_its_own_name(before: Field) -> None:
    message = aligned(before, number("n", "0", "100"))
    octets = message.pack(message.example("least"))
    with pytest.raises(Malformed) as fault:
        message.unpack(octets[:-1] + b"\x7f")
    assert fault.value.message.startswith("field n has code 127")
    assert fault.value.offset == len(octets) - 1


def test_out_of_range_names_field_value_and_range() -> None:
    with pytest.raises(
        RequestError, match=r"field t is 85.01 Cel, outside -40 .. 85 Cel \(step 0.01\)"
    ):
        packed(TEMPERATURE).pack({"t": Decimal("85.01")})
    with pytest.raises(RequestError, match=r"field g.a\[1\] is 9, outside 0 .. 7"):
        packed(Group("g", fields=(Array("a", element=number("", "0", "7"), length=2),))).pack(
            {"g": {"a": [1, 9]}}
        )


@pytest.mark.parametrize(
    "value",
    [
        True,
        None,
        "12",
        float("nan"),
        float("inf"),
        b"1",
        [],
        Decimal("NaN"),
        Decimal("sNaN"),
        10**400,
        Decimal("1E+999999"),
        object(),
    ],
)
def test_values_that_are_no_number_in_range(value: Any) -> None:
    for field in (TEMPERATURE, number("t", "0", "9"), Table("t", values=(Decimal(1), Decimal(20)))):
        with pytest.raises(RequestError, match="field t "):
            packed(field).pack({"t": value})


def test_missing_and_unknown_fields() -> None:
    with pytest.raises(RequestError, match="field t has no value"):
        packed(TEMPERATURE).pack({})
    with pytest.raises(RequestError, match=r"has no field 'tt'. Did you mean 't'\?"):
        packed(TEMPERATURE).pack({"t": 1, "tt": 2})
    with pytest.raises(RequestError, match="Give values by the names"):
        packed(TEMPERATURE).pack([1])  # type: ignore[arg-type]


def test_rounding_is_reported_exactly() -> None:
    message = packed(TEMPERATURE, number("n", "0", "100", "0.5"), Float("f", bits=16))
    values = {"t": 21.234, "n": 7.3, "f": 0.1}
    received = message.unpack(message.pack(values))
    report = {entry.path: entry for entry in roundings(message.fields, values, received)}
    assert report[("t",)].sent == Decimal("21.23")
    assert report[("t",)].error == Decimal("-0.004")
    assert report[("n",)].error == Decimal("0.2")
    # the nearest half-precision number to 0.1 is 0x2e66 = 1638 * 2**-14 (IEEE 754, worked out)
    assert report[("f",)].sent == Decimal(1638) / 2**14
    assert message.pack({"t": 21.234, "n": 7.3, "f": 0.1}) == message.pack(
        {"t": Decimal("21.23"), "n": Decimal("7.5"), "f": 0.0999755859375}
    )


def test_whatever_rounds_tells_by_how_much() -> None:
    message = packed(
        Time("time", bits=16, step=Decimal(10)),
        TimeOffset("at", base="time", max=Decimal(60), step=Decimal(4)),
        Sequence("sequence"),
        Table("table", values=(Decimal(1), Decimal(5))),
        Logarithmic("scale", min=Decimal(1), max=Decimal(1000), steps=3),
        Series("series", min=Decimal(0), max=Decimal(9), deltas="variable", length=2),
        Boolean("on"),
    )
    values = {
        "time": 1234, "at": 1241, "sequence": 3.0, "table": 2, "scale": 12, "series": [1.5, 7], "on": True,
    }  # fmt: skip
    received = message.unpack(message.pack(values))
    errors = {entry.path: entry.error for entry in roundings(message.fields, values, received)}
    assert errors == {
        ("time",): -4,
        ("at",): 1,  # 11 s after 1230 are sent as 12
        ("sequence",): 0,
        ("table",): -1,
        ("scale",): -2,
        ("series", 0): Decimal("0.5"),
        ("series", 1): 0,
    }


@pytest.mark.parametrize(
    ("field", "given", "value"),
    [
        (number("x", "0", "9"), " 5 ", Decimal(5)),
        (number("x", "0", "9"), "+.5", Decimal("0.5")),
        (number("x", "0", "9"), "1e-3", Decimal("0.001")),
        (number("x", "0", "9", special=(("na", None),)), "na", "na"),
        (number("x", "0", "9"), "1e1000", "1e1000"),
        (number("x", "0", "9"), 7, 7),
        (Boolean("x"), "true", True),
        (Boolean("x"), "false", False),
        (Boolean("x"), "yes", "yes"),
        (Flags("x", names=("a", "b")), "a, b", ("a", "b")),
        (Flags("x", names=("a", "b")), "b a", ("b", "a")),
        (Flags("x", names=("a", "b")), ["a"], ["a"]),
        (Float("x", bits=32), "-inf", float("-inf")),
        (Float("x", bits=32), "1.5", Decimal("1.5")),
        (Octets("x", max_length=4), "12", "12"),
        (Text("x", max_length=4), "12", "12"),
        (Series("x", min=Decimal(0), max=Decimal(9), deltas="variable", max_length=4), "1,2.5", [1, Decimal("2.5")]),
        (Series("x", min=Decimal(0), max=Decimal(9), deltas="variable", max_length=4), "", []),
        (Series("x", min=Decimal(0), max=Decimal(9), deltas="variable", max_length=4), ("1", 2), [1, 2]),
        (Series("x", min=Decimal(0), max=Decimal(9), deltas="variable", max_length=4), 3, 3),
        (Array("x", element=Boolean(""), max_length=4), "true,false", [True, False]),
        (Array("x", element=Boolean(""), max_length=4), "", []),
        (Array("x", element=number("", "0", "9"), max_length=4), ["1", 2], [1, 2]),
        (Array("x", element=number("", "0", "9"), max_length=4), {"a": 1}, {"a": 1}),
        (Group("x", fields=(Boolean("b"), number("n", "0", "9"))), {"b": "true", "n": "3"}, {"b": True, "n": 3}),
    ],
)  # fmt: skip
def test_a_text_stands_for_the_value_that_it_says(field: Field, given: Any, value: Any) -> None:
    taken = field.taken(given, Scope({}, {}), table=False)
    assert taken == value
    assert type(taken) is type(value)


def test_ties_go_to_the_even_step() -> None:
    message = packed(number("n", "0", "10"))
    assert [message.unpack(message.pack({"n": x}))["n"] for x in (0.5, 1.5, 2.5)] == [0, 2, 2]


def test_decimals_are_exact_where_floats_are_not() -> None:
    message = packed(number("n", "0", "1", "0.1"))
    assert [message.unpack(message.pack({"n": k / 10}))["n"] for k in range(11)] == [
        Decimal(k) / 10 for k in range(11)
    ]
    wide = packed(number("n", "-9223372036854775.808", "9223372036854775.807", "0.001"))
    assert wide.max_bits == 64
    value = Decimal("9223372036854775.806")
    assert wide.unpack(wide.pack({"n": value})) == {"n": value}


def test_presence_bits_lead_and_absent_fields_cost_nothing() -> None:
    message = packed(
        number("a", "0", "15"), number("b", "0", "15", optional=True), Boolean("c", optional=True)
    )
    assert message.pack({"a": 5, "b": 9}).hex() == "9640"  # 10 0101 1001 00...: presence, a, b
    assert message.unpack(bytes.fromhex("9640")) == {"a": 5, "b": 9}
    assert (message.min_bits, message.max_bits) == (6, 11)


def test_constants_versions_and_reserved_bits() -> None:
    message = packed(
        Version("v", value=2), ReservedBits("", bits=3), Constant("k", value=1, bits=1)
    )
    assert packed(Constant("z", value=0, bits=1)).pack({}) == b"\0"
    assert message.pack({}) == message.pack({"v": 2}) == b"\x21"
    assert message.unpack(b"\x2f") == {"v": 2, "k": 1}  # reserved bits are ignored when received
    with pytest.raises(Malformed, match="field v is 3, and this format has 2"):
        message.unpack(b"\x31")
    with pytest.raises(RequestError, match="It is always 2"):
        message.pack({"v": 3})


def test_offsets_count_from_the_base_as_it_was_sent() -> None:
    message = packed(
        Time("base", bits=16, step=Decimal(10)), TimeOffset("at", base="base", max=Decimal(15))
    )
    octets = message.pack({"base": 1234, "at": 1241})  # 1234 is sent as 1230: 11 s later
    assert octets.hex() == "007bb0"
    assert message.unpack(octets) == {"base": 1230, "at": 1241}
    with pytest.raises(
        RequestError, match=r"field at is 1250 s, 20 s after base, outside 0 .. 15 s"
    ):
        message.pack({"base": 1230, "at": 1250})


def test_other_fields_may_have_the_name_that_is_referred_to() -> None:
    message = packed(
        Time("t", bits=8),
        TimeOffset("o", base="t", max=Decimal(15)),
        Group("g", fields=(Group("t", fields=(number("n", "0", "15"),)),)),
        Group("h", fields=(Octets("t", max_length=1), Boolean("o"))),
    )
    values = {"t": 5, "o": 7, "g": {"t": {"n": 3}}, "h": {"t": b"\xff", "o": True}}
    # 5, 7 - 5, 3; then a length of 1, an octet of ones, 1
    assert message.pack(values).hex() == "0523ffc0"
    assert message.unpack(message.pack(values)) == values


@pytest.mark.parametrize(
    ("epoch", "seconds", "date"),
    [
        # a thousand million seconds after 1970: common knowledge
        ("1970-01-01T00:00:00Z", 10**9, "2001-09-09T01:46:40Z"),
        ("1970-01-01T00:00:00Z", Decimal("86400.25"), "1970-01-02T00:00:00.250000Z"),
        ("2000-03-01T00:00:00Z", -86400, "2000-02-29T00:00:00Z"),
        ("once upon a time", 5, ""),
        ("1970-01-01T00:00:00Z", 2**63, ""),
    ],
)
def test_a_time_is_told_as_a_date_where_there_is_one(epoch: str, seconds: Any, date: str) -> None:
    time, offset = Time("t", epoch=epoch), TimeOffset("o", base="t", max=Decimal(9))
    scope = Scope({"t": seconds - 4}, {"t": time, "o": offset})
    assert time.meaning(seconds, scope) == date
    assert offset.meaning(seconds, scope) == (f"{date}, 4 s after t" if date else "4 s after t")


def test_sequence_numbers_do_not_wrap_unseen() -> None:
    message = packed(Sequence("s", bits=4))
    with pytest.raises(RequestError, match=r"field s is 16 count, outside 0 .. 15"):
        message.pack({"s": 16})


def test_sequence_numbers_are_not_rounded() -> None:
    """1.5 sent as 2 would be a message twice, or one that was never sent; 3.0 is whole."""
    message = packed(Sequence("s", bits=4))
    with pytest.raises(RequestError, match=r"field s is 1\.5, and counts are whole"):
        message.pack({"s": Decimal("1.5")})
    assert message.pack({"s": 3.0}) == b"\x30"


@pytest.mark.parametrize(
    ("count", "last"), [(12, "n11$"), (13, "n11 or one of 1 more$"), (20, "n11 or one of 8 more$")]
)
def test_twelve_names_are_told_and_how_many_more_there_are(count: int, last: str) -> None:
    message = packed(Enumeration("e", names=tuple(f"n{index}" for index in range(count))))
    with pytest.raises(RequestError) as fault:
        message.pack({"e": "other"})
    assert re.search(last, fault.value.hint)


def test_unions_follow_their_tag() -> None:
    message = packed(
        Enumeration("what", names=("door", "level", "alive")),
        Union(
            "u",
            tag="what",
            options=(
                Option("door", (Boolean("open"),)),
                Option("level", (number("v", "0", "255"),)),
                Option("alive", ()),
            ),
        ),
    )
    assert message.pack({"what": "door", "u": {"open": True}}) == b"\x20"
    assert message.pack({"what": "level", "u": {"v": 255}}).hex() == "7fc0"
    assert message.unpack(b"\x80") == {"what": "alive", "u": {}}
    with pytest.raises(RequestError, match="field u has no field 'v'"):
        message.pack({"what": "door", "u": {"v": 1}})
    assert (message.min_bits, message.max_bits) == (2, 10)
    # where there is nothing to give, nothing must be given
    assert message.pack({"what": "alive"}) == b"\x80"
    with pytest.raises(RequestError, match="field u has no value"):
        message.pack({"what": "door"})


def test_an_example_keeps_what_is_given() -> None:
    """A tag that is given chooses, a base time that is given is counted from, in groups as well."""
    level = Group(
        "more", fields=(number("v", "0", "255", typical=Decimal(9)), number("w", "0", "9"))
    )
    message = packed(
        Enumeration("what", names=("door", "level", "alive")),
        Time("t"),
        TimeOffset("dt", base="t", max=Decimal(100)),
        Union(
            "u",
            tag="what",
            options=(
                Option("door", (Boolean("open"),)),
                Option("level", (level,)),
                Option("alive", ()),
            ),
        ),
        number("extra", "0", "3", optional=True),
    )
    assert message.example("greatest", {"what": "door"})["u"].keys() == {"open"}
    assert message.example("typical", {"what": "alive"})["u"] == {}
    found = message.example(
        "typical", {"what": "level", "t": 900000, "u": {"more": {"w": 4}}, "extra": None}
    )
    assert found["u"] == {"more": {"v": 9, "w": 4}}
    assert message.unpack(message.pack(found)) == {k: v for k, v in found.items() if k != "extra"}
    # a wrong value stays, so that packing tells of it
    with pytest.raises(RequestError, match="field what is 'cellar'"):
        message.pack(message.example("least", {"what": "cellar", "u": {}}))


def test_series_with_escape() -> None:
    message = packed(
        Series(
            "s",
            min=Decimal(0),
            max=Decimal(255),
            deltas="fixed",
            delta_bits=4,
            escape=True,
            length=4,
        )
    )
    # 10, +7, +100 by escape (1000) and 117 in full, -7: 0a 7 8 75 9
    octets = message.pack({"s": [10, 17, 117, 110]})
    assert octets.hex() == "0a787590"
    assert message.unpack(octets) == {"s": [10, 17, 117, 110]}


@pytest.mark.parametrize(("high", "bits"), [(7, 11), (8, 20)])
def test_a_series_is_as_long_as_its_escapes_make_it(high: int, bits: int) -> None:
    """Four bits of difference are -7 to 7, and -8 leads a whole sample: from 0 to 8 it is one, of four bits more.

    Three bits of sample and twice four of difference are 11 bits; four, and twice four and four, are 20.
    """
    message = packed(
        Series(
            "s",
            min=Decimal(0),
            max=Decimal(high),
            deltas="fixed",
            delta_bits=4,
            escape=True,
            length=3,
        )
    )
    longest = max(len(message.pack({"s": [*some]})) for some in product(range(high + 1), repeat=3))
    assert message.widest_bits == message.max_bits == bits
    assert longest == -(-bits // 8)


def test_the_escape_of_an_octet_aligned_series_is_that_of_whole_octets() -> None:
    """Octets by hand as ``explain series`` tells: -16, the escape that 5 bits would have, is f0 and a difference."""
    series = Series(
        "s",
        min=Decimal(-100),
        max=Decimal(100),
        max_length=5,
        deltas="fixed",
        delta_bits=5,
        escape=True,
    )
    made = Message("m", (series,), byte_order="big", bit_order="msb-first", layout="octet-aligned")
    # the count, 0 as 100, -16; 27 as 127, -127, 127; -100 as 0, then by escapes 100 as 200 and -28 (-128 on) as 72
    assert made.pack({"s": [0, -16]}).hex() == "0264f0"
    assert made.pack({"s": [27, -100, 27]}).hex() == "037f817f"
    assert made.pack({"s": [-100, 100, -28]}).hex() == "030080c880" + "48"
    assert "-128 (0x80) is the escape" in " ".join(Series.wire.split())


def test_series_without_escape_refuses_a_jump() -> None:
    message = packed(
        Series("s", min=Decimal(0), max=Decimal(255), deltas="fixed", delta_bits=4, length=2)
    )
    assert message.pack({"s": [10, 2]}).hex() == "0a80"
    with pytest.raises(
        RequestError, match=r"field s\[1\] lies 8 steps from the sample before, outside -8 .. 7"
    ):
        message.pack({"s": [10, 18]})


def test_variable_differences_are_protobuf_varints() -> None:
    """Source: a packed field of sint32 by the protobuf library is the same zigzag and the same groups."""
    from google.protobuf import descriptor_pb2, descriptor_pool, message_factory

    file = descriptor_pb2.FileDescriptorProto(name="v.proto", syntax="proto3")
    kind = file.message_type.add(name="V")
    kind.field.add(name="d", number=1, type=17, label=3)  # repeated sint32, packed in proto3
    pool = descriptor_pool.DescriptorPool()
    pool.Add(file)
    cls = message_factory.GetMessageClass(pool.FindMessageTypeByName("V"))
    samples = [0, 1, -1, 63, -1, 64, -100000, 100000, 99999]
    deltas = [b - a for a, b in pairwise(samples)]
    theirs = cls(d=deltas).SerializeToString()[2:]  # without field key and length
    series = Series(
        "s",
        min=Decimal(-(2**20)),
        max=Decimal(2**20),
        deltas="variable",
        length=len(samples),
        bits=24,
    )
    for message in (packed(series), aligned(series)):
        assert message.pack({"s": samples})[3:] == theirs


def test_variable_differences_have_one_form_only() -> None:
    message = packed(Series("s", min=Decimal(0), max=Decimal(255), deltas="variable", length=2))
    assert message.unpack(b"\x05\x02") == {"s": [5, 6]}
    with pytest.raises(Malformed, match="more groups than it needs"):
        message.unpack(b"\x05\x82\x00")
    with pytest.raises(Malformed, match=r"field s\[1\] leaves the range"):
        message.unpack(b"\xff\x02")


@pytest.mark.parametrize(
    ("least", "most", "steps", "figures"),
    [
        ("0.001", "20", 254, 6),
        ("1", "86400", 60, 17),
        ("0.7", "3", 1000, 4),
        ("1", "100", 2, 3),  # 10
        ("1", "6.25", 2, 1),  # 2.5 is half-way between 2 and 3: either is the nearest
        ("0.0003", "0.000675", 60, 1),  # and so is 0.00045, in the middle
    ],
)
def test_logarithmic_values_are_the_nearest(
    least: str, most: str, steps: int, figures: int
) -> None:
    """Entry k is low (high / low)^(k / steps), so in whole powers low^(steps - k) high^k, give or take half a digit."""
    low, high = Fraction(least), Fraction(most)
    field = Logarithmic("l", min=Decimal(least), max=Decimal(most), steps=steps, digits=figures)
    entries = field.entries()
    assert [Fraction(entries[0]), Fraction(entries[-1])] == [low, high]
    for code, entry in enumerate(entries[1:-1], 1):
        half = Fraction(10) ** (entry.adjusted() - figures + 1) / 2
        power = low ** (steps - code) * high**code
        assert (Fraction(entry) - half) ** steps <= power <= (Fraction(entry) + half) ** steps


def test_a_logarithm_is_taken_only_where_the_rounding_is_open(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    asked: list[int] = []

    def by_logarithm(_low: Decimal, _high: Decimal, _steps: int, code: int) -> Decimal:
        asked.append(code)
        return Decimal(2)

    monkeypatch.setattr(logarithmic, "_by_logarithm", by_logarithm)
    Logarithmic("l", min=Decimal("0.0011"), max=Decimal(19), steps=4000, digits=17).entries()
    assert asked == []
    # 3.5 (1, 3.5, 12.25) is half-way between 3 and 4
    Logarithmic("l", min=Decimal(1), max=Decimal("12.25"), steps=20, digits=1).entries()
    assert asked == [10]


def test_logarithmic_steps_are_equal_ratios() -> None:
    field = Logarithmic("l", min=Decimal(1), max=Decimal(1000), steps=3)
    # 1000 ** (1/3) is 10: the four values are 1, 10, 100, 1000
    assert [int(entry) for entry in field.entries()] == [1, 10, 100, 1000]
    message = packed(field)
    assert [message.unpack(message.pack({"l": x}))["l"] for x in (1, 5, 6, 54, 56, 999)] == [
        1,
        1,
        10,
        10,
        100,
        1000,
    ]


def test_tables_round_to_the_nearer_value() -> None:
    message = packed(Table("r", values=tuple(map(Decimal, (10, 20, 50))), unit="Hz"))
    assert [message.unpack(message.pack({"r": x}))["r"] for x in (10, 14, 16, 36, 50)] == [
        10,
        10,
        20,
        50,
        50,
    ]
    with pytest.raises(Malformed, match="the table ends at 2"):
        message.unpack(b"\xc0")


def test_text_and_octets() -> None:
    message = packed(Text("t", max_length=7), Octets("o", min_length=2, max_length=3))
    octets = message.pack({"t": "né", "o": b"\x01\x02"})
    # 011 n é(c3 a9), then 0 01 02: three octets of text; two octets are the first of two lengths
    bits = "011" + f"{0x6EC3A9:024b}" + "0" + f"{0x0102:016b}" + "0000"
    assert octets == int(bits, 2).to_bytes(6, "big")
    assert message.unpack(octets) == {"t": "né", "o": b"\x01\x02"}
    assert message.pack({"t": "né", "o": "0102"}) == octets
    with pytest.raises(RequestError, match=r"field o has 4 octets, and 2 .. 3 are allowed"):
        message.pack({"t": "", "o": b"1234"})
    with pytest.raises(Malformed, match="field t is no utf-8"):
        message.unpack(b"\x3f\xe0\x00\x00")
    with pytest.raises(RequestError, match="ascii cannot write"):
        packed(Text("t", max_length=7, encoding="ascii")).pack({"t": "né"})


def test_flags_take_names_or_truth() -> None:
    message = packed(Flags("f", names=("a", "b", "c")))
    assert (
        message.pack({"f": ("c", "a")})
        == message.pack({"f": {"a": True, "b": False, "c": 1}})
        == b"\xa0"
    )
    assert message.unpack(b"\xa0") == {"f": ("a", "c")}
    with pytest.raises(RequestError, match=r"holds 'd'. Flags are a, b, c"):
        message.pack({"f": ["d"]})
    for value in ("a", b"a", 1, [["a"]], iter("a"), object()):
        with pytest.raises(RequestError, match="field f "):
            message.pack({"f": value})


def test_a_place_of_its_own_leaves_a_gap_of_zeros() -> None:
    message = packed(Boolean("a"), number("n", "0", "255", at=8))
    assert message.pack({"a": True, "n": 1}) == b"\x80\x01"
    assert [entry.kind for entry in message.bitmap()] == ["boolean", "reserved", "number"]


def test_octet_alignment_is_counted_as_padding() -> None:
    message = aligned(TEMPERATURE, Boolean("b"), Flags("f", names=("a", "b", "c")))
    assert message.max_octets == 4
    # 14 of 16, 1 of 8 and 3 of 8 bits carry something
    assert message.padding_bits == 2 + 7 + 5
    assert packed(TEMPERATURE, Boolean("b")).padding_bits == 1


@pytest.mark.parametrize("byte_order", ["big", "little"])
@pytest.mark.parametrize("bit_order", ["msb-first", "lsb-first"])
@pytest.mark.parametrize(("bits", "code"), [(12, "H"), (5, "B"), (26, "I")])
def test_padding_is_told_where_struct_leaves_zeros(
    bits: int, code: str, byte_order: str, bit_order: str
) -> None:
    """The greatest code is all ones: in the octets of ``struct``, read in the order of the bits, padding alone is 0."""
    greatest = (1 << bits) - 1
    message = Message(
        "m", (number("n", "0", str(greatest)),), byte_order=byte_order, bit_order=bit_order,
        layout="octet-aligned",
    )  # fmt: skip
    octets = struct.pack((">" if byte_order == "big" else "<") + code, greatest)
    assert message.pack({"n": greatest}) == octets
    texts = [f"{octet:08b}" for octet in octets]
    wire = "".join(text if bit_order == "msb-first" else text[::-1] for text in texts)
    (entry,) = message.bitmap()
    assert (entry.padding, entry.padding_at) == (wire.count("0"), wire.index("0"))


def test_strings_of_bits_are_filled_up_at_their_end() -> None:
    message = aligned(Boolean("b", optional=True), Flags("f", names=("a", "b", "c")))
    assert message.pack({"b": True, "f": ["a", "b", "c"]}) == b"\x80\x01\xe0"
    places = [(entry.kind, entry.padding_at) for entry in message.bitmap()]
    assert places == [("presence", 1), ("boolean", 8), ("flags", 19)]


def test_batch_is_the_largest_that_fits() -> None:
    reading = Group("", fields=(number("t", "0", "4095"), number("h", "0", "1023")))
    message = packed(Sequence("s"), Array("r", element=reading, max_length=63))
    # 8 + 6 bits and 22 a reading: 81 octets are 648 bits, (648 - 14) // 22 = 28
    assert message.batch(81) == 28
    for room in range(0, 120, 7):
        count = message.batch(room)
        assert count is not None
        if count:
            assert len(message.pack(message.batch_example(count))) <= room
        if count < 63 and room >= 2:
            assert len(message.pack(message.batch_example(count + 1))) > room
    assert message.batch(1) == 0
    assert message.batch(10_000) == 63
    assert packed(TEMPERATURE).batch(100) is None


def test_snapshot_of_the_footbridge() -> None:
    axes = Array("", element=number("", "-2048", "2047", coding="twos-complement"), length=3)
    message = packed(Array("sample", element=axes, length=256))
    # 256 * 3 * 12 bits = 9216 bits = 1152 octets
    assert message.min_octets == message.max_octets == 1152
    values = {"sample": [[i - 128, 0, -1] for i in range(256)]}
    assert message.unpack(message.pack(values)) == values
    assert [entry.name for entry in message.bitmap()] == [
        "sample[0][0]",
        "sample[0][1..2]",
        "sample[1..255]",
    ]


@pytest.mark.parametrize(
    ("bits", "limit"),
    [(16, "0.3"), (16, "0.2"), (32, "0.3"), (32, "3.3"), (64, "0.1"), (32, "-0.1"), (32, "-3.3")],
)
def test_the_limit_of_a_float_can_be_sent(bits: int, limit: str) -> None:
    """Decimal limits are no binary numbers: the nearest of the field's width counts (IEEE 754).

    It may lie inside the limit (3.3 in 32 bits, 0.2 in 16) or beyond it (0.3).
    """
    low, high = sorted((Decimal(0), Decimal(limit)))
    one = packed(Float("f", bits=bits, min=low, max=high))
    assert one.pack({"f": Decimal(limit)}) == one.pack({"f": float(limit)})
    sent = one.unpack(one.pack({"f": float(limit)}))["f"]
    assert sent == pytest.approx(float(limit), rel=1e-3)
    assert one.unpack(one.pack({"f": sent}))["f"] == sent
    for case in ("least", "typical", "greatest"):
        one.pack(one.example(case))
    with pytest.raises(RequestError, match="outside"):
        one.pack({"f": float(limit) * 1.01})


def test_a_series_of_narrow_differences_has_examples() -> None:
    one = packed(
        Series(
            "s",
            min=Decimal(0),
            max=Decimal(100),
            deltas="fixed",
            delta_bits=2,
            min_length=4,
            max_length=4,
        )
    )
    for case in ("least", "typical", "greatest"):
        assert len(one.pack(one.example(case))) == 2  # 7 bits and three of 2


@pytest.mark.parametrize(
    ("field", "range_", "counts", "less"),
    [
        (Series("s", min=Decimal(0), max=Decimal(6), deltas="variable", max_length=9), "0 .. 9 samples", "samples", ""),
        (Octets("s", max_length=7), "0 .. 7 octets", "octets", ""),
        (Array("s", element=Boolean(""), min_length=1, max_length=6), "1 .. 6 elements", "elements", ", sent less 1"),
    ],
)  # fmt: skip
def test_a_count_is_told_by_what_it_counts(field: Any, range_: str, counts: str, less: str) -> None:
    made = Message("m", (field,), byte_order="big", bit_order="msb-first", layout="bit-packed")
    count = made.bitmap()[0]
    assert (count.kind, count.range, count.step, count.unit) == ("count", range_, "", "")
    assert count.note == f"number of {counts} that follow{less}"
    least = made.example("least")  # of min_length: all bits of the number are 0
    assert made.pack(least)[0] >> (8 - count.bits) == 0


def test_a_bit_map_has_the_notes_of_the_fields() -> None:
    made = packed(
        number("a", "0", "7", note="outdoors"),
        number("b", "0", "5", note="indoors", special=(("na", None), ("over", None))),
        number("c", "0", "6", special=(("na", None),)),
        number("d", "0", "7"),
        ReservedBits("", bits=3, note="for later"),
        ReservedBits("", bits=2),
        Table("e", values=(Decimal(1), Decimal(2)), note="gain"),
        number("f", "10", "19", "3", offset=Decimal(4), unit="m"),
        number("g", "-5", "5", coding="twos-complement", special=(("na", None),)),
    )
    *notes, _ = (entry.note for entry in made.bitmap())  # the last one fills up an octet
    assert notes == [
        "outdoors",
        "special: na 7, over 6; indoors",  # all ones downwards
        "special: na 7",
        "",
        "for later",
        "sent as zero, ignored when received",
        "gain",
        "code 0 is 4 m",
        "two's complement; special: na 8",  # the most negative of 4 bits
    ]


@pytest.mark.parametrize(
    ("field", "least", "typical", "greatest"),
    [
        (Enumeration("x", names=("a", "b", "c"), codes=(4, 7, 1)), "c", "a", "b"),
        (Enumeration("x", names=("a", "b", "c"), typical="b"), "a", "b", "c"),
        (Table("x", values=tuple(map(Decimal, (1, 2, 5, 9)))), 1, 5, 9),
        (Table("x", values=tuple(map(Decimal, (1, 2, 5, 9))), typical=Decimal(2)), 1, 2, 9),
        (Flags("x", names=("a", "b"), typical=("b",)), (), ("b",), ("a", "b")),
        (number("x", "-9", "5"), 0, -2, -9),  # the middle, and the one furthest from 0
        (number("x", "3", "9", typical=Decimal(4)), 3, 4, 9),
        (Boolean("x"), False, False, True),
        (Octets("x", max_length=4), b"", b"AB", b"ABCD"),
        (Sequence("x", bits=4), 0, 8, 15),  # 7.5 goes to the even one
    ],
)
def test_examples_are_the_least_the_usual_and_the_greatest(
    field: Field, least: Any, typical: Any, greatest: Any
) -> None:
    made = packed(field)
    assert [made.example(case)["x"] for case in CASES] == [least, typical, greatest]


@pytest.mark.parametrize(("bits", "digits"), [(16, 4), (32, 8), (64, 16)])
def test_the_greatest_example_of_a_float_takes_many_digits(bits: int, digits: int) -> None:
    """IEEE 754: 11, 24 and 53 bits are 3.3, 7.2 and 16.0 digits; a number with fewer shows nothing of its width."""
    example = packed(Float("x", bits=bits)).example("greatest")["x"]
    text = f"{real_of('x', bits, example)}"
    assert len(text.replace(".", "")) >= digits


@pytest.mark.parametrize(
    ("field", "range_"),
    [
        (Octets("x", length=4), "4 octets"),
        (Text("x", length=3), "3 octets"),
        (number("x", "-5", "9"), "-5 .. 9"),
        (Table("x", values=tuple(map(Decimal, (1, 5, 9)))), "1 .. 9"),
        (Enumeration("x", names=tuple("abcdefgh")), "a, b, c, d, e, f, g, h"),
        (Enumeration("x", names=tuple("abcdefghij")), "a, b, c, d, e, f, g, h and 2 more"),
        (Float("x", bits=32, min=Decimal(0)), "0 .. ..."),
        (Float("x", bits=32), ""),
        (Constant("x", value=5, bits=8), "5"),
    ],
)
def test_a_bit_map_has_the_range_of_a_field(field: Field, range_: str) -> None:
    assert packed(field).bitmap()[0].range == range_


@pytest.mark.parametrize("octets", [None, 5, "00", [1, 2]])
def test_what_are_no_octets_is_a_wrong_request(octets: Any) -> None:
    with pytest.raises(RequestError, match="octets are wanted") as fault:
        packed(number("n", "0", "255")).unpack(octets)
    assert "bytes.fromhex" in fault.value.hint


def test_sizes_are_told_where_octets_are_missing_or_left() -> None:
    made = packed(number("n", "0", "255"), Text("t", max_length=3, length_bits=8))
    with pytest.raises(Truncated) as short:
        made.unpack(b"")
    with pytest.raises(Malformed, match="with 1 octet after it") as long:
        made.unpack(b"\x01\x00\x00")
    for fault in (short.value, long.value):
        assert fault.hint.startswith("This format has 2 to 5 octets")  # 1 + 1 and 1 + 1 + 3


@pytest.mark.parametrize(
    ("values", "words", "hint"),
    [
        ({"n": "5"}, "field n is the text '5', not a number", "Give a number"),
        ({"n": True}, "field n is true, not a number", "Give a number"),
        ({}, "field n has no value", "optional = true"),
        ({"f": {"a": "no"}, "n": 1}, "field f holds 'no'", "true or false"),
        ({"f": {"a": 2}, "n": 1}, "field f holds 2", "true or false"),
    ],
)
def test_wrong_values_name_the_way_out(values: dict[str, Any], words: str, hint: str) -> None:
    made = packed(number("n", "0", "255"), Flags("f", names=("a", "b")))
    with pytest.raises(RequestError, match=words) as fault:
        made.pack({"f": (), **values})
    assert hint in fault.value.hint
