"""Formats that the usual strategies leave out: all widths, given codes, gaps, arrays of arrays, large numbers."""

from decimal import Decimal
from functools import cache
from typing import Any

from hypothesis import strategies as st
from hypothesis.strategies import DrawFn
from payload.schemas import table_of

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

NAMES = ("x-0", "x-1", "x-2", "x-3", "in-side", "a", "")
WORDS = tuple(f"n{index}" for index in range(64))
BOOLEANS = st.booleans()
TO_FIVE = st.integers(0, 5)
TO_NINE = st.integers(0, 9)
# fixed or changing, then least and greatest length
SIZES = {
    most: st.sampled_from([
        *({"length": size} for size in range(1, most + 1) for _ in range(most + 1)),
        *(
            {"min_length": low, "max_length": top}
            for top in range(1, most + 1)
            for low in range(top + 1)
            for _ in range(max(1, round(most / top)))
        ),
    ])
    for most in (3, 4, 6, 9)
}  # fmt: skip
WIDTHS = st.integers(1, 62)
STEPS = [Decimal(step).scaleb(exponent) for step in (1, 2, 5, 25) for exponent in range(-4, 4)]
SPECIALS = ((), (("na", None),), (("na", None), ("over", None)))
GRIDS = table_of(STEPS, (False, True), (1, 4), (None, 0, 1), SPECIALS, (False, True))
COUNTS = {width: st.integers(1, (1 << width) - 1) for width in range(1, 64)}
SIGNED = {width: st.integers(-(2**width), 2**width) for width in range(1, 63)}
LOWS = st.integers(-(2**40), 2**40)
SERIES = table_of(
    range(1, 64), (False, True), ("offset", "twos-complement"), range(1, 32), (False, True)
)
DELTA_BITS = st.integers(3, 32)
# how many names, the greatest code, and all 64 bits or no more than that takes
ENUMERATIONS = table_of(range(2, 13), (40, 300, 70000, 2**40, 2**64 - 1), (None, 64))
CODES = {
    (count, top): st.lists(st.integers(0, top), min_size=count, max_size=count, unique=True)
    for count in range(2, 13)
    for top in (40, 300, 70000, 2**40, 2**64 - 1)
}
FLAGS = table_of(range(1, 65), (0, 1, 2))
ENCODINGS = st.sampled_from(["utf-8", "ascii"])
TURNS = st.integers(1, 64)
BORDERS = table_of(LAYOUTS, BYTE_ORDERS, BIT_ORDERS, (34, 64))
STARTS = st.integers(1, 90)
MAGICS = st.integers(0, 2**33)
CLOCKS = table_of(range(1, 49), range(1, 100))
FIELDS = table_of(range(1, 5), (0, 1, 9, 17))


def sized(draw: DrawFn, most: int) -> dict[str, Any]:
    """Return keys of a fixed or changing length."""
    return draw(SIZES[most])


def numbers(draw: DrawFn, name: str) -> Number:
    width = draw(WIDTHS)
    count = draw(COUNTS[width])
    step, signed, part, extra, special, shifted = draw(GRIDS)
    if signed:
        low = max(-(1 << 62), min(draw(SIGNED[width]), (1 << 62) - count))
        odd = Decimal(0)
    else:
        low = draw(LOWS)
        odd = step / part
    least = low * step + odd
    made = Number(
        name, min=least, max=least + count * step, step=step,
        coding="twos-complement" if signed else "offset",
        offset=least - step * draw(TO_NINE) if shifted and not signed else None,
        special=special,
    )  # fmt: skip
    if extra is None or made.fewest_bits() + extra > 64:
        return made
    return Number(
        name, min=made.min, max=made.max, step=step, coding=made.coding, offset=made.offset,
        special=made.special, bits=made.fewest_bits() + extra,
    )  # fmt: skip


def series(draw: DrawFn, name: str, *, aligned: bool) -> Series:
    width, fixed, coding, group, escape = draw(SERIES)
    count = draw(COUNTS[width])
    low = draw(st.integers(-(1 << 62), (1 << 62) - count))
    return Series(
        name, min=Decimal(low), max=Decimal(low + count), coding=coding,
        deltas="fixed" if fixed else "variable",
        delta_bits=draw(DELTA_BITS) if fixed else None,
        escape=fixed and escape,
        group_bits=None if fixed else group // 8 * 8 + 7 if aligned else group,
        **sized(draw, 6),
    )  # fmt: skip


LEAVES = {
    name: st.sampled_from([
        Float(name, bits=16, min=Decimal("-0.1"), max=Decimal("1000.7")),
        Float(name, bits=32, min=Decimal(0)),
        Float(name, bits=64, max=Decimal("0.3")),
        Boolean(name),
        Table(name, values=tuple(map(Decimal, ("-7.25", "-0.5", "0", "1e9")))),
        Logarithmic(name, min=Decimal("1e-9"), max=Decimal("3e9"), steps=300, digits=3),
    ])
    for name in NAMES
}  # fmt: skip


def leaves(draw: DrawFn, name: str, *, aligned: bool) -> Field:
    kind = draw(TO_NINE)
    if kind <= 2:
        return numbers(draw, name)
    if kind == 3:
        count, top, bits = draw(ENUMERATIONS)
        codes = tuple(draw(CODES[count, top]))
        return Enumeration(name, names=WORDS[:count], codes=codes, bits=bits)
    if kind == 4:
        count, wide = draw(FLAGS)
        return Flags(name, names=WORDS[:count], bits=(None, count, 64)[wide])
    if kind == 5:
        return draw(LEAVES[name])
    if kind == 6:
        return Octets(name, **sized(draw, 9))
    if kind == 7:
        return Text(name, encoding=draw(ENCODINGS), **sized(draw, 9))
    if kind == 8:
        return series(draw, name, aligned=aligned)
    return Sequence(name, bits=draw(TURNS))


def elements(draw: DrawFn, *, aligned: bool, depth: int = 2) -> Field:
    kind = draw(TO_FIVE)
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
    layout, byte_order, bit_order, wide = draw(BORDERS)
    aligned = layout == "octet-aligned"
    start = draw(STARTS)
    clock, reserved = draw(CLOCKS)
    count, flags = draw(FIELDS)
    fields: list[Field] = [
        Constant("magic", value=draw(MAGICS), bits=wide),
        Enumeration(
            "tag", names=("n0", "n1"), at=-(-(88 + start) // 8) * 8 if aligned else 88 + start
        ),
        Time("base", bits=clock, step=Decimal("0.25")),
        TimeOffset("since", base="base", min=Decimal(-3), max=Decimal(60), step=Decimal("0.5")),
        ReservedBits("", bits=reserved),
    ]
    fields += [leaves(draw, f"x-{index}", aligned=aligned) for index in range(count)]
    fields.append(Array("list", element=elements(draw, aligned=aligned), **sized(draw, 4)))
    fields += [Boolean(f"maybe{index}", optional=True) for index in range(flags)]
    return Message(
        "unusual", tuple(fields), layout=layout,
        byte_order=byte_order, bit_order=bit_order,
    )  # fmt: skip
