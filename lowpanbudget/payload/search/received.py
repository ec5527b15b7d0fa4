"""What a receiver makes of a layout that is sent.

The bits of the layout that are certain decide how the receiver goes on; where it asks for one that is not, it is
followed both ways, and knows it from there on.
"""

from collections.abc import Sequence
from itertools import product

from lowpanbudget.payload.kinds.differences import zigzag_of
from lowpanbudget.payload.kinds.enumeration import Enumeration
from lowpanbudget.payload.kinds.field import Field
from lowpanbudget.payload.kinds.lengths import Counted
from lowpanbudget.payload.kinds.series import Series
from lowpanbudget.payload.search.codes import NOTHING, codec_of, decoded
from lowpanbudget.payload.search.extents import Extents, Place
from lowpanbudget.payload.search.layouts import FieldWalk, PlacedPiece, Stretch
from lowpanbudget.payload.search.same import SameValues, code_of
from lowpanbudget.payload.search.sent import SentLayout
from lowpanbudget.payload.search.ways import WayRefused, Ways

_OCTET = 8
_FEW = 2  # bits whose codes are all looked at, where much is drawn


class ReceivedLayout(FieldWalk):
    """What a receiver makes of a layout; ``is_wrong``: something is read that was not sent so.

    Most are refused for their length alone: so what stands in the fields is judged last, and before a way parts.
    """

    def __init__(
        self,
        receiver: Stretch,
        ways: Ways,
        sent: SentLayout,
        same: SameValues,
        *,
        ignore_tail: bool,
    ) -> None:
        super().__init__(receiver, ways)
        self.is_wrong = False
        self._sent, self._same = sent, same
        self.bits = list(sent.bits)
        self._passed: list[tuple[PlacedPiece, Place]] = []
        ways.worked(len(self.bits) // _OCTET)
        read = self.walk()
        if min(read) > max(sent.octets_sent) or not (ignore_tail or read & sent.octets_sent):
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
            is_sent = self._same.sent_as(name) in self._sent.there
            is_unknown = self._sent.beyond is not None and len(name) > 1 and not is_sent
            self.is_wrong |= is_unknown or is_sent is not is_there
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
        there = self.bits[start : start + bits]
        if any(bit not in {None, one} for bit, one in zip(there, escape, strict=False)):
            return False
        self.gap(bits)
        if None in there:
            self._judge_passed()
            if not self.ways.choose(2):
                self.at = start
                return False
            self.bits[start : self.at] = escape
        return True

    def has_escapes(self, _field: Series, _bits: int) -> bool:
        """Follow both ways."""
        self._judge_passed()
        return bool(self.ways.choose(2))

    def groups(self, field: Series) -> bool:
        """Follow the bits that say whether more follow; where one is not certain nothing is known."""
        zigzag, start = zigzag_of(field), self.at
        if zigzag.bits > _OCTET and self.order.mixed:
            return False
        for _ in range(zigzag.groups):
            self.gap(zigzag.bits)
            at = self.at - zigzag.bits if self.order.msb_first else self.at - 1
            if self.bits[at] is None and not self.ways.is_drawn:
                self.at = start
                return False
            (more,) = self._followed(at, at + 1)
            if not more:
                self.is_wrong = True  # a sample of its own is no piece
                return True
        raise WayRefused

    def is_beyond(self) -> bool:
        """Return whether it is not known where the next field begins, nor what stands there."""
        if self.beyond is None and self._sent.beyond and self.at >= self._sent.known_to:
            self.go_beyond()
        return super().is_beyond()

    def go_beyond(self) -> Extents:
        """Look only at places from here on; what is read there may be wrong."""
        self._judge_passed()
        self.is_wrong = True
        return super().go_beyond()

    def piece(self, piece: PlacedPiece, place: Place) -> None:
        """Pass what is read."""
        self.gap(piece.width)
        self._passed.append((piece, place))
        codec = None if piece.field.needs_value else codec_of(piece.field, self.order)
        if codec:  # it refuses all but this code
            for at, bit in enumerate(self._bits_of(codec.encode(None), piece.width), piece.at):
                if self.bits[at] not in {None, bit}:
                    raise WayRefused
                self.bits[at] = bit

    def gap(self, bits: int) -> None:
        """Pass bits, whatever they are."""
        if self.at + bits > len(self.bits):
            raise WayRefused
        self.ways.worked(bits // _OCTET)
        self.at += bits

    def _judge_passed(self) -> None:
        for piece, place in self._passed:
            self._judge(piece, place)
        self._passed.clear()

    def _judge(self, piece: PlacedPiece, place: Place) -> None:
        there = self._sent.pieces.get(self._same.sent_as(place))
        read = self.bits[piece.at : piece.at + piece.width]
        is_same = there is not None and (
            self._same.is_same(piece, there, self._sent.bits)
            or self._same.is_same(piece, there, self.bits)
        )
        # what is the same may be so as it is refused: where all of its bits are certain that is known at once
        if (not is_same or None not in read) and self._is_nothing(piece.field, read):
            raise WayRefused
        if is_same:
            return
        self.is_wrong = True

    def _is_nothing(self, field: Field, bits: Sequence[int | None]) -> bool:
        """Return whether no code that these bits may be stands for a value."""
        codec = codec_of(field, self.order)
        if codec is None or bits.count(None) > (_FEW if self.ways.is_drawn else _OCTET):
            return False
        self.ways.worked(len(bits) << bits.count(None))
        choices = [(0, 1) if bit is None else (bit,) for bit in bits]
        return all(decoded(codec, self._code(made)) is NOTHING for made in product(*choices))

    def _known(self, width: int) -> list[int]:
        """Return the next bits; those that are not certain are followed both ways."""
        self.gap(width)
        return self._followed(self.at - width, self.at)

    def _followed(self, start: int, end: int) -> list[int]:
        """Return bits; those that are not certain are followed both ways."""
        made = []
        for place in range(start, end):
            bit = self.bits[place]
            if bit is None:
                self._judge_passed()
                self.ways.worked()
                bit = self.bits[place] = self.ways.choose(2)
            made.append(bit)
        return made

    def _code(self, bits: Sequence[int]) -> int:
        return code_of(bits, is_msb_first=self.order.msb_first)
