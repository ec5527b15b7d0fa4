"""What links deliver: closed forms against sums over every case, and values worked out by hand or beforehand."""

from itertools import product
from math import isclose, log

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lowpanbudget.deployment.delivery import (
    LinkTries,
    LossStates,
    delivered_in_runs,
)

SHARES = st.floats(0, 0.95)


def every_case(loss: float, answer_loss: float, attempts: int) -> tuple[float, float, float, float]:
    """Delivered, known, mean attempts and duplicates, summed over what may happen in each attempt."""
    delivered = known = mean = copies = 0.0
    outcomes = {
        "lost": loss,
        "silent": (1 - loss) * answer_loss,
        "answered": (1 - loss) * (1 - answer_loss),
    }
    for case in product(outcomes, repeat=attempts):
        chance, made, arrived, answered = 1.0, 0, 0, False
        for outcome in case:
            chance *= outcomes[outcome]
            if answered:
                continue
            made += 1
            arrived += outcome != "lost"
            answered = outcome == "answered"
        delivered += chance * (arrived > 0)
        known += chance * answered
        mean += chance * made
        copies += chance * max(arrived - 1, 0)
    return delivered, known, mean, copies


@given(SHARES, SHARES, st.integers(1, 4))
def test_closed_forms_are_the_sum_over_every_case(
    loss: float, answer_loss: float, attempts: int
) -> None:
    link = LinkTries(loss, answer_loss, attempts)
    found = (link.delivered, link.known, link.mean_attempts, link.duplicates)
    for one, expected in zip(found, every_case(loss, answer_loss, attempts), strict=True):
        assert isclose(one, expected, rel_tol=1e-12, abs_tol=1e-12)


def test_losses_of_5_and_2_in_a_hundred_with_four_attempts() -> None:
    """1 - 0.05^4; 1 - (1 - 0.95 x 0.98)^4; and 0.95 x (1 - 0.069^4) / 0.931 - (1 - 0.05^4) copies."""
    link = LinkTries(0.05, 0.02, 4)
    assert round(link.delivered, 8) == 0.99999375
    assert round(link.known, 8) == 0.99997733
    assert round(link.duplicates, 7) == 0.0203913


def over(hop: float, hops: int, frames: int = 1) -> float:
    """Each frame passes each of equal hops for itself."""
    return hop ** (hops * frames)


# loss; a hop, 12 hops, 12 hops with 3 and with 13 fragments; attempts a packet: powers of 1 - loss^4, by hand
TABLE = [
    (0.05, 0.999994, 0.999925, 0.99978, 0.99903, 1.0526),
    (0.1, 0.9999, 0.998801, 0.99641, 0.98452, 1.1110),
    (0.3, 0.9919, 0.907015, 0.74618, 0.28118, 1.4170),
]


@pytest.mark.parametrize(("loss", "hop", "twelve", "three", "thirteen", "attempts"), TABLE)
def test_over_twelve_hops(
    loss: float, hop: float, twelve: float, three: float, thirteen: float, attempts: float
) -> None:
    link = LinkTries(loss, 0.0, 4)
    assert round(link.delivered, 6) == hop
    assert round(over(link.delivered, 12), 6) == twelve
    assert round(over(link.delivered, 12, 3), 5) == three
    assert round(over(link.delivered, 12, 13), 5) == thirteen
    assert round(link.mean_attempts, 4) == attempts


def states(memory: float, loss: float = 0.1) -> tuple[LossStates, float]:
    """Good times that lose 0.01, bad ones 0.9, and the seconds over which so much of the state is kept."""
    share = (loss - 0.01) / 0.89
    link = LossStates(0.01, 0.9, 1.0, share)
    return link, -log(memory) * (1 - share) if memory else 1e9


@pytest.mark.parametrize(("memory", "lost"), [(0, 1.0e-4), (0.9, 0.0501), (0.99, 0.0646)])
def test_losses_in_runs_defeat_retries(memory: float, lost: float) -> None:
    """Mean loss 0.1, four attempts: v (L B)^3 L 1 of the chain of Gilbert and Elliott, worked out beforehand."""
    link, apart = states(memory)
    assert isclose(1 - delivered_in_runs(link, apart, 4, 1), lost, rel_tol=2e-3)


@given(st.floats(0.001, 0.99), st.integers(1, 4), st.integers(1, 3))
def test_runs_are_the_sum_over_every_way_of_the_chain(
    memory: float, attempts: int, frames: int
) -> None:
    """Every sequence of states and losses, weighed by itself."""
    link, apart = states(memory)
    keeps = memory

    def step(was: int, now: int) -> float:
        stationary = (1 - link.bad_share, link.bad_share)[now]
        return stationary * (1 - keeps) + keeps * (was == now)

    # weight by (state, frames done, tries of this one): each try loses by its state, then the state moves on
    weights = {(0, 0, 0): 1 - link.bad_share, (1, 0, 0): link.bad_share}
    delivered = 0.0
    while weights:
        after: dict[tuple[int, int, int], float] = {}
        for (state, done, tried), weight in weights.items():
            loss = (link.good, link.bad)[state]
            for lost, chance in ((True, loss), (False, 1 - loss)):
                if lost and tried + 1 == attempts:
                    continue
                place = (done, tried + 1) if lost else (done + 1, 0)
                if place[0] == frames:
                    delivered += weight * chance
                    continue
                for now in (0, 1):
                    key = (now, *place)
                    after[key] = after.get(key, 0.0) + weight * chance * step(state, now)
        weights = after
    assert isclose(delivered_in_runs(link, apart, attempts, frames), delivered, rel_tol=1e-12)


@given(SHARES, st.floats(0.01, 0.04), st.integers(1, 7), st.integers(1, 11), st.integers(1, 5))
def test_more_loss_hops_and_fragments_deliver_less_and_retries_more(
    loss: float, more: float, attempts: int, hops: int, frames: int
) -> None:
    link = LinkTries(loss, 0.0, attempts)
    share = over(link.delivered, hops, frames)
    assert over(LinkTries(loss + more, 0.0, attempts).delivered, hops, frames) <= share
    assert over(link.delivered, hops + 1, frames) <= share
    assert over(link.delivered, hops, frames + 1) <= share
    assert over(LinkTries(loss, 0.0, attempts + 1).delivered, hops, frames) >= share
