"""The largest size of any values: nothing drawn is larger; small formats were tried out whole, and one is as large."""

import json
import math
import struct
from collections.abc import Iterator
from decimal import Decimal
from functools import cache
from itertools import islice, product
from typing import Any

import cbor2
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from payload.schemas import filled_messages
from payload.unusual import unusual_messages

from lowpanbudget.payload.forms.doubles import real_of, text_of
from lowpanbudget.payload.forms.encodings import ENCODINGS, Coder, largest
from lowpanbudget.payload.forms.largest import MOST_CHOICES
from lowpanbudget.payload.forms.long_floats import longest_text
from lowpanbudget.payload.forms.longest import longest, longest_number, span_of, written
from lowpanbudget.payload.forms.own_times import own_times, times_of
from lowpanbudget.payload.forms.shapes import Unsayable
from lowpanbudget.payload.kinds.binary_float import Float
from lowpanbudget.payload.kinds.boolean import Boolean
from lowpanbudget.payload.kinds.constant import Constant
from lowpanbudget.payload.kinds.elements import Array
from lowpanbudget.payload.kinds.enumeration import Enumeration
from lowpanbudget.payload.kinds.field import Field
from lowpanbudget.payload.kinds.flags import Flags
from lowpanbudget.payload.kinds.group import Group
from lowpanbudget.payload.kinds.instant import Time
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
from lowpanbudget.payload.search.sampler import edges, samples

BY_NAME = {encoding.name: encoding for encoding in ENCODINGS}
NAMES = sorted(BY_NAME)
NULL = (("na", None),)


def message(*fields: Field) -> Message:
    return Message("m", fields, byte_order="big", bit_order="msb-first", layout="bit-packed")


def number(name: str, low: str, high: str, step: str = "1", **extra: Any) -> Number:
    return Number(name, min=Decimal(low), max=Decimal(high), step=Decimal(step), **extra)


def size_of(coder: Coder, read: dict[str, Any]) -> int | None:
    """Return the octets of values that were packed and read, which all encodings begin with."""
    try:
        return len(coder.encode_read(read))
    except Unsayable:
        return None


def is_counted(name: str, made: Message, values: dict[str, Any]) -> bool:
    """Return whether readings come one after the other: SenML tells them apart by it (RFC 8428 section 5.1.2)."""
    if not name.startswith("SenML"):
        return True
    lists = [
        [one[own.name] for one in values.get(a.name, ())]
        for a, own in own_times(made)
        if a.most <= times_of(own)
    ]
    return all(times == sorted(set(times)) for times in lists)


def never_exceeded(name: str, made: Message, values: Iterator[dict[str, Any]]) -> None:
    encoding = BY_NAME[name]
    coder = encoding.coder(made)
    limit = largest(made, encoding, coder)
    if limit.wire is not None:
        assert limit.octets is not None
        assert len(limit.wire) <= limit.octets
        assert coder.decode(limit.wire)
    for one in values:
        read_again = made.unpack(made.pack(one))
        size = size_of(coder, read_again)
        if size is not None and is_counted(name, made, read_again):
            assert limit.octets is not None, limit.cannot
            assert size <= limit.octets, one


@pytest.mark.long
@pytest.mark.parametrize("name", NAMES)
@settings(max_examples=25)
@given(filled_messages())
def test_no_values_take_more(name: str, filled: tuple[Message, dict[str, Any]]) -> None:
    made, values = filled
    never_exceeded(name, made, iter([values, *samples(made, 12)]))


@pytest.mark.long
@pytest.mark.parametrize("name", NAMES)
@settings(max_examples=15)
@given(unusual_messages(), st.integers(0, 99))
def test_no_values_of_unusual_formats_take_more(name: str, made: Message, seed: int) -> None:
    never_exceeded(name, made, iter([*samples(made, 8, seed), *islice(edges(made), 40)]))


# ---------------------------------------------------------------- small formats, tried out whole


