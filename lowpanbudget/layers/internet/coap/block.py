"""The value of a block option (RFC 7959 section 2.2)."""

from typing import Any

from lowpanbudget.arguments import as_declared, whole_number
from lowpanbudget.bits import Reader, Span
from lowpanbudget.cites import Cite, rfc
from lowpanbudget.errors import RequestError, repeated
from lowpanbudget.fields import Bits, Drawing, Header, ShortNumber, Values
from lowpanbudget.values import dataclass

BLOCK_CITE = rfc(7959, "2.2")
# in its longest form; a shorter one has fewer bits of NUM
_BLOCK = Header(
    "block",
    BLOCK_CITE,
    (
        Bits("NUM", 20, "block number"),
        Bits("M", 1, "more blocks follow"),
        Bits("SZX", 3),
    ),
)
_BLOCK_NAMES = {"NUM": "number", "M": "more", "SZX": "size exponent"}


@dataclass(frozen=True, slots=True)
class Block:
    """The value of a block option: block number, whether more follow, size exponent (RFC 7959 section 2.2).

     0 1 2 3 4 5 6 7
    +-+-+-+-+-+-+-+-+
    |  NUM  |M| SZX |      NUM in 4, 12 or 20 bits
    +-+-+-+-+-+-+-+-+
    """

    num: int
    more: bool
    szx: int

    @property
    def size(self) -> int:
        """Return the block size in octets, 16 to 1024; exponent 7 is reserved and would be 2048."""
        return 16 << self.szx

    @property
    def offset(self) -> int:
        """Return where in the body the block begins, in octets."""
        return self.num * self.size

    def __int__(self) -> int:
        return _BLOCK.join({"NUM": self.num, "M": int(self.more), "SZX": self.szx})

    def __str__(self) -> str:
        """Return NUM/M/size, as RFC 7959 section 3 writes it."""
        return f"{self.num}/{int(self.more)}/{self.size}"

    @classmethod
    def of(cls, number: int) -> "Block":
        """Return the block that an option value stands for."""
        values = _BLOCK.split(whole_number(number, "number", most=(1 << 24) - 1))
        return cls(values["NUM"], bool(values["M"]), values["SZX"])


def block_text(value: int) -> str:
    """Return what a block option's number means."""
    block = Block.of(value)
    size = "a reserved size" if block.szx == 7 else f"{block.size} octets"
    return f"block {block.num} of {size}, {'more follow' if block.more else 'no more follow'}"


class BlockNumber(ShortNumber):
    """A block option's value: three fields, of which the first takes the bits that the others leave."""

    __slots__ = ()

    def value_of(self, octets: bytes) -> Block:
        """Return the block."""
        return Block.of(super().value_of(octets))

    def octets_of(self, value: Any, cite: Cite) -> bytes:
        """Return the fewest octets of a block."""
        if not isinstance(value, Block):
            return super().octets_of(value, cite)
        as_declared(value)
        if not 0 <= value.szx <= 6 or not 0 <= value.num < 1 << 20:
            raise RequestError(
                f"block {repeated(value.num)} with size exponent {repeated(value.szx)}: the number "
                "has 20 bits and the exponent is 0 to 6",
                cite=BLOCK_CITE,
            )
        return super().octets_of(int(value), cite)

    def read(self, reader: Reader, values: Values, layout: Drawing) -> Any:
        """Return the block of all that is left, leaving a span for each of its fields."""
        octets = reader.ahead()
        if not octets or not self.fits(octets):
            return super().read(reader, values, layout)
        at, bits = reader.pos * 8, len(octets) * 8
        number = super().value_of(octets)
        words = _BLOCK.split(number)
        for field in _BLOCK.fields:
            width = field.width if field.name != "NUM" else bits - (_BLOCK.octets * 8 - field.width)
            text = field.meaning if isinstance(field, Bits) else ""
            name = f"{self.name} {_BLOCK_NAMES[field.name]} ({field.name})"
            meaning = str(text) or self.meaning_of(octets)
            span = Span(at, width, reader.layer, name, words[field.name], meaning, BLOCK_CITE)
            reader.spans.append(span)
            at += width
        reader.raw(len(octets), self.name, BLOCK_CITE)
        return Block.of(number)
