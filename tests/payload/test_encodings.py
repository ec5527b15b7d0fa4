"""Other encodings of the same values: octets by libraries and standards, each read back to the same values."""

import ctypes
import json
import struct
import sys
from decimal import Decimal
from typing import Any

import asn1tools
import pytest
from hypothesis import example, given, settings
from payload.schemas import filled_messages
from payload.test_uper import Same, sequences

from lowpanbudget.payload.forms.asn1 import Uper, module
from lowpanbudget.payload.forms.c_struct import CLayout
from lowpanbudget.payload.forms.conversion import SHAPED
from lowpanbudget.payload.forms.encodings import (
    ENCODINGS,
    Encoding,
    Inexact,
    encoded,
    made_for,
)
from lowpanbudget.payload.forms.shapes import (
    ChoiceShape,
    CodeShape,
    FlagsShape,
    ListShape,
    OctetsShape,
    RealShape,
    RecordShape,
    Shape,
    TextShape,
    TruthShape,
    WholeShape,
)
from lowpanbudget.payload.kinds.binary_float import Float
from lowpanbudget.payload.kinds.boolean import Boolean
from lowpanbudget.payload.kinds.elements import Array
from lowpanbudget.payload.kinds.enumeration import Enumeration
from lowpanbudget.payload.kinds.field import Field
from lowpanbudget.payload.kinds.flags import Flags
from lowpanbudget.payload.kinds.group import Group, record_shape
from lowpanbudget.payload.kinds.number import Number
from lowpanbudget.payload.kinds.octets import Octets
from lowpanbudget.payload.kinds.text import Text
from lowpanbudget.payload.kinds.union import Option, Union
from lowpanbudget.payload.message import Message

BY_NAME = {encoding.name: encoding for encoding in ENCODINGS}
NAMES = sorted(BY_NAME)


def message(*fields: Field) -> Message:
    return Message("m", fields, byte_order="big", bit_order="msb-first", layout="bit-packed")


def whole(name: str, low: int, high: int, **extra: Any) -> Number:
    return Number(name, min=Decimal(low), max=Decimal(high), **extra)


def octets_of(name: str, made: Message, values: dict[str, Any]) -> bytes:
    found = encoded(made, BY_NAME[name].coder(made), values)
    assert found.octets is not None, found.cannot
    assert not found.errors
    return found.octets


@settings(max_examples=120)
@given(filled_messages())
def test_data_of_shapes_come_back(filled: tuple[Message, dict[str, Any]]) -> None:
    made, values = filled
    assert SHAPED.values(made, SHAPED.data(made, values)) == values


@pytest.mark.long
@pytest.mark.parametrize("name", NAMES)
@settings(max_examples=30)
@example((message(Float("x", bits=16)), {"x": -0.0}))
@given(filled_messages())
def test_every_encoding_reads_back_what_it_wrote_or_says_why_not(
    name: str, filled: tuple[Message, dict[str, Any]]
) -> None:
    made, values = filled
    coder = BY_NAME[name].coder(made)
    found = encoded(made, coder, values)
    if found.octets is None:
        # only these have no way to say an infinity, or that something empty is there
        assert name.startswith(("SenML", "JSON"))
        assert (
            " is inf" in found.cannot or " is -inf" in found.cannot or "but empty" in found.cannot
        )
        return
    # the octets of the message itself are the judge: a receiver of either form holds the same values
    assert made.pack(coder.decode(found.octets)) == made.pack(values)
    assert not found.errors


# ---------------------------------------------------------------- C structs

U8, U16, U32 = (whole(name, 0, 2**bits - 1) for name, bits in (("a", 8), ("b", 16), ("c", 32)))


@pytest.mark.parametrize(
    ("fields", "packed", "padded"),
    [
        # C99 6.7.2.1 leaves padding to the ABI; natural alignment gives these (hand-made; ctypes agrees below)
        ((U8, U16, U32, whole("d", 0, 255)), 8, 12),
        ((U8, Float("f", bits=32)), 5, 8),
        ((U8, whole("b", 0, 255), Float("f", bits=32)), 6, 8),
        ((Float("f", bits=64), U8), 9, 16),
        ((Boolean("a"), whole("b", -1, 32767)), 3, 4),
    ],
)
def test_sizes_of_structs(fields: tuple[Field, ...], packed: int, padded: int) -> None:
    shape = record_shape(fields, {})
    assert CLayout(shape, packed=True).size == packed
    assert CLayout(shape, packed=False).size == padded


