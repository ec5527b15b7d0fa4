"""Parts of a record: what a word of bits cannot say. Octets, addresses, prefixes, padding.

Each knows its name (the span's and, underscored, the attribute's), reads its value with the values read before it at
hand, and writes it back. A part reads to the end that its reader shows: an option is bounded before its parts are read.
"""

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from ipaddress import IPv6Address, IPv6Network
from typing import Any

from lowpanbudget.bits import Reader, Writer
from lowpanbudget.cites import Cite
from lowpanbudget.errors import Malformed, RequestError

Values = dict[str, Any]


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


def attribute(name: str) -> str:
    """Return the attribute that a field of this name lands in."""
    return name.lower().replace(" ", "_").replace("-", "_")


class Part:
    """What follows a word in a record; ``name`` is the span's and, underscored, the attribute's."""

    __slots__ = ("attribute", "meaning", "name")

    def __init__(self, name: str, meaning: str = "") -> None:
        self.name = name
        self.meaning = meaning
        self.attribute = attribute(name)

    def read(self, reader: Reader, values: Values, cite: Cite) -> Any:
        """Return the value that comes next; ``values`` are those read before it."""
        raise NotImplementedError

    def write(self, writer: Writer, value: Any, values: Values, cite: Cite) -> None:
        """Append the value."""
        raise NotImplementedError


class Rest(Part):
    """All that is left, as octets; ``unit``: what a sender must give a multiple of."""

    __slots__ = ("unit",)

    def __init__(self, name: str, meaning: str = "", unit: int = 1) -> None:
        super().__init__(name, meaning)
        self.unit = unit

    def read(self, reader: Reader, _values: Values, cite: Cite) -> bytes:
        """Return the octets."""
        return reader.rest(self.name, self.meaning, cite)

    def write(self, writer: Writer, value: bytes, _values: Values, cite: Cite) -> None:
        """Append the octets."""
        if len(value) % self.unit:
            raise RequestError(
                f"{self.name} has {len(value)} octets, no multiple of {self.unit}", cite=cite
            )
        writer.octets(value, self.name, self.meaning, cite)


class Octets(Part):
    """A number of octets that ``count`` tells from what is left and the values read before."""

    __slots__ = ("count",)

    def __init__(self, name: str, meaning: str, count: Callable[[Values, int], int]) -> None:
        super().__init__(name, meaning)
        self.count = count

    def read(self, reader: Reader, values: Values, cite: Cite) -> bytes:
        """Return the octets."""
        return reader.octets(self.count(values, reader.left), self.name, self.meaning, cite)

    def write(self, writer: Writer, value: bytes, values: Values, cite: Cite) -> None:
        """Append the octets."""
        count = self.count(values, len(value))
        if len(value) != count:
            raise RequestError(f"{self.name} has {len(value)} octets, not {count}", cite=cite)
        writer.octets(value, self.name, self.meaning, cite)


class Address(Part):
    """An IPv6 address.

    ``when`` names the flag that says whether it is there; ``optional``: it is there if anything is left.
    ``length`` names the field that counts its valid bits and must not pass 128.
    """

    __slots__ = ("length", "optional", "when")

    def __init__(
        self,
        name: str,
        meaning: str = "",
        *,
        when: str = "",
        optional: bool = False,
        length: str = "",
    ) -> None:
        super().__init__(name, meaning)
        self.when = when
        self.optional = optional
        self.length = length

    def read(self, reader: Reader, values: Values, cite: Cite) -> IPv6Address | None:
        """Return the address, or None when it is not there."""
        if (self.when and not values[attribute(self.when)]) or (self.optional and not reader.left):
            return None
        if self.length and values[attribute(self.length)] > 128:
            raise _too_long(reader, self.length, values[attribute(self.length)], cite)
        start = reader.pos
        value = IPv6Address(reader.raw(16, f"the {self.name}", cite))
        reader.pos = start
        reader.octets(16, self.name, self.meaning, cite, value=value)
        return value

    def write(self, writer: Writer, value: IPv6Address | None, values: Values, cite: Cite) -> None:
        """Append the address."""
        if self.length and values[attribute(self.length)] > 128:
            raise RequestError(
                f"{self.length} {values[attribute(self.length)]} is over 128", cite=cite
            )
        if value is not None:
            writer.octets(value.packed, self.name, self.meaning, cite, value=value)
        elif not (self.when or self.optional):
            raise RequestError(f"the {self.name} is missing", cite=cite)


