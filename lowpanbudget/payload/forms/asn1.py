"""A message in ASN.1: its module, and its unaligned packed encoding (ITU-T X.691) by asn1tools.

Numbers are constrained integers, counted as in ``shapes``; a union is a CHOICE, and the tag that chooses
it is not sent a second time where the two stand side by side. Floating point goes as the octets of its
IEEE 754 form, far shorter than ASN.1's REAL. UTF-8 text has a length of its own octet, because its SIZE
is not seen by the packed encoding; ASCII text takes seven bits a character.
"""

import re
import struct
from typing import Any

from lowpanbudget.payload.exact import FLOAT_LETTERS
from lowpanbudget.payload.forms import shapes

_TYPE = "Message"


def module(shape: shapes.RecordShape) -> dict[str, Any]:
    """Return the ASN.1 module Format, as asn1tools has it once its text is read, whose type Message is the shape.

    To write the text and have it read would take longer than all the rest.
    """
    return {
        "Format": {
            "types": {_TYPE: _type(shape)}, "values": {}, "imports": {}, "object-classes": {},
            "object-sets": {}, "tags": "AUTOMATIC", "extensibility-implied": False,
        }
    }  # fmt: skip


class Uper:
    """The packed encoding of a record; making one compiles its module (needs asn1tools)."""

    def __init__(self, shape: shapes.RecordShape) -> None:
        import asn1tools  # noqa: PLC0415 - heavy

        self._shape = shape
        self._module = asn1tools.compile_dict(module(shape), "uper")

    def encode(self, data: dict[str, Any]) -> bytes:
        """Return the octets of data."""
        return bytes(self._module.encode(_TYPE, _down(self._shape, data, {})))

    def decode(self, octets: bytes) -> dict[str, Any]:
        """Return the data of octets."""
        data: dict[str, Any] = _up(self._shape, self._module.decode(_TYPE, octets))
        return data


def _sent(record: shapes.RecordShape) -> list[tuple[str, shapes.MemberShape]]:
    """Return the members that are sent, each with its identifier."""
    taken, sent = set(), []
    for index, member in record.sent():
        name = identifier(member.name)
        if name in taken:
            name = f"{name}-{index}"
        taken.add(name)
        sent.append((name, member))
    return sent


def identifier(name: str) -> str:
    """Return a field's name as ASN.1 writes identifiers: a small letter first, single hyphens within."""
    text = re.sub("-+", "-", name.replace("_", "-")).strip("-")
    return text[0].lower() + text[1:]


def _type(shape: shapes.Shape) -> dict[str, Any]:
    if isinstance(shape, shapes.RecordShape):
        members = [
            _member(name, member.shape, optional=member.optional) for name, member in _sent(shape)
        ]
        return {"type": "SEQUENCE", "members": members}
    if isinstance(shape, shapes.ChoiceShape):
        return {
            "type": "CHOICE", "members": [_member(f"o{code}", record) for code, record in shape.options],
        }  # fmt: skip
    if isinstance(shape, shapes.ListShape):
        return {"type": "SEQUENCE OF", "element": _type(shape.element), "size": _size(shape)}
    if isinstance(shape, shapes.WholeShape):
        return {"type": "INTEGER", "restricted-to": [(shape.low, shape.high)]}
    if isinstance(shape, shapes.TruthShape):
        return {"type": "BOOLEAN"}
    if isinstance(shape, shapes.CodeShape):
        return {"type": "ENUMERATED", "values": [(f"n{code}", code) for code in shape.codes]}
    if isinstance(shape, shapes.FlagsShape):
        return {"type": "BIT STRING", "size": [shape.count]}
    if isinstance(shape, shapes.RealShape):
        return {"type": "OCTET STRING", "size": [shape.bits // 8]}
    if isinstance(shape, shapes.OctetsShape):
        return {"type": "OCTET STRING", "size": _size(shape)}
    if shape.encoding == "utf-8":
        return {"type": "UTF8String"}
    return {"type": "IA5String", "size": _size(shape)}


def _member(name: str, shape: shapes.Shape, *, optional: bool = False) -> dict[str, Any]:
    return {"name": name, **_type(shape), **({"optional": True} if optional else {})}


def _size(shape: shapes.SizedShape) -> list[Any]:
    return [shape.most] if shape.least == shape.most else [(shape.least, shape.most)]


def _down(shape: shapes.Shape, value: Any, tags: dict[str, Any]) -> Any:
    if isinstance(shape, shapes.RecordShape):
        known = {**tags, **value}
        return {
            name: _down(member.shape, value[member.name], known)
            for name, member in _sent(shape)
            if member.name in value
        }
    if isinstance(shape, shapes.ChoiceShape):
        index, record = shape.chosen(tags)
        return f"o{shape.options[index][0]}", _down(record, value, tags)
    if isinstance(shape, shapes.ListShape):
        return [_down(shape.element, item, tags) for item in value]
    if isinstance(shape, shapes.CodeShape):
        return f"n{value}"
    if isinstance(shape, shapes.FlagsShape):
        bits = f"{value:0{shape.count}b}"[::-1]  # the first flag is the first bit
        octets = -(-shape.count // 8)
        return int(bits.ljust(8 * octets, "0"), 2).to_bytes(octets, "big"), shape.count
    if isinstance(shape, shapes.RealShape):
        return struct.pack(">" + FLOAT_LETTERS[shape.bits], value)
    return value


def _up(shape: shapes.Shape, item: Any) -> Any:
    if isinstance(shape, shapes.RecordShape):
        return _up_record(shape, item)
    if isinstance(shape, shapes.ChoiceShape):
        return _up(_option(shape, item[0]), item[1])
    if isinstance(shape, shapes.ListShape):
        return [_up(shape.element, part) for part in item]
    if isinstance(shape, shapes.CodeShape):
        return int(item[1:])
    if isinstance(shape, shapes.FlagsShape):
        bits = f"{int.from_bytes(item[0], 'big'):0{8 * len(item[0])}b}"[: shape.count]
        return int(bits[::-1], 2)
    if isinstance(shape, shapes.RealShape):
        return struct.unpack(">" + FLOAT_LETTERS[shape.bits], item)[0]
    return bytes(item) if isinstance(shape, shapes.OctetsShape) else item


def _up_record(record: shapes.RecordShape, item: dict[str, Any]) -> dict[str, Any]:
    data: dict[str, Any] = {}
    implied = record.implied()
    for name, member in _sent(record):
        if name not in item:
            continue
        data[member.name] = _up(member.shape, item[name])
        if isinstance(member.shape, shapes.ChoiceShape) and member.shape.tag in implied:
            data[member.shape.tag] = int(item[name][0][1:])
    return data


def _option(shape: shapes.ChoiceShape, name: str) -> shapes.RecordShape:
    return next(record for code, record in shape.options if f"o{code}" == name)
