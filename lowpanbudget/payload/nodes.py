"""The compiled form of a message, one node a place on the wire: runs of fixed fields, and groups of steps.

A node writes a value, reads one back, and gives an example; ``least`` and ``greatest`` are the bits
that it can take. Steps are the same for a group's dictionary. While a node works, the path of the
reader or writer holds the names down to the place, so that a ``Misfit`` needs no path of its own.
``scope`` holds the values that later fields refer to (tags and base times) by slot number.
"""

from collections.abc import Mapping
from difflib import get_close_matches
from typing import Any, NamedTuple, Protocol

from lowpanbudget.payload.bitpack import Order, Reader, Writer
from lowpanbudget.payload.clock import TimeOffset
from lowpanbudget.payload.contents import Octets
from lowpanbudget.payload.field import Case, Codec, Field, Leaf
from lowpanbudget.payload.flaws import Misfit

Scope = dict[int, Any]


class Node(Protocol):
    """A place on the wire that holds one value."""

    least: int
    greatest: int

    def write(self, out: Writer, value: Any, scope: Scope) -> None:
        """Append the value."""

    def read(self, source: Reader, scope: Scope) -> Any:
        """Return the next value."""

    def example(self, case: Case, scope: Scope) -> Any:
        """Return a value of the least, typical or greatest message."""


class Step(Protocol):
    """One or more fields of a group, which share its dictionary of values."""

    least: int
    greatest: int

    def write(self, out: Writer, values: Mapping[str, Any], scope: Scope) -> None:
        """Append the fields."""

    def read(self, source: Reader, values: dict[str, Any], scope: Scope) -> None:
        """Read the fields into the dictionary."""

    def example(self, case: Case, values: dict[str, Any], scope: Scope) -> None:
        """Put examples into the dictionary."""


class Place(NamedTuple):
    """A leaf with its codec for this message, and how many of its bits only round up."""

    leaf: Leaf | Octets
    codec: Codec
    padding: int


class LeafNode:
    """One value of fixed width."""

    __slots__ = ("greatest", "least", "place")

    def __init__(self, place: Place) -> None:
        self.place = place
        self.least = self.greatest = place.codec.width

    def write(self, out: Writer, value: Any, scope: Scope) -> None:
        """Append the code of the value."""
        del scope
        leaf, codec, padding = self.place
        code = codec.encode(value)
        if out.marks is not None:
            out.mark(
                out.position, codec.width, padding=padding, kind=leaf.kind, role="value", about=leaf
            )
        out.put(code, codec.width)

    def read(self, source: Reader, scope: Scope) -> Any:
        """Return the value of the next code."""
        del scope
        start = source.position
        code = source.take(self.least)
        try:
            return self.place.codec.decode(code)
        except Misfit:
            source.back(start)
            raise

    def example(self, case: Case, scope: Scope) -> Any:
        """Return the leaf's own example."""
        del scope
        return self.place.leaf.example(case)


class Run:
    """Fixed fields side by side, written and read as one number."""

    __slots__ = ("_places", "_reads", "_writes", "greatest", "least")

    def __init__(self, places: list[Place], order: Order) -> None:
        total = sum(place.codec.width for place in places)
        self.least = self.greatest = total
        writes, reads, marks, offset = [], [], [], 0
        for place in places:
            leaf, codec, _ = place
            shift = total - offset - codec.width if order.msb_first else offset
            if leaf.kind != "reserved":
                writes.append((leaf.name, shift, codec.encode))
                reads.append((leaf.name, shift, (1 << codec.width) - 1, codec.decode))
            marks.append((place, offset))
            offset += codec.width
        self._writes, self._reads, self._places = tuple(writes), tuple(reads), tuple(marks)

    def write(self, out: Writer, values: Mapping[str, Any], scope: Scope) -> None:
        """Append all fields."""
        del scope
        word, name = 0, ""
        get = values.get
        try:
            for name, shift, encode in self._writes:
                word |= encode(get(name)) << shift
        except Misfit as fault:
            out.path.append(name)
            raise _explained(fault, values, name) from None
        if out.marks is not None:
            self._mark(out)
        out.put(word, self.least)

    def read(self, source: Reader, values: dict[str, Any], scope: Scope) -> None:
        """Read all fields."""
        del scope
        start, name = source.position, ""
        if source.left < self.least:
            self._short(source)
        word = source.take(self.least)
        try:
            for name, shift, mask, decode in self._reads:
                values[name] = decode(word >> shift & mask)
        except Misfit:
            source.path.append(name)
            source.back(start + next(at for place, at in self._places if place.leaf.name == name))
            raise

    def example(self, case: Case, values: dict[str, Any], scope: Scope) -> None:
        """Put an example of each field into the dictionary."""
        del scope
        for (leaf, _, _), _ in self._places:
            if leaf.kind != "reserved":
                values[leaf.name] = leaf.example(case)

    def _short(self, source: Reader) -> None:
        """Complain about the first field that is not whole."""
        start, left = source.position, source.left
        for (leaf, codec, _), offset in self._places:
            if offset + codec.width > left:
                source.path.append(leaf.name or leaf.kind)
                source.back(start + offset).take(codec.width)

    def _mark(self, out: Writer) -> None:
        for (leaf, codec, padding), offset in self._places:
            at = out.position + offset
            out.mark(
                at,
                codec.width,
                padding=padding,
                kind=leaf.kind,
                role="value",
                about=leaf,
                name=leaf.name,
            )