def all_of(field: Field, known: dict[str, Any]) -> Iterator[Any]:
    """Yield every value of a field whose values are few."""
    if isinstance(field, Number):
        grid = field.grid()
        yield from (grid.value_of(step) for step in range(grid.low, grid.high + 1))
        yield from (name for name, _ in field.special)
    elif isinstance(field, Sequence | Time):
        yield from all_of(field.number(), known)
    elif isinstance(field, TimeOffset):
        yield from (known[field.base] + seconds for seconds in all_of(field.number(), known))
    elif isinstance(field, Table | Logarithmic):
        yield from field.entries()
    elif isinstance(field, Boolean):
        yield from (False, True)
    elif isinstance(field, Enumeration):
        yield from field.names
    elif isinstance(field, Flags):
        for bits in product((False, True), repeat=len(field.names)):
            yield tuple(name for name, bit in zip(field.names, bits, strict=True) if bit)
    elif isinstance(field, Constant):
        yield field.value
    elif isinstance(field, Float):
        codes = range(0, 1 << 16, 61)
        halves = (struct.unpack(">e", code.to_bytes(2, "big"))[0] for code in codes)
        low, high = field.limits()
        assert low is not None
        assert high is not None
        yield from (half for half in halves if low <= half <= high)
    elif isinstance(field, Text):
        for length in range(field.least, field.most + 1):
            yield from map("".join, product('a\x01"', repeat=length))
    elif isinstance(field, Octets):
        for length in range(field.least, field.most + 1):
            yield from map(bytes, product((0, 0xFB), repeat=length))
    elif isinstance(field, Array):
        items = list(all_of(field.element, known))
        for length in range(field.least, field.most + 1):
            yield from map(list, product(items, repeat=length))
    elif isinstance(field, Series):
        items = list(all_of(field.number(), known))
        for length in range(field.least, field.most + 1):
            yield from map(list, product(items, repeat=length))
    elif isinstance(field, Group):
        yield from all_values(field.fields, known)
    elif isinstance(field, Union):
        option = next(option for option in field.options if option.when == known[field.tag])
        yield from all_values(option.fields, known)


def all_values(fields: tuple[Field, ...], known: dict[str, Any]) -> Iterator[dict[str, Any]]:
    """Yield every combination of values, absent ones too."""
    if not fields:
        yield {}
        return
    first, *others = fields
    if isinstance(first, ReservedBits):
        yield from all_values(tuple(others), known)
        return
    if first.optional:
        yield from all_values(tuple(others), known)
    for value in all_of(first, known):
        for rest in all_values(tuple(others), {**known, first.name: value}):
            yield {first.name: value, **rest}


