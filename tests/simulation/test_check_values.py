"""The simulations give what was calculated and simulated before them, within four standard errors."""

import pytest
from simulation.check_values import EVERY


@pytest.mark.long
@pytest.mark.parametrize("kind", EVERY)
def test_gives_what_is_known(kind: str) -> None:
    checks = list(EVERY[kind](1))
    assert [one for one in checks if not one.found.agrees(one.known)] == []


def test_a_value_that_is_wrong_would_be_seen() -> None:
    """A quarter more of the share of busy channels is more than chance."""
    busy = next(one for one in EVERY["contention"](1) if one.name == "10 x 5/s busy")
    assert not busy.found.agrees(busy.known._replace(value=busy.known.value * 1.25))
