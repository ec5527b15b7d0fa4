"""How many bits may fill up the last octet of a message: where its fields end, of any message of its format."""

from collections.abc import Mapping

from lowpanbudget.payload.kinds.field import Field
from lowpanbudget.payload.kinds.lengths import Counted
from lowpanbudget.payload.kinds.series import Series
from lowpanbudget.payload.message import Message
from lowpanbudget.payload.search.codes import codec_of
from lowpanbudget.payload.search.layouts import Place, Tags

_OCTET = 8
_ANY = frozenset(range(_OCTET))


def most_spare(message: Message) -> int:
    """Return the most bits that fill up the last octet; no fewer than there may be."""
    walker = _Ends(message)
    walker.group(message.fields, (), {})
    return max(-end % _OCTET for end in walker.ends)


class _Ends:
    """Passes the fields of a message; ``ends`` are the bits of an octet, of which any may be the next one."""

    def __init__(self, message: Message) -> None:
        self.ends = frozenset({0})
        self._order = message.order

    def group(self, fields: tuple[Field, ...], above: Place, _outer: Mapping[str, str]) -> None:
        """Pass presence bits, and fields that are there or not."""
        self._move(self._order.rounded(sum(field.optional for field in fields)))
        for field in fields:
            before = self.ends
            self.field(field, (*above, field.name), {})
            if field.optional:
                self.ends |= before

    def field(self, field: Field, place: Place, tags: Tags) -> None:
        """Pass one field; of elements there may be fewer."""
        before, codec = self.ends, codec_of(field, self._order)
        if field.at is not None or field.reference():
            self.ends = _ANY  # what it depends on is not looked at
        elif codec:
            self._move(codec.width)
        elif not field.passed(self, place, tags):
            self.ends = _ANY
        if isinstance(place[-1], int):
            self.ends |= before

    def counted(self, field: Counted, _place: Place) -> int:
        """Pass the number in front; return the most there are, or as many as lead to any bit."""
        self._move(self._order.rounded(field.number_bits()))
        return min(field.most, _OCTET)

    def difference(self, field: Series, _place: Place, _tags: Tags) -> bool:
        """Move on by a difference; behind an escape, or if there are fewer, by another number of bits."""
        before = self.ends
        self._move(self._order.rounded(field.delta_bits or 0))
        self.ends = _ANY if field.escape else self.ends | before
        return False

    def octets(self, _field: Field, _count: int, _place: Place) -> None:
        """Pass octets, which lead to the same bit of another one."""

    def _move(self, bits: int) -> None:
        self.ends = frozenset((end + bits) % _OCTET for end in self.ends)
