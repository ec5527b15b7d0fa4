"""Fragments and answers that a sender sent and the capture missed: its frame numbers have a hole where they belong."""

from collections.abc import Iterable
from enum import Enum
from itertools import pairwise
from math import inf
from typing import NamedTuple

from lowpanbudget.findings.senders import HeardSender, Hole
from lowpanbudget.stack.pieces import FragmentedDatagram, SentFragment, gaps

_NEAR_DUE = (
    0.25  # of an interval: so near to when it was due a frame unheard may be a message; our choice
)

# two slotframes of 101 slots (RFC 9033 section 14) of up to 15 ms: a node with one cell sends one fragment in each, in
# turn with those of another datagram; our choice
_IN_TURN_S = 3.1
_MOST_DUE = 64  # messages whose places are looked for
_ROUND = 128  # frames that a sender may send at its mean rate, of 256 numbers: half of them may be heard; our choice


class Unheard(Enum):
    """How much of what is missing of a datagram the capture may have missed."""

    NOTHING = "the numbers leave no place for some of it"
    OPEN = "its sender has sent nothing since, and only the next number tells"
    ALL = "the numbers leave place for all of it"


def what_was_missed(datagram: FragmentedDatagram, by: HeardSender | None) -> Unheard:
    """Return whether the frame numbers of its sender leave place for what is missing of a datagram.

    A fragment in the middle was sent between its neighbours, the first and the last ones in one go with the others: as
    near to them as these are to each other, be it that fragments of another datagram were sent between.
    """
    if by is None or not datagram.fragments:
        return Unheard.NOTHING
    parts, holes = datagram.fragments, by.holes or ()
    apart_s = max(_IN_TURN_S, *(b.time_s - a.time_s for a, b in pairwise(parts)), 0.0)
    ranges = [(part.start, part.end) for part in parts]
    for start, end in gaps(ranges, datagram.size):
        if not start and end < datagram.size and datagram.begins_unread:
            continue  # nobody can tell how far the first goes
        before = max((part for part in parts if part.end <= start), key=_end, default=None)
        behind = min((part for part in parts if part.start >= end), key=_start, default=None)
        is_earlier = behind is not None and before is None and _is_first(behind, by)
        if is_earlier or _has_hole(holes, before, behind, apart_s):
            continue
        is_last = before is not None and behind is None and by.sent <= before.mark.number
        return Unheard.OPEN if is_last else Unheard.NOTHING
    return Unheard.ALL


def _is_first(part: SentFragment, by: HeardSender) -> bool:
    """Return whether it was the first that was heard of its sender: what came before nobody knows."""
    return part.mark.number in by.first[:1]


def _has_hole(
    holes: Iterable[Hole], before: SentFragment | None, behind: SentFragment | None, apart_s: float
) -> bool:
    """Return whether numbers are missing between two fragments, or beside one of them."""
    for hole in holes:
        if before is not None and hole.before < before.mark.number:
            continue
        if behind is not None and hole.after > behind.mark.number:
            continue
        if before is None and behind is not None and behind.time_s - hole.after_s > apart_s:
            continue
        if behind is None and before is not None and hole.before_s - before.time_s > apart_s:
            continue
        return True
    return False


def _start(part: SentFragment) -> int:
    return part.start


def _end(part: SentFragment) -> int:
    return part.end


def answer_may_be_unheard(
    number: int, time_s: float, wait_s: float, by: HeardSender | None
) -> bool:
    """Return whether the numbers of a sender leave place for an answer to a frame, in so many seconds."""
    if by is None or by.counted is None or by.sent < number or by.jumped > number:
        return True
    holes = by.holes
    if not holes:
        return False
    forgotten = len(holes) == holes.maxlen and holes[0].after > number
    return forgotten or any(
        hole.after > number and hole.before_s < time_s + wait_s for hole in holes
    )


def may_have_sent(by: HeardSender, due_s: float, every_s: float) -> bool:
    """Return whether the numbers of a sender leave place for what it sends each ``every_s``, near to one due time."""
    return _is_forgotten(by, due_s) or any(_reaches(one, due_s, every_s) for one in by.holes or ())


def surely_unsent(by: HeardSender, since_s: float, until_s: float, every_s: float) -> int:
    """Return how many of those due behind a time, of many of some, have no place in the numbers of their sender.

    A number that is missing is that of one frame, and makes place for one message at most.
    """
    lasts_s = until_s - since_s
    count = (
        int(lasts_s / every_s) if every_s > 0 and lasts_s > 0 else 0
    )  # not of times that are no numbers
    dues = (since_s + every_s * n for n in range(1, count + 1, count // _MOST_DUE + 1))
    room = [(one, _most_in(one, by)) for one in by.holes or ()]
    unsent = 0
    for due in dues:
        for place, (one, most) in enumerate(room):
            if most and _reaches(one, due, every_s):
                room[place] = one, most - 1
                break
        else:
            unsent += not _is_forgotten(by, due)
    return unsent


def _is_forgotten(by: HeardSender, due_s: float) -> bool:
    """Return whether nobody knows any more which numbers were missing then."""
    holes = by.holes
    return holes is not None and len(holes) == holes.maxlen and holes[0].before_s > due_s


def _reaches(one: Hole, due_s: float, every_s: float) -> bool:
    near_s = _NEAR_DUE * every_s
    return one.before_s - near_s <= due_s <= one.after_s + near_s


def _most_in(hole: Hole, by: HeardSender) -> float:
    """Return how many frames at most came by unheard in a hole: any, where the 8 bits of the number may go round."""
    seconds = hole.after_s - hole.before_s
    return inf if seconds * by.frames > _ROUND * by.gaps_s else hole.missing


class Solicited(NamedTuple):
    """A frame that asks, when, and how many could not be read before it."""

    number: int
    time_s: float
    unread: int

    def may_be_answered(self, wait_s: float, by: Iterable[HeardSender | None]) -> bool:
        """Return whether one of those who would answer, or bring the answer, may have done so unheard."""
        return any(answer_may_be_unheard(self.number, self.time_s, wait_s, one) for one in by)
