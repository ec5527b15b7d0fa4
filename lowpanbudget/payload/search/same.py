"""Whether what is read in some bits of a message is what was sent in others, or in the same ones."""

from collections.abc import Callable, Sequence
from dataclasses import replace
from decimal import Decimal
from itertools import product
from typing import Any

from lowpanbudget.fields.stream import from_mixed
from lowpanbudget.payload.codec.compiler import MAX_DEPTH, references
from lowpanbudget.payload.codec.grid import Stepped, number_codec
from lowpanbudget.payload.codec.nodes import Codec
from lowpanbudget.payload.codec.order import Order
from lowpanbudget.payload.kinds.field import Field
from lowpanbudget.payload.kinds.flags import Flags
from lowpanbudget.payload.search.alignment import Alignment
from lowpanbudget.payload.search.codes import NOTHING, codec_of, decoded
from lowpanbudget.payload.search.extents import Place
from lowpanbudget.payload.search.layouts import PlacedPiece, Stretch
from lowpanbudget.payload.search.ways import Ways

_OCTET = 8
_MANY = 10  # bits whose codes are all looked at

Bits = tuple[int | None, ...]


class SameValues:
    """Whether what a receiver reads as a field of its own is what was sent as one."""

    def __init__(
        self, receiver: Stretch, sender: Stretch, renamed: dict[str, str], ways: Ways
    ) -> None:
        self.renamed = renamed
        self._ways = ways
        self._orders = receiver.order, sender.order
        self._step = Alignment(*self._orders, renamed, references(sender.fields, MAX_DEPTH))
        # the fields are held, so that no others have their identities
        self._known: dict[tuple[int, int, int, tuple[Bits, ...]], tuple[bool, Field, Field]] = {}

    def sent_as(self, place: Place) -> Place:
        """Return what the sender calls the place of a field."""
        return tuple(
            self.renamed.get(part, part) if isinstance(part, str) else part for part in place
        )

    def is_same(
        self, ours: PlacedPiece, theirs: PlacedPiece, message: Sequence[int | None]
    ) -> bool:
        """Return whether a piece that is read in a message has the value of the one that was sent, or none."""
        bits = tuple(tuple(message[one.at : one.at + one.width]) for one in (ours, theirs))
        key = id(ours.field), id(theirs.field), ours.at - theirs.at, bits
        if key not in self._known:
            self._known[key] = self._is_same(ours, theirs, *bits), ours.field, theirs.field
        return self._known[key][0]

    def _is_same(self, ours: PlacedPiece, theirs: PlacedPiece, read: Bits, sent_bits: Bits) -> bool:
        codec, sent = (
            codec_of(one.field, order)
            for one, order in zip((ours, theirs), self._orders, strict=True)
        )
        stand_alike = ours.width == theirs.width and (ours.at == theirs.at or not ours.width)
        field = replace(ours.field, optional=False)
        other = replace(theirs.field, optional=False)
        if codec is None or sent is None:
            return stand_alike and codec is sent and self._step.is_same_scale(field, other)
        if stand_alike and self._step.is_same(field, other, inside=True):
            return True
        if self._ways.is_drawn:
            return False
        pair = _ReadPiece(ours, theirs, (codec, sent), self._orders, read)
        if theirs.width > _MANY:
            return pair.are_numbers_same()
        self._ways.worked(ours.width << sent_bits.count(None))
        codes = product(*((0, 1) if bit is None else (bit,) for bit in sent_bits))
        return all(map(pair.is_read_as_sent, codes))


class _ReadPiece:
    """A piece that is read, of these bits, beside the one that was sent; None are bits that are not certain."""

    def __init__(
        self,
        ours: PlacedPiece,
        theirs: PlacedPiece,
        codecs: tuple[Codec, Codec],
        orders: tuple[Order, Order],
        read: Bits,
    ) -> None:
        self._fields = ours.field, theirs.field
        self._codec, self._sent = codecs
        self._orders = orders
        self._moved, self._read = ours.at - theirs.at, read
        self._width = theirs.width

    def is_read_as_sent(self, made: Sequence[int]) -> bool:
        """Return whether the bits of a code that is sent stand for the same in what is read, or for nothing."""
        code = self._code(made)
        meant = decoded(self._sent, code)
        if meant is NOTHING or self._sent.encode(meant) != code:
            return True  # no code that is sent
        read = self._read_of(made)
        if read is None:
            return False
        value = decoded(self._codec, read)
        names = self._fields[0].coded_names().values()
        if isinstance(self._fields[0], Flags) and type(value) is type(meant) is tuple:
            return set(value) == {name for name in meant if name in names}
        return value is NOTHING or bool(value == meant)

    def are_numbers_same(self) -> bool:
        """Return whether the codes of two numbers, of any width, stand for the same.

        The value of a number is a sum of those of the bits of its code: where each bit adds the same, all are the same.
        """
        ours, theirs = (field.number() for field in self._fields)
        if ours is None or theirs is None or None in self._certain():
            return False
        codecs = zip((ours, theirs), (self._codec, self._sent), self._orders, strict=True)
        read_value, sent_value = (_unlimited(*one) for one in codecs)
        places = range(self._width)
        ones = [[int(place == one) for place in places] for one in (None, *places)]
        read = [read_value(self._read_of(made) or 0) for made in ones]
        sent = [sent_value(self._code(made)) for made in ones]
        return read == sent and self._are_names_same(ours, theirs, read_value)

    def _are_names_same(
        self, ours: Stepped, theirs: Stepped, read_value: Callable[[int], Decimal]
    ) -> bool:
        """Return whether no name is read for a number, or the other way round."""
        for name, _code in theirs.special:
            code = self._sent.encode(name)
            weights = range(self._width)
            made = [code >> weight & 1 for weight in weights]
            if not self.is_read_as_sent(made[::-1] if self._orders[0].msb_first else made):
                return False
        for name, _code in ours.special:
            value = read_value(self._codec.encode(name))
            if theirs.min <= value <= theirs.max:
                return False
        return True

    def _certain(self) -> list[int | None]:
        """Return the bits that are read beside those that were sent."""
        return [
            bit for place, bit in enumerate(self._read, self._moved) if not 0 <= place < self._width
        ]

    def _read_of(self, made: Sequence[int]) -> int | None:
        """Return the code that is read where the bits of one are sent, None where it is not certain."""
        bits = []
        for place, certain in enumerate(self._read, self._moved):
            bit = made[place] if 0 <= place < len(made) else certain
            if bit is None:
                return None
            bits.append(bit)
        return self._code(bits)

    def _code(self, bits: Sequence[int]) -> int:
        return code_of(bits, is_msb_first=self._orders[0].msb_first)


def _unlimited(number: Stepped, codec: Codec, order: Order) -> Callable[[int], Any]:
    """Return what makes the value of each code of a number, also of those that stand for none."""
    width = codec.width
    grid = number.grid()._replace(low=-1 << width, high=1 << width)
    plain = number_codec(grid, width, {})
    is_mixed = order.mixed and width > _OCTET
    return lambda code: plain.decode(from_mixed(code, width) if is_mixed else code)


def code_of(bits: Sequence[int], *, is_msb_first: bool) -> int:
    """Return the code of bits as they follow on each other."""
    code = 0
    for bit in bits if is_msb_first else reversed(bits):
        code = code << 1 | bit
    return code
