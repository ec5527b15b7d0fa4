"""How a message lays out bits: where the first bit of an octet is, and which octet of a number leads.

Bit order says where the stream of bits begins in an octet: ``msb-first`` or ``lsb-first``. Byte order says which octet
of a number comes first. Where both agree (big and msb-first, little and lsb-first) a number is one unbroken run of
bits; where they disagree the stream is mixed (``fields/stream.py``). A number of at most eight bits has no byte order.
Strings of bits (flags, presence bits) and of octets have no byte order either: their first element is the first on the
wire.
"""

from typing import NamedTuple

from lowpanbudget.fields.stream import BitOrder

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
    def stream(self) -> BitOrder:
        """Return the order of the message's bits."""
        return BitOrder("big" if self.msb_first else "little", self.mixed)

    @property
    def mixed(self) -> bool:
        """Return whether numbers of more than eight bits are cut into groups."""
        return (self.byte_order == "big") != self.msb_first

    def weights(self, names: tuple[str, ...], width: int) -> dict[str, int]:
        """Return the weight of each of some bits in a string of ``width`` bits; the first is the first on the wire."""
        places = range(width - 1, -1, -1) if self.msb_first else range(width)
        return {name: 1 << place for name, place in zip(names, places, strict=False)}

    def filler_at(self, needed: int, width: int, *, ordered: bool = True) -> int:
        """Return where the bits begin that a code of ``needed`` bits leaves over in a place of ``width``.

        Of numbers (``ordered``) they are the most significant, fewer than eight; of strings of bits the last.
        """
        spare = width - needed
        if not ordered:
            return needed
        octet = 0 if self.byte_order == "big" else max(width - 8, 0)
        return octet if self.msb_first else octet + min(width, 8) - spare

    def rounded(self, bits: int) -> int:
        """Return the bits that a field of ``bits`` takes in this layout."""
        return -(-bits // 8) * 8 if self.aligned else bits

    def narrower(self, bits: int) -> int:
        """Return the bits of the next smaller place: one less than a field of ``bits`` takes, or an octet less."""
        return self.rounded(bits) - (8 if self.aligned else 1)
