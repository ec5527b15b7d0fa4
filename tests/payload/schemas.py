"""hypothesis strategies: random message formats with values that fit them."""

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
# made once: a strategy that is made at each draw is looked through at each draw
STEPS = st.sampled_from(
    [Decimal(step).scaleb(exponent) for exponent in range(-3, 3) for step in (1, 2, 5, 25)]
)
COUNTS = st.one_of(st.integers(1, 300), st.integers(1, 2**31))
CODINGS = st.sampled_from(["offset", "twos-complement"])
SPECIALS = st.sampled_from([(), (("na", None),), (("na", None), ("over", None))])
OPTIONAL = st.sampled_from([False, False, False, True])
FIRST = {count: st.sampled_from(ENUM[:count]) for count in range(1, len(ENUM) + 1)}
SOME = {count: st.sets(names) for count, names in FIRST.items()}
WIDTHS = st.sampled_from([16, 32, 64])
FLOATS = {
    16: st.floats(width=16, allow_nan=False),
    32: st.floats(width=32, allow_nan=False),
    64: st.floats(width=64, allow_nan=False),
}
TEXTS = st.text(max_size=5, alphabet=st.characters(codec="utf-8"))
TABLE = tuple(map(Decimal, ("0.5", "1", "7", "20", "900")))
IN_TABLE = st.sampled_from(Table("", values=TABLE).entries())
SCALE: dict[str, Any] = {"min": Decimal("0.01"), "max": Decimal(5000), "steps": 37}
ON_SCALE = st.sampled_from(Logarithmic("", **SCALE).entries())
ORDERS = st.sampled_from(list(product(LAYOUTS, BYTE_ORDERS, BIT_ORDERS)))


class Filled(NamedTuple):
    """Fields with values for them."""

    fields: tuple[Field, ...]
    values: dict[str, Any]


def numbers(draw: DrawFn, name: str, *, optional: bool = False) -> tuple[Number, Any]:
    step = draw(STEPS)
    low = draw(st.integers(-(2**20), 2**20))
    count = draw(COUNTS)
    least, most = low * step, (low + count) * step
    specials = draw(SPECIALS)
    field = Number(
        name,
        min=least,
        max=most,
        step=step,
        coding=draw(CODINGS),
        special=specials,
        optional=optional,
    )
    value: Any = (low + draw(st.integers(0, count))) * step
    if value == int(value) and draw(st.booleans()):
        value = int(value)
    if specials and draw(st.integers(0, 9)) == 0:
        value = specials[0][0]
    return field, value


def series(draw: DrawFn, name: str, *, aligned: bool, optional: bool) -> tuple[Series, Any]:
    fixed = draw(st.booleans())
    most = draw(st.integers(1, 9))
    least = draw(st.integers(0, most))
    escape = fixed and draw(st.booleans())
    span = 5000 if escape or not fixed else 3
    group = 7 if aligned else draw(st.integers(1, 9))
    field = Series(
        name,
        min=Decimal(-5000),
        max=Decimal(5000),
        deltas="fixed" if fixed else "variable",
        delta_bits=draw(st.integers(4, 11)) if fixed else None,
        escape=escape,
        group_bits=None if fixed else group,
        coding=draw(CODINGS),
        min_length=least,
        max_length=most,
        optional=optional,
    )
    items = st.integers(-span, span)
    return field, draw(st.lists(items, min_size=least, max_size=most))


def simple(draw: DrawFn, name: str, *, aligned: bool, optional: bool = False) -> tuple[Field, Any]:
    kind = draw(st.integers(0, 9))
    if kind <= 2:
        return numbers(draw, name, optional=optional)
    if kind == 3:
        return Boolean(name, optional=optional), draw(st.booleans())
    if kind == 4:
        names = ENUM[: draw(st.integers(2, len(ENUM)))]
        return Enumeration(name, names=names, optional=optional), draw(FIRST[len(names)])
    if kind == 5:
        names = ENUM[: draw(st.integers(1, len(ENUM)))]
        chosen = draw(SOME[len(names)])
        return Flags(name, names=names, optional=optional), tuple(n for n in names if n in chosen)
    if kind == 6:
        width = draw(WIDTHS)
        return Float(name, bits=width, optional=optional), draw(FLOATS[width])
    if kind == 7:
        most = draw(st.integers(1, 12))
        least = draw(st.integers(0, most))
        octets = draw(st.binary(min_size=least, max_size=most))
        return Octets(name, min_length=least, max_length=most, optional=optional), octets
    if kind == 8:
        field = Text(name, max_length=20, optional=optional)
        return field, draw(TEXTS)
    if draw(st.booleans()):
        return series(draw, name, aligned=aligned, optional=optional)
    if draw(st.booleans()):
        return Table(name, values=TABLE, optional=optional), draw(IN_TABLE)
    return Logarithmic(name, **SCALE, optional=optional), draw(ON_SCALE)


simple_fields = st.composite(simple)  # one field alone, as a strategy


def groups(draw: DrawFn, *, aligned: bool, depth: int) -> Filled:
    fields: list[Field] = []
    values: dict[str, Any] = {}
    for name in NAMES[: draw(st.integers(1, 5))]:
        optional = draw(OPTIONAL)
        roll = draw(st.integers(0, 9))
        field: Field
        value: Any
        if depth and roll == 0:
            inner = groups(draw, aligned=aligned, depth=depth - 1)
            field, value = Group(name, fields=inner.fields, optional=optional), inner.values
        elif depth and roll == 1:
            element, one = simple(draw, "", aligned=aligned)
            most = draw(st.integers(1, 5))
            least = draw(st.integers(0, most))
            field = Array(
                name, element=element, min_length=least, max_length=most, optional=optional
            )
            value = [one] * draw(st.integers(least, most))
        elif depth and roll == 2:
            tag = f"{name}_tag"
            options = [groups(draw, aligned=aligned, depth=depth - 1) for _ in range(2)]
            fields.append(Enumeration(tag, names=ENUM[:2]))
            chosen = draw(st.integers(0, 1))
            values[tag] = ENUM[chosen]
            made = tuple(
                Option(when, option.fields) for when, option in zip(ENUM, options, strict=False)
            )
            field, value = (
                Union(name, tag=tag, options=made, optional=optional),
                options[chosen].values,
            )
        elif roll == 3:
            base, fields_at = draw(st.integers(0, 2**20)), f"{name}_base"
            fields.append(Time(fields_at, bits=24))
            values[fields_at] = base
            field = TimeOffset(name, base=fields_at, max=Decimal(900), optional=optional)
            value = base + draw(st.integers(0, 900))
        elif roll == 4:
            fields.append(ReservedBits("", bits=draw(st.integers(1, 9))))
            fields.append(Constant(f"{name}_constant", value=5, bits=draw(st.integers(3, 17))))
            values[f"{name}_constant"] = 5
            field, value = Sequence(name, bits=12, optional=optional), draw(st.integers(0, 4095))
        else:
            field, value = simple(draw, name, aligned=aligned, optional=optional)
        fields.append(field)
        if not optional or draw(st.booleans()):
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
