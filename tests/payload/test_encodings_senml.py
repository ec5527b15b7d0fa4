"""SenML packs: RFC 8428's own examples through the reader and the encoder, and messages as packs."""

import json
from decimal import Decimal
from typing import Any

import cbor2
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from lowpanbudget.errors import RequestError, WireError
from lowpanbudget.payload.codec.nodes import CASES
from lowpanbudget.payload.forms.doubles import real_of
from lowpanbudget.payload.forms.encodings import ENCODINGS, encoded
from lowpanbudget.payload.forms.senml import (
    CBOR_LABELS,
    pack_from_cbor,
    pack_from_json,
    pack_to_cbor,
    pack_to_json,
    read_senml,
    resolve,
    resolve_senml,
    write_senml,
)
from lowpanbudget.payload.forms.senml_pack import BASE_NAME, Pack
from lowpanbudget.payload.kinds.binary_float import Float
from lowpanbudget.payload.kinds.boolean import Boolean
from lowpanbudget.payload.kinds.elements import Array
from lowpanbudget.payload.kinds.enumeration import Enumeration
from lowpanbudget.payload.kinds.field import Field
from lowpanbudget.payload.kinds.flags import Flags
from lowpanbudget.payload.kinds.group import Group
from lowpanbudget.payload.kinds.instant import Time
from lowpanbudget.payload.kinds.logarithmic import Logarithmic
from lowpanbudget.payload.kinds.number import Number
from lowpanbudget.payload.kinds.octets import Octets
from lowpanbudget.payload.kinds.series import Series
from lowpanbudget.payload.kinds.table import Table
from lowpanbudget.payload.kinds.text import Text
from lowpanbudget.payload.kinds.time_offset import TimeOffset
from lowpanbudget.payload.kinds.version import Version
from lowpanbudget.payload.message import Message

# RFC 8428 section 5.1.2, third example
VOLTAGE = """[
 {"bn":"urn:dev:ow:10e2073a0108006:","bt":1.276020076001e+09,
  "bu":"A","bver":5,
  "n":"voltage","u":"V","v":120.1},
 {"n":"current","t":-5,"v":1.2},
 {"n":"current","t":-4,"v":1.3},
 {"n":"current","t":-3,"v":1.4},
 {"n":"current","t":-2,"v":1.5},
 {"n":"current","t":-1,"v":1.6},
 {"n":"current","v":1.7}
]"""
# RFC 8428 section 6: the dump of the same in CBOR
VOLTAGE_CBOR = bytes.fromhex(
    "87a721781b75726e3a6465763a6f773a3130653230373361303130383030363a22fb41d303a15b00106223614120050067766f6c7461"
    "676501615602fb405e066666666666a3006763757272656e74062402fb3ff3333333333333a3006763757272656e74062302fb3ff4"
    "cccccccccccda3006763757272656e74062202fb3ff6666666666666a3006763757272656e74062102f93e00a3006763757272656e74"
    "062002fb3ff999999999999aa3006763757272656e74060002fb3ffb333333333333"
)
# RFC 8428 section 5.1.3, and the same resolved in section 5.1.4
HUMIDITY = """[
 {"bn":"urn:dev:ow:10e2073a01080063","bt":1.320067464e+09,"bu":"%RH","v":20},
 {"u":"lon","v":24.30621}, {"u":"lat","v":60.07965},
 {"t":60,"v":20.3}, {"u":"lon","t":60,"v":24.30622}, {"u":"lat","t":60,"v":60.07965},
 {"t":120,"v":20.7}, {"u":"lon","t":120,"v":24.30623}, {"u":"lat","t":120,"v":60.07966},
 {"u":"%EL","t":150,"v":98},
 {"t":180,"v":21.2}, {"u":"lon","t":180,"v":24.30628}, {"u":"lat","t":180,"v":60.07967}
]"""
RESOLVED = [
    ("%RH", "1320067464", "20"), ("lon", "1320067464", "24.30621"), ("lat", "1320067464", "60.07965"),
    ("%RH", "1320067524", "20.3"), ("lon", "1320067524", "24.30622"), ("lat", "1320067524", "60.07965"),
    ("%RH", "1320067584", "20.7"), ("lon", "1320067584", "24.30623"), ("lat", "1320067584", "60.07966"),
    ("%EL", "1320067614", "98"),
    ("%RH", "1320067644", "21.2"), ("lon", "1320067644", "24.30628"), ("lat", "1320067644", "60.07967"),
]  # fmt: skip
# RFC 8428 section 5.1.5
TYPES = (
    b'[{"bn":"urn:dev:ow:10e2073a01080063:","n":"temp","u":"Cel","v":23.1},'
    b'{"n":"label","vs":"Machine Room"},{"n":"open","vb":false},{"n":"nfc-reader","vd":"aGkgCg"}]'
)
# RFC 8428 section 5.1.6
DEVICES = """[
 {"bn":"2001:db8::2/","bt":1.320078429e+09,"n":"temperature","u":"Cel","v":25.2},
 {"n":"humidity","u":"%RH","v":30},
 {"bn":"2001:db8::1/","n":"temperature","u":"Cel","v":12.3},
 {"n":"humidity","u":"%RH","v":67}
]"""
SENML = [e for e in ENCODINGS if e.name.startswith("SenML")]


