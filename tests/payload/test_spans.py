"""The fields of a message as spans of the octets that carry it; expected bits are worked out by hand."""

from decimal import Decimal
from typing import Any

import pytest
from hypothesis import given, settings
from payload.schemas import filled_messages

from lowpanbudget.bits import Reader, Writer, tiles
from lowpanbudget.errors import Truncated
from lowpanbudget.payload.kinds.boolean import Boolean
from lowpanbudget.payload.kinds.elements import Array
from lowpanbudget.payload.kinds.number import Number
from lowpanbudget.payload.kinds.version import Version
from lowpanbudget.payload.message import Message

FIELDS = (
    Version("version", value=1),
    Boolean("open"),
    Number("level", min=Decimal(0), max=Decimal("102.3"), step=Decimal("0.1"), unit="mm"),
)
# version 0001, open 1, level 402 = 0110010010, one bit left
BITS = [
    (0, 4, "version", 1, ""),
    (4, 1, "open", True, ""),
    (5, 10, "level", Decimal("40.2"), "40.2 mm"),
    (15, 1, "padding", None, "fills up the last octet"),
]


def message(byte_order: str, bit_order: str) -> Message:
    return Message("m", FIELDS, byte_order=byte_order, bit_order=bit_order, layout="bit-packed")


@pytest.mark.parametrize(
    ("byte_order", "bit_order", "octets"),
    [
        # 0001 1 011|0010010 0
        ("big", "msb-first", "1b24"),
        # from the least significant bit up: 1 + (1 << 4) + (402 << 5) = 0x3251, low octet first
        ("little", "lsb-first", "5132"),
        # low eight bits of 402 = 1|10010010 first, then the two left over: 0001 1 100|10010 01 0
        ("little", "msb-first", "1c92"),
    ],
)
def test_fields_are_spans_in_the_order_of_the_message(
    byte_order: str, bit_order: str, octets: str
) -> None:
    made = message(byte_order, bit_order)
    reader = Reader(bytes.fromhex(f"abcd{octets}ef"), 2)
    values = {"version": 1, "open": True, "level": Decimal("40.2")}
    assert made.read(reader) == values
    assert reader.pos == 4
    assert [
        (span.offset_bits - 16, span.bits, span.name, span.value, span.meaning)
        for span in reader.spans
    ] == BITS
    counted = "big" if bit_order == "msb-first" else "little"  # from which end of an octet
    assert {(span.layer, span.order) for span in reader.spans} == {("message m", counted)}
    writer = Writer()
    writer.octets(b"\xab\xcd", "before")
    made.write(writer, {"open": True, "level": 40.21})
    assert bytes(writer.data) == bytes.fromhex(f"abcd{octets}")
    assert writer.spans[1:] == reader.spans


def test_what_is_missing_is_told_by_its_octet_in_the_frame() -> None:
    reader = Reader(bytes.fromhex("abcd1b"), 2)
    with pytest.raises(Truncated, match="field level") as caught:
        message("big", "msb-first").read(reader)
    assert caught.value.offset == 2  # its first bit is in the octet that is still there
    assert not reader.spans


def test_counts_and_presence_bits_have_spans() -> None:
    optional = Number("t", min=Decimal(0), max=Decimal(15), optional=True)
    items = Array("r", element=Boolean(""), max_length=7)
    made = Message(
        "m", (optional, items), byte_order="big", bit_order="msb-first", layout="bit-packed"
    )
    # presence 1, t 0101, count 010, two elements 10, six bits left
    reader = Reader(bytes([0b10101010, 0b10000000]))
    assert made.read(reader) == {"t": 5, "r": [True, False]}
    assert [(span.bits, span.name, span.value) for span in reader.spans] == [
        (1, "presence", ("t",)),
        (4, "t", 5),
        (3, "r count", 2),
        (1, "r[0]", True),
        (1, "r[1]", False),
        (6, "padding", None),
    ]


def test_a_special_code_has_no_unit() -> None:
    level = Number("t", min=Decimal(0), max=Decimal(9), unit="Cel", special=(("broken", None),))
    made = Message("m", (level,), byte_order="big", bit_order="msb-first", layout="bit-packed")
    writer = Writer()
    made.write(writer, {"t": "broken"})
    assert writer.spans[0].value == "broken"
    assert writer.spans[0].meaning == "a special code, no number"


@settings(max_examples=80, deadline=None)
@given(filled_messages())
def test_spans_tile_any_message_and_say_what_was_read(
    filled: tuple[Message, dict[str, Any]],
) -> None:
    made, values = filled
    octets = made.pack(values)
    reader, writer = Reader(octets), Writer()
    assert repr(made.read(reader)) == repr(made.unpack(octets))
    assert tiles(reader.spans, 8 * len(octets))
    made.write(writer, values)
    assert bytes(writer.data) == octets
    assert repr(writer.spans) == repr(reader.spans)
