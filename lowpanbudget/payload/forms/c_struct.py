"""A message as a C struct: the octets that a node gets when it sends the struct from memory.

The ABI assumed: little-endian; every scalar aligned to its own size, 64 bits to 8 octets (the C ABI of the
usual 32-bit microcontrollers), or to 1 where the struct is packed; the size of a struct is a multiple of
its strictest member. Integers take the smallest of the 8-, 16-, 32- and 64-bit types that holds their
counts, so do flags and enumerations; a boolean takes one octet. C has no array of changing length and no
absent member: a counted array has its count in front and takes its greatest size, and a record with
optional members has their presence bits in front. C has no 16-bit floating point: its bits go into a
``uint16_t``. A union takes its largest option, options without fields are not in it; its tag is a member of
its own. Padding is sent as zeros.
"""

import struct
from collections.abc import Iterator
from typing import Any

from lowpanbudget.payload.c.extent import Extent, up
from lowpanbudget.payload.exact import FLOAT_LETTERS
from lowpanbudget.payload.forms import shapes

_UNSIGNED, _SIGNED = "BHIQ", "bhiq"


class CLayout:
    """The layout of a record as a struct, padded as C pads it or ``packed``."""

    def __init__(self, shape: shapes.RecordShape, *, packed: bool) -> None:
        self._shape, self._packed = shape, packed
        self._extents: dict[int, Extent] = {}  # by identity: the shapes live as long as their root

    @property
    def size(self) -> int:
        """Return what ``sizeof`` gives."""
        return self._extent(self._shape).size

    def encode(self, data: dict[str, Any]) -> bytes:
        """Return the octets of the struct."""
        out = bytearray(self.size)
        self._write(self._shape, data, out, 0, {})
        return bytes(out)

    def decode(self, octets: bytes) -> dict[str, Any]:
        """Return the data of a struct."""
        data: dict[str, Any] = self._read(self._shape, octets, 0, {})
        return data

    def _scalar(self, letter: str) -> Extent:
        size = struct.calcsize("<" + letter)
        return Extent(size, 1 if self._packed else size)

    def _extent(self, shape: shapes.Shape) -> Extent:
        if id(shape) not in self._extents:
            self._extents[id(shape)] = self._measured(shape)
        return self._extents[id(shape)]

    def _measured(self, shape: shapes.Shape) -> Extent:
        parts: list[tuple[Extent, int]]
        if isinstance(shape, shapes.RecordShape):
            parts = [(part, offset) for _, part, offset in self._places(shape)]
        elif isinstance(shape, shapes.ChoiceShape):
            parts = [(self._extent(record), 0) for _, record in shape.options]
        elif isinstance(shape, shapes.SizedShape):
            parts = self._counted(shape)
        else:
            return self._scalar(_letter(shape))
        align = max((part.align for part, _ in parts), default=1)
        return Extent(
            up(max((offset + part.size for part, offset in parts), default=0), align), align
        )

    def _counted(self, shape: shapes.SizedShape) -> list[tuple[Extent, int]]:
        """Return extent and offset of an array, after those of its count where it has one."""
        element = (
            self._extent(shape.element) if isinstance(shape, shapes.ListShape) else Extent(1, 1)
        )
        every = Extent(shape.most * element.size, element.align)
        if shape.least == shape.most:
            return [(every, 0)]
        count = self._scalar(_unsigned(shape.most))
        return [(count, 0), (every, up(count.size, every.align))]

    def _places(self, record: shapes.RecordShape) -> Iterator[tuple[Any, Extent, int]]:
        """Yield each member (None: the presence bits) with its extent and offset."""
        offset = 0
        optional = sum(member.optional for member in record.members)
        parts: list[tuple[Any, Extent]] = []
        if optional:
            if optional <= 64:
                parts.append((None, self._scalar(_unsigned((1 << optional) - 1))))
            else:
                parts.append((None, Extent(-(-optional // 8), 1)))
        parts += [(member, self._extent(member.shape)) for member in record.members]
        for member, part in parts:
            offset = up(offset, part.align)
            yield member, part, offset
            offset += part.size

    def _write(self, shape: shapes.Shape, value: Any, out: bytearray, at: int, tags: Any) -> None:
        if isinstance(shape, shapes.RecordShape):
            known = {**tags, **value}
            for member, part, offset in self._places(shape):
                if member is None:
                    present = _presence(shape, value)
                    out[at + offset : at + offset + part.size] = present.to_bytes(
                        part.size, "little"
                    )
                elif member.name in value:
                    self._write(member.shape, value[member.name], out, at + offset, known)
        elif isinstance(shape, shapes.ChoiceShape):
            self._write(shape.chosen(tags)[1], value, out, at, tags)
        elif isinstance(shape, shapes.SizedShape):
            octets = value.encode(shape.encoding) if isinstance(shape, shapes.TextShape) else value
            *count, (_, offset) = self._counted(shape)
            if count:
                struct.pack_into("<" + _unsigned(shape.most), out, at, len(octets))
            if isinstance(shape, shapes.ListShape):
                size = self._extent(shape.element).size
                for index, item in enumerate(value):
                    self._write(shape.element, item, out, at + offset + index * size, tags)
            else:
                out[at + offset : at + offset + len(octets)] = octets
        else:
            struct.pack_into("<" + _letter(shape), out, at, value)

    def _read(self, shape: shapes.Shape, octets: bytes, at: int, tags: Any) -> Any:
        if isinstance(shape, shapes.RecordShape):
            return self._read_record(shape, octets, at, tags)
        if isinstance(shape, shapes.ChoiceShape):
            return self._read(shape.chosen(tags)[1], octets, at, tags)
        if isinstance(shape, shapes.SizedShape):
            *counted, (_, offset) = self._counted(shape)
            number = shape.most
            if counted:
                (number,) = struct.unpack_from("<" + _unsigned(shape.most), octets, at)
            start = at + offset
            if isinstance(shape, shapes.ListShape):
                size = self._extent(shape.element).size
                places = (start + index * size for index in range(number))
                return [self._read(shape.element, octets, place, tags) for place in places]
            content = octets[start : start + number]
            return (
                content.decode(shape.encoding) if isinstance(shape, shapes.TextShape) else content
            )
        return struct.unpack_from("<" + _letter(shape), octets, at)[0]

    def _read_record(
        self, shape: shapes.RecordShape, octets: bytes, at: int, tags: Any
    ) -> dict[str, Any]:
        data: dict[str, Any] = {}
        present, bit = 0, 0
        for member, part, offset in self._places(shape):
            start = at + offset
            if member is None:
                present = int.from_bytes(octets[start : start + part.size], "little")
                continue
            if member.optional:
                there, bit = present >> bit & 1, bit + 1
                if not there:
                    continue
            data[member.name] = self._read(member.shape, octets, start, {**tags, **data})
        return data


def _presence(record: shapes.RecordShape, value: dict[str, Any]) -> int:
    names = [member.name for member in record.members if member.optional]
    return sum(1 << index for index, name in enumerate(names) if name in value)


def _letter(shape: shapes.Shape) -> str:
    """Return the letter of the C type in the ``struct`` module."""
    if isinstance(shape, shapes.WholeShape) and shape.low < 0:
        reach = max(shape.high, ~shape.low)
        return next(_SIGNED[size] for size in range(4) if reach < 1 << (8 << size) - 1)
    if isinstance(shape, shapes.WholeShape):
        return _unsigned(shape.high)
    if isinstance(shape, shapes.TruthShape):
        return "?"
    if isinstance(shape, shapes.CodeShape):
        return _unsigned(max(shape.codes))
    if isinstance(shape, shapes.FlagsShape):
        return _unsigned((1 << shape.count) - 1)
    assert isinstance(shape, shapes.RealShape)
    return FLOAT_LETTERS[shape.bits]


def _unsigned(most: int) -> str:
    return next(_UNSIGNED[size] for size in range(4) if most < 1 << (8 << size))
