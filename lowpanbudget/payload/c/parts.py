"""What every field is in C: members of a structure, lines that pack and unpack it, constants, an initialiser.

A part gets the place of its value as C text (``message->reading[i0].peak``). One member holds the
value of most parts; what needs more (a count and its elements) is wrapped when it stands in an array.
"""

import dataclasses
from typing import Any, NamedTuple

from lowpanbudget.payload.c.extent import SCALARS, Extent, extent_of
from lowpanbudget.payload.c.names import Names, Spot
from lowpanbudget.payload.c.text import Lines, word_of
from lowpanbudget.payload.codec.order import Order
from lowpanbudget.values import dataclass

Known = dict[str, Any]


class Tag(NamedTuple):
    """A member that unions look at: where it is, and the constant of each of its names."""

    place: str
    constants: dict[str, str]


Scope = dict[str, Tag]


class Member(NamedTuple):
    """A member of a structure: its declaration without the semicolon, its name, and a remark."""

    declared: str
    name: str
    extent: Extent
    remark: str = ""


class Struct(NamedTuple):
    """A structure or union with its members."""

    head: str  # "struct readings_reading"
    members: tuple[Member, ...]
    remark: str = ""

    @property
    def extent(self) -> Extent:
        """Return the octets that it takes."""
        return extent_of(self.head, (member.extent for member in self.members))


class Macro(NamedTuple):
    """A constant; one without a name is a remark on those that follow."""

    name: str
    value: str
    remark: str = ""


@dataclass(slots=True)
class SourceUnit:
    """What the parts of one message share and add to: names, constants, structures, errors, functions."""

    names: Names
    order: Order
    floats: bool
    constants: list[Macro] = dataclasses.field(default_factory=list)
    structs: list[Struct] = dataclasses.field(default_factory=list)
    errors: dict[str, Spot] = dataclasses.field(default_factory=dict)
    places: dict[tuple[str, ...], int] = dataclasses.field(default_factory=dict)
    tables: list[dict[str, Any]] = dataclasses.field(default_factory=list)
    used: set[str] = dataclasses.field(default_factory=set)

    def call(self, helper: str) -> str:
        """Return the name of a function that the source file keeps to itself, noting that it is called."""
        self.used.add(helper)
        return f"{self.names.prefix}_{helper}_"

    def error(self, spot: Spot) -> str:
        """Return the result that says that this field is wrong."""
        name = self.names.error(spot)
        self.errors.setdefault(name, spot)
        return name

    def results(self) -> list[tuple[str, str]]:
        """Return each field that can be wrong, with its result, in the order of the message."""
        wrong = sorted(self.errors.items(), key=lambda item: self.places[item[1].words])
        return [(name, spot.path) for name, spot in wrong]

    @property
    def short(self) -> str:
        """Return the result that says that octets are missing."""
        return self.names.macro("too_short")

    def constant(self, spot: Spot, suffix: str, value: str, remark: str = "") -> str:
        """Add a constant and return its name."""
        name = self.names.macro(suffix, spot, fresh=True)
        self.constants.append(Macro(name, value, remark))
        return name

    def extent(self, head: str) -> Extent:
        """Return the octets of a type by its name."""
        if head in SCALARS:
            return SCALARS[head]
        return next(struct.extent for struct in self.structs if struct.head == head)

    def headed(self, text: str) -> None:
        """Add a remark above the constants that follow."""
        self.constants.append(Macro("", "", text))


class FieldPart:
    """A field in C; ``bits`` are those of its greatest value."""

    single = False  # whether one member holds the value

    def __init__(self, maker: SourceUnit, spot: Spot, bits: int = 0) -> None:
        self.maker = maker
        self.spot = spot
        self.bits = bits
        maker.places.setdefault(spot.words, len(maker.places))

    def members(self, name: str) -> list[Member]:
        """Return the members that hold the value, none for bits without one."""
        return []

    def pack(self, out: Lines, at: str, scope: Scope) -> None:
        """Append what checks the value and writes its bits."""
        raise NotImplementedError

    def unpack(self, out: Lines, at: str, scope: Scope) -> None:
        """Append what reads the bits, checks them and sets the value."""
        raise NotImplementedError

    def initial(self, name: str, value: Any, known: Known) -> list[str]:
        """Return designated initialisers of the members for a value on the grid."""
        return []

    def take(self, out: Lines, bits: int, into: str) -> None:
        """Append what reads a number of up to 32 or 64 bits."""
        helper = self.maker.call("take" + word_of(bits).suffix)
        out.fail(f"!{helper}(&in, {bits}, &{out.use(into)})", self.maker.short)

    def put(self, out: Lines, bits: int, value: str) -> None:
        """Append what writes a number."""
        out.add(f"{self.maker.call('put' + word_of(bits).suffix)}(&out, {value}, {bits});")


class Single(FieldPart):
    """A field that one member holds."""

    single = True
    head = ""  # the type of the member
    remark = ""

    def declared(self, name: str) -> str:
        """Return the declaration of the member; ``name`` may be an array of it."""
        return f"{self.head} {name}"

    @property
    def extent(self) -> Extent:
        """Return the octets of the member."""
        return self.maker.extent(self.head)

    def initialiser(self, value: Any, known: Known) -> str:
        """Return the initialiser of a value; empty where there is nothing to set, for what is not set is zero."""
        raise NotImplementedError

    def members(self, name: str) -> list[Member]:
        """Return the one member."""
        return [Member(self.declared(name), name, self.extent, self.remark)]

    def initial(self, name: str, value: Any, known: Known) -> list[str]:
        """Return the one initialiser."""
        text = self.initialiser(value, known)
        return [f".{name} = {text}"] if text else []
