"""What the package plays is what a simulation gives that was written without it, within four standard errors."""

import pytest
from simulation.carried import EVERY


@pytest.mark.long
@pytest.mark.parametrize("kind", EVERY)
def test_both_give_the_same(kind: str) -> None:
    checks = list(EVERY[kind](1))
    assert [one for one in checks if not one.found.agrees(one.known)] == []
