"""How a message lays out bits: where the first bit of an octet is, and which octet of a number leads.

Bit order says where a stream of bits begins in an octet: ``msb-first`` at its most significant bit
(as ASN.1 PER and the headers of IPv6 do), ``lsb-first`` at its least significant (as bit fields of
little-endian processors do). Byte order says which octet of a number comes first. Where both agree
(big and msb-first, little and lsb-first) a number is one unbroken run of bits. Where they disagree a
number is cut into groups of eight bits: little and msb-first sends the least significant group first
and what is left over of the top group last; big and lsb-first sends the left over of the top first.
A number of at most eight bits has no byte order. Strings of bits (flags, presence bits) and of
octets have no byte order either: their first element is the first on the wire.
"""

from typing import Literal, NamedTuple

BYTE_ORDERS = ("big", "little")
BIT_ORDERS = ("msb-first", "lsb-first")
LAYOUTS = ("bit-packed", "octet-aligned")


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
    def stream(self) -> Literal["big", "little"]:
        """Return which end of a number of octets the stream begins with."""
        return "big" if self.msb_first else "little"

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
