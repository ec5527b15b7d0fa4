"""Byte order and bit order, against struct, C's bit fields written out by hand, and bitstruct."""

import struct
from dataclasses import replace
from decimal import Decimal
from typing import Any, Literal

import bitstruct  # type: ignore[import-untyped]
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from lowpanbudget.fields.stream import BitOrder, BitReader, BitWriter
from lowpanbudget.payload.kinds.binary_float import Float
from lowpanbudget.payload.kinds.boolean import Boolean
from lowpanbudget.payload.kinds.field import Field
from lowpanbudget.payload.kinds.flags import Flags
from lowpanbudget.payload.kinds.number import Number
from lowpanbudget.payload.kinds.octets import Octets
from lowpanbudget.payload.message import Message


def message(*fields: Field, byte: str, bit: str, layout: str = "bit-packed") -> Message:
    return Message("m", fields, byte_order=byte, bit_order=bit, layout=layout)


def ends(bits: int, signed: bool) -> tuple[int, int]:
    return (-(1 << bits - 1), (1 << bits - 1) - 1) if signed else (0, (1 << bits) - 1)


def integer(name: str, bits: int, *, signed: bool = False) -> Number:
    low, high = ends(bits, signed)
    coding = "twos-complement" if signed else "offset"
    return Number(name, min=Decimal(low), max=Decimal(high), coding=coding)


WIDTHS = {"b": 8, "B": 8, "h": 16, "H": 16, "i": 32, "I": 32, "q": 64, "Q": 64}


FIELDS: dict[str, tuple[Field, st.SearchStrategy[Any]]] = {
    letter: (integer("", bits, signed=letter.islower()), st.integers(*ends(bits, letter.islower())))
    for letter, bits in WIDTHS.items()
}
FIELDS |= {
    "e": (Float("", bits=16), st.floats(width=16, allow_nan=False)),
    "f": (Float("", bits=32), st.floats(width=32, allow_nan=False)),
    "d": (Float("", bits=64), st.floats(width=64, allow_nan=False)),
}
# letters with values for them
FILLED = st.lists(
    st.one_of(*(st.tuples(st.just(letter), value) for letter, (_, value) in FIELDS.items())),
    min_size=1,
    max_size=9,
)


@pytest.mark.long
@settings(max_examples=80)
@given(FILLED)
@pytest.mark.parametrize("byte", ["big", "little"])
@pytest.mark.parametrize("bit", ["msb-first", "lsb-first"])
@pytest.mark.parametrize("layout", ["bit-packed", "octet-aligned"])
def test_whole_octets_are_those_of_struct(
    byte: str, bit: str, layout: str, filled: list[tuple[str, Any]]
) -> None:
    """Source: Python's struct module, standard sizes, '>' and '<'."""
    fields = [replace(FIELDS[letter][0], name=f"f{n}") for n, (letter, _) in enumerate(filled)]
    values = [value for _, value in filled]
    mark = ">" if byte == "big" else "<"
    octets = message(*fields, byte=byte, bit=bit, layout=layout).pack(
        {field.name: value for field, value in zip(fields, values, strict=True)}
    )
    assert octets == struct.pack(mark + "".join(letter for letter, _ in filled), *values)


widths = st.lists(st.integers(1, 40), min_size=1, max_size=12)


@settings(max_examples=80)
@given(widths, st.data())
def test_msb_first_is_that_of_bitstruct(sizes: list[int], data: st.DataObject) -> None:
    """Source: the bitstruct library, most significant bit first."""
    values = [data.draw(st.integers(0, (1 << size) - 1)) for size in sizes]
    fields = [integer(f"f{index}", size) for index, size in enumerate(sizes)]
    octets = message(*fields, byte="big", bit="msb-first").pack(
        {field.name: value for field, value in zip(fields, values, strict=True)}
    )
    assert octets == bitstruct.pack("".join(f"u{size}" for size in sizes), *values)


