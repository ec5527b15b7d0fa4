"""A layout: the fields of a header, an option or a message in the order of the wire, and the one engine for all.

A layout makes its value, so that names stand once: a class that declares its fields (``structure.py``), or, of parts
alone, a dictionary, name to value. What is no attribute (type, length, reserved) is in the spans alone: a receiver
ignores it, a sender writes zero.
"""

import dataclasses
from collections.abc import Collection, Iterator
from typing import Any, Generic, NamedTuple, TypeVar, cast

from lowpanbudget.bits import Reader, Writer
from lowpanbudget.cites import Cite
from lowpanbudget.errors import RequestError
from lowpanbudget.fields.choice import Bits
from lowpanbudget.fields.parts import LayoutPart, Order, Values, key_of
from lowpanbudget.fields.word import Header

T = TypeVar("T")
Piece = Header | LayoutPart


class Keyed(NamedTuple):
    """A field of a word in a layout: its name, the key of its value, and whether that is a ``bool``."""

    name: str
    key: str
    flag: bool


class Layout(Generic[T]):
    """Words and parts in the order of the wire; ``sizes`` are the octets it may have, ``sent`` those one may send.

    ``value`` is the class that it makes. ``around`` names values that come from the header around it. With ``padded``
    zeros follow up to the unit of its family, where ``tag`` is what the type's number means. Bits in a row make one
    word. Refuses to import where a part refers to a field that is not before it, or a value has an attribute that no
    part fills.
    """

    __slots__ = (
        "around", "cite", "hidden", "keyed", "name", "order", "padded", "parts", "sent", "sizes", "tag",
        "value", "wanted",
    )  # fmt: skip

    def __init__(
        self,
        name: str,
        cite: Cite,
        *parts: Bits | Piece,
        value: type[T] = cast("type[T]", dict),  # noqa: B008  # a name for the checker alone
        order: Order = "big",
        sizes: Collection[int] = (),
        sent: Collection[int] = (),
        padded: bool = False,
        around: tuple[str, ...] = (),
        tag: str = "",
    ) -> None:
        self.name = name
        self.cite = cite
        self.order = order
        self.parts = tuple(_words(parts, name, cite, order))
        self.value = value
        self.sizes = sizes
        self.sent = sent or sizes
        self.padded = padded
        self.around = around
        self.tag = tag
        self.hidden = {part.hides for part in self.parts if isinstance(part, LayoutPart)}
        self.wanted = (
            None
            if value is dict
            else [field.name for field in dataclasses.fields(cast("Any", value))]
        )
        self.keyed = {
            at: self._keyed(part) for at, part in enumerate(self.parts) if isinstance(part, Header)
        }
        self._check()

    def _check(self) -> None:
        keys = set(self.around)
        for part in self.parts:
            if isinstance(part, LayoutPart):
                for key in part.refers:
                    if key not in keys:
                        raise TypeError(f"{self.name}: {part.name} refers to {key}, not before it")
                keys.add(part.key)
            else:
                keys.update(field.key for field in self._keyed(part))
        for name in self.wanted or ():
            if name not in keys:
                raise TypeError(f"{self.name}: no field fills {name}")

    def _keyed(self, word: Header) -> tuple[Keyed, ...]:
        """Return the fields of a word with their keys, and which are flags; keys of attributes have small letters."""
        mapping = self.wanted is None
        return tuple(
            Keyed(field.name, key if mapping else key.lower(), not mapping and field.width == 1)
            for field, key in ((field, key_of(field.name)) for field in word.fields)
        )

    def variant(self, *first: Bits, name: str = "", cite: Cite | None = None) -> "Layout[T]":
        """Return the same layout with fields before it, or for another place: another name, another section."""
        return Layout(
            name or self.name, cite or self.cite, *first, *self.flat(), value=self.value,
            order=self.order, sizes=self.sizes, sent=self.sent, padded=self.padded,
            around=self.around, tag=self.tag,
        )  # fmt: skip

    def flat(self) -> Iterator[Bits | Piece]:
        """Yield the parts, words of the layout's own name as their bits, so that they join those before them."""
        for part in self.parts:
            if isinstance(part, Header) and part.name == self.name:
                yield from cast("tuple[Bits, ...]", part.fields)
            else:
                yield part

    @property
    def least(self) -> int:
        """Return the fewest octets that it has."""
        return sum(part.octets if isinstance(part, Header) else part.least for part in self.parts)

    @property
    def more(self) -> bool:
        """Return whether it may have more octets than the fewest."""
        return any(part.more for part in self.parts if isinstance(part, LayoutPart))

    @property
    def counted(self) -> bool:
        """Return whether fields inside say how long it is."""
        return any(part.refers for part in self.parts if isinstance(part, LayoutPart))

    def read(self, reader: Reader, **around: Any) -> T:
        """Return the value that comes next, leaving its spans; raises ``WireError``."""
        layer = reader.layer
        values: Values = dict(around)
        for at, part in enumerate(self.parts):
            if isinstance(part, Header):
                word, _ = part.read(reader)
                for name, key, flag in self.keyed[at]:
                    values[key] = bool(word[name]) if flag else word[name]
            else:
                reader.layer = layer if self.wanted is None else self.name
                values[part.key] = (
                    part.read(reader, values, self) if part.there(reader, values) else None
                )
        if self.wanted is None:
            reader.layer = layer
            return cast("T", self._mapping(values))
        there = {name: values[name] for name in self.wanted if values[name] is not None}
        return self.value(**there)  # what is not there has its default

    def _mapping(self, values: Values) -> Values:
        """Return what is shown of the values: no reserved bits that are zero, no counts, nothing that is not there."""
        return {
            key: value
            for key, value in values.items()
            if value is not None
            and key not in self.hidden
            and (value or not key.startswith("reserved"))
        }

    def write(self, writer: Writer, value: T, **around: int) -> None:
        """Append the value; ``around`` are fields that it does not hold. Raises ``RequestError``."""
        values = {**self._values(value), **around}
        if missing := [key for key in self.keys()[0] if values.get(key) is None]:
            raise RequestError(f"the {self.name} needs {', '.join(missing)}", cite=self.cite)
        for at, part in enumerate(self.parts):
            if isinstance(part, Header):
                fields = {
                    name: int(values[key]) for name, key, _ in self.keyed[at] if key in values
                }
                part.write(writer, fields)
            else:
                writer.layer = self.name
                content = values.get(part.key)
                if content is not None:
                    part.write(writer, content, values, self)
                elif part.expected(values):
                    raise RequestError(f"the {self.name} needs {part.key}", cite=self.cite)

    def _values(self, value: Any) -> Values:
        """Return the values of all fields, those that follow from others included."""
        values = (
            {name: getattr(value, name) for name in self.wanted}
            if self.wanted is not None
            else dict(value)
        )
        implied: Values = {}
        for part in self.parts:
            if isinstance(part, LayoutPart):
                implied |= part.implied(values.get(part.key))
        return implied | values if self.wanted is not None else values | implied

    def octets(self, value: T) -> bytes:
        """Return the octets of a value; raises ``RequestError``."""
        writer = Writer()
        try:
            self.write(writer, value)
        except TypeError:
            raise RequestError(
                f"the {self.name} has a field of a wrong kind", cite=self.cite
            ) from None
        return bytes(writer.data)

    def keys(self) -> tuple[tuple[str, ...], set[str]]:
        """Return the names that a mapping must have, and those it may have."""
        needed: list[str] = []
        allowed: set[str] = set()
        for part in self.parts:
            if isinstance(part, Header):
                allowed.update(field.key for field in self._keyed(part))
            else:
                allowed.add(part.key)
                if part.needed:
                    needed.append(part.key)
        return tuple(key for key in needed if key not in self.hidden), allowed - self.hidden

    def shown(self) -> Iterator[str]:
        """Yield the names of what it takes, reserved bits left out."""
        for part in self.parts:
            if isinstance(part, LayoutPart):
                yield part.key
            else:
                keys = (field.key for field in self._keyed(part))
                yield from (key for key in keys if not key.startswith("reserved"))


def _words(parts: tuple[Bits | Piece, ...], name: str, cite: Cite, order: Order) -> Iterator[Piece]:
    """Yield the parts, bits in a row as one word."""
    row: list[Bits] = []
    for part in parts:
        if isinstance(part, Bits):
            row.append(part)
            continue
        if row:
            yield Header(name, cite, tuple(row), order)
            row = []
        yield part
    if row:
        yield Header(name, cite, tuple(row), order)
