"""Making a message fit: the smallest loss of resolution, within the tolerances that its author gave.

Every candidate is a whole message, compiled; those of the answer are packed. Losses are compared as the share of its
tolerance that each field's rounding error uses up; a candidate's loss is that of its worst field. For
each loss the smallest message takes, of every field, the coarsest step within that loss, so going
through the losses finds the whole Pareto front; then steps are given back that save no octet.
"""

import dataclasses
from collections.abc import Callable
from decimal import Context, Decimal
from typing import NamedTuple

from lowpanbudget.payload.exact import EXACT
from lowpanbudget.payload.kinds.number import Number
from lowpanbudget.payload.kinds.series import Series
from lowpanbudget.payload.message import Message
from lowpanbudget.payload.search.coarser import number_of, within
from lowpanbudget.payload.search.tree import Place, place_text, replaced, walk

_SHARES = Context(prec=9)  # a share of a tolerance is a measure, no value

Measure = Callable[[Message], int]


class Change(NamedTuple):
    """A coarser step of one field; ``loss`` is the share of its tolerance that its greatest ``error`` uses."""

    path: str
    step_before: Decimal
    step_after: Decimal
    bits_before: int
    bits_after: int
    error: Decimal
    loss: Decimal


@dataclasses.dataclass(frozen=True, slots=True)
class Candidate:
    """A message of the Pareto front: its octets, the share of its tolerance that the worst field uses, the changes."""

    octets: int
    loss: Decimal
    changes: tuple[Change, ...]
    message: Message


class _Choice(NamedTuple):
    """One possible step of a field."""

    field: Number | Series
    loss: Decimal


def shrink(message: Message, measure: Measure | None = None) -> tuple[Candidate, ...]:
    """Return the Pareto front from the message as it is to the smallest within all tolerances.

    Octets fall and losses rise from one candidate to the next. ``measure`` gives the octets of a
    message (those of the greatest unless given), so that a batch of readings can be asked about.
    """
    size = measure or _greatest
    choices = {
        place: _choices(field)
        for place, field in walk(message.fields)
        if isinstance(field, Number | Series)
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
        found = _candidate(message, choices, taken, size)
        if found.octets < front[-1].octets:
            front.append(_given_back(message, choices, taken, found, size))
    if measure is None:
        front = [dataclasses.replace(found, octets=found.message.max_octets) for found in front]
    return tuple(front)


def smallest_loss(
    message: Message, octets: int, measure: Measure | None = None
) -> Candidate | None:
    """Return the candidate of the smallest loss with at most ``octets`` octets, or None if none is that small."""
    return next((found for found in shrink(message, measure) if found.octets <= octets), None)


def _greatest(message: Message) -> int:
    return -(-message.widest_bits // 8)


def _choices(field: Number | Series) -> list[_Choice]:
    """Return the steps that a field may have: as it is, then a bit less each time while the tolerance allows."""
    tolerance = field.tolerance
    choices = [_Choice(field, Decimal(0))]
    if tolerance is None or tolerance <= 0:
        return choices
    for bits in range(number_of(field).needed() - 1, 0, -1):
        coarser = within(field, bits)
        if coarser is None or EXACT.divide(coarser.step, Decimal(2)) > tolerance:
            break
        choices.append(_Choice(coarser, _share(coarser.step, tolerance)))
    return choices


def _share(step: Decimal, tolerance: Decimal) -> Decimal:
    return _SHARES.divide(EXACT.divide(step, Decimal(2)), tolerance)


def _candidate(
    message: Message, choices: dict[Place, list[_Choice]], taken: dict[Place, int], size: Measure
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


def _change(place: Place, before: Number | Series, choice: _Choice) -> Change:
    after = choice.field
    return Change(
        place_text(place),
        before.step,
        after.step,
        number_of(before).needed(),
        number_of(after).needed(),
        EXACT.divide(after.step, Decimal(2)),
        choice.loss,
    )


def _given_back(
    message: Message,
    choices: dict[Place, list[_Choice]],
    taken: dict[Place, int],
    found: Candidate,
    size: Measure,
) -> Candidate:
    """Return the candidate with finer steps wherever the octets stay the same, the worst losses first."""
    taken = dict(taken)
    for place in sorted(taken, key=lambda place: -choices[place][taken[place]].loss):
        while taken[place]:
            tried = _candidate(message, choices, taken | {place: taken[place] - 1}, size)
            if tried.octets > found.octets:
                break
            taken[place] -= 1
            found = tried
    return found
