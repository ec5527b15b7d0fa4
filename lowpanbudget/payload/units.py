"""Units by the names of the SenML units registry (RFC 8428 section 12.1): which to avoid, and what others are called.

A message may use any other text as a unit; only the registry's are understood by SenML consumers. Units of one quantity
that differ by a factor are told here as well: what SenML calls secondary units (RFC 8798, from memory), SI prefixes.
"""

import dataclasses
from decimal import Decimal
from typing import Any

from lowpanbudget.cites import rfc
from lowpanbudget.payload.exact import EXACT

CITE = rfc(8428, "12.1")

# "Units marked with an asterisk are NOT RECOMMENDED to be produced by new implementations"
# ... and the units that the registry has beside them, of the same or of a related quantity
NOT_RECOMMENDED = {
    "g": "kg",
    "l": "m3",
    "l/s": "m3/s",
    "Bspl": "dB",
    "%": "/",
    "1/min": "Hz",
    "beat/min": "Hz",
    "beats": "count",
}

# What people write for them; a hint, never a silent change.
_USUAL = {
    "°C": "Cel",
    "degC": "Cel",
    "C°": "Cel",
    "% RH": "%RH",
    "ohm": "Ohm",
    "Ω": "Ohm",
    "celsius": "Cel",
    "Celsius": "Cel",
    "lux": "lx",
    "sec": "s",
    "seconds": "s",
    "rH": "%RH",
    "hz": "Hz",
    "m/s²": "m/s2",
    "m²": "m2",
    "m³": "m3",
}

# Other scales of what the registry has one unit for (its fifth guideline): the numbers change.
_OTHER_SCALES = {
    "°F": "Cel",
    "degF": "Cel",
    "fahrenheit": "Cel",
    "Fahrenheit": "Cel",
    "minutes": "s",
    "hours": "s",
    "days": "s",
}

# What stands for something else there than many mean by it.
_MISTAKEN = {
    "C": ("coulomb", "degrees Celsius", '"Cel"'),
    "F": ("farad", "degrees Fahrenheit", '"Cel" and numbers in degrees Celsius'),
}


# The unit that has the same quantity without a factor, and that factor: secondary units whose factor is an exact
# decimal (RFC 8798, from memory), and others of common practice. Percent is a hundredth, whatever SenML calls "%".
_FACTORS = {
    "%": ("/", "1e-2"), "/100": ("/", "1e-2"), "/1000": ("/", "1e-3"), "ppm": ("/", "1e-6"), "ppb": ("/", "1e-9"),
    "ms": ("s", "1e-3"), "min": ("s", "60"), "h": ("s", "3600"), "Ah": ("C", "3600"), "mAh": ("C", "3.6"),
    "Wh": ("J", "3600"), "kWh": ("J", "3.6e6"), "l": ("m3", "1e-3"), "ml": ("m3", "1e-6"), "l/s": ("m3/s", "1e-3"),
    "bar": ("Pa", "1e5"), "mbar": ("Pa", "1e2"),
}  # fmt: skip
# The SI's prefixes (SI brochure, table 7, from memory) that sensors use, before its units. There is no "p" among them:
# pH is no picohenry.
_PREFIXES = {
    "G": "1e9", "M": "1e6", "k": "1e3", "h": "1e2", "c": "1e-2", "m": "1e-3", "µ": "1e-6", "μ": "1e-6", "u": "1e-6",
    "n": "1e-9",
}  # fmt: skip
_PREFIXED = frozenset(
    {
        "m",
        "g",
        "s",
        "A",
        "K",
        "Hz",
        "N",
        "Pa",
        "J",
        "W",
        "C",
        "V",
        "F",
        "Ohm",
        "S",
        "T",
        "H",
        "lx",
        "m/s",
        "m/s2",
        "Bq",
        "Sv",
    }
)
# What packs write for a unit whose name stands for something else in SenML (RFC 8428 section 12.1, note 2 of table 6).
# A secondary unit such as "mV" has no other meaning there, and keeps its name.
_IN_PACKS = {"%": "/"}


