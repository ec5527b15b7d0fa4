"""In C: groups as structures, unions chosen by a tag, optional fields; and from every field to its part."""

from collections.abc import Sequence
from typing import Any, Protocol

from lowpanbudget.payload.c.coded import NamedCode, runs
from lowpanbudget.payload.c.extent import SCALARS
from lowpanbudget.payload.c.names import Spot, c_name
from lowpanbudget.payload.c.parts import (
    FieldPart,
    Known,
    Member,
    Scope,
    Single,
    SourceUnit,
    Struct,
    Tag,
)
from lowpanbudget.payload.c.text import Lines
from lowpanbudget.payload.kinds.field import Field
from lowpanbudget.payload.kinds.reserved import ReservedBits

ROOT = "message"  # the pointer that the functions are given


class Structure(Single):
    """The fields of a group, of an option, or of the whole message: a structure."""

    def __init__(
        self, maker: SourceUnit, spot: Spot, fields: tuple[Field, ...], remark: str = ""
    ) -> None:
        super().__init__(maker, spot)
        self.head = f"struct {maker.names.of('', spot)}"
        self.fields: list[tuple[Field, str, FieldPart]] = []
        optional = sum(field.optional for field in fields)
        self.bits = self.presence = maker.order.rounded(optional)
        for field in fields:
            inside = spot.below(field.name or field.kind)
            if field.at is not None and field.at > self.bits:
                gap = ReservedBits("", bits=field.at - self.bits)
                self.fields.append((gap, "", gap.part(maker, inside)))
                self.bits = field.at
            part = field.part(maker, inside)
            self.fields.append((field, c_name(field.name), part))
            self.bits += part.bits
        self.optional = [name for field, name, _ in self.fields if field.optional]
        made = [
            (member, part.spot)
            for field, name, part in self.fields
            for member in self._members(field, name, part)
        ]
        maker.names.members(spot, [(member.name, owner) for member, owner in made])
        members = tuple(member for member, _ in made)
        self.empty = not members
        if self.empty:
            members = (
                Member(
                    "uint8_t nothing", "nothing", SCALARS["uint8_t"], "C has no empty structures"
                ),
            )
        maker.structs.append(Struct(self.head, members, remark))

    def _members(self, field: Field, name: str, part: FieldPart) -> list[Member]:
        members = part.members(name)
        if field.note and members:
            remark = f"{members[-1].remark}; {field.note}" if members[-1].remark else field.note
            members[-1] = members[-1]._replace(remark=remark)
        if field.optional:
            members.insert(0, Member(f"bool has_{name}", f"has_{name}", SCALARS["bool"]))
        return members

    def initialiser(self, value: Any, known: Known) -> str:
        """Return the members as an initialiser."""
        known = {**known, **value}
        parts = []
        for field, name, part in self.fields:
            if field.optional and value.get(field.name) is None:
                continue
            if field.optional:
                parts.append(f".has_{name} = true")
            parts += part.initial(name, value.get(field.name), known)
        return f"{{{', '.join(parts)}}}" if parts else ""

    def pack(self, out: Lines, at: str, scope: Scope) -> None:
        """Append what writes presence bits and fields."""
        self._put_presence(out, at)
        self._each(out, at, scope, reading=False)

    def unpack(self, out: Lines, at: str, scope: Scope) -> None:
        """Append what reads presence bits and fields."""
        self._take_presence(out, at)
        self._each(out, at, scope, reading=True)

    def _each(self, out: Lines, at: str, outer: Scope, *, reading: bool) -> None:
        scope = dict(outer)
        for field, name, part in self.fields:
            place = inside(at, name)
            work = part.unpack if reading else part.pack
            if field.optional:
                with out.block(f"if ({inside(at, 'has_' + name)})"):
                    work(out, place, scope)
            else:
                work(out, place, scope)
            scope.pop(field.name, None)  # it hides one of the same name further out
            if isinstance(part, NamedCode):
                scope[field.name] = Tag(place, part.constants)

    def _bits(self) -> list[tuple[list[tuple[str, int]], int]]:
        """Return presence bits in groups of up to eight: member and its weight in the group; the group's bits."""
        made = []
        for index, (_, size) in enumerate(runs(self.presence, msb_first=False)):
            names = self.optional[8 * index : 8 * index + 8]
            weights = [
                1 << (size - 1 - k if self.maker.order.msb_first else k) for k in range(len(names))
            ]
            made.append((list(zip(names, weights, strict=True)), size))
        return made

    def _put_presence(self, out: Lines, at: str) -> None:
        for members, size in self._bits():
            out.add(f"{out.use('piece')} = 0;")
            for name, weight in members:
                out.add(f"piece |= {inside(at, 'has_' + name)} ? {weight}u : 0u;")
            out.add(f"{self.maker.call('put8')}(&out, piece, {size});")

    def _take_presence(self, out: Lines, at: str) -> None:
        for members, size in self._bits():
            call = self.maker.call("take8")
            out.fail(f"!{call}(&in, {size}, &{out.use('piece')})", self.maker.short)
            for name, weight in members:
                out.add(f"{inside(at, 'has_' + name)} = (piece & {weight}u) != 0;")


