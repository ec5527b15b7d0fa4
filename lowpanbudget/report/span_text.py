"""Spans of time in words."""


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
