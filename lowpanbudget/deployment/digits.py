"""Numbers in words with digits enough: a share apart from all and from nothing, a number apart from its limit."""

from decimal import ROUND_CEILING, Decimal

from lowpanbudget.design.estimate import Estimate

_MOST_DIGITS = 15  # a number has no more that count


def percent(share: float, beside: float | None = None) -> str:
    """Return a share in per cent that is told from all, from nothing, and from the one that it is held against."""
    value = share * 100
    if 0 < value < 1e-6:
        return "less than 0.000001 %"
    away = min(value, 100 - value)
    if away <= 0:
        return f"{value:.0f} %"
    digits = 1
    while round(away, digits) * 10**digits < 20 and digits < 6:
        digits += 1
    if beside is not None and not _is_alike(share, beside):
        while round(value, digits) == round(beside * 100, digits) and digits < _MOST_DIGITS:
            digits += 1
    return f"{value:.{digits}f} %"


def rounded_up(value: float) -> float:
    """Return a number with three digits that count, no smaller than it was."""
    step = Decimal(10) ** (Decimal(value).adjusted() - 2)
    return float((Decimal(repr(value)) / step).to_integral_value(ROUND_CEILING) * step)


def limit_percent(share: float) -> str:
    """Return a share in per cent as somebody stated it."""
    return f"{share * 100:.12g} %"


def beside(measured: float, allowed: float) -> tuple[str, str]:
    """Return two numbers with digits enough to tell them apart, if they are."""
    digits = 6
    while not _is_alike(measured, allowed) and digits < _MOST_DIGITS:
        if f"{measured:.{digits}g}" != f"{allowed:.{digits}g}":
            break
        digits += 1
    return f"{measured:.{digits}g}", f"{allowed:.{digits}g}"


def days_text(days: Estimate, to: str = " to ") -> str:
    """Return the days that a battery lasts, least and most with ``to`` between them; once where both read alike."""
    texts = (f"{one:.0f}" if one >= 10 else f"{one:.1f}" for one in (days.least, days.most))
    return to.join(dict.fromkeys(texts))


def _is_alike(one: float, other: float) -> bool:
    """Return whether two numbers differ by no more than calculating does to them."""
    return abs(one - other) <= abs(other) * 1e-12
