"""How many bits fields may take: where they may end, of any values, no fewer places than there are."""

from collections.abc import Callable, Mapping

from lowpanbudget.payload.codec.order import Order
from lowpanbudget.payload.kinds.differences import zigzag_of
from lowpanbudget.payload.kinds.field import Field
from lowpanbudget.payload.kinds.lengths import Counted
from lowpanbudget.payload.kinds.number import kept_number
from lowpanbudget.payload.kinds.series import Series
from lowpanbudget.payload.message import Message
from lowpanbudget.payload.search.codes import codec_of
from lowpanbudget.payload.search.ways import NotFollowed

Place = tuple[str | int, ...]
Tags = dict[str, str]

_OCTET = 8
_ANY = 0xFF  # the bits of an octet
_WORD = 512  # bits of a set that cost as much as one octet that is looked at


def ends_in_octet(fields: tuple[Field, ...], order: Order, lead: int) -> frozenset[int]:
    """Return the bits of an octet at any of which fields may end, with ``lead`` bits before them."""
    extents = Extents(order, 1, folded=True)
    extents.group(fields, (), {}, lead)
    return extents.ends()


def presence_width(fields: tuple[Field, ...], order: Order) -> int:
    """Return the bits that lead fields and tell which optional ones are there."""
    return order.rounded(sum(field.optional for field in fields))


def most_spare(message: Message) -> int:
    """Return the most bits that fill up the last octet; no fewer than there may be."""
    fields, order = message.fields, message.order
    ends = ends_in_octet(fields, order, presence_width(fields, order))
    return max(-end % _OCTET for end in ends)


class Extents:
    """Passes fields; ``places`` has a bit for each bit of a message that may be the next one.

    ``folded``: only its place in an octet counts. ``worked`` is told what it takes.
    """

    def __init__(
        self,
        order: Order,
        places: int,
        *,
        folded: bool = False,
        worked: Callable[[int], None] = lambda _cost: None,
    ) -> None:
        self.places = places
        self._order, self._folded, self._worked = order, folded, worked
        self.fewest: dict[Place, int] = {}  # of elements

    def ends(self) -> frozenset[int]:
        """Return the places as numbers of bits."""
        return frozenset(at for at in range(self.places.bit_length()) if self.places >> at & 1)

    def sizes(self) -> set[int]:
        """Return how many octets may be begun."""
        return {-(-end // _OCTET) for end in self.ends()}

    def group(
        self,
        fields: tuple[Field, ...],
        above: Place,
        _outer: Mapping[str, str],
        lead: int | None = None,
    ) -> None:
        """Pass presence bits, of another number where one is given, and fields that are there or not."""
        start = self.places
        self._move(presence_width(fields, self._order) if lead is None else lead)
        for field in fields:
            if field.at is not None:
                self.places = self._moved(start, field.at)  # all before it has a fixed width
            before = self.places
            self.field(field, (*above, field.name), {})
            if field.optional:
                self.places |= before

    def field(self, field: Field, place: Place, tags: Tags) -> None:
        """Pass one field; elements behind the fewest may be missing."""
        self._worked(_OCTET + self.places.bit_length() // _WORD)
        before = self.places
        is_offset = field.reference() and field.number() is not None  # from whatever it is counted
        codec = codec_of(kept_number(field) if is_offset else field, self._order)
        if codec:
            self._move(codec.width)
        elif field.reference():
            ends = 0
            for body in field.bodies():
                self.places = before
                self.group(body.fields, place, {})
                ends |= self.places
            self.places = ends
        elif not field.passed(self, place, tags):
            if not self._folded:
                raise NotFollowed
            self.places = _ANY
        self._or_fewer(place, before)

    def counted(self, field: Counted, place: Place) -> int:
        """Pass the number in front; return the most there are, or as many as lead to any bit of an octet."""
        self._move(self._order.rounded(field.number_bits()))
        if not self._folded:
            self.fewest[place] = field.least
            return field.most
        self.fewest[place] = field.least % _OCTET
        return min(field.most, self.fewest[place] + 2 * _OCTET)

    def octets(self, field: Counted, _count: int, _place: Place) -> None:
        """Move on by octets."""
        self._move(_OCTET * field.least)
        self._repeat(_OCTET, 0, field.most - field.least)

    def difference(self, field: Series, place: Place, _tags: Tags) -> bool:
        """Move on by a difference, and by a whole sample behind an escape; or there are fewer."""
        before = self.places
        self.differences(field, 1)
        self._or_fewer(place, before)
        return False

    def differences(self, field: Series, count: int, *, escaped: int = 0) -> None:
        """Move on by so many differences, of which ``escaped`` at least are escapes."""
        if field.deltas == "variable":
            zigzag = zigzag_of(field)
            self._repeat(zigzag.bits, count, count * zigzag.groups)
            return
        self._move(count * self._order.rounded(field.delta_bits or 0))
        sample = codec_of(kept_number(field), self._order)
        if field.escape and sample:
            self._repeat(sample.width, escaped, count)

    def _or_fewer(self, place: Place, before: int) -> None:
        index = place[-1]
        if isinstance(index, int) and index >= self.fewest.get(place[:-1], 0):
            self.places |= before

    def _repeat(self, bits: int, least: int, most: int) -> None:
        """Move on by some bits ``least`` to ``most`` times."""
        self._move(bits * least)
        times = range(min(most - least, _OCTET) if self._folded else most - least)
        self._worked(len(times) * (1 + self.places.bit_length() // _WORD))
        start = self.places
        for _ in times:
            self.places = start | self._moved(self.places, bits)

    def _move(self, bits: int) -> None:
        self.places = self._moved(self.places, bits)

    def _moved(self, places: int, bits: int) -> int:
        if not self._folded:
            return places << bits
        places <<= bits % _OCTET
        return (places | places >> _OCTET) & _ANY
