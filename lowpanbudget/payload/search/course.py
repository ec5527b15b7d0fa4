"""Whether a receiver misreads a message of another format: each layout of that is followed through the receiver.

The bits of a layout that are certain decide how the receiver goes on; where it asks for one that is not, it is followed
both ways. What it reads then is the field that was sent, code by code, or nothing comes of the message, because it is
refused: else nothing is proven, and neither is it where there are too many layouts.
"""

from collections.abc import Iterator, Sequence
from dataclasses import replace
from itertools import product

from lowpanbudget.payload.codec.compiler import MAX_DEPTH, references
from lowpanbudget.payload.codec.nodes import Codec
from lowpanbudget.payload.kinds.enumeration import Enumeration
from lowpanbudget.payload.kinds.field import Field
from lowpanbudget.payload.kinds.flags import Flags
from lowpanbudget.payload.kinds.lengths import Counted
from lowpanbudget.payload.kinds.series import Series
from lowpanbudget.payload.message import Message
from lowpanbudget.payload.search.alignment import Alignment
from lowpanbudget.payload.search.codes import NOTHING, codec_of, decoded
from lowpanbudget.payload.search.layouts import FieldWalk, Known, Place, PlacedPiece, SentLayout
from lowpanbudget.payload.search.ways import NotFollowed, WayRefused, Ways

_OCTET = 8
_MANY = 10  # bits whose codes are all looked at


def are_read_right(
    receiver: Message, sender: Message, renamed: dict[str, str], *, ignore_tail: bool
) -> bool | None:
    """Return whether messages of any layout may be read, and are right then; None where that is not proven."""
    if receiver.order.bit_order != sender.order.bit_order:
        return None
    are_any = False
    try:
        for _sent, reads in _followed(receiver, sender, renamed, ignore_tail=ignore_tail):
            for read in reads:
                are_any = True
                if read.is_wrong:
                    return None
    except NotFollowed:
        return None
    return are_any


def refused_layout(
    receiver: Message, sender: Message, renamed: dict[str, str], *, ignore_tail: bool
) -> str | None:
    """Return in words a layout of which no message is read; nothing where there is none, None where nobody can tell."""
    if receiver.order.bit_order != sender.order.bit_order:
        return None
    try:
        for sent, reads in _followed(receiver, sender, renamed, ignore_tail=ignore_tail):
            if not any(reads):
                return sent.words()
    except NotFollowed:
        return None
    return ""


def _followed(
    receiver: Message, sender: Message, renamed: dict[str, str], *, ignore_tail: bool
) -> Iterator[tuple[SentLayout, Iterator["_Read"]]]:
    """Yield each layout that is sent, with all that a receiver makes of it and does not refuse."""
    sending, known = Ways(), Known()
    same = _Same(receiver, sender, renamed, sending)
    for sent in sending.each(lambda ways: SentLayout(sender, ways, known)):

        def read(ways: Ways, sent: SentLayout = sent) -> "_Read":
            return _Read(receiver, ways, sent, same, ignore_tail=ignore_tail)

        yield sent, Ways(sending.work).each(read)


class _Same:
    """Whether what a receiver reads as a field of its own is what was sent as one."""

    def __init__(
        self, receiver: Message, sender: Message, renamed: dict[str, str], ways: Ways
    ) -> None:
        self.renamed = renamed
        self._ways = ways
        self._orders = receiver.order, sender.order
        self._step = Alignment(*self._orders, renamed, references(sender.fields, MAX_DEPTH))
        # the fields are held, so that no others have their identities
        self._known: dict[tuple[int, int, int, tuple[int | None, ...]], tuple[bool, Field, Field]]
        self._known = {}

    def sent_as(self, place: Place) -> Place:
        """Return what the sender calls the place of a field."""
        return tuple(
            self.renamed.get(part, part) if isinstance(part, str) else part for part in place
        )

    def is_same(self, ours: PlacedPiece, theirs: PlacedPiece, bits: Sequence[int | None]) -> bool:
        """Return whether a piece that is read, of these bits, has the value of the one that was sent, or none."""
        key = id(ours.field), id(theirs.field), ours.at - theirs.at, tuple(bits)
        if key not in self._known:
            self._known[key] = self._is_same(ours, theirs, bits), ours.field, theirs.field
        return self._known[key][0]

    def _is_same(self, ours: PlacedPiece, theirs: PlacedPiece, bits: Sequence[int | None]) -> bool:
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
        return theirs.width <= _MANY and self._are_codes_same(ours, theirs, bits, codec, sent)

    def _are_codes_same(
        self,
        ours: PlacedPiece,
        theirs: PlacedPiece,
        bits: Sequence[int | None],
        codec: Codec,
        sent: Codec,
    ) -> bool:
        """Return whether each code that is sent stands for the same in the bits that are read, certain ones beside."""
        order = self._orders[0]
        self._ways.worked(ours.width << theirs.width)
        for code in range(1 << theirs.width):
            meant, read = decoded(sent, code), 0
            if meant is NOTHING or sent.encode(meant) != code:
                continue  # no code that is sent
            for index, certain in enumerate(bits):
                place, bit = ours.at + index - theirs.at, certain
                if 0 <= place < theirs.width:
                    bit = code >> _weight(place, theirs.width, is_msb_first=order.msb_first) & 1
                if bit is None:
                    return False
                read |= bit << _weight(index, ours.width, is_msb_first=order.msb_first)
            value = decoded(codec, read)
            if (
                isinstance(ours.field, Flags)
                and isinstance(value, tuple)
                and isinstance(meant, tuple)
            ):
                value, meant = set(value), {name for name in meant if name in ours.field.names}
            if value is not NOTHING and value != meant:
                return False
        return True


