"""What every kind of field must be able to do: one interface for codec, C source, other encodings, texts and searches.

A kind is a class with a ``kind`` of its own; the class definition registers it in ``KINDS``, under the word that design
files use. Everything that differs from kind to kind is a method here, with an answer that suits most kinds.
"""

import dataclasses
import re
from collections.abc import Iterator, Mapping
from decimal import Decimal
from random import Random
from typing import Any, ClassVar, NamedTuple, Protocol, Self

from lowpanbudget.errors import RequestError
from lowpanbudget.payload.c.names import Spot
from lowpanbudget.payload.c.parts import Maker, Part
from lowpanbudget.payload.codec.bitpack import Order
from lowpanbudget.payload.codec.grid import Stepped
from lowpanbudget.payload.codec.nodes import Case, Codec, LeafNode, Node, Place
from lowpanbudget.payload.exact import exact
from lowpanbudget.payload.flaws import Flaw, Misfit, Path

MAX_BITS = 64  # the widest integer that C99 promises
ELEMENT = "[]"  # the step of a path that stands for any element of an array
_NAME = re.compile(r"[A-Za-z](?:[A-Za-z0-9_-]{0,61}[A-Za-z0-9_])?\Z")
NAME_RULE = "a letter, then up to 62 letters, digits, '_' or '-' (not at the end), all ASCII"

KINDS: "dict[str, type[Field]]" = {}
FieldPath = tuple[
    str, ...
]  # names down to a field, "[]" for any element, "(when)" for a union's option


class Summary(NamedTuple):
    """A field's values in words: its range, its step and its unit, empty where it has none."""

    range: str
    step: str = ""
    unit: str = ""


class Gain(NamedTuple):
    """What a field gives, in words, and as numbers where it is one: its step and its greatest rounding error."""

    gives: str
    less: str
    step: Decimal | None = None
    error: Decimal | None = None
    less_step: Decimal | None = None
    less_error: Decimal | None = None


class Body(NamedTuple):
    """Fields inside a field: the steps of a path that lead to them, and whether their names follow."""

    steps: FieldPath
    fields: "tuple[Field, ...]"
    named: bool = True


class Scope(NamedTuple):
    """The values that stand before a place, in its group and those around it, and their fields."""

    values: Mapping[str, Any]
    fields: "Mapping[str, Field]"


class Held(NamedTuple):
    """A value without parts: its field, its place, a key that sorts as the message does, and what stands before it."""

    field: "Field"
    value: Any
    path: tuple[str | int, ...]
    order: tuple[int, ...]
    scope: Scope

    def under(self, field: "Field", value: Any, index: int) -> "Held":
        """Return an element of a list, or the value of an option."""
        return Held(field, value, (*self.path, index), (*self.order, index), self.scope)


class Wish(NamedTuple):
    """A value that is wanted at one place of a message, and what the tags of unions on the way must be."""

    path: FieldPath
    value: Any
    tags: Mapping[str, str]


class Known(NamedTuple):
    """An earlier field that later ones may refer to: where its value is kept, and its node."""

    field: "Field"
    slot: int
    node: Node


class At(NamedTuple):
    """Where a field is compiled: the fields before it by name, the keys of the declaration, the depth of groups."""

    scope: Mapping[str, Known]
    path: Path
    depth: int

    def below(self, *keys: str | int) -> "At":
        """Return the place of a field inside."""
        return At(self.scope, (*self.path, *keys), self.depth + 1)


class Planner(Protocol):
    """What compiles the fields of a message, as kinds see it."""

    order: Order

    def flaw(self, path: Path, message: str, hint: str) -> None:
        """Note what is wrong."""

    def place(self, leaf: "Leaf") -> Place:
        """Return a field of fixed width with its codec, in the byte order of the message."""

    def group(self, fields: "tuple[Field, ...]", at: At) -> Node | None:
        """Return compiled fields, or None if they are flawed."""

    def element(self, field: "Field", at: At) -> Node | None:
        """Return a compiled element of an array, or None if it is flawed."""

    def referred(self, name: str) -> bool:
        """Return whether a later field refers to this name."""


