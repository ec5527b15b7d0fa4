"""Which frames repeat one before, and which are copies of it under another number."""

import pytest

from lowpanbudget.capture.follow.parts import Copied
from lowpanbudget.capture.follow.repeats import Again, Repeats

SENDER, OTHER = (1, b"\0\1"), (1, b"\0\2")
MS = 10**6  # nanoseconds
NEW = Again()


class Heard:
    """Takes frames of one sender with some contents, numbered from 1 in the capture; times begin late."""

    def __init__(self) -> None:
        self.repeats, self.number = Repeats(), 0
        # it was heard before
        self.see(200, -1e6, b"before")
        self.number = 0

    def see(
        self,
        sequence: int | None,
        time_ms: float | None,
        contents: bytes = b"reading",
        *,
        of: tuple[int | None, bytes] = SENDER,
        copied: bool = True,
    ) -> Again:
        self.number += 1
        time_ns = None if time_ms is None else round((time_ms + 1e7) * MS)
        return self.repeats.see(of, self.number, time_ns, sequence, contents, copied=copied)


@pytest.mark.parametrize(
    ("time_ms", "again"),
    [
        (0, Again(repeats=1)),
        (5, Again(repeats=1)),
        (8000, Again(repeats=1)),
        # retries of one frame last 8 s at most (our choice), and clocks may be put back
        (8001, NEW),
        (-1, NEW),
        (None, Again(repeats=1)),
    ],
)
def test_a_retry_keeps_its_number(time_ms: float | None, again: Again) -> None:
    """IEEE 802.15.4-2015 clause 6.7.4.3, from memory."""
    heard = Heard()
    assert heard.see(7, 0) == NEW
    assert heard.see(7, time_ms) == again


def test_a_retry_of_a_retry_is_one_of_the_first() -> None:
    heard = Heard()
    heard.see(7, 0)
    assert heard.see(7, 4000).repeats == 1
    assert heard.see(7, 7000).repeats == 1


@pytest.mark.parametrize(
    ("sequence", "time_ms", "copied", "again"),
    [
        # a MAC gives up within 100 ms (common practice, no source)
        (8, 100, True, Again(copied=Copied(1, 7, 100 * MS))),
        (8, 0, True, Again(copied=Copied(1, 7, 0))),
        (8, 101, True, NEW),
        (8, -1, True, NEW),
        (8, None, True, NEW),
        (8, 5, False, NEW),
        (None, 5, True, Again(copied=Copied(1, 7, 5 * MS))),
    ],
)
def test_the_same_under_another_number_is_a_copy(
    sequence: int | None, time_ms: float | None, *, copied: bool, again: Again
) -> None:
    heard = Heard()
    heard.see(7, 0)
    assert heard.see(sequence, time_ms, copied=copied) == again


def test_other_contents_and_other_senders_repeat_nothing() -> None:
    heard = Heard()
    heard.see(7, 0)
    assert heard.see(7, 1, b"another") == NEW
    assert heard.see(7, 2, of=OTHER) == NEW


@pytest.mark.parametrize(
    ("acknowledged", "between", "is_copy"),
    [(7, False, False), (8, False, True), (None, False, True), (7, True, True)],
)
def test_what_was_acknowledged_is_said_again_and_no_copy(
    acknowledged: int | None, *, between: bool, is_copy: bool
) -> None:
    """The acknowledgement of a frame follows it at once (clause 6.7.4.2, from memory)."""
    heard = Heard()
    heard.see(7, 0)
    if between:
        heard.see(7, 1, b"another", of=OTHER)
        heard.repeats.answer(99)
    heard.repeats.answer(acknowledged)
    assert (heard.see(8, 5).copied is not None) is is_copy


def test_an_acknowledgement_is_for_one_frame() -> None:
    heard = Heard()
    heard.see(7, 0)
    heard.repeats.answer(8)
    heard.repeats.answer(7)  # of a frame that was not heard
    assert heard.see(8, 5).copied is not None


def test_a_copy_has_a_number_that_retries_keep() -> None:
    heard = Heard()
    heard.see(7, 0)
    assert heard.see(8, 50).copied is not None
    assert heard.see(8, 4000) == Again(repeats=2)


def test_the_retry_that_is_acknowledged_counts() -> None:
    heard = Heard()
    heard.see(7, 0)
    heard.see(7, 1, b"another", of=OTHER)
    assert heard.see(7, 4).repeats == 1
    heard.repeats.answer(7)
    assert heard.see(8, 9) == NEW


def test_eight_frames_of_a_sender_are_remembered() -> None:
    """Our choice."""
    for others, repeats in ((6, 1), (7, 1), (8, None)):
        heard = Heard()
        heard.see(7, 0)
        for n in range(others):
            assert heard.see(100 + n, 1 + n, b"reading %d" % n) == NEW
        assert heard.see(7, 20).repeats == repeats


def test_without_a_number_contents_alone_are_no_retry() -> None:
    heard = Heard()
    heard.see(None, 0)
    assert heard.see(None, 5000) == NEW


def test_a_first_frame_is_one() -> None:
    repeats = Repeats()
    assert repeats.see(SENDER, 1, 0, 7, b"reading") == NEW
    repeats.answer(7)
    assert repeats.see(SENDER, 2, MS, 8, b"reading") == NEW
