"""Fields under one name."""

import dataclasses
from collections.abc import Iterator, Mapping
from random import Random
from types import MappingProxyType
from typing import TYPE_CHECKING, Any, ClassVar, Self

from lowpanbudget.payload.codec.nodes import Codec, Node
from lowpanbudget.payload.codec.order import Order
from lowpanbudget.payload.flaws import Flaw
from lowpanbudget.payload.forms.senml_records import Entry, SenmlRecord
from lowpanbudget.payload.forms.shapes import MemberShape, RecordShape, Shape
from lowpanbudget.payload.kinds import interfaces as ask
from lowpanbudget.payload.kinds.drawing import either
from lowpanbudget.payload.kinds.field import Field
from lowpanbudget.payload.kinds.interfaces import members
from lowpanbudget.payload.kinds.keys import field_kind, key
from lowpanbudget.payload.kinds.time_offset import TimeOffset

if TYPE_CHECKING:
    from lowpanbudget.payload.c.names import Spot
    from lowpanbudget.payload.c.parts import FieldPart, SourceUnit


@field_kind
class Group(Field):
    """Fields under one name; the value is a dictionary. Presence bits of optional fields lead the group."""

    fields: tuple[Field, ...] = key("The fields.", form="fields", name="field")

    kind: ClassVar[str] = "group"
    called: ClassVar[tuple[str, ...]] = ("struct", "structure", "record", "object", "map")
    rank: ClassVar[int] = 180
    blank: ClassVar[Any] = MappingProxyType({})
    about: ClassVar[str] = "Fields under one name."
    wire: ClassVar[str] = """\
A presence bit for each optional field, in their order, 1 for there; then the fields that are there. A message begins
so as well."""
    written: ClassVar[str] = """\
kind = "group"
name = "position"
optional = true

[[message.field.field]]
kind = "number"
name = "metres"
min = 0
max = 400
unit = "m\""""

    def flaws(self, order: Order) -> Iterator[Flaw]:
        """Yield a flaw if there are no fields; the fields are judged by themselves."""
        if not self.fields:
            yield Flaw(("field",), "a group without fields", "Give it a field or remove it")

    def bodies(self) -> tuple[ask.InnerFields, ...]:
        """Return the fields."""
        return (ask.InnerFields((), self.fields),)

    def with_bodies(self, bodies: tuple[tuple[Field, ...], ...]) -> Self:
        """Return a group of other fields."""
        return dataclasses.replace(self, fields=bodies[0])

    def time_span(self) -> ask.TimeSpan | None:
        """Return the narrowest span of fields that are always there and count from a time around the group."""
        spans = (field.time_span() for field in self.fields if not field.optional)
        own = {field.name for field in self.fields}
        around = [
            span.within(self.name) for span in spans if span is not None and span.base not in own
        ]
        return min(around, key=lambda span: span.seconds, default=None)

    def node(self, planner: ask.Planner, at: ask.FieldPlace) -> Node | None:
        """Return the fields."""
        return planner.group(self.fields, at.below()) if self.fields else None

    def taken(self, given: Any, before: ask.Scope, *, table: bool) -> Any:
        """Return the values of the fields."""
        return taken_values(self.fields, given, before, table=table)

    def single_values(self, held: ask.SingleValue) -> Iterator[ask.SingleValue]:
        """Yield the values of all fields."""
        return single_values(self.fields, held.value, held)

    def drawn(self, random: Random, known: ask.Known) -> dict[str, Any]:
        """Return any values, each optional one there or not."""
        return drawn_values(self.fields, random, known)

    def wished(self, wish: ask.Wish, here: ask.FieldPath, known: ask.Known) -> dict[str, Any]:
        """Return values with what is wished for inside."""
        return wished_values(self.fields, wish, here, known)

    def passed(self, walker: ask.FieldWalker, place: ask.ValuePath, tags: dict[str, str]) -> bool:
        """Pass its fields."""
        walker.group(self.fields, place, tags)
        return True

    def part(self, maker: "SourceUnit", spot: "Spot") -> "FieldPart":
        """Return a structure."""
        from lowpanbudget.payload.c.body import Structure

        return Structure(maker, spot, self.fields, spot.path)

    def converted(self, value: Any, known: ask.Known, form: ask.Conversion) -> Any:
        """Return the data (the values) of the fields."""
        return form.fields(self.fields, value, known)

    def shape(self, tags: Mapping[str, Field]) -> Shape:
        """Return a record."""
        return record_shape(self.fields, tags)

    def cddl(self, rules: ask.Rules, path: ask.FieldPath) -> str:
        """Return a rule with the fields."""
        return rules.rule(".".join(path), rules.fields(self.fields, path))

    def construct(self, order: Order, bases: dict[str, Codec]) -> Any:
        """Return a structure."""
        from lowpanbudget.payload.forms.construct_form import structure

        return structure(self.fields, order, bases)

    def own_time(self, base: Field | None) -> TimeOffset | None:
        """Return the time offset that becomes the time of the group's records."""
        return own_time(self.fields, base)

    def records(self, maker: ask.RecordMaker, value: Any, at: ask.RecordPlace) -> Iterator[Entry]:
        """Yield the records of the fields."""
        return maker.group(self.fields, value, at)

    def from_records(
        self, reader: ask.RecordReader, records: list[SenmlRecord], at: ask.RecordPlace
    ) -> Any:
        """Return the values of the fields."""
        return reader.group(self.fields, records, at)


