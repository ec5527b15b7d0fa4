"""A clock that leaps on while all go on where they were: nothing is lost there, and the time between counts nowhere."""

import pytest
from deployment.test_measure import LIMITS, SLOTS, by_source, chain, heard
from simulation.captured import design

from lowpanbudget import Measurement, Record, audit, measure
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