EVENT = Union(
    "u",
    tag="what",
    options=(
        Option("a", (number("x", "-25", "2"),)),
        Option("long", ()),
        Option("c", (Boolean("b"), Boolean("d", optional=True))),
    ),
)
SMALL_EVENT = Union(
    "u",
    tag="what",
    options=(Option("a", (number("x", "22", "24", unit="m", special=NULL),)), *EVENT.options[1:]),
)
WHAT = Enumeration("what", names=("a", "long", "c"), codes=(0, 500, 7))
SMALL = {
    "numbers": (number("x", "-26", "20"), number("y", "22", "24", special=NULL), ReservedBits("", bits=3)),
    "a special code where null says absent": (number("x", "0.001", "0.002", "0.001", special=NULL, optional=True),
                                              number("y", "0", "9", special=NULL)),
    "one special code more": (number("x", "0", "9", special=(("na", None), ("over", None)), optional=True),
                              number("y", "-2", "2")),
    "decimals": (number("x", "-1", "10", "0.5"), number("y", "9.8", "10.2", "0.1", unit="Cel")),
    "small decimals": (number("x", "0", "0.00012", "0.00001"),),
    "long decimals": (number("x", "0.1234567890123", "0.1234567890143", "0.0000000000001"),),
    "quarters": (number("x", "1021", "1024.5", "0.25"),),
    "units and special codes": (number("x", "9", "11", unit="Cel", special=NULL),
                                number("y", "9", "11", unit="Cel", special=NULL),
                                number("z", "0", "2", unit="m", special=(("not_there", None),))),
    "a long unit and a special code": (number("x", "8", "12", unit="A_long_unit", special=(("some", None),)),
                                       Array("r", max_length=2, element=number(
                                           "", "99", "101", unit="Cel", special=(("some", None),)))),
    # RFC 8428 section 12.1: packs have a percentage as its ratio
    "percent": (number("x", "9", "11", unit="%", special=(("not_there", None),)),
                number("y", "0", "2", "0.5", unit="%"), number("z", "0", "1", unit="/")),
    "lists of percent": (Table("t", values=tuple(map(Decimal, ("0.5", "1", "25", "100", "300"))), unit="%"),
                         Logarithmic("l", min=Decimal("0.1"), max=Decimal(900), steps=9, digits=3, unit="%")),
    "names": (Enumeration("e", names=("a", "longer", "b"), codes=(0, 1, 300)), Boolean("b"),
              Flags("f", names=("one", "two", "three"))),
    "tables": (Table("t", values=tuple(map(Decimal, ("0.125", "1", "1.5", "7.3", "900")))),
               Logarithmic("l", min=Decimal("0.1"), max=Decimal(900), steps=9, digits=3)),
    "text": (Text("t", max_length=2), Octets("o", min_length=1, max_length=3)),
    "counts": (Sequence("s", bits=3), Version("v", value=2), Constant("c", value=300, bits=9)),
    "times": (Time("t", bits=3), TimeOffset("o", base="t", min=Decimal(-3), max=Decimal(4))),
    "half seconds": (Time("t", bits=3, step=Decimal("0.5"), epoch="1969-12-31T23:59:58Z"),
                     TimeOffset("o", base="t", max=Decimal(3), step=Decimal("0.5"), optional=True)),
    "readings": (Time("t", bits=2), Array("r", max_length=2, element=Group("", fields=(
        TimeOffset("o", base="t", max=Decimal(12), step=Decimal(4)), number("x", "9", "10", special=NULL, unit="m"))))),
    # RFC 8949 section 3.1: 24 and -25 are the first that take two octets; a time of 0 is not written
    "readings on both sides": (Time("t", bits=1), Array("r", max_length=3, element=Group("", fields=(
        TimeOffset("o", base="t", min=Decimal(-26), max=Decimal(26), step=Decimal(13)), Boolean("b"))))),
    # 0.5 is exact in 16 bits, 0.3, 0.4 and 0.6 take 64 (RFC 8949 section 4.1), in each of two records
    "readings of tenths": (Time("t", bits=1), Array("r", max_length=3, element=Group("", fields=(
        TimeOffset("o", base="t", min=Decimal("0.3"), max=Decimal("0.6"), step=Decimal("0.1")),
        Boolean("b"), number("x", "0", "1"))))),
    "more readings than times": (Time("t", bits=1), Array("r", length=3, element=Group("", fields=(
        TimeOffset("o", base="t", min=Decimal(23), max=Decimal(24)), Boolean("b"))))),
    "a union": (WHAT, EVENT),
    "an optional union": (WHAT, Union("u", tag="what", options=EVENT.options, optional=True), Boolean("y")),
    "unions in an array": (Array("r", max_length=2, element=Group("", fields=(WHAT, SMALL_EVENT))),),
    "arrays": (Array("r", max_length=2, element=number("", "-1", "3")),
               Array("q", max_length=2, element=Array("", max_length=1, element=Boolean("")), optional=True)),
    "a series": (Series("s", min=Decimal(-1), max=Decimal(2), deltas="variable", max_length=3),),
    "a series of percent": (Series("s", min=Decimal(98), max=Decimal(101), deltas="variable", max_length=3, unit="%"),),
    "halves": (Float("f", bits=16, min=Decimal("-0.5"), max=Decimal(3)),),
    "many": tuple(Boolean(f"b{index}", optional=True) for index in range(5)),
}  # fmt: skip
# elements that may share a unit, each with another option, have a proved limit only
LIMITED = {("unions in an array", name) for name in NAMES if name.startswith("SenML")}
# of times that are no whole numbers the longest are not looked for
TIMED = {("readings of tenths", "SenML CBOR")}


@cache
def read(case: str) -> list[dict[str, Any]]:
    """Return all values of a case as its message reads them."""
    made = message(*SMALL[case])
    return [made.unpack(made.pack(values)) for values in all_values(SMALL[case], {})]


@pytest.mark.long
@pytest.mark.parametrize("case", SMALL)
@pytest.mark.parametrize("name", NAMES)
def test_the_largest_of_all_is_made(name: str, case: str) -> None:
    made = message(*SMALL[case])
    coder = BY_NAME[name].coder(made)
    told = [values for values in read(case) if is_counted(name, made, values)]
    most = max(size for values in told if (size := size_of(coder, values)) is not None)
    limit = largest(made, BY_NAME[name], coder)
    assert limit.octets is not None
    assert limit.kind == ("bound" if (case, name) in LIMITED | TIMED else "found")
    # a head of a long pack and a base unit that nothing needs
    assert most <= limit.octets <= most + (4 + len('"bu":"m",') if (case, name) in LIMITED else 0)


