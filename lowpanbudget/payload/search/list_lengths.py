"""Formats of which one list alone has other lengths, with a number as wide: the receiver reads more of it, or fewer.

Up to the end of the shorter one both read alike, wherever that is; behind it sizes may prove that all is refused.
"""

import dataclasses
from typing import Any

from lowpanbudget.payload.codec.order import Order
from lowpanbudget.payload.kinds.field import Field
from lowpanbudget.payload.kinds.lengths import Counted
from lowpanbudget.payload.kinds.reserved import ReservedBits
from lowpanbudget.payload.kinds.series import Series
from lowpanbudget.payload.message import Message
from lowpanbudget.payload.search.edits import bare
from lowpanbudget.payload.search.extents import Extents, presence_width
from lowpanbudget.payload.search.ways import NotFollowed, Ways

_LENGTHS = ("length", "min_length", "max_length")


def are_lengths_refused(receiver: Message, sender: Message, *, ignore_tail: bool) -> bool | None:
    """Return whether all messages are refused, or all but those without the list; None where that is not proven."""
    ours, theirs, order = receiver.fields, sender.fields, sender.order
    if receiver.order != order or len(ours) != len(theirs):
        return None
    pairs = enumerate(zip(ours, theirs, strict=True))
    places = [at for at, (one, other) in pairs if bare(one) != bare(other)]
    if len(places) != 1 or any(field.at is not None for field in ours):
        return None
    lists = [one[places[0]] for one in (ours, theirs)]
    counted = [one for one in lists if isinstance(one, Counted)]
    if len(counted) < len(lists):
        return None
    field, other = counted
    lengths = {key: getattr(field, key) for key in _LENGTHS}
    if field.least == other.least or bare(dataclasses.replace(other, **lengths)) != bare(field):
        return None
    bits = order.rounded(other.number_bits())
    if bits != order.rounded(field.number_bits()):
        return None
    front, rest = theirs[: places[0]], theirs[places[0] + 1 :]
    # the number in front of the list, which both read alike
    numbered = (*front, *([ReservedBits("", bits=bits)] if bits else ()))
    apart = _Lists(order, presence_width(theirs, order), numbered, rest, ignore_tail=ignore_tail)
    codes = range(min(one.most - one.least for one in (field, other)) + 1)
    try:
        refused = all(
            apart.are_refused(other, field.least + code, other.least + code) for code in codes
        )
    except NotFollowed:
        return None
    return not other.optional if refused else None


class _Lists:
    """A list between what stands before it and behind it."""

    def __init__(
        self,
        order: Order,
        lead: int,
        front: tuple[Field, ...],
        rest: tuple[Field, ...],
        *,
        ignore_tail: bool,
    ) -> None:
        self._order, self._lead = order, lead
        self._front, self._rest = front, rest
        self._ignore_tail = ignore_tail
        self._worked = Ways().worked

    def are_refused(self, field: Counted, read: int, sent: int) -> bool:
        """Return whether messages with so many elements are refused by a receiver that reads so many."""
        alike = min(read, sent)
        before = Extents(self._order, 1, folded=True, worked=self._worked)
        before.group((*self._front, *_first(field, alike)), (), {}, self._lead)
        return all(
            self._is_refused(*(self._sizes(field, alike, count, start) for count in (read, sent)))
            for start in before.ends()
        )

    def _is_refused(self, read: set[int], sent: set[int]) -> bool:
        return min(read) > max(sent) or not (self._ignore_tail or read & sent)

    def _sizes(self, field: Counted, alike: int, count: int, start: int) -> set[int]:
        """Return how many octets may be begun behind the elements that are read alike."""
        extents = Extents(self._order, 1 << start, worked=self._worked)
        if isinstance(field, Series) and alike:
            extents.differences(field, count - alike)
        else:
            extents.group(_first(field, count - alike), (), {}, 0)
        extents.group(self._rest, (), {}, 0)
        return extents.sizes()


def _first(field: Counted, count: int) -> tuple[Field, ...]:
    """Return so many elements of a list as one of that length."""
    if not count:
        return ()
    fixed: dict[str, Any] = {
        "length": count,
        "min_length": 0,
        "max_length": None,
        field.counted_by: None,
    }
    return (dataclasses.replace(field, optional=False, **fixed),)
