"""Work counted in calls, not in seconds: a busy machine makes no difference."""

import sys
from collections.abc import Callable
from types import FrameType


def calls(function: Callable[[], object]) -> int:
    """Return how many calls ``function`` makes, of Python's functions and of built-in ones."""
    count = 0

    def seen(_frame: FrameType, event: str, _arg: object) -> None:
        nonlocal count
        count += event in ("call", "c_call")

    before = sys.getprofile()
    sys.setprofile(seen)
    try:
        function()
    finally:
        sys.setprofile(before)
    return count
