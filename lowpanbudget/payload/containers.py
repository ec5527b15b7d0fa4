"""Fields made of fields: groups, arrays, series of samples, and unions chosen by a tag."""

import dataclasses
from collections.abc import Iterator
from decimal import Decimal
from typing import ClassVar

from lowpanbudget.errors import plural
from lowpanbudget.payload.bitpack import Order
from lowpanbudget.payload.clock import TimeOffset
from lowpanbudget.payload.contents import length_flaws
from lowpanbudget.payload.field import Field
from lowpanbudget.payload.flaws import Flaw
from lowpanbudget.payload.number import Number

DELTAS = ("fixed", "variable")


@dataclasses.dataclass(frozen=True, slots=True)
class Group(Field):
    """Fields under one name; the value is a dictionary. Presence bits of optional fields lead the group."""

    _: dataclasses.KW_ONLY
    fields: tuple[Field, ...]

    kind: ClassVar[str] = "group"

    def flaws(self, order: Order) -> Iterator[Flaw]:
        """Yield a flaw if there are no fields; the fields are judged by themselves."""
        del order
        if not self.fields:
            yield Flaw(("field",), "a group without fields", "Give it a field or remove it")


@dataclasses.dataclass(frozen=True, slots=True)
class Array(Field):
    """Elements of one kind: ``length`` of them, or ``min_length`` to ``max_length`` with the count in front.

    The count is sent as ``count - min_length`` in the fewest bits, as ASN.1 PER does, or in
    ``count_bits``. ``batch`` marks the array whose elements are readings to be collected.
    """

    _: dataclasses.KW_ONLY
    element: Field
    length: int | None = None
    min_length: int = 0
    max_length: int | None = None
    count_bits: int | None = None
    typical_length: int | None = None
    batch: bool = False

    kind: ClassVar[str] = "array"

    @property
    def least(self) -> int:
        """Return the smallest number of elements."""
        return self.min_length if self.length is None else self.length

    @property
    def most(self) -> int:
        """Return the greatest number of elements."""
        if self.length is not None:
            return self.length
        return self.min_length if self.max_length is None else self.max_length

    def flaws(self, order: Order) -> Iterator[Flaw]:
        """Yield what is wrong with the lengths."""
        yield from length_flaws(
            self, order, bits_key="count_bits", bits=self.count_bits, what="elements"
        )
        if self.element.optional:
            yield Flaw(
                ("element", "optional"),
                "an element of an array cannot be absent",
                "Use a special code, or a group with an optional field",
            )


@dataclasses.dataclass(frozen=True, slots=True)
class Series(Field):
    """Samples of one number: the first in full, the others as differences from the one before.

    ``deltas`` "fixed": each difference takes ``delta_bits`` in two's complement; with ``escape`` the
    most negative code is followed by the sample in full, for jumps. "variable": zigzag numbers
    (0, -1, 1, -2 ... are 0, 1, 2, 3 ...) in groups of ``group_bits``, lowest group first, each led by
    a bit that is 1 while more follow. Lengths and counts are as in ``Array``.
    """

    _: dataclasses.KW_ONLY
    min: Decimal
    max: Decimal
    step: Decimal = Decimal(1)
    unit: str = ""
    coding: str = "offset"
    bits: int | None = None
    tolerance: Decimal | None = None
    deltas: str
    delta_bits: int | None = None
    escape: bool = False
    group_bits: int | None = None
    length: int | None = None
    min_length: int = 0
    max_length: int | None = None
    count_bits: int | None = None
    typical_length: int | None = None
    batch: bool = False

    kind: ClassVar[str] = "series"
    decimals: ClassVar[tuple[str, ...]] = ("min", "max", "step", "tolerance")

    @property
    def least(self) -> int:
        """Return the smallest number of samples."""
        return self.min_length if self.length is None else self.length

    @property
    def most(self) -> int:
        """Return the greatest number of samples."""
        if self.length is not None:
            return self.length
        return self.min_length if self.max_length is None else self.max_length

    def number(self) -> Number:
        """Return one sample in full."""
        return Number(
            self.name,
            min=self.min,
            max=self.max,
            step=self.step,
            unit=self.unit,
            coding=self.coding,
            bits=self.bits,
            tolerance=self.tolerance,
        )

    def flaws(self, order: Order) -> Iterator[Flaw]:
        """Yield what is wrong with samples, lengths and differences."""
        yield from self.number().flaws(order)
        yield from length_flaws(
            self, order, bits_key="count_bits", bits=self.count_bits, what="samples"
        )
        if self.deltas == "fixed":
            if self.delta_bits is None or not 2 <= self.delta_bits <= 32:
                yield Flaw(
                    ("delta_bits",), f"{self.delta_bits} is no width of a difference", "Use 2 to 32"
                )
            if self.group_bits is not None:
                yield Flaw(
                    ("group_bits",),
                    "differences of fixed width have no groups",
                    "Leave group_bits out",
                )
        elif self.deltas == "variable":
            if self.delta_bits is not None or self.escape:
                key = "escape" if self.escape else "delta_bits"
                yield Flaw(
                    (key,), "differences of variable length can be of any size", f"Leave {key} out"
                )
            group = self.group_bits or 7
            if not 1 <= group <= 31:
                yield Flaw(
                    ("group_bits",), f"{self.group_bits} is no width of a group", "Use 1 to 31"
                )
            elif order.aligned and (group + 1) % 8:
                yield Flaw(
                    ("group_bits",),
                    f"a group takes {plural(group + 1, 'bit')} with its leading bit, and the layout wants whole octets",
                    "Use 7, 15, 23 or 31",
                )
        else:
            yield Flaw(
                ("deltas",),
                f"{self.deltas!r} is no kind of difference",
                f"Use {' or '.join(DELTAS)}",
            )


@dataclasses.dataclass(frozen=True, slots=True)
class Option:
    """What a union holds when its tag is ``when``; ``fields`` may be empty."""

    when: str
    fields: tuple[Field, ...]


@dataclasses.dataclass(frozen=True, slots=True)
class Union(Field):
    """One of several groups of fields, chosen by an earlier enumeration named ``tag``; the value is a dictionary."""

    _: dataclasses.KW_ONLY
    tag: str
    options: tuple[Option, ...]

    kind: ClassVar[str] = "union"


def references(fields: tuple[Field, ...], deepest: int) -> frozenset[str]:
    """Return the names that unions and time offsets refer to, down to a depth."""
    names: set[str] = set()
    for field in fields if deepest else ():
        if isinstance(field, TimeOffset):
            names.add(field.base)
        elif isinstance(field, Group):
            names |= references(field.fields, deepest - 1)
        elif isinstance(field, Array):
            names |= references((field.element,), deepest - 1)
        elif isinstance(field, Union):
            names.add(field.tag)
            for option in field.options:
                names |= references(option.fields, deepest - 1)
    return frozenset(names)
