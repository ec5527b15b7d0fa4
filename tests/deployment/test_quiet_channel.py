"""A hop where the channel is as often busy at every CCA: closed form against distribution, and published throughput."""

from math import isclose

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from lowpanbudget.deployment.contention_rules import CsmaRules
from lowpanbudget.deployment.delays import Delays, delays, in_turn
from lowpanbudget.deployment.quiet_channel import QuietHop, throughput_bps

# macMinBE 3, macMaxBE 5, macMaxCSMABackoffs 4, 3 retries (from memory) and the waits of 2.4 GHz in microseconds
RULES = CsmaRules(3, 5, 4, 3, 320, 128, 192, 864)
FRAME, ANSWER, SYMBOL = 85 * 32, 11 * 32, 16  # 79 octets, an acknowledgement of 5

# chance of a busy CCA and of success; delivered by one hop, its mean and quantiles in ms; the same of twelve hops:
# worked out beforehand by direct convolution on the symbol grid
TABLE = [
    (0, 1, 1, 4.704, (4.544, 5.824, 5.824), 1, 56.45, (56.45, 60.61, 62.21)),
    (0.05, 0.95, 0.9999934210625, 5.115, (4.864, 8.832, 11.328), 0.999921056, 61.39, (60.61, 71.81, 77.89)),
    (0.1, 0.9, 0.9998888940122, 5.604, (4.864, 10.432, 15.232), 0.998667543, 67.24, (66.11, 82.50, 91.14)),
    (0.3, 0.8, 0.9953846495763, 7.608, (5.504, 17.920, 26.368), 0.946000285, 91.30, (89.34, 122.37, 139.01)),
]  # fmt: skip


def thousandths(of: Delays) -> tuple[float, ...]:
    return tuple(of.quantile_s(share) * 1000 for share in (0.5, 0.95, 0.99))


@pytest.mark.parametrize(
    ("busy", "succeeds", "delivered", "mean", "quantiles", "twelve", "mean12", "quantiles12"), TABLE
)
def test_one_hop_and_twelve(
    busy: float, succeeds: float, delivered: float, mean: float, quantiles: tuple[float, ...], twelve: float,
    mean12: float, quantiles12: tuple[float, ...],
) -> None:  # fmt: skip
    hop = QuietHop(RULES, busy, succeeds)
    assert isclose(hop.delivered, delivered, rel_tol=1e-13)
    found = hop.delays(FRAME, ANSWER, SYMBOL)
    assert isclose(found.delivered, hop.delivered, rel_tol=1e-12)
    assert found.mean_s * 1000 == pytest.approx(mean, abs=5e-4)
    assert thousandths(found) == pytest.approx(quantiles, abs=1e-9)
    path = found.times(12)
    assert isclose(path.delivered, twelve, rel_tol=1e-9)
    assert path.mean_s * 1000 == pytest.approx(mean12, abs=5e-3)
    assert thousandths(path) == pytest.approx(quantiles12, abs=5e-3)


@pytest.mark.parametrize(("busy", "lost"), [(0.1, 1e-5), (0.3, 0.00243), (0.5, 0.03125)])
def test_access_fails_after_five_busy_ccas(busy: float, lost: float) -> None:
    assert isclose(QuietHop(RULES, busy, 1).lost_for_access, lost, rel_tol=1e-12)


# Latré, De Mil, Moerman, Dhoedt, Demeester, "Throughput and Delay Analysis of Unslotted IEEE 802.15.4", Journal of
# Networks 1 (2006): 64.9 % of 250 kb/s, "not higher than 163 kbps" (read in its abstract). Payload, bit/s without and
# with acknowledgement by their sum, without CCA and without the turnaround before the frame
PUBLISHED = [(122, 162_234, 148_780), (114, 151_596, 139_024), (102, 135_638, 124_390)]


@pytest.mark.parametrize(("payload", "plain", "answered"), PUBLISHED)
def test_the_published_throughput_by_its_own_sum(payload: int, plain: int, answered: int) -> None:
    theirs = RULES._replace(cca_us=0, spacing_us=640)
    # the turnaround before the frame is not in their sum: it is taken off the airtime here
    bare = throughput_bps(theirs, payload, 133 * 32 - 192, 0)
    assert round(bare) == plain
    assert round(throughput_bps(theirs, payload, 133 * 32 - 192, ANSWER)) == answered
    assert (payload == 122) == (round(bare / 250_000, 3) == 0.649)


@pytest.mark.parametrize(
    ("payload", "answer_us", "bps"),
    [(122, 0, 154_040), (122, ANSWER, 141_860), (114, ANSWER, 132_558)],
)
def test_throughput_with_cca_and_both_turnarounds(payload: int, answer_us: int, bps: int) -> None:
    """8 x payload bits in 1120 + 128 + 192 + 4256 + 640 µs, and 192 + 352 more with an acknowledgement."""
    ours = throughput_bps(RULES._replace(spacing_us=640), payload, 133 * 32, answer_us)
    assert int(ours) == bps


PARTS = st.lists(st.lists(st.floats(0, 1), min_size=1, max_size=30), min_size=1, max_size=5)


@given(PARTS)
def test_the_transform_is_the_convolution(parts: list[list[float]]) -> None:
    shares = [np.array(part) / max(sum(part), 1.0) for part in parts]
    direct = shares[0]
    for part in shares[1:]:
        direct = np.convolve(direct, part)
    found = in_turn([(delays(1.0, part.copy()), 1) for part in shares])
    assert np.abs(found.shares - direct).max() < 1e-12


@given(st.floats(0, 0.9), st.floats(0.1, 1), st.integers(0, 4), st.integers(0, 3))
def test_quantiles_rise_and_nothing_is_lost_but_what_is_said(
    busy: float, succeeds: float, backoffs: int, retries: int
) -> None:
    rules = RULES._replace(min_be=1, max_be=3, backoffs=backoffs, retries=retries)
    hop = QuietHop(rules, busy, succeeds)
    found = hop.delays(FRAME, ANSWER, SYMBOL)
    assert isclose(found.delivered + hop.lost_for_access + hop.lost_for_retries, 1, abs_tol=1e-12)
    assert list(thousandths(found)) == sorted(thousandths(found))
    busier = QuietHop(rules, min(busy + 0.05, 1), succeeds)
    assert busier.delivered <= hop.delivered + 1e-15