def message(*fields: Field) -> Message:
    return Message("m", fields, byte_order="big", bit_order="msb-first", layout="bit-packed")


def test_the_dump_of_the_standard_is_read() -> None:
    read = pack_from_cbor(VOLTAGE_CBOR)
    wanted = pack_from_json(VOLTAGE.encode())
    wanted[-1]["t"] = 0  # the dump says so, the text leaves it out
    assert read == wanted


def test_the_dump_of_the_standard_is_as_long_as_ours() -> None:
    """Same octets but for the order of the labels, which cbor2's canonical form sorts."""
    ours = pack_to_cbor(pack_from_cbor(VOLTAGE_CBOR))
    assert len(ours) == len(VOLTAGE_CBOR) == 0xC3
    assert cbor2.loads(ours) == cbor2.loads(VOLTAGE_CBOR)
    assert sorted(ours) == sorted(VOLTAGE_CBOR)


def test_decimal_fractions_are_read() -> None:
    """RFC 8949 section 3.4.4: "273.15 ... in hexadecimal: C4 82 21 19 6ab3"; RFC 8428 section 6 allows tag 4."""
    octets = bytes.fromhex("81 a2 00 61 74 02 c4 82 21 19 6a b3")
    assert octets.endswith(cbor2.dumps(Decimal("273.15")))
    assert pack_from_cbor(octets) == [{"n": "t", "v": 273.15}]
    assert resolve(pack_from_cbor(octets)) == [{"n": "t", "v": Decimal("273.15")}]


def test_the_dump_of_the_standard_is_the_same_in_decimal_fractions() -> None:
    """RFC 8428 section 6: whatever form a number has, "converted to an IEEE double" it is that of the JSON text."""
    pack = [
        {CBOR_LABELS[label]: Decimal(repr(item)) if isinstance(item, float) else item for label, item in entry.items()}
        for entry in pack_from_json(VOLTAGE.encode())
    ]  # fmt: skip
    assert b"\xc4\x82" in cbor2.dumps(pack)
    assert pack_from_cbor(cbor2.dumps(pack)) == pack_from_json(VOLTAGE.encode())


@given(st.decimals(allow_nan=False, allow_infinity=False, min_value=-1e9, max_value=1e9, places=9))
def test_a_decimal_fraction_is_the_nearest_double(value: Decimal) -> None:
    """RFC 8428 section 5: receivers must be able to process doubles; Python's own conversion is the judge."""
    read = pack_from_cbor(cbor2.dumps([{0: "x", 2: value, 6: value}]))
    assert read == [{"n": "x", "v": float(value), "t": float(value)}]


