"""What callers give, checked: a whole number, several of something, a value of a class."""

from collections.abc import Iterable
from typing import Any, TypeVar

from lowpanbudget.errors import RequestError

Kind = TypeVar("Kind")


def whole_number(value: object, name: str, least: int = 0) -> int:
    """Return a whole number from ``least`` on; ``RequestError`` that names the argument for anything else."""
    if isinstance(value, bool) or not isinstance(value, int) or value < least:
        raise RequestError(
            f"{name} {value!r} is no number from {least}", hint=f"Give {least} or more"
        )
    return value


def several(values: object, name: str) -> Iterable[Any]:
    """Return what can be iterated over; ``RequestError`` for anything else, and for a text, which is one value."""
    if isinstance(values, str | bytes) or not isinstance(values, Iterable):
        raise RequestError(
            f"{name} is a list, not {type(values).__name__}", hint="Give a list, even of one"
        )
    return values


def value_of(kind: type[Kind], value: object, hint: str = "") -> Kind:
    """Return a value of this class; ``RequestError`` for anything else."""
    if not isinstance(value, kind):
        raise RequestError(f"a {kind.__name__} is needed, not {type(value).__name__}", hint=hint)
    return value
