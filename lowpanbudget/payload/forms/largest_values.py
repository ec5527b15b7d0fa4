"""The values of a message that take most room in an encoding: every field its longest, all that may be absent there."""

import dataclasses
from collections.abc import Callable, Iterator, Mapping
from decimal import Decimal
from typing import Any, NamedTuple

from lowpanbudget.payload.exact import EXACT, exact
from lowpanbudget.payload.forms.doubles import Numbers
from lowpanbudget.payload.forms.longest import Longest, NumberRange, longest, span_of
from lowpanbudget.payload.forms.own_times import longest_offsets, own_times, times_of
from lowpanbudget.payload.forms.senml_pack import base_field, has_records
from lowpanbudget.payload.forms.senml_units import Units
from lowpanbudget.payload.forms.shapes import Unsayable, Values
from lowpanbudget.payload.kinds.boolean import Boolean
from lowpanbudget.payload.kinds.elements import Array
from lowpanbudget.payload.kinds.enumeration import Enumeration
from lowpanbudget.payload.kinds.field import Field
from lowpanbudget.payload.kinds.group import Group
from lowpanbudget.payload.kinds.instant import Time
from lowpanbudget.payload.kinds.interfaces import ELEMENT, FieldPath
from lowpanbudget.payload.kinds.number import Number
from lowpanbudget.payload.kinds.series import Series
from lowpanbudget.payload.kinds.time_offset import TimeOffset
from lowpanbudget.payload.kinds.union import Union
from lowpanbudget.payload.message import Message
from lowpanbudget.payload.search.tree import walk
from lowpanbudget.payload.units import in_packs, multiplied
from lowpanbudget.values import dataclass

Encode = Callable[[Mapping[str, Any]], bytes]


@dataclass(frozen=True, slots=True)
class Writing:
    """How an encoding writes values, as far as sizes ask.

    ``times``: a time offset is written as the whole time. ``units``: of an encoding that has units, each once for all
    records that share it; None for others.
    """

    numbers: Numbers = "fixed"
    times: bool = False
    units: Units | None = None


class Coded(NamedTuple):
    """A number whose longest value is a special code, which has no unit; a number is ``loss`` octets shorter."""

    place: FieldPath
    unit: str
    loss: int


class Made(NamedTuple):
    """The values of one combination, and what their size lacks to a proven limit."""

    values: Values
    slack: int
    coded: list[Coded]
    times: Mapping[
        str, int
    ]  # the octets that the time of a record takes at most, of arrays where that is a limit


@dataclass(slots=True)
class Leaves:
    """The longest values of the fields of a message that have none of their own; ``prepare`` gives an encoder."""

    message: Message
    writing: Writing
    prepare: Callable[[Message], Encode]
    _longest: dict[tuple[Any, ...], Longest] = dataclasses.field(default_factory=dict)
    _encoders: dict[tuple[Any, ...], Encode] = dataclasses.field(default_factory=dict)
    own_times: dict[str, TimeOffset] = dataclasses.field(init=False)

    def __post_init__(self) -> None:
        """Find the elements that an encoding with times of its own tells apart by theirs."""
        timed = self.writing.units is not None
        self.own_times = {array.name: own for array, own in own_times(self.message) if timed}

    def of(
        self, field: Field, place: FieldPath, known: Mapping[str, Field], values: Values
    ) -> Longest:
        """Return the longest value of a field without fields of its own."""
        base_of = known[field.reference()] if field.reference() else None
        base = None if base_of is None else values[base_of.name]
        key = (place, base)
        if key not in self._longest:
            unit, factor = in_packs(self._unit_of(field))
            written = field if factor == 1 else multiplied(field, factor, unit) or field
            span, shift = self._span(written, base_of, base)
            made = longest(
                written, self.writing.numbers,
                lambda candidate, value: self._length(candidate, value, base_of, base),
                base=base, span=span, shift=shift, factor=factor,
            )  # fmt: skip
            self._longest[key] = (
                made if written is field else made.times(EXACT.divide(Decimal(1), factor))
            )
        return self._longest[key]

    def _unit_of(self, field: Field) -> str:
        """Return the unit of a field, where the encoding has units."""
        return getattr(field, "unit", "") if self.writing.units is not None else ""

    def _span(self, field: Field, base_of: Any, base: Any) -> tuple[NumberRange | None, Any]:
        """Return what a number field writes, and what that has more than its value."""
        number = field.number()
        if number is None:
            return None, exact(0)
        span = span_of(number)
        if base_of is not None:
            if self.writing.times:
                return span.plus(span_of(base_of.number())), exact(0)
            return span, EXACT.minus(exact(base))
        if self._is_base(field):
            start = exact(field.base_time())
            return span.plus(NumberRange(start, start, (start,), exact(0))), start
        return span, exact(0)

    def _is_base(self, field: Field) -> bool:
        return self.writing.units is not None and field is base_field(self.message.fields)

    def _length(self, field: Field, value: Any, base_of: Any, base: Any) -> int | None:
        """Return the octets of a message of little more than this field; None where it cannot be said."""
        key = (field, base_of)
        if key not in self._encoders:
            self._encoders[key] = self.prepare(self._alone(field, base_of))
        values = {"b": True, "x": value} | ({} if base_of is None else {"t": base})
        try:
            return len(self._encoders[key](values))
        except Unsayable:
            return None

    def _alone(self, field: Field, base_of: Any) -> Message:
        # null may stand for a special code only where nothing may be absent
        plain = {
            "name": "x",
            "optional": field.optional and hasattr(field, "special"),
            "at": None,
            "note": "",
        }
        if isinstance(field, Series) or (
            isinstance(field, Time) and self.writing.units is not None and not self._is_base(field)
        ):
            field = field.number()
        if self.writing.units is not None and hasattr(field, "unit"):
            plain["unit"] = ""  # counted by itself
        if base_of is not None:
            plain["base"] = "t"
        base = () if base_of is None else (dataclasses.replace(base_of, name="t", at=None),)
        order = self.message.order
        return Message(
            "m", (Boolean("b"), *base, dataclasses.replace(field, **plain)),  # type: ignore[arg-type]
            byte_order=order.byte_order, bit_order=order.bit_order, layout=order.layout,
        )  # fmt: skip