@dataclasses.dataclass(frozen=True, slots=True)
class Field:
    """A field of a message: its name, a note for people, and whether it may be absent.

    ``at`` states the bit, counted from the start of the message or group, where the field must
    begin; bits left free before it are zero. ``typically_present`` tells whether an optional field
    counts in the typical message.
    """

    name: str
    _: dataclasses.KW_ONLY
    note: str = ""
    optional: bool = False
    typically_present: bool = True
    at: int | None = None

    kind: ClassVar[str] = ""
    # Attributes that are exact decimals; whole numbers, floats and text are converted when a field is made.
    decimals: ClassVar[tuple[str, ...]] = ()
    # False where the message itself knows the value and nobody needs to give it.
    given: ClassVar[bool] = True
    # False where there is no value at all, only bits.
    carries: ClassVar[bool] = True
    # What later fields may refer to by name keeps its value.
    referable: ClassVar[bool] = False
    # Whether rounding may change its values.
    rounds: ClassVar[bool] = False
    # What the field tells about the whole message: which format it is, and when it was sent or what was lost before.
    identifies: ClassVar[bool] = False
    dates: ClassVar[bool] = False

    def __init_subclass__(cls) -> None:
        """Register a kind."""
        super(Field, cls).__init_subclass__()
        if cls.__dict__.get("kind"):
            KINDS[cls.kind] = cls

    def __post_init__(self) -> None:
        """Make exact decimals of other numbers."""
        for key in self.decimals:
            value = getattr(self, key)
            if value is None or isinstance(value, Decimal):
                continue
            try:
                made = tuple(map(exact, value)) if isinstance(value, tuple) else exact(value)
            except Misfit as fault:
                raise RequestError(f"field {self.name!r:.40}: {key} {fault.text}") from None
            object.__setattr__(self, key, made)

    # --- the declaration

    def flaws(self, order: Order) -> Iterator[Flaw]:
        """Yield what is wrong with this field by itself; paths are keys of the declaration."""
        yield from ()

    def bodies(self) -> tuple[Body, ...]:
        """Return the fields inside this one."""
        return ()

    def with_bodies(self, bodies: "tuple[tuple[Field, ...], ...]") -> Self:
        """Return this field with others inside, one tuple for each of ``bodies``."""
        return self

    def reference(self) -> str:
        """Return the name of the earlier field that this one refers to."""
        return ""

    def number(self) -> Stepped | None:
        """Return the number that the field sends, of a series each sample; None where it sends none."""
        return None

    # --- values

    def node(self, planner: Planner, at: At) -> Node | None:
        """Return the compiled field, or None if it is flawed; its own flaws are noted before."""
        raise NotImplementedError

    def held(self, held: Held) -> Iterator[Held]:
        """Yield the values without parts that a value of this field is made of."""
        yield held

    def exactly(self, value: Any) -> Decimal:
        """Return a number that was given as an exact decimal."""
        return exact(value)

    def drawn(self, random: Random, known: Mapping[str, Any]) -> Any:
        """Return any value, drawn; those at edges often. ``known`` has the values before it."""
        raise NotImplementedError

    def edges(self) -> Iterator[Any]:
        """Yield the values that differ most; of what repeats lengths or lists."""
        yield from ()

    def wished(self, wish: Wish, here: FieldPath, known: Mapping[str, Any]) -> Any:
        """Return the value wished for, where it is here; else the smallest value with it inside."""
        raise NotImplementedError

    # --- words

    def summary(self) -> Summary:
        """Return the values in words."""
        return Summary("")

    def count_summary(self) -> tuple[str, str]:
        """Return the allowed numbers of what repeats, and what they number."""
        return "", ""

    def shown_unit(self) -> str:
        """Return the unit that values are shown with, empty if there is none."""
        unit: str = getattr(self, "unit", "")
        return unit

    def shown_note(self) -> str:
        """Return what a bit map says beside the range."""
        return self.note

    def meaning(self, value: Any, scope: Scope) -> str:
        """Return what a value means beyond itself."""
        return self.note

    # --- costs

    def value_bits(self) -> int:
        """Return the bits of one value."""
        raise NotImplementedError

    def spare_codes(self, bits: int) -> int:
        """Return how many codes of a place of so many bits mean nothing."""
        return 0

    def gain(self) -> Gain:
        """Return what the field gives, and what it would give with a bit less."""
        raise NotImplementedError

    def coarser(self) -> "Iterator[tuple[Field, Decimal]]":
        """Yield the field with ever coarser steps within its tolerance, each with the share of it that is used."""
        yield from ()

    def remark(self) -> tuple[str, str] | None:
        """Return what is unusual about the declaration, and what would help."""
        return None

    # --- C

    def part(self, maker: Maker, spot: Spot) -> Part:
        """Return the field in C."""
        raise NotImplementedError

    def element_spot(self, spot: Spot) -> Spot:
        """Return the spot of this field as the element of an array at a spot."""
        return Spot(f"{spot.path}{ELEMENT}", spot.words)


