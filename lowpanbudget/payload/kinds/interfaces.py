"""What kinds of fields are asked by, and what they answer with: places, words, gains, and the makers of other forms.

Fields stand here as ``Any``: their class is built on this module.
"""

from collections.abc import Callable, Iterator, Mapping
from decimal import Decimal
from typing import Any, NamedTuple, Protocol, TypeVar

from lowpanbudget.payload.codec.grid import Stepped
from lowpanbudget.payload.codec.nodes import LeafPlace, Node
from lowpanbudget.payload.codec.order import Order
from lowpanbudget.payload.flaws import Path
from lowpanbudget.payload.forms.senml_records import Entry, SenmlRecord

Known = Mapping[str, Any]  # the values before a place, by name
Fields = tuple[Any, ...]
Member = TypeVar("Member", bound=Any)
NOTHING = "nothing would be left"  # of a field in a place without bits
ELEMENT = "[]"  # the step of a path that stands for any element of an array
# names down to a field, "[]" for any element, "(when)" for a union's option
FieldPath = tuple[str, ...]


def members(fields: tuple[Member, ...]) -> tuple[Member, ...]:
    """Return the fields that carry values, in order: all but reserved bits."""
    return tuple(field for field in fields if field.carries)


class Summary(NamedTuple):
    """A field's values in words: its range, its step and its unit, empty where it has none."""

    range: str
    step: str = ""
    unit: str = ""


class Gain(NamedTuple):
    """What a field gives, in words, and as numbers where it is one: its step and its greatest rounding error.

    ``less`` and its numbers are what it would give in the next smaller place.
    """

    gives: str
    less: str
    step: Decimal | None = None
    error: Decimal | None = None
    less_step: Decimal | None = None
    less_error: Decimal | None = None


class Remark(NamedTuple):
    """What is unusual about a field, and what would help; ``loses``: values can be lost by it."""

    text: str
    hint: str
    loses: bool = False


class Coarser(NamedTuple):
    """A field with a coarser step, or in fewer bits: the share of its tolerance used up, what else changes in words."""

    field: Any
    loss: Decimal
    also: str


class InnerPart(NamedTuple):
    """What a value is made of many times: its name and bits, what it gives, and that in ``less_bits``.

    ``narrower`` is the field with the smaller one; None where there is none.
    """

    name: str
    bits: int
    gives: str
    less_bits: int
    less: str
    narrower: Any


class InnerFields(NamedTuple):
    """Fields inside a field: the steps of a path that lead to them, and whether their names follow."""

    steps: FieldPath
    fields: Fields
    named: bool = True


class TimeSpan(NamedTuple):
    """The times that a field can say, counted from the field ``base``: the seconds from the first to the last."""

    path: FieldPath
    base: str
    seconds: Decimal

    def within(self, *steps: str) -> "TimeSpan":
        """Return it as seen from around."""
        return self._replace(path=(*filter(None, steps), *self.path))  # an element has no name


class Scope(NamedTuple):
    """The values that stand before a place, in its group and those around it, and their fields."""

    values: Mapping[str, Any]
    fields: Mapping[str, Any]


class SingleValue(NamedTuple):
    """A value without parts: its field, its place, a key that sorts as the message does, and what stands before it."""

    field: Any
    value: Any
    path: tuple[str | int, ...]
    order: tuple[int, ...]
    scope: Scope

    def under(self, field: Any, value: Any, index: int) -> "SingleValue":
        """Return an element of a list, or the value of an option."""
        return SingleValue(field, value, (*self.path, index), (*self.order, index), self.scope)

    def parts(self) -> Iterator["SingleValue"]:
        """Yield the values that it is made of; itself, where it has none that would tell that it is there."""
        yield from self.field.single_values(self) if self.value not in ([], {}) else (self,)


class Wish(NamedTuple):
    """A value that is wanted at one place of a message, and what the tags of unions on the way must be."""

    path: FieldPath
    value: Any
    tags: Mapping[str, str]


class EarlierField(NamedTuple):
    """An earlier field that later ones may refer to: where its value is kept, and its node."""

    field: Any
    slot: int
    node: Node


