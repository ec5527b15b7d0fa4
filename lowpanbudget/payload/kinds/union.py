"""One of several groups, chosen by an earlier field."""

import dataclasses
from collections.abc import Iterator, Mapping
from random import Random
from types import MappingProxyType
from typing import TYPE_CHECKING, Any, ClassVar, Self

from lowpanbudget.fields.stream import BitReader, BitWriter
from lowpanbudget.payload.codec.groups import FieldsNode, GroupNode, TagNode
from lowpanbudget.payload.codec.nodes import Case, Codec, Node
from lowpanbudget.payload.codec.nodes import Scope as Slots
from lowpanbudget.payload.codec.order import Order
from lowpanbudget.payload.forms.senml_records import Entry, SenmlRecord
from lowpanbudget.payload.forms.shapes import ChoiceShape, Shape
from lowpanbudget.payload.kinds import interfaces as ask
from lowpanbudget.payload.kinds.enumeration import Enumeration
from lowpanbudget.payload.kinds.field import Field
from lowpanbudget.payload.kinds.group import (
    drawn_values,
    record_shape,
    single_values,
    taken_values,
    wished_values,
)
from lowpanbudget.payload.kinds.keys import field_kind, key
from lowpanbudget.payload.kinds.names import near_name, no_reference
from lowpanbudget.values import dataclass

if TYPE_CHECKING:
    from lowpanbudget.payload.c.names import Spot
    from lowpanbudget.payload.c.parts import FieldPart, SourceUnit


@dataclass(frozen=True, slots=True)
class Option:
    """What a union holds when its tag is ``when``; ``fields`` may be empty."""

    when: str
    fields: tuple[Field, ...]

    def __str__(self) -> str:
        return self.when  # as changes of a list of options name it


