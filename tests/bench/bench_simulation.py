"""The simulations of ``tests/simulation`` for long: standard errors of at most 2 % of the value, and how fast they run.

What is rare is told with its error, whatever that is: packets lost, frames that met others.
"""

import time

import pytest
from simulation.check_values import EVERY

SIZES = {"contention": 96, "slotted": 72, "queued": 48, "runs": 40}
RARE = ("lost", "met", "queue full")


@pytest.mark.parametrize("kind", SIZES)
def test_gives_what_is_known_for_long(kind: str) -> None:
    start = time.process_time()
    checks = list(EVERY[kind](SIZES[kind]))
    for one in checks:
        share = one.found.error / one.found.value if one.found.value else 0.0
        print(f"{one.name:48} {one.found.value:.5g} ± {share:.1%}, known {one.known.value:.5g}")
    print(f"{kind}: {time.process_time() - start:.1f} s of CPU")
    assert [one for one in checks if not one.found.agrees(one.known)] == []
    frequent = [one for one in checks if not any(word in one.name for word in RARE)]
    assert [one for one in frequent if one.found.error > 0.02 * one.found.value] == []
