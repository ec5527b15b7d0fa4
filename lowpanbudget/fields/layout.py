"""A layout: the fields of a header, an option or a message in the order of the wire, and the one engine for all.

A layout makes its value: the names stand once. A class whose attributes are the fields becomes a frozen dataclass,

    @structure("MTU option", rfc(4861, "4.6.4"))
    class Mtu:
        reserved = bits(16)                # no annotation: on the wire alone
        mtu: int = bits(32, "octets")      # one bit is a bool; a field with a default goes without saying

and ``layout_of`` gives its layout. A ``Layout`` that is made of parts directly gives a dictionary, name to value. What
is no attribute (type, length, reserved) is in the spans alone: a receiver ignores it, a sender writes zero.
"""

import dataclasses
from collections.abc import Callable, Collection, Iterator, Mapping
from itertools import product
from typing import Any, Generic, NamedTuple, TypeVar, cast, dataclass_transform

from lowpanbudget.bits import Reader, Writer
from lowpanbudget.cites import Cite
from lowpanbudget.errors import Malformed, RequestError
from lowpanbudget.fields.parts import LayoutPart, Order, Values, key_of
from lowpanbudget.fields.word import Bits, Header, Meaning

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


class Selected(NamedTuple):
    """A row of ``Selection``: a layout, or why these values mean nothing (``reserved``, with an empty layout)."""

    layout: Layout[dict[str, Any]]
    reserved: str = ""


class Selection:
    """Which layout follows, by the values of fields before it: a row for each combination, or it refuses to import."""

    __slots__ = ("by", "cite", "name", "rows")

    def __init__(
        self, name: str, cite: Cite, by: tuple[Bits, ...], rows: Mapping[tuple[int, ...], Selected]
    ) -> None:
        combinations = set(product(*(range(1 << field.width) for field in by)))
        if rows.keys() != combinations:
            raise TypeError(f"{name}: no row, or one too many, for {rows.keys() ^ combinations}")
        self.name = name
        self.cite = cite
        self.by = by
        self.rows = rows

    def __getitem__(self, values: tuple[int, ...]) -> Selected:
        return self.rows[values]


class Either:
    """A content that has one of several layouts: the octets there, or the names given, decide which.

    One whose fields say how long it is comes last. ``title`` is what the number before it means.
    """

    __slots__ = ("cite", "layouts", "name", "title")

    def __init__(self, name: str, cite: Cite, *layouts: Layout[Any], title: str = "") -> None:
        self.name = name
        self.cite = cite
        self.layouts = layouts
        self.title = title or name

    def read(self, reader: Reader) -> Mapping[str, Any]:
        """Return the named fields of all that is left to the reader.

        Raises ``Malformed`` for a length that no layout has.
        """
        for layout in self.layouts:
            if (
                layout.counted
                or reader.left == layout.least
                or (layout.more and reader.left > layout.least)
            ):
                return self._whole(reader, layout)
        raise self._length(
            reader,
            "",
            ", ".join(
                f"{layout.least} or more" if layout.more else str(layout.least)
                for layout in self.layouts
            ),
        )

    def _whole(self, reader: Reader, layout: Layout[Any]) -> Mapping[str, Any]:
        fields: Mapping[str, Any] = layout.read(reader)
        if reader.left:
            raise Malformed(
                f"{reader.left} octets are left over behind the {self.name}",
                offset=reader.pos, layer=self.name, cite=self.cite,
            )  # fmt: skip
        return fields

    def read_longest(self, reader: Reader, kind: str) -> Mapping[str, Any]:
        """Return the named fields of the last layout that the octets suffice for; what follows them is left.

        Raises ``Malformed`` where they suffice for none; ``kind`` says there what it is.
        """
        fitting = [layout for layout in self.layouts if layout.least <= reader.left]
        if not fitting:
            raise self._length(
                reader, f" {kind}", str(min(layout.least for layout in self.layouts))
            )
        fields: Mapping[str, Any] = fitting[-1].read(reader)
        return fields

    def _length(self, reader: Reader, kind: str, lengths: str) -> Malformed:
        return Malformed(
            f"the {self.name}{kind} has {reader.left} octets of content, not {lengths}",
            offset=reader.pos,
            layer=reader.layer if kind else self.name,
            cite=self.cite,
        )

    def write(self, fields: Mapping[str, Any]) -> bytes:
        """Return the octets of the first layout that has exactly these fields and can hold them.

        Flags and other bit fields may be left out and are zero then. Raises ``RequestError`` for other fields, or for
        a value that its field cannot hold.
        """
        unfit: RequestError | None = None
        for layout in self.layouts:
            needed, allowed = layout.keys()
            if fields.keys() <= allowed and (
                len(self.layouts) == 1 or fields.keys() >= set(needed)
            ):
                try:
                    return layout.octets(fields)
                except RequestError as error:
                    unfit = error
        if unfit is not None:
            raise unfit
        wanted = "; or ".join(", ".join(layout.shown()) for layout in self.layouts)
        raise RequestError(
            f"the {self.name} has no such set of fields: {', '.join(fields) or 'none'}",
            cite=self.cite,
            hint=f"Give {wanted or 'none'}",
        )


