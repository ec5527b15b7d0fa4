"""Whole numbers ⇄ octets in either bit order: where the first bit of an octet is, and which octet leads.

Bit order says where a stream of bits begins in an octet: ``msb-first`` at its most significant bit
(as ASN.1 PER and the headers of IPv6 do), ``lsb-first`` at its least significant (as bit fields of
little-endian processors do). Byte order says which octet of a number comes first. Where both agree
(big and msb-first, little and lsb-first) a number is one unbroken run of bits. Where they disagree a
number is cut into groups of eight bits: little and msb-first sends the least significant group first
and what is left over of the top group last; big and lsb-first sends the left over of the top first.
A number of at most eight bits has no byte order. Strings of bits (flags, presence bits) and of
octets have no byte order either: their first element is the first on the wire.
"""

from typing import Any, NamedTuple, Self

from lowpanbudget.payload.flaws import Misfit

BYTE_ORDERS = ("big", "little")
BIT_ORDERS = ("msb-first", "lsb-first")
LAYOUTS = ("bit-packed", "octet-aligned")

_FLUSH_BITS = 1024  # beyond this an accumulator costs more to shift than to empty


class Order(NamedTuple):
    """How a message lays out bits: byte order, bit order, and whether every field takes whole octets."""

    byte_order: str
    bit_order: str
    layout: str

    @property
    def msb_first(self) -> bool:
        """Return whether the stream begins at the most significant bit of an octet."""
        return self.bit_order == "msb-first"

    @property
    def aligned(self) -> bool:
        """Return whether every field begins on an octet boundary."""
        return self.layout == "octet-aligned"

    @property
    def mixed(self) -> bool:
        """Return whether numbers of more than eight bits are cut into groups."""
        return (self.byte_order == "big") != self.msb_first

    def rounded(self, bits: int) -> int:
        """Return the bits that a field of ``bits`` takes in this layout."""
        return -(-bits // 8) * 8 if self.aligned else bits


def to_mixed(number: int, bits: int, order: Order) -> int:
    """Return ``number`` with its groups of eight bits in the order that the stream wants."""
    result = 0
    if order.msb_first:  # little-endian groups in a stream that begins with the top bit
        for low in range(0, bits, 8):
            size = min(8, bits - low)
            result = result << size | (number >> low) & ((1 << size) - 1)
        return result
    shift = 0  # big-endian groups in a stream that begins with the bottom bit
    for low in range((bits - 1) // 8 * 8, -1, -8):
        size = min(8, bits - low)
        result |= ((number >> low) & ((1 << size) - 1)) << shift
        shift += size
    return result


def from_mixed(code: int, bits: int, order: Order) -> int:
    """Return the number whose groups of eight bits stand in ``code``; undoes ``to_mixed``."""
    result = 0
    if order.msb_first:
        rest = bits
        for low in range(0, bits, 8):
            size = min(8, bits - low)
            rest -= size
            result |= ((code >> rest) & ((1 << size) - 1)) << low
        return result
    shift = 0
    for low in range((bits - 1) // 8 * 8, -1, -8):
        size = min(8, bits - low)
        result |= ((code >> shift) & ((1 << size) - 1)) << low
        shift += size
    return result


class Mark(NamedTuple):
    """What one ``put`` wrote: where, how many bits, how many of them only round up, and for what."""

    path: tuple[str | int, ...]
    offset: int
    bits: int
    padding: int
    kind: str
    role: str
    about: Any


class Writer:
    """Octets being built; with ``marks`` a list, everything that is written is also noted there."""

    __slots__ = ("_bits", "_done", "_msb", "_word", "marks", "path")

    def __init__(self, order: Order, *, marks: list[Mark] | None = None) -> None:
        self._done = bytearray()
        self._word = 0
        self._bits = 0
        self._msb = order.msb_first
        self.marks = marks
        self.path: list[str | int] = []

    @property
    def position(self) -> int:
        """Return the bits written so far."""
        return len(self._done) * 8 + self._bits

    def put(self, code: int, bits: int) -> None:
        """Append the ``bits`` low bits of ``code``, which has no others."""
        if self._msb:
            self._word = self._word << bits | code
        else:
            self._word |= code << self._bits
        self._bits += bits
        if self._bits > _FLUSH_BITS:
            self._flush()

    def put_octets(self, octets: bytes) -> None:
        """Append octets, first octet first, wherever the stream stands."""
        self.put(int.from_bytes(octets, "big" if self._msb else "little"), 8 * len(octets))

    def mark(
        self,
        offset: int,
        bits: int,
        *,
        padding: int,
        kind: str,
        role: str,
        about: Any,
        name: str = "",
    ) -> None:
        """Note a span of this message; only called while ``marks`` is a list."""
        path = (*self.path, name) if name else tuple(self.path)
        marks = self.marks
        if marks is not None and bits:
            marks.append(Mark(path, offset, bits, padding, kind, role, about))

    def finish(self) -> bytes:
        """Return the octets; what is missing to a whole octet is zero bits."""
        rest = -self._bits & 7
        if rest and self.marks is not None:
            self.path.clear()
            self.mark(self.position, rest, padding=rest, kind="padding", role="padding", about=None)
        count = (self._bits + rest) >> 3
        if self._msb:
            return bytes(self._done) + (self._word << rest).to_bytes(count, "big")
        return bytes(self._done) + self._word.to_bytes(count, "little")

    def _flush(self) -> None:
        count, rest = divmod(self._bits, 8)
        if self._msb:
            self._done += (self._word >> rest).to_bytes(count, "big")
            self._word &= (1 << rest) - 1
        else:
            self._done += (self._word & ((1 << 8 * count) - 1)).to_bytes(count, "little")
            self._word >>= 8 * count
        self._bits = rest


class Reader:
    """Octets being read, with a bit position; asking for more than there is gives a short ``Misfit``."""

    __slots__ = ("_msb", "_octets", "_size", "path", "position")

    def __init__(self, octets: bytes, order: Order) -> None:
        self._octets = octets
        self._size = 8 * len(octets)
        self._msb = order.msb_first
        self.position = 0
        self.path: list[str | int] = []

    @property
    def left(self) -> int:
        """Return the bits not read yet."""
        return self._size - self.position

    def take(self, bits: int) -> int:
        """Return the next ``bits`` bits as a number."""
        start = self.position
        end = start + bits
        if end > self._size:
            raise Misfit(f"needs {bits} bits here and {self._size - start} are left", short=True)
        self.position = end
        if self._msb:
            word = int.from_bytes(self._octets[start >> 3 : (end + 7) >> 3], "big") >> (-end & 7)
        else:
            word = int.from_bytes(self._octets[start >> 3 : (end + 7) >> 3], "little") >> (
                start & 7
            )
        return word & ((1 << bits) - 1)

    def take_octets(self, count: int) -> bytes:
        """Return the next ``count`` octets, wherever the stream stands."""
        return self.take(8 * count).to_bytes(count, "big" if self._msb else "little")

    def back(self, position: int) -> Self:
        """Return this reader, set to an earlier position, so that an error points there."""
        self.position = position
        return self
