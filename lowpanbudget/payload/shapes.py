"""A message seen through integers: the shapes that other encodings are built from.

What a number means (step, unit, range) is gone here: a number is a whole count of steps, from 0 where 0
lies on its grid, else from its least value; its special codes follow its greatest count. Reserved bits
are no data and left out. An encoding needs to know nothing but these shapes; ``shape_data`` turns values
into data of them.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from lowpanbudget.errors import RequestError
from lowpanbudget.payload.codec.grid import zero_of
from lowpanbudget.payload.exact import nearest
from lowpanbudget.payload.kinds.binary_float import Float
from lowpanbudget.payload.kinds.boolean import Boolean
from lowpanbudget.payload.kinds.constant import Constant
from lowpanbudget.payload.kinds.elements import Array
from lowpanbudget.payload.kinds.enumeration import Enumeration
from lowpanbudget.payload.kinds.field import Field
from lowpanbudget.payload.kinds.flags import Flags
from lowpanbudget.payload.kinds.group import Group
from lowpanbudget.payload.kinds.logarithmic import Logarithmic
from lowpanbudget.payload.kinds.number import Number
from lowpanbudget.payload.kinds.octets import Octets
from lowpanbudget.payload.kinds.series import Series
from lowpanbudget.payload.kinds.table import Table
from lowpanbudget.payload.kinds.text import Text
from lowpanbudget.payload.kinds.union import Union
from lowpanbudget.payload.message import Message
from lowpanbudget.payload.whole_codes import members, number_in

Values = dict[str, Any]


class Unsayable(RequestError):
    """An encoding has no way to say these values; the text says which."""


@dataclass(frozen=True, slots=True)
class Whole:
    """An integer from ``low`` to ``high``."""

    low: int
    high: int


@dataclass(frozen=True, slots=True)
class Truth:
    """True or false."""


@dataclass(frozen=True, slots=True)
class Named:
    """One of some codes, rising or not."""

    codes: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Bits:
    """An integer whose lowest ``count`` bits are flags."""

    count: int


@dataclass(frozen=True, slots=True)
class Real:
    """A binary floating-point number of so many bits."""

    bits: int


@dataclass(frozen=True, slots=True)
class Blob:
    """From ``least`` to ``most`` octets."""

    least: int
    most: int


@dataclass(frozen=True, slots=True)
class Words:
    """Text of ``least`` to ``most`` octets in an encoding."""

    least: int
    most: int
    encoding: str


@dataclass(frozen=True, slots=True)
class Items:
    """From ``least`` to ``most`` elements."""

    element: "Shape"
    least: int
    most: int


@dataclass(frozen=True, slots=True)
class Member:
    """One field of a record."""

    name: str
    shape: "Shape"
    optional: bool


@dataclass(frozen=True, slots=True)
class Record:
    """Members by name, in order."""

    members: tuple[Member, ...]

    def implied(self) -> frozenset[str]:
        """Return the tags that need not be sent where a choice tells by itself which option it is.

        The tag and a choice that is always there must stand side by side in this record.
        """
        certain = {
            member.shape.tag
            for member in self.members
            if isinstance(member.shape, Choice) and not member.optional
        }
        return frozenset(m.name for m in self.members if m.name in certain and not m.optional)


@dataclass(frozen=True, slots=True)
class Choice:
    """One of several records, chosen by the code of a member named ``tag``."""

    tag: str
    options: tuple[tuple[int, Record], ...]

    def chosen(self, tags: Mapping[str, Any]) -> tuple[int, Record]:
        """Return index and record of the option whose tag is among the members known so far."""
        return next(
            (index, record)
            for index, (code, record) in enumerate(self.options)
            if code == tags[self.tag]
        )


Shape = Whole | Truth | Named | Bits | Real | Blob | Words | Items | Record | Choice


def shape_of(message: Message) -> Record:
    """Return the shape of a message."""
    return _record(message.fields, {})


def zero_within(number: Number) -> Decimal:
    """Return the value that is sent as 0: zero where it lies on the grid and counts stay within 64 bits."""
    zero = zero_of(number)
    low, high = nearest(number.min, zero, number.step), nearest(number.max, zero, number.step)
    top = high + len(number.special)
    unsigned = low >= 0 and top < 1 << 64
    signed = low >= -(1 << 63) and top < 1 << 63
    return zero if unsigned or signed else number.min


def whole_of(number: Number) -> Whole:
    """Return the counts of a number, special codes at their end."""
    zero = zero_within(number)
    high = nearest(number.max, zero, number.step) + len(number.special)
    return Whole(nearest(number.min, zero, number.step), high)


def _record(fields: tuple[Field, ...], tags: dict[str, Enumeration]) -> Record:
    known, made = dict(tags), []
    for field in members(fields):
        if isinstance(field, Enumeration):
            known[field.name] = field
        made.append(Member(field.name, _shape(field, known), field.optional))
    return Record(tuple(made))


def _shape(field: Field, tags: dict[str, Enumeration]) -> Shape:
    number = number_in(field)
    if isinstance(field, Series):
        assert number is not None
        return Items(whole_of(number), field.least, field.most)
    if number is not None:
        return whole_of(number)
    if isinstance(field, Table | Logarithmic):
        return Whole(0, len(field.entries()) - 1)
    if isinstance(field, Boolean):
        return Truth()
    if isinstance(field, Enumeration):
        return Named(field.numbers())
    if isinstance(field, Flags):
        return Bits(len(field.names))
    if isinstance(field, Constant):
        return Whole(0, (1 << field.bits) - 1)
    if isinstance(field, Float):
        return Real(field.bits)
    if isinstance(field, Text):
        return Words(field.least, field.most, field.encoding)
    if isinstance(field, Octets):
        return Blob(field.least, field.most)
    if isinstance(field, Array):
        return Items(_shape(field.element, tags), field.least, field.most)
    if isinstance(field, Group):
        return _record(field.fields, tags)
    assert isinstance(field, Union)
    tag = tags[field.tag]
    codes = dict(zip(tag.names, tag.numbers(), strict=True))
    options = tuple((codes[option.when], _record(option.fields, tags)) for option in field.options)
    return Choice(field.tag, tuple(sorted(options, key=lambda pair: pair[0])))
