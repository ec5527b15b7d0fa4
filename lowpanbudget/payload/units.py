"""Units by the names of the SenML units registry (RFC 8428 section 12.1): which to avoid, and what others are called.

A message may use any other text as a unit; only the registry's are understood by SenML consumers.
"""

from lowpanbudget.cites import rfc

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
        meant = ": '%' is the ratio itself there, and 30 says 3000 percent" * (unit == "%")
        return (
            f"{CITE} does not recommend {unit!r} for new formats{meant}",
            f'Write unit = "{better}"{more}; the numbers change with it',
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
