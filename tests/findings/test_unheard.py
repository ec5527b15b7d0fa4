"""What a capture may have missed, by the numbers of a sender's frames: each number that is missing is one frame."""

from collections import deque
from math import inf, nan
from types import SimpleNamespace
from typing import Any

import pytest

from lowpanbudget.findings.senders import HeardSender, Hole
from lowpanbudget.findings.unheard import (
    Solicited,
    Unheard,
    answer_may_be_unheard,
    may_have_sent,
    surely_unsent,
    what_was_missed,
)
from lowpanbudget.stack.fragment_key import FragmentKey
from lowpanbudget.stack.pieces import FragmentedDatagram, SentFragment

SIZE = 96  # octets of a datagram in four fragments of 24


def part(number: int, start: int, time_s: float, *, unread: bool = False) -> SentFragment:
    """A fragment of 24 octets in frame ``number``; a first one unread goes nobody knows how far."""
    end = 0 if unread else start + 24
    return SentFragment(start, end, time_s, not start, SimpleNamespace(number=number))


def sender(
    *holes: Hole, sent: int = 99, first: int = 1, most: int = 8, **known: Any
) -> HeardSender:
    found = HeardSender(sent=sent, counted=7, holes=deque(holes, most) if holes else None, **known)
    found.first.note(first)
    return found


def missed(parts: list[SentFragment], by: HeardSender | None) -> Unheard:
    return what_was_missed(FragmentedDatagram(FragmentKey(None, None, SIZE, 7), parts), by)


FIRST, SECOND, THIRD, LAST = (part(10 + n, 24 * n, 1.0 + n / 10) for n in range(4))


@pytest.mark.parametrize(
    ("parts", "holes", "told"),
    [
        ([FIRST, SECOND, THIRD, LAST], [], Unheard.ALL),
        # in the middle: between its neighbours alone
        ([FIRST, THIRD, LAST], [Hole(10, 1.0, 12, 1.2)], Unheard.ALL),
        ([FIRST, THIRD, LAST], [], Unheard.NOTHING),
        ([FIRST, THIRD, LAST], [Hole(9, 0.9, 12, 1.2)], Unheard.NOTHING),
        ([FIRST, THIRD, LAST], [Hole(10, 1.0, 13, 1.3)], Unheard.NOTHING),
        ([FIRST, THIRD, LAST], [Hole(2, 0.1, 4, 0.2), Hole(10, 1.0, 12, 1.2)], Unheard.ALL),
        # each place that is missing wants a hole of its own
        ([FIRST, THIRD], [Hole(10, 1.0, 12, 1.2)], Unheard.NOTHING),
        ([FIRST, THIRD], [Hole(10, 1.0, 12, 1.2), Hole(12, 1.2, 14, 1.4)], Unheard.ALL),
        # before the others, or behind: in turn with those of another datagram, 3.1 s at most (our choice)
        ([SECOND, THIRD, LAST], [Hole(5, 0.5, 11, 1.1)], Unheard.ALL),
        ([SECOND, THIRD, LAST], [Hole(5, -9.0, 7, -2.0)], Unheard.ALL),
        ([SECOND, THIRD, LAST], [Hole(5, -9.0, 7, -2.01)], Unheard.NOTHING),
        ([SECOND, THIRD, LAST], [Hole(5, 0.5, 12, 1.2)], Unheard.NOTHING),
        ([SECOND, THIRD, LAST], [Hole(2, -9.0, 3, -5.0), Hole(5, 0.5, 11, 1.1)], Unheard.ALL),
        ([FIRST, SECOND, THIRD], [Hole(12, 1.2, 20, 2.0)], Unheard.ALL),
        ([FIRST, SECOND, THIRD], [Hole(15, 4.3, 20, 9.0)], Unheard.ALL),
        ([FIRST, SECOND, THIRD], [Hole(15, 4.31, 20, 9.0)], Unheard.NOTHING),
        ([FIRST, SECOND, THIRD], [Hole(11, 1.1, 20, 9.0)], Unheard.NOTHING),
    ],
)
def test_what_is_missing_wants_a_hole(
    parts: list[SentFragment], holes: list[Hole], told: Unheard
) -> None:
    assert missed(parts, sender(*holes)) is told


def test_fragments_far_apart_leave_more_time() -> None:
    """As near as they are to each other: 10 s here."""
    parts = [part(10, 0, 0.0), part(12, 24, 10.0), part(14, 48, 11.0)]
    assert missed(parts, sender(Hole(20, 21.0, 22, 30.0))) is Unheard.ALL
    assert missed(parts, sender(Hole(20, 21.1, 22, 30.0))) is Unheard.NOTHING


def test_nobody_knows_what_a_sender_sent_before_it_was_heard() -> None:
    assert missed([SECOND, THIRD, LAST], sender(first=11)) is Unheard.ALL
    assert missed([SECOND, THIRD, LAST], sender(first=10)) is Unheard.NOTHING
    known = sender(first=10)
    known.first.note(11)
    assert missed([SECOND, THIRD, LAST], known) is Unheard.NOTHING
    # but for what is missing behind that
    assert missed([SECOND, LAST], sender(first=11)) is Unheard.NOTHING


def test_only_the_next_number_tells_of_the_last_one() -> None:
    assert missed([FIRST, SECOND, THIRD], sender(sent=12)) is Unheard.OPEN
    assert missed([FIRST, SECOND, THIRD], sender(sent=13)) is Unheard.NOTHING
    assert missed([FIRST, LAST], sender(sent=13)) is Unheard.NOTHING, "it is not the last"