@settings(max_examples=80)
@given(widths, st.data())
def test_lsb_first_is_one_little_endian_number(sizes: list[int], data: st.DataObject) -> None:
    """Common practice of little-endian bit fields, written out: bit k of the stream is bit k of the number."""
    values = [data.draw(st.integers(0, (1 << size) - 1)) for size in sizes]
    fields = [integer(f"f{index}", size) for index, size in enumerate(sizes)]
    octets = message(*fields, byte="little", bit="lsb-first").pack(
        {field.name: value for field, value in zip(fields, values, strict=True)}
    )
    bits = "".join(
        format(value, f"0{size}b")[::-1] for value, size in zip(values, sizes, strict=True)
    )
    bits += "0" * (-len(bits) % 8)
    assert octets == bytes(int(bits[at : at + 8][::-1], 2) for at in range(0, len(bits), 8))


@given(st.integers(1, 64), st.data(), st.sampled_from(["big", "little"]))
def test_mixed_groups_come_back(
    bits: int, data: st.DataObject, first: Literal["big", "little"]
) -> None:
    order = BitOrder(first, mixed=True)
    number = data.draw(st.integers(0, (1 << bits) - 1))
    out = BitWriter(order)
    out.number(number, bits)
    assert BitReader(out.finish(), order).number(bits) == number


def test_twelve_bits_in_mixed_orders() -> None:
    """By hand from the rule in the docstring of fields/stream.py: 0xABC in groups of eight bits."""
    # little, msb-first: BC first, then the left-over A; then a flag
    packed = message(integer("n", 12), Boolean("b"), byte="little", bit="msb-first").pack(
        {"n": 0xABC, "b": True}
    )
    assert packed.hex() == "bca8"
    # big, lsb-first: the left-over A in the low nibble, BC above it, low bits first
    packed = message(integer("n", 12), Boolean("b"), byte="big", bit="lsb-first").pack(
        {"n": 0xABC, "b": True}
    )
    assert packed.hex() == "ca1b"


def test_temperature_as_devices_send_it() -> None:
    """-18.25 degrees as int16 in hundredths, little-endian: df f8 (arithmetic: -1825 = 0xf8df)."""
    field = Number(
        "t",
        min=Decimal("-327.68"),
        max=Decimal("327.67"),
        step=Decimal("0.01"),
        coding="twos-complement",
    )
    assert message(field, byte="little", bit="lsb-first").pack({"t": -18.25}) == b"\xdf\xf8"
    assert message(field, byte="big", bit="msb-first").pack({"t": -18.25}) == b"\xf8\xdf"


@pytest.mark.parametrize(
    ("value", "code"),
    [
        # RFC 8949 appendix A, the half-precision examples without their initial octet
        (0.0, "0000"),
        (-0.0, "8000"),
        (1.0, "3c00"),
        (1.5, "3e00"),
        (65504.0, "7bff"),
        (5.960464477539063e-8, "0001"),
        (0.00006103515625, "0400"),
        (-4.0, "c400"),
        (float("inf"), "7c00"),
        (float("-inf"), "fc00"),
    ],
)
def test_half_precision_edges(value: float, code: str) -> None:
    packed = message(Float("f", bits=16), byte="big", bit="msb-first")
    assert packed.pack({"f": value}).hex() == code
    assert packed.unpack(bytes.fromhex(code)) == {"f": value}


@pytest.mark.parametrize(("bit", "first"), [("msb-first", 0x80), ("lsb-first", 0x01)])
def test_flags_and_octets_follow_the_stream_not_the_byte_order(bit: str, first: int) -> None:
    for byte in ("big", "little"):
        fields = (Flags("f", names=("a", "b", "c")), Octets("o", length=2))
        aligned = message(*fields, byte=byte, bit=bit, layout="octet-aligned")
        assert aligned.pack({"f": ["a"], "o": b"\x12\x34"}) == bytes([first, 0x12, 0x34])
