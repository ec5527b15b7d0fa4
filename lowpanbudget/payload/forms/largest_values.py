"""The values of a message that take most room in an encoding: every field its longest, all that may be absent there."""

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from typing import Any, NamedTuple

from lowpanbudget.payload.exact import EXACT, exact
from lowpanbudget.payload.forms.doubles import Numbers
from lowpanbudget.payload.forms.longest import Longest, NumberRange, longest, span_of
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
from lowpanbudget.payload.kinds.union import Union
from lowpanbudget.payload.message import Message

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


@dataclass(slots=True)
class Leaves:
    """The longest values of the fields of a message that have none of their own; ``prepare`` gives an encoder."""

    message: Message
    writing: Writing
    prepare: Callable[[Message], Encode]
    _longest: dict[tuple[Any, ...], Longest] = field(default_factory=dict)
    _encoders: dict[tuple[Any, ...], Encode] = field(default_factory=dict)

    def of(
        self, one: Field, place: FieldPath, known: Mapping[str, Field], values: Values
    ) -> Longest:
        """Return the longest value of a field without fields of its own."""
        base_of = known[one.reference()] if one.reference() else None
        base = None if base_of is None else values[base_of.name]
        key = (place, base)
        if key not in self._longest:
            span, shift = self._span(one, base_of, base)
            self._longest[key] = longest(
                one, self.writing.numbers,
                lambda candidate, value: self._length(candidate, value, base_of, base),
                base=base, span=span, shift=shift,
            )  # fmt: skip
        return self._longest[key]

    def _span(self, one: Field, base_of: Any, base: Any) -> tuple[NumberRange | None, Any]:
        """Return what a number field writes, and what that has more than its value."""
        number = one.number()
        if number is None:
            return None, exact(0)
        span = span_of(number)
        if base_of is not None:
            if self.writing.times:
                return span.plus(span_of(base_of.number())), exact(0)
            return span, EXACT.minus(exact(base))
        if self._is_base(one):
            start = exact(one.base_time())
            return span.plus(NumberRange(start, start, (start,), exact(0))), start
        return span, exact(0)

    def _is_base(self, one: Field) -> bool:
        return self.writing.units is not None and one is base_field(self.message.fields)

    def _length(self, one: Field, value: Any, base_of: Any, base: Any) -> int | None:
        """Return the octets of a message of little more than this field; None where it cannot be said."""
        key = (one, base_of)
        if key not in self._encoders:
            self._encoders[key] = self.prepare(self._alone(one, base_of))
        values = {"b": True, "x": value} | ({} if base_of is None else {"t": base})
        try:
            return len(self._encoders[key](values))
        except Unsayable:
            return None

    def _alone(self, one: Field, base_of: Any) -> Message:
        plain = {"name": "x", "optional": False, "at": None, "note": ""}
        if isinstance(one, Series) or (
            isinstance(one, Time) and self.writing.units is not None and not self._is_base(one)
        ):
            one = one.number()
        if self.writing.units is not None and hasattr(one, "unit"):
            plain["unit"] = ""  # counted by itself
        if base_of is not None:
            plain["base"] = "t"
        base = () if base_of is None else (replace(base_of, name="t", at=None),)
        order = self.message.order
        return Message(
            "m", (Boolean("b"), *base, replace(one, **plain)),  # type: ignore[arg-type]
            byte_order=order.byte_order, bit_order=order.bit_order, layout=order.layout,
        )  # fmt: skip


@dataclass(frozen=True, slots=True)
class LargestValues:
    """Makes the values of one combination; ``numbers``: where the first element has a number, not a special code."""

    leaves: Leaves
    choice: Mapping[FieldPath, str]
    numbers: frozenset[FieldPath]
    counts: Mapping[FieldPath, int]
    coded: list[Coded] = field(default_factory=list)

    def made(self) -> Made:
        """Return the values of the whole message."""
        values, slack = self.group(self.leaves.message.fields, (), {}, {})
        return Made(values, slack, self.coded)

    def group(
        self, fields: tuple[Field, ...], place: FieldPath, known: Mapping[str, Field], outer: Values
    ) -> tuple[Values, int]:
        """Return values of all fields."""
        fields_known, slack = dict(known), 0
        values: Values = {}
        units = self.leaves.writing.units is not None
        for one in fields:
            if not one.carries:
                continue
            fields_known[one.name] = one
            here = (*place, one.name)
            value, more = self.value(one, here, fields_known, {**outer, **values})
            if one.optional and units and not has_records(value):
                continue  # cannot be said
            values[one.name], slack = value, slack + more
        return values, slack

    def value(
        self, one: Field, here: FieldPath, known: Mapping[str, Field], values: Values
    ) -> tuple[Any, int]:
        """Return the longest value of a field."""
        if isinstance(one, Array):
            count = self.counts.get(here, one.most)
            if not count:
                return [], 0
            item, slack = self.value(one.element, (*here, ELEMENT), known, values)
            if self.leaves.writing.units is not None and not self._has_records(one, item, here):
                count = one.least
            if not any(place[: len(here)] == here for place in self.numbers):
                return [item] * count, slack * count
            others = replace(self, numbers=frozenset(), coded=[])
            other, _ = others.value(one.element, (*here, ELEMENT), known, values)
            return [item, *[other] * (count - 1)][:count], slack * count
        if isinstance(one, Group):
            return self.group(one.fields, here, known, values)
        if isinstance(one, Union):
            when = values[one.tag]
            return self.group(one.chosen(values).fields, (*here, f"({when})"), known, values)
        if here in self.choice:
            return self.choice[here], 0
        made = self.leaves.of(one, here, known, values)
        if isinstance(one, Series):
            count = self.counts.get(here, one.most)
            return [made.value] * count, made.slack * count
        if made.number is not None and isinstance(one, Number) and one.unit:
            if here in self.numbers:
                return made.number, made.slack
            self.coded.append(Coded(here, one.unit, made.loss))
        return made.value, made.slack

    def _has_records(self, array: Array, item: Any, here: FieldPath) -> bool:
        """Return whether an element gives any record; a time that becomes that of its records is none."""
        if len(here) == 1 and isinstance(item, dict):
            own = array.element.own_time(base_field(self.leaves.message.fields))
            item = {name: value for name, value in item.items() if own is None or name != own.name}
        return has_records(item)


def tags_of(
    fields: tuple[Field, ...], known: Mapping[str, tuple[FieldPath, Enumeration]], place: FieldPath
) -> Iterator[tuple[FieldPath, tuple[str, ...]]]:
    """Yield place and names of every enumeration that a union looks at."""
    seen = dict(known)
    for one in fields:
        here = (*place, one.name)
        inner: Field = one
        while isinstance(inner, Array):
            inner, here = inner.element, (*here, ELEMENT)
        if isinstance(inner, Enumeration):
            seen[one.name] = (here, inner)
        elif isinstance(inner, Group):
            yield from tags_of(inner.fields, seen, here)
        elif isinstance(inner, Union):
            at, tag = seen[inner.tag]
            yield at, tag.names
            for option in inner.options:
                yield from tags_of(option.fields, seen, (*here, f"({option.when})"))
