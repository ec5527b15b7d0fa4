"""What each field of a message costs and gives: octets, resolution, greatest error, what a smaller place would give.

The cost of a field is found by taking it out and packing the greatest message again.
"""

from lowpanbudget.payload.flaws import FlawedMessage
from lowpanbudget.payload.kinds.field import Field
from lowpanbudget.payload.kinds.interfaces import FieldPath, Gain, InnerPart
from lowpanbudget.payload.message import Message
from lowpanbudget.payload.search.tree import replaced, walk, without
from lowpanbudget.payload.words import joined
from lowpanbudget.values import dataclass


@dataclass(frozen=True, slots=True)
class PartWorth:
    """What values of a field are made of many times, by its ``name``: a fixed difference of a series.

    ``bits`` are those of one; ``gives`` says what it tells, and ``less`` what it would tell in ``less_bits``, the next
    smaller place. ``saves_bits`` and ``saves_octets`` are what the greatest message then loses; None where a part
    cannot be smaller.
    """

    name: str
    bits: int
    gives: str
    less_bits: int
    less: str
    saves_bits: int | None
    saves_octets: int | None


@dataclass(frozen=True, slots=True)
class Worth:
    """One field: the bits of one value, what taking it out saves in the greatest message, and what it gives.

    ``total_bits`` and ``saves_octets`` are what the message loses without it, None if it cannot do without. The bits
    are those of every value in an array, with what comes along (presence bits, counts, padding); none where a field
    behind it keeps its place (``at``). The octets are often fewer than these suggest, for octets are sent whole.
    ``spare_codes`` are codes that mean nothing yet, ``told`` what it gives and what it would give in the next smaller
    place, of ``less_bits``: a bit less, or an octet less where all fields take whole octets. ``parts`` are what else
    its values are made of.
    """

    path: str
    kind: str
    unit: str
    bits: int
    less_bits: int
    total_bits: int | None
    saves_octets: int | None
    spare_codes: int
    told: Gain
    parts: tuple[PartWorth, ...] = ()


def worths(message: Message) -> tuple[Worth, ...]:
    """Return what each field that holds a value costs and gives, in the order of the message."""
    costs = []
    for place, field in walk(message.fields):
        if field.bodies():
            continue
        bits = message.order.rounded(field.value_bits())
        less = message.order.narrower(field.value_bits())
        saved = _saved(message, place, field, None)
        costs.append(
            Worth(
                path=joined(place if place[-1] else (*place[:-1], field.kind)),
                kind=field.kind,
                unit=field.shown_unit(),
                bits=bits,
                less_bits=less,
                total_bits=saved[0] if saved else None,
                saves_octets=saved[1] if saved else None,
                spare_codes=field.spare_codes(bits),
                told=field.gain(less),
                parts=tuple(
                    _part(message, place, field, one) for one in field.inner_parts(message.order)
                ),
            )
        )
    return tuple(costs)


def _part(message: Message, place: FieldPath, field: Field, part: InnerPart) -> PartWorth:
    saved = _saved(message, place, field, part.narrower) if part.narrower else None
    return PartWorth(*part[:-1], *(saved or (None, None)))


def _saved(
    message: Message, place: FieldPath, field: Field, other: Field | None
) -> tuple[int, int] | None:
    """Return the bits and octets that the greatest message loses with another field in the place of one, or none."""
    try:
        smaller = replaced(message, {place: other}) if other else without(message, place, field)
    except FlawedMessage:  # a tag or a base that others need, or the only field of a group
        return None
    return message.max_bits - smaller.max_bits, message.max_octets - smaller.max_octets
