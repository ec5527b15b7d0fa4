"""How long ``carry`` takes, in seconds of CPU, and how fast events are played beside a general simulator.

Run with ``python -m pytest tests/bench/bench_carry.py -s -o python_files='bench_*.py'``; goals stand beside each.
Seconds of CPU are no ratio: on another machine they are others, and the rate of simpy's own events says by how much.
"""

import time
from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path
from typing import Any

import pytest
from simulation import carried as beside

from lowpanbudget import parse_design
from lowpanbudget.deployment.burst import carry_burst
from lowpanbudget.deployment.carry import carry
from lowpanbudget.deployment.contention import simulate_csma
from lowpanbudget.deployment.contention_rules import (
    CsmaRules,
    HearingRanges,
    Sending,
    SimulatedFrame,
)
from lowpanbudget.design.meaning import Design
from lowpanbudget.findings.helps import changes_that_help

EXAMPLES = Path(__file__).parents[2] / "examples"
FOOTBRIDGE = (EXAMPLES / "footbridge.toml").read_text("utf-8")
BY_HOP = "by_hop = [4, 4, 4, 4, 3, 3, 3, 3, 3, 3, 2, 2]"
MANY = "by_hop = [45, 45, 45, 45, 45, 45, 45, 45, 45, 45, 25, 25]"
RULES = CsmaRules(3, 5, 4, 3, 320, 128, 192, 864, 640)


def bridge(*pairs: tuple[str, str]) -> Design:
    text = FOOTBRIDGE
    for old, new in pairs:
        assert old in text, old
        text = text.replace(old, new)
    return parse_design(text)


def contended(*pairs: tuple[str, str]) -> Design:
    """The footbridge without slots, a report each 30 s."""
    start, end = FOOTBRIDGE.index("[access]"), FOOTBRIDGE.index("[tree]")
    slots = FOOTBRIDGE[start:end]
    return bridge(
        (slots, '[access]\nmethod = "csma"\n\n'), ("slotted = true", "slotted = false"),
        ('frame_counter = "suppressed"', 'frame_counter = "carried"'),
        ("every_s = 600", "every_s = 30"), *pairs,
    )  # fmt: skip


def seconds(call: Callable[[], Any]) -> tuple[float, Any]:
    start = time.process_time()
    found = call()
    return time.process_time() - start, found


FIVE_HUNDRED = ((BY_HOP, MANY), ("nodes = 38", "nodes = 500"))


@pytest.mark.parametrize(
    ("pairs", "goal"), [((), 1.0), (FIVE_HUNDRED, 5.0)], ids=["38 nodes", "500 nodes"]
)
def test_slots(pairs: tuple[tuple[str, str], ...], goal: float) -> None:
    for every in ("600", "30"):
        design = bridge(("every_s = 600", f"every_s = {every}"), *pairs)
        took, network = seconds(partial(carry, design))
        more, _ = seconds(partial(changes_that_help, design, network))
        print(f"\nslots, a report each {every} s: {took:.2f} s, changes tried {more:.2f} s of CPU")
        assert took < goal


@pytest.mark.parametrize(
    ("pairs", "goal"), [((), 10.0), (FIVE_HUNDRED, 60.0)], ids=["38 nodes", "500 nodes"]
)
def test_contention(pairs: tuple[tuple[str, str], ...], goal: float) -> None:
    """Delivery with a 95 % half-width of at most one point."""
    took, network = seconds(lambda: carry(contended(*pairs)))
    assert network.played is not None
    half = network.played.half_width
    print(f"\ncontention: {took:.2f} s of CPU, delivery {network.played.delivery:.4f} ± {half:.4f}")
    assert half <= 0.01
    assert took < goal


def test_a_burst() -> None:
    took, plan = seconds(lambda: carry_burst(bridge(), "hundred"))
    print(f"\na burst of 100 packets over 12 hops, {plan.runs} runs: {took:.2f} s of CPU")


@pytest.mark.parametrize(("kind", "size"), [("contention", 8), ("bursts", 8)])
def test_beside_a_simulation_written_without_it(kind: str, size: int) -> None:
    """Within four standard errors, which are at most 2 % of what is not rare."""
    for one in beside.EVERY[kind](size):
        told = (f"{each.value:.5g} ± {each.error:.2g}" for each in (one.found, one.known))
        print(f"\n{one.name:32} {', ours '.join(told)}")
        assert one.found.agrees(one.known), one
        if not one.name.endswith((": lost", ": met")):
            assert one.known.error <= 0.02 * one.known.value, one


def test_events_beside_a_general_simulator() -> None:
    """Events of the channel, each with its rules, beside bare timeouts of simpy."""
    simpy: Any = pytest.importorskip("simpy")
    nodes = tuple(range(21))
    near = tuple(tuple(other for other in nodes if other != node) for node in nodes)
    sendings = [Sending((node, 0), 0.2, (SimulatedFrame(2720, 352),)) for node in nodes[1:]]

    def channel() -> Any:
        return simulate_csma(
            RULES, HearingRanges(near, near), sendings, places=None, seed=1, seconds=400
        )

    took, found = seconds(channel)
    ours = found.events / took
    count = 200_000

    def timeouts() -> None:
        world = simpy.Environment()

        def process() -> Iterator[Any]:
            for _ in range(count // 20):
                yield world.timeout(1)

        for _ in range(20):
            world.process(process())
        world.run()

    took, _ = seconds(timeouts)
    theirs = count / took
    print(
        f"\n{ours:,.0f} events a second, {theirs:,.0f} bare timeouts of simpy: {ours / theirs:.2f} times"
    )
    assert ours > theirs / 3
