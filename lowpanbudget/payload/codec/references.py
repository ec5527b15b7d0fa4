"""The names that fields of a message refer to."""

from lowpanbudget.payload.kinds.elements import Array
from lowpanbudget.payload.kinds.field import Field
from lowpanbudget.payload.kinds.group import Group
from lowpanbudget.payload.kinds.time_offset import TimeOffset
from lowpanbudget.payload.kinds.union import Union


def references(fields: tuple[Field, ...], deepest: int) -> frozenset[str]:
    """Return the names that unions and time offsets refer to, down to a depth."""
    names: set[str] = set()
    for field in fields if deepest else ():
        if isinstance(field, TimeOffset):
            names.add(field.base)
        elif isinstance(field, Group):
            names |= references(field.fields, deepest - 1)
        elif isinstance(field, Array):
            names |= references((field.element,), deepest - 1)
        elif isinstance(field, Union):
            names.add(field.tag)
            for option in field.options:
                names |= references(option.fields, deepest - 1)
    return frozenset(names)
