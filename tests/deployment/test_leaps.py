"""A clock that leaps on while all go on where they were: nothing is lost there, and the time between counts nowhere."""

from unittest.mock import Mock

import pytest
from deployment.test_measure import LIMITS, SLOTS, by_source, chain, heard
from simulation.captured import design

from lowpanbudget import Measurement, Record, audit, measure
from lowpanbudget.deployment.leaps import Leaps
from lowpanbudget.report.measure_answer import answer
from lowpanbudget.report.measurements import measured

S = 10**9
PLAN = SLOTS + LIMITS


@pytest.fixture(scope="module")
def records() -> list[Record]:
    """Three nodes in a row, a reading of each each 30 s for a fifth of an hour."""
    network = chain(3, hours=0.2)
    network.run(820)
    return heard(network.sent, PLAN)


def leaping(records: list[Record], *at: int, seconds: float = 3600.0) -> list[Record]:
    """The same where the clock is set on in front of each of these places."""
    return [
        one._replace(
            time_ns=(one.time_ns or 0) + round(seconds * S) * sum(place <= here for place in at)
        )
        for here, one in enumerate(records)
    ]


def seen(records: list[Record]) -> Measurement:
    return measure(records, design=design(PLAN))


def between(records: list[Record], *, quiet: bool) -> int:
    """A place in the middle: where nobody sent for seconds, or with a datagram on its way between two nodes."""
    gaps = [
        ((records[at].time_ns or 0) - (records[at - 1].time_ns or 0), at)
        for at in range(len(records) // 3, 2 * len(records) // 3)
    ]
    return max(gaps)[1] if quiet else next(at for gap, at in gaps if 10**7 < gap < S)


@pytest.mark.parametrize("quiet", [True, False])
@pytest.mark.parametrize("seconds", [3600.0, 1200.0])
def test_what_leaps_is_measured_as_if_it_did_not(
    records: list[Record], quiet: bool, seconds: float
) -> None:
    at = between(records, quiet=quiet)
    late = leaping(records, at, seconds=seconds)
    straight, found = seen(records), seen(late)
    assert straight.leap is None
    assert found.leap is not None
    assert (found.leap.number, found.leap.left_out) == (records[at].number, 0)
    assert found.leap.seconds == pytest.approx(seconds, abs=30)
    assert "in frame" in answer(measured("", found))
    assert "that time is not counted" in answer(measured("", found))
    assert found.seconds == pytest.approx(straight.seconds, abs=30)
    for node, flow in by_source(straight).items():
        same = by_source(found)[node]
        assert (same.sent, same.heard, same.unsent) == (flow.sent, flow.heard, flow.unsent)
        assert same.arrived == flow.arrived
        assert same.interval is not None
        assert same.interval.most < 60
    assert found.is_outside == straight.is_outside
    told = {one.name for one in audit(late, design=design(PLAN)).findings}
    assert not told & {
        "loss-over-plan",
        "messages-never-sent",
        "on-air-over-limit",
        "interval-off-plan",
    }


def test_a_network_that_rests_again_is_no_clock_that_leaps(records: list[Record]) -> None:
    third = len(records) // 3
    assert seen(leaping(records, third, 2 * third)).leap is None


def test_where_numbers_are_missing_the_receiver_did_not_listen(records: list[Record]) -> None:
    """A third is not heard, whose numbers are missing, and behind it the clock is an hour further on."""
    third = len(records) // 3
    late = leaping(records, third, seconds=3600.0)
    assert seen([*late[:third], *late[third + third // 2 :]]).leap is None


def test_a_time_that_is_planned_between_readings_is_no_leap(records: list[Record]) -> None:
    """Of readings each half an hour one may be an hour late; here the network's every 30 s are taken for that."""
    late = leaping(records, between(records, quiet=True))
    assert measure(late, design=design(PLAN, every_s=1800.0)).leap is None
    assert seen(late).leap is not None


def told(
    *went_on: int, every: float = 10.0, frames: int = 8, leap: float = 600.0, later: float = 0.0
) -> bool:
    """Whether a leap is told behind which each sender's number goes on by so much, and once more a silence ``later``.

    They send together ``every`` so many seconds, ``frames`` each before it; what has no time, sender or number says
    nothing.
    """
    leaps, now, number = Leaps(), 1.0, 0

    def hear(
        sender: int | None, sequence: int | None, at: float | None, *, numbered: bool = True
    ) -> None:
        nonlocal number
        number += 1
        frame = Mock(number=number, time_ns=None if at is None else round(at * S))
        frame.sender = None if sender is None else bytes([sender])
        frame.sequence, frame.numbered = sequence, numbered
        leaps.hear(frame)

    for turn in range(2 * frames):
        if turn == frames:
            now += leap - every
        now += later - every if later and turn == frames + frames // 2 else 0.0
        for sender, step in enumerate(went_on):
            behind = step - 1 if turn >= frames else 0
            hear(sender, (250 + turn + behind) % 256, now + 0.01 * sender)
        hear(0, 7, None)
        hear(None, 7, now)
        hear(0, None, now)
        hear(0, 7 * turn, now, numbered=False)
        now += every
    if leaps.leap is not None:
        assert leaps.leap.silence.seconds == pytest.approx(leap, abs=0.1)
    return leaps.leap is not None


def test_who_goes_on_proves_a_leap() -> None:
    """Three senders or more, three quarters of all that tell: our choice. A frame may be tried again across it."""
    assert told(1, 1, 1)
    assert told(1, 0, 1)
    assert not told(1, 1)
    assert not told(1, 1, 2)
    assert told(1, 1, 1, 9)
    assert not told(1, 1, 1, 9, 9)
    assert not told(*[1] * 5, 9, 9)
    assert told(*[1] * 6, 9, 9)


def test_only_who_has_a_rhythm_tells_of_a_leap() -> None:
    """Six frames or more, one each five seconds or fewer; a silence is four times as long as any before: our choice."""
    assert told(1, 1, 1, frames=6)
    assert not told(1, 1, 1, frames=5)
    assert told(1, 1, 1, every=5.0)
    assert not told(1, 1, 1, every=4.9)
    assert told(1, 1, 1, every=20.0, leap=81.0)
    assert not told(1, 1, 1, every=20.0, leap=79.0)


def test_a_silence_a_quarter_as_long_is_none_of_a_clock() -> None:
    """Such a network rests."""
    assert told(1, 1, 1, every=20.0, leap=100.0, later=24.0)
    assert not told(1, 1, 1, every=20.0, leap=100.0, later=26.0)
    assert not told(1, 1, 1, every=20.0, leap=100.0, later=90.0)
    assert not told(1, 1, 1, frames=14, leap=600.0, later=600.0)
