"""Messages that are refused for their size: behind what both formats read alike they never end in the same octet.

That is fields at the front, with the tag of an option, and of a list of other lengths, with a number as wide, the
elements that both have. Wherever they end, all sizes of what follows are looked at: of differences of any length
nothing else is known.
"""

import dataclasses
from collections.abc import Callable
from itertools import takewhile
from typing import Any

from lowpanbudget.payload.kinds.field import Field
from lowpanbudget.payload.kinds.lengths import Counted
from lowpanbudget.payload.kinds.reserved import ReservedBits
from lowpanbudget.payload.kinds.series import Series
from lowpanbudget.payload.message import Message
from lowpanbudget.payload.search.edits import bare
from lowpanbudget.payload.search.extents import Extents, presence_width
from lowpanbudget.payload.search.ways import NotFollowed, Ways

_LENGTHS = ("length", "min_length", "max_length")

Fields = tuple[Field, ...]
Tail = Callable[[Extents], None]  # passes what is behind


def are_refused_by_size(receiver: Message, sender: Message, *, ignore_tail: bool) -> bool | None:
    """Return whether all messages are refused, or all but those read right; None where that is not proven.

    Those are without the list that differs, or have other options of a union than those that differ.
    """
    ends = receiver, sender
    is_led_alike = len({presence_width(one.fields, one.order) for one in ends}) == 1
    is_placed = any(field.at is not None for one in ends for field in one.fields)
    if receiver.order != sender.order or not is_led_alike or is_placed:
        return None
    pairs = zip(receiver.fields, sender.fields, strict=False)
    count = len([*takewhile(lambda pair: bare(pair[0]) == bare(pair[1]), pairs)])
    front = _Front(sender, count, ignore_tail=ignore_tail)
    ours, theirs = (one.fields[count:] for one in ends)
    try:
        if front.are_refused((), _fields(ours), _fields(theirs)):
            return True
        lists = [one for one in (*ours[:1], *theirs[:1]) if isinstance(one, Counted)]
        is_rest_alike = [*map(bare, ours[1:])] == [*map(bare, theirs[1:])]
        if len(lists) == 2 and is_rest_alike and front.are_lists_refused(lists, theirs[1:]):
            return not lists[1].optional
        if ours and theirs and is_rest_alike:
            return front.are_options_refused(ours[0], theirs[0], theirs[1:])
    except NotFollowed:
        pass
    return None


class _Front:
    """So many fields at the front of a message, which receiver and sender have alike."""

    def __init__(self, sender: Message, count: int, *, ignore_tail: bool) -> None:
        self._order = sender.order
        self._lead = presence_width(sender.fields, sender.order)
        self._fields = sender.fields[:count]
        self._ignore_tail = ignore_tail
        self._worked = Ways().worked

    def are_refused(self, alike: Fields, read: Tail, sent: Tail) -> bool:
        """Return whether all is refused, wherever it is that these fields end, which are read alike as well."""
        before = Extents(self._order, 1, folded=True, worked=self._worked)
        before.group((*self._fields, *alike), (), {}, self._lead)
        return all(
            self._are_apart(self._sizes(read, start), self._sizes(sent, start))
            for start in before.ends()
        )

    def are_lists_refused(self, lists: list[Counted], rest: Fields) -> bool:
        """Return whether lists are refused that differ in their lengths alone, before the same rest."""
        ours, theirs = lists
        lengths = {key: getattr(ours, key) for key in _LENGTHS}
        bits, wanted = (self._order.rounded(one.number_bits()) for one in (theirs, ours))
        if bits != wanted or bare(dataclasses.replace(theirs, **lengths)) != bare(ours):
            return False
        number = (ReservedBits("", bits=bits),) if bits else ()
        for code in range(min(one.most - one.least for one in lists) + 1):
            counts = [one.least + code for one in lists]
            alike = min(counts)
            tails = (_elements(theirs, alike, count, rest) for count in counts)
            if not self.are_refused((*number, *_fixed(theirs, alike)), *tails):
                return False
        return True

    def are_options_refused(self, ours: Field, theirs: Field, rest: Fields) -> bool | None:
        """Return whether all is refused of unions that differ inside options, or all of these; None: not proven.

        The tag before them, which both have alike, tells the options apart.
        """
        pairs = [*zip(ours.bodies(), theirs.bodies(), strict=False)]
        steps = [[body.steps for body in one.bodies()] for one in (ours, theirs)]
        is_union = bool(pairs and theirs.reference()) and steps[0] == steps[1]
        if not is_union or bare(ours.with_bodies(tuple(body.fields for _, body in pairs))) != bare(
            theirs
        ):
            return None
        others = [
            (one.fields, other.fields)
            for one, other in pairs
            if [*map(bare, one.fields)] != [*map(bare, other.fields)]
        ]
        if not all(self.are_refused((), *(_option(one, rest) for one in pair)) for pair in others):
            return None
        return len(others) == len(pairs) and not theirs.optional

    def _are_apart(self, read: set[int], sent: set[int]) -> bool:
        return min(read) > max(sent) or not (self._ignore_tail or read & sent)

    def _sizes(self, tail: Tail, start: int) -> set[int]:
        extents = Extents(self._order, 1 << start, worked=self._worked)
        tail(extents)
        return extents.sizes()


def _fields(fields: Fields) -> Tail:
    """Return what passes fields whose presence bits stand further in front."""
    return lambda extents: extents.group(fields, (), {}, 0)


def _option(fields: Fields, rest: Fields) -> Tail:
    """Return what passes a group, with its presence bits, and the rest."""

    def passed(extents: Extents) -> None:
        extents.group(fields, (), {})
        extents.group(rest, (), {}, 0)

    return passed


def _elements(field: Counted, first: int, count: int, rest: Fields) -> Tail:
    """Return what passes the elements of a list of so many from one on, and the rest."""

    def passed(extents: Extents) -> None:
        if isinstance(field, Series) and first:
            extents.differences(field, count - first)
        else:
            extents.group(_fixed(field, count - first), (), {}, 0)
        extents.group(rest, (), {}, 0)

    return passed


def _fixed(field: Counted, count: int) -> Fields:
    """Return so many elements of a list as one of that length."""
    changes: dict[str, Any] = {"length": count, "min_length": 0, "max_length": None}
    changes[field.counted_by] = None
    return (dataclasses.replace(field, optional=False, **changes),) if count else ()
