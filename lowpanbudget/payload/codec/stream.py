"""The bits of a message as one stream, written or read from its first bit on; what is read leaves marks.

A message may begin at the top or the bottom bit of an octet, and its fields end anywhere, so its bits are counted
through all octets. Marks become the spans that the octets of a frame are explained with, and the bit map of a format.
"""

from typing import Any, NamedTuple

from lowpanbudget.payload.codec.order import Order
from lowpanbudget.payload.flaws import Misfit

_FLUSH_BITS = 1024  # beyond this an accumulator costs more to shift than to empty


class Note(NamedTuple):
    """What a run of bits is, whatever its value: kind of field, role, the field itself, bits that only round up."""

    kind: str
    role: str
    about: Any
    padding: int = 0


class Mark(NamedTuple):
    """A run of bits of one message: its path, where it stands in the stream, its value, and what it is."""

    path: tuple[str | int, ...]
    offset: int
    bits: int
    value: Any
    note: Note


class MessageWriter:
    """Octets being built."""

    __slots__ = ("_bits", "_done", "_msb", "_word", "path")

    def __init__(self, order: Order) -> None:
        self.path: list[str | int] = []
        self._done = bytearray()
        self._word = 0
        self._bits = 0
        self._msb = order.msb_first

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

    def finish(self) -> bytes:
        """Return the octets; what is missing to a whole octet is zero bits."""
        rest = -self._bits & 7
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


class MessageReader:
    """Octets being read, with a bit position; asking for more than there is gives a short ``Misfit``.

    With ``marks`` a list, every run of bits is noted there.
    """

    __slots__ = ("_msb", "_octets", "_size", "marks", "path", "position")

    def __init__(self, octets: bytes, order: Order, marks: list[Mark] | None = None) -> None:
        self.marks = marks
        self.path: list[str | int] = []
        self._octets = octets
        self._size = 8 * len(octets)
        self._msb = order.msb_first
        self.position = 0

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

    def mark(self, offset: int, bits: int, note: Note, value: Any, name: str = "") -> None:
        """Note a run of bits; only called while ``marks`` is a list."""
        if self.marks is not None and bits:
            path = (*self.path, name) if name else tuple(self.path)
            self.marks.append(Mark(path, offset, bits, value, note))

    def mark_rest(self) -> None:
        """Note the bits that fill up the last octet."""
        rest = -self.position & 7
        self.mark(self.position, rest, Note("padding", "padding", None, rest), None)