def taken_values(fields: tuple[Field, ...], given: Any, outer: ask.Scope, *, table: bool) -> Any:
    """Return the values that stand for those given for fields; see ``Field.taken``."""
    if table and given == "":
        given = {}
    if not isinstance(given, Mapping):
        return given
    values, known, earlier = dict(given), dict(outer.values), dict(outer.fields)
    before = ask.Scope(known, earlier)
    for field in fields:
        if not field.carries:
            continue
        if field.name not in values and table and not field.optional and field.blank is not None:
            values[field.name] = field.blank
        if field.name in values:
            values[field.name] = field.taken(values[field.name], before, table=table)
            known[field.name] = values[field.name]
        earlier[field.name] = field
    return values


def drawn_values(
    fields: tuple[Field, ...], random: Random, outer: Mapping[str, Any]
) -> dict[str, Any]:
    """Return any values of fields, each optional one there or not."""
    values: dict[str, Any] = {}
    known = dict(outer)
    for field in fields:
        if not field.carries or (field.optional and either(random)):
            continue
        values[field.name] = known[field.name] = field.drawn(random, known)
    return values


def wished_values(
    fields: tuple[Field, ...], wish: ask.Wish, here: ask.FieldPath, outer: Mapping[str, Any]
) -> dict[str, Any]:
    """Return values of fields with what is wished for inside, all else as small as it may be."""
    values: dict[str, Any] = {}
    known = dict(outer)
    for field in fields:
        path = (*here, field.name)
        if not field.carries or (field.optional and wish.path[: len(path)] != path):
            continue
        values[field.name] = known[field.name] = field.wished(wish, path, known)
    return values


def record_shape(fields: tuple[Field, ...], outer: Mapping[str, Field]) -> RecordShape:
    """Return the shape of fields; ``outer`` are those before them around."""
    tags, made = dict(outer), []
    for field in members(fields):
        tags[field.name] = field
        made.append(MemberShape(field.name, field.shape(tags), field.optional))
    return RecordShape(tuple(made))


def own_time(fields: tuple[Field, ...], base: Field | None) -> TimeOffset | None:
    """Return the time offset of a group that counts from the base time of a pack and is always there."""
    if base is None or any(field.name == base.name for field in fields):
        return None
    offsets = (field for field in fields if isinstance(field, TimeOffset) and not field.optional)
    return next((field for field in offsets if field.base == base.name), None)


def single_values(
    fields: tuple[Field, ...], values: Mapping[str, Any], around: ask.SingleValue | None = None
) -> Iterator[ask.SingleValue]:
    """Yield the single values of a message, or of a group ``around`` them, in the order of the fields."""
    path, order = ((), ()) if around is None else (around.path, around.order)
    outer = ask.Scope({}, {}) if around is None else around.scope
    scope = ask.Scope(
        {**outer.values, **values}, {**outer.fields, **{field.name: field for field in fields}}
    )
    for index, field in enumerate(fields):
        if field.carries and field.name in values:
            value = values[field.name]
            held = ask.SingleValue(field, value, (*path, field.name), (*order, index), scope)
            is_certain = around is None and not field.optional
            yield from field.single_values(held) if is_certain else held.parts()
