"""hypothesis strategies: random message formats with values that fit them."""

from collections.abc import Iterable
from decimal import Decimal
from functools import cache
from itertools import product
from typing import Any, NamedTuple

from hypothesis import strategies as st
from hypothesis.strategies import DrawFn, SearchStrategy

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
from lowpanbudget.payload.kinds.version import Version
from lowpanbudget.payload.message import Message

NAMES = tuple(f"f{index}" for index in range(12))
ENUM = ("red", "green", "blue", "grey", "black", "white", "pink", "gold", "teal")


# What is drawn inside of a message is drawn by plain functions: a strategy in a strategy costs as much as its draws.
# Strategies are made once, for one that is made at each draw is looked through at each draw; and what belongs together
# is one draw from a table.


def table_of(*columns: Iterable[Any]) -> SearchStrategy[Any]:
    """Return one of each column, as one draw."""
    return st.sampled_from(list(product(*columns)))


def lengths(most: int, least: int = 1) -> SearchStrategy[tuple[int, int]]:
    """Return a least length and a greatest one of ``least`` to ``most``, each greatest one equally often."""
    pairs = [
        (low, high)
        for high in range(least, most + 1)
        for low in range(high + 1)
        for _ in range(-(-(most + 1) // (high + 1)))
    ]
    return st.sampled_from(pairs)


STEPS = [Decimal(step).scaleb(exponent) for exponent in range(-3, 3) for step in (1, 2, 5, 25)]
CODINGS = ("offset", "twos-complement")
SPECIALS = ((), (("na", None),), (("na", None), ("over", None)))
SCALES = table_of(STEPS, SPECIALS, CODINGS, (False, True), range(10))
LOWS = st.integers(-(2**20), 2**20)
COUNTS = st.one_of(st.integers(1, 300), st.integers(1, 2**31))
DELTAS = table_of((False, True), (False, True), CODINGS, range(1, 10), range(4, 12))
KINDS = table_of(range(10), (False, True), (False, True))
ENUMERATIONS = st.sampled_from([
    (count, index % count) for count in range(2, len(ENUM) + 1) for index in range(len(ENUM))
])  # fmt: skip
FLAG_COUNTS = st.integers(1, len(ENUM))
MASKS = {count: st.integers(0, (1 << count) - 1) for count in range(1, len(ENUM) + 1)}
FEW, SOME, MANY = lengths(5), lengths(9), lengths(12)
UP_TO = {(low, high): st.integers(low, high) for high in range(10) for low in range(high + 1)}
SAMPLES = {span: st.integers(-span, span) for span in (3, 5000)}
WIDTHS = st.sampled_from([16, 32, 64])
FLOATS = {
    16: st.floats(width=16, allow_nan=False),
    32: st.floats(width=32, allow_nan=False),
    64: st.floats(width=64, allow_nan=False),
}
TEXTS = st.text(max_size=5, alphabet=st.characters(codec="utf-8"))
OCTETS = {
    (low, high): st.binary(min_size=low, max_size=high)
    for high in range(1, 13)
    for low in range(high + 1)
}
TABLE = tuple(map(Decimal, ("0.5", "1", "7", "20", "900")))
IN_TABLE = st.sampled_from(Table("", values=TABLE).entries())
SCALE: dict[str, Any] = {"min": Decimal("0.01"), "max": Decimal(5000), "steps": 37}
ON_SCALE = st.sampled_from(Logarithmic("", **SCALE).entries())
ORDERS = st.sampled_from(list(product(LAYOUTS, BYTE_ORDERS, BIT_ORDERS)))
FIELD_COUNTS = st.integers(1, 5)
# what is in a group, whether it is optional, and whether an optional one is there
PLACES = table_of(range(10), (False, False, False, True), (False, True))
BOOLEANS = st.booleans()
BASES = st.integers(0, 2**20)
OFFSETS = st.integers(0, 900)
WASTED = table_of(range(1, 10), range(3, 18))
TURNS = st.integers(0, 4095)


class Filled(NamedTuple):
    """Fields with values for them."""

    fields: tuple[Field, ...]
    values: dict[str, Any]


def numbers(draw: DrawFn, name: str, *, optional: bool = False) -> tuple[Number, Any]:
    step, specials, coding, whole, roll = draw(SCALES)
    low, count = draw(LOWS), draw(COUNTS)
    field = Number(
        name,
        min=low * step,
        max=(low + count) * step,
        step=step,
        coding=coding,
        special=specials,
        optional=optional,
    )
    if specials and roll == 0:
        return field, specials[0][0]
    value: Any = (low + draw(st.integers(0, count))) * step
    if whole and value == int(value):
        value = int(value)
    return field, value


def series(draw: DrawFn, name: str, *, aligned: bool, optional: bool) -> tuple[Series, Any]:
    fixed, escape, coding, group, delta = draw(DELTAS)
    least, most = draw(SOME)
    escape = fixed and escape
    field = Series(
        name,
        min=Decimal(-5000),
        max=Decimal(5000),
        deltas="fixed" if fixed else "variable",
        delta_bits=delta if fixed else None,
        escape=escape,
        group_bits=None if fixed else 7 if aligned else group,
        coding=coding,
        min_length=least,
        max_length=most,
        optional=optional,
    )
    item = SAMPLES[5000 if escape or not fixed else 3]
    return field, [draw(item) for _ in range(draw(UP_TO[least, most]))]


def simple(draw: DrawFn, name: str, *, aligned: bool, optional: bool = False) -> tuple[Field, Any]:
    kind, value, other = draw(KINDS)
    if kind <= 2:
        return numbers(draw, name, optional=optional)
    if kind == 3:
        return Boolean(name, optional=optional), value
    if kind == 4:
        count, index = draw(ENUMERATIONS)
        return Enumeration(name, names=ENUM[:count], optional=optional), ENUM[index]
    if kind == 5:
        count = draw(FLAG_COUNTS)
        chosen = draw(MASKS[count])
        named = tuple(one for index, one in enumerate(ENUM) if chosen >> index & 1)
        return Flags(name, names=ENUM[:count], optional=optional), named
    if kind == 6:
        width = draw(WIDTHS)
        return Float(name, bits=width, optional=optional), draw(FLOATS[width])
    if kind == 7:
        least, most = draw(MANY)
        octets = draw(OCTETS[least, most])
        return Octets(name, min_length=least, max_length=most, optional=optional), octets
    if kind == 8:
        return Text(name, max_length=20, optional=optional), draw(TEXTS)
    if value:
        return series(draw, name, aligned=aligned, optional=optional)
    if other:
        return Table(name, values=TABLE, optional=optional), draw(IN_TABLE)
    return Logarithmic(name, **SCALE, optional=optional), draw(ON_SCALE)


simple_fields = st.composite(simple)  # one field alone, as a strategy


def groups(draw: DrawFn, *, aligned: bool, depth: int) -> Filled:
    fields: list[Field] = []
    values: dict[str, Any] = {}
    for name in NAMES[: draw(FIELD_COUNTS)]:
        roll, optional, present = draw(PLACES)
        field: Field
        value: Any
        if depth and roll == 0:
            inner = groups(draw, aligned=aligned, depth=depth - 1)
            field, value = Group(name, fields=inner.fields, optional=optional), inner.values
        elif depth and roll == 1:
            element, one = simple(draw, "", aligned=aligned)
            least, most = draw(FEW)
            field = Array(
                name, element=element, min_length=least, max_length=most, optional=optional
            )
            value = [one] * draw(UP_TO[least, most])
        elif depth and roll == 2:
            tag = f"{name}_tag"
            options = [groups(draw, aligned=aligned, depth=depth - 1) for _ in range(2)]
            fields.append(Enumeration(tag, names=ENUM[:2]))
            chosen = draw(BOOLEANS)
            values[tag] = ENUM[chosen]
            made = tuple(
                Option(when, option.fields) for when, option in zip(ENUM, options, strict=False)
            )
            field, value = (
                Union(name, tag=tag, options=made, optional=optional),
                options[chosen].values,
            )
        elif roll == 3:
            base, fields_at = draw(BASES), f"{name}_base"
            fields.append(Time(fields_at, bits=24))
            values[fields_at] = base
            field = TimeOffset(name, base=fields_at, max=Decimal(900), optional=optional)
            value = base + draw(OFFSETS)
        elif roll == 4:
            reserved, constant = draw(WASTED)
            fields.append(ReservedBits("", bits=reserved))
            fields.append(Constant(f"{name}_constant", value=5, bits=constant))
            values[f"{name}_constant"] = 5
            field, value = Sequence(name, bits=12, optional=optional), draw(TURNS)
        else:
            field, value = simple(draw, name, aligned=aligned, optional=optional)
        fields.append(field)
        if not optional or present:
            values[name] = value
    return Filled(tuple(fields), values)


@cache
@st.composite
def filled_messages(draw: DrawFn) -> tuple[Message, dict[str, Any]]:
    layout, byte_order, bit_order = draw(ORDERS)
    body = groups(draw, aligned=layout == "octet-aligned", depth=2)
    message = Message(
        "random",
        (Version("version", value=2), *body.fields),
        byte_order=byte_order,
        bit_order=bit_order,
        layout=layout,
    )
    return message, {"version": 2, **body.values}


def messages() -> SearchStrategy[Message]:
    return filled_messages().map(lambda pair: pair[0])
