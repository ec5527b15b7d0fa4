"""Parts of a layout that hold an IPv6 address or a prefix."""

from collections.abc import Callable, Mapping
from ipaddress import IPv6Address, IPv6Network
from operator import attrgetter
from typing import Any

from lowpanbudget.bits import Reader, Span, Writer
from lowpanbudget.errors import Malformed, RequestError, WireError
from lowpanbudget.fields.parts import Drawing, LayoutPart, Order, Values

ADDRESS_OCTETS, ADDRESS_BITS = 16, 128


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
    def plain(self) -> Callable[[Any], bytes] | None:
        """Return what makes its octets of its value alone; None where they are not always there, or as told before."""
        return attrgetter("packed") if self.straight else None

    @property
    def size(self) -> str:
        """Return its octets in words."""
        return "0 or 16 octets" if self.more else "16 octets"

    @property
    def needed(self) -> bool:
        """Return whether there is no layout without it."""
        return not self.more

    @property
    def straight(self) -> bool:
        """Return whether it is always there, whatever stands before it."""
        return not (self.more or self.length)

    def expression(self, octets: str, _order: Order) -> str:
        """Return in Python the address of its octets."""
        return f"address({octets})"

    def order(self, _order: Order) -> Order:
        """Return the order of its octets."""
        return "big"

    def expected(self, values: Values) -> bool:
        """Return whether the part must be there, after the values before it."""
        return super().expected(values) and not self.optional

    def there(self, reader: Reader, values: Values) -> bool:
        """Return whether the part comes next."""
        return reader.left > 0 if self.optional else self.expected(values)

    def read(self, reader: Reader, values: Values, layout: Drawing) -> IPv6Address:
        """Return the address."""
        if self.length and values[self.length] > ADDRESS_BITS:
            raise _too_long(reader, self, self.length, values[self.length], layout)
        at = reader.pos * 8
        value = IPv6Address(reader.raw(ADDRESS_OCTETS, f"the field {self.name}", layout.cite))
        reader.spans.append(
            Span(at, ADDRESS_BITS, reader.layer, self.name, value, self.text, layout.cite)
        )
        return value

    def write(self, writer: Writer, value: IPv6Address, values: Values, layout: Drawing) -> None:
        """Append the address."""
        if self.length and values[self.length] > ADDRESS_BITS:
            raise RequestError(
                f"{_spoken(self.length)} {values[self.length]} is over 128", cite=layout.cite
            )
        at = len(writer.data) * 8
        writer.data += value.packed
        writer.spans.append(
            Span(at, ADDRESS_BITS, writer.layer, self.name, value, self.text, layout.cite)
        )


class Prefix(LayoutPart):
    """A prefix in as many octets as are left; the field ``length`` before it counts the bits that matter.

    A sender writes the fewest units of ``unit`` octets that hold it, and at least ``fewest`` of them.
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
            raise _too_long(reader, self, self.length, length, layout)
        if reader.left * 8 < length:
            raise reader.fault(
                Malformed,
                f"a prefix of {length} bits does not fit the {reader.left} octets of its field",
                layout.cite,
                at=reader.pos - layout.octets_from(self.length, self),
            )
        octets = reader.data[reader.pos : reader.end][:ADDRESS_OCTETS]
        value = IPv6Network((octets.ljust(ADDRESS_OCTETS, b"\0"), length), strict=False)
        reader.octets(reader.left, self.name, self.text, layout.cite, value=value)
        return value

    def write(self, writer: Writer, value: IPv6Network, _values: Values, layout: Drawing) -> None:
        """Append the shortest field for the prefix."""
        units = max(-(-value.prefixlen // (8 * self.unit)), self.fewest)
        octets = value.network_address.packed[: units * self.unit]
        writer.octets(octets, self.name, self.text, layout.cite, value=value)


def _spoken(key: str) -> str:
    return key.replace("_", " ")


def _too_long(
    reader: Reader, part: LayoutPart, key: str, length: int, layout: Drawing
) -> WireError:
    return reader.fault(
        Malformed,
        f"{_spoken(key)} {length} is over 128",
        layout.cite,
        at=reader.pos - layout.octets_from(key, part),
    )
