"""How long the program takes to say what it can do; run with ``pytest tests/bench/bench_start.py``.

The goal: ``lowpanbudget --help`` takes at most twice as long as ``python -c "import click"``.
"""

import subprocess
import sys
import time

from pytest_benchmark.fixture import BenchmarkFixture

HELP = [sys.executable, "-m", "lowpanbudget", "--help"]
CLICK = [sys.executable, "-c", "import click"]
_ROUNDS = 15


def run(command: list[str]) -> None:
    subprocess.run(command, stdout=subprocess.DEVNULL, check=True)


def fastest(command: list[str]) -> float:
    """Return the seconds of the fastest of several runs: the others waited for something else."""
    times = []
    for _ in range(_ROUNDS):
        start = time.perf_counter()
        run(command)
        times.append(time.perf_counter() - start)
    return min(times)


def test_help(benchmark: BenchmarkFixture) -> None:
    benchmark(run, HELP)
    assert fastest(HELP) <= 2 * fastest(CLICK)
