"""Exact intervals against sums of binomials in whole numbers, and what so many values tell of quantiles."""

from math import comb, sqrt
from statistics import NormalDist, fmean, stdev

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lowpanbudget.deployment.confidence import (
    at_most,
    ends_of,
    share_of,
    spread_of,
    towards,
    trials_for,
    values_for,
    wilson,
)


def chance(share: float, trials: int, counts: range) -> float:
    """The chance of so many good ones, summed up exactly: over the denominator that all of them have."""
    good, every = share.as_integer_ratio()
    bad = every - good
    ways = sum(comb(trials, k) * good**k * bad ** (trials - k) for k in counts)
    return float(ways / every**trials)


CASES = [(count, trials) for trials in range(1, 121) for count in range(trials + 1)]


@given(st.sampled_from(CASES))
def test_the_ends_of_an_interval_leave_so_much_on_each_side(case: tuple[int, int]) -> None:
    """Clopper and Pearson's definition: at each end what was seen, or more, has half of what is left."""
    count, trials = case
    found = share_of(count, trials)
    if count:
        assert chance(found.least, trials, range(count, trials + 1)) == pytest.approx(
            0.025, rel=1e-9
        )
        assert chance(found.at_least, trials, range(count, trials + 1)) == pytest.approx(
            0.05, rel=1e-9
        )
    else:
        assert found.least == found.at_least == 0
    if count < trials:
        assert chance(found.most, trials, range(count + 1)) == pytest.approx(0.025, rel=1e-9)
        assert chance(found.at_most, trials, range(count + 1)) == pytest.approx(0.05, rel=1e-9)
    else:
        assert found.most == found.at_most == 1


@given(st.sampled_from(CASES), st.floats(0.001, 0.999))
def test_the_chance_of_no_more_than_so_many(case: tuple[int, int], share: float) -> None:
    count, trials = case
    expected = chance(share, trials, range(count + 1))
    assert at_most(count, trials, share) == pytest.approx(expected, rel=1e-9, abs=1e-12)
    assert at_most(count, trials, 0.0) == 1
    assert at_most(count, trials, 1.0) == (count == trials)


@given(st.sampled_from(CASES))
def test_wilsons_ends_are_where_a_share_is_as_many_of_their_standard_errors_away(
    case: tuple[int, int],
) -> None:
    """The definition, with the quantile of the standard library: (p - share)^2 = z^2 p (1 - p) / n at both ends."""
    count, trials = case
    z, share = NormalDist().inv_cdf(0.975), count / trials
    ends = wilson(share, trials)
    for end in ends:
        assert (end - share) ** 2 == pytest.approx(
            z * z * end * (1 - end) / trials, rel=1e-5, abs=1e-12
        )
    assert ends[0] <= share <= ends[1]
    assert towards(0.0, share, trials) == share - ends[0]
    assert towards(share, share, trials) == share - ends[0]
    assert towards(1.1, share, trials) == ends[1] - share


def test_near_95_of_100_wilsons_interval_is_right_as_often_as_it_says_and_walds_is_not() -> None:
    """Binomials of 200 summed up: how often a true share of 95 % or so lies below what is told as its least.

    2.5 % may. With 1.96 standard errors of what came out it is 4 to 10 %: what is not enough is told as enough.
    """
    for true in (0.94, 0.945, 0.95, 0.955, 0.96):
        low = [count for count in range(201) if wilson(count / 200, 200)[0] > true]
        wald = [
            count
            for count in range(201)
            if count / 200 - 1.96 * sqrt(count / 200 * (1 - count / 200) / 200) > true
        ]
        assert chance(true, 200, range(min(low), 201)) < 0.025
        assert chance(true, 200, range(min(wald), 201)) > 0.04


def test_what_may_have_come_unheard_widens_upward_alone() -> None:
    """The lower ends are those of what was seen, the upper ones those of all that may have been; no more than all."""
    seen, all_of = share_of(251, 358), share_of(300, 358)
    found = share_of(251, 358, 49)
    assert (found.count, found.share) == (251, seen.share)
    assert (found.least, found.at_least) == (seen.least, seen.at_least)
    assert (found.most, found.at_most) == (all_of.most, all_of.at_most)
    assert share_of(251, 358, 400).most == 1