class Named:
    """A step of one field that is no part of a run; ``slot`` is where its value is kept for others."""

    __slots__ = ("greatest", "least", "name", "node", "slot")

    def __init__(self, name: str, node: Node, slot: int | None = None) -> None:
        self.name = name
        self.node = node
        self.slot = slot
        self.least, self.greatest = node.least, node.greatest

    def write(self, out: Writer, values: Mapping[str, Any], scope: Scope) -> None:
        """Append the field."""
        out.path.append(self.name)
        value = values.get(self.name)
        if value is None:
            raise Misfit("has no value")
        self.node.write(out, value, scope)
        if self.slot is not None:
            self._remember(value, scope)
        out.path.pop()

    def read(self, source: Reader, values: dict[str, Any], scope: Scope) -> None:
        """Read the field."""
        source.path.append(self.name)
        value = values[self.name] = self.node.read(source, scope)
        if self.slot is not None:
            scope[self.slot] = value
        source.path.pop()

    def example(self, case: Case, values: dict[str, Any], scope: Scope) -> None:
        """Put an example of the field into the dictionary."""
        value = values[self.name] = self.node.example(case, scope)
        if self.slot is not None:
            self._remember(value, scope)

    def _remember(self, value: Any, scope: Scope) -> None:
        """Keep the value as the receiver will know it: after rounding."""
        assert self.slot is not None
        assert isinstance(self.node, LeafNode | TagNode)
        codec = self.node.place.codec
        scope[self.slot] = codec.decode(codec.encode(value))


class TagNode(LeafNode):
    """An enumeration that unions look at; its example makes them small or large."""

    __slots__ = ("unions",)

    def __init__(self, place: Place) -> None:
        LeafNode.__init__(self, place)
        self.unions: list[dict[str, GroupNode]] = []

    def example(self, case: Case, scope: Scope) -> Any:
        """Return the name whose options are smallest or largest, or the usual name."""
        names = list(self.unions[0]) if self.unions else []
        if case == "typical" or not names:
            return LeafNode.example(self, case, scope)
        if case == "least":
            return min(names, key=lambda name: sum(options[name].least for options in self.unions))
        return max(names, key=lambda name: sum(options[name].greatest for options in self.unions))


class TimeOffsetNode:
    """A time that is sent as the steps since the base time in ``slot``."""

    __slots__ = ("_field", "_slot", "greatest", "least", "place")

    def __init__(self, place: Place, field: TimeOffset, slot: int) -> None:
        self.place = place
        self._field = field
        self._slot = slot
        self.least = self.greatest = place.codec.width

    def write(self, out: Writer, value: Any, scope: Scope) -> None:
        """Append the steps from the base to the time."""
        code = self.place.codec.encode(self._field.difference(value, scope[self._slot]))
        width, padding = self.least, self.place.padding
        if out.marks is not None:
            out.mark(
                out.position,
                width,
                padding=padding,
                kind="time-offset",
                role="value",
                about=self._field,
            )
        out.put(code, width)

    def read(self, source: Reader, scope: Scope) -> Any:
        """Return the base plus the steps."""
        start = source.position
        code = source.take(self.least)
        try:
            return scope[self._slot] + self.place.codec.decode(code)
        except Misfit:
            source.back(start)
            raise

    def example(self, case: Case, scope: Scope) -> Any:
        """Return a time after the base."""
        return scope[self._slot] + self._field.example_offset(case)