def in_one_unit(field: Any, other: Any) -> tuple[Any, Any] | None:
    """Return two fields of any kinds with their numbers in one unit, that of the first where its factor is exact.

    None: units of different quantities, of which it is not known, or codes that are numbers themselves.
    """
    (base, factor), (other_base, other_factor) = _unprefixed(field.unit), _unprefixed(other.unit)
    if base != other_base:
        return None
    ratio = EXACT.divide(other_factor, factor)
    is_exact = EXACT.multiply(ratio, factor) == other_factor
    unit, times = (field.unit, (Decimal(1), ratio)) if is_exact else (base, (factor, other_factor))
    made = multiplied(field, times[0], unit), multiplied(other, times[1], unit)
    return None if None in made else made


def _unprefixed(unit: str) -> tuple[str, Decimal]:
    """Return the unit of the same quantity without a factor, and the factor."""
    usual = _USUAL.get(unit, unit)
    base, factor = _FACTORS.get(usual, (usual, "1"))
    if base == usual and usual[1:] in _PREFIXED and usual[0] in _PREFIXES:
        base, factor = usual[1:], _PREFIXES[usual[0]]
    return base, Decimal(factor)


def in_packs(unit: str) -> tuple[str, Decimal]:
    """Return what SenML calls a unit, and by what numbers in it are to be multiplied to be in that."""
    written = _IN_PACKS.get(unit, unit)
    return written, _unprefixed(unit)[1] if written != unit else Decimal(1)


def multiplied(field: Any, factor: Decimal, unit: str) -> Any:
    """Return a field of any kind with all its numbers multiplied, in another unit; None where codes do not allow it.

    Floating-point numbers are such: their octets are the numbers.
    """
    if factor == 1:
        return dataclasses.replace(field, unit=unit)
    if field.number() is None and not field.indexed:
        return None
    made = dataclasses.replace(
        field, unit=unit, **{key: _times(getattr(field, key), factor) for key in field.decimals}
    )
    # of equal ratios each value is rounded to so many digits, so only a factor of ten leaves them
    is_other = field.indexed and made.entries() != _times(field.entries(), factor)
    return None if is_other else made


def _times(value: Any, factor: Decimal) -> Any:
    """Return a decimal, a tuple of them, or None, multiplied."""
    if isinstance(value, tuple):
        return tuple(EXACT.multiply(one, factor) for one in value)
    return None if value is None else EXACT.multiply(value, factor)


def is_same_unit(one: str, other: str) -> bool:
    """Return whether two names are of one unit, be they the registry's or what people write for them."""
    return _USUAL.get(one, one) == _USUAL.get(other, other)


def advice(unit: str) -> tuple[str, str]:
    """Return what is said of a unit that the registry names otherwise or advises against, and what to write instead.

    Both are empty where there is nothing to say.
    """
    if unit in NOT_RECOMMENDED:
        better = NOT_RECOMMENDED[unit]
        more = ' (a ratio from 0 to 1), or a special one: "%RH", "%EL"' if unit == "%" else ""
        meant = (
            ": '%' is the ratio itself there, and 30 says 3000 percent; SenML packs of this message have 0.3 of '/'"
            * (unit == "%")
        )
        own = "Divide by 100 where you write packs yourself. Or: "
        return (
            f"{CITE} does not recommend {unit!r} for new formats{meant}",
            f'{own * (unit == "%")}Write unit = "{better}"{more}; the numbers change with it',
        )
    if unit in _OTHER_SCALES:
        other = _OTHER_SCALES[unit]
        text = f"SenML's registry has no {unit!r}, but {other!r} for this quantity ({CITE})"
        return text, f'Write unit = "{other}"; the numbers change with it'
    if unit in _MISTAKEN:
        name, meant, better = _MISTAKEN[unit]
        text = f"{unit!r} is {name} in SenML's registry ({CITE})"
        return text, f"If {meant} are meant, write unit = {better}"
    usual = _USUAL.get(unit)
    if usual is None:
        return "", ""
    return f"SenML's registry calls this unit {usual!r} ({CITE})", f'Write unit = "{usual}"'