def test_octets_of_a_struct_are_those_of_the_struct_module() -> None:
    """Source: Python's struct module, with the padding written out as x."""
    made = message(
        U8, U16, U32, whole("d", -200, 100), Float("e", bits=32), Boolean("f"), Float("g", bits=64)
    )
    values = {"a": 1, "b": 0x1234, "c": 0xDEADBEEF, "d": -200, "e": 1.5, "f": True, "g": -0.1}
    items = values.values()
    assert octets_of("C struct, packed", made, values) == struct.pack("<BHIhf?d", *items)
    assert octets_of("C struct, padded", made, values) == struct.pack("<BxHIhxxf?7xd", *items)


INTEGERS = {
    (True, 8): ctypes.c_int8, (True, 16): ctypes.c_int16, (True, 32): ctypes.c_int32, (True, 64): ctypes.c_int64,
    (False, 8): ctypes.c_uint8, (False, 16): ctypes.c_uint16, (False, 32): ctypes.c_uint32,
    (False, 64): ctypes.c_uint64,
}  # fmt: skip
FLOATS = {16: ctypes.c_uint16, 32: ctypes.c_float, 64: ctypes.c_double}


def integer(low: int, high: int) -> Any:
    for bits in (8, 16, 32, 64):
        if low >= 0 and high < 2**bits:
            return INTEGERS[False, bits]
        if low < 0 and -(2 ** (bits - 1)) <= low and high < 2 ** (bits - 1):
            return INTEGERS[True, bits]
    raise AssertionError


def counted(element: Any, least: int, most: int) -> Any:
    if least == most:
        return element * most
    parts = [("count", integer(0, most)), ("items", element * most)]
    return type("Counted", (ctypes.Structure,), {"_fields_": parts})


def ctype(shape: Shape) -> Any:
    """Return the type that a C programmer writes for a shape, without a word about places."""
    if isinstance(shape, RecordShape):
        parts: list[Any] = [(f"m{index}", ctype(m.shape)) for index, m in enumerate(shape.members)]
        optional = sum(member.optional for member in shape.members)
        if optional:
            parts.insert(0, ("present", integer(0, 2**optional - 1)))
        return type("S", (ctypes.Structure,), {"_fields_": parts})
    if isinstance(shape, ChoiceShape):
        options = [(f"o{code}", ctype(record)) for code, record in shape.options]
        return type("U", (ctypes.Union,), {"_fields_": options})
    if isinstance(shape, ListShape):
        return counted(ctype(shape.element), shape.least, shape.most)
    if isinstance(shape, OctetsShape | TextShape):
        return counted(ctypes.c_uint8, shape.least, shape.most)
    if isinstance(shape, RealShape):
        return FLOATS[shape.bits]
    if isinstance(shape, TruthShape):
        return ctypes.c_bool
    if isinstance(shape, CodeShape):
        return integer(0, max(shape.codes))
    if isinstance(shape, FlagsShape):
        return integer(0, 2**shape.count - 1)
    return integer(shape.low, shape.high)


@pytest.mark.skipif(ctypes.alignment(ctypes.c_uint64) != 8, reason="this host aligns 64 bits to 4")
@settings(max_examples=80)
@given(filled_messages())
def test_padded_layout_is_that_of_the_compiler(filled: tuple[Message, dict[str, Any]]) -> None:
    """Source: ctypes, which lays structs out as the host's C compiler does."""
    made, values = filled
    shape = record_shape(made.fields, {})
    theirs = ctype(shape)
    octets = CLayout(shape, packed=False).encode(SHAPED.data(made, values))
    assert len(octets) == ctypes.sizeof(theirs)
    seen = theirs.from_buffer_copy(octets)
    for index, member in enumerate(shape.members):
        if (
            isinstance(member.shape, WholeShape)
            and member.name in values
            and sys.byteorder == "little"
        ):
            assert getattr(seen, f"m{index}") == SHAPED.data(made, values)[member.name]


