"""A clock that is off is told by the period of a node over many intervals, beside the plan and all others."""

from dataclasses import replace
from random import Random

import pytest
from deployment.test_seen import NOBODY_MISSED, Channel, crossing

from lowpanbudget.deployment.drifts import FEWEST, drifts
from lowpanbudget.deployment.flows_seen import flow_seen
from lowpanbudget.deployment.measured import MeasuredFlow
from lowpanbudget.deployment.unheard import rhythm_of


def flow(every_s: float, seed: int, *, count: int = 40, jitter_s: float = 0.2) -> MeasuredFlow:
    """A node whose readings come by a clock, each up to so much later."""
    channel, rng = Channel(), Random(seed)
    for place in range(count):
        at_s = 1.0 + every_s * place + jitter_s * rng.random()
        channel.hear(at_s, 1, 0, crossing(1, place, own=place, modulus=1 << 16))
    group = channel.group()
    return replace(flow_seen(group, NOBODY_MISSED), rhythm=rhythm_of(group, (), None))


def off(first: MeasuredFlow, others: list[float], planned_s: float = 30.0) -> list[float]:
    """By how much the first is told as off, beside others with these periods."""
    flows = [first, *(flow(every_s, 100 + at) for at, every_s in enumerate(others))]
    planned = {one.title: planned_s for one in flows}
    return [one.off for one in drifts(flows, planned) if one.flow is first]


@pytest.mark.parametrize("every_s", [30 / 1.02, 30 * 1.02, 30.2])
def test_a_period_that_is_off_is_told_with_its_size(every_s: float) -> None:
    (found,) = off(flow(every_s, 1), [30.0] * 4)
    assert found == pytest.approx(every_s / 30 - 1, abs=0.0005)


@pytest.mark.parametrize(
    ("every_s", "others"),
    [
        (30.0, [30.0] * 4),
        (30.003, [30.0] * 4),  # 100 ppm, which a crystal may be off
        (30.6, [30.6] * 4),  # all alike: the plan is otherwise, or the clock of the capture
        (30.6, [30.0] * 2),  # too few others
        (36.0, [30.0] * 4),  # another interval
    ],
)
def test_what_is_no_clock_is_not_told(every_s: float, others: list[float]) -> None:
    assert off(flow(every_s, 1), others) == []


def test_few_intervals_tell_no_period() -> None:
    assert off(flow(30.6, 1, count=FEWEST), [30.0] * 4) == []
    assert off(flow(30.6, 1, count=FEWEST + 1), [30.0] * 4) != []


def test_jitter_as_large_as_the_drift_of_all_intervals_hides_it() -> None:
    assert off(flow(30.3, 1, count=12, jitter_s=8.0), [30.0] * 4) == []


def test_by_chance_nobody_is_off() -> None:
    """Of 200 nodes with jitter as their period has it, four standard errors: one in 16 000 would be."""
    assert not any(off(flow(30.0, seed, count=20, jitter_s=3.0), [30.0] * 4) for seed in range(200))
