"""Walking through the fields of a message and changing one of them, wherever it stands."""

import dataclasses
from collections.abc import Iterator

from lowpanbudget.payload.kinds.elements import Array
from lowpanbudget.payload.kinds.field import Field
from lowpanbudget.payload.kinds.group import Group
from lowpanbudget.payload.kinds.union import Option, Union
from lowpanbudget.payload.message import Message

ELEMENT = "[]"

# Names down to a field: a group's or array's name, "[]" for an array's element, "(when)" for a union's option.
Place = tuple[str, ...]


def walk(fields: tuple[Field, ...], place: Place = ()) -> Iterator[tuple[Place, Field]]:
    """Yield every field of a message with its place, containers before what they hold."""
    for field in fields:
        here = (*place, field.name)
        yield here, field
        yield from _inside(field, here)


def replaced(message: Message, changes: dict[Place, Field | None]) -> Message:
    """Return the message with some fields replaced, or removed where the new one is None."""
    return dataclasses.replace(message, fields=_changed(message.fields, (), changes))


def with_members(
    fields: tuple[Field, ...], container: Place, members: tuple[Field, ...]
) -> tuple[Field, ...]:
    """Return the fields of a message with other fields in one container: a group, an array's group, an option."""
    if not container:
        return members
    return tuple(
        _filled(field, container[1:], members) if field.name == container[0] else field
        for field in fields
    )


def place_text(place: Place) -> str:
    """Return ``reading[].temperature`` or ``detail(impact).energy``."""
    text = ""
    for part in place:
        text += part if part.startswith(("[", "(")) else f".{part}"
    return text.lstrip(".")


def _inside(field: Field, here: Place) -> Iterator[tuple[Place, Field]]:
    if isinstance(field, Group):
        yield from walk(field.fields, here)
    elif isinstance(field, Array):
        below = (*here, ELEMENT)
        yield below, field.element
        yield from _inside(field.element, below)
    elif isinstance(field, Union):
        for option in field.options:
            yield from walk(option.fields, (*here, f"({option.when})"))


def _changed(
    fields: tuple[Field, ...], place: Place, changes: dict[Place, Field | None]
) -> tuple[Field, ...]:
    made = (_one(field, (*place, field.name), changes) for field in fields)
    return tuple(field for field in made if field is not None)


def _one(field: Field, here: Place, changes: dict[Place, Field | None]) -> Field | None:
    if here in changes:
        return changes[here]
    if not any(place[: len(here)] == here for place in changes):
        return field
    if isinstance(field, Group):
        return dataclasses.replace(field, fields=_changed(field.fields, here, changes))
    if isinstance(field, Array):
        element = _one(field.element, (*here, ELEMENT), changes)
        return None if element is None else dataclasses.replace(field, element=element)
    if isinstance(field, Union):
        options = tuple(
            Option(option.when, _changed(option.fields, (*here, f"({option.when})"), changes))
            for option in field.options
        )
        return dataclasses.replace(field, options=options)
    return field


def _filled(field: Field, rest: Place, members: tuple[Field, ...]) -> Field:
    if isinstance(field, Array):
        return dataclasses.replace(field, element=_filled(field.element, rest[1:], members))
    if isinstance(field, Group):
        return dataclasses.replace(field, fields=with_members(field.fields, rest, members))
    assert isinstance(field, Union)
    options = tuple(
        Option(option.when, with_members(option.fields, rest[1:], members))
        if f"({option.when})" == rest[0]
        else option
        for option in field.options
    )
    return dataclasses.replace(field, options=options)