def test_what_a_struct_cannot_leave_out_takes_its_place() -> None:
    made = message(
        Array("r", element=whole("", 0, 255), max_length=4),
        whole("x", 0, 255, optional=True),
    )
    octets = octets_of("C struct, packed", made, {"r": [7]})
    assert octets.hex() == "000107000000" + "00"  # no optional member, a count of 1, four places, x


@pytest.mark.parametrize(
    ("least", "count", "octets"),
    # a count of an octet, then as many places; a message of the fewest readings has its count as well
    [(0, 3, 1 + 3), (0, 10, 1 + 10), (5, 5, 1 + 5), (1, 1, 1 + 1), (0, 0, 1 + 10)],
)
def test_a_struct_for_some_readings_has_room_for_no_more(
    least: int, count: int, octets: int
) -> None:
    made = message(Array("r", element=whole("", 0, 255), min_length=least, max_length=10))
    for_them = made_for(made, BY_NAME["C struct, packed"], count)
    values = {"r": [7] * count}
    assert octets_of("C struct, packed", for_them, values) == bytes([count, *[7] * count]).ljust(
        octets, b"\0"
    )
    assert made_for(made, BY_NAME["CBOR array"], count) is made
    alone = message(whole("n", 0, 255))
    assert made_for(alone, BY_NAME["C struct, packed"], count) is alone


def test_presence_bits_of_a_struct_take_octets_where_no_integer_holds_them() -> None:
    """65 bits are 9 octets; the last member's bit is the first of the ninth."""
    made = message(*(Boolean(f"b{index}", optional=True) for index in range(65)))
    for name in ("C struct, packed", "C struct, padded"):
        octets = octets_of(name, made, {"b0": True, "b64": True})
        assert octets == bytes([1, *bytes(7), 1]) + bytes([1, *bytes(63), 1])


@pytest.mark.parametrize("count", [1, 8, 9, 16, 17, 32, 33, 64])
def test_presence_bits_of_a_struct_are_one_integer(count: int) -> None:
    made = message(*(Boolean(f"b{index}", optional=True) for index in range(count)))
    size = next(size for size in (1, 2, 4, 8) if count <= 8 * size)
    octets = octets_of("C struct, packed", made, {f"b{count - 1}": True})
    assert octets == (1 << (count - 1)).to_bytes(size, "little") + bytes([*bytes(count - 1), 1])


# ---------------------------------------------------------------- UPER


@pytest.mark.long
@settings(max_examples=60)
@given(sequences(2))
def test_uper_made_from_the_message_is_our_packing(same: Same) -> None:
    """Where layouts coincide; source: asn1tools, given the ASN.1 that is made from the message."""
    group, _, ours, _ = same
    assert isinstance(group, Group)
    made = message(*group.fields)
    form = Uper(record_shape(made.fields, {}))
    assert form.encode(SHAPED.data(made, ours)) == (
        made.pack(ours) or b"\0"
    )  # X.691 11.1.3: never empty


def test_module_is_what_the_library_reads_in_its_text() -> None:
    """The text by hand (ITU-T X.680), read by asn1tools: kinds that show every type which a module has."""
    made = message(
        whole("t_out", -40, 85, special=(("na", None),)),
        Enumeration("what", names=("door", "level"), codes=(0, 7)),
        Union("u", tag="what", options=(Option("door", ()), Option("level", (Float("v", bits=16),)))),
        Array("r", element=whole("", 0, 3), max_length=9, optional=True),
        Boolean("on"),
        Enumeration("colour", names=("red", "blue"), codes=(2, 9)),
        Flags("marks", names=("a", "b", "c")),
        Octets("raw", min_length=1, max_length=4),
        Octets("key", length=8),
        Text("label", max_length=9),
        Text("code", max_length=6, encoding="ascii", optional=True),
    )  # fmt: skip
    text = (
        "Format DEFINITIONS AUTOMATIC TAGS ::= BEGIN\n\n"
        "Message ::= SEQUENCE {\n"
        "  t-out INTEGER (-40..86),\n"
        "  u CHOICE {\n    o0 SEQUENCE {},\n    o7 SEQUENCE {\n      v OCTET STRING (SIZE(2))\n    }\n  },\n"
        "  r SEQUENCE (SIZE(0..9)) OF INTEGER (0..3) OPTIONAL,\n"
        "  on BOOLEAN,\n"
        "  colour ENUMERATED { n2(2), n9(9) },\n"
        "  marks BIT STRING (SIZE(3)),\n"
        "  raw OCTET STRING (SIZE(1..4)),\n"
        "  key OCTET STRING (SIZE(8)),\n"
        "  label UTF8String,\n"
        "  code IA5String (SIZE(0..6)) OPTIONAL\n"
        "}\n\nEND\n"
    )
    assert module(record_shape(made.fields, {})) == asn1tools.parse_string(text)


