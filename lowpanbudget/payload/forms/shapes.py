"""A message seen through integers: the shapes that other encodings are built from.

What a number means (step, unit, range) is gone here: a number is a whole count of steps, from 0 where 0
lies on its grid, else from its least value; its special codes follow its greatest count. Reserved bits
are no data and left out. An encoding needs to know nothing but these shapes; ``conversion`` turns values
into data of them.
"""

from collections.abc import Mapping
from decimal import Decimal
from functools import lru_cache
from typing import Any

from lowpanbudget.errors import RequestError
from lowpanbudget.payload.codec.grid import Stepped, are_whole
from lowpanbudget.payload.exact import EXACT, exact, nearest, steps_between
from lowpanbudget.values import dataclass

Values = dict[str, Any]


class Unsayable(RequestError):
    """An encoding has no way to say these values; the text says which."""


@dataclass(frozen=True, slots=True)
class WholeShape:
    """An integer from ``low`` to ``high``."""

    low: int
    high: int


@dataclass(frozen=True, slots=True)
class TruthShape:
    """True or false."""


@dataclass(frozen=True, slots=True)
class CodeShape:
    """One of some codes, rising or not."""

    codes: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class FlagsShape:
    """An integer whose lowest ``count`` bits are flags."""

    count: int


@dataclass(frozen=True, slots=True)
class RealShape:
    """A binary floating-point number of so many bits."""

    bits: int


@dataclass(frozen=True, slots=True)
class SizedShape:
    """From ``least`` to ``most`` octets or elements."""

    least: int
    most: int


@dataclass(frozen=True, slots=True)
class OctetsShape(SizedShape):
    """Octets as they are."""


@dataclass(frozen=True, slots=True)
class TextShape(SizedShape):
    """Text of some octets in an encoding."""

    encoding: str


@dataclass(frozen=True, slots=True)
class ListShape(SizedShape):
    """Elements of one shape."""

    element: "Shape"


@dataclass(frozen=True, slots=True)
class MemberShape:
    """One field of a record."""

    name: str
    shape: "Shape"
    optional: bool


@dataclass(frozen=True, slots=True)
class RecordShape:
    """Members by name, in order."""

    members: tuple[MemberShape, ...]

    def implied(self) -> frozenset[str]:
        """Return the tags that need not be sent where a choice tells by itself which option it is.

        The tag and a choice that is always there must stand side by side in this record.
        """
        certain = {
            member.shape.tag
            for member in self.members
            if isinstance(member.shape, ChoiceShape) and not member.optional
        }
        return frozenset(m.name for m in self.members if m.name in certain and not m.optional)

    def sent(self) -> list[tuple[int, MemberShape]]:
        """Return the members that must be sent, each with its place."""
        implied = self.implied()
        return [(at, one) for at, one in enumerate(self.members) if one.name not in implied]


@dataclass(frozen=True, slots=True)
class ChoiceShape:
    """One of several records, chosen by the code of a member named ``tag``."""

    tag: str
    options: tuple[tuple[int, RecordShape], ...]

    def chosen(self, tags: Mapping[str, Any]) -> tuple[int, RecordShape]:
        """Return index and record of the option whose tag is among the members known so far."""
        return next(
            (index, record)
            for index, (code, record) in enumerate(self.options)
            if code == tags[self.tag]
        )


Shape = (
    WholeShape
    | TruthShape
    | CodeShape
    | FlagsShape
    | RealShape
    | OctetsShape
    | TextShape
    | ListShape
    | RecordShape
    | ChoiceShape
)


@lru_cache(maxsize=1024)  # asked for with every value of a field
def _counts(least: Decimal, most: Decimal, step: Decimal, specials: int) -> tuple[bool, WholeShape]:
    """Return whether zero is sent as 0, and the counts: zero lies on the grid, and counts stay within 64 bits."""
    if steps_between(Decimal(0), least, step) is not None:
        low, high = (nearest(end, Decimal(0), step) for end in (least, most))
        top = high + specials
        if (low >= 0 and top < 1 << 64) or (low >= -(1 << 63) and top < 1 << 63):
            return True, WholeShape(low, top)
    return False, WholeShape(0, nearest(most, least, step) + specials)


def zero_within(number: Stepped) -> Decimal:
    """Return the value that is sent as 0: zero where it lies on the grid and counts stay within 64 bits."""
    from_zero, _ = _counts(number.min, number.max, number.step, len(number.special))
    return Decimal(0) if from_zero else number.min


def whole_of(number: Stepped) -> WholeShape:
    """Return the counts of a number, special codes at their end."""
    return _counts(number.min, number.max, number.step, len(number.special))[1]


def count_of(number: Stepped, value: Any) -> int:
    """Return the count that stands for a value or a special name."""
    shape = whole_of(number)
    if isinstance(value, str):
        names = [name for name, _ in number.special]
        return shape.high - len(names) + 1 + names.index(value)
    return nearest(exact(value), zero_within(number), number.step)


def counted_value(number: Stepped, count: int) -> Any:
    """Return the value or special name of a count."""
    beyond = count - (whole_of(number).high - len(number.special)) - 1
    if beyond >= 0:
        return number.special[beyond][0]
    value = EXACT.fma(Decimal(count), number.step, zero_within(number))
    return int(value) if are_whole(number.base, number.step) else value
