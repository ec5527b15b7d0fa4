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

# Table 6, all of it.
_TABLE_6 = (
    "m kg g s A K cd mol Hz rad sr N Pa J W C V F Ohm S Wb T H Cel lm lx Bq Gy Sv kat m2 m3 l m/s m/s2 m3/s l/s W/m2 "
    "cd/m2 bit bit/s lat lon pH dB dBW Bspl count / % %RH %EL EL 1/s 1/min beat/min beats S/m"
)
REGISTRY = frozenset(_TABLE_6.split())
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
    "m^2": "m2",
    "m^3": "m3",
    "m/s^2": "m/s2",
    "W/m²": "W/m2",
    "W/m^2": "W/m2",
    "deg C": "Cel",
}
# ... and words, however they begin
_WORDS = {
    "m": "meter metre meters metres", "kg": "kilogram kilograms", "s": "second", "A": "ampere amperes amp amps",
    "K": "kelvin", "Hz": "hertz", "N": "newton newtons", "Pa": "pascal pascals", "J": "joule joules",
    "W": "watt watts", "V": "volt volts", "Ohm": "ohms", "S": "siemens", "T": "tesla", "lm": "lumen lumens",
    "bit": "bits", "m2": "sqm", "m3": "cbm",
}  # fmt: skip
_USUAL_WORDS = {word: unit for unit, words in _WORDS.items() for word in words.split()}

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
_OTHER_WORDS = {
    "Pa": "psi inhg mmhg atm torr mmh2o inh2o", "m": "in inch inches ft foot feet yd yard yards mi mile miles",
    "m/s": "mph kn kt kts knot knots ft/s ft/min", "m3": "liter liters litre litres L gal gallon gallons ft3 cuft",
    "m3/s": "gpm gal/min cfm l/min m3/h", "kg": "lb lbs pound pounds oz", "Hz": "rpm", "J": "btu cal kcal",
    "W": "hp", "N": "lbf", "/": "percent pct", "s": "minute hour day d",
}  # fmt: skip
_OTHER_SCALES |= {word: unit for unit, words in _OTHER_WORDS.items() for word in words.split()}
# the registry's names as those have them who know the letters and not their case
_IN_LOWER_CASE = {unit.lower(): unit for unit in REGISTRY if len(unit) > 1}

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
    usual = _registered(unit)
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
    return _registered(one) == _registered(other)


def _registered(unit: str) -> str:
    """Return what the registry calls a unit that is written otherwise, else the unit as it is."""
    word = _word(unit)
    return _USUAL.get(unit) or _USUAL_WORDS.get(word) or _IN_LOWER_CASE.get(word, unit)


def _word(unit: str) -> str:
    """Return a unit in small letters, as words are told; nothing where its case tells units apart: "kN", "pA"."""
    return "" if unit in REGISTRY or unit[1:] in _PREFIXED else unit.lower()


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
    other = _OTHER_SCALES.get(unit) or _OTHER_SCALES.get(_word(unit))
    if other is not None:
        text = f"SenML's registry has no {unit!r}, but {other!r} for this quantity ({CITE})"
        known = "or keep it, and tell it to whoever reads: no reader of SenML knows it"
        return text, f'Write unit = "{other}", and the numbers change with it; {known}'
    if unit in _MISTAKEN:
        name, meant, better = _MISTAKEN[unit]
        text = f"{unit!r} is {name} in SenML's registry ({CITE})"
        return text, f"If {meant} are meant, write unit = {better}"
    usual = _registered(unit)
    if usual == unit:
        return "", ""
    return f"SenML's registry calls this unit {usual!r} ({CITE})", f'Write unit = "{usual}"'
