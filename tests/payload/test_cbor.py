"""The CBOR form comes back through a CBOR library, is as small as RFC 8949 says, and has CDDL that parses."""

import math
from decimal import Decimal
from typing import Any

import cbor2
import pytest
from hypothesis import example, given, settings
from payload.schemas import filled_messages, messages

from lowpanbudget.errors import RequestError
from lowpanbudget.payload.forms.conversion import CBOR_ARRAY, CBOR_MAP, Form
from lowpanbudget.payload.forms.doubles import cbor_of
from lowpanbudget.payload.kinds.binary_float import Float
from lowpanbudget.payload.kinds.boolean import Boolean
from lowpanbudget.payload.kinds.elements import Array
from lowpanbudget.payload.kinds.enumeration import Enumeration
from lowpanbudget.payload.kinds.field import Field
from lowpanbudget.payload.kinds.flags import Flags
from lowpanbudget.payload.kinds.group import Group
from lowpanbudget.payload.kinds.logarithmic import Logarithmic
from lowpanbudget.payload.kinds.number import Number
from lowpanbudget.payload.kinds.octets import Octets
from lowpanbudget.payload.kinds.reserved import ReservedBits
from lowpanbudget.payload.kinds.series import Series
from lowpanbudget.payload.kinds.table import Table
from lowpanbudget.payload.kinds.text import Text
from lowpanbudget.payload.kinds.union import Option, Union
from lowpanbudget.payload.kinds.version import Version
from lowpanbudget.payload.message import Message


def message(*fields: Field) -> Message:
    return Message("m", fields, byte_order="big", bit_order="msb-first", layout="bit-packed")


@settings(max_examples=80)
@given(filled_messages())
@pytest.mark.parametrize("form", [CBOR_MAP, CBOR_ARRAY])
def test_values_come_back_through_cbor(form: Form, filled: tuple[Message, dict[str, Any]]) -> None:
    """Source: encoded and decoded by the cbor2 library."""
    made, values = filled
    octets = cbor2.dumps(form.data(made, values))
    assert form.values(made, cbor2.loads(octets)) == values


def test_sizes_follow_from_rfc_8949() -> None:
    made = message(
        Number("t", min=Decimal(-40), max=Decimal(85), step=Decimal("0.01")),
        Boolean("b"),
        Number("n", min=Decimal(0), max=Decimal(1000), special=(("na", None),)),
    )
    # RFC 8949 appendix A: -1000 is 3 octets (3903e7), true f5, null f6; a map or array of 3 has one octet of head
    values = {"t": -10, "b": True, "n": "na"}
    assert cbor2.dumps(CBOR_ARRAY.data(made, values)).hex() == "833903e7f5f6"
    assert cbor2.dumps(CBOR_MAP.data(made, values)).hex() == "a3003903e701f502f6"


def test_values_are_checked_before_they_are_written() -> None:
    with pytest.raises(RequestError, match="field n is 9"):
        CBOR_MAP.data(message(Number("n", min=Decimal(0), max=Decimal(7))), {"n": 9})


WHOLE = message(
    Version("version", value=1),
    Enumeration("what", names=("door", "level")),
    ReservedBits("", bits=2),
    Flags("status", names=("clock", "mains")),
    Number("t", min=Decimal(-40), max=Decimal(85), step=Decimal("0.01"), unit="Cel", special=(("na", None),)),
    Number("odd", min=Decimal("0.5"), max=Decimal("9.5"), optional=True),
    Union("u", tag="what", options=(Option("door", (Boolean("open"),)), Option("level", (Float("v", bits=16),)))),
    Array("r", element=Group("", fields=(Number("h", min=Decimal(0), max=Decimal(9)),)), min_length=1, max_length=4),
    Series("s", min=Decimal(-5), max=Decimal(5), deltas="variable", length=3),
    Octets("o", length=18),
    Text("w", max_length=12),
)  # fmt: skip


