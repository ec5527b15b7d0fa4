"""Compiled groups: presence bits, fields by name, tags, unions, and times counted from a base."""

from collections.abc import Mapping
from typing import Any, ClassVar

from lowpanbudget.errors import repeated
from lowpanbudget.fields.stream import BitReader, BitWriter
from lowpanbudget.payload.codec.field_bits import FieldBits
from lowpanbudget.payload.codec.nodes import Case, LeafNode, LeafPlace, Node, Scope, Step
from lowpanbudget.payload.codec.order import Order
from lowpanbudget.payload.flaws import NO_VALUE, Misfit, kind_of
from lowpanbudget.payload.kinds.field import Field

NOTHING_HERE = "It has no fields here: leave it out"
_BY_NAMES = (
    "Give values by the names of the fields, on the command line by paths: reading[0].temperature=21.5, and nothing "
    "for an empty list: reading="
)


class Named:
    """A step of one field that is no part of a run; ``slot`` is where its value is kept for others."""

    __slots__ = ("greatest", "least", "name", "node", "slot")

    def __init__(self, name: str, node: Node, slot: int | None = None) -> None:
        self.name = name
        self.node = node
        self.slot = slot
        self.least, self.greatest = node.least, node.greatest

    def write(self, out: BitWriter, values: Mapping[str, Any], scope: Scope) -> None:
        """Append the field."""
        out.path.append(self.name)
        value = values.get(self.name)
        if value is None:
            if not (isinstance(self.node, FieldsNode) and self.node.is_empty(scope)):
                raise Misfit("has no value", hint=NO_VALUE)
            value = {}
        self.node.write(out, value, scope)
        if self.slot is not None:
            self._remember(value, scope)
        out.path.pop()

    def read(self, source: BitReader, values: dict[str, Any], scope: Scope) -> None:
        """Read the field."""
        source.path.append(self.name)
        value = values[self.name] = self.node.read(source, scope)
        if self.slot is not None:
            scope[self.slot] = value
        source.path.pop()

    def example(self, case: Case, values: dict[str, Any], scope: Scope) -> None:
        """Put an example of the field into the dictionary; a value that is there stays, filled up if it has fields."""
        if self.name in values:
            values[self.name] = filled_up(self.node, case, scope, values[self.name])
        else:
            values[self.name] = self.node.example(case, scope)
        if self.slot is None:
            return
        try:
            self._remember(values[self.name], scope)
        except Misfit:  # given, and packing says what is wrong with it
            self._remember(self.node.example(case, scope), scope)

    def _remember(self, value: Any, scope: Scope) -> None:
        """Keep the value as the receiver will know it: after rounding."""
        assert self.slot is not None
        assert isinstance(self.node, LeafNode | TagNode)
        codec = self.node.place.codec
        scope[self.slot] = codec.decode(codec.encode(value))


class FilledNode:
    """A node with others inside: what is not given in a value of one of its types may be as in an example."""

    __slots__ = ()
    takes: ClassVar[tuple[type, ...]] = ()

    def filled(self, case: Case, scope: Scope, given: Any) -> Any:
        """Return the values that are given, and examples of all others."""
        raise NotImplementedError


def filled_up(node: object, case: Case, scope: Scope, given: Any) -> Any:
    """Return a value that is given for a node, filled up where it may be; packing says what is wrong with another."""
    if isinstance(node, FilledNode) and isinstance(given, node.takes):
        return node.filled(case, scope, given)
    return given


class FieldsNode(FilledNode):
    """A node with fields by name."""

    __slots__ = ()
    takes = (Mapping,)

    def is_empty(self, scope: Scope) -> bool:
        """Return whether no field is here, so that there is nothing to give."""
        raise NotImplementedError


class TagNode(LeafNode):
    """An enumeration that unions look at; its example makes them small or large."""

    __slots__ = ("names", "unions")

    def __init__(self, place: LeafPlace, names: tuple[str, ...]) -> None:
        LeafNode.__init__(self, place)
        self.names = names
        self.unions: list[dict[str, GroupNode]] = []

    def example(self, case: Case, scope: Scope) -> Any:
        """Return the name whose options are smallest or largest, or the usual name."""
        names = list(self.unions[0]) if self.unions else []
        if case == "typical" or not names:
            return LeafNode.example(self, case, scope)
        if case == "least":
            return min(names, key=lambda name: sum(options[name].least for options in self.unions))
        return max(names, key=lambda name: sum(options[name].greatest for options in self.unions))