class _Read(FieldWalk):
    """What a receiver makes of a layout; ``is_wrong``: something is read that was not sent so.

    Most are refused for their length alone: so what stands in the fields is judged last, and before a way parts.
    """

    def __init__(
        self, receiver: Message, ways: Ways, sent: SentLayout, same: _Same, *, ignore_tail: bool
    ) -> None:
        super().__init__(receiver, ways)
        self.is_wrong = False
        self._sent, self._same = sent, same
        self._bits = list(sent.bits)
        if sent.escapes:
            self._forget(sent.escapes.start, max(sent.octets_sent))
        self._passed: list[tuple[PlacedPiece, Place]] = []
        ways.worked(len(self._bits) // _OCTET)
        self.walk()
        read = self.escapes.octets(self.at) if self.escapes else {-(-self.at // _OCTET)}
        if not ignore_tail and read.isdisjoint(sent.octets_sent):
            raise WayRefused
        self._judge_passed()

    def sent_as(self, place: Place) -> Place:
        """Return what the sender calls the place of a field."""
        return self._same.sent_as(place)

    def presence(self, names: list[Place], width: int) -> list[bool]:
        """Follow the presence bits."""
        there = [bool(bit) for bit in self._known(len(names))]
        self.gap(width - len(names))  # nobody looks at what fills up
        for name, is_there in zip(names, there, strict=True):
            self.is_wrong |= (self._same.sent_as(name) in self._sent.there) is not is_there
        return there

    def count(self, field: Counted, place: Place, width: int) -> int:
        """Follow the count."""
        count = field.least + self._code(self._known(width))
        if count > field.most:
            raise WayRefused
        if self._sent.counts.get(self._same.sent_as(place)) != count:
            self.is_wrong = True
        return count

    def tag(self, field: Enumeration, place: Place) -> str:
        """Follow the tag."""
        codec = codec_of(field, self.order)
        assert codec is not None
        at = self.at
        name = decoded(codec, self._code(self._known(codec.width)))
        if name is NOTHING:
            raise WayRefused
        self._passed.append((PlacedPiece(field, at, codec.width), place))
        return str(name)

    def escaped(self, _field: Series, bits: int, _place: Place) -> bool:
        """Follow the bits of a difference, both ways where they may be an escape."""
        escape, start = self._bits_of(1 << bits - 1, bits), self.at
        there = self._bits[start : start + bits]
        if any(bit not in {None, one} for bit, one in zip(there, escape, strict=False)):
            return False
        self.gap(bits)
        if None in there:
            self._judge_passed()
            if not self.ways.choose(2):
                self.at = start
                return False
            self._bits[start : self.at] = escape
        return True

    def has_escapes(self, _field: Series, _bits: int) -> bool:
        """Follow both ways."""
        self._judge_passed()
        has_escapes = bool(self.ways.choose(2))
        if has_escapes:
            self._forget(self.at, len(self._bits) // _OCTET)
        return has_escapes

    def _forget(self, start: int, octets: int) -> None:
        """Take nothing for certain from a bit on, of so many octets; what is read there may be wrong."""
        self._bits[start:] = [None] * (_OCTET * octets - start)
        self.is_wrong = True

    def piece(self, piece: PlacedPiece, place: Place) -> None:
        """Pass what is read."""
        self.gap(piece.width)
        self._passed.append((piece, place))

    def gap(self, bits: int) -> None:
        """Pass bits, whatever they are."""
        if self.at + bits > len(self._bits):
            raise WayRefused
        self.ways.worked(bits // _OCTET)
        self.at += bits

    def _judge_passed(self) -> None:
        for piece, place in self._passed:
            self._judge(piece, place)
        self._passed.clear()

    def _judge(self, piece: PlacedPiece, place: Place) -> None:
        bits = self._sent.bits[piece.at : piece.at + piece.width]
        there = self._sent.pieces.get(self._same.sent_as(place))
        read = self._bits[piece.at : piece.at + piece.width]
        is_same = there is not None and self._same.is_same(piece, there, bits)
        # what is the same may be so as it is refused: where all of its bits are certain that is known at once
        if (not is_same or None not in read) and self._is_nothing(piece.field, read):
            raise WayRefused
        if is_same:
            return
        self.is_wrong = True

    def _is_nothing(self, field: Field, bits: Sequence[int | None]) -> bool:
        """Return whether no code that these bits may be stands for a value."""
        codec = codec_of(field, self.order)
        if codec is None or bits.count(None) > _OCTET:
            return False
        self.ways.worked(len(bits) << bits.count(None))
        choices = [(0, 1) if bit is None else (bit,) for bit in bits]
        return all(decoded(codec, self._code(made)) is NOTHING for made in product(*choices))

    def _known(self, width: int) -> list[int]:
        """Return the next bits; those that are not certain are followed both ways."""
        start = self.at
        self.gap(width)
        made = []
        for place in range(start, self.at):
            bit = self._bits[place]
            if bit is None:
                self._judge_passed()
                self.ways.worked()
                bit = self._bits[place] = self.ways.choose(2)
            made.append(bit)
        return made

    def _code(self, bits: Sequence[int]) -> int:
        weights = (
            _weight(index, len(bits), is_msb_first=self.order.msb_first)
            for index in range(len(bits))
        )
        return sum(bit << weight for bit, weight in zip(bits, weights, strict=True))


def _weight(place: int, width: int, *, is_msb_first: bool) -> int:
    return width - 1 - place if is_msb_first else place
