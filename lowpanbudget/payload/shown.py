"""The values of a message one by one, each with its path, its unit and what it means: for tables that people read."""

from typing import Any, NamedTuple

from lowpanbudget.payload.kinds.group import single_values
from lowpanbudget.payload.kinds.interfaces import SingleValue
from lowpanbudget.payload.message import Message
from lowpanbudget.payload.search.tree import walk
from lowpanbudget.payload.words import joined, text_of


class ShownValue(NamedTuple):
    """One value: where it stands, its unit, the value as text, a remark, and a key that sorts as the message does.

    ``is_needless``: where its text is empty, nobody need say that it is there: it always is.
    """

    path: str
    unit: str
    text: str
    remark: str
    order: tuple[int, ...]
    is_needless: bool = False


def shown_values(message: Message, values: dict[str, Any]) -> tuple[ShownValue, ...]:
    """Return every value that ``unpack`` gave, in the order of the message; lists element by element."""
    return tuple(map(_shown, single_values(message.fields, values)))


def _shown(held: SingleValue) -> ShownValue:
    text, remark = text_of(held.value), held.field.meaning(held.value, held.scope)
    is_needless = len(held.order) == 1 and not held.field.optional
    if not (text or remark or is_needless):
        remark = "there, and empty"
    return ShownValue(
        joined(held.path), held.field.shown_unit(), text, remark, held.order, is_needless
    )


def units(message: Message) -> dict[str, str]:
    """Return the unit of each field that has one, by its path (``reading[].temperature``)."""
    return {
        joined(path): field.shown_unit()
        for path, field in walk(message.fields)
        if field.shown_unit()
    }