class Maybe:
    """An optional field; the group's presence bits say whether it is there."""

    __slots__ = ("_field", "_step", "greatest", "least", "name")

    def __init__(self, field: Field, step: Step) -> None:
        self._field = field
        self._step = step
        self.name = field.name
        self.least, self.greatest = 0, step.greatest

    def write(self, out: BitWriter, values: Mapping[str, Any], scope: Scope) -> None:
        """Append the field if it has a value."""
        if values.get(self.name) is not None:
            self._step.write(out, values, scope)

    def read(self, source: BitReader, values: dict[str, Any], scope: Scope) -> None:
        """Read the field; the group asks only when it is there."""
        self._step.read(source, values, scope)

    def example(self, case: Case, values: dict[str, Any], scope: Scope) -> None:
        """Put an example into the dictionary, or leave it out; ``None`` is given for what is not there."""
        there = case == "greatest" or (case == "typical" and self._field.typically_present)
        if values[self.name] is not None if self.name in values else there:
            self._step.example(case, values, scope)


class GroupNode(FieldsNode):
    """The steps of a group or of the whole message, led by the presence bits of its optional fields."""

    __slots__ = (
        "_bits",
        "_known",
        "_optional",
        "_steps",
        "_weights",
        "greatest",
        "least",
        "presence_bits",
    )

    def __init__(self, steps: list[Step], known: list[str], order: Order) -> None:
        self._steps = tuple(steps)
        self._known = frozenset(known)
        self._optional = tuple(step.name for step in steps if isinstance(step, Maybe))
        self.presence_bits = order.rounded(len(self._optional))
        self._weights = order.weights(self._optional, self.presence_bits)
        padding = self.presence_bits - len(self._optional)
        self._bits = FieldBits(self._optional, padding, "presence", len(self._optional))
        self.least = self.presence_bits + sum(step.least for step in steps)
        self.greatest = self.presence_bits + sum(step.greatest for step in steps)

    def write(self, out: BitWriter, value: Any, scope: Scope) -> None:
        """Append presence bits and fields."""
        if type(value) is not dict and not isinstance(value, Mapping):
            hint = _BY_NAMES if self._known else NOTHING_HERE
            raise Misfit(f"is {kind_of(value)}", hint=hint)
        if not value.keys() <= self._known:
            self._unknown(value)
        if self._optional:
            there = [
                weight for name, weight in self._weights.items() if value.get(name) is not None
            ]
            out.put(sum(there), self.presence_bits)
        for step in self._steps:
            step.write(out, value, scope)

    def read(self, source: BitReader, scope: Scope) -> dict[str, Any]:
        """Return the fields by name; absent ones are not in the dictionary."""
        values: dict[str, Any] = {}
        if not self._optional:
            for step in self._steps:
                step.read(source, values, scope)
            return values
        code = source.take(self.presence_bits)
        present = tuple([name for name, weight in self._weights.items() if code & weight])
        if source.spans is not None:
            source.leave(self._bits, present)
        for step in self._steps:
            if not isinstance(step, Maybe) or step.name in present:
                step.read(source, values, scope)
        return values

    def example(self, case: Case, scope: Scope) -> dict[str, Any]:
        """Return examples by name."""
        return self.filled(case, scope, {})

    def is_empty(self, scope: Scope) -> bool:
        """Return whether no field carries a value."""
        return not self._known

    def filled(self, case: Case, scope: Scope, given: Mapping[str, Any]) -> dict[str, Any]:
        """Return the values that are given, and examples of all others."""
        values = dict(given)
        for step in self._steps:
            step.example(case, values, scope)
        return values

    def _unknown(self, values: Mapping[str, Any]) -> None:
        name = next(key for key in values if key not in self._known)
        from difflib import get_close_matches  # noqa: PLC0415  # only a name that is wrong

        close = get_close_matches(name if isinstance(name, str) else repeated(name), self._known, 1)
        hint = (
            f"Did you mean {close[0]!r}?"
            if close
            else f"Fields are {', '.join(sorted(self._known))}"
            if self._known
            else NOTHING_HERE
        )
        raise Misfit(f"has no field {repeated(name):.40}", hint=hint)