@dataclasses.dataclass(frozen=True, slots=True)
class Leaf(Field):
    """A field of one fixed width."""

    # A string of bits or octets has no byte order; a number has.
    ordered: ClassVar[bool] = True

    def needed(self) -> int:
        """Return the bits that the field's values (or its author) ask for."""
        raise NotImplementedError

    def codec(self, width: int, order: Order) -> Codec:
        """Return the codec for a place of ``width`` bits, at least ``needed()``."""
        raise NotImplementedError

    def example(self, case: Case) -> Any:
        """Return a value of the least, typical or greatest message."""
        raise NotImplementedError

    def node(self, planner: Planner, at: At) -> Node | None:
        """Return a place of fixed width."""
        return LeafNode(planner.place(self))

    def wished(self, wish: Wish, here: FieldPath, known: Mapping[str, Any]) -> Any:
        """Return the value wished for, or that of the least message."""
        return wish.value if wish.path == here else self.example("least")

    def value_bits(self) -> int:
        """Return the bits of the field."""
        return self.needed()


def members(fields: tuple[Field, ...]) -> tuple[Field, ...]:
    """Return the fields that carry values, in order: all but reserved bits."""
    return tuple(field for field in fields if field.carries)


def held_in(
    fields: tuple[Field, ...], values: Mapping[str, Any], around: Held | None = None
) -> Iterator[Held]:
    """Yield the single values of a message, or of a group ``around`` them, in the order of the fields."""
    path, order = ((), ()) if around is None else (around.path, around.order)
    outer = Scope({}, {}) if around is None else around.scope
    scope = Scope(
        {**outer.values, **values}, {**outer.fields, **{field.name: field for field in fields}}
    )
    for index, field in enumerate(fields):
        if field.carries and field.name in values:
            value = values[field.name]
            yield from field.held(Held(field, value, (*path, field.name), (*order, index), scope))


def no_reference(name: str, kind: str) -> tuple[str, str]:
    """Return what is wrong with a reference that leads to no field of this kind, and the way out."""
    return (
        f"{name!r} is no earlier field of kind {kind} that is always present",
        f"Put a field of kind {kind} with this name before it, in this group or one around it",
    )


def name_flaw(name: object, *keys: str | int) -> Flaw | None:
    """Return the flaw of a name that is no name, else None."""
    if isinstance(name, str) and _NAME.match(name):
        return None
    if name == "":
        return Flaw(keys, "no name", f"Use {NAME_RULE}")
    return Flaw(keys, f"{str(name)[:40]!r} is no name", f"Use {NAME_RULE}")


def names_flaws(names: tuple[str, ...], key: str, *, what: str) -> Iterator[Flaw]:
    """Yield the flaws of a list of names: not names, or one of them twice."""
    for index, name in enumerate(names):
        flaw = name_flaw(name, key, index)
        if flaw:
            yield flaw
        elif name in names[:index]:
            yield Flaw((key, index), f"{what} {name!r} stands here twice", "Rename one of them")
