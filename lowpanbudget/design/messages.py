"""How a message is written in a design file: the shape of ``[[message]]`` and ``[[message.field]]``.

Shape is made of the keys that the kinds of fields state; what the numbers mean together is judged by
``lowpanbudget.payload``, whose flaws carry the keys of this file as their path.
"""

import dataclasses
from decimal import Decimal
from functools import cache
from typing import Any, Literal, get_args

from lowpanbudget.design.table import ByKind, ShapeTable, Subtable, key
from lowpanbudget.design.takes import (
    AnyOf,
    Exact,
    Flag,
    FreeText,
    Listed,
    Numbers,
    TableKey,
    Takes,
    Whole,
    Words,
)
from lowpanbudget.payload.flaws import Flaw, FlawedMessage
from lowpanbudget.payload.kinds.field import Field as PayloadField
from lowpanbudget.payload.kinds.keys import CALLED, DesignKey, keys_of
from lowpanbudget.payload.kinds.union import Option
from lowpanbudget.payload.message import Message
from lowpanbudget.payload.registry import all_kinds, usual_words


@cache
def _shape_of(word: str) -> type[ShapeTable]:
    """Return the shape of a kind of field, made of the keys that its class states."""
    kind = all_kinds()[word]
    kind_key = key(Words(word))
    keys: dict[str, TableKey] = {}
    shared = {attribute.name for attribute in dataclasses.fields(PayloadField)}
    for attribute, declared in keys_of(kind):
        if attribute.name not in shared:
            keys.setdefault("kind", kind_key)
        default = attribute.default if declared.default is dataclasses.MISSING else declared.default
        says = declared.says.format(counts=getattr(kind, "counts", ""))
        takes = _takes(attribute.type, declared)
        needed = default is dataclasses.MISSING
        name = declared.name or attribute.name
        called = CALLED.get(name, ())
        keys[name] = (
            key(takes, says, called=called) if needed else key(takes, says, default, called)
        )
    keys.setdefault("kind", kind_key)
    title = "".join(part.title() for part in word.split("-")) + "Shape"
    return type(title, (ShapeTable,), {"__doc__": kind.about, **keys})


FIELD = ByKind(all_kinds, _shape_of, usual_words)


class UnionOptionShape(ShapeTable):
    """What a union holds for one name of its tag."""

    when: str = key(FreeText(), "The name of the tag.")
    field: list[Any] = key(Listed(FIELD), "The fields; none is allowed.", default=())


# What each type of an attribute takes; what is written otherwise says so by its form.
_TAKES: dict[Any, Takes] = {
    bool: Flag(),
    int: Whole(0),
    str: FreeText(),
    Decimal: Exact(),
    tuple[Decimal, ...]: Listed(Exact()),
    tuple[str, ...]: Listed(FreeText()),
}
_FORMS: dict[str, Takes] = {
    "names": AnyOf(Listed(FreeText()), Numbers()),
    "element": FIELD,
    "fields": Listed(FIELD),
    "options": Listed(Subtable(UnionOptionShape)),
}


def _takes(declared: Any, entry: DesignKey) -> Takes:
    if entry.allowed:
        return Words(*entry.allowed)
    if entry.form:
        return _FORMS[entry.form]
    inner = [part for part in get_args(declared) if part is not type(None)]
    return _TAKES[inner[0] if type(None) in get_args(declared) else declared]


class MessageShape(ShapeTable):
    """A message format. Byte order and bit order are always stated."""

    name: str = key(FreeText(), "The name of the message.")
    note: str = key(FreeText(), "A note for people.", default="")
    byte_order: Literal["big", "little"] = key(
        Words("big", "little"), "Which octet of a number comes first."
    )
    bit_order: Literal["msb-first", "lsb-first"] = key(
        Words("msb-first", "lsb-first"), "Which bit of an octet comes first."
    )
    layout: Literal["bit-packed", "octet-aligned"] = key(
        Words("bit-packed", "octet-aligned"),
        "Fields follow bit by bit, or each takes whole octets: explain octet-aligned.",
    )
    field: list[Any] = key(Listed(FIELD), "The fields, in the order of the wire.")


def to_message(shape: MessageShape) -> Message:
    """Return the message of a shape; ``FlawedMessage`` carries all faults of meaning, each with its path."""
    return Message(
        shape.name,
        _fields(shape.field),
        byte_order=shape.byte_order,
        bit_order=shape.bit_order,
        layout=shape.layout,
        note=shape.note,
    )


def to_messages(shapes: list[MessageShape]) -> tuple[tuple[Message, ...], tuple[Flaw, ...]]:
    """Return the messages of a file that are right, and the flaws of the others with paths from ``message`` on."""
    messages: list[Message] = []
    flaws: list[Flaw] = []
    names: set[str] = set()
    for index, shape in enumerate(shapes):
        if shape.name in names:
            flaws.append(
                Flaw(
                    ("message", index, "name"),
                    f"two messages are named {shape.name!r}",
                    "Rename one of them",
                )
            )
        names.add(shape.name)
        try:
            messages.append(to_message(shape))
        except FlawedMessage as fault:
            flaws += [flaw.under("message", index) for flaw in fault.flaws]
    return tuple(messages), tuple(flaws)


def _fields(shapes: list[Any]) -> tuple[PayloadField, ...]:
    return tuple(_field(shape) for shape in shapes)


def _field(shape: Any) -> PayloadField:
    """Return the payload's field of a shape."""
    kind = all_kinds()[shape.kind]
    return kind.declared(
        **{
            attribute.name: _value(getattr(shape, entry.name or attribute.name), entry)
            for attribute, entry in keys_of(kind)
        }
    )


def _value(value: Any, entry: DesignKey) -> Any:
    """Return what an attribute holds of what is written."""
    if entry.form == "element":
        return _field(value)
    if entry.form == "fields":
        return _fields(value)
    if entry.form == "options":
        return tuple(Option(option.when, _fields(option.field)) for option in value)
    return tuple(value) if isinstance(value, list) else value