class Addresses(Part):
    """IPv6 addresses up to the end, one at least."""

    def read(self, reader: Reader, _values: Values, cite: Cite) -> tuple[IPv6Address, ...]:
        """Return the addresses."""
        one = Address(self.name, self.meaning)
        found = [one.read(reader, {}, cite)]
        while reader.left:
            found.append(one.read(reader, {}, cite))
        return tuple(address for address in found if address is not None)

    def write(self, writer: Writer, value: tuple[IPv6Address, ...], _v: Values, cite: Cite) -> None:
        """Append the addresses."""
        for address in value:
            writer.octets(address.packed, self.name, self.meaning, cite, value=address)


class Prefix(Part):
    """A prefix in as many octets as are left; the field ``length`` before it counts the bits that matter.

    A sender writes the fewest octets that are a multiple of ``unit`` and at least ``least``.
    """

    __slots__ = ("least", "length", "unit")

    def __init__(
        self,
        name: str,
        meaning: str = "",
        *,
        length: str = "prefix length",
        unit: int = 1,
        least: int = 0,
    ) -> None:
        super().__init__(name, meaning)
        self.length = length
        self.unit = unit
        self.least = least

    def read(self, reader: Reader, values: Values, cite: Cite) -> IPv6Network:
        """Return the prefix; "bits ... after the prefix length are reserved and ... ignored"."""
        length = values[attribute(self.length)]
        if length > 128:
            raise _too_long(reader, self.length, length, cite)
        if reader.left * 8 < length:
            raise Malformed(
                f"a prefix of {length} bits does not fit the {reader.left} octets of its field",
                offset=place(reader, self.length),
                layer=reader.layer,
                cite=cite,
            )
        octets = reader.data[reader.pos : reader.end][:16]
        value = IPv6Network((octets.ljust(16, b"\0"), length), strict=False)
        reader.octets(reader.left, self.name, self.meaning, cite, value=value)
        return value

    def write(self, writer: Writer, value: IPv6Network, _values: Values, cite: Cite) -> None:
        """Append the shortest field for the prefix."""
        needed = max(-(-value.prefixlen // 8), self.least)
        octets = value.network_address.packed[: -(-needed // self.unit) * self.unit]
        writer.octets(octets, self.name, self.meaning, cite, value=value)


def _too_long(reader: Reader, name: str, length: int, cite: Cite) -> Malformed:
    return Malformed(
        f"{name} {length} is over 128",
        offset=place(reader, name),
        layer=reader.layer,
        cite=cite,
    )


class Zeros(Part):
    """Padding up to the end; the value is the size of the whole record, ``head`` octets of it before these."""

    __slots__ = ("head",)

    def __init__(self, name: str, meaning: str, head: int) -> None:
        super().__init__(name, meaning)
        self.head = head

    def read(self, reader: Reader, _values: Values, cite: Cite) -> int:
        """Return the size of the record; what the padding holds is ignored."""
        return len(reader.rest(self.name, self.meaning, cite)) + self.head

    def write(self, writer: Writer, value: int, _values: Values, cite: Cite) -> None:
        """Append zeros."""
        if value < self.head:
            raise RequestError(f"padding of {value} octets, {self.head} are the least", cite=cite)
        writer.octets(bytes(value - self.head), self.name, self.meaning, cite)
