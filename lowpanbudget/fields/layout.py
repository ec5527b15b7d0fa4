"""A layout: the fields of a header, an option or a message in the order of the wire, and the one engine for all.

A layout makes its value, so that names stand once: a class that declares its fields (``structure.py``), or, of parts
alone, a dictionary, name to value. What is no attribute (type, length) is in the spans alone; reserved bits are
kept, not shown, and told where they are set: a receiver ignores them, a sender writes zero.
"""

import dataclasses
from collections.abc import Callable, Collection, Iterator
from operator import index
from typing import Any, Generic, TypeVar, cast

from lowpanbudget.bits import Reader, Writer
from lowpanbudget.cites import Cite
from lowpanbudget.errors import RequestError
from lowpanbudget.fields import compiled
from lowpanbudget.fields.choice import Bits
from lowpanbudget.fields.keyed import (
    KeyedWord,
    Piece,
    attributes_in_order,
    making_octets,
    octets_at_once,
    words,
)
from lowpanbudget.fields.parts import LayoutPart, Order, Values
from lowpanbudget.fields.source import Function
from lowpanbudget.fields.straight import straight_start
from lowpanbudget.fields.word import Header

T = TypeVar("T")


class Layout(Generic[T]):
    """Words and parts in the order of the wire; ``sizes`` are the octets it may have, ``sent`` those one may send.

    ``value`` is the class that it makes. ``around`` names values that come from the header around it. With ``padded``
    zeros follow up to the unit of its family, where ``tag`` is what the type's number means. Bits in a row make one
    word. Refuses to import where a part refers to a field that is not before it, or a value has an attribute that no
    part fills.
    """

    __slots__ = (
        "around", "cite", "compiled", "function", "hidden", "implying", "in_order", "making", "name", "needed", "order",
        "padded", "parts", "quick", "sent", "sightings", "sizes", "steps", "tag", "taken", "value", "wanted",
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
        self.parts = tuple(words(parts, name, cite, order))
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
        mapping = self.wanted is None
        self.steps = tuple(
            (part, KeyedWord.of(part, mapping=mapping) if isinstance(part, Header) else None)
            for part in self.parts
        )
        self._check()
        self.implying = tuple(
            part
            for part in self.parts
            if isinstance(part, LayoutPart)
            and (part.when or type(part).implied is not LayoutPart.implied)
        )
        self.needed = self.keys()[0]
        self.quick = None if mapping else octets_at_once(self.steps, self.wanted or ())
        self.sightings = self.taken = 0
        self.compiled = False
        self.function: Function | None = None
        self.making: Callable[[Any], bytes] | None = None  # compiled once a value is written
        self.in_order = None if self.quick is None else attributes_in_order(self.steps, value)

    def _check(self) -> None:
        keys = set(self.around)
        for part, word in self.steps:
            if word is not None:
                keys.update(word.keys)
                continue
            assert isinstance(part, LayoutPart)
            for key in part.refers:
                if key not in keys:
                    raise TypeError(f"{self.name}: {part.name} refers to {key}, not before it")
            keys.add(part.key)
        for name in self.wanted or ():
            if name not in keys:
                raise TypeError(f"{self.name}: no field fills {name}")

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
    def word(self) -> Header:
        """Return the word that it begins with."""
        word = self.parts[0]
        assert isinstance(word, Header)
        return word

    @property
    def widths(self) -> tuple[int, ...]:
        """Return the bits of each field, where none is of a length of its own."""
        return tuple(
            width
            for part in self.parts
            for width in (
                [field.width for field in part.fields]
                if isinstance(part, Header)
                else [8 * part.least]
            )
        )

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

    def octets_from(self, key: str, part: LayoutPart) -> int:
        """Return how many octets lead from the field of this key to a part behind it; between them all are fixed."""
        octets = 0
        for before, word in reversed(self.steps[: self.parts.index(part)]):
            if word is None:
                octets += cast("LayoutPart", before).least
                continue
            header = cast("Header", before)
            if key in word.keys:
                bits = sum(field.width for field in header.fields[: word.keys.index(key)])
                return octets + header.octets - bits // 8
            octets += header.octets
        return octets

    def read(self, reader: Reader, **around: Any) -> T:
        """Return the value that comes next, leaving its spans; raises ``WireError``."""
        if self.in_order is not None:
            return self.value(*self.in_order(self._read_in_order(reader)))
        layer = reader.layer
        function = self.function
        straight = self._straight(reader) if function is None else function(reader, None)
        if straight.__class__ is self.value:  # of all its steps
            return straight
        values: Values = around
        steps = self.steps
        if straight is not None:
            values.update(straight)
            steps = steps[self.taken :]
        for part, word in steps:
            if word is not None:
                values.update(
                    zip(word.keys, cast("Header", part).read(reader)[0].values(), strict=True)
                )
                for _, key, flag, unit in word.converted:
                    values[key] = bool(values[key]) if flag else values[key] * unit
            else:
                assert isinstance(part, LayoutPart)
                reader.layer = layer if self.wanted is None else self.name
                values[part.key] = (
                    part.read(reader, values, self) if part.there(reader, values) else None
                )
        if self.wanted is None:
            reader.layer = layer
            return cast("T", self._mapping(values))
        there = {name: values[name] for name in self.wanted if values[name] is not None}
        return self.value(**there)  # what is not there has its default

    def _straight(self, reader: Reader) -> Any:
        """Return what stands straight at the beginning, by a function once it was read often; None without one."""
        if not self.compiled:
            self.sightings += 1
            if self.sightings >= compiled.SIGHTINGS:
                self.compiled = True
                if self.wanted is not None:
                    self.function, self.taken = straight_start(
                        self.name, self, self.steps, self.value, self.wanted
                    )
        return None if self.function is None else self.function(reader, None)

    def _read_in_order(self, reader: Reader) -> list[Any]:
        """Return what stands there, words and parts that are always there: as ``read``, without names."""
        found: list[Any] = []
        for part, _ in self.steps:
            if isinstance(part, Header):
                found += part.read(reader)[0].values()
            else:
                reader.layer = self.name
                found.append(part.read(reader, {}, self))
        return found

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
        if missing := [key for key in self.needed if values.get(key) is None]:
            raise RequestError(f"the {self.name} needs {', '.join(missing)}", cite=self.cite)
        for part, word in self.steps:
            if word is not None:
                cast("Header", part).write(writer, self._fields(word, values))
            else:
                assert isinstance(part, LayoutPart)
                writer.layer = self.name
                content = values.get(part.key)
                if content is not None:
                    part.write(writer, content, values, self)
                elif part.expected(values):
                    raise RequestError(f"the {self.name} needs {part.key}", cite=self.cite)

    def _fields(self, word: KeyedWord, values: Values) -> dict[str, int]:
        """Return what the fields of a word hold."""
        try:
            fields = {name: index(values[key]) for name, key, _, _ in word.fields if key in values}
            for name, key, _, unit in word.converted:
                if key in values:
                    fields[name], left = divmod(index(values[key]), unit)
                    if left:
                        raise RequestError(
                            f"{name} {values[key]} is no multiple of {unit}",
                            cite=self.cite,
                            hint=f"Give {values[key] - left} or {values[key] - left + unit}",
                        )
        except TypeError:
            raise RequestError(f"{self.name}: {word.misfit(values)}", cite=self.cite) from None
        return fields

    def _values(self, value: Any) -> Values:
        """Return the values of all fields, those that follow from others included."""
        values = (
            {name: getattr(value, name) for name in self.wanted}
            if self.wanted is not None
            else dict(value)
        )
        implied: Values = {}
        for part in self.implying:
            implied |= part.implied(values.get(part.key))
        return implied | values if self.wanted is not None else values | implied

    def octets(self, value: T) -> bytes:
        """Return the octets of a value; raises ``RequestError``."""
        if self.quick is not None:
            if self.making is None:
                self.making = making_octets(self.quick)
            return self.making(value)
        return self.written(value)

    def written(self, value: T) -> bytes:
        """Return the octets of a value, part by part; raises ``RequestError`` that names what of it is wrong."""
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
        for part, word in self.steps:
            if word is not None:
                allowed.update(word.keys)
            else:
                assert isinstance(part, LayoutPart)
                allowed.add(part.key)
                if part.needed:
                    needed.append(part.key)
        return tuple(key for key in needed if key not in self.hidden), allowed - self.hidden

    def shown(self) -> Iterator[str]:
        """Yield the names of what it takes, reserved bits left out."""
        for part, word in self.steps:
            if word is None:
                yield cast("LayoutPart", part).key
            else:
                yield from (key for key in word.keys if not key.startswith("reserved"))
