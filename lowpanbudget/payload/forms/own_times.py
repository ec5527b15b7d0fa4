"""Elements with times of their own, by which SenML tells them apart (RFC 8428 sections 5.1.2, 5.1.3).

Examples have one time for all elements, the largest messages too: no node takes its readings so, and a pack in which
times do not rise needs an index in each name.
"""

from collections.abc import Iterator, Mapping
from decimal import Decimal
from typing import Any, cast

from lowpanbudget.payload.exact import EXACT, exact
from lowpanbudget.payload.forms.doubles import Numbers
from lowpanbudget.payload.forms.longest import written
from lowpanbudget.payload.forms.senml_pack import base_field
from lowpanbudget.payload.forms.shapes import Values
from lowpanbudget.payload.kinds.elements import Array
from lowpanbudget.payload.kinds.time_offset import TimeOffset
from lowpanbudget.payload.message import Message


def own_times(message: Message) -> Iterator[tuple[Array, TimeOffset]]:
    """Yield the arrays whose elements have a time of their own in a pack, and that time."""
    base = base_field(message.fields)
    for field in message.fields:
        if isinstance(field, Array) and (own := field.element.own_time(base)) is not None:
            yield field, cast("TimeOffset", own)


def risen(message: Message, values: Mapping[str, Any]) -> Values:
    """Return values whose elements are a step of time apart, up to the time of the last, where their times can be."""
    made = dict(values)
    for array, own in own_times(message):
        items, grid = made.get(array.name, ()), own.number().grid()
        if not items or len(items) > times_of(own):
            continue
        last = grid.steps_of(EXACT.subtract(exact(items[-1][own.name]), exact(values[own.base])))
        first = min(max(last + 1 - len(items), grid.low), grid.high + 1 - len(items))
        made[array.name] = [
            {**item, own.name: own.after(values, grid.value_of(step))}
            for step, item in enumerate(items, first)
        ]
    return made


def times_of(own: TimeOffset) -> int:
    """Return how many times a time offset can be."""
    grid = own.number().grid()
    return grid.high + 1 - grid.low


def longest_offsets(own: TimeOffset, count: int, numbers: Numbers) -> list[Decimal]:
    """Return so many seconds of a time offset that rise; whole ones take together as much room as any so many.

    On either side of 0 numbers are no shorter the further they are away, and 0 is not written at all.
    """
    grid = own.number().grid()
    low, high, chosen = grid.low, grid.high, []
    for _ in range(count):
        least, most = grid.value_of(low), grid.value_of(high)
        if least < 0 and (most <= 0 or written(least, numbers) >= written(most, numbers)):
            chosen.append(exact(least))
            low += 1
        else:
            chosen.append(exact(most))
            high -= 1
    return sorted(chosen)