@pytest.mark.parametrize(
    "number",
    [
        "c4 82 19 03 e8 01",  # 1e1000, no double
        "c4 82 61 31 01", "c4 82 21 61 31", "c4 81 01", "c4 83 21 01 01",  # RFC 8949: "exactly two integer numbers"
    ],
)  # fmt: skip
def test_what_is_no_decimal_fraction_or_no_double_is_a_wire_error(number: str) -> None:
    with pytest.raises(WireError):
        pack_from_cbor(bytes.fromhex("81 a2 00 61 74 02" + number))


@pytest.mark.parametrize("version", [Decimal("5.0"), 5.0, -1])
def test_a_version_in_cbor_is_an_unsigned_integer(version: Any) -> None:
    """RFC 8428 section 6: "For the version number, only an unsigned integer is allowed"."""
    with pytest.raises(WireError, match="bver"):
        pack_from_cbor(cbor2.dumps([{-1: version, 0: "a", 2: 1}]))


def test_labels_are_those_of_table_4() -> None:
    """RFC 8428 table 4, and the example's diagnostic notation: {-2: "urn...", -3: ..., -4: "A", -1: 5, 0: ...}."""
    assert CBOR_LABELS == {
        "bver": -1, "bn": -2, "bt": -3, "bu": -4, "bv": -5, "bs": -6, "n": 0, "u": 1, "v": 2, "vs": 3,
        "vb": 4, "s": 5, "t": 6, "ut": 7, "vd": 8,
    }  # fmt: skip


def test_base_fields_are_resolved_as_in_the_standard() -> None:
    name = "urn:dev:ow:10e2073a01080063"
    wanted = [{"n": name, "u": u, "t": Decimal(t), "v": Decimal(v)} for u, t, v in RESOLVED]
    assert resolve(pack_from_json(HUMIDITY.encode())) == wanted
    assert resolve(pack_from_cbor(pack_to_cbor(pack_from_json(HUMIDITY.encode())))) == wanted


def test_a_base_name_and_a_base_time_last_until_the_next() -> None:
    """RFC 8428 section 5.1.6: "the last record would use the Base Name from the 3rd record but the Base Time
    from the first record".
    """
    found = resolve(pack_from_json(DEVICES.encode()))
    assert [entry["n"] for entry in found] == [
        "2001:db8::2/temperature", "2001:db8::2/humidity", "2001:db8::1/temperature", "2001:db8::1/humidity",
    ]  # fmt: skip
    assert {entry["t"] for entry in found} == {Decimal(1320078429)}


def test_every_type_of_value_goes_both_ways() -> None:
    pack = pack_from_json(TYPES)
    assert pack[3]["vd"] == b"hi \n"  # base64url of the example
    assert pack_to_json(pack) == TYPES
    assert pack_from_cbor(pack_to_cbor(pack)) == pack


def test_base_value_and_base_sum_are_added() -> None:
    """RFC 8428 section 4.5.4: "the missing field(s) is considered to have a value of zero"."""
    found = resolve(
        [{"bv": 20, "bs": 5, "n": "a", "v": 1.5}, {"n": "b"}, {"n": "c", "vb": True, "s": 2}]
    )
    assert [entry.get("v") for entry in found] == [Decimal("21.5"), Decimal(20), None]
    assert [entry["s"] for entry in found] == [5, 5, 7]


@pytest.mark.parametrize(
    "text",
    [
        b"", b"{}", b"[1]", b'[{"n":1}]', b'[{"v":"1"}]', b'[{"vb":0}]', b'[{"v":true}]', b'[{"t":null}]',
        b'[{"vd":"a"}]', b'[{"v":1e999}]', b'[{"new_":1}]', b"[" * 5000, b'[{"v":' + b"9" * 400 + b"}]", b"\xff",
    ],
)  # fmt: skip
def test_what_is_no_pack_is_a_wire_error(text: bytes) -> None:
    with pytest.raises(WireError) as fault:
        pack_from_json(text)
    assert str(fault.value.cite) in {"RFC 8428 §4", "RFC 8428 §5"}  # of all forms, of JSON


