"""Where the fields of a message stand: one walk along them for what is sent and for what is received.

What is sent is one layout of a format: one choice of what is there, how many, and which option. All its messages have
the same fields at the same bits, and of these some are certain: counts, presence bits, tags, versions, what fills up.
"""

from collections.abc import Mapping
from typing import NamedTuple

from lowpanbudget.payload.codec.compiler import MAX_DEPTH, references
from lowpanbudget.payload.codec.nodes import Codec
from lowpanbudget.payload.kinds.differences import difference_number
from lowpanbudget.payload.kinds.enumeration import Enumeration
from lowpanbudget.payload.kinds.field import Field
from lowpanbudget.payload.kinds.lengths import Counted
from lowpanbudget.payload.kinds.number import kept_number
from lowpanbudget.payload.kinds.series import Series
from lowpanbudget.payload.message import Message
from lowpanbudget.payload.search.certain_bits import certain
from lowpanbudget.payload.search.codes import codec_of
from lowpanbudget.payload.search.ways import NotFollowed, Ways
from lowpanbudget.payload.words import joined

_OCTET = 8
_DIFFERENCE = "difference"  # in the place of a sample: no value of its own
_FEW = 4  # differences of which any may be an escape, each of them followed

Place = tuple[str | int, ...]
Tags = dict[str, str]
# the certain bits of fields, by their identity; each is held, so that no other one has it
Known = dict[int, tuple[Field, tuple[int, int]]]


