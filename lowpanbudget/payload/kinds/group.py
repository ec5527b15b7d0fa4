"""Fields under one name."""

import dataclasses
from collections.abc import Iterator, Mapping
from random import Random
from typing import Any, ClassVar, Self

from lowpanbudget.payload.c.body import Structure
from lowpanbudget.payload.c.names import Spot
from lowpanbudget.payload.c.parts import Maker, Part
from lowpanbudget.payload.codec.bitpack import Order
from lowpanbudget.payload.codec.nodes import Node
from lowpanbudget.payload.flaws import Flaw
from lowpanbudget.payload.kinds.field import (
    At,
    Body,
    Field,
    FieldPath,
    Held,
    Planner,
    Wish,
    held_in,
)


@dataclasses.dataclass(frozen=True, slots=True)
class Group(Field):
    """Fields under one name; the value is a dictionary. Presence bits of optional fields lead the group."""

    _: dataclasses.KW_ONLY
    fields: tuple[Field, ...]

    kind: ClassVar[str] = "group"

    def flaws(self, order: Order) -> Iterator[Flaw]:
        """Yield a flaw if there are no fields; the fields are judged by themselves."""
        if not self.fields:
            yield Flaw(("field",), "a group without fields", "Give it a field or remove it")

    def bodies(self) -> tuple[Body, ...]:
        """Return the fields."""
        return (Body((), self.fields),)

    def with_bodies(self, bodies: tuple[tuple[Field, ...], ...]) -> Self:
        """Return a group of other fields."""
        return dataclasses.replace(self, fields=bodies[0])

    def node(self, planner: Planner, at: At) -> Node | None:
        """Return the fields."""
        return planner.group(self.fields, at.below()) if self.fields else None

    def held(self, held: Held) -> Iterator[Held]:
        """Yield the values of all fields."""
        return held_in(self.fields, held.value, held)

    def drawn(self, random: Random, known: Mapping[str, Any]) -> dict[str, Any]:
        """Return any values, each optional one there or not."""
        return drawn_values(self.fields, random, known)

    def wished(self, wish: Wish, here: FieldPath, known: Mapping[str, Any]) -> dict[str, Any]:
        """Return values with what is wished for inside."""
        return wished_values(self.fields, wish, here, known)

    def part(self, maker: Maker, spot: Spot) -> Part:
        """Return a structure."""
        return Structure(maker, spot, self.fields, spot.path)


def drawn_values(
    fields: tuple[Field, ...], random: Random, outer: Mapping[str, Any]
) -> dict[str, Any]:
    """Return any values of fields, each optional one there or not."""
    values: dict[str, Any] = {}
    known = dict(outer)
    for field in fields:
        if not field.carries or (field.optional and random.random() < 0.5):
            continue
        values[field.name] = known[field.name] = field.drawn(random, known)
    return values


def wished_values(
    fields: tuple[Field, ...], wish: Wish, here: FieldPath, outer: Mapping[str, Any]
) -> dict[str, Any]:
    """Return values of fields with what is wished for inside, all else as small as it may be."""
    values: dict[str, Any] = {}
    known = dict(outer)
    for field in fields:
        path = (*here, field.name)
        if not field.carries or (field.optional and wish.path[: len(path)] != path):
            continue
        values[field.name] = known[field.name] = field.wished(wish, path, known)
    return values
