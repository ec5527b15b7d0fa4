"""A rhythm that is another for much of the time is not as planned, whatever most of the intervals are."""

from collections.abc import Sequence
from dataclasses import replace
from itertools import accumulate
from random import Random
from statistics import stdev

import pytest
from deployment.test_seen import NOBODY_MISSED, Channel, S, crossing

from lowpanbudget.deployment.flows_seen import flow_seen
from lowpanbudget.deployment.measured import PlanCheck, PlanVerdict
from lowpanbudget.deployment.rhythm import TimedInterval, lasts, rhythm
from lowpanbudget.deployment.rhythm_checks import rhythm_check
from lowpanbudget.deployment.unheard import Silence, rhythm_of


def check(
    gaps: Sequence[float], *, quiet_s: float | None = 0.0, silences: Sequence[Silence] = (), counts: bool = True,
    missing: int = 0,
) -> PlanCheck:  # fmt: skip
    """Judge readings with these seconds between, planned are 5 s; the capture goes on for so long behind the last.

    So many frame numbers are missing before the 102nd.
    """
    channel = Channel()
    times = list(accumulate(gaps, initial=1.0))
    for place, at_s in enumerate(times):
        own = place if counts else None
        channel.hear(at_s, 1, 0, crossing(1, place, own=own, modulus=1 << 16))
    for journey in channel.journeys[101:]:
        assert journey.left is not None
        journey.left.missing = missing
    group = channel.group()
    last_ns = None if quiet_s is None else round((times[-1] + quiet_s) * S)
    flow = replace(flow_seen(group, NOBODY_MISSED), rhythm=rhythm_of(group, silences, last_ns))
    return rhythm_check(flow, 5.0)


def drifting(of_each: float, count: int) -> list[float]:
    return [5.0 * (1 + of_each) ** at for at in range(count)]


@pytest.mark.parametrize(
    ("gaps", "quiet_s", "verdict", "told"),
    [
        ([5.0] * 200, 4.0, PlanVerdict.WITHIN, "as planned, from 200 intervals"),
        # 80 of 280 intervals, and 40 of 57 minutes
        ([5.0] * 200 + [30.0] * 80, 4.0, PlanVerdict.OUTSIDE, "each 30 s for 40."),
        ([30.0] * 80 + [5.0] * 200, 4.0, PlanVerdict.OUTSIDE, "from the first on; 30 s at first, 5 s at last"),
        ([1.0] * 95 + [5.0] * 100, 4.0, PlanVerdict.WITHIN, ""),  # 95 of 595 s
        # a tenth of a percent each: 5.0 to 6.1 s
        (drifting(0.001, 200), 4.0, PlanVerdict.OUTSIDE, "5.02 s at first, 6.08 s at last"),
        (drifting(0.0001, 200), 4.0, PlanVerdict.WITHIN, "as planned"),
        # nothing behind the last: half of the time, a tenth of it, and where nobody knows
        ([5.0] * 200, 1000.0, PlanVerdict.OUTSIDE, "none was heard for the last 16.7 minutes of 33.3 minutes"),
        ([5.0] * 200, 100.0, PlanVerdict.WITHIN, ""),
        ([5.0] * 200, None, PlanVerdict.WITHIN, ""),
        # silent in between, and on with the next number
        ([5.0] * 100 + [900.0] + [5.0] * 100, 4.0, PlanVerdict.OUTSIDE, "none was heard for 15.0 minutes"),
        # all of them otherwise: the one in the middle tells
        ([30.0] * 80, 4.0, PlanVerdict.OUTSIDE, "500% longer, from 80 intervals"),
    ],
)  # fmt: skip
def test_for_how_long_it_was_otherwise_decides(
    gaps: list[float], quiet_s: float | None, verdict: PlanVerdict, told: str
) -> None:
    found = check(gaps, quiet_s=quiet_s)
    assert found.verdict is verdict
    assert told in found.why
    assert ("; " in found.why) == (verdict is PlanVerdict.OUTSIDE and len(gaps) > 80)


def test_a_part_is_told_by_its_quarters() -> None:
    """Of 1 to 12 s three are shorter than 4 s, and three longer than 9 s; it begins with its first."""
    gaps = [12.0, 1.0, 11.0, 2.0, 10.0, 3.0, 9.0, 4.0, 8.0, 5.0, 7.0, 6.0]
    (part,) = rhythm([TimedInterval(20.0 + at, gap) for at, gap in enumerate(gaps)], 1)
    assert (part.since_s, part.seconds, part.intervals) == (20.0, 78.0, 12)
    assert (part.low_s, part.every_s, part.high_s, part.longest_s) == (4.0, 6.5, 9.0, 12.0)
    assert part.error_s == pytest.approx(stdev(gaps) / 12**0.5)  # of a mean


def test_the_first_part_begins_with_the_first_message() -> None:
    channel = Channel()
    for place in range(40):
        channel.hear(9.0 + 5 * place, 1, 0, crossing(1, place, own=place))
    first, *_ = rhythm_of(channel.group(), (), None)
    assert first.since_s == 0