class Escapes(NamedTuple):
    """One or more differences that are escapes, up to ``most``: nothing is known of the bits from ``start`` on.

    Each makes the message longer by ``width`` bits, those of a whole sample.
    """

    start: int = 0
    width: int = 0
    most: int = 0

    def octets(self, bits: int) -> set[int]:
        """Return the octets that a message takes, which has so many bits without escapes."""
        return {-(-(bits + self.width * count) // _OCTET) for count in range(1, self.most + 1)}


class PlacedPiece(NamedTuple):
    """Where a field without parts stands: its first bit, and its width."""

    field: Field
    at: int
    width: int


class FieldWalk:
    """The fields of a message one after the other; ``at`` is the bit that comes next."""

    def __init__(self, message: Message, ways: Ways) -> None:
        self.at = 0
        self.order = message.order
        self.ways = ways
        self._fields = message.fields
        self._referred = references(message.fields, MAX_DEPTH)
        self.counts: dict[Place, int] = {}
        self.escapes: Escapes | None = None

    def walk(self) -> None:
        """Walk along all fields."""
        self.group(self._fields, (), {})

    def presence(self, names: list[Place], width: int) -> list[bool]:
        """Return which optional fields are there."""
        raise NotImplementedError

    def passes(self, place: Place) -> None:
        """Note that a field is there."""

    def sent_as(self, place: Place) -> Place:
        """Return what the sender calls the place of a field."""
        return place

    def count(self, field: Counted, place: Place, width: int) -> int:
        """Return how many there are."""
        raise NotImplementedError

    def tag(self, field: Enumeration, place: Place) -> str:
        """Return the name of a tag, which chooses."""
        raise NotImplementedError

    def piece(self, piece: PlacedPiece, place: Place) -> None:
        """Pass a field without parts."""
        raise NotImplementedError

    def gap(self, bits: int) -> None:
        """Pass bits kept for later."""
        raise NotImplementedError

    def group(self, fields: tuple[Field, ...], above: Place, outer: Mapping[str, str]) -> None:
        """Pass the presence bits of fields, and those that are there."""
        start, tags = self.at, dict(outer)
        names: list[Place] = [(*above, field.name) for field in fields if field.optional]
        there = self.presence(names, self.order.rounded(len(names)))
        absent = {name for name, is_there in zip(names, there, strict=True) if not is_there}
        for field in fields:
            if field.at is not None:
                self.gap(start + field.at - self.at)
            if (*above, field.name) not in absent or not field.carries:
                self.field(field, (*above, field.name), tags)

    def field(self, field: Field, place: Place, tags: Tags) -> None:
        """Pass one field."""
        self.ways.worked()
        self.passes(place)
        codec = codec_of(field, self.order)
        if isinstance(field, Enumeration) and field.name in self._referred:
            tags[field.name] = self.tag(field, place)
        elif codec and not field.carries:
            self.gap(codec.width)
        elif codec:
            if field.name in self._referred:
                tags[field.name] = joined(list(self.sent_as(place)))
            self.piece(PlacedPiece(field, self.at, codec.width), place)
        elif not field.passed(self, place, tags):
            raise NotFollowed

    def escaped(self, field: Series, bits: int, place: Place) -> bool:
        """Pass the escape of a series if it is there, in the place of a difference; return whether it is."""
        raise NotImplementedError

    def has_escapes(self, field: Series, bits: int) -> bool:
        """Return whether any of the differences, many, are escapes; all are passed as if none was."""
        raise NotImplementedError

    def difference(self, field: Series, place: Place, tags: Tags) -> bool:
        """Pass a difference of fixed width; return whether it is an escape, and a whole sample follows."""
        bits = self.order.rounded(field.delta_bits or 0)
        if bits > _OCTET and self.order.mixed:
            raise NotFollowed  # its octets stand the other way round
        if field.escape:
            count = self.counts[place[:-1]] - 1
            if count <= _FEW and self.escaped(field, bits, place):
                return True
            if count > _FEW and place[-1] == 1 and self.has_escapes(field, bits):
                if self.escapes:
                    raise NotFollowed  # of two series
                sample = codec_of(kept_number(field), self.order)
                self.escapes = Escapes(self.at, sample.width if sample else 0, count)
        if self.escapes:
            self.gap(bits)  # nothing is known of it
        else:
            self.field(difference_number(field, bits), (*place, _DIFFERENCE), tags)
        return False

    def octets(self, field: Field, count: int, place: Place) -> None:
        """Pass so many octets, which are one piece."""
        self.piece(PlacedPiece(field, self.at, _OCTET * count), place)

    def counted(self, field: Counted, place: Place) -> int:
        """Pass the number in front of a field; return how many there are."""
        width = self.order.rounded(field.number_bits())
        if width > _OCTET and self.order.mixed:
            raise NotFollowed  # its octets stand the other way round
        self.counts[place] = self.count(field, place, width)
        return self.counts[place]

    def _bits_of(self, code: int, width: int) -> list[int]:
        """Return the bits of a code as they follow on each other."""
        bits = [code >> place & 1 for place in range(width)]
        return bits[::-1] if self.order.msb_first else bits


class SentLayout(FieldWalk):
    """A layout that is sent: ``bits`` are those of its messages, None where they differ from one to the next."""

    def __init__(self, message: Message, ways: Ways, known: Known) -> None:
        super().__init__(message, ways)
        self._known = known
        self.bits: list[int | None] = []
        self.pieces: dict[Place, PlacedPiece] = {}
        self._escaped: list[Place] = []
        self.there: set[Place] = set()
        self.walk()
        self.octets_sent = (
            {-(-self.at // _OCTET)} if not self.escapes else self.escapes.octets(self.at)
        )
        self.gap(-self.at % _OCTET)

    def words(self) -> str:
        """Return what tells this layout from others: how many there are, else what is there."""
        counts = [f"{count} in {joined(list(place))}" for place, count in self.counts.items()]
        counts += [f"an escape in front of {joined(list(place))}" for place in self._escaped]
        counts += ["escapes"] if self.escapes else []
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
        if not self.has_escapes(field, bits):
            return False
        self._put(self._bits_of(1 << bits - 1, bits))
        self._escaped.append(place)
        return True

    def has_escapes(self, field: Series, bits: int) -> bool:
        """Choose whether samples lie too far from the one before, if any can."""
        grid = field.number().grid()
        return grid.high - grid.low >= 1 << bits - 1 and bool(self.ways.choose(2))

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
