"""What holds for every test."""

import gc
import os
import random
import sys
from collections.abc import Callable
from functools import cache
from types import SimpleNamespace
from typing import Any

# Rewriting the asserts of 100 modules costs each worker seconds: they are kept, whatever the environment says.
sys.dont_write_bytecode = False

# Each worker has a processor: numpy's threads would only wait for each other, busily, in products of small matrices.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

# Looking for garbage among what a hundred modules and thousands of tests hold costs a tenth of the time.
gc.set_threshold(100_000, 50, 100)

import pytest  # noqa: E402
from _pytest.runner import runtestprotocol  # noqa: E402 - what pytest's own hook of this name calls
from hypothesis import settings  # noqa: E402 - its modules are rewritten as well

# Hypothesis seeds `random` for each example, and puts its 625 numbers back. It also compares them around each argument
# that it draws, to warn of strategies that ask it, and does the same to numpy's, which takes four times as long. No
# strategy here asks the one, nothing at all the other (ruff's NPY002). Another version may have neither name.
for module, name, value in (
    ("hypothesis.control", "random", SimpleNamespace(**vars(random) | {"getstate": lambda: None})),
    ("hypothesis.internal.entropy", "NP_RANDOM", False),  # not None: taken care of
):
    known = vars(sys.modules[module]) if module in sys.modules else {}
    if name in known:
        known[name] = value

WORKER = "PYTEST_XDIST_WORKER" in os.environ

# A busy machine is no fault of the code.
settings.register_profile("lowpanbudget", deadline=None)
settings.load_profile("lowpanbudget")


def pytest_collection_finish() -> None:
    """Leave thousands of collected tests out of the search for garbage."""
    gc.freeze()


def pytest_runtest_protocol(item: pytest.Item, nextitem: pytest.Item | None) -> bool:
    """Run a test; a start, set-up or end that went well is not reported where it has to cross to another process."""
    hook = item.ihook
    if not WORKER:
        hook.pytest_runtest_logstart(nodeid=item.nodeid, location=item.location)
    for report in runtestprotocol(item, log=False, nextitem=nextitem):
        if report.when == "call" or not report.passed or not WORKER:
            hook.pytest_runtest_logreport(report=report)
    hook.pytest_runtest_logfinish(nodeid=item.nodeid, location=item.location)
    return True


@cache
def _judged() -> Callable[..., Any]:
    from lowpanbudget.deployment import carry
    from lowpanbudget.values import replace

    known = cache(carry.judged)

    def judged(
        design: Any, access: Any, messages: Any, seed: int, transmissions: int | None = None, *given: Any
    ) -> Any:  # fmt: skip
        # what a network comes to does not depend on the file that states it
        return known(replace(design, file=""), access, tuple(messages), seed, transmissions, *given)

    return judged


@cache
def _runs(name: str) -> Callable[..., Any]:
    from lowpanbudget.deployment import burst
    from lowpanbudget.values import replace

    play, known = getattr(burst, name), {}

    def runs(design: Any, traffic: Any, *told: Any) -> Any:
        way, frames, fired, numbers, seed = told
        numbers = tuple(numbers)
        key = replace(design, file=""), way, frames, fired, numbers, seed
        if key not in known:
            known[key] = play(design, traffic, way, frames, fired, numbers, seed)
        return known[key]

    return runs


@pytest.fixture
def played_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let tests share what a network came to when the same was asked before: playing takes a second.

    Not for tests that hold two plays of one network against each other.
    """
    from lowpanbudget.deployment import burst, carry
    from lowpanbudget.findings import helps

    for module in (carry, helps):
        monkeypatch.setattr(module, "judged", _judged())
    for name in ("slot_runs", "contention_runs"):
        monkeypatch.setattr(burst, name, _runs(name))
