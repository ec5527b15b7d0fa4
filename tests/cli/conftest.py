"""The fixtures of the contract's tests, for those that look inside the program."""

from collections.abc import Callable
from typing import Any

import pytest
from contract import entry


@pytest.fixture
def invoke() -> Callable[..., Any]:
    """Return a function that runs the program in this process."""
    return entry.invoke
