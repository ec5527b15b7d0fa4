"""A family of layouts told apart by their type, stepped over by their length: the options of a message."""

from collections.abc import Callable, Collection, Mapping
from typing import Any

from lowpanbudget.bits import Reader, Writer
from lowpanbudget.cites import Cite
from lowpanbudget.errors import Malformed, RequestError, Truncated, repeated
from lowpanbudget.fields.choice import Bits
from lowpanbudget.fields.layout import Layout
from lowpanbudget.fields.octets import OctetString
from lowpanbudget.fields.parts import Drawing, LayoutPart, Values
from lowpanbudget.fields.structure import layout_of
from lowpanbudget.fields.word import Header
from lowpanbudget.values import dataclass

_MOST_SIZES = 1024  # heads of a family whose length is known to be right


@dataclass(frozen=True, slots=True)
class UnknownOption:
    """An option of a type that no table here names: its type and the octets after type and length.

    Sources: RFC 8200 section 4.2, RFC 4861 section 4.6, RFC 6550 section 6.7.1, by the family.
    """

    type: int
    content: bytes


class Tagged:
    """Layouts by the number of their type; each gets the head that all share, its type and its length.

    The length counts ``unit``s, with the head (type and length) or without (``counts_head``). ``single`` is the type
    that has neither length nor content. ``unknown`` reads the types that have no layout; a layout that states its type
    itself has its head as well. ``meaning`` says what the number of an unknown type means, ``about`` what the
    family belongs to.
    """

    __slots__ = (
        "_sizes", "about", "by_value", "cite", "counts_head", "head", "layouts", "name", "single", "unit", "unknown",
    )  # fmt: skip

    def __init__(
        self,
        name: str,
        cite: Cite,
        members: Mapping[int, type | Layout[Any]],
        *,
        unit: int = 1,
        counts_head: bool = False,
        single: int | None = None,
        unknown: Layout[Any] | None = None,
        meaning: Callable[[int], str] | None = None,
        about: str = "",
    ) -> None:
        self.name = name
        self.about = about
        self.cite = cite
        self.unit = unit
        self.counts_head = counts_head
        self.single = single
        self.layouts = {
            number: self._headed(
                number, member if isinstance(member, Layout) else layout_of(member)
            )
            for number, member in members.items()
        }
        self.unknown = unknown or Layout(
            f"unknown {name}",
            cite,
            Bits("type", 8, meaning or self.name_of),
            self._length(),
            OctetString("content", "kept as it is"),
            value=UnknownOption,
        )
        head = self.unknown.parts[0]
        assert isinstance(head, Header)
        self.head = head
        self._sizes: dict[bytes, int] = {}  # octets of options that may be so long, by their heads
        self.by_value = {layout.value: (number, layout) for number, layout in self.layouts.items()}

    def _headed(self, number: int, layout: Layout[Any]) -> Layout[Any]:
        first = layout.parts[0] if layout.parts else None
        if isinstance(first, Header) and first.fields[0].name == "type":
            return layout
        kind = Bits("type", 8, layout.tag or layout.name.removesuffix(" option"), fixed=number)
        return layout.variant(*((kind,) if number == self.single else (kind, self._length())))

    def _length(self) -> Bits:
        return length_bits(self.unit, counts_head=self.counts_head)

    def name_of(self, number: int) -> str:
        """Return the name of an option type."""
        layout = self.layouts.get(number)
        return layout.name if layout else f"{self.name} {number}"

    def read(self, reader: Reader) -> tuple[Any, ...]:
        """Return all options up to the end; each takes an octet at least. Raises ``WireError``."""
        options = []
        while reader.left:
            options.append(self._read_option(reader))
        return tuple(options)

    def _read_option(self, reader: Reader) -> Any:
        start = reader.pos
        reader.layer = self.name
        number = reader.data[start]
        layout = self.layouts.get(number, self.unknown)
        stop = start + 1 if number == self.single else self._stop(reader, layout)
        end, reader.end = reader.end, stop
        try:
            value = layout.read(reader)
            if reader.pos < stop:
                reader.rest("padding", "up to a multiple of 8 octets", layout.cite)
        finally:
            reader.end = end
        return value

    def _stop(self, reader: Reader, layout: Layout[Any]) -> int:
        """Return where the option ends, after checking its length."""
        start = reader.pos
        if reader.end - start < self.head.octets:
            reader.need(self.head.octets, f"the head of the {self.name}", self.cite)
        head = reader.data[start : start + self.head.octets]
        known = self._sizes.get(head)
        if known is not None and start + known <= reader.end:
            return start + known
        length = self.head.values_at(head)["length"]
        size = length * self.unit + (0 if self.counts_head else self.head.octets)
        allowed = layout.sizes
        if size < self.head.octets or (allowed and size not in allowed):
            raise reader.fault(
                Malformed,
                f"{layout.name}: length {length} makes {size} octets"
                + (f", not {_sizes(allowed)}" if allowed else ", which no option can have"),
                layout.cite,
                at=start + self.head.octets - 1,
            )
        if start + size > reader.end:
            raise reader.fault(
                Truncated,
                f"{layout.name} says {size} octets, {reader.end - start} left",
                layout.cite,
                at=start,
            )
        if len(self._sizes) < _MOST_SIZES:
            self._sizes[bytes(head)] = size
        return start + size

    def write(self, writer: Writer, options: tuple[Any, ...]) -> None:
        """Append the options; raises ``RequestError`` for one that its layout cannot hold."""
        for option in options:
            self._write_option(writer, option)

    def _write_option(self, writer: Writer, option: Any) -> None:
        number, layout = self.by_value.get(type(option), (None, self.unknown))
        if number is None and not isinstance(option, self.unknown.value):
            kinds = dict.fromkeys((*self.by_value, self.unknown.value))
            raise RequestError(
                f"{repeated(option)} is no {self.name}", cite=self.cite,
                hint=f"Give one of {', '.join(kind.__name__ for kind in kinds)}",
            )  # fmt: skip
        number = getattr(option, "type", number)
        if number is None or (number in self.layouts) != (layout is not self.unknown):
            raise RequestError(
                f"type {number} of {repeated(option)} does not fit it", cite=self.cite
            )
        if number == self.single:
            layout.write(writer, option, type=number)
            return
        draft = Writer()
        layout.write(draft, option, type=number, length=0)
        padding = -draft.pos % self.unit
        size = draft.pos + padding
        counted = size if self.counts_head else size - self.head.octets
        if padding and not layout.padded:
            raise RequestError(
                f"{layout.name} would have {draft.pos} octets, no multiple of {self.unit}",
                cite=layout.cite,
            )
        if (layout.sent and size not in layout.sent) or counted > 255 * self.unit:
            raise RequestError(
                f"{layout.name} would have {size} octets"
                + (f", not {_sizes(layout.sent)}" if layout.sent else ": too many for its length"),
                cite=layout.cite,
            )
        layout.write(writer, option, type=number, length=counted // self.unit)
        writer.octets(bytes(padding), "padding", "up to a multiple of 8 octets", layout.cite)


class OptionList(LayoutPart):
    """The options of a message, up to its end."""

    __slots__ = ("family",)

    def __init__(self, name: str, family: Tagged) -> None:
        super().__init__(name)
        self.family = family

    @property
    def reads_alone(self) -> bool:
        """Return True: options are told apart by their own types."""
        return True

    def read(self, reader: Reader, _values: Values, _layout: Drawing) -> tuple[Any, ...]:
        """Return the options."""
        return self.family.read(reader)

    def write(
        self, writer: Writer, value: tuple[Any, ...], _values: Values, _layout: Drawing
    ) -> None:
        """Append the options."""
        self.family.write(writer, value)


def length_bits(unit: int, *, counts_head: bool) -> Bits:
    """Return the length field of an option in units of so many octets."""
    counted = "octets that follow" if not counts_head else "octets"
    if unit == 8 and counts_head:
        counted = "units of 8 octets, type and length included"
    return Bits("length", 8, counted)


def _sizes(sizes: Collection[int]) -> str:
    if isinstance(sizes, range):
        return f"{sizes[0]} to {sizes[-1]}" + (
            f" in steps of {sizes.step}" if sizes.step > 1 else ""
        )
    return " or ".join(str(size) for size in sizes)