# ---------------------------------------------------------------- numbers that a standard states


def size(name: str, *fields: Field) -> tuple[int | None, bool]:
    made = message(*fields)
    limit = largest(made, BY_NAME[name], BY_NAME[name].coder(made))
    return limit.octets, limit.kind == "found"


def test_whole_numbers_are_longest_at_the_end_that_takes_most() -> None:
    """RFC 8949 appendix A: -1000 is 3903e7, 100 is 1864, 1000000 is 1a000f4240; an array of one has a head of 1."""
    assert size("CBOR array", number("n", "-1000", "100")) == (1 + 3, True)
    assert size("CBOR array", number("n", "0", "1000000")) == (1 + 5, True)
    assert size(
        "CBOR array", number("n", "0", "100", special=(("not_available", None), ("x", None)))
    ) == (15, True)


def test_text_is_longest_in_control_characters() -> None:
    r"""RFC 8259 section 7: control characters MUST be escaped; U+0001 is the six characters \u0001."""
    assert size("JSON, compact", Text("t", length=4)) == (len('{"t":""}') + 4 * 6, True)
    assert size("CBOR array", Text("t", length=4)) == (1 + 1 + 4, True)


def test_doubles_take_24_characters_at_the_most() -> None:
    """Common knowledge of IEEE 754: 17 digits restore any double; a sign, a point, and e-308 make 24."""
    text = len('{"x":}') + len("-2.2250738585072014e-308")
    assert size("JSON, compact", Float("x", bits=64)) == (text, True)
    # nine digits restore any float; 1e15 to 1e16 are written out, and RFC 8259 section 6 asks for no fraction
    assert size("JSON, compact", Float("x", bits=32)) == (
        len('{"x":}') + len("-1234567890123456"),
        True,
    )


@pytest.mark.parametrize(("bits", "most"), [(16, 3), (32, 5), (64, 9)])
def test_floats_take_their_width_in_cbor(bits: int, most: int) -> None:
    """RFC 8949 section 3.3: additional information 25, 26 and 27 are followed by 2, 4 and 8 octets."""
    for name in ("CBOR array", "SenML CBOR"):
        free, near = (
            Float("x", bits=bits),
            Float("x", bits=bits, min=Decimal("0.1"), max=Decimal("0.2")),
        )
        assert size(name, free) == size(name, near)
    assert size("CBOR array", Float("x", bits=bits)) == (1 + most, True)


def test_a_float_takes_its_width_also_where_ends_and_sevenths_are_short() -> None:
    """1 + k / 1024 is exact in 16 bits (IEEE 754: 10 bits after the point), 1 + 2**-23 only in 32."""
    near = Float("x", bits=32, min=Decimal(1), max=Decimal(1) + Decimal(7) / 1024)
    assert size("CBOR array", near) == (1 + 5, True)


@pytest.mark.parametrize("bits", [16, 32, 64])
@pytest.mark.parametrize("name", ["SenML CBOR", "SenML JSON"])
def test_no_float_of_percent_takes_more(name: str, bits: int) -> None:
    """RFC 8428 section 12.1: a hundredth is written, and 1e+16 or 1.5 have more digits so."""
    made = message(Float("f", bits=bits, unit="%"))
    values = [1.5, -1.5, 30, 99.9375, -0.00012, 5e-5, -65504, *(sign * 1.5 * 2.0**power for sign in (1, -1)
              for power in range(-14, 16))]  # fmt: skip
    if bits > 16:
        values += [1e16, -1.25e17, 3.3333333e-38, -3.4e38]
    if bits == 64:
        values.append(-1.2345678901234567e-300)  # and an exponent of three digits: 24 characters
    never_exceeded(name, made, ({"f": value} for value in values))


@pytest.mark.parametrize("count", [1, 2, 3])
def test_what_is_only_a_limit_adds_up_and_is_called_one(count: int) -> None:
    """17 decimals are more than a double keeps: 24 characters at the most, and the numbers of this range have 19."""
    fields = (
        number(name, "0.12345678901234561", "0.12345678901234569", "1E-17")
        for name in "xyz"[:count]
    )
    brackets = 2 + len(',"x":') * count - 1
    assert size("JSON, compact", *fields) == (brackets + 24 * count, False)


