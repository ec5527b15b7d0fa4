"""How a message is written in a design file: the shape of ``[[message]]`` and ``[[message.field]]``.

pydantic judges shape (keys, types, allowed words); what the numbers mean together is judged by
``lowpanbudget.payload``, whose flaws carry the keys of this file as their path. Decimals are exact:
read the file with ``tomllib.load(file, parse_float=Decimal)``.
"""

from collections.abc import Iterator
from decimal import Decimal
from typing import Annotated, Any, Literal

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, WithJsonSchema

from lowpanbudget.payload.flaws import Flaw, FlawedMessage
from lowpanbudget.payload.kinds.binary_float import Float
from lowpanbudget.payload.kinds.boolean import Boolean
from lowpanbudget.payload.kinds.constant import Constant
from lowpanbudget.payload.kinds.elements import Array
from lowpanbudget.payload.kinds.enumeration import Enumeration
from lowpanbudget.payload.kinds.field import Field as PayloadField
from lowpanbudget.payload.kinds.flags import Flags
from lowpanbudget.payload.kinds.group import Group
from lowpanbudget.payload.kinds.instant import Time
from lowpanbudget.payload.kinds.logarithmic import Logarithmic
from lowpanbudget.payload.kinds.number import Number
from lowpanbudget.payload.kinds.octets import Octets
from lowpanbudget.payload.kinds.reserved import Reserved
from lowpanbudget.payload.kinds.sequence import Sequence
from lowpanbudget.payload.kinds.series import Series
from lowpanbudget.payload.kinds.table import Table
from lowpanbudget.payload.kinds.text import Text
from lowpanbudget.payload.kinds.time_offset import TimeOffset
from lowpanbudget.payload.kinds.union import Option, Union
from lowpanbudget.payload.kinds.version import Version
from lowpanbudget.payload.message import Message, compiled


def _decimal(value: object) -> Decimal:
    """Return the exact decimal of a number in the file; text and truth are refused."""
    if isinstance(value, bool) or not isinstance(value, int | float | Decimal):
        raise ValueError("a number is wanted")  # noqa: TRY004 - pydantic collects ValueErrors
    return value if isinstance(value, Decimal) else Decimal(repr(value))


Exact = Annotated[
    Decimal,
    BeforeValidator(_decimal),
    WithJsonSchema({"type": "number"}),
]
Count = Annotated[int, Field(ge=0)]
Names = Annotated[
    list[str] | dict[str, int],
    Field(description="The names in order (sent as their index), or a table of names and codes."),
]


class _Shape(BaseModel):
    model_config = ConfigDict(extra="forbid", strict=True, frozen=True)


class _FieldShape(_Shape):
    name: str = Field(
        default="", description="The name of the field; elements of arrays have none."
    )
    note: str = Field(default="", description="A note for people.")
    optional: bool = Field(
        default=False, description="May be absent; costs a presence bit at the start of its group."
    )
    typically_present: bool = Field(
        default=True, description="Whether an optional field is in the typical message."
    )
    at: Count | None = Field(
        default=None, description="The bit where the field must begin, from the start of its group."
    )


class NumberShape(_FieldShape):
    """A number with a range and a step; the width follows from them."""

    kind: Literal["number"]
    min: Exact = Field(description="The least value.")
    max: Exact = Field(description="The greatest value.")
    step: Exact = Field(
        default=Decimal(1),
        json_schema_extra={"default": 1},
        description="The resolution; divides the range.",
    )
    unit: str = Field(
        default="",
        description="The unit, by SenML's registry (RFC 8428 section 12.1) where it has one.",
    )
    coding: Literal["offset", "twos-complement"] = Field(
        default="offset", description="What the code counts."
    )
    offset: Exact | None = Field(default=None, description="The value whose code is 0.")
    bits: Count | None = Field(
        default=None, description="The width; refused if it cannot hold the range."
    )
    special: list[str] | dict[str, int] = Field(
        default_factory=list,
        description="Names of codes that are no number ('not_available'): a list, or a table of names and codes.",
    )
    tolerance: Exact | None = Field(
        default=None, description="The greatest rounding error that is acceptable."
    )
    typical: Exact | None = Field(default=None, description="A usual value.")


class LogarithmicShape(_FieldShape):
    """A number whose steps are equal ratios."""

    kind: Literal["logarithmic"]
    min: Exact = Field(description="The least value, above 0.")
    max: Exact = Field(description="The greatest value.")
    steps: Count = Field(description="How many equal ratios lead from min to max.")
    digits: Count = Field(default=5, description="Significant digits of the values between.")
    unit: str = Field(default="", description="The unit.")
    bits: Count | None = Field(default=None, description="The width, if more than the fewest bits.")
    typical: Exact | None = Field(default=None, description="A usual value.")


class TableShape(_FieldShape):
    """One of a list of values."""

    kind: Literal["table"]
    values: list[Exact] = Field(
        description="The values, rising; a value between two is rounded to the nearer."
    )
    unit: str = Field(default="", description="The unit.")
    bits: Count | None = Field(default=None, description="The width, if more than the fewest bits.")
    typical: Exact | None = Field(default=None, description="A usual value.")


