"""Making a message fit: the smallest loss of resolution, within the tolerances that its author gave.

Every candidate is a whole message, compiled; those of the answer are packed. Losses are compared as the share of its
tolerance that each field's rounding error uses up; a candidate's loss is that of its worst field. For
each loss the smallest message takes, of every field, the coarsest step within that loss, so going
through the losses finds the whole Pareto front; then steps are given back that save no octet.
"""

import dataclasses
from collections.abc import Callable
from decimal import Decimal
from typing import Any, NamedTuple

from lowpanbudget.payload.exact import EXACT
from lowpanbudget.payload.flaws import FlawedMessage
from lowpanbudget.payload.kinds.interfaces import Coarser, FieldPath
from lowpanbudget.payload.message import Message
from lowpanbudget.payload.search.tree import replaced, walk
from lowpanbudget.payload.words import joined
from lowpanbudget.values import dataclass

Measure = Callable[[Message], int]


class Coarsening(NamedTuple):
    """A coarser step of one field, in its unit; ``loss`` is the share of its tolerance that its ``error`` uses up.

    ``path`` is the field's; ``error`` the greatest rounding error, half a step; ``bits_before`` and ``bits_after`` are
    those of one value; ``also`` says in words what must change with the step, as a range does that it does not divide.
    Where the steps stay, the width alone is another one, or what ``also`` says, and nothing is lost.
    """

    path: str
    step_before: Decimal
    step_after: Decimal
    bits_before: int
    bits_after: int
    error: Decimal
    loss: Decimal
    also: str


@dataclass(frozen=True, slots=True)
class Candidate:
    """A message that cannot be made smaller without more loss: a point of the Pareto front.

    ``octets`` are those of its greatest value; ``loss`` is the share of its tolerance, 0 to 1, that the field which
    loses most uses up; ``changes`` lead to it from the message as it is, and ``message`` is the format itself.
    """

    octets: int
    loss: Decimal
    changes: tuple[Coarsening, ...]
    message: Message


def shrink(message: Message, measure: Measure | None = None) -> tuple[Candidate, ...]:
    """Return the Pareto front from the message as it is to the smallest within all tolerances.

    Octets fall and losses rise from one candidate to the next. ``measure`` gives the octets of a
    message (those of the greatest unless given), so that a batch of readings can be asked about.
    """
    size = measure or _greatest
    choices = {
        place: [Coarser(field, Decimal(0), ""), *field.coarser(message.order)]
        for place, field in walk(message.fields)
    }
    choices = {place: options for place, options in choices.items() if len(options) > 1}
    losses = sorted({option.loss for options in choices.values() for option in options[1:]})
    front = [_candidate(message, choices, dict.fromkeys(choices, 0), size)]
    for loss in losses:
        taken = {
            place: max(
                index for index, option in enumerate(options) if index == 0 or option.loss <= loss
            )
            for place, options in choices.items()
        }
        candidate = _candidate(message, choices, taken, size)
        if candidate.octets < front[-1].octets:
            front.append(_given_back(message, choices, taken, candidate, size))
    if measure is None:
        front = [
            dataclasses.replace(candidate, octets=candidate.message.max_octets)
            for candidate in front
        ]
    return tuple(front)


def bit_packed(message: Message) -> tuple[Candidate, ...]:
    """Return the Pareto front of an octet-aligned message without the bits that fill up its fields, if there is any.

    The first candidate takes all values that the message takes, and its changes are what that needs beside the layout;
    the changes of the others lead on from there.
    """
    if not message.order.aligned:
        return ()
    wider = {
        place: [Coarser(field, Decimal(0), ""), choice]
        for place, field in walk(message.fields)
        if (choice := field.bit_packed())
    }
    try:
        packed = dataclasses.replace(message, layout="bit-packed")
    except FlawedMessage:  # a special code that means a value in fewer bits
        return ()
    first = _candidate(packed, wider, dict.fromkeys(wider, 1), _greatest)
    _, *others = shrink(first.message)
    return (dataclasses.replace(first, octets=first.message.max_octets), *others)


def _greatest(message: Message) -> int:
    return -(-message.widest_bits // 8)


def _candidate(
    message: Message,
    choices: dict[FieldPath, list[Coarser]],
    taken: dict[FieldPath, int],
    size: Measure,
) -> Candidate:
    changed = {place: choices[place][index] for place, index in taken.items() if index}
    made = (
        replaced(message, {place: choice.field for place, choice in changed.items()})
        if changed
        else message
    )
    changes = tuple(
        _change(place, choices[place][0].field, choice) for place, choice in changed.items()
    )
    worst = max((choice.loss for choice in changed.values()), default=Decimal(0))
    return Candidate(size(made), worst, changes, made)


def _change(place: FieldPath, before: Any, choice: Coarser) -> Coarsening:
    after, number = choice.field, choice.field.number()
    return Coarsening(
        joined(place),
        before.step,
        after.step,
        before.number().needed(),
        number.needed(),
        EXACT.divide(after.step, Decimal(2)),
        choice.loss,
        choice.also,
    )


def _given_back(
    message: Message,
    choices: dict[FieldPath, list[Coarser]],
    taken: dict[FieldPath, int],
    candidate: Candidate,
    size: Measure,
) -> Candidate:
    """Return the candidate with finer steps wherever the octets stay the same, the worst losses first."""
    taken = dict(taken)
    for place in sorted(taken, key=lambda place: -choices[place][taken[place]].loss):
        while taken[place]:
            tried = _candidate(message, choices, taken | {place: taken[place] - 1}, size)
            if tried.octets > candidate.octets:
                break
            taken[place] -= 1
            candidate = tried
    return candidate