def test_what_the_receiver_did_not_hear_is_no_silence() -> None:
    """Frame numbers tell whether something was sent between; behind the last nobody knows, where nobody is heard."""
    gaps = [5.0] * 100 + [900.0] + [5.0] * 100
    assert check(gaps, counts=False).verdict is PlanVerdict.OUTSIDE
    assert check(gaps, counts=False, missing=180).verdict is PlanVerdict.WITHIN
    behind = Silence(1001 * S, 2001 * S)
    assert check([5.0] * 200, quiet_s=1010.0, silences=[behind]).verdict is PlanVerdict.WITHIN


def test_intervals_that_differ_by_chance_are_no_other_rhythm() -> None:
    """Each is 2.5 to 7.5 s."""
    verdicts = set()
    for seed in range(20):
        chance = Random(seed)
        verdicts.add(check([chance.uniform(2.5, 7.5) for _ in range(300)]).verdict)
    assert PlanVerdict.OUTSIDE not in verdicts


def test_parts_hold_equally_many_intervals() -> None:
    timed = [TimedInterval(10.0 * at, 10.0) for at in range(240)]
    found = rhythm(timed)
    assert [one.intervals for one in found] == [10] * 24
    assert [one.since_s for one in found] == [100.0 * at for at in range(24)]
    assert {(one.every_s, one.seconds, one.error_s, one.longest_s) for one in found} == {
        (10, 100, 0, 10)
    }
    assert [one.intervals for one in rhythm(timed[:11])] == [5, 6]
    assert rhythm(timed[:4]) == []
    assert (lasts(119), lasts(120), lasts(7200), lasts(172800)) == (
        "119 s", "2.0 minutes", "2.0 hours", "2.0 days",
    )  # fmt: skip


@pytest.mark.parametrize(
    ("mean_s", "count", "verdicts"),
    [
        (5.0, 600, {PlanVerdict.WITHIN}),
        (5.0, 60, {PlanVerdict.WITHIN, PlanVerdict.OPEN}),
        (7.5, 600, {PlanVerdict.OUTSIDE}),
        (3.5, 600, {PlanVerdict.OUTSIDE}),
    ],
)
def test_who_sends_at_random_moments_is_held_to_the_mean(
    mean_s: float, count: int, verdicts: set[PlanVerdict]
) -> None:
    """A plan says how often on average. Of an exponential distribution the median is ln 2, 0.69 of the mean.

    So by its median who sends as planned is 31 % off (a handbook's table of distributions).
    """
    found = set()
    for seed in range(12):
        chance = Random(seed)
        one = check([chance.expovariate(1 / mean_s) for _ in range(count)])
        found.add(one.verdict)
        assert one.seen == pytest.approx(mean_s, rel=5 / count**0.5)
        assert "on average, from" in one.why
    assert found <= verdicts


@pytest.mark.parametrize("count", [3, 4, 5, 8])
def test_a_few_random_moments_are_as_planned_by_chance(count: int) -> None:
    """A mean of three that is 84 % off lies within 95 % of what chance makes (gamma distribution, a handbook's table).

    Judged each by itself no more than one in twenty may be outside, plus what 300 of them may differ by (binomial).
    """
    outside = 0
    for seed in range(300):
        chance = Random(seed)
        found = check([chance.expovariate(1 / 5.0) for _ in range(count)])
        outside += found.verdict is PlanVerdict.OUTSIDE
    assert outside <= 15 + 2 * (300 * 0.05 * 0.95) ** 0.5
    clocked = check([6.0, 6.02, 5.98, 6.01, *[6.0] * 4][:count])
    assert clocked.verdict is PlanVerdict.OUTSIDE
    assert "on average" not in clocked.why


@pytest.mark.parametrize("count", [12, 24, 40, 140])
def test_of_many_who_send_at_random_as_planned_none_is_outside(count: int) -> None:
    """Of 20 flows over 10 captures: so many have two of the longest gaps together for a quarter of a short capture.

    The longest of 24 exponential values is 6 means or more with 24 e^-6, 6 %.
    """
    chance = Random(count)
    for _ in range(200):
        one = check([chance.expovariate(0.2) for _ in range(count)])
        assert one.verdict is not PlanVerdict.OUTSIDE, one.why


def test_at_half_the_rate_random_moments_are_outside() -> None:
    """60 where 120 are planned are 5.5 standard errors off, by the root of a Poisson distribution's mean."""
    chance = Random(2)
    for _ in range(20):
        one = check([chance.expovariate(0.1) for _ in range(100)])
        assert one.verdict is PlanVerdict.OUTSIDE
        assert "too much to say" not in one.why


def test_a_silence_among_random_moments_changes_no_average() -> None:
    """Five minutes of 55 are no quarter of the time; 25 of 75 are."""
    chance = Random(3)
    before, behind = ([chance.expovariate(0.2) for _ in range(300)] for _ in range(2))
    short = check([*before, 300.0, *behind])
    assert short.verdict is PlanVerdict.WITHIN
    assert short.seen == pytest.approx(5, rel=0.1)
    assert "none was heard for" in check([*before, 1500.0, *behind]).why


def test_messages_by_a_clock_are_held_to_the_usual_interval_whatever_is_lost() -> None:
    """A fifth of messages without numbers is not heard: the mean is 6.25 s, and all are sent each 5 s."""
    chance = Random(4)
    gaps, gap = [], 5.0
    for _ in range(600):
        if chance.random() < 0.2:
            gap += 5.0
        else:
            gaps.append(gap)
            gap = 5.0
    found = check(gaps, counts=False)
    assert (found.verdict, found.seen) == (PlanVerdict.WITHIN, 5)
