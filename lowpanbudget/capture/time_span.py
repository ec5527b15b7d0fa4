"""Spans of time as people write them: 60, 0.5, 15min, 1 h 30 min."""

import re

from lowpanbudget.arguments import typed
from lowpanbudget.capture.files.pcap import SECOND
from lowpanbudget.errors import RequestError

_UNITS = {"": SECOND, "s": SECOND, "min": 60 * SECOND, "h": 3600 * SECOND, "d": 86400 * SECOND}
_SPAN = re.compile(r"\s*(\d{1,9}(?:[.]\d{1,9})?)\s*(s|min|h|d)?(?=[\s\d]|$)", re.ASCII)
_LEAST_NS, _MOST_NS = SECOND // 1000, 366 * 86400 * SECOND
_HOW = "Seconds such as 60 or 0.5, or with units: 90 s, 15 min, 1 h 30 min, 1 d"


def span_in(text: str) -> int | None:
    """Return a span of time in nanoseconds, of text without blanks around it; None for what is none."""
    total, at, before = 0, 0, _MOST_NS
    while at < len(text):
        part = _SPAN.match(text, at)
        unit = _UNITS[part[2] or ""] if part else before
        if part is None or unit >= before or (part[2] is None and part[0].strip() != text):
            return None
        whole, _, fraction = part[1].partition(".")
        total += int(whole) * unit + int(fraction.ljust(9, "0")) * unit // SECOND
        at, before = part.end(), unit
    return total


def span_ns(value: object) -> int:
    """Return a span of time in nanoseconds: a number of seconds, or numbers with units, the largest first.

    Raises ``RequestError`` for what is none, and for less than a millisecond or more than a year.
    """
    text = typed(value).strip()
    total = span_in(text)
    if total is None:
        raise RequestError(f"{text!r} is no span of time", hint=_HOW)
    if not _LEAST_NS <= total <= _MOST_NS:
        raise RequestError(f"{text!r} is not from 1 ms to 366 days", hint=_HOW)
    return total