@pytest.mark.parametrize("count", [None, 1, 3, 10])
def test_the_largest_of_so_many_readings(count: int | None) -> None:
    made = message(Array("r", element=number("", "0", "99"), max_length=10), Boolean("b"))
    values = {"r": [99] * (10 if count is None else count), "b": False}
    for name, wanted in (
        ("JSON, compact", json.dumps(values, separators=(",", ":")).encode()),
        ("CBOR array", cbor2.dumps(list(values.values()))),
    ):
        limit = largest(made, BY_NAME[name], BY_NAME[name].coder(made), count)
        assert (limit.octets, limit.wire and len(limit.wire)) == (len(wanted), len(wanted))


def test_a_number_that_64_bits_do_not_hold_is_not_counted() -> None:
    """MessagePack has no longer integers (specification, "int format family", from memory): 9 octets at the most."""
    huge = number("n", "0", "36893488147419103230", "2", offset=Decimal(0))
    assert size("MessagePack array", huge) == (1 + 9, True)


def test_what_has_too_many_options_has_no_size() -> None:
    fields: list[Field] = []
    for index in range(11):
        fields.append(Enumeration(f"t{index}", names=("a", "b")))
        fields.append(
            Union(
                f"u{index}",
                tag=f"t{index}",
                options=(Option("a", ()), Option("b", (Boolean("x"),))),
            )
        )
    made = message(*fields)
    coder = BY_NAME["CBOR array"].coder(made)
    limit = largest(made, BY_NAME["CBOR array"], coder)
    assert limit == (None, None, f"more than {MOST_CHOICES} combinations of union options")


# ---------------------------------------------------------------- limits of texts


@pytest.mark.long
@settings(max_examples=300)
@given(st.data(), st.sampled_from([16, 32, 64]))
def test_no_text_of_a_float_is_longer_than_its_limit(data: st.DataObject, bits: Any) -> None:
    ends = st.decimals(min_value=-60000, max_value=60000, places=6) | st.sampled_from(
        [Decimal("1e-7"), Decimal("-1e-5"), Decimal("0.0001"), Decimal(0)]
    )
    low, high = sorted((data.draw(ends), data.draw(ends)))
    field = Float("x", bits=bits, min=low, max=high + 1)
    least, most = field.limits()
    assert least is not None
    assert most is not None
    value = data.draw(st.floats(least, most, width=bits))
    assert len(text_of(real_of(field.name, field.bits, value))) <= longest_text(field)


@pytest.mark.long
@settings(max_examples=300)
@given(st.integers(-(2**40), 2**40), st.integers(1, 2**20), st.integers(-20, 2), st.data())
def test_no_number_is_longer_than_its_limit(
    low: int, count: int, exponent: int, data: st.DataObject
) -> None:
    step = Decimal(data.draw(st.sampled_from([1, 2, 5, 25]))).scaleb(exponent)
    field = Number("x", min=low * step, max=(low + count) * step, step=step)
    value = field.grid().value_of(data.draw(st.integers(0, count)))
    for form in ("text", "real"):
        assert written(value, form) <= longest_number(span_of(field), form)


@pytest.mark.parametrize(
    ("letters", "slack", "loss"), [(18, 4, 0), (20, 2, 0), (22, 0, 0), (23, 0, 1), (30, 0, 8)]
)
def test_a_name_is_held_against_the_longest_number_that_may_be(
    letters: int, slack: int, loss: int
) -> None:
    """17 decimals are more than a double keeps, so a number may take 24 characters; a name has its letters and 2 more.

    The numbers that are tried have 19 characters: a name beside them is the longest from 18 letters on.
    """
    field = number(
        "x", "0.12345678901234561", "0.12345678901234569", "1E-17", special=(("s" * letters, None),)
    )
    found = longest(
        field, "text", lambda _, value: len(text_of(value if isinstance(value, str) else float(value))),
        base=None, span=span_of(field), shift=Decimal(0),
    )  # fmt: skip
    assert found.value == "s" * letters
    assert isinstance(found.number, Decimal)
    assert (found.slack, found.loss) == (slack, loss)


def test_a_whole_width_of_floats_was_tried() -> None:
    field = Float("x", bits=16, min=Decimal("-0.001"), max=Decimal("0.001"))
    halves = (struct.unpack(">e", code.to_bytes(2, "big"))[0] for code in range(1 << 16))
    texts = (
        len(text_of(real_of(field.name, field.bits, half)))
        for half in halves
        if math.fabs(half) <= 0.001
    )
    assert max(texts) == longest_text(field)
