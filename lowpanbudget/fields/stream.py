"""Fields of any width one after the other, across the ends of octets.

Bit order says where a stream of bits begins in an octet: "big" at its most significant bit (as ASN.1 PER and the
headers of IPv6 do), "little" at its least significant one (as IEEE 802.15.4 and bit fields of little-endian processors
do). A number is one unbroken run of bits in that order, so that its most significant bit comes first, or last.

In a ``mixed`` stream the octets of numbers stand the other way round: a number of more than eight bits is cut into
groups of eight from its least significant bit on, and "big" sends the least significant group first and what is left
over of the top group last; "little" sends what is left over of the top first.
"""

from collections.abc import Sequence
from typing import Any, NamedTuple, Protocol

from lowpanbudget.bits import Nature, Span
from lowpanbudget.cites import Cite
from lowpanbudget.errors import Truncated
from lowpanbudget.fields.choice import Bits
from lowpanbudget.fields.parts import Order

_FLUSH_BITS = 1024  # beyond this an accumulator costs more to shift than to empty


class BitOrder(NamedTuple):
    """Where a stream begins in an octet, and whether the octets of numbers stand the other way round."""

    first: Order = "big"
    mixed: bool = False


_BIG = BitOrder()


class BitRun(Protocol):
    """What a run of bits is, whatever its value; ``path`` are the names down to it."""

    @property
    def nature(self) -> Nature:
        """Return the nature of its span."""

    def label(self, path: Sequence[str | int]) -> str:
        """Return the name of its span."""

    def says(self, value: Any) -> str:
        """Return what a value means in words."""


class BitReader:
    """Octets being read; ``at`` is the bit that comes next, counted from the first of ``data``, up to ``end``.

    ``start`` is the bit where what was taken last begins: a fault of it stands there. ``path`` holds the names down to
    what is being read. With ``spans`` a list every field leaves its span there.
    """

    __slots__ = ("_big", "_data", "_mixed", "at", "end", "layer", "path", "spans", "start")

    def __init__(
        self,
        data: bytes | bytearray,
        order: BitOrder = _BIG,
        *,
        at: int = 0,
        end: int | None = None,
        layer: str = "",
        spans: list[Span] | None = None,
    ) -> None:
        self._data = data
        self._big = order.first == "big"
        self._mixed = order.mixed
        self.at = self.start = at
        self.end = 8 * len(data) if end is None else end
        self.layer = layer
        self.path: list[str | int] = []
        self.spans = spans

    def take(self, bits: int, what: str = "", cite: Cite | None = None) -> int:
        """Return the next ``bits`` bits as a number; ``Truncated``, naming ``what``, where there are not so many."""
        start = self.start = self.at
        end = start + bits
        if end > self.end:
            text = f"{what} needs {bits} bits here and {self.end - start} are left".lstrip()
            raise Truncated(text, offset=start >> 3, layer=self.layer, cite=cite)
        self.at = end
        octets = self._data[start >> 3 : (end + 7) >> 3]
        if self._big:
            return int.from_bytes(octets, "big") >> (-end & 7) & ((1 << bits) - 1)
        return int.from_bytes(octets, "little") >> (start & 7) & ((1 << bits) - 1)

    def number(self, bits: int) -> int:
        """Return the next ``bits`` bits as a number in the order of octets that numbers have."""
        code = self.take(bits)
        return from_mixed(code, bits) if self._mixed else code

    def leave(self, run: BitRun, value: Any, name: str = "") -> None:
        """Leave the span of the bits from ``start`` to here; ``name``: of a field of what is being read."""
        path = (*self.path, name) if name else self.path
        self._span(run.label(path), value, run.says(value), None, run.nature)

    def field(self, field: Bits) -> int:
        """Return the next field of a header, leaving its span."""
        value = self.take(field.width, f"the {field.name}", field.cite)
        self._span(field.name, value, field.says(value), field.cite, Nature.HEADER)
        return value

    def _span(self, name: str, value: Any, meaning: str, cite: Cite | None, nature: Nature) -> None:
        bits = self.at - self.start
        if self.spans is not None and bits:
            order = "big" if self._big else "little"
            self.spans.append(
                Span(
                    self.start, bits, self.layer, name, value, meaning, cite,
                    order=order, nature=nature,
                )
            )  # fmt: skip


class BitWriter:
    """Octets being made of runs of bits; ``path`` holds the names down to what is being written."""

    __slots__ = ("_big", "_bits", "_done", "_mixed", "_word", "path")

    def __init__(self, order: BitOrder = _BIG) -> None:
        self.path: list[str | int] = []
        self._done = bytearray()
        self._word = 0
        self._bits = 0
        self._big = order.first == "big"
        self._mixed = order.mixed

    @property
    def at(self) -> int:
        """Return the bits written so far."""
        return len(self._done) * 8 + self._bits

    def put(self, code: int, bits: int) -> None:
        """Append the ``bits`` low bits of ``code``, which has no others."""
        if self._big:
            self._word = self._word << bits | code
        else:
            self._word |= code << self._bits
        self._bits += bits
        if self._bits > _FLUSH_BITS:
            self._flush()

    def number(self, value: int, bits: int) -> None:
        """Append a number of ``bits`` bits in the order of octets that numbers have."""
        self.put(to_mixed(value, bits) if self._mixed else value, bits)

    def finish(self) -> bytes:
        """Return the octets; what is missing to a whole octet is zero bits."""
        rest = -self._bits & 7
        count = (self._bits + rest) >> 3
        if self._big:
            return bytes(self._done) + (self._word << rest).to_bytes(count, "big")
        return bytes(self._done) + self._word.to_bytes(count, "little")

    def _flush(self) -> None:
        count, rest = divmod(self._bits, 8)
        if self._big:
            self._done += (self._word >> rest).to_bytes(count, "big")
            self._word &= (1 << rest) - 1
        else:
            self._done += (self._word & ((1 << 8 * count) - 1)).to_bytes(count, "little")
            self._word >>= 8 * count
        self._bits = rest


def to_mixed(number: int, bits: int) -> int:
    """Return the code of a number in a mixed stream: its groups of eight bits the other way round."""
    groups, rest = divmod(bits, 8)
    low = number & ((1 << 8 * groups) - 1)
    return _turned(low, groups) << rest | number >> 8 * groups


def from_mixed(code: int, bits: int) -> int:
    """Return the number whose groups of eight bits stand in ``code``; undoes ``to_mixed``."""
    groups, rest = divmod(bits, 8)
    return (code & ((1 << rest) - 1)) << 8 * groups | _turned(code >> rest, groups)


def _turned(number: int, octets: int) -> int:
    return int.from_bytes(number.to_bytes(octets, "big"), "little")