class FloatShape(_FieldShape):
    """A binary floating-point number (IEEE 754)."""

    kind: Literal["float"]
    bits: Literal[16, 32, 64] = Field(description="The width.")
    unit: str = Field(default="", description="The unit.")
    min: Exact | None = Field(default=None, description="The least value, if values are checked.")
    max: Exact | None = Field(
        default=None, description="The greatest value, if values are checked."
    )
    typical: Exact | None = Field(default=None, description="A usual value.")


class BooleanShape(_FieldShape):
    """True or false in one bit."""

    kind: Literal["boolean"]


class EnumerationShape(_FieldShape):
    """One of several names."""

    kind: Literal["enumeration"]
    names: Names
    bits: Count | None = Field(default=None, description="The width, if more than the fewest bits.")
    typical: str | None = Field(default=None, description="The usual name.")


class FlagsShape(_FieldShape):
    """A bit for each name."""

    kind: Literal["flags"]
    names: list[str] = Field(description="The names; the first is the first bit on the wire.")
    bits: Count | None = Field(default=None, description="The width, if more than the names.")
    typical: list[str] = Field(default_factory=list, description="The flags usually set.")


class ConstantShape(_FieldShape):
    """A number that every message carries."""

    kind: Literal["constant"]
    value: Count = Field(description="The number.")
    bits: Count = Field(description="Its width.")


class VersionShape(_FieldShape):
    """The version of the format."""

    kind: Literal["version"]
    value: Count = Field(description="The version.")
    bits: Count = Field(default=4, description="Its width.")


class ReservedShape(_FieldShape):
    """Bits kept for later: zero when sent, ignored when received."""

    kind: Literal["reserved"]
    bits: Count = Field(description="How many.")


class SequenceShape(_FieldShape):
    """A sequence number that the sender counts modulo 2^bits."""

    kind: Literal["sequence"]
    bits: Count = Field(default=8, description="Its width.")


class TimeShape(_FieldShape):
    """A time in seconds since an epoch."""

    kind: Literal["time"]
    bits: Count = Field(default=32, description="The width of the number of steps.")
    step: Exact = Field(
        default=Decimal(1),
        json_schema_extra={"default": 1},
        description="The resolution in seconds.",
    )
    epoch: str = Field(default="1970-01-01T00:00:00Z", description="What the time is counted from.")
    typical: Exact | None = Field(
        default=None, description="A usual time, in seconds since the epoch."
    )


class TimeOffsetShape(_FieldShape):
    """A time sent as an offset from an earlier field of kind time."""

    kind: Literal["time-offset"]
    base: str = Field(description="The name of the field of kind time that it is counted from.")
    min: Exact = Field(
        default=Decimal(0),
        json_schema_extra={"default": 0},
        description="The least offset in seconds.",
    )
    max: Exact = Field(description="The greatest offset in seconds.")
    step: Exact = Field(
        default=Decimal(1),
        json_schema_extra={"default": 1},
        description="The resolution in seconds.",
    )
    bits: Count | None = Field(default=None, description="The width, if more than the fewest bits.")


class _LengthShape(_FieldShape):
    length: Count | None = Field(default=None, description="The fixed length; not sent.")
    min_length: Count = Field(default=0, description="The least length.")
    max_length: Count | None = Field(default=None, description="The greatest length.")
    typical_length: Count | None = Field(default=None, description="A usual length.")


class OctetsShape(_LengthShape):
    """Octets as they are: `length` of them, or up to `max_length` with the length in front."""

    kind: Literal["octets"]
    length_bits: Count | None = Field(
        default=None, description="The width of the length, if more than the fewest bits."
    )


class TextShape(_LengthShape):
    """Text of `length` octets, or of up to `max_length` with the length in front."""

    kind: Literal["text"]
    length_bits: Count | None = Field(
        default=None, description="The width of the length, if more than the fewest bits."
    )
    encoding: Literal["utf-8", "ascii"] = Field(
        default="utf-8", description="How characters become octets."
    )


class ArrayShape(_LengthShape):
    """Elements of one kind: `length` of them, or up to `max_length` with the count in front."""

    kind: Literal["array"]
    element: "FieldShape" = Field(description="What each element is: a field without a name.")
    count_bits: Count | None = Field(
        default=None, description="The width of the count, if more than the fewest bits."
    )
    batch: bool = Field(
        default=False,
        description="Its elements are the readings that are collected in one message.",
    )


