"""Formats that the usual strategies leave out: all widths, given codes, gaps, arrays of arrays, large numbers."""

from decimal import Decimal
from functools import cache
from typing import Any

from hypothesis import strategies as st
from hypothesis.strategies import DrawFn

from lowpanbudget.payload.codec.order import BIT_ORDERS, BYTE_ORDERS, LAYOUTS
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
from lowpanbudget.payload.message import Message

WORDS = tuple(f"n{index}" for index in range(64))


def sized(draw: DrawFn, most: int) -> dict[str, Any]:
    """Return keys of a fixed or changing length."""
    if draw(st.booleans()):
        return {"length": draw(st.integers(1, most))}
    top = draw(st.integers(1, most))
    return {"min_length": draw(st.integers(0, top)), "max_length": top}


def numbers(draw: DrawFn, name: str) -> Number:
    width = draw(st.integers(1, 62))
    count = draw(st.integers(1, (1 << width) - 1))
    step = Decimal(draw(st.sampled_from([1, 2, 5, 25]))).scaleb(draw(st.integers(-4, 3)))
    signed = draw(st.booleans())
    low = draw(st.integers(-(2**width), 2**width)) if signed else draw(st.integers(-(2**40), 2**40))
    if signed:
        low = max(-(1 << 62), min(low, (1 << 62) - count))
    odd = Decimal(0) if signed else step / draw(st.sampled_from([1, 4]))
    least = low * step + odd
    extra = draw(st.sampled_from([None, 0, 1]))
    made = Number(
        name, min=least, max=least + count * step, step=step,
        coding="twos-complement" if signed else "offset",
        offset=least - step * draw(st.integers(0, 9)) if not signed and draw(st.booleans()) else None,
        special=draw(st.sampled_from([(), (("na", None),), (("na", None), ("over", None))])),
    )  # fmt: skip
    if extra is None or made.fewest_bits() + extra > 64:
        return made
    return Number(
        name, min=made.min, max=made.max, step=step, coding=made.coding, offset=made.offset,
        special=made.special, bits=made.fewest_bits() + extra,
    )  # fmt: skip


def series(draw: DrawFn, name: str, *, aligned: bool) -> Series:
    width = draw(st.integers(1, 63))
    count = draw(st.integers(1, (1 << width) - 1))
    low = draw(st.integers(-(1 << 62), (1 << 62) - count))
    fixed = draw(st.booleans())
    groups = [7, 15, 23, 31] if aligned else range(1, 32)
    coding = draw(st.sampled_from(["offset", "twos-complement"]))
    return Series(
        name, min=Decimal(low), max=Decimal(low + count), coding=coding,
        deltas="fixed" if fixed else "variable",
        delta_bits=draw(st.integers(3, 32)) if fixed else None,
        escape=fixed and draw(st.booleans()),
        group_bits=None if fixed else draw(st.sampled_from(groups)),
        **sized(draw, 6),
    )  # fmt: skip


def leaves(draw: DrawFn, name: str, *, aligned: bool) -> Field:
    kind = draw(st.integers(0, 9))
    if kind <= 2:
        return numbers(draw, name)
    if kind == 3:
        names = WORDS[: draw(st.integers(2, 12))]
        top = draw(st.sampled_from([40, 300, 70000, 2**40, 2**64 - 1]))
        codes = draw(
            st.lists(st.integers(0, top), min_size=len(names), max_size=len(names), unique=True)
        )
        return Enumeration(
            name, names=names, codes=tuple(codes), bits=draw(st.sampled_from([None, 64]))
        )
    if kind == 4:
        count = draw(st.integers(1, 64))
        return Flags(name, names=WORDS[:count], bits=draw(st.sampled_from([None, count, 64])))
    if kind == 5:
        return draw(st.sampled_from([
            Float(name, bits=16, min=Decimal("-0.1"), max=Decimal("1000.7")),
            Float(name, bits=32, min=Decimal(0)),
            Float(name, bits=64, max=Decimal("0.3")),
            Boolean(name),
            Table(name, values=tuple(map(Decimal, ("-7.25", "-0.5", "0", "1e9")))),
            Logarithmic(name, min=Decimal("1e-9"), max=Decimal("3e9"), steps=300, digits=3),
        ]))  # fmt: skip
    if kind == 6:
        return Octets(name, **sized(draw, 9))
    if kind == 7:
        return Text(name, encoding=draw(st.sampled_from(["utf-8", "ascii"])), **sized(draw, 9))
    if kind == 8:
        return series(draw, name, aligned=aligned)
    return Sequence(name, bits=draw(st.integers(1, 64)))


def elements(draw: DrawFn, *, aligned: bool, depth: int = 2) -> Field:
    kind = draw(st.integers(0, 5))
    if depth and kind <= 1:
        return Array("", element=elements(draw, aligned=aligned, depth=depth - 1), **sized(draw, 3))
    if kind == 2:
        leaf = leaves(draw, "in-side", aligned=aligned)
        return Group("", fields=(leaf, Boolean("flag", optional=True), ReservedBits("", bits=3)))
    if kind == 3:
        options = (Option("n0", (leaves(draw, "a", aligned=aligned),)), Option("n1", ()))
        return Union("", tag="tag", options=options)
    return leaves(draw, "", aligned=aligned)


@cache
@st.composite
def unusual_messages(draw: DrawFn) -> Message:
    layout = draw(st.sampled_from(LAYOUTS))
    aligned = layout == "octet-aligned"
    start = draw(st.integers(1, 90))
    fields: list[Field] = [
        Constant("magic", value=draw(st.integers(0, 2**33)), bits=draw(st.sampled_from([34, 64]))),
        Enumeration(
            "tag", names=("n0", "n1"), at=-(-(88 + start) // 8) * 8 if aligned else 88 + start
        ),
        Time("base", bits=draw(st.integers(1, 48)), step=Decimal("0.25")),
        TimeOffset("since", base="base", min=Decimal(-3), max=Decimal(60), step=Decimal("0.5")),
        ReservedBits("", bits=draw(st.integers(1, 99))),
    ]
    count = draw(st.integers(1, 4))
    fields += [leaves(draw, f"x-{index}", aligned=aligned) for index in range(count)]
    fields.append(Array("list", element=elements(draw, aligned=aligned), **sized(draw, 4)))
    count = draw(st.sampled_from([0, 1, 9, 17]))
    fields += [Boolean(f"maybe{index}", optional=True) for index in range(count)]
    return Message(
        "unusual", tuple(fields), layout=layout,
        byte_order=draw(st.sampled_from(BYTE_ORDERS)), bit_order=draw(st.sampled_from(BIT_ORDERS)),
    )  # fmt: skip