class Maybe:
    """An optional field; the group's presence bits say whether it is there."""

    __slots__ = ("_field", "_step", "greatest", "least", "name")

    def __init__(self, field: Field, step: Step) -> None:
        self._field = field
        self._step = step
        self.name = field.name
        self.least, self.greatest = 0, step.greatest

    def write(self, out: Writer, values: Mapping[str, Any], scope: Scope) -> None:
        """Append the field if it has a value."""
        if values.get(self.name) is not None:
            self._step.write(out, values, scope)

    def read(self, source: Reader, values: dict[str, Any], scope: Scope) -> None:
        """Read the field; the group asks only when it is there."""
        self._step.read(source, values, scope)

    def example(self, case: Case, values: dict[str, Any], scope: Scope) -> None:
        """Put an example into the dictionary, or leave it out."""
        if case == "greatest" or (case == "typical" and self._field.typically_present):
            self._step.example(case, values, scope)


class GroupNode:
    """The steps of a group or of the whole message, led by the presence bits of its optional fields."""

    __slots__ = ("_known", "_msb", "_optional", "_steps", "greatest", "least", "presence_bits")

    def __init__(self, steps: list[Step], known: list[str], order: Order) -> None:
        self._steps = tuple(steps)
        self._known = frozenset(known)
        self._msb = order.msb_first
        self._optional = tuple(step.name for step in steps if isinstance(step, Maybe))
        self.presence_bits = order.rounded(len(self._optional))
        self.least = self.presence_bits + sum(step.least for step in steps)
        self.greatest = self.presence_bits + sum(step.greatest for step in steps)

    def write(self, out: Writer, value: Any, scope: Scope) -> None:
        """Append presence bits and fields."""
        if type(value) is not dict and not isinstance(value, Mapping):
            raise Misfit(f"is a {type(value).__name__}", hint="Give a dictionary of values by name")
        if not value.keys() <= self._known:
            self._unknown(value)
        if self._optional:
            self._write_presence(out, value)
        for step in self._steps:
            step.write(out, value, scope)

    def read(self, source: Reader, scope: Scope) -> dict[str, Any]:
        """Return the fields by name; absent ones are not in the dictionary."""
        values: dict[str, Any] = {}
        present = self._read_presence(source) if self._optional else frozenset()
        for step in self._steps:
            if not isinstance(step, Maybe) or step.name in present:
                step.read(source, values, scope)
        return values

    def example(self, case: Case, scope: Scope) -> dict[str, Any]:
        """Return examples by name."""
        values: dict[str, Any] = {}
        for step in self._steps:
            step.example(case, values, scope)
        return values

    def _weight(self, index: int) -> int:
        return 1 << (self.presence_bits - 1 - index) if self._msb else 1 << index

    def _write_presence(self, out: Writer, values: Mapping[str, Any]) -> None:
        bits = self.presence_bits
        code = sum(
            self._weight(i) for i, name in enumerate(self._optional) if values.get(name) is not None
        )
        if out.marks is not None:
            padding = bits - len(self._optional)
            out.mark(
                out.position,
                bits,
                padding=padding,
                kind="presence",
                role="presence",
                about=self._optional,
            )
        out.put(code, bits)

    def _read_presence(self, source: Reader) -> frozenset[str]:
        code = source.take(self.presence_bits)
        return frozenset(name for i, name in enumerate(self._optional) if code & self._weight(i))

    def _unknown(self, values: Mapping[str, Any]) -> None:
        name = next(key for key in values if key not in self._known)
        close = get_close_matches(str(name), self._known, 1)
        hint = (
            f"Did you mean {close[0]!r}?"
            if close
            else f"Fields are {', '.join(sorted(self._known))}"
        )
        raise Misfit(f"has no field {name!r:.40}", hint=hint)


def _explained(fault: Misfit, values: Mapping[str, Any], name: str) -> Misfit:
    """Return the fault, in plainer words if there was simply no value."""
    return Misfit("has no value") if values.get(name) is None else fault
