"""Elements of one kind, side by side."""

import dataclasses
from collections.abc import Iterator, Mapping, Sequence
from random import Random
from typing import TYPE_CHECKING, Any, ClassVar, Self

from lowpanbudget.fields.stream import BitReader, BitWriter
from lowpanbudget.payload.codec.counted import Count
from lowpanbudget.payload.codec.groups import FilledNode, filled_up
from lowpanbudget.payload.codec.nodes import Case, Codec, LeafNode, Node
from lowpanbudget.payload.codec.nodes import Scope as Slots
from lowpanbudget.payload.codec.order import Order
from lowpanbudget.payload.flaws import Flaw, Misfit
from lowpanbudget.payload.forms.senml_records import Entry, SenmlRecord, not_empty, parted
from lowpanbudget.payload.forms.shapes import ListShape, Shape
from lowpanbudget.payload.kinds import interfaces as ask
from lowpanbudget.payload.kinds.drawing import drawn_length
from lowpanbudget.payload.kinds.field import Field
from lowpanbudget.payload.kinds.keys import field_kind, key
from lowpanbudget.payload.kinds.lengths import Repeated

if TYPE_CHECKING:
    from lowpanbudget.payload.c.names import Spot
    from lowpanbudget.payload.c.parts import FieldPart, SourceUnit


@field_kind
class Array(Repeated):
    """Elements of one kind: ``length`` of them, or ``min_length`` to ``max_length`` with the count in front.

    The count is sent as ``count - min_length`` in the fewest bits, as ASN.1 PER does, or in
    ``count_bits``. ``batch`` marks the array whose elements are readings to be collected.
    """

    element: Field = key("What each element is: a field without a name.", form="element")

    kind: ClassVar[str] = "array"
    called: ClassVar[tuple[str, ...]] = ("list", "repeated", "vector")
    rank: ClassVar[int] = 160
    about: ClassVar[str] = (
        "Elements of one kind: `length` of them, or up to `max_length` with the count in front."
    )
    wire: ClassVar[str] = """\
The number of elements less `min_length`, where it may change, in the fewest bits or `count_bits`; then the
elements."""
    written: ClassVar[str] = """\
kind = "array"
name = "reading"
max_length = 32               # or length: a fixed number, no count
batch = true                  # `fit` tells how many go into one frame

[message.field.element]
kind = "number"
min = 0
max = 100
unit = "%RH\""""
    counts: ClassVar[str] = "elements"

    def flaws(self, order: Order) -> Iterator[Flaw]:
        """Yield what is wrong with the lengths."""
        yield from Repeated.flaws(self, order)
        if self.element.optional:
            yield Flaw(
                ("element", "optional"),
                "an element of an array cannot be absent",
                "Use a special code, or a group with an optional field",
            )

    def bodies(self) -> tuple[ask.InnerFields, ...]:
        """Return the element."""
        return (ask.InnerFields((ask.ELEMENT,), (self.element,), named=False),)

    def with_bodies(self, bodies: tuple[tuple[Field, ...], ...]) -> Self:
        """Return an array of another element."""
        ((element,),) = bodies
        return dataclasses.replace(self, element=element)

    def time_span(self) -> ask.TimeSpan | None:
        """Return the span of the elements, where there is always one."""
        return self.readings_span() if self.least else None

    def readings_span(self) -> ask.TimeSpan | None:
        """Return the span of the elements."""
        span = self.element.time_span()
        return None if span is None else span.within(self.name, ask.ELEMENT)

    def node(self, planner: ask.Planner, at: ask.FieldPlace) -> Node | None:
        """Return a count and elements."""
        element = planner.element(self.element, at.below("element"))
        return None if element is None else ArrayNode(self, element, planner.order)

    def taken(self, given: Any, before: ask.Scope, *, table: bool) -> Any:
        """Return the values of the elements; those of a text have commas between them."""
        if isinstance(given, str):
            given = given.split(",") if given else []
        if not isinstance(given, list | tuple):
            return given
        return [self.element.taken(item, before, table=table) for item in given]

    def single_values(self, held: ask.SingleValue) -> Iterator[ask.SingleValue]:
        """Yield the values of all elements."""
        for index, item in enumerate(held.value):
            yield from held.under(self.element, item, index).parts()

    def drawn(self, random: Random, known: ask.Known) -> list[Any]:
        """Return any number of elements."""
        count = drawn_length(self.least, self.most, random)
        return [self.element.drawn(random, known) for _ in range(count)]

    def edges(self) -> Iterator[int]:
        """Yield the smallest and the greatest number of elements."""
        yield from dict.fromkeys((self.least, self.most))

    def wished(self, wish: ask.Wish, here: ask.FieldPath, known: ask.Known) -> list[Any]:
        """Return as many elements as wished for, or as few as hold what is wished for."""
        length = wish.value if wish.path == here else self.least
        below = (*here, ask.ELEMENT)
        if wish.path[: len(below)] == below:
            length = max(length, 1)
        return [self.element.wished(wish, below, known) for _ in range(length)]

    def passed(self, walker: ask.FieldWalker, place: ask.ValuePath, tags: dict[str, str]) -> bool:
        """Pass its elements."""
        for index in range(walker.counted(self, place)):
            walker.field(self.element, (*place, index), tags)
        return True

    def part(self, maker: "SourceUnit", spot: "Spot") -> "FieldPart":
        """Return elements, with their number where it can change."""
        from lowpanbudget.payload.c.counted import ElementArray

        element = self.element.part(maker, self.element.element_spot(spot))
        return ElementArray(maker, spot, self, element)

    def converted(self, value: Any, known: ask.Known, form: ask.Conversion) -> Any:
        """Return the data (the values) of all elements."""
        return [self.element.converted(item, known, form) for item in value]

    def shape(self, tags: Mapping[str, Field]) -> Shape:
        """Return a list."""
        return ListShape(self.least, self.most, self.element.shape(tags))

    def cddl(self, rules: ask.Rules, path: ask.FieldPath) -> str:
        """Return an array with its lengths."""
        element = self.element.cddl(rules, (*path, "element"))
        inner = f"({element})" if " / " in element else element
        return f"[{self.least}*{self.most} {inner}]"

    def construct(self, order: Order, bases: dict[str, Codec]) -> Any:
        """Return elements, with their number in front where it can change."""
        import construct as cs

        from lowpanbudget.payload.forms import construct_parts as parts

        element = self.element.construct(order, bases)
        count = parts.count_form(self, order)
        if count:
            return cs.PrefixedArray(count, element)
        return cs.Array(self.least, element)

    def records(self, maker: ask.RecordMaker, value: Any, at: ask.RecordPlace) -> Iterator[Entry]:
        """Yield the records of each element, with its index in the name where times do not tell them apart."""
        timed = at.outermost and maker.rises(self.element, value)
        for index, item in enumerate(value):
            inside = at.below(str(index))
            place = at._replace(path=at.path if timed else inside.path, element=at.outermost)
            yield from not_empty(self.element.records(maker, item, place), inside.path)

    def from_records(
        self, reader: ask.RecordReader, records: list[SenmlRecord], at: ask.RecordPlace
    ) -> Any:
        """Return the elements; a group in an array of the message itself may have a time of its own."""
        inside = at.below(ask.ELEMENT)
        return [
            self.element.from_records(
                reader, part, inside._replace(time=part[0].time if at.outermost and part else None)
            )
            for part in parted(self.name, self.most, records)
        ]


