"""One budget of a flow with all its knobs, both hops: under 20 ms. Run on demand, with pytest-benchmark:

python -m pytest tests/bench/bench_budget.py -q
"""

from pathlib import Path
from typing import Any

import pytest

from lowpanbudget import budget, fit, load_design

EXAMPLES = Path(__file__).parents[2] / "examples"
MOST_S = 0.020


@pytest.mark.parametrize(
    ("name", "flow"), [("footbridge", "features"), ("footbridge", "snapshot"), ("archive", "alarm")]
)
def test_one_budget(benchmark: Any, name: str, flow: str) -> None:
    design = load_design(EXAMPLES / f"{name}.toml")
    found = benchmark(lambda: budget(design, flow))
    assert len(found) == 2
    assert (
        benchmark.stats.stats.min < MOST_S
    )  # the least: what others take of the machine is not ours


def test_one_fit(benchmark: Any) -> None:
    design = load_design(EXAMPLES / "footbridge.toml")
    assert benchmark(fit, design)
