"""Numbers of a design of which each more takes more, and the least of them that is enough."""

from collections.abc import Callable, Sequence
from functools import reduce
from typing import Any

from lowpanbudget.design.meaning import Design
from lowpanbudget.values import replace


def value_of_key(design: Design, key: str) -> Any:
    """Return what a design has under a key, written as ``access.slots.cells``."""
    return reduce(getattr, key.split("."), design)


def with_value(design: Design, key: str, value: object) -> Design:
    """Return a design with another value under a key."""
    changed: Design = _put(design, key.split("."), value)
    return changed


def _put(whole: Any, path: Sequence[str], value: object) -> Any:
    name, *rest = path
    return replace(whole, **{name: _put(getattr(whole, name), rest, value) if rest else value})


def fewest(short: int, enough: int, is_enough: Callable[[int], bool]) -> int:
    """Return the least number that is enough, found by halving between one that is not and one that is."""
    while enough - short > 1:
        middle = (short + enough) // 2
        if is_enough(middle):
            enough = middle
        else:
            short = middle
    return enough
