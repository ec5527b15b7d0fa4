"""The compiled form of a message, one node a place on the wire: runs of fixed fields, and groups of steps.

A node writes a value, reads one back, and gives an example; ``least`` and ``greatest`` are the bits
that it can take. Steps are the same for a group's dictionary. While a node works, the path of the
reader or writer holds the names down to the place, so that a ``Misfit`` needs no path of its own.
``scope`` holds the values that later fields refer to (tags and base times) by slot number.
"""

from collections.abc import Callable, Mapping
from typing import Any, ClassVar, Literal, NamedTuple, Protocol

from lowpanbudget.errors import Truncated
from lowpanbudget.fields.stream import BitReader, BitWriter
from lowpanbudget.payload.codec.field_bits import FieldBits
from lowpanbudget.payload.codec.order import Order
from lowpanbudget.payload.flaws import NO_VALUE, Misfit

Case = Literal["least", "typical", "greatest"]
CASES: tuple[Case, ...] = ("least", "typical", "greatest")
Scope = dict[int, Any]


class Codec(NamedTuple):
    """One fixed width: ``encode`` gives the code of a value, ``decode`` the value of a code."""

    width: int
    encode: Callable[[Any], int]
    decode: Callable[[int], Any]


class PlacedField(Protocol):
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

    def write(self, out: BitWriter, value: Any, scope: Scope) -> None:
        """Append the value."""

    def read(self, source: BitReader, scope: Scope) -> Any:
        """Return the next value."""

    def example(self, case: Case, scope: Scope) -> Any:
        """Return a value of the least, typical or greatest message."""


class Step(Protocol):
    """One or more fields of a group, which share its dictionary of values."""

    least: int
    greatest: int

    def write(self, out: BitWriter, values: Mapping[str, Any], scope: Scope) -> None:
        """Append the fields."""

    def read(self, source: BitReader, values: dict[str, Any], scope: Scope) -> None:
        """Read the fields into the dictionary."""

    def example(self, case: Case, values: dict[str, Any], scope: Scope) -> None:
        """Put examples into the dictionary."""


class LeafPlace(NamedTuple):
    """A leaf with its codec for this message, how many of its bits only round up, and where these begin."""

    leaf: PlacedField
    codec: Codec
    padding: int
    padding_at: int = 0

    @property
    def bits(self) -> FieldBits:
        """Return what its bits are."""
        return FieldBits(self.leaf, self.padding, padding_at=self.padding_at)


class LeafNode:
    """One value of fixed width."""

    __slots__ = ("_bits", "_examples", "greatest", "least", "place")

    def __init__(self, place: LeafPlace) -> None:
        self.place = place
        self._bits = place.bits
        self._examples: dict[Case, Any] = {}  # arrays ask for the same one again and again
        self.least = self.greatest = place.codec.width

    def write(self, out: BitWriter, value: Any, scope: Scope) -> None:
        """Append the code of the value."""
        codec = self.place.codec
        out.put(codec.encode(value), codec.width)

    def read(self, source: BitReader, scope: Scope) -> Any:
        """Return the value of the next code."""
        value = self.place.codec.decode(source.take(self.least))
        if source.spans is not None:
            source.leave(self._bits, value)
        return value

    def example(self, case: Case, scope: Scope) -> Any:
        """Return the leaf's own example."""
        if case not in self._examples:
            self._examples[case] = self.place.leaf.example(case)
        return self._examples[case]


class _RunPart(NamedTuple):
    """A field of a run: where it begins, its width, and what its bits are."""

    leaf: PlacedField
    offset: int
    width: int
    bits: FieldBits


class Run:
    """Fixed fields side by side, written and read as one number."""

    __slots__ = ("_examples", "_parts", "_reads", "_writes", "greatest", "least")

    def __init__(self, places: list[LeafPlace], order: Order) -> None:
        total = sum(place.codec.width for place in places)
        self.least = self.greatest = total
        writes, reads, parts, offset = [], [], [], 0
        for place in places:
            leaf, codec = place.leaf, place.codec
            shift = total - offset - codec.width if order.msb_first else offset
            if leaf.carries:
                writes.append((leaf.name, shift, codec.encode))
                reads.append((leaf.name, shift, (1 << codec.width) - 1, codec.decode))
            parts.append(_RunPart(leaf, offset, codec.width, place.bits))
            offset += codec.width
        self._writes, self._reads, self._parts = tuple(writes), tuple(reads), tuple(parts)
        self._examples: dict[Case, dict[str, Any]] = {}

    def write(self, out: BitWriter, values: Mapping[str, Any], scope: Scope) -> None:
        """Append all fields."""
        word, name = 0, ""
        get = values.get
        try:
            for name, shift, encode in self._writes:
                word |= encode(get(name)) << shift
        except Misfit as fault:
            out.path.append(name)
            raise _explained(fault, values, name) from None
        out.put(word, self.least)

    def read(self, source: BitReader, values: dict[str, Any], scope: Scope) -> None:
        """Read all fields."""
        name = ""
        try:
            word = source.take(self.least)
        except Truncated:
            self._short(source)
            raise
        try:
            for name, shift, mask, decode in self._reads:
                values[name] = decode(word >> shift & mask)
        except Misfit:
            source.path.append(name)
            source.start += next(p.offset for p in self._parts if p.leaf.name == name)
            raise
        if source.spans is not None:
            source.at = source.start
            for leaf, _, width, bits in self._parts:
                code = source.take(width)
                source.leave(bits, values.get(leaf.name) if leaf.carries else code, leaf.name)

    def example(self, case: Case, values: dict[str, Any], scope: Scope) -> None:
        """Put an example of each field that is not there into the dictionary."""
        if case not in self._examples:
            leaves = (part.leaf for part in self._parts)
            self._examples[case] = {
                leaf.name: leaf.example(case) for leaf in leaves if leaf.carries
            }
        examples = self._examples[case]
        values.update(examples if values.keys().isdisjoint(examples) else {**examples, **values})

    def _short(self, source: BitReader) -> None:
        """Complain about the first field that is not whole, or that holds what none may: another version, say."""
        decodes = {name: decode for name, _, _, decode in self._reads}
        for part in self._parts:
            if source.at + part.width > source.end:
                source.path.append(part.leaf.name or part.leaf.kind)
            code, decode = source.take(part.width), decodes.get(part.leaf.name)
            if decode is not None:
                try:
                    decode(code)
                except Misfit:
                    source.path.append(part.leaf.name)
                    raise


def _explained(fault: Misfit, values: Mapping[str, Any], name: str) -> Misfit:
    """Return the fault, in plainer words if there was simply no value."""
    return Misfit("has no value", hint=NO_VALUE) if values.get(name) is None else fault
