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
import running  # noqa: E402
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

# A busy machine is no fault of the code.
settings.register_profile("lowpanbudget", deadline=None)
settings.load_profile("lowpanbudget")


def pytest_configure(config: pytest.Config) -> None:
    """Run tests as ``running`` says."""
    config.pluginmanager.register(running)


def pytest_collection_finish() -> None:
    """Leave thousands of collected tests out of the search for garbage."""
    gc.freeze()


@cache
def _judged() -> Callable[..., Any]:
    from lowpanbudget.deployment import carry

    known = cache(carry.judged)
    return lambda design, access, messages, *more: known(design, access, tuple(messages), *more)


@pytest.fixture
def played_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let tests share what a network came to when the same was asked before: playing takes a second.

    Not for tests that hold two plays of one network against each other.
    """
    from lowpanbudget.deployment import carry, helps

    for module in (carry, helps):
        monkeypatch.setattr(module, "judged", _judged())
