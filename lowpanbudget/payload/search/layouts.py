"""Where the fields of a message stand: one walk along them for what is sent and for what is received."""

from collections.abc import Mapping
from typing import NamedTuple

from lowpanbudget.payload.codec.compiler import MAX_DEPTH, references
from lowpanbudget.payload.codec.order import Order
from lowpanbudget.payload.kinds.differences import difference_number
from lowpanbudget.payload.kinds.enumeration import Enumeration
from lowpanbudget.payload.kinds.field import Field
from lowpanbudget.payload.kinds.lengths import Counted
from lowpanbudget.payload.kinds.series import Series
from lowpanbudget.payload.search.codes import codec_of
from lowpanbudget.payload.search.extents import Extents, Place, Tags, presence_width
from lowpanbudget.payload.search.ways import NotFollowed, Ways
from lowpanbudget.payload.words import joined

_OCTET = 8
_DIFFERENCE = "difference"  # in the place of a sample: no value of its own
_FEW = 4  # differences of which any may be an escape, each of them followed


class Stretch(NamedTuple):
    """Fields that follow on each other up to the end of a message, from a bit of an octet on.

    ``lead``: the presence bits before them.
    """

    fields: tuple[Field, ...]
    order: Order
    lead: int
    start: int = 0


class PlacedPiece(NamedTuple):
    """Where a field without parts stands: its first bit, and its width."""

    field: Field
    at: int
    width: int


class FieldWalk:
    """The fields of a message one after the other; ``at`` is the bit that comes next.

    ``beyond``: what follows may begin at any of several bits, and only how many octets there may be is looked at.
    """

    def __init__(self, stretch: Stretch, ways: Ways) -> None:
        self.at = 0
        self.order = stretch.order
        self.ways = ways
        self._stretch = stretch
        self._referred = references(stretch.fields, MAX_DEPTH)
        self.counts: dict[Place, int] = {}
        self.beyond: Extents | None = None
        self._passed_whole: Place = ()

    def walk(self) -> set[int]:
        """Walk along all fields; return how many octets they may begin."""
        self.gap(self._stretch.start)
        self.group(self._stretch.fields, (), {}, self._stretch.lead)
        return self.beyond.sizes() if self.beyond else {-(-self.at // _OCTET)}

    def is_beyond(self) -> bool:
        """Return whether it is not known where the next field begins."""
        return self.beyond is not None

    def go_beyond(self) -> Extents:
        """Look only at places from here on."""
        self.beyond = Extents(self.order, 1 << self.at, worked=self.ways.worked)
        self.beyond.fewest.update(self.counts)
        return self.beyond

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

    def group(
        self,
        fields: tuple[Field, ...],
        above: Place,
        outer: Mapping[str, str],
        lead: int | None = None,
    ) -> None:
        """Pass the presence bits of fields, of another number where one is given, and those that are there."""
        if self.is_beyond() and self.beyond:
            self.beyond.group(fields, above, outer, lead)
            return
        start, tags = self.at, dict(outer)
        names: list[Place] = [(*above, field.name) for field in fields if field.optional]
        width = presence_width(fields, self.order) if lead is None else lead
        there = self.presence(names, width)
        absent = {name for name, is_there in zip(names, there, strict=True) if not is_there}
        for field in fields:
            if field.at is not None:  # all before it has a fixed width
                self.gap(start + field.at - self.at)
            if (*above, field.name) not in absent or not field.carries:
                self.field(field, (*above, field.name), tags)

    def field(self, field: Field, place: Place, tags: Tags) -> None:
        """Pass one field."""
        self.passes(place)
        if self.is_beyond() and self.beyond:
            self.beyond.field(field, place, tags)
            return
        self.ways.worked()
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
        """Return whether any of the differences, many, are escapes."""
        raise NotImplementedError

    def groups(self, field: Series) -> bool:
        """Pass a difference of variable length; return whether that is known, else pass nothing."""
        raise NotImplementedError

    def difference(self, field: Series, place: Place, tags: Tags) -> bool:
        """Pass a difference; return whether it is an escape, and a whole sample follows."""
        if place[:-1] == self._passed_whole:
            return False
        if self.is_beyond() and self.beyond:
            return self.beyond.difference(field, place, tags)
        left = self.counts[place[:-1]] - int(place[-1])
        if field.deltas == "variable":
            if not self.groups(field):
                self.go_beyond().differences(field, left)
                self._passed_whole = place[:-1]
            return False
        bits = self.order.rounded(field.delta_bits or 0)
        if bits > _OCTET and self.order.mixed:
            raise NotFollowed  # its octets stand the other way round
        if field.escape:
            count = self.counts[place[:-1]] - 1
            few = count <= _FEW or self.ways.is_drawn
            if few and self.escaped(field, bits, place):
                return True
            if not few and place[-1] == 1 and self.has_escapes(field, bits):
                self.go_beyond().differences(field, left, escaped=1)
                self._passed_whole = place[:-1]
                return False
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
