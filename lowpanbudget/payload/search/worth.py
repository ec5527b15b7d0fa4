"""What each field of a message costs and gives: octets, resolution, greatest error, and one bit less.

The cost of a field is found by taking it out and packing the greatest message again.
"""

import dataclasses
from collections.abc import Callable
from decimal import Decimal
from itertools import pairwise
from typing import Any, NamedTuple

from lowpanbudget.errors import plural
from lowpanbudget.payload.exact import EXACT, plain
from lowpanbudget.payload.flaws import FlawedMessage
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
from lowpanbudget.payload.kinds.reserved import Reserved
from lowpanbudget.payload.kinds.sequence import Sequence
from lowpanbudget.payload.kinds.series import Series
from lowpanbudget.payload.kinds.table import Table
from lowpanbudget.payload.kinds.time_offset import TimeOffset
from lowpanbudget.payload.kinds.union import Union
from lowpanbudget.payload.message import Message
from lowpanbudget.payload.search.coarser import number_of, within
from lowpanbudget.payload.search.tree import Place, place_text, replaced, walk

_SIGNIFICAND = {16: 11, 32: 24, 64: 53}  # bits, the hidden one included (IEEE 754 table 3.5)
_TWO = Decimal(2)


class Told(NamedTuple):
    """What a field gives, in words, and as numbers where it is one: its step and its greatest rounding error."""

    gives: str
    less: str
    step: Decimal | None = None
    error: Decimal | None = None
    less_step: Decimal | None = None
    less_error: Decimal | None = None


@dataclasses.dataclass(frozen=True, slots=True)
class Worth:
    """One field: the bits of one value, what taking it out saves in the greatest message, and what it gives.

    ``total_bits`` counts every value in an array, with what comes along (presence bits, counts);
    None if the message cannot do without the field. ``saves_octets`` is often less than ``total_bits``
    suggests, for octets are sent whole. ``spare_codes`` are codes that mean nothing yet.
    """

    path: str
    kind: str
    unit: str
    bits: int
    total_bits: int | None
    saves_octets: int | None
    spare_codes: int
    told: Told


def worths(message: Message) -> tuple[Worth, ...]:
    """Return what each field that holds a value costs and gives, in the order of the message."""
    found = []
    for place, field in walk(message.fields):
        if isinstance(field, Group | Array | Union):
            continue
        bits = message.order.rounded(_bits(field))
        saved = _saved(message, place)
        told = next(tell for kinds, tell in _TELLERS if isinstance(field, kinds))(field)
        found.append(
            Worth(
                path=place_text(place) if field.name or len(place) > 1 else field.kind,
                kind=field.kind,
                unit="s" if isinstance(field, Time | TimeOffset) else getattr(field, "unit", ""),
                bits=bits,
                total_bits=saved[0] if saved else None,
                saves_octets=saved[1] if saved else None,
                spare_codes=_spare(field, bits),
                told=told,
            )
        )
    return tuple(found)


def _saved(message: Message, place: Place) -> tuple[int, int] | None:
    """Return the bits and octets that the greatest message loses without a field."""
    if not place[-1]:  # reserved bits without a name
        return None
    try:
        without = replaced(message, {place: None})
    except FlawedMessage:  # a tag or a base that others need, or the only field of a group
        return None
    return message.max_bits - without.max_bits, message.max_octets - without.max_octets


def _bits(field: Field) -> int:
    if isinstance(field, Octets):
        return 8 * field.most
    if isinstance(field, Series | TimeOffset):
        return field.number().needed()
    needed: int = field.needed()  # type: ignore[attr-defined]  # all others are of fixed width
    return needed


def _spare(field: Field, bits: int) -> int:
    if isinstance(field, Number | Series | TimeOffset):
        number = number_of(field)
        return (1 << bits) - (number.highest - number.lowest + 1) - len(number.special)
    if isinstance(field, Enumeration):
        return (1 << bits) - len(field.names)
    if isinstance(field, Table | Logarithmic):
        return (1 << bits) - len(field.entries())
    return 0