def test_special_codes_follow_the_range_in_their_order() -> None:
    """Ten values and two special codes are an INTEGER (0..11): four bits (ITU-T X.691, as asn1tools does it)."""
    made = message(whole("n", 0, 9, special=(("na", None), ("over", None))))
    for value, octet in ((9, 0x90), ("na", 0xA0), ("over", 0xB0)):
        assert octets_of("ASN.1 UPER", made, {"n": value}) == bytes([octet])
        assert octets_of("C struct, packed", made, {"n": value}) == bytes([octet >> 4])


@pytest.mark.parametrize("name", NAMES)
def test_flags_come_back_from_every_encoding(name: str) -> None:
    made = message(Flags("f", names=tuple("abcdefghi")), Boolean("b"))
    for value in ((), ("a",), ("i",), ("a", "c", "h"), ("b", "d", "e", "i"), tuple("abcdefghi")):
        octets = octets_of(name, made, {"f": value, "b": True})
        assert BY_NAME[name].coder(made).decode(octets) == {"f": value, "b": True}
    if (
        name == "ASN.1 UPER"
    ):  # a BIT STRING of fixed size is its bits, the first first (ITU-T X.691)
        assert octets_of(name, made, {"f": ("a", "c", "i"), "b": True}).hex() == "a0c0"


# ---------------------------------------------------------------- numbers of octets that a standard states

ONE = message(whole("n", -(10**6), 10**6))


@pytest.mark.parametrize(
    ("value", "cbor", "msgpack", "protobuf"),
    [
        # RFC 8949 appendix A; MessagePack specification, "int format family" (from memory: fixint to 127 and
        # -32, then 1, 2, 4 octets behind a head); protobuf: zigzag in groups of seven bits (from memory)
        (0, "8100", "9100", ""),
        (1, "8101", "9101", "0802"),
        (23, "8117", "9117", "082e"),
        (24, "811818", "9118", "0830"),
        (100, "811864", "9164", "08c801"),
        (1000, "811903e8", "91cd03e8", "08d00f"),
        (1000000, "811a000f4240", "91ce000f4240", "0880897a"),
        (-1, "8120", "91ff", "0801"),
        (-10, "8129", "91f6", "0813"),
        (-100, "813863", "91d09c", "08c701"),
        (-1000, "813903e7", "91d1fc18", "08cf0f"),
    ],
)
def test_integers(value: int, cbor: str, msgpack: str, protobuf: str) -> None:
    assert octets_of("CBOR array", ONE, {"n": value}).hex() == cbor
    assert octets_of("MessagePack array", ONE, {"n": value}).hex() == msgpack
    assert octets_of("Protocol Buffers", ONE, {"n": value}).hex() == protobuf
    assert octets_of("JSON, compact", ONE, {"n": value}) == b'{"n":%d}' % value


def test_the_first_15_fields_of_protobuf_have_keys_of_an_octet() -> None:
    """A key is the number and three bits of wire type, in groups of seven bits (from memory)."""
    made = message(*(Boolean(f"b{index}") for index in range(16)))
    octets = octets_of("Protocol Buffers", made, {f"b{index}": True for index in range(16)})
    keys = b"".join(bytes([number << 3, 1]) for number in range(1, 16))
    assert octets == keys + bytes([0x80, 0x01, 1])  # 16 << 3 = 128


