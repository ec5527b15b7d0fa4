"""What holds for every test."""

import gc
import os
import random
import sys
from collections.abc import Callable, Iterator
from functools import cache
from importlib import import_module
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

# A busy machine is no fault of the code. A gate is no lottery: properties are tried with the same inputs every time,
# and with others, ten times as many, where somebody explores (`--hypothesis-profile explore`).
settings.register_profile("lowpanbudget", deadline=None, derandomize=True)
settings.register_profile("explore", deadline=None, max_examples=1000)
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


def _inside(name: str) -> Any:
    """Return a module of the package's inside; None where it has another name by now.

    Tests that look at the package from outside stand on nothing in it. What is shared here only saves them time.
    """
    try:
        return import_module(f"lowpanbudget.{name}")
    except ModuleNotFoundError:
        return None


def _as_stated_anywhere(design: Any) -> Any:
    """Return a design without the name of its file: what a network comes to does not depend on it."""
    from lowpanbudget.values import replace

    return replace(design, file="")


@cache
def _once(module: str, name: str, follow: int) -> Callable[..., Any] | None:
    """Return a function of designs that remembers what it came to; None where there is none of that name.

    So many of its arguments behind the design ``follow`` from it.
    """
    play, known = getattr(_inside(module), name, None), {}
    if play is None:
        return None

    def played(design: Any, *told: Any, **named: Any) -> Any:
        given = tuple(tuple(one) if isinstance(one, list | Iterator) else one for one in told)
        key = _as_stated_anywhere(design), given[follow:], tuple(named.items())
        if key not in known:
            known[key] = play(design, *given, **named)
        return known[key]

    return played


# what plays networks, how many of its arguments follow from the design, and where it is called by its name
_PLAYED = (
    ("deployment.carry", "judged", 0, ("deployment.carry", "findings.looks", "findings.together")),
    ("deployment.burst", "slot_runs", 1, ("deployment.burst",)),
    ("deployment.burst", "contention_runs", 1, ("deployment.burst",)),
)


def shared() -> Iterator[tuple[Any, str, Callable[..., Any]]]:
    """Yield where what plays a network is called by its name, and what remembers in its stead."""
    for module, name, follow, places in _PLAYED:
        played = _once(module, name, follow)
        for place in map(_inside, places):
            if played is not None and hasattr(place, name):
                yield place, name, played


@pytest.fixture
def played_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let tests share what a network came to when the same was asked before: playing takes a second.

    Not for tests that hold two plays of one network against each other.
    """
    for where in shared():
        monkeypatch.setattr(*where)
