"""Records: a value class laid out on the wire as words of bits, then addresses, prefixes, octets, options.

Messages and options of ICMPv6 are many and alike. A ``Record`` is one of them as its standard draws it: tuples of
``Bits`` become ``Header``s, ``Part``s are what a word cannot say. A ``Family`` is a set of options told apart by their
type octet and stepped over by their length octet. Nothing else states a layout, a length or a type.

A field of a word lands in the attribute of its name (``cur hop limit`` in ``cur_hop_limit``), one bit as a ``bool``.
Fields that the value class has no attribute for (type, length, reserved) are in the spans alone: a receiver ignores
them, a sender writes zero.
"""

from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass, fields
from typing import Any, NamedTuple, Protocol

from lowpanbudget.bits import Reader, Writer
from lowpanbudget.cites import Cite
from lowpanbudget.errors import Malformed, RequestError, Truncated
from lowpanbudget.fields import Bits, Header
from lowpanbudget.layers.internet.parts import Part, Rest, Values, attribute, within


class Body(Protocol):
    """What reads and writes the value behind a type and code."""

    def read(self, reader: Reader, **given: Any) -> Any:
        """Return the value that comes next."""

    def write(self, writer: Writer, value: Any, **given: int) -> None:
        """Append the value."""


class Kind(NamedTuple):
    """One ICMPv6 message: its type ``number``, its code (None: any), name, layout, value class, meanings of the code.

    ``hop_limit`` is what the IPv6 header must hold for the message to be valid, None where nothing is asked;
    ``code_mask`` the bits of the code that a receiver looks at.
    """

    number: int
    code: int | None
    name: str
    cite: Cite
    record: Body
    value: type
    codes: Mapping[int, str]
    hop_limit: int | None = None
    code_mask: int = 0xFF


class Options(Part):
    """The options of a message, up to its end."""

    __slots__ = ("family",)

    def __init__(self, family: "Family", name: str = "options") -> None:
        super().__init__(name)
        self.family = family

    def read(self, reader: Reader, _values: Values, _cite: Cite) -> tuple[Any, ...]:
        """Return the options."""
        return self.family.read(reader)

    def write(self, writer: Writer, value: tuple[Any, ...], _values: Values, _cite: Cite) -> None:
        """Append the options."""
        self.family.write(writer, value)


class Record:
    """A value class and its layout; ``sizes`` are the octets it may have as a whole, ``sent`` those one may send.

    ``build`` makes the value where attributes and fields differ; with ``padded`` zeros follow up to its family's unit.
    """

    __slots__ = ("build", "cite", "layout", "name", "padded", "sent", "sizes", "value", "wanted")

    def __init__(
        self,
        name: str,
        cite: Cite,
        value: type,
        *layout: tuple[Bits, ...] | Part,
        sizes: Collection[int] = (),
        sent: Collection[int] = (),
        build: Callable[..., Any] | None = None,
        padded: bool = False,
    ) -> None:
        self.name = name
        self.cite = cite
        self.value = value
        self.layout: tuple[Header | Part, ...] = tuple(
            Header(name, cite, part) if isinstance(part, tuple) else part for part in layout
        )
        self.sizes = sizes
        self.sent = sent or sizes
        self.build = build or value
        self.padded = padded
        self.wanted = None if build else frozenset(one.name for one in fields(value))

    def read(self, reader: Reader, **given: Any) -> Any:
        """Return the value that comes next, leaving its spans; raises ``WireError``."""
        values: Values = dict(given)
        for part in self.layout:
            if isinstance(part, Header):
                word, _ = part.read(reader)
                for field in part.fields:
                    number = word[field.name]
                    values[attribute(field.name)] = bool(number) if field.width == 1 else number
            else:
                reader.layer = self.name
                values[part.attribute] = part.read(reader, values, self.cite)
        if self.wanted is not None:
            values = {name: value for name, value in values.items() if name in self.wanted}
        return self.build(**values)

    def write(self, writer: Writer, value: Any, **given: int) -> None:
        """Append the value; ``given`` are fields that it does not hold. Raises ``RequestError``."""
        values: Values = dict(given)
        for part in self.layout:
            names = [one.name for one in part.fields] if isinstance(part, Header) else [part.name]
            for name in names:
                key = attribute(name)
                if key not in given and hasattr(self.value, key):
                    values[key] = getattr(value, key)
        for part in self.layout:
            if isinstance(part, Header):
                word = {
                    field.name: int(values[attribute(field.name)])
                    for field in part.fields
                    if attribute(field.name) in values
                }
                part.write(writer, word)
            else:
                writer.layer = self.name
                part.write(writer, values[part.attribute], values, self.cite)


@dataclass(frozen=True, slots=True)
class UnknownOption:
    """An option of a type that no table here names: its type and the octets after type and length."""

    type: int
    content: bytes


@dataclass(frozen=True, slots=True)
class Pad1:
    """One octet of padding."""


@dataclass(frozen=True, slots=True)
class PadN:
    """Padding of ``octets`` as a whole, 2 at least."""

    octets: int


