"""Walking through the fields of a message and changing one of them, wherever it stands."""

import dataclasses
from collections.abc import Iterator

from lowpanbudget.payload.kinds.field import Field
from lowpanbudget.payload.kinds.interfaces import FieldPath, InnerFields
from lowpanbudget.payload.message import Message


def walk(fields: tuple[Field, ...], above: FieldPath = ()) -> Iterator[tuple[FieldPath, Field]]:
    """Yield every field of a message with its path, containers before what they hold."""
    yield from _walk(InnerFields((), fields), above)


def _walk(body: InnerFields, above: FieldPath) -> Iterator[tuple[FieldPath, Field]]:
    for field in body.fields:
        here = _below(body, above, field)
        yield here, field
        for inner in field.bodies():
            yield from _walk(inner, here)


def _below(body: InnerFields, above: FieldPath, field: Field) -> FieldPath:
    return (*above, *body.steps, field.name) if body.named else (*above, *body.steps)


def replaced(message: Message, changes: dict[FieldPath, Field | None]) -> Message:
    """Return the message with some fields replaced, or removed where the new one is None."""
    fields = _changed(InnerFields((), message.fields), (), changes)
    return dataclasses.replace(message, fields=fields)


def without(message: Message, place: FieldPath, field: Field) -> Message:
    """Return the message without one field, also one of several without a name, as reserved bits are."""
    if place[-1]:
        return replaced(message, {place: None})
    group = place[:-1]
    there = [one for path, one in walk(message.fields) if path[:-1] == group and one is not field]
    return dataclasses.replace(message, fields=with_members(message.fields, group, tuple(there)))


def _changed(
    body: InnerFields, above: FieldPath, changes: dict[FieldPath, Field | None]
) -> tuple[Field, ...]:
    made = (_changed_field(field, _below(body, above, field), changes) for field in body.fields)
    return tuple(field for field in made if field is not None)


def _changed_field(
    field: Field, here: FieldPath, changes: dict[FieldPath, Field | None]
) -> Field | None:
    if here in changes:
        return changes[here]
    if not any(path[: len(here)] == here for path in changes):
        return field
    bodies = field.bodies()
    made = tuple(_changed(body, here, changes) for body in bodies)
    if any(not fields and not body.named for body, fields in zip(bodies, made, strict=True)):
        return None  # an array without its element
    return field.with_bodies(made)


def with_members(
    fields: tuple[Field, ...], container: FieldPath, members: tuple[Field, ...]
) -> tuple[Field, ...]:
    """Return the fields of a message with other fields in one container: a group, an array's group, an option."""
    if not container:
        return members
    for path, field in walk(fields):
        for index, body in enumerate(field.bodies()):
            if body.named and (*path, *body.steps) == container:
                bodies = [body.fields for body in field.bodies()]
                bodies[index] = members
                changes: dict[FieldPath, Field | None] = {path: field.with_bodies(tuple(bodies))}
                return _changed(InnerFields((), fields), (), changes)
    raise KeyError(container)