def test_what_a_field_is_not_is_told_in_words() -> None:
    with pytest.raises(WireError, match="record 1: field vb is a number"):
        read_senml(b'[{"n":"a","vb":1}]')
    with pytest.raises(WireError, match="no CBOR") as fault:
        read_senml(b"\xff", "cbor")
    assert str(fault.value.cite) == "RFC 8428 §6"


def test_half_of_a_surrogate_pair_is_no_character() -> None:
    """RFC 8259 section 8.2: an escape may be half of a pair, and no UTF-8 holds that."""
    assert read_senml(rb'[{"n":"a\ud83d\ude00","v":1}]')[0]["n"] == "a\U0001f600"
    with pytest.raises(WireError, match="record 1: field n holds half of a surrogate pair"):
        read_senml(rb'[{"n":"a\ud83d","v":1}]')
    with pytest.raises(RequestError, match="half of a surrogate pair"):
        write_senml([{"vs": "\ude00"}])


def test_unknown_fields_are_ignored_unless_they_must_be_understood() -> None:
    """RFC 8428 section 4.4: ignore, but "_" at the end means that an error MUST be generated."""
    assert pack_from_json(b'[{"n":"a","v":1,"new":2}]') == [{"n": "a", "v": 1}]
    with pytest.raises(WireError, match="must be understood"):
        pack_from_cbor(cbor2.dumps([{0: "a", "new_": 1}]))


def test_a_version_of_the_future_is_refused() -> None:
    """RFC 8428 section 4.4: "the system MUST NOT use this object"; section 4.1: the default is 10."""
    assert resolve([{"bver": 10, "n": "a", "v": 1}])
    with pytest.raises(WireError, match="version 11"):
        resolve([{"bver": 11, "n": "a", "v": 1}])


@pytest.mark.parametrize(
    ("record", "why"),
    [
        ({"n": "a", "v": 1, "vs": "x"}, "the values v and vs"),  # section 4.2: exactly one
        ({"n": "a", "vb": True, "vd": b""}, "the values vb and vd"),
        ({}, "says nothing"),  # table 1 and section 11: a record has fields
        ({"n": "a"}, "neither a value nor a sum"),  # section 4.2: unless there is a sum
        ({"n": "a", "t": 3, "u": "V"}, "neither a value nor a sum"),
        ({"n": "a b", "v": 1}, "is named 'a b'"),  # section 4.5.1: of these characters only
        ({"n": "-a", "v": 1}, "is named '-a'"),  # and beginning with a letter or digit
        ({"bn": "", "v": 1}, "is named ''"),  # section 4.2: without a name the base name is one
    ],
)
def test_records_against_the_rules_are_not_written(record: dict[str, Any], why: str) -> None:
    """RFC 8428 sections 4.2 and 4.5.1."""
    for form in ("json", "cbor"):
        with pytest.raises(RequestError, match=f"record 1.*{why}"):
            write_senml([record], form)


def test_records_against_the_rules_are_not_read() -> None:
    """RFC 8428 section 4.2: exactly one value; 4.5.1: the concatenated name; RFC 8259 section 4: a name once."""
    with pytest.raises(WireError, match="record 2: has the values v and vb"):
        read_senml(b'[{"n":"a","v":1},{"n":"b","v":1,"vb":true}]')
    with pytest.raises(WireError, match="record 2 is named 'urn:x y'"):
        resolve_senml(read_senml(b'[{"bn":"urn:","n":"a","v":1},{"n":"x y","v":1}]'))
    with pytest.raises(WireError, match="'n' stands twice"):
        read_senml(b'[{"n":"a","n":"b","v":1}]')


