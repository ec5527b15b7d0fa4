"""The command line as users meet it: real processes with a clean environment, and the same in this process."""

from collections.abc import Callable
from typing import Any

import pytest
from contract import entry


@pytest.fixture
def program() -> Callable[..., Any]:
    """Return a function that runs the program with arguments; keywords set the environment."""
    return entry.program


@pytest.fixture
def invoke() -> Callable[..., Any]:
    """Return a function that runs the program in this process."""
    return entry.invoke