def test_a_first_one_unread_goes_nobody_knows_how_far() -> None:
    unread = part(10, 0, 1.0, unread=True)
    assert missed([unread, THIRD, LAST], sender()) is Unheard.ALL
    assert missed([unread, THIRD], sender()) is Unheard.NOTHING
    # of the datagram nothing else came: all of it but the first may be missing
    assert missed([unread], sender(sent=10)) is Unheard.OPEN


def test_of_nobody_nothing_is_known() -> None:
    assert missed([FIRST, LAST], None) is Unheard.NOTHING
    assert missed([], sender()) is Unheard.NOTHING


@pytest.mark.parametrize(
    ("by", "may_be"),
    [
        (None, True),
        (sender(), False),
        (HeardSender(sent=99), True),  # its frames have no numbers
        (sender(sent=19), True),  # it sent nothing since
        (sender(sent=20), False),
        (sender(jumped=21), True),  # its numbers began anew
        (sender(jumped=20), False),
        (sender(Hole(18, 9.0, 21, 11.0)), True),
        (sender(Hole(18, 9.0, 20, 10.0)), False),
        (sender(Hole(22, 11.9, 25, 20.0)), True),
        (sender(Hole(22, 12.0, 25, 20.0)), False),
        # the holes before these are forgotten
        (sender(Hole(22, 12.0, 25, 20.0), most=1), True),
        (sender(Hole(2, 1.0, 5, 2.0), most=1), False),
    ],
)
def test_an_answer_wants_a_hole_in_its_time(by: HeardSender | None, *, may_be: bool) -> None:
    """To frame 20, which came at 10 s, in 2 s."""
    assert answer_may_be_unheard(20, 10.0, 2.0, by) is may_be
    assert Solicited(20, 10.0, 0).may_be_answered(2.0, [sender(), by]) is may_be


@pytest.mark.parametrize(
    ("holes", "most", "may"),
    [
        ([], 8, False),
        ([Hole(1, 98.0, 3, 102.0)], 8, True),
        # a quarter of the interval, 10 s, is near (our choice)
        ([Hole(1, 110.0, 3, 120.0)], 8, True),
        ([Hole(1, 110.1, 3, 120.0)], 8, False),
        ([Hole(1, 80.0, 3, 90.0)], 8, True),
        ([Hole(1, 80.0, 3, 89.9)], 8, False),
        # those before the first that is known are forgotten
        ([Hole(1, 200.0, 3, 201.0)], 1, True),
        ([Hole(1, 50.0, 3, 51.0)], 1, False),
    ],
)
def test_what_was_due_wants_a_hole_near_to_then(holes: list[Hole], most: int, *, may: bool) -> None:
    by = HeardSender(holes=deque(holes, most))
    assert may_have_sent(by, 100.0, 40.0) is may
    assert may_have_sent(HeardSender(), 100.0, 40.0) is False


@pytest.mark.parametrize(
    ("holes", "unsent"),
    [
        ([], 5),
        ([Hole(1, 9.0, 3, 12.0)], 4),
        # a hole of one number over three of them has place for one
        ([Hole(1, 9.0, 3, 33.0)], 4),
        ([Hole(1, 9.0, 3, 33.0, 2)], 3),
        ([Hole(1, 9.0, 3, 33.0, 9)], 2),
        ([Hole(1, 9.0, 3, 12.0), Hole(5, 9.0, 7, 22.0)], 3),
        ([Hole(1, 54.0, 3, 60.0)], 5),
    ],
)
def test_how_many_that_were_due_have_no_place(holes: list[Hole], unsent: int) -> None:
    """Each 10 s behind a time, up to 50 s behind it: five."""
    begin_s = 1000.0
    later = (
        one._replace(before_s=one.before_s + begin_s, after_s=one.after_s + begin_s)
        for one in holes
    )
    by = HeardSender(frames=2, gaps_s=100.0, holes=deque(later, 8))
    assert surely_unsent(by, begin_s, begin_s + 50.0, 10.0) == unsent
    assert surely_unsent(by, begin_s, begin_s + 59.9, 10.0) == unsent
    assert surely_unsent(by, begin_s, begin_s + 50.0, 0.0) == 0


def test_numbers_that_may_have_gone_round_leave_place_for_any() -> None:
    """A frame a second: in 129 s half of the 256 numbers or more may be of frames that were heard."""
    for seconds, unsent in ((128.0, 11), (129.0, 0)):
        hole = Hole(1, 700.0, 3, 700.0 + seconds)
        by = HeardSender(frames=50, gaps_s=50.0, holes=deque([hole], 8))
        assert surely_unsent(by, 700.0, 820.0, 10.0) == unsent


def test_holes_that_are_forgotten_prove_nothing() -> None:
    by = HeardSender(frames=2, gaps_s=inf, holes=deque([Hole(1, 35.0, 3, 36.0)], 1))
    # 10, 20 and 30 s are before the first that is known
    assert surely_unsent(by, 0.0, 50.0, 10.0) == 2


def test_of_times_that_are_unknown_nothing_is_surely_unsent() -> None:
    """A capture without times has none that is a number."""
    assert surely_unsent(HeardSender(), nan, 50.0, 10.0) == 0
    assert surely_unsent(HeardSender(), 0.0, nan, 10.0) == 0
    assert surely_unsent(HeardSender(), 0.0, 50.0, nan) == 0


def test_of_many_some_are_looked_at() -> None:
    """130 of them: each third, 44 in all, which is less than 64 (our choice)."""
    assert surely_unsent(HeardSender(), 0.0, 1300.0, 10.0) == 44
    assert surely_unsent(HeardSender(), 0.0, 630.0, 10.0) == 63