# --- a layout as a class -----------------------------------------------------------------------------

_NONE: Any = dataclasses.MISSING
_LAYOUTS: dict[type, Layout[Any]] = {}


@dataclasses.dataclass(frozen=True, slots=True)
class _Declared:
    """A field as it is declared in a class: what makes the part once its name is known, and its default."""

    part: Callable[[str], Bits | LayoutPart] | None
    default: Any


def bits(
    width: int,
    meaning: Meaning = "",
    *,
    fixed: int | None = None,
    cite: Cite | None = None,
    default: Any = _NONE,
    name: str = "",
) -> Any:
    """Return a field of ``width`` bits for a class; ``name`` only where the standard's is no attribute's."""
    return _Declared(lambda key: Bits(name or _spoken(key), width, meaning, fixed, cite), default)


def part(kind: Callable[..., LayoutPart], *values: Any, default: Any = _NONE, **keys: Any) -> Any:
    """Return a field for a class that is a part of this ``kind``, made with its name and these values."""
    return _Declared(lambda key: kind(key, *values, **keys), default)


def outer(*, default: Any = _NONE) -> Any:
    """Return a field for a class that stands in the header around."""
    return _Declared(None, default)


def _spoken(key: str) -> str:
    return key.replace("_", " ")


@dataclass_transform(
    kw_only_default=True, frozen_default=True, field_specifiers=(bits, part, outer)
)
def structure(
    name: str,
    cite: Cite,
    *,
    order: Order = "big",
    sizes: Collection[int] = (),
    sent: Collection[int] = (),
    padded: bool = False,
    tag: str = "",
) -> Callable[[type[T]], type[T]]:
    """Return what makes a class of declared fields a frozen dataclass, its attributes by keyword, with a layout."""

    def make(declared: type[T]) -> type[T]:
        parts: list[Bits | Piece] = []
        around: list[str] = []
        for base in declared.__mro__[1:]:
            if base in _LAYOUTS:
                parts += _LAYOUTS[base].flat()
                around += _LAYOUTS[base].around
        for key, field in list(vars(declared).items()):
            if not isinstance(field, _Declared):
                continue
            if field.part is not None:
                parts.append(field.part(key))
            else:
                around.append(key)
            if key in declared.__annotations__:
                setattr(declared, key, dataclasses.field(default=field.default))
            else:
                delattr(declared, key)
        value = dataclasses.dataclass(frozen=True, slots=True, kw_only=True)(declared)
        _LAYOUTS[value] = Layout(
            name, cite, *parts, value=value, order=order, sizes=sizes, sent=sent, padded=padded,
            around=tuple(around), tag=tag,
        )  # fmt: skip
        return value

    return make


def layout_of(value: type[T]) -> Layout[T]:
    """Return the layout that a class was declared with."""
    return _LAYOUTS[value]


def has_layout(value: type) -> bool:
    """Return whether a class was declared with a layout."""
    return value in _LAYOUTS