def test_a_sum_or_a_base_value_is_enough() -> None:
    """RFC 8428 sections 4.2 and 4.5.4: a sum alone; a value that is missing beside a base value is zero."""
    assert write_senml([{"n": "a", "s": 5}]) == b'[{"n":"a","s":5}]'
    assert write_senml([{"bn": "b", "bv": 2}, {"n": "c"}]) == b'[{"bn":"b","bv":2},{"n":"c"}]'


def test_where_text_ends_to_be_unicode_is_told() -> None:
    """Seven octets stand before the one that no UTF-8 holds (RFC 3629 section 3)."""
    with pytest.raises(WireError, match="no UTF-8") as caught:
        read_senml(b'[{"n":"\xff","v":1}]')
    assert caught.value.offset == 7


@settings(max_examples=200)
@given(st.binary(max_size=60) | st.recursive(
    st.integers(-10, 10) | st.none() | st.floats() | st.text(max_size=3) | st.binary(max_size=3),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.integers(-7, 9), inner, max_size=3),
    max_leaves=8,
).map(cbor2.dumps))  # fmt: skip
def test_any_octets_give_a_pack_or_a_wire_error(octets: bytes) -> None:
    for read in (pack_from_cbor, pack_from_json):
        try:
            pack = read(octets)
            resolve(pack)
        except WireError:
            continue
        assert isinstance(pack, list)


# ---------------------------------------------------------------- messages as packs


def test_a_message_as_a_pack() -> None:
    made = message(
        Version("version", value=1),
        Time("time"),
        Number("t", min=Decimal(-40), max=Decimal(85), step=Decimal("0.01"), unit="Cel"),
        Number("ground", min=Decimal(-40), max=Decimal(85), unit="Cel", special=(("not_available", None),)),
        Number("inside", min=Decimal(-40), max=Decimal(85), unit="Cel"),
        Number("h", min=Decimal(0), max=Decimal(100), unit="%RH"),
        Enumeration("mode", names=("normal", "storm")),
        Flags("doors", names=("north", "vault")),
        Boolean("mains"),
        Octets("raw", length=4),
        Group("build", fields=(Text("label", max_length=9),)),
    )  # fmt: skip
    values: dict[str, Any] = {
        "version": 1, "time": 1_750_000_000, "t": Decimal("23.45"), "ground": "not_available", "inside": 20, "h": 55,
        "mode": "storm", "doors": ("vault",), "mains": True, "raw": b"hi \n", "build": {"label": "x"},
    }  # fmt: skip
    pack = json.loads(pack_to_json(Pack(real_of).data(made, values)))
    # made by hand from RFC 8428 section 4: records without unit stand before the base unit applies
    assert pack == [
        {"bn": BASE_NAME, "bt": 1750000000, "n": "version", "v": 1},
        {"n": "ground", "vs": "not_available"},
        {"n": "mode", "vs": "storm"},
        {"n": "doors/north", "vb": False},
        {"n": "doors/vault", "vb": True},
        {"n": "mains", "vb": True},
        {"n": "raw", "vd": "aGkgCg"},
        {"n": "build/label", "vs": "x"},
        {"n": "h", "u": "%RH", "v": 55},
        {"bu": "Cel", "n": "t", "v": 23.45},
        {"n": "inside", "v": 20},
    ]
    for encoding in SENML:
        coder = encoding.coder(made)
        assert coder.decode(coder.encode(values)) == values


PERCENT = message(
    Number("moisture", min=Decimal(0), max=Decimal(60), step=Decimal("0.1"), unit="%", special=(("none", None),)),
    Number("switch", min=Decimal(0), max=Decimal(1), step=Decimal("0.1"), unit="/"),
    Array("m", max_length=3, element=Number("", min=Decimal(0), max=Decimal(100), unit="%")),
    Series("s", min=Decimal(0), max=Decimal(100), step=Decimal("0.5"), deltas="variable", max_length=2, unit="%"),
    Table("t", values=(Decimal(0), Decimal(7), Decimal(150)), unit="%"),
    Logarithmic("l", min=Decimal("0.3"), max=Decimal(30), steps=2, unit="%"),
    Float("f", bits=32, unit="%"),
    Group("g", optional=True, fields=(Number("humidity", min=Decimal(0), max=Decimal(100), unit="%RH"),)),
)  # fmt: skip


