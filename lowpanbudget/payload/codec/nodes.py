"""The compiled form of a message, one node a place on the wire: runs of fixed fields, and groups of steps.

A node writes a value, reads one back, and gives an example; ``least`` and ``greatest`` are the bits
that it can take. Steps are the same for a group's dictionary. While a node works, the path of the
reader or writer holds the names down to the place, so that a ``Misfit`` needs no path of its own.
``scope`` holds the values that later fields refer to (tags and base times) by slot number.
"""

from collections.abc import Callable, Mapping
from typing import Any, ClassVar, Literal, NamedTuple, Protocol

from lowpanbudget.payload.codec.bitpack import Order, Reader, Writer
from lowpanbudget.payload.flaws import NO_VALUE, Misfit

Case = Literal["least", "typical", "greatest"]
CASES: tuple[Case, ...] = ("least", "typical", "greatest")
Scope = dict[int, Any]


class Codec(NamedTuple):
    """One fixed width: ``encode`` gives the code of a value, ``decode`` the value of a code."""

    width: int
    encode: Callable[[Any], int]
    decode: Callable[[int], Any]


class Described(Protocol):
    """What a place on the wire must know of its field."""

    kind: ClassVar[str]
    carries: ClassVar[bool]

    @property
    def name(self) -> str:
        """Return the name of the field."""

    def example(self, case: Case) -> Any:
        """Return a value of the least, typical or greatest message."""


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

    leaf: Described
    codec: Codec
    padding: int


class LeafNode:
    """One value of fixed width."""

    __slots__ = ("_examples", "greatest", "least", "place")

    def __init__(self, place: Place) -> None:
        self.place = place
        self._examples: dict[Case, Any] = {}  # arrays ask for the same one again and again
        self.least = self.greatest = place.codec.width

    def write(self, out: Writer, value: Any, scope: Scope) -> None:
        """Append the code of the value."""
        leaf, codec, padding = self.place
        code = codec.encode(value)
        if out.marks is not None:
            out.mark(
                out.position, codec.width, padding=padding, kind=leaf.kind, role="value", about=leaf
            )
        out.put(code, codec.width)

    def read(self, source: Reader, scope: Scope) -> Any:
        """Return the value of the next code."""
        start = source.position
        code = source.take(self.least)
        try:
            return self.place.codec.decode(code)
        except Misfit:
            source.back(start)
            raise

    def example(self, case: Case, scope: Scope) -> Any:
        """Return the leaf's own example."""
        if case not in self._examples:
            self._examples[case] = self.place.leaf.example(case)
        return self._examples[case]


class Run:
    """Fixed fields side by side, written and read as one number."""

    __slots__ = ("_examples", "_places", "_reads", "_writes", "greatest", "least")

    def __init__(self, places: list[Place], order: Order) -> None:
        total = sum(place.codec.width for place in places)
        self.least = self.greatest = total
        writes, reads, marks, offset = [], [], [], 0
        for place in places:
            leaf, codec, _ = place
            shift = total - offset - codec.width if order.msb_first else offset
            if leaf.carries:
                writes.append((leaf.name, shift, codec.encode))
                reads.append((leaf.name, shift, (1 << codec.width) - 1, codec.decode))
            marks.append((place, offset))
            offset += codec.width
        self._writes, self._reads, self._places = tuple(writes), tuple(reads), tuple(marks)
        self._examples: dict[Case, dict[str, Any]] = {}

    def write(self, out: Writer, values: Mapping[str, Any], scope: Scope) -> None:
        """Append all fields."""
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
        start, name = source.position, ""
        try:
            word = source.take(self.least)
        except Misfit:
            self._short(source)
            raise
        try:
            for name, shift, mask, decode in self._reads:
                values[name] = decode(word >> shift & mask)
        except Misfit:
            source.path.append(name)
            source.back(start + next(at for place, at in self._places if place.leaf.name == name))
            raise

    def example(self, case: Case, values: dict[str, Any], scope: Scope) -> None:
        """Put an example of each field into the dictionary."""
        if case not in self._examples:
            leaves = (place.leaf for place, _ in self._places)
            self._examples[case] = {
                leaf.name: leaf.example(case) for leaf in leaves if leaf.carries
            }
        values.update(self._examples[case])

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


def _explained(fault: Misfit, values: Mapping[str, Any], name: str) -> Misfit:
    """Return the fault, in plainer words if there was simply no value."""
    return Misfit("has no value", hint=NO_VALUE) if values.get(name) is None else fault