class SeriesShape(_LengthShape):
    """Samples of one number, `length` or up to `max_length`: the first in full, the others as differences."""

    kind: Literal["series"]
    min: Exact = Field(description="The least sample.")
    max: Exact = Field(description="The greatest sample.")
    step: Exact = Field(
        default=Decimal(1),
        json_schema_extra={"default": 1},
        description="The resolution of samples and differences.",
    )
    unit: str = Field(default="", description="The unit.")
    coding: Literal["offset", "twos-complement"] = Field(
        default="offset", description="The code of a whole sample."
    )
    bits: Count | None = Field(
        default=None, description="The width of a whole sample, if more than the fewest bits."
    )
    tolerance: Exact | None = Field(
        default=None, description="The greatest rounding error that is acceptable."
    )
    deltas: Literal["fixed", "variable"] = Field(
        description="Differences of fixed width, or zigzag in groups."
    )
    delta_bits: Count | None = Field(default=None, description="The width of a fixed difference.")
    escape: bool = Field(
        default=False,
        description="A code that leads a whole sample, for jumps (fixed differences).",
    )
    group_bits: Count | None = Field(
        default=None, description="Bits of a group of a variable difference; 7 unless stated."
    )
    count_bits: Count | None = Field(
        default=None, description="The width of the count, if more than the fewest bits."
    )
    batch: bool = Field(
        default=False, description="Its samples are the readings that are collected in one message."
    )


class GroupShape(_FieldShape):
    """Fields under one name."""

    kind: Literal["group"]
    field: list["FieldShape"] = Field(description="The fields.")


class OptionShape(_Shape):
    """What a union holds for one name of its tag."""

    when: str = Field(description="The name of the tag.")
    field: list["FieldShape"] = Field(
        default_factory=list, description="The fields; none is allowed."
    )


class UnionShape(_FieldShape):
    """One of several groups, chosen by an earlier enumeration."""

    kind: Literal["union"]
    tag: str = Field(description="The name of the enumeration that chooses.")
    option: list[OptionShape] = Field(description="One option for each name of the tag.")


FieldShape = Annotated[
    NumberShape
    | LogarithmicShape
    | TableShape
    | FloatShape
    | BooleanShape
    | EnumerationShape
    | FlagsShape
    | ConstantShape
    | VersionShape
    | ReservedShape
    | SequenceShape
    | TimeShape
    | TimeOffsetShape
    | OctetsShape
    | TextShape
    | ArrayShape
    | SeriesShape
    | GroupShape
    | UnionShape,
    Field(discriminator="kind"),
]


class MessageShape(_Shape):
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


for _recursive in (ArrayShape, GroupShape, OptionShape, UnionShape, MessageShape):
    _recursive.model_rebuild()


# The payload's class for each kind; kinds with fields inside are built by hand.
_PLAIN: dict[str, type[PayloadField]] = {
    "number": Number,
    "logarithmic": Logarithmic,
    "table": Table,
    "float": Float,
    "boolean": Boolean,
    "flags": Flags,
    "constant": Constant,
    "version": Version,
    "reserved": Reserved,
    "sequence": Sequence,
    "time": Time,
    "time-offset": TimeOffset,
    "octets": Octets,
    "text": Text,
    "series": Series,
}


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


def flaws_of(shape: MessageShape) -> tuple[Flaw, ...]:
    """Return all faults of meaning of a message, each as path, message and hint; none if it is right."""
    return compiled(
        shape.name, _fields(shape.field), shape.byte_order, shape.bit_order, shape.layout
    )[1]


def to_messages(shapes: list[MessageShape]) -> tuple[tuple[Message, ...], tuple[Flaw, ...]]:
    """Return the messages of a file that are right, and the flaws of the others with paths from ``message`` on."""
    made: list[Message] = []
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
            made.append(to_message(shape))
        except FlawedMessage as fault:
            flaws += [flaw.under("message", index) for flaw in fault.flaws]
    return tuple(made), tuple(flaws)


def _fields(shapes: list[Any]) -> tuple[PayloadField, ...]:
    return tuple(_field(shape) for shape in shapes)


def _field(shape: Any) -> PayloadField:
    """Return the payload's field of a shape; the keys of both have the same names."""
    values = {key: getattr(shape, key) for key in type(shape).model_fields if key != "kind"}
    if isinstance(shape, ArrayShape):
        return Array(**(values | {"element": _field(shape.element)}))
    if isinstance(shape, GroupShape):
        del values["field"]
        return Group(**values, fields=_fields(shape.field))
    if isinstance(shape, UnionShape):
        del values["option"]
        options = tuple(Option(option.when, _fields(option.field)) for option in shape.option)
        return Union(**values, options=options)
    if isinstance(shape, EnumerationShape):
        if isinstance(shape.names, dict):
            values["codes"] = tuple(shape.names.values())
        return Enumeration(**(values | {"names": tuple(shape.names)}))
    if isinstance(shape, NumberShape):
        values["special"] = tuple(_special(shape.special))
    for key, value in values.items():
        if isinstance(value, list):
            values[key] = tuple(value)
    return _PLAIN[shape.kind](**values)


def _special(special: list[str] | dict[str, int]) -> Iterator[tuple[str, int | None]]:
    if isinstance(special, dict):
        yield from special.items()
    else:
        yield from ((name, None) for name in special)