REAL = message(Float("x", bits=64))


@pytest.mark.parametrize(
    ("value", "cbor"),
    [
        # RFC 8949 appendix A
        (0.0, "f90000"),
        (-0.0, "f98000"),
        (1.0, "f93c00"),
        (1.1, "fb3ff199999999999a"),
        (1.5, "f93e00"),
        (65504.0, "f97bff"),
        (100000.0, "fa47c35000"),
        (3.4028234663852886e38, "fa7f7fffff"),
        (1.0e300, "fb7e37e43c8800759c"),
        (5.960464477539063e-8, "f90001"),
        (0.00006103515625, "f90400"),
        (-4.0, "f9c400"),
        (-4.1, "fbc010666666666666"),
        (float("inf"), "f97c00"),
        (float("nan"), "f97e00"),
        (float("-inf"), "f9fc00"),
    ],
)
def test_floats_take_the_shortest_form_that_keeps_them(value: float, cbor: str) -> None:
    assert octets_of("CBOR array", REAL, {"x": value}).hex() == "81" + cbor
    assert octets_of("CBOR map", REAL, {"x": value}).hex() == "a100" + cbor


def test_messagepack_floats_are_short_where_the_message_has_short_ones_only() -> None:
    short, mixed = message(Float("x", bits=16)), message(Float("x", bits=16), Float("y", bits=64))
    assert len(octets_of("MessagePack array", short, {"x": 0.5})) == 1 + 5
    assert len(octets_of("MessagePack array", mixed, {"x": 0.5, "y": 0.1})) == 1 + 9 + 9


def test_a_name_takes_no_octets_in_maps_and_all_of_them_in_json() -> None:
    made = message(whole("temperature", 0, 7), Enumeration("state", names=("open", "shut")))
    values = {"temperature": 5, "state": "shut"}
    assert octets_of("CBOR map", made, values).hex() == "a200050101"
    assert octets_of("MessagePack map", made, values).hex() == "8200050101"
    assert octets_of("Protocol Buffers", made, values).hex() == "08051001"
    assert octets_of("JSON, compact", made, values) == b'{"temperature":5,"state":"shut"}'


@pytest.mark.parametrize("value", [-18.25, 23.45, 0.01, 81.9])
def test_json_has_the_digits_of_the_value(value: float) -> None:
    made = message(Number("t", min=Decimal(-40), max=Decimal(85), step=Decimal("0.01")))
    octets = octets_of("JSON, compact", made, {"t": value})
    assert octets == json.dumps({"t": value}, separators=(",", ":")).encode()


@pytest.mark.parametrize(
    ("bits", "value", "text"),
    [
        # 33.333332 is the usual nine-digit text of the float nearest to 100/3 (C's "%.9g" gives 33.3333321)
        (32, struct.unpack("f", struct.pack("f", 100 / 3))[0], "33.333332"),
        (16, 33.34375, "33.34"),
        (64, 100 / 3, "33.333333333333336"),
        (32, 100.0, "100"),
        (32, -0.0, "-0.0"),
        # RFC 8259 section 6: number = [ minus ] int [ frac ] [ exp ], so a whole one has no fraction, however great
        (64, 999999999999999.0, "999999999999999"),
        (64, 1e15, "1000000000000000"),
        (64, -9007199254740994.0, "-9007199254740994"),
        (64, 9999999999999998.0, "9999999999999998"),
        (64, 1e15 + 0.125, "1000000000000000.1"),
        (64, 1e16, "1e+16"),
    ],
)
def test_json_floats_have_the_fewest_digits_that_restore_them(
    bits: int, value: float, text: str
) -> None:
    made = message(Float("x", bits=bits))
    assert octets_of("JSON, compact", made, {"x": value}) == f'{{"x":{text}}}'.encode()


def test_octets_in_json_are_base64url() -> None:
    """RFC 4648 section 10: "foob" is Zm9vYg==; section 5: - and _ for + and /."""
    made = message(Octets("o", max_length=8))
    assert octets_of("JSON, compact", made, {"o": b"foob"}) == b'{"o":"Zm9vYg"}'
    assert octets_of("JSON, compact", made, {"o": b"\xfb\xff"}) == b'{"o":"-_8"}'