class OptionFields(Protocol):
    """An option of a union."""

    @property
    def when(self) -> str:
        """Return the name of the tag that chooses it."""

    @property
    def fields(self) -> tuple[Field, ...]:
        """Return its fields."""


class StructureUnion(Single):
    """A union: C's own, of one structure an option; options without members have none."""

    def __init__(
        self, maker: SourceUnit, spot: Spot, tag: str, options: Sequence[OptionFields]
    ) -> None:
        super().__init__(maker, spot)
        self.tag = tag
        self.remark = f"chosen by {tag}"
        self.head = f"union {maker.names.of('', spot)}"
        self.options: dict[str, Structure] = {}
        for option in options:
            below = spot.below(option.when, f"({option.when})")
            made = Structure(
                maker, below, option.fields, f"{spot.path} where {tag} is {option.when}"
            )
            if made.empty:
                maker.structs.pop()
            self.options[option.when] = made
        self.bits = max(body.bits for body in self.options.values())
        self.filled = [
            (c_name(when), body) for when, body in self.options.items() if not body.empty
        ]
        self.single = bool(self.filled)
        maker.names.members(spot, [(name, body.spot) for name, body in self.filled])
        if self.filled:
            inner = tuple(
                Member(body.declared(name), name, body.extent) for name, body in self.filled
            )
            maker.structs.append(Struct(self.head, inner, f"{spot.path}, chosen by {tag}"))

    def members(self, name: str) -> list[Member]:
        """Return the union, if any option has a member."""
        return super().members(name) if self.filled else []

    def initialiser(self, value: Any, known: Known) -> str:
        """Return the initialiser of the chosen option."""
        when = known[self.tag]
        text = self.options[when].initialiser(value, known)
        return f"{{.{c_name(when)} = {text}}}" if text else ""

    def pack(self, out: Lines, at: str, scope: Scope) -> None:
        """Append what writes the chosen option."""
        self._choose(out, at, scope, reading=False)

    def unpack(self, out: Lines, at: str, scope: Scope) -> None:
        """Append what reads the chosen option."""
        self._choose(out, at, scope, reading=True)

    def _choose(self, out: Lines, at: str, scope: Scope, *, reading: bool) -> None:
        place, constants = scope[self.tag]
        with out.block(f"switch ({place})"):
            for when, body in self.options.items():
                out.add(f"case {constants[when]}:")
                work = body.unpack if reading else body.pack
                with out.deeper():
                    work(out, inside(at, c_name(when)), scope)
                    out.add("break;")
            out.add("default:")
            out.add(f"    return {self.maker.error(self.spot)};")


def inside(at: str, name: str) -> str:
    """Return a member of what stands at a place."""
    return f"{at}->{name}" if at == ROOT else f"{at}.{name}"
