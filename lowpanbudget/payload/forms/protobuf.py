"""A message in Protocol Buffers: a descriptor made at run time, encoded by the protobuf library.

Numbers that may be negative are ``sint64`` (zigzag), others ``uint64``; both take as many octets as their
value needs. As in proto3, what is always there and has the value 0 is not sent; an optional field has
presence of its own. Arrays of numbers are packed. A union is a ``oneof``, and the tag that chooses it is
not sent a second time where the two stand side by side. An array of arrays or of unions needs a message
around each element. There is no 16-bit floating point: it goes as ``float``.
"""

from itertools import count
from typing import Any

from lowpanbudget.payload.forms import shapes

_FORBIDDEN = range(19000, 20000)  # field numbers that the library keeps for itself


class Protobuf:
    """The encoding of a record; making one builds its descriptor (needs protobuf)."""

    def __init__(self, shape: shapes.RecordShape) -> None:
        from google.protobuf import (  # noqa: PLC0415 - heavy
            descriptor_pb2,
            descriptor_pool,
            message_factory,
        )

        self._shape = shape
        self._kinds = descriptor_pb2.FieldDescriptorProto
        file = descriptor_pb2.FileDescriptorProto(name="format.proto", syntax="proto3")
        self._describe(file.message_type.add(name="M"), shape)
        pool = descriptor_pool.DescriptorPool()
        pool.Add(file)
        self._class = message_factory.GetMessageClass(pool.FindMessageTypeByName("M"))

    def encode(self, data: dict[str, Any]) -> bytes:
        """Return the octets of data."""
        made = self._class()
        _fill(made, self._shape, data, {})
        return bytes(made.SerializeToString(deterministic=True))

    def decode(self, octets: bytes) -> dict[str, Any]:
        """Return the data of octets."""
        return _record(self._class.FromString(octets), self._shape)

    def _describe(self, about: Any, record: shapes.RecordShape) -> None:
        """Add the fields of a record to a message's descriptor."""
        numbers = (number for number in count(1) if number not in _FORBIDDEN)
        alone = []
        for index, member in record.sent():
            name, shape = f"m{index}", _standing(member.shape, optional=member.optional)
            if isinstance(shape, shapes.ChoiceShape):
                group = len(about.oneof_decl)
                about.oneof_decl.add(name=name)
                for code, option in shape.options:
                    field = self._field(about, f"{name}_{code}", option, next(numbers))
                    field.oneof_index = group
                continue
            field = self._field(about, name, shape, next(numbers))
            if member.optional and not isinstance(shape, shapes.RecordShape):
                alone.append(field)
        for field in alone:  # after the choices: the library wants it so
            field.proto3_optional = True
            field.oneof_index = len(about.oneof_decl)
            about.oneof_decl.add(name=f"_{field.name}")

    def _field(self, about: Any, name: str, shape: shapes.Shape, number: int) -> Any:
        kinds = self._kinds
        field = about.field.add(name=name, number=number, label=kinds.LABEL_OPTIONAL)
        if isinstance(shape, shapes.ListShape):
            field.label = kinds.LABEL_REPEATED
            shape = _element(shape)
        if isinstance(shape, shapes.RecordShape):
            inner = about.nested_type.add(name=f"T{name}")
            self._describe(inner, shape)
            field.type, field.type_name = kinds.TYPE_MESSAGE, inner.name
        else:
            field.type = getattr(kinds, f"TYPE_{_kind(shape)}")
        return field


def _wrapped(shape: shapes.Shape) -> shapes.RecordShape:
    """Return a message around a shape; the empty name is no field's and no tag's."""
    return shapes.RecordShape((shapes.MemberShape("", shape, False),))


def _standing(shape: shapes.Shape, *, optional: bool) -> shapes.Shape:
    """Return a member's shape, wrapped where it may be absent and would look the same when empty."""
    return _wrapped(shape) if optional and isinstance(shape, shapes.ListShape) else shape


def _element(shape: shapes.ListShape) -> shapes.Shape:
    """Return an element's shape, wrapped where it cannot repeat."""
    element = shape.element
    return (
        _wrapped(element) if isinstance(element, shapes.ListShape | shapes.ChoiceShape) else element
    )


def _kind(shape: shapes.Shape) -> str:
    """Return the scalar type of the library."""
    if isinstance(shape, shapes.WholeShape):
        return "SINT64" if shape.low < 0 else "UINT64"
    if isinstance(shape, shapes.CodeShape | shapes.FlagsShape):
        return "UINT64"
    if isinstance(shape, shapes.TruthShape):
        return "BOOL"
    if isinstance(shape, shapes.RealShape):
        return "DOUBLE" if shape.bits == 64 else "FLOAT"
    return "BYTES" if isinstance(shape, shapes.OctetsShape) else "STRING"


def _fill(
    made: Any, record: shapes.RecordShape, data: dict[str, Any], tags: dict[str, Any]
) -> None:
    known = {**tags, **data}
    for index, member in record.sent():
        if member.name not in data:
            continue
        name, value = f"m{index}", data[member.name]
        shape = _standing(member.shape, optional=member.optional)
        if shape is not member.shape:
            value = {"": value}
        if isinstance(shape, shapes.ChoiceShape):
            at, shape = shape.chosen(known)
            name = f"{name}_{member.shape.options[at][0]}"  # type: ignore[union-attr]
        if isinstance(shape, shapes.RecordShape):
            inner = getattr(made, name)
            inner.SetInParent()
            _fill(inner, shape, value, known)
        elif isinstance(shape, shapes.ListShape):
            _extend(getattr(made, name), shape, value, known)
        else:
            setattr(made, name, value)


def _extend(field: Any, shape: shapes.ListShape, value: list[Any], known: dict[str, Any]) -> None:
    element = _element(shape)
    if not isinstance(element, shapes.RecordShape):
        field.extend(value)
        return
    for item in value:
        inner = item if element is shape.element else {"": item}
        _fill(field.add(), element, inner, known)


def _record(made: Any, record: shapes.RecordShape) -> dict[str, Any]:
    data: dict[str, Any] = {}
    implied = record.implied()
    for index, member in record.sent():
        name, shape = f"m{index}", _standing(member.shape, optional=member.optional)
        if isinstance(shape, shapes.ChoiceShape):
            chosen = made.WhichOneof(name)
            if chosen is None:
                continue
            code = int(chosen.rpartition("_")[2])
            option = next(option for number, option in shape.options if number == code)
            data[member.name] = _record(getattr(made, chosen), option)
            if shape.tag in implied:
                data[shape.tag] = code
        elif not member.optional or made.HasField(name):
            value = _value(getattr(made, name), shape)
            data[member.name] = value if shape is member.shape else value[""]
    return data


def _value(value: Any, shape: shapes.Shape) -> Any:
    if isinstance(shape, shapes.RecordShape):
        return _record(value, shape)
    if isinstance(shape, shapes.ListShape):
        element = _element(shape)
        items = [_value(item, element) for item in value]
        return items if element is shape.element else [item[""] for item in items]
    return value
