"""How a message is written in a design file: the shape of ``[[message]]`` and ``[[message.field]]``.

pydantic judges shape (keys, types, allowed words); what the numbers mean together is judged by
``lowpanbudget.payload``, whose flaws carry the keys of this file as their path. Decimals are exact: read the file with
``tomllib.load(file, parse_float=Decimal)``.
"""

import dataclasses
from decimal import Decimal
from typing import Annotated, Any, Literal, Union, get_args

from pydantic import BaseModel, BeforeValidator, Field, WithJsonSchema, create_model

from lowpanbudget.design.table import ShapeTable
from lowpanbudget.payload.flaws import Flaw, FlawedMessage
from lowpanbudget.payload.kinds.field import Field as PayloadField
from lowpanbudget.payload.kinds.keys import DesignKey, keys_of
from lowpanbudget.payload.kinds.union import Option
from lowpanbudget.payload.message import Message
from lowpanbudget.payload.registry import all_kinds


def _decimal(value: object) -> Decimal:
    """Return the exact decimal of a number in the file; text and booleans are refused."""
    if isinstance(value, bool) or not isinstance(value, int | float | Decimal):
        raise ValueError("a number is wanted")  # noqa: TRY004 - pydantic collects ValueErrors
    return value if isinstance(value, Decimal) else Decimal(repr(value))


Exact = Annotated[
    Decimal,
    BeforeValidator(_decimal),
    WithJsonSchema({"type": "number"}),
]
Count = Annotated[int, Field(ge=0)]


# pydantic's type for each type of an attribute; what is written otherwise says so by its form.
_TYPES: dict[Any, Any] = {
    bool: bool,
    int: Count,
    str: str,
    Decimal: Exact,
    tuple[Decimal, ...]: list[Exact],
    tuple[str, ...]: list[str],
}
_FORMS: dict[str, Any] = {
    "names": list[str] | dict[str, int],
    "element": "FieldShape",
    "fields": "list[FieldShape]",
    "options": "list[UnionOptionShape]",
}


def _shape_of(word: str, kind: type[PayloadField]) -> type[BaseModel]:
    """Return the shape of a kind of field, made of the keys that its class states."""
    keys: dict[str, Any] = {}
    shared = {attribute.name for attribute in dataclasses.fields(PayloadField)}
    for attribute, key in keys_of(kind):
        if "kind" not in keys and attribute.name not in shared:
            keys["kind"] = Literal[word], ...
        default = attribute.default if key.default is dataclasses.MISSING else key.default
        about: dict[str, Any] = {"description": key.says.format(counts=getattr(kind, "counts", ""))}
        if default == ():
            about["default_factory"] = list
        elif default is not dataclasses.MISSING:
            about["default"] = default
        if isinstance(default, Decimal):
            about["json_schema_extra"] = {"default": int(default)}
        keys[key.name or attribute.name] = _type_of(attribute.type, key), Field(**about)
    keys.setdefault("kind", (Literal[word], ...))
    model: type[BaseModel] = create_model(
        "".join(part.title() for part in word.split("-")) + "Shape",
        __base__=ShapeTable,
        __module__=__name__,
        __doc__=kind.about,
        **keys,
    )
    return model


def _type_of(declared: Any, key: DesignKey) -> Any:
    if key.allowed:
        return Literal[key.allowed]
    if key.form:
        return _FORMS[key.form]
    if type(None) in get_args(declared):
        (inner,) = (part for part in get_args(declared) if part is not type(None))
        return _TYPES[inner] | None
    return _TYPES[declared]


_KINDS = all_kinds()
_SHAPES = {word: _shape_of(word, kind) for word, kind in _KINDS.items()}
FieldShape: Any = Annotated[Union[tuple(_SHAPES.values())], Field(discriminator="kind")]  # noqa: UP007 - made at run time


class UnionOptionShape(ShapeTable):
    """What a union holds for one name of its tag."""

    when: str = Field(description="The name of the tag.")
    field: list[FieldShape] = Field(
        default_factory=list, description="The fields; none is allowed."
    )


class MessageShape(ShapeTable):
    """A message format. Byte order and bit order are always stated."""

    name: str = Field(description="The name of the message.")
    note: str = Field(default="", description="A note for people.")
    byte_order: Literal["big", "little"] = Field(description="Which octet of a number comes first.")
    bit_order: Literal["msb-first", "lsb-first"] = Field(
        description="Which bit of an octet comes first."
    )
    layout: Literal["bit-packed", "octet-aligned"] = Field(
        description="Fields follow each other bit by bit, or each takes whole octets."
    )
    field: list[FieldShape] = Field(description="The fields, in the order of the wire.")


_ALL: tuple[type[BaseModel], ...] = (*_SHAPES.values(), UnionOptionShape, MessageShape)
for _shape in _ALL:
    if not _shape.__pydantic_complete__:  # it names shapes that come after it
        _shape.model_rebuild()


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
    kind = _KINDS[shape.kind]
    return kind.declared(
        **{
            attribute.name: _value(getattr(shape, key.name or attribute.name), key)
            for attribute, key in keys_of(kind)
        }
    )


def _value(value: Any, key: DesignKey) -> Any:
    """Return what an attribute holds of what is written."""
    if key.form == "element":
        return _field(value)
    if key.form == "fields":
        return _fields(value)
    if key.form == "options":
        return tuple(Option(option.when, _fields(option.field)) for option in value)
    return tuple(value) if isinstance(value, list) else value