def test_all_of_a_hundred() -> None:
    """0.05 ** (1/100) and 0.025 ** (1/100): 0.9705 and 0.9638."""
    found = share_of(100, 100)
    assert round(found.at_least, 4) == 0.9705
    assert round(found.least, 4) == 0.9638
    assert share_of(0, 0).share is None


@pytest.mark.parametrize("trials", [2, 3, 10, 1000])
def test_one_of_so_many_and_all_but_one(trials: int) -> None:
    """One or more of n have the chance 1 - (1 - p)^n; n - 1 or fewer 1 - p^n."""
    one, but_one = share_of(1, trials), share_of(trials - 1, trials)
    for found, tail in ((one.least, 0.025), (one.at_least, 0.05)):
        assert found == pytest.approx(1 - (1 - tail) ** (1 / trials), rel=1e-9)
    for found, tail in ((but_one.most, 0.025), (but_one.at_most, 0.05)):
        assert found == pytest.approx((1 - tail) ** (1 / trials), rel=1e-9)
    # two or more of three: 3 p^2 - 2 p^3
    two = share_of(2, 3)
    assert 3 * two.least**2 - 2 * two.least**3 == pytest.approx(0.025, rel=1e-9)


def test_how_many_prove_a_share() -> None:
    """0.99 ** 299 is the first power below 0.05, 0.95 ** 59 that of 0.95."""
    assert trials_for(0.99) == 299
    assert trials_for(0.95) == 59
    assert trials_for(0.0) == 1
    assert 0.99**299 <= 0.05 < 0.99**298


def test_the_ends_of_a_quantile_leave_so_much_on_each_side() -> None:
    """The 40th and the 61st of a hundred, as tables of the sign test have it for a median (from memory).

    That no more than 39 of them lie below the median, and no more than 39 above it, has the chances of a coin.
    """
    hundred = [float(n) for n in range(1, 101)]
    ends = ends_of(hundred, 0.5, 1.96 * 0.5 / 10)
    assert ends == (40, 61)
    assert chance(0.5, 100, range(40)) < 0.025 < chance(0.5, 100, range(41))
    # nothing is beyond the last of a hundred that 99 % could be told by, nor before the first
    assert ends_of(hundred, 0.99, 0.02) == (97, None)
    assert ends_of(hundred, 0.05, 0.05) == (0.0, 11)


def test_no_quantile_from_few_values() -> None:
    """Five must lie beyond it: 10 for the middle, 100 for 95 %, 500 for 99 %."""
    assert [values_for(part) for part in (0.5, 0.95, 0.99)] == [10, 100, 500]
    for count, parts in (
        (9, []),
        (10, [0.5]),
        (99, [0.5]),
        (100, [0.05, 0.5, 0.95]),
        (500, [0.05, 0.5, 0.95, 0.99]),
    ):
        found = spread_of([float(n) for n in range(1, count + 1)])
        assert found is not None
        assert [one.part for one in found.quantiles] == parts
        if count == 500:
            # the value that this part does not exceed: of 1 to 500 the 475th, the 495th
            assert [one.value for one in found.quantiles] == [25, 250, 475, 495]
    assert spread_of([]) is None


@given(st.lists(st.floats(-1e6, 1e6), min_size=1, max_size=150))
def test_a_spread_is_that_of_the_standard_library(values: list[float]) -> None:
    """And a quantile the least value that so large a part does not exceed."""
    found, count = spread_of(values), len(values)
    assert found is not None
    assert found.mean == pytest.approx(fmean(values), abs=1e-6)
    assert found.deviation == pytest.approx(stdev(values) if count > 1 else 0.0, abs=1e-6)
    assert found.error == found.deviation / sqrt(count)
    assert (found.values, found.least, found.most) == (count, min(values), max(values))
    for part in (0.05, 0.5, 0.95, 0.99):
        value = found.quantile(part)
        assert (value is None) == (count < values_for(part))
        if value is not None:
            assert sum(one < value for one in values) < part * count
            assert sum(one <= value for one in values) >= part * count
