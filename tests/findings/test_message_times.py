"""The times between the messages of a source: which of them surely hold no other, and what is kept of many."""

from collections import deque
from types import SimpleNamespace
from typing import Any

import pytest

from lowpanbudget.findings.captures import messages
from lowpanbudget.findings.captures.messages import _MOST_GAPS, _Times
from lowpanbudget.findings.senders import HeardSender, Hole

EVERY_S, BEGIN_S = 60.0, 1000.0


@pytest.fixture(autouse=True)
def _of_its_sender(monkeypatch: pytest.MonkeyPatch) -> None:
    """The node that sends a frame is the one whose message it is."""
    monkeypatch.setattr(messages, "origin_of", lambda *_: None)


def times() -> _Times:
    """A flow each 60 s whose last message came at 1000 s in frame 9; it began at 500 s."""
    flow: Any = None
    return _Times(flow, EVERY_S, 500.0, BEGIN_S, 9, b"\0\1", 7)


def heard(time_s: float, by: HeardSender | None, *, number: int = 10) -> Any:
    return SimpleNamespace(time_s=time_s, number=number, by=by)


DATAGRAM: Any = SimpleNamespace(header=None, link_source=b"\0\1", mark=8)
IN_BETWEEN = Hole(9, BEGIN_S, 11, BEGIN_S + 125.0)


@pytest.mark.parametrize(
    ("seconds", "by", "is_sure"),
    [
        (60.0, HeardSender(), True),
        # twice the interval, but for a tenth (our choice), may hold another: its number must be missing
        (107.0, HeardSender(holes=deque([IN_BETWEEN])), True),
        (109.0, HeardSender(holes=deque([IN_BETWEEN])), False),
        (120.0, HeardSender(holes=deque([IN_BETWEEN])), False),
        (120.0, HeardSender(), True),
        # each of two that were due wants a place
        (180.0, HeardSender(holes=deque([IN_BETWEEN])), False),
        (180.0, HeardSender(holes=deque([IN_BETWEEN._replace(after_s=BEGIN_S + 90.0)])), True),
        (180.0, HeardSender(), True),
        # its numbers began anew meanwhile, and tell nothing
        (120.0, HeardSender(jumped=10), False),
        (120.0, HeardSender(jumped=9), True),
        # nobody knows whose numbers would tell
        (120.0, None, True),
    ],
)
def test_a_long_time_may_hold_others(
    seconds: float, by: HeardSender | None, *, is_sure: bool
) -> None:
    known = times()
    known.take(heard(BEGIN_S + seconds, by), DATAGRAM)
    (gap,) = known.gaps
    assert gap.interval == (BEGIN_S - 500.0, seconds)
    assert (gap.number, gap.is_sure) == (9, is_sure)
    assert (known.last_s, known.number, known.mark, known.count) == (BEGIN_S + seconds, 10, 8, 1)


def test_of_many_each_second_is_kept() -> None:
    known = times()
    for n in range(1, _MOST_GAPS + 1):
        known.take(heard(BEGIN_S + n, None, number=9 + n), DATAGRAM)
    assert [gap.number for gap in known.gaps] == list(range(9, 9 + _MOST_GAPS))
    for n in range(_MOST_GAPS + 1, 2 * _MOST_GAPS + 1):
        known.take(heard(BEGIN_S + n, None, number=9 + n), DATAGRAM)
    assert [gap.number for gap in known.gaps] == list(range(9, 9 + 2 * _MOST_GAPS, 2))
    assert (known.step, known.count) == (2, 2 * _MOST_GAPS)


@pytest.mark.parametrize(
    ("seconds", "link", "mark", "is_again"),
    [
        (1.0, b"\0\2", 7, True),  # on a later hop
        (29.9, b"\0\2", 7, True),
        (30.0, b"\0\2", 7, False),  # half an interval (our choice)
        (1.0, b"\0\1", 7, False),
        (1.0, b"\0\2", 8, False),
    ],
)
def test_what_is_the_last_message_again(
    seconds: float, link: bytes, mark: int, *, is_again: bool
) -> None:
    datagram: Any = SimpleNamespace(link_source=link, mark=mark)
    assert times().is_again(heard(BEGIN_S + seconds, None), datagram) is is_again