def test_cddl_of_every_kind() -> None:
    assert (
        WHOLE.cddl(keyed=True)
        == """\
message-m = {
  0: 1, ; version
  1: m.what, ; what
  2: uint .bits m.status.bits, ; status
  3: -4000..8500 / null, ; t: steps of 0.01 Cel
  ? 4: 0..9, ; odd: steps of 1 from 0.5
  5: m.u.door / m.u.level, ; u
  6: [1*4 m.r.element], ; r
  7: [3*3 -5..5], ; s: steps of 1
  8: bstr .size 18, ; o
  9: tstr .size (0..12), ; w
}

m.what = &(door: 0, level: 1)

m.status.bits = &(clock: 0, mains: 1)

; where what is door
m.u.door = {
  0: bool, ; open
}

; where what is level
m.u.level = {
  0: float16, ; v
}

m.r.element = {
  0: 0..9, ; h: steps of 1
}
"""
    )
    array = WHOLE.cddl(keyed=False)
    assert "odd: 0..9 / null, ; odd" in array
    assert array.startswith("message-m = [\n")


def test_cddl_tells_what_an_index_stands_for() -> None:
    """RFC 8610 section 1.2: "a semicolon starts a comment"; an index alone says nothing of its values."""
    made = message(
        Table("rate", values=tuple(map(Decimal, (1, 10, 50))), unit="Hz", note="of samples"),
        Logarithmic("level", min=Decimal(1), max=Decimal(1000), steps=3),
    )
    assert made.cddl().splitlines()[1:3] == [
        "  rate: 0..2, ; rate: index, 1 .. 50 Hz: of samples",
        "  level: 0..3, ; level: index, 1 .. 1000",
    ]


def test_cddl_keeps_the_limits_of_floats() -> None:
    """RFC 8610 section 3.8.6, .ge and .le; appendix B: type1 = type2 [S (rangeop / ctlop) S type2], so one a type.

    The binary16 nearest to 0.1 is 1638 * 2**-14 (IEEE 754), and that is what may be sent.
    """
    made = message(
        Float("free", bits=64),
        Float("low", bits=16, min=Decimal("0.1")),
        Float("high", bits=32, max=Decimal(10), optional=True),
        Float("both", bits=64, min=Decimal(-1), max=Decimal("1e20")),
    )
    text = made.cddl()
    assert [line.split(" ;")[0] for line in text.splitlines()[1:5]] == [
        "  free: float,",
        "  low: float16 .ge 0.0999755859375,",
        "  high: float16-32 .le 10.0 / null,",
        "  both: (float .ge -1.0) .le 1e+20,",
    ]
    parser = pytest.importorskip("cddlparser")
    assert parser.parse(text).serialize().strip() == text.strip()


PRELUDE = {
    # RFC 8610 appendix D, as additional informations of major type 7
    "float16": {25},
    "float16-32": {25, 26},
    "float": {25, 26, 27},
}


@pytest.mark.parametrize("bits", [16, 32, 64])
@pytest.mark.parametrize("form", [CBOR_MAP, CBOR_ARRAY])
def test_cddl_allows_floats_in_the_form_that_is_counted(bits: int, form: Form) -> None:
    """Who checks the additional information by the CDDL (RFC 8610 section 2.2.3, #7.26) refuses no octets counted.

    RFC 8949 table 4 has 25, 26 and 27 for half, single and double precision, section 4.1 the shortest form.
    """
    made = message(
        Float("f", bits=bits),
        Float("g", bits=bits, min=Decimal(-2), max=Decimal(70000 if bits > 16 else 9)),
    )
    sent = [0.0, 1.5, 2.0**-24, math.nan, math.inf]
    sent += [0.1] * (bits > 16) + [2.0**-149, 65505.0] * (bits > 16)
    wanted = {bits: set(range(25, 25 + width)) for width, bits in enumerate((16, 32, 64), 1)}[bits]
    assert [
        PRELUDE[line.strip().removeprefix("f: ").removeprefix("0: ").split(",")[0]]
        for line in made.cddl(keyed=form is CBOR_MAP).splitlines()
        if line.endswith("; f")
    ] == [wanted]
    found = set()
    for value in sent:
        octets = cbor_of(
            form.data(made, {"f": made.unpack(made.pack({"f": value, "g": 0.0}))["f"], "g": 0.0})
        )
        head = octets[
            2 if form is CBOR_MAP else 1
        ]  # behind that of the map or array, and the key 0
        assert head >> 5 == 7
        found.add(head & 31)
    assert found == wanted


@settings(max_examples=25)
@given(messages())
@example(WHOLE)
@pytest.mark.parametrize("keyed", [True, False])
def test_cddl_parses(keyed: bool, made: Message) -> None:
    """Source: cddlparser, a parser of RFC 8610; skipped where it is not installed."""
    parser = pytest.importorskip("cddlparser")
    rules = parser.parse(made.cddl(keyed=keyed)).rules
    assert rules