def test_percent_are_written_as_the_ratio_that_senml_has_for_them() -> None:
    """RFC 8428 section 12.1, note 2 of table 6: "%" is "NOT a percentage but the absolute ratio", best named "/".

    "%RH" in the same table is a percentage. The decimals were divided by 100 by hand.
    """
    values: dict[str, Any] = {
        "moisture": 30, "switch": Decimal("0.3"), "m": [33, 7, 100], "s": [Decimal("0.5"), 100], "t": 7, "l": 3,
        "f": -33.25, "g": {"humidity": 30},
    }  # fmt: skip
    pack = json.loads(
        pack_to_json(Pack(real_of).data(PERCENT, values)), parse_float=str, parse_int=str
    )
    got = {entry["n"]: (entry.get("u") or entry.get("bu") or "/", entry["v"]) for entry in pack}
    assert got == {
        "g/humidity": ("%RH", "30"), "moisture": ("/", "0.3"), "switch": ("/", "0.3"), "m/0": ("/", "0.33"),
        "m/1": ("/", "0.07"), "m/2": ("/", "1"), "s/0": ("/", "0.005"), "s/1": ("/", "1"), "t": ("/", "0.07"),
        "l": ("/", "0.03"), "f": ("/", "-0.3325"),
    }  # fmt: skip
    assert {one for entry in pack for one in (entry.get("u"), entry.get("bu")) if one} == {
        "/",
        "%RH",
    }