@field_kind
class Union(Field):
    """One of several groups of fields, chosen by an earlier enumeration named ``tag``; the value is a dictionary."""

    tag: str = key("The name of the enumeration that chooses.")
    options: tuple[Option, ...] = key(
        "One option for each name of the tag.", form="options", name="option"
    )

    kind: ClassVar[str] = "union"
    called: ClassVar[tuple[str, ...]] = ("choice", "variant", "oneof", "switch")
    rank: ClassVar[int] = 190
    blank: ClassVar[Any] = MappingProxyType({})
    about: ClassVar[str] = "One of several groups, chosen by an earlier enumeration."
    wire: ClassVar[str] = """\
The fields of the chosen option as a group, and nothing that says which: the tag does."""
    written: ClassVar[str] = """\
kind = "union"
name = "detail"
tag = "mode"                  # a field of kind enumeration before it

[[message.field.option]]
when = "normal"               # an option may have no fields

[[message.field.option]]
when = "storm"

[[message.field.option.field]]
kind = "number"
name = "wind"
min = 0
max = 60
unit = "m/s"

[[message.field.option]]
when = "service\""""

    def bodies(self) -> tuple[ask.InnerFields, ...]:
        """Return the fields of each option."""
        return tuple(
            ask.InnerFields((f"({option.when})",), option.fields) for option in self.options
        )

    def with_bodies(self, bodies: tuple[tuple[Field, ...], ...]) -> Self:
        """Return a union whose options have other fields."""
        pairs = zip(self.options, bodies, strict=True)
        return dataclasses.replace(
            self, options=tuple(Option(option.when, fields) for option, fields in pairs)
        )

    def reference(self) -> str:
        """Return the name of the tag."""
        return self.tag

    def chosen(self, known: ask.Known) -> Option:
        """Return the option that the tag among the known values chooses."""
        return next(option for option in self.options if option.when == known[self.tag])

    def node(self, planner: ask.Planner, at: ask.FieldPlace) -> Node | None:
        """Return the groups of all options, or None if there are fewer without flaws than the tag has names."""
        tag = at.scope.get(self.tag)
        if tag is None or not isinstance(tag.node, TagNode) or tag.field.optional:
            known = planner.earlier("enumeration")
            planner.flaw((*at.path, "tag"), *no_reference(self.tag, "enumeration", known))
            return None
        names = tag.node.names
        nodes: dict[str, GroupNode] = {}
        for index, option in enumerate(self.options):
            below = at.below("option", index)
            if option.when not in names:
                planner.flaw(
                    (*below.path, "when"),
                    f"{option.when!r} is no name of {self.tag!r}",
                    near_name(option.when, names) or f"Names are {', '.join(names)}",
                )
            elif option.when in nodes:
                planner.flaw(
                    (*below.path, "when"),
                    f"two options for {option.when!r}",
                    "Put their fields into one",
                )
            node = planner.group(option.fields, below)
            if isinstance(node, GroupNode):
                nodes[option.when] = node
        stated = {option.when for option in self.options}
        missing = [name for name in names if name not in stated]
        if missing:
            planner.flaw(
                (*at.path, "option"),
                f"no option for {', '.join(missing)}",
                "Add one for each name of the tag; an option without fields is allowed",
            )
        if len(nodes) < len(names):
            return None
        tag.node.unions.append(nodes)
        return UnionNode(nodes, tag.slot)

    def taken(self, given: Any, before: ask.Scope, *, table: bool) -> Any:
        """Return the values of the chosen option; of none, where the tag has no such name."""
        tag = before.values.get(self.tag)
        fields = next((option.fields for option in self.options if option.when == tag), ())
        return taken_values(fields, given, before, table=table)

    def single_values(self, held: ask.SingleValue) -> Iterator[ask.SingleValue]:
        """Yield the values of the chosen option."""
        option = self.chosen(held.scope.values)
        inside = held._replace(order=(*held.order, self.options.index(option)))
        return single_values(option.fields, held.value, inside)

    def drawn(self, random: Random, known: ask.Known) -> dict[str, Any]:
        """Return any values of the chosen option."""
        return drawn_values(self.chosen(known).fields, random, known)

    def wished(self, wish: ask.Wish, here: ask.FieldPath, known: ask.Known) -> dict[str, Any]:
        """Return values of the chosen option with what is wished for inside."""
        option = self.chosen(known)
        return wished_values(option.fields, wish, (*here, f"({option.when})"), known)

    def passed(self, walker: ask.FieldWalker, place: ask.ValuePath, tags: dict[str, str]) -> bool:
        """Pass the fields of the option that its tag chooses."""
        walker.group(self.chosen(tags).fields, place, tags)
        return True

    def part(self, maker: "SourceUnit", spot: "Spot") -> "FieldPart":
        """Return a union of structures."""
        from lowpanbudget.payload.c.body import StructureUnion

        return StructureUnion(maker, spot, self.tag, self.options)

    def converted(self, value: Any, known: ask.Known, form: ask.Conversion) -> Any:
        """Return the data (the values) of the chosen option."""
        return form.fields(self.chosen(known).fields, value, known)

    def shape(self, tags: Mapping[str, Field]) -> Shape:
        """Return a choice by the codes of the tag."""
        tag = tags[self.tag]
        assert isinstance(tag, Enumeration)
        codes = dict(zip(tag.names, tag.numbers(), strict=True))
        options = (
            (codes[option.when], record_shape(option.fields, tags)) for option in self.options
        )
        return ChoiceShape(self.tag, tuple(sorted(options, key=lambda pair: pair[0])))

    def cddl(self, rules: ask.Rules, path: ask.FieldPath) -> str:
        """Return a rule for each option."""
        options = []
        for option in self.options:
            inner = (*path, option.when)
            body = rules.fields(option.fields, inner)
            remark = f"where {self.tag} is {option.when}"
            options.append(rules.rule(".".join(inner), body, remark))
        return " / ".join(options)

    def construct(self, order: Order, bases: dict[str, Codec]) -> Any:
        """Return the structure that the tag chooses."""
        import construct as cs

        from lowpanbudget.payload.forms import construct_parts as parts
        from lowpanbudget.payload.forms.construct_form import structure

        options = {option.when: structure(option.fields, order, bases) for option in self.options}
        return cs.Switch(lambda context: parts.earlier(context, self.tag), options)

    def records(self, maker: ask.RecordMaker, value: Any, at: ask.RecordPlace) -> Iterator[Entry]:
        """Yield the records of the chosen option."""
        fields = self.chosen(at.known).fields
        return maker.group(fields, value, at._replace(element=False))

    def from_records(
        self, reader: ask.RecordReader, records: list[SenmlRecord], at: ask.RecordPlace
    ) -> Any:
        """Return the values of the chosen option."""
        return reader.group(self.chosen(at.known).fields, records, at._replace(time=None))


class UnionNode(FieldsNode):
    """The group of fields that the tag in ``slot`` has chosen."""

    __slots__ = ("_options", "_slot", "greatest", "least")

    def __init__(self, options: dict[str, GroupNode], slot: int) -> None:
        self._options, self._slot = options, slot
        self.least = min(option.least for option in options.values())
        self.greatest = max(option.greatest for option in options.values())

    def write(self, out: BitWriter, value: Any, scope: Slots) -> None:
        """Append the chosen group."""
        self._options[scope[self._slot]].write(out, value, scope)

    def read(self, source: BitReader, scope: Slots) -> dict[str, Any]:
        """Return the chosen group."""
        return self._options[scope[self._slot]].read(source, scope)

    def example(self, case: Case, scope: Slots) -> dict[str, Any]:
        """Return an example of the chosen group."""
        return self._options[scope[self._slot]].example(case, scope)

    def is_empty(self, scope: Slots) -> bool:
        """Return whether the chosen option has no field."""
        return self._options[scope[self._slot]].is_empty(scope)

    def filled(self, case: Case, scope: Slots, given: Mapping[str, Any]) -> dict[str, Any]:
        """Return the values that are given, and examples of all others of the chosen option."""
        return self._options[scope[self._slot]].filled(case, scope, given)