class Family:
    """Options told apart by a type: ``records`` by type, ``names`` of all.

    The length octet counts ``unit``s, with the head (type and length) or without (``counts_head``). ``single`` is the
    type that has neither length nor content. ``unknown`` reads the types that have no record.
    """

    __slots__ = (
        "by_value", "cite", "counts_head", "head", "name", "names", "records", "single", "unit",
        "unknown",
    )  # fmt: skip

    def __init__(
        self,
        name: str,
        cite: Cite,
        records: Mapping[int, Record],
        *,
        unit: int = 1,
        counts_head: bool = False,
        single: int | None = None,
        unknown: Record | None = None,
        meaning: Callable[[int], str] | None = None,
    ) -> None:
        self.name = name
        self.cite = cite
        self.records = records
        self.unit = unit
        self.counts_head = counts_head
        self.single = single
        self.names = {number: record.name for number, record in records.items()}
        self.unknown = unknown or Record(
            f"unknown {name}",
            cite,
            UnknownOption,
            (Bits("type", 8, meaning or self.name_of), length_bits(unit, counts_head=counts_head)),
            Rest("content", "kept as it is"),
        )
        head = self.unknown.layout[0]
        assert isinstance(head, Header)
        self.head = head
        self.by_value = {record.value: (number, record) for number, record in records.items()}

    def name_of(self, number: int) -> str:
        """Return the name of an option type."""
        return self.names.get(number, f"{self.name} {number}")

    def read(self, reader: Reader) -> tuple[Any, ...]:
        """Return all options up to the end; each takes an octet at least. Raises ``WireError``."""
        found = []
        while reader.left:
            found.append(self._read_one(reader))
        return tuple(found)

    def _read_one(self, reader: Reader) -> Any:
        start = reader.pos
        reader.layer = self.name
        number = reader.data[start]
        record = self.records.get(number, self.unknown)
        stop = start + 1 if number == self.single else self._stop(reader, record)
        with within(reader, stop):
            value = record.read(reader)
            if reader.left:
                reader.rest("padding", "up to a multiple of 8 octets", record.cite)
        return value

    def _stop(self, reader: Reader, record: Record) -> int:
        """Return where the option ends, after checking its length."""
        start = reader.pos
        reader.need(self.head.octets, f"the head of the {self.name}", self.cite)
        word = int.from_bytes(reader.data[start : start + self.head.octets], "big")
        length = self.head.split(word)["length"]
        size = length * self.unit + (0 if self.counts_head else self.head.octets)
        allowed = record.sizes
        if size < self.head.octets or (allowed and size not in allowed):
            raise Malformed(
                f"{record.name}: length {length} makes {size} octets"
                + (f", not {_sizes(allowed)}" if allowed else ", which no option can have"),
                offset=start + self.head.octets - 1,
                layer=self.name,
                cite=record.cite,
            )
        if start + size > reader.end:
            raise Truncated(
                f"{record.name} says {size} octets, {reader.end - start} left",
                offset=start,
                layer=self.name,
                cite=record.cite,
            )
        return start + size

    def write(self, writer: Writer, options: tuple[Any, ...]) -> None:
        """Append the options; raises ``RequestError`` for one that its record cannot hold."""
        for option in options:
            self._write_one(writer, option)

    def _write_one(self, writer: Writer, option: Any) -> None:
        number, record = self.by_value.get(type(option), (None, self.unknown))
        if number is None and not isinstance(option, self.unknown.value):
            raise RequestError(f"{option!r} is no {self.name}", cite=self.cite)
        number = getattr(option, "type", number)
        if number is None or (number in self.records) != (record is not self.unknown):
            raise RequestError(f"type {number} of {option!r} does not fit it", cite=self.cite)
        if number == self.single:
            record.write(writer, option, type=number)
            return
        draft = Writer()
        record.write(draft, option, type=number, length=0)
        padding = -draft.pos % self.unit
        size = draft.pos + padding
        counted = size if self.counts_head else size - self.head.octets
        if padding and not record.padded:
            raise RequestError(
                f"{record.name} would have {draft.pos} octets, no multiple of {self.unit}",
                cite=record.cite,
            )
        if (record.sent and size not in record.sent) or counted > 255 * self.unit:
            raise RequestError(
                f"{record.name} would have {size} octets"
                + (f", not {_sizes(record.sent)}" if record.sent else ": too many for its length"),
                cite=record.cite,
            )
        record.write(writer, option, type=number, length=counted // self.unit)
        writer.octets(bytes(padding), "padding", "up to a multiple of 8 octets", record.cite)


def length_bits(unit: int, *, counts_head: bool) -> Bits:
    """Return the length field of an option in units of so many octets."""
    what = "units of 8 octets, type and length included" if counts_head else "octets that follow"
    return Bits("length", 8, what if unit == 8 or not counts_head else "octets")


def _sizes(sizes: Collection[int]) -> str:
    if isinstance(sizes, range) and sizes.step == 1:
        return f"{sizes[0]} to {sizes[-1]}"
    return " or ".join(str(size) for size in sizes)