class ArrayNode(FilledNode):
    """Elements with their count in front, if it can change."""

    __slots__ = ("_count", "_element", "_field", "greatest", "least")
    takes = (list, tuple)

    def __init__(self, field: Array, element: Node, order: Order) -> None:
        self._field, self._element = field, element
        self._count = Count(field, order)
        self.least = self._count.width + field.least * element.least
        self.greatest = self._count.width + field.most * element.greatest

    def write(self, out: BitWriter, value: Any, scope: Slots) -> None:
        """Append count and elements."""
        count = self._count.check(value)
        self._count.write(out, count)
        element, path = self._element, out.path
        if isinstance(element, LeafNode):
            self._write_leaves(out, value, element.place.codec)
            return
        for index, item in enumerate(value):
            path.append(index)
            element.write(out, item, scope)
            path.pop()

    def _write_leaves(self, out: BitWriter, value: Sequence[Any], codec: Codec) -> None:
        width, encode = codec.width, codec.encode
        index = 0
        try:
            for index, item in enumerate(value):  # noqa: B007 - the index is for the fault
                out.put(encode(item), width)
        except Misfit:
            out.path.append(index)
            raise

    def read(self, source: BitReader, scope: Slots) -> list[Any]:
        """Return the next elements."""
        count = self._count.read(source)
        element, path, items = self._element, source.path, []
        for index in range(count):
            path.append(index)
            items.append(element.read(source, scope))
            path.pop()
        return items

    def example(self, case: Case, scope: Slots) -> list[Any]:
        """Return the least, usual or greatest number of examples."""
        return [self._element.example(case, scope) for _ in range(self._field.example_length(case))]

    def filled(self, case: Case, scope: Slots, given: Sequence[Any]) -> list[Any]:
        """Return the elements that are given, as many as they are, each with examples of what it lacks."""
        return [filled_up(self._element, case, scope, item) for item in given]