@dataclass(frozen=True, slots=True)
class LargestValues:
    """Makes the values of one combination; ``numbers``: where the first element has a number, not a special code."""

    leaves: Leaves
    choice: Mapping[FieldPath, str]
    numbers: frozenset[FieldPath]
    counts: Mapping[FieldPath, int]
    coded: list[Coded] = dataclasses.field(default_factory=list)
    times: dict[str, int] = dataclasses.field(default_factory=dict)

    def made(self) -> Made:
        """Return the values of the whole message."""
        values, slack = self.group(self.leaves.message.fields, (), {}, {})
        return Made(values, slack, self.coded, self.times)

    def group(
        self, fields: tuple[Field, ...], place: FieldPath, known: Mapping[str, Field], outer: Values
    ) -> tuple[Values, int]:
        """Return values of all fields."""
        fields_known, slack = dict(known), 0
        values: Values = {}
        units = self.leaves.writing.units is not None
        for field in fields:
            if not field.carries:
                continue
            fields_known[field.name] = field
            here = (*place, field.name)
            value, more = self.value(field, here, fields_known, {**outer, **values})
            if field.optional and units and not has_records(value):
                continue  # cannot be said
            values[field.name], slack = value, slack + more
        return values, slack

    def value(
        self, field: Field, here: FieldPath, known: Mapping[str, Field], values: Values
    ) -> tuple[Any, int]:
        """Return the longest value of a field."""
        if isinstance(field, Array):
            count = self.counts.get(here, field.most)
            if not count:
                return [], 0
            item, slack = self.value(field.element, (*here, ELEMENT), known, values)
            if self.leaves.writing.units is not None and not self._has_records(field, item, here):
                count = field.least
            other = item
            if any(place[: len(here)] == here for place in self.numbers):
                others = dataclasses.replace(self, numbers=frozenset(), coded=[])
                other, _ = others.value(field.element, (*here, ELEMENT), known, values)
            items = [item, *[other] * (count - 1)][:count]
            if here[1:] or field.name not in self.leaves.own_times:
                return items, slack * count
            own = self.leaves.own_times[field.name]
            time = self.leaves.of(own, (*here, ELEMENT, own.name), known, values)
            return self._risen(field, items, time, values), (slack - time.slack) * count
        if isinstance(field, Group):
            return self.group(field.fields, here, known, values)
        if isinstance(field, Union):
            when = values[field.tag]
            return self.group(field.chosen(values).fields, (*here, f"({when})"), known, values)
        if here in self.choice:
            return self.choice[here], 0
        made = self.leaves.of(field, here, known, values)
        if isinstance(field, Series):
            count = self.counts.get(here, field.most)
            return [made.value] * count, made.slack * count
        if made.number is not None and isinstance(field, Number) and field.unit:
            if here in self.numbers:
                return made.number, made.slack
            self.coded.append(Coded(here, in_packs(field.unit)[0], made.loss))
        return made.value, made.slack

    def _risen(self, array: Array, items: list[Values], time: Longest, values: Values) -> list[Any]:
        """Return elements with times that rise, where so many can."""
        own, units = self.leaves.own_times[array.name], self.leaves.writing.units
        if units is not None and not own.number().whole:
            seconds = EXACT.subtract(exact(time.value), exact(values[own.base]))
            self.times[array.name] = units.time(seconds) + time.slack
        if len(items) > times_of(own):
            return items
        offsets = longest_offsets(own, len(items), self.leaves.writing.numbers)
        return [
            {**item, own.name: own.after(values, seconds)}
            for item, seconds in zip(items, offsets, strict=True)
        ]

    def _has_records(self, array: Array, item: Any, here: FieldPath) -> bool:
        """Return whether an element gives any record; a time that becomes that of its records is none."""
        if len(here) == 1 and isinstance(item, dict):
            own = array.element.own_time(base_field(self.leaves.message.fields))
            item = {name: value for name, value in item.items() if own is None or name != own.name}
        return has_records(item)


def tags_of(fields: tuple[Field, ...]) -> Iterator[tuple[FieldPath, tuple[str, ...]]]:
    """Yield place and names of every enumeration that a union looks at: the nearest of its name around the union."""
    there = dict(walk(fields))
    for path, field in there.items():
        if isinstance(field, Union):
            around = ((*path[:depth], field.tag) for depth in range(len(path) - 1, -1, -1))
            place = next(here for here in around if here in there)
            tag = there[place]
            assert isinstance(tag, Enumeration)
            yield place, tag.names
