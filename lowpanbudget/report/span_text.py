"""Spans of time in words."""

from lowpanbudget.design.upkeep_shape import KEEP_ALIVE


def sending_text(message: str, sends_every_s: float) -> str:
    """Return how often a message is sent: of a keep-alive, the silence behind which it is."""
    behind = " of silence" if message == KEEP_ALIVE else ""
    return span_of_time(sends_every_s) + behind


def span_of_time(seconds: float) -> str:
    """Return a span of time in its two largest units."""
    rounded = round(seconds)
    for unit, size, smaller, part in (
        ("d", 86400, "h", 3600),
        ("h", 3600, "min", 60),
        ("min", 60, "s", 1),
    ):
        if rounded >= size:
            rest = rounded % size // part
            return f"{rounded // size} {unit}" + (f" {rest} {smaller}" if rest else "")
    return f"{seconds:g} s"


def time_that_ends(batch_ends: str) -> str:
    """Return the field whose range ends what goes together, where it is not room or the longest list; or nothing."""
    return "" if batch_ends in {"octets", "length"} else batch_ends
