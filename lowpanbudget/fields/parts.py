"""Parts of a layout: what a word of bits cannot say. Numbers of octets, octets, addresses, prefixes, repeats, padding.

A part knows its name, reads its value with the values read before it at hand, and writes it back; one that is not there
has the value None. A part reads to the end that its reader shows: an option is bounded before its parts are read. What
a part refers to (a count, a flag, a length) is named by its key; a layout refuses a key that no field before it has.
"""

from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from ipaddress import IPv6Address, IPv6Network
from typing import Any, Literal, Protocol

from lowpanbudget.bits import Reader, Writer
from lowpanbudget.cites import Cite
from lowpanbudget.errors import Malformed, RequestError, plural
from lowpanbudget.fields.word import Meaning

Values = dict[str, Any]
Order = Literal["big", "little"]
ADDRESS_OCTETS, ADDRESS_BITS = 16, 128
Count = int | str | Callable[[Values], int] | None


@contextmanager
def within(reader: Reader, stop: int) -> Iterator[None]:
    """Let ``reader`` see no octet from ``stop`` on."""
    end, reader.end = reader.end, stop
    try:
        yield
    finally:
        reader.end = end


def place(reader: Reader, name: str) -> int:
    """Return the octet where the last span of this name starts, or where the reader stands."""
    return next(
        (span.offset_bits // 8 for span in reversed(reader.spans) if span.name == name), reader.pos
    )


def key_of(name: str) -> str:
    """Return the key of a field: its name with underscores."""
    return name.replace(" ", "_").replace("-", "_")


class Drawing(Protocol):
    """What a part must know of the layout that it stands in."""

    @property
    def cite(self) -> Cite: ...  # noqa: D102  # a protocol's member

    @property
    def order(self) -> Order: ...  # noqa: D102  # a protocol's member


class LayoutPart:
    """What follows a word in a layout; ``name`` is the span's, ``key`` that of its value.

    ``when`` is the key of a field before it that is not zero where the part is there; ``removed_by`` says what would
    save its octets.
    """

    __slots__ = ("key", "meaning", "name", "removed_by", "when")

    def __init__(
        self, name: str, meaning: Meaning = "", *, when: str = "", removed_by: str = ""
    ) -> None:
        self.key = key_of(name)
        self.name = name.replace("_", " ")
        self.meaning = meaning
        self.when = when
        self.removed_by = removed_by

    @property
    def text(self) -> str:
        """Return the meaning where it is the same for every value."""
        return self.meaning if isinstance(self.meaning, str) else ""

    @property
    def refers(self) -> tuple[str, ...]:
        """Return the keys of the fields before it that decide about the part."""
        return (self.when,) if self.when else ()

    @property
    def hides(self) -> str:
        """Return the key of a field before it that the value makes superfluous."""
        return ""

    @property
    def least(self) -> int:
        """Return the fewest octets that it has."""
        return 0

    @property
    def more(self) -> bool:
        """Return whether it may have more octets than the fewest."""
        return True

    @property
    def needed(self) -> bool:
        """Return whether there is no layout without it."""
        return not self.when

    @property
    def size(self) -> str:
        """Return its octets in words."""
        return "all that is left"

    def implied(self, value: Any) -> Mapping[str, int]:
        """Return what fields before it hold for this value."""
        return {self.when: int(value is not None)} if self.when else {}

    def expected(self, values: Values) -> bool:
        """Return whether the part must be there, after the values before it."""
        return not self.when or bool(values[self.when])

    def there(self, _reader: Reader, values: Values) -> bool:
        """Return whether the part comes next."""
        return self.expected(values)

    def read(self, reader: Reader, values: Values, layout: Drawing) -> Any:
        """Return the value that comes next; ``values`` are those read before it."""
        raise NotImplementedError

    def write(self, writer: Writer, value: Any, values: Values, layout: Drawing) -> None:
        """Append the value."""
        raise NotImplementedError


class Unsigned(LayoutPart):
    """A number of ``octets`` octets, in the order of the layout."""

    __slots__ = ("octets",)

    def __init__(
        self,
        name: str,
        octets: int,
        meaning: Meaning = "",
        *,
        when: str = "",
        removed_by: str = "",
    ) -> None:
        super().__init__(name, meaning, when=when, removed_by=removed_by)
        self.octets = octets

    @property
    def least(self) -> int:
        """Return the fewest octets that it has."""
        return 0 if self.when else self.octets

    @property
    def more(self) -> bool:
        """Return whether it may have more octets than the fewest."""
        return bool(self.when)

    @property
    def size(self) -> str:
        """Return its octets in words."""
        return plural(self.octets, "octet")

    def read(self, reader: Reader, _values: Values, layout: Drawing) -> int:
        """Return the number."""
        reader.need(self.octets, f"the {self.name}", layout.cite)
        value = int.from_bytes(reader.data[reader.pos : reader.pos + self.octets], layout.order)
        reader.octets(
            self.octets, self.name, self._says(value), layout.cite, self.removed_by, value
        )
        return value

    def _says(self, value: int) -> str:
        if isinstance(self.meaning, str):
            return self.meaning
        if callable(self.meaning):
            return self.meaning(value)
        return self.meaning.get(value, "reserved")

    def write(self, writer: Writer, value: Any, _values: Values, layout: Drawing) -> None:
        """Append the number."""
        if not isinstance(value, int) or not 0 <= value < 1 << 8 * self.octets:
            raise _unfit(
                self.key, value, f"a number from 0 to {(1 << 8 * self.octets) - 1}", layout
            )
        octets = int(value).to_bytes(self.octets, layout.order)
        writer.octets(octets, self.name, self._says(value), layout.cite, self.removed_by, value)


def _unfit(key: str, value: Any, allowed: str, layout: Drawing) -> RequestError:
    shown = value if isinstance(value, int) else type(value).__name__
    return RequestError(f"{key} is {shown}, not {allowed}", cite=layout.cite)


class OctetString(LayoutPart):
    """Octets: ``count`` of them, as many as a field before counts (its key, or a function of the values), or the rest.

    ``reverse``: the value is most significant octet first, as identifiers are written, whatever the order on the wire.
    ``unit``: what a sender must give a multiple of. A function's count of 0: it is not there.
    """

    __slots__ = ("count", "reverse", "unit")

    def __init__(
        self,
        name: str,
        meaning: str = "",
        *,
        count: Count = None,
        unit: int = 1,
        reverse: bool = False,
        when: str = "",
        removed_by: str = "",
    ) -> None:
        super().__init__(name, meaning, when=when, removed_by=removed_by)
        self.count = count
        self.unit = unit
        self.reverse = reverse

    @property
    def refers(self) -> tuple[str, ...]:
        """Return the keys of the fields before it that decide about the part."""
        return (*super().refers, *([self.count] if isinstance(self.count, str) else ()))

    @property
    def least(self) -> int:
        """Return the fewest octets that it has."""
        return self.count if isinstance(self.count, int) else 0

    @property
    def more(self) -> bool:
        """Return whether it may have more octets than the fewest."""
        return not isinstance(self.count, int)

    @property
    def size(self) -> str:
        """Return its octets in words."""
        if isinstance(self.count, int):
            return plural(self.count, "octet")
        return "all that is left" if self.count is None else "as fields before tell"

    def implied(self, value: Any) -> Mapping[str, int]:
        """Return what fields before it hold for this value."""
        counted = {self.count: len(value or b"")} if isinstance(self.count, str) else {}
        return {**super().implied(value), **counted}

    @property
    def needed(self) -> bool:
        """Return whether there is no layout without it."""
        return super().needed and not callable(self.count)

    def expected(self, values: Values) -> bool:
        """Return whether the part must be there, after the values before it."""
        return super().expected(values) and not (callable(self.count) and not self.count(values))

    def _counted(self, left: int, values: Values) -> int:
        if self.count is None:
            return left
        if isinstance(self.count, int):
            return self.count
        return int(values[self.count]) if isinstance(self.count, str) else self.count(values)

    def read(self, reader: Reader, values: Values, layout: Drawing) -> bytes:
        """Return the octets."""
        count = self._counted(reader.left, values)
        reader.need(count, f"the {self.name}", layout.cite)
        octets = reader.data[reader.pos : reader.pos + count]
        value = octets[::-1] if self.reverse else octets
        reader.octets(count, self.name, self.text, layout.cite, self.removed_by, value)
        return value

    def write(self, writer: Writer, value: Any, values: Values, layout: Drawing) -> None:
        """Append the octets."""
        if not isinstance(value, bytes):
            amount = self.count if isinstance(self.count, int) else "any number of"
            raise _unfit(self.key, value, f"bytes, {amount} octets", layout)
        count = self._counted(len(value), values)
        if len(value) != count:
            raise RequestError(
                f"{self.name} has {len(value)} octets, not {count}", cite=layout.cite
            )
        if len(value) % self.unit:
            raise RequestError(
                f"{self.name} has {len(value)} octets, no multiple of {self.unit}",
                cite=layout.cite,
            )
        octets = value[::-1] if self.reverse else value
        writer.octets(octets, self.name, self.text, layout.cite, self.removed_by, value)


class PaddedString(LayoutPart):
    """Octets of one of several sizes, with zeros behind them up to the end, fewer than ``unit``.

    Of the sizes that leave only zeros behind, the smallest is read.
    """

    __slots__ = ("sizes", "unit")

    def __init__(self, name: str, meaning: str, *, sizes: tuple[int, ...], unit: int) -> None:
        super().__init__(name, meaning)
        self.sizes = sizes
        self.unit = unit

    def read(self, reader: Reader, _values: Values, layout: Drawing) -> bytes:
        """Return the octets; what stands behind them is left to the layout around."""
        octets = reader.data[reader.pos : reader.end]
        fitting = (
            size
            for size in self.sizes
            if 0 <= len(octets) - size < self.unit and not any(octets[size:])
        )
        count = next(fitting, max(size for size in self.sizes if size <= len(octets)))
        return reader.octets(count, self.name, self.text, layout.cite)

    def write(self, writer: Writer, value: bytes, _values: Values, layout: Drawing) -> None:
        """Append the octets."""
        if len(value) not in self.sizes:
            allowed = ", ".join(str(size) for size in self.sizes[:-1])
            raise RequestError(
                f"{self.name} has {len(value)} octets, not {allowed} or {self.sizes[-1]}",
                cite=layout.cite,
            )
        writer.octets(value, self.name, self.text, layout.cite)


class Address(LayoutPart):
    """An IPv6 address.

    ``optional``: it is there if anything is left. ``length`` is the key of the field that counts its valid bits and
    must not pass 128.
    """

    __slots__ = ("length", "optional")

    def __init__(
        self,
        name: str,
        meaning: str = "",
        *,
        when: str = "",
        optional: bool = False,
        length: str = "",
    ) -> None:
        super().__init__(name, meaning, when=when)
        self.optional = optional
        self.length = length

    @property
    def refers(self) -> tuple[str, ...]:
        """Return the keys of the fields before it that decide about the part."""
        return (*super().refers, *([self.length] if self.length else ()))

    @property
    def least(self) -> int:
        """Return the fewest octets that it has."""
        return 0 if self.more else ADDRESS_OCTETS

    @property
    def more(self) -> bool:
        """Return whether it may have more octets than the fewest."""
        return bool(self.when or self.optional)

    @property
    def size(self) -> str:
        """Return its octets in words."""
        return "0 or 16 octets" if self.more else "16 octets"

    @property
    def needed(self) -> bool:
        """Return whether there is no layout without it."""
        return not self.more

    def expected(self, values: Values) -> bool:
        """Return whether the part must be there, after the values before it."""
        return super().expected(values) and not self.optional

    def there(self, reader: Reader, values: Values) -> bool:
        """Return whether the part comes next."""
        return reader.left > 0 if self.optional else self.expected(values)

    def read(self, reader: Reader, values: Values, layout: Drawing) -> IPv6Address:
        """Return the address."""
        if self.length and values[self.length] > ADDRESS_BITS:
            raise _too_long(reader, self.length, values[self.length], layout)
        start = reader.pos
        value = IPv6Address(reader.raw(ADDRESS_OCTETS, f"the {self.name}", layout.cite))
        reader.pos = start
        reader.octets(ADDRESS_OCTETS, self.name, self.text, layout.cite, value=value)
        return value

    def write(self, writer: Writer, value: IPv6Address, values: Values, layout: Drawing) -> None:
        """Append the address."""
        if self.length and values[self.length] > ADDRESS_BITS:
            raise RequestError(
                f"{_spoken(self.length)} {values[self.length]} is over 128", cite=layout.cite
            )
        writer.octets(value.packed, self.name, self.text, layout.cite, value=value)


class Prefix(LayoutPart):
    """A prefix in as many octets as are left; the field ``length`` before it counts the bits that matter.

    A sender writes the fewest octets that are a multiple of ``unit`` and at least ``fewest``.
    """

    __slots__ = ("fewest", "length", "unit")

    def __init__(
        self, name: str, meaning: str = "", *, length: str, unit: int = 1, fewest: int = 0
    ) -> None:
        super().__init__(name, meaning)
        self.length = length
        self.unit = unit
        self.fewest = fewest

    @property
    def refers(self) -> tuple[str, ...]:
        """Return the keys of the fields before it that decide about the part."""
        return (self.length,)

    @property
    def size(self) -> str:
        """Return its octets in words."""
        return "as fields before tell"

    def implied(self, value: Any) -> Mapping[str, int]:
        """Return what fields before it hold for this value."""
        return {self.length: value.prefixlen}

    def read(self, reader: Reader, values: Values, layout: Drawing) -> IPv6Network:
        """Return the prefix; "bits ... after the prefix length are reserved and ... ignored"."""
        length = values[self.length]
        if length > ADDRESS_BITS:
            raise _too_long(reader, self.length, length, layout)
        if reader.left * 8 < length:
            raise Malformed(
                f"a prefix of {length} bits does not fit the {reader.left} octets of its field",
                offset=place(reader, _spoken(self.length)),
                layer=reader.layer,
                cite=layout.cite,
            )
        octets = reader.data[reader.pos : reader.end][:ADDRESS_OCTETS]
        value = IPv6Network((octets.ljust(ADDRESS_OCTETS, b"\0"), length), strict=False)
        reader.octets(reader.left, self.name, self.text, layout.cite, value=value)
        return value

    def write(self, writer: Writer, value: IPv6Network, _values: Values, layout: Drawing) -> None:
        """Append the shortest field for the prefix."""
        needed = max(-(-value.prefixlen // 8), self.fewest)
        octets = value.network_address.packed[: -(-needed // self.unit) * self.unit]
        writer.octets(octets, self.name, self.text, layout.cite, value=value)


def _spoken(key: str) -> str:
    return key.replace("_", " ")


def _too_long(reader: Reader, key: str, length: int, layout: Drawing) -> Malformed:
    return Malformed(
        f"{_spoken(key)} {length} is over 128",
        offset=place(reader, _spoken(key)),
        layer=reader.layer,
        cite=layout.cite,
    )


class Repeatable(Protocol):
    """What a repeat can hold: a layout."""

    def read(self, reader: Reader) -> Any:
        """Return the value that comes next."""

    def write(self, writer: Writer, value: Any) -> None:
        """Append the value."""


class Repeat(LayoutPart):
    """The same part or layout again and again: as often as the field ``count`` says, else up to the end, once at least.

    ``into`` is the kind of sequence that it gives; ``empty``: a sender may leave it out. ``units``: what the items are
    called where all must be there before the first is read.
    """

    __slots__ = ("count", "empty", "into", "item", "units")

    def __init__(
        self,
        name: str,
        item: LayoutPart | Repeatable,
        *,
        count: str = "",
        units: str = "",
        empty: bool = False,
        into: Callable[[list[Any]], Any] = tuple,
    ) -> None:
        super().__init__(name, item.meaning if isinstance(item, LayoutPart) else "")
        self.item = item
        self.count = count
        self.units = units
        self.empty = empty
        self.into = into

    @property
    def refers(self) -> tuple[str, ...]:
        """Return the keys of the fields before it that decide about the part."""
        return (self.count,) if self.count else ()

    @property
    def needed(self) -> bool:
        """Return whether there is no layout without it."""
        return not self.empty

    def expected(self, values: Values) -> bool:
        """Return whether the part must be there, after the values before it."""
        return super().expected(values) and not self.empty

    def there(self, _reader: Reader, _values: Values) -> bool:
        """Return whether the part comes next: the count may be 0."""
        return True

    @property
    def hides(self) -> str:
        """Return the key of the count, which is no value of its own."""
        return self.count

    @property
    def least(self) -> int:
        """Return the fewest octets that it has."""
        return 0 if self.count else getattr(self.item, "least", 0)

    @property
    def size(self) -> str:
        """Return its octets in words."""
        return (
            f"{self.item.size} each"
            if isinstance(self.item, LayoutPart)
            else "as fields before tell"
        )

    def implied(self, value: Any) -> Mapping[str, int]:
        """Return what fields before it hold for this value."""
        return {self.count: len(value or ())} if self.count else {}

    def read(self, reader: Reader, values: Values, layout: Drawing) -> Any:
        """Return the values."""
        if not self.count:
            items = [self._read(reader, layout)]
            while reader.left:
                items.append(self._read(reader, layout))
            return self.into(items)
        count = int(values[self.count])
        if self.units and isinstance(self.item, LayoutPart):
            what = f"a {self.name} of {count} {self.units}"
            reader.need(self.item.least * count, what, layout.cite)
        return self.into([self._read(reader, layout) for _ in range(count)])

    def _read(self, reader: Reader, layout: Drawing) -> Any:
        if isinstance(self.item, LayoutPart):
            return self.item.read(reader, {}, layout)
        return self.item.read(reader)

    def write(self, writer: Writer, value: Any, _values: Values, layout: Drawing) -> None:
        """Append the values."""
        for item in value:
            if isinstance(self.item, LayoutPart):
                self.item.write(writer, item, {}, layout)
            else:
                self.item.write(writer, item)


class Zeros(LayoutPart):
    """Padding up to the end; the value is the size of the whole layout, ``head`` octets of it before these."""

    __slots__ = ("head",)

    def __init__(self, name: str, meaning: str, *, head: int) -> None:
        super().__init__(name, meaning)
        self.head = head

    def read(self, reader: Reader, _values: Values, layout: Drawing) -> int:
        """Return the size of the layout; what the padding holds is ignored."""
        return len(reader.rest(self.name, self.text, layout.cite)) + self.head

    def write(self, writer: Writer, value: int, _values: Values, layout: Drawing) -> None:
        """Append zeros."""
        if value < self.head:
            raise RequestError(
                f"padding of {value} octets, {self.head} are the least", cite=layout.cite
            )
        writer.octets(bytes(value - self.head), self.name, self.text, layout.cite)
