"""A question over more than eighty million settings, within a second; the ratio to encoding them. On demand:

python -m pytest tests/bench/bench_sweep.py -q -n 0
"""

import random
import time
from contextlib import suppress
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from lowpanbudget import load_design, sweep
from lowpanbudget.design.meaning import Design
from lowpanbudget.errors import LowpanError
from lowpanbudget.layers.link.phy import PHYS
from lowpanbudget.room.sweep.axes import axes_of
from lowpanbudget.room.sweep.proof import encoded_room

EXAMPLES = Path(__file__).parents[2] / "examples"
MOST_S = 1.0
WIDE: dict[str, Any] = {"phy": list(PHYS)}


def design() -> Design:
    """Return the footbridge, with a class of traffic on its way down along a source route."""
    loaded = load_design(EXAMPLES / "footbridge.toml")
    return loaded.with_flow(replace(loaded.flow("routed"), traffic_class=1))


@pytest.mark.benchmark(timer=time.process_time)  # others work on the machine as well
def test_a_question(benchmark: Any) -> None:
    made = design()

    def ask() -> tuple[int, int]:
        (found,) = sweep(made, "routed", axes=WIDE, weaker=True)
        return found.settings, found.carrying(72)

    settings, carrying = benchmark.pedantic(ask, rounds=5)
    print(f"{settings:,} settings, {carrying:,} carry 72 octets")
    assert settings > 80_000_000
    # the least: what others take of the machine is not ours
    assert benchmark.stats.stats.min < MOST_S


def test_the_ratio_to_encoding() -> None:
    """Settings a second of a sweep and of encoding each, by the time of this process."""
    made, count = design(), 400
    start = time.process_time()
    (found,) = sweep(made, "routed", axes=WIDE, weaker=True)
    swept = found.settings / (time.process_time() - start)
    axes = axes_of(made, made.flow("routed"), WIDE, weaker=True)
    draw = random.Random(1)
    start = time.process_time()
    for _ in range(count):
        with suppress(LowpanError):
            encoded_room(made, "routed", axes, [draw.randrange(len(axis.values)) for axis in axes])
    encoded = count / (time.process_time() - start)
    print(
        f"{swept:,.0f} settings a second swept, {encoded:,.0f} encoded: {swept / encoded:,.0f} times"
    )
    assert swept > 1000 * encoded