def _number(field: Any) -> Told:
    unit = f" {number_of(field).unit}".rstrip()
    step, error = field.step, EXACT.divide(field.step, _TWO)
    gives = f"steps of {plain(step)}{unit}, off by at most {plain(error)}{unit}"
    coarser = within(field, number_of(field).needed() - 1)
    if coarser is None:
        return Told(gives, "nothing would be left", step, error)
    less_step, less_error = coarser.step, EXACT.divide(coarser.step, _TWO)
    if less_step == step:
        return Told(
            gives,
            "the same: the width is more than the range needs",
            step,
            error,
            less_step,
            less_error,
        )
    less = f"steps of {plain(less_step)}{unit}, off by at most {plain(less_error)}{unit}"
    return Told(gives, less, step, error, less_step, less_error)


def _float(field: Float) -> Told:
    def relative(bits: int) -> str:
        return f"about {Decimal(2) ** -_SIGNIFICAND[bits]:.1e} of the value"

    narrower = {64: 32, 32: 16}.get(field.bits)
    less = (
        f"{narrower} bits, off by at most {relative(narrower)}"
        if narrower
        else "no narrower floating point"
    )
    return Told(f"off by at most {relative(field.bits)}", less)


def _scale(field: Logarithmic | Table) -> Told:
    entries = field.entries()
    unit = f" {field.unit}" if field.unit else ""
    gaps = [EXACT.subtract(high, low) for low, high in pairwise(entries)]
    error = EXACT.divide(max(gaps), _TWO)
    gives = f"{len(entries)} values, off by at most {plain(error)}{unit}"
    fewer = 1 << max(0, (len(entries) - 1).bit_length() - 1)
    if isinstance(field, Table):
        return Told(gives, f"at most {plural(fewer, 'value')}", None, error)
    ratio = _percent(field, field.steps)
    less = (
        f"{fewer} values, each {_percent(field, fewer - 1)} above the last"
        if fewer > 1
        else "nothing would be left"
    )
    return Told(f"{gives}; each value {ratio} above the last", less, None, error)


def _percent(field: Logarithmic, steps: int) -> str:
    ratio = (float(field.max) / float(field.min)) ** (1 / steps)
    return f"{100 * (ratio - 1):.3g} %"


def _sequence(field: Sequence) -> Told:
    return Told(
        f"gaps of up to {(1 << field.bits) - 1} lost messages are counted right",
        f"gaps of up to {(1 << field.bits - 1) - 1}",
        Decimal(1),
        Decimal(0),
    )


def _time(field: Time) -> Told:
    error = EXACT.divide(field.step, _TWO)
    return Told(
        f"steps of {plain(field.step)} s, for {_years(field, field.bits)} from {field.epoch}",
        f"the same steps for {_years(field, field.bits - 1)}",
        field.step,
        error,
    )


def _years(field: Time, bits: int) -> str:
    seconds = float(field.step) * 2**bits
    return (
        f"{seconds / 31_557_600:.3g} years"
        if seconds > 31_557_600
        else f"{seconds / 86400:.3g} days"
    )


def _enumeration(field: Enumeration) -> Told:
    half = 1 << (field.needed() - 1)
    less = f"at most {half} names" if half > 1 else "nothing would be left"
    return Told(f"one of {len(field.names)} names", less)


def _octets(field: Octets) -> Told:
    return Told(f"up to {plural(field.most, 'octet')} as they are", "an octet less of content")


_TELLERS: tuple[tuple[Any, Callable[[Any], Told]], ...] = (
    (Number | Series | TimeOffset, _number),
    (Float, _float),
    (Logarithmic | Table, _scale),
    (Sequence, _sequence),
    (Time, _time),
    (Enumeration, _enumeration),
    (Boolean, lambda _: Told("true or false", "nothing would be left")),
    (Flags, lambda field: Told(plural(len(field.names), "flag"), "one flag less")),
    (
        Constant,
        lambda _: Told("tells the format apart from others", "half as many formats or versions"),
    ),
    (Reserved, lambda _: Told("room for later", "a bit less of it")),
    (Octets, _octets),
)
