"""Paths and values as people read them."""

from collections.abc import Sequence
from decimal import Decimal
from typing import Any

from lowpanbudget.payload.exact import digits, exact


def joined(path: Sequence[str | int]) -> str:
    """Return a path as people write it: ``readings[3].temperature``, ``reading[].peak``, ``detail(impact).energy``."""
    text = ""
    for part in path:
        if isinstance(part, int):
            text += f"[{part}]"
        else:
            text += part if part.startswith(("[", "(")) else f".{part}"
    return text.lstrip(".")


def text_of(value: Any) -> str:
    """Return a value as text: numbers without exponent, octets in hex, flags joined; nothing of what has no parts."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int | Decimal):
        return digits(exact(value))
    if isinstance(value, bytes):
        return value.hex()
    if isinstance(value, tuple):
        return " ".join(value)
    return "" if value in ([], {}) else str(value)