# ---------------------------------------------------------------- what is lost, and what cannot be said


@pytest.mark.parametrize("name", [n for n in NAMES if n.startswith(("JSON", "SenML"))])
def test_doubles_lose_the_last_digits_of_long_integers(name: str) -> None:
    """2**53 + 1 is the first whole number that a double does not hold (IEEE 754); RFC 8259 section 6 warns."""
    made = message(whole("n", 0, 2**60), whole("k", 0, 9))
    found = encoded(made, BY_NAME[name].coder(made), {"n": 2**53 + 1, "k": 1})
    assert found.octets is not None
    assert found.errors == (Inexact("n", Decimal(1), ""),)


def test_rounding_to_the_step_is_an_error_of_all() -> None:
    made = message(
        Number("t", min=Decimal(0), max=Decimal(50), step=Decimal("0.5"), unit="Cel"),
        Array("r", element=Number("", min=Decimal(0), max=Decimal(1), step=Decimal("0.1")), max_length=3),
    )  # fmt: skip
    for encoding in ENCODINGS:
        found = encoded(made, encoding.coder(made), {"t": 20.3, "r": [0.11, 0.18]})
        assert set(found.errors) == {
            Inexact("t", Decimal("0.2"), "Cel"), Inexact("r", Decimal("0.02"), ""),
        }, encoding.name  # fmt: skip


@pytest.mark.parametrize("name", [n for n in NAMES if n.startswith(("JSON", "SenML"))])
@pytest.mark.parametrize("value", [float("nan"), float("inf")])
def test_text_formats_have_no_infinity(name: str, value: float) -> None:
    """RFC 8259 section 6: values that the grammar cannot represent "(such as Infinity and NaN) are not permitted"."""
    made = message(Float("x", bits=32))
    found = encoded(made, BY_NAME[name].coder(made), {"x": value})
    assert found.octets is None
    assert found.cannot.startswith("x is ")


@pytest.mark.parametrize("name", NAMES)
def test_what_has_no_infinity_says_so_beforehand(name: str) -> None:
    made = message(Float("x", bits=32))
    found = encoded(made, BY_NAME[name].coder(made), {"x": float("nan")})
    assert ("NaN" in BY_NAME[name].note) == (found.octets is None)


def test_a_wrong_coder_is_found_out() -> None:
    made = message(whole("a", 0, 9), Text("w", max_length=3))
    coder = BY_NAME["JSON, compact"].coder(made)
    wrong = coder._replace(decode=lambda octets: {**coder.decode(octets), "w": "x"})
    assert encoded(made, wrong, {"a": 1, "w": "y"}).octets is None
    less = coder._replace(decode=lambda octets: {"a": coder.decode(octets)["a"]})
    assert encoded(made, less, {"a": 1, "w": "y"}).cannot.startswith("w does not come back")
    off = coder._replace(decode=lambda octets: {**coder.decode(octets), "a": 4})
    assert encoded(made, off, {"a": 1, "w": "y"}).errors == (Inexact("a", Decimal(3), ""),)


def test_what_is_not_installed_is_named() -> None:
    there = Encoding("x", "", BY_NAME["as designed"].coder)
    assert not there.missing
    assert all(not encoding.missing for encoding in ENCODINGS)


def test_a_hidden_library_is_named(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("lowpanbudget.payload.forms.encodings.find_spec", lambda _name: None)
    missing = {encoding.name: encoding.missing for encoding in ENCODINGS if encoding.missing}
    assert missing["ASN.1 UPER"] == (
        "asn1tools is not installed: pip install 'lowpanbudget[compare]'"
    )
    assert set(missing) == {
        "ASN.1 UPER", "Protocol Buffers", "CBOR array", "CBOR map", "MessagePack array", "MessagePack map",
        "SenML CBOR",
    }  # fmt: skip


def test_whatever_is_taken_for_granted_is_said() -> None:
    for encoding in ENCODINGS:
        assert encoding.note