@given(st.integers(0, 600), st.floats(width=32, allow_nan=False, allow_infinity=False))
def test_percent_come_back_as_they_are(tenths: int, real: float) -> None:
    values: dict[str, Any] = {
        "moisture": Decimal(tenths) / 10, "switch": 0, "m": [], "s": [Decimal(tenths // 6) / 2], "t": 150, "l": 30,
        "f": real,
    }  # fmt: skip
    for encoding in SENML:
        coder = encoding.coder(PERCENT)
        read = coder.decode(coder.encode(values))
        assert read == PERCENT.unpack(PERCENT.pack(values))
        assert repr(read["f"]) == repr(real)  # the sign of a zero is no matter of equality
        nothing = {**values, "moisture": "none"}
        assert coder.decode(coder.encode(nothing))["moisture"] == "none"


def test_percent_in_cbor_take_the_octets_of_their_ratio() -> None:
    """RFC 8949 section 4.1: 0.5 is exact in 16 bits and takes 3 octets, 0.3 takes 9; 30 and 50 took 2 each."""
    made = message(Number("x", min=Decimal(0), max=Decimal(100), unit="%"))
    coder = SENML[0].coder(made)
    empty, half, third, whole = (len(coder.encode({"x": one})) for one in (0, 50, 30, 100))
    assert (half - empty, third - empty, whole - empty) == (2, 8, 0)


READINGS = message(
    Time("time", step=Decimal("0.5"), epoch="2000-01-01T00:00:00Z"),
    Array("r", max_length=5, element=Group("", fields=(
        TimeOffset("at", base="time", max=Decimal(600)),
        Number("t", min=Decimal(0), max=Decimal(50), unit="Cel"),
        Number("p", min=Decimal(0), max=Decimal(9), unit="Pa", optional=True),
    ))),
    Series("s", min=Decimal(0), max=Decimal(9), deltas="variable", max_length=4),
)  # fmt: skip


def test_readings_have_times_and_other_elements_their_index() -> None:
    start = Decimal("100.5")
    values = {
        "time": start,
        "r": [{"at": start + 10, "t": 20, "p": 3}, {"at": start + 20, "t": 21}],
        "s": [4, 5],
    }
    pack = Pack(real_of).data(READINGS, values)
    # the epoch 2000-01-01 is 946684800 s after 1970 (30 years of 365 days and 7 leap days)
    assert pack[0]["bt"] == (30 * 365 + 7) * 86400 + 100.5
    assert [(e["n"], e.get("t"), e["v"]) for e in pack] == [
        ("s/0", None, 4), ("s/1", None, 5), ("r/p", 10, 3), ("r/t", 10, 20), ("r/t", 20, 21),
    ]  # fmt: skip
    assert [entry.get("bu") for entry in pack] == [None, None, None, "Cel", None]
    for encoding in SENML:
        coder = encoding.coder(READINGS)
        assert coder.decode(coder.encode(values)) == values


def test_readings_of_one_time_have_their_index_as_well() -> None:
    start = Decimal(1)
    values = {
        "time": start,
        "r": [{"at": start + 10, "t": 20}, {"at": start + 10, "t": 21}],
        "s": [],
    }
    pack = Pack(real_of).data(READINGS, values)
    assert [(e["n"], e["t"]) for e in pack] == [("r/0/t", 10), ("r/1/t", 10)]
    for encoding in SENML:
        coder = encoding.coder(READINGS)
        assert coder.decode(coder.encode(values)) == values


def test_what_is_empty_and_might_be_absent_cannot_be_said() -> None:
    made = message(
        Boolean("b"),
        Array("r", element=Number("", min=Decimal(0), max=Decimal(9)), max_length=3, optional=True),
    )
    for encoding in SENML:
        coder = encoding.coder(made)
        assert encoded(made, coder, {"b": True}).octets
        assert "r is there but empty" in encoded(made, coder, {"b": True, "r": []}).cannot


@pytest.mark.parametrize(
    "fields",
    [
        # an inner field of the base's name, a group in front, an array in an array, two times
        (Group("g", fields=(Time("time"), TimeOffset("at", base="time", max=Decimal(9)))), Time("time")),
        (Time("time"), Array("a", length=2, element=Group("", fields=(
            Time("time"), TimeOffset("at", base="time", max=Decimal(9)), Boolean("b"))))),
        (Time("time"), Array("a", length=2, element=Array("", length=2, element=Group("", fields=(
            TimeOffset("at", base="time", max=Decimal(9)), Boolean("b")))))),
        (Time("time"), Time("other"), TimeOffset("at", base="other", max=Decimal(9)), Boolean("b")),
        (Time("time"), Array("a", length=2, element=Group("", fields=(
            TimeOffset("at", base="time", max=Decimal(9)),
            Array("i", length=2, element=Group("", fields=(
                TimeOffset("at", base="time", max=Decimal(9)), Boolean("b")))))))),
        (Time("time", epoch="once upon a time"), Boolean("b")),
    ],
)  # fmt: skip
def test_times_in_odd_places_come_back(fields: tuple[Field, ...]) -> None:
    made = message(*fields)
    for values in map(made.example, CASES):
        for encoding in SENML:
            coder = encoding.coder(made)
            assert coder.decode(coder.encode(values)) == values


@pytest.mark.parametrize("word", ["NaN", "Infinity", "-Infinity"])
def test_words_of_the_library_are_no_numbers_of_json(word: str) -> None:
    """JSON has numbers of digits alone (RFC 8259 section 6, from memory)."""
    text = f'[{{"n":"é \\"NaN","v":{word}}}]'.encode()
    with pytest.raises(WireError, match="no JSON from here on") as caught:
        read_senml(text)
    assert text[caught.value.offset or 0 :].startswith(word.encode())


def test_numbers_that_are_not_finite_are_refused() -> None:
    """RFC 8949 appendix A: f97e00 is NaN, f97c00 Infinity; 1e400 is more than the largest double, 1.8e308."""
    for octets in ("81a102f97e00", "81a102f97c00"):
        with pytest.raises(WireError, match="no finite number that a double holds"):
            read_senml(bytes.fromhex(octets), "cbor")
    with pytest.raises(WireError, match="no finite number that a double holds"):
        read_senml(b'[{"n":"a","v":1e400}]')
