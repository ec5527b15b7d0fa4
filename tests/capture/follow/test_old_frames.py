"""Old frames that come once more: which are set aside, and what the next one of their sender says of them."""

import pytest

from lowpanbudget.capture.files.record import Record
from lowpanbudget.capture.follow.old_frames import OldFrames
from lowpanbudget.capture.follow.parts import ASIDE, Settled, Suspect

SENDER, RECEIVER, OTHER = (1, b"\0\1"), b"\0\2", b"\0\3"
S = 10**9  # nanoseconds


class Heard:
    """Takes frames of one sender; what has a number has the same octets each time."""

    def __init__(self) -> None:
        self.old = OldFrames()
        self.number = 0

    def take(
        self,
        sequence: int,
        time_s: float | None,
        *,
        to: bytes = RECEIVER,
        octets: bytes | None = None,
        by: str | None = None,
    ) -> Settled | None:
        self.number += 1
        octets = b"frame %d" % sequence if octets is None else octets
        time_ns = None if time_s is None else round(time_s * S)
        record = Record(self.number, time_ns, 195, octets, len(octets), receiver=by)
        return self.old.take(SENDER, to, sequence, octets, record)

    def run(self, *sequences: int, step_s: float = 1.0) -> "Heard":
        """One after the other, the first at 0 s."""
        for n, sequence in enumerate(sequences):
            assert self.take(sequence, n * step_s) is None
        return self


def test_it_is_set_aside_and_the_next_number_tells() -> None:
    heard = Heard().run(*range(20))
    assert heard.take(5, 30.0) is ASIDE
    settled = heard.take(20, 31.0)
    assert settled is not None
    assert [*settled.suspects] == [Suspect(21, 6, 5, 25 * S)]
    assert (settled.are_old, settled.is_aside) == (True, False)
    # what was set aside is no frame of its sender: the next but one goes on
    assert heard.take(21, 32.0) is None


@pytest.mark.parametrize(
    ("sequence", "time_s", "are_old"),
    [
        # up to 64 numbers ahead, others were not heard (our choice)
        (83, 31.0, True),
        (84, 31.0, False),
        # it is the newest once more, or goes back
        (19, 31.0, False),
        (7, 31.0, False),
        # 14 numbers took 14 s: half of all 256 take 128 s
        (20, 19 + 127.9, True),
        (20, 19 + 128.1, False),
    ],
)
def test_who_goes_on_behind_the_newest(sequence: int, time_s: float, *, are_old: bool) -> None:
    heard = Heard().run(*range(20))
    assert heard.take(5, 28.0) is ASIDE
    settled = heard.take(sequence, time_s, octets=b"another")
    assert settled is not None
    assert [one.first for one in settled.suspects] == [6]
    assert (settled.are_old, settled.is_aside) == (are_old, False)


@pytest.mark.parametrize(
    ("sequence", "time_s", "is_aside"),
    [
        # retries of one frame last 8 s at most (our choice)
        (5, 0.5 + 8.0, False),
        (5, 0.5 + 8.1, True),
        # fewer than 8 numbers behind: two restarts of a node may be as near (our choice)
        (12, 60.0, False),
        (11, 60.0, True),
        (19, 60.0, False),
        # never heard before
        (30, 60.0, False),
    ],
)
def test_from_when_on_it_is_old(sequence: int, time_s: float, *, is_aside: bool) -> None:
    heard = Heard().run(*range(20), step_s=0.1)
    assert heard.take(sequence, time_s) is (ASIDE if is_aside else None)


def test_numbers_go_round() -> None:
    """8 bits (IEEE 802.15.4: a sequence number of one octet)."""
    heard = Heard().run(*range(250, 256), *range(14))
    assert heard.take(252, 60.0) is ASIDE
    # 64 numbers ahead, or fewer, are the next ones, of which some were not heard (our choice)
    for sequence, told in ((83, None), (84, ASIDE)):
        assert Heard().run(sequence, *range(20)).take(sequence, 60.0) is told


def test_other_octets_are_no_old_frame() -> None:
    assert Heard().run(*range(20)).take(5, 60.0, octets=b"another") is None


def test_behind_a_restart_nothing_is_told() -> None:
    """Number 40 came between: the numbers since its first did not go straight on."""
    heard = Heard().run(5, 40, *range(6, 20))
    assert heard.take(5, 60.0) is None


def test_a_receiver_of_which_nothing_came_since_may_get_it_late() -> None:
    heard = Heard()
    for sequence in range(20):
        heard.take(sequence, float(sequence), to=RECEIVER if sequence <= 5 else OTHER)
    assert heard.take(5, 60.0) is None
    heard = Heard()
    for sequence in range(20):
        heard.take(sequence, float(sequence), to=RECEIVER if sequence <= 6 else OTHER)
    assert heard.take(5, 60.0) is ASIDE


def test_what_is_held_for_who_asks_comes_again() -> None:
    heard = Heard().run(*range(20))
    heard.old.ask(RECEIVER)
    assert heard.take(5, 60.0) is None


def test_clocks_of_other_receivers_and_none_tell_nothing() -> None:
    heard = Heard().run(*range(20))
    assert heard.take(5, 60.0, by="elsewhere") is None
    assert heard.take(5, None) is None
    assert heard.take(5, 60.0) is ASIDE


def test_so_many_that_nothing_else_comes_are_its_own() -> None:
    """More than 32 (our choice): those before the last are told as its own, and it goes on with that one."""
    heard = Heard().run(*range(60))
    for sequence in range(32):
        assert heard.take(sequence, 100.0 + sequence) is ASIDE
    settled = heard.take(32, 140.0)
    assert settled is not None
    assert [one.sequence for one in settled.suspects] == list(range(32))
    assert not settled.are_old
    assert heard.take(33, 141.0, octets=b"another") is None


def test_the_last_one_set_aside_tells_how_fast_numbers_go() -> None:
    """Ten numbers took 90 s, and the ten behind them 1 s: half of all 256 take 13 s then."""
    heard = Heard().run(*range(10), step_s=10.0)
    for sequence in range(10, 20):
        heard.take(sequence, 90.0 + sequence / 10)
    assert heard.take(1, 101.0) is ASIDE
    assert heard.take(10, 102.0) is ASIDE
    settled = heard.take(20, 112.0)
    assert settled is not None
    assert [one.sequence for one in settled.suspects] == [1, 10]
    assert not settled.are_old


def test_of_so_many_senders_the_first_are_followed() -> None:
    """512 (our choice)."""
    heard = Heard()
    octets = [b"frame %d" % sequence for sequence in range(20)]
    for sender, told in ((511, ASIDE), (512, None)):
        old = OldFrames()
        for other in range(sender):
            record = Record(1, 0, 195, b"", 0)
            old.take((2, other.to_bytes(2, "big")), RECEIVER, 0, b"", record)
        heard.old = old
        for sequence, one in enumerate(octets):
            assert heard.take(sequence, float(sequence), octets=one) is None
        assert heard.take(5, 60.0) is told