class FieldPlace(NamedTuple):
    """Where a field is compiled: the fields before it by name, the keys of the declaration, the depth of groups."""

    scope: Mapping[str, EarlierField]
    path: Path
    depth: int

    def below(self, *keys: str | int) -> "FieldPlace":
        """Return the place of a field inside."""
        return FieldPlace(self.scope, (*self.path, *keys), self.depth + 1)


class Planner(Protocol):
    """What compiles the fields of a message, as kinds see it."""

    order: Order

    def flaw(self, path: Path, message: str, hint: str) -> None:
        """Note what is wrong."""

    def place(self, leaf: Any) -> LeafPlace:
        """Return a field of fixed width with its codec, in the byte order of the message."""

    def group(self, fields: Fields, at: FieldPlace) -> Node | None:
        """Return compiled fields, or None if they are flawed."""

    def element(self, field: Any, at: FieldPlace) -> Node | None:
        """Return a compiled element of an array, or None if it is flawed."""

    def referred(self, name: str) -> bool:
        """Return whether a later field refers to this name."""

    def earlier(self, kind: str) -> list[str]:
        """Return the names of the fields of this kind that stand before and are always present."""


LeafConversion = Callable[[Any, Any, Known], Any]
CodeOf = Callable[[Stepped, Any], Any]  # a value of a number as an encoding counts it, or back


class Conversion(Protocol):
    """Values into the data of an encoding, or back."""

    @property
    def leaf(self) -> LeafConversion:
        """Return what makes the data (the value) of a field without fields inside."""

    def fields(self, fields: Fields, values: Any, outer: Known) -> Any:
        """Return the data (the values) of several fields; ``outer`` has the values around them."""


class RecordPlace(NamedTuple):
    """Where a value stands in a SenML pack: the values before it, the names down to it, the time of what it is in.

    An ``element`` of an outermost array may have a time of its own.
    """

    known: Known
    path: FieldPath = ()
    time: Any = None
    element: bool = False

    @property
    def outermost(self) -> bool:
        """Return whether this is a field of the message itself."""
        return len(self.path) == 1

    def below(self, name: str) -> "RecordPlace":
        """Return the place of what has a name inside."""
        return self._replace(path=(*self.path, name))


class RecordMaker(Protocol):
    """What makes a SenML pack of values."""

    def entry(self, field: Any, value: Any, at: RecordPlace) -> Entry:
        """Return the record of one value."""

    def group(self, fields: Fields, values: Known, at: RecordPlace) -> Iterator[Entry]:
        """Yield the records of several fields."""

    def rises(self, element: Any, values: list[Any]) -> bool:
        """Return whether elements are told apart, and in order, by times of their own."""


class RecordReader(Protocol):
    """What reads values from a SenML pack."""

    def group(self, fields: Fields, records: list[SenmlRecord], at: RecordPlace) -> dict[str, Any]:
        """Return the values of several fields; the time is that of the array's element around them."""


ValuePath = tuple[str | int, ...]  # names down to a value, and indices of elements


class FieldWalker(Protocol):
    """What walks along the fields of a message, in the order in which they stand."""

    def group(self, fields: Fields, above: ValuePath, outer: Mapping[str, str]) -> None:
        """Pass several fields; ``outer`` are the tags around them, and the places of times that others count from."""

    def field(self, field: Any, place: ValuePath, tags: dict[str, str]) -> None:
        """Pass one field."""

    def counted(self, field: Any, place: ValuePath) -> int:
        """Pass the number in front of a field; return how many there are."""

    def octets(self, field: Any, count: int, place: ValuePath) -> None:
        """Pass so many octets of a field."""

    def difference(self, field: Any, place: ValuePath, tags: dict[str, str]) -> bool:
        """Pass a difference; return whether it is an escape, and a whole sample follows."""


class Rules(Protocol):
    """A grammar in CDDL being made."""

    def fields(self, fields: Fields, path: FieldPath) -> str:
        """Return a map or an array of fields."""

    def rule(self, name: str, body: str, remark: str = "") -> str:
        """Add a rule and return its name."""
