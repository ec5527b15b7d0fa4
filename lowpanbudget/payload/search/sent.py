"""A layout that is sent: one choice of what is there, how many, and which option.

All its messages have the same fields at the same bits, and of these some are certain: counts, presence bits, tags,
versions, what fills up. Behind differences of any length, or many that may be escapes, only sizes are looked at.
"""

from lowpanbudget.payload.codec.nodes import Codec
from lowpanbudget.payload.kinds.differences import zigzag_of
from lowpanbudget.payload.kinds.enumeration import Enumeration
from lowpanbudget.payload.kinds.field import Field
from lowpanbudget.payload.kinds.lengths import Counted
from lowpanbudget.payload.kinds.series import Series
from lowpanbudget.payload.search.certain_bits import certain
from lowpanbudget.payload.search.codes import codec_of
from lowpanbudget.payload.search.extents import Place
from lowpanbudget.payload.search.layouts import FieldWalk, PlacedPiece, Stretch
from lowpanbudget.payload.search.ways import Ways
from lowpanbudget.payload.words import joined

_OCTET = 8

# the certain bits of fields, by their identity; each is held, so that no other one has it
Known = dict[int, tuple[Field, tuple[int, int]]]


class SentLayout(FieldWalk):
    """A layout that is sent: ``bits`` are those of its messages, None where they differ from one to the next."""

    def __init__(self, stretch: Stretch, ways: Ways, known: Known) -> None:
        super().__init__(stretch, ways)
        self._known = known
        self.bits: list[int | None] = []
        self.pieces: dict[Place, PlacedPiece] = {}
        self._escaped: list[Place] = []
        self._are_escaped = False
        self.there: set[Place] = set()
        self.octets_sent = self.walk()
        if self.beyond:
            self.known_to = self.at
            self.bits += [None] * (_OCTET * max(self.octets_sent) - self.at)
        else:
            self.gap(-self.at % _OCTET)
            self.known_to = self.at

    def words(self) -> str:
        """Return what tells this layout from others: how many there are, else what is there."""
        counts = [f"{count} in {joined(list(place))}" for place, count in self.counts.items()]
        counts += [f"an escape in front of {joined(list(place))}" for place in self._escaped]
        counts += ["escapes"] if self._are_escaped else []
        return ", ".join(counts or [joined(list(place)) for place in sorted(self.there, key=str)])

    def presence(self, names: list[Place], width: int) -> list[bool]:
        """Choose for each field whether it is there."""
        there = [bool(self.ways.choose(2)) for _ in names]
        self._put([*map(int, there), *[0] * (width - len(names))])
        return there

    def passes(self, place: Place) -> None:
        """Note that a field is sent."""
        self.there.add(place)

    def count(self, field: Counted, _place: Place, width: int) -> int:
        """Choose how many there are."""
        more = self.ways.choose(field.most - field.least + 1)
        self._put(self._bits_of(more, width))
        return field.least + more

    def tag(self, field: Enumeration, place: Place) -> str:
        """Choose a name."""
        codec = codec_of(field, self.order)
        assert codec is not None
        name = field.names[self.ways.choose(len(field.names))]
        self.pieces[place] = PlacedPiece(field, self.at, codec.width)
        self._put(self._bits_of(codec.encode(name), codec.width))
        return name

    def escaped(self, field: Series, bits: int, place: Place) -> bool:
        """Choose whether a sample lies too far from the one before, if any can."""
        if not self._is_escaped(field, bits):
            return False
        self._put(self._bits_of(1 << bits - 1, bits))
        self._escaped.append(place)
        return True

    def has_escapes(self, field: Series, bits: int) -> bool:
        """Choose whether samples lie too far from the one before, if any can."""
        has_escapes = self._is_escaped(field, bits)
        self._are_escaped |= has_escapes
        return has_escapes

    def _is_escaped(self, field: Series, bits: int) -> bool:
        grid = field.number().grid()
        return grid.high - grid.low >= 1 << bits - 1 and bool(self.ways.choose(2))

    def groups(self, field: Series) -> bool:
        """Pass the one group that there may be; of more, as many as are drawn."""
        zigzag = zigzag_of(field)
        if zigzag.bits > _OCTET and self.order.mixed:
            return False
        if zigzag.groups > 1 and not self.ways.is_drawn:
            return False
        more = self.ways.choose(2) and self.ways.choose(zigzag.groups)
        open_bits: list[int | None] = [None] * (zigzag.bits - 1)
        for left in range(more, -1, -1):
            follows = int(left > 0)
            self._put([follows, *open_bits] if self.order.msb_first else [*open_bits, follows])
        return True

    def piece(self, piece: PlacedPiece, place: Place) -> None:
        """Leave the bits of a field open, but for those that are the same in each of its codes."""
        self.pieces[place] = piece
        codec = codec_of(piece.field, self.order)
        ones, zeros = self._certain(piece.field, codec) if codec else (0, 0)
        one, zero = self._bits_of(ones, piece.width), self._bits_of(zeros, piece.width)
        self._put([1 if a else 0 if b else None for a, b in zip(one, zero, strict=True)])

    def gap(self, bits: int) -> None:
        """Append zeros."""
        self._put([0] * bits)

    def _certain(self, field: Field, codec: Codec) -> tuple[int, int]:
        if id(field) not in self._known:
            self.ways.worked(1 << min(codec.width, _OCTET))
            self._known[id(field)] = field, certain(field, codec, is_sent=True)
        return self._known[id(field)][1]

    def _put(self, bits: list[int] | list[int | None]) -> None:
        self.ways.worked(len(bits) // _OCTET)
        self.bits += bits
        self.at += len(bits)
