"""Units by the names of the SenML units registry, as RFC 8428 section 12.1 lists them.

A message may use any other text as a unit; only these are understood by SenML consumers.
"""

from lowpanbudget.cites import rfc

CITE = rfc(8428, "12.1")

SENML_UNITS: dict[str, str] = {
    "m": "meter",
    "kg": "kilogram",
    "g": "gram",
    "s": "second",
    "A": "ampere",
    "K": "kelvin",
    "cd": "candela",
    "mol": "mole",
    "Hz": "hertz",
    "rad": "radian",
    "sr": "steradian",
    "N": "newton",
    "Pa": "pascal",
    "J": "joule",
    "W": "watt",
    "C": "coulomb",
    "V": "volt",
    "F": "farad",
    "Ohm": "ohm",
    "S": "siemens",
    "Wb": "weber",
    "T": "tesla",
    "H": "henry",
    "Cel": "degrees Celsius",
    "lm": "lumen",
    "lx": "lux",
    "Bq": "becquerel",
    "Gy": "gray",
    "Sv": "sievert",
    "kat": "katal",
    "m2": "square meter (area)",
    "m3": "cubic meter (volume)",
    "l": "liter (volume)",
    "m/s": "meter per second (velocity)",
    "m/s2": "meter per square second (acceleration)",
    "m3/s": "cubic meter per second (flow rate)",
    "l/s": "liter per second (flow rate)",
    "W/m2": "watt per square meter (irradiance)",
    "cd/m2": "candela per square meter (luminance)",
    "bit": "bit (information content)",
    "bit/s": "bit per second (data rate)",
    "lat": "degrees latitude",
    "lon": "degrees longitude",
    "pH": "pH value (acidity; logarithmic quantity)",
    "dB": "decibel (logarithmic quantity)",
    "dBW": "decibel relative to 1 W (power level)",
    "Bspl": "bel (sound pressure level; logarithmic quantity)",
    "count": "1 (counter value)",
    "/": "1 (ratio, e.g., value of a switch)",
    "%": "1 (ratio, e.g., value of a switch)",
    "%RH": "percentage (relative humidity)",
    "%EL": "percentage (remaining battery energy level)",
    "EL": "seconds (remaining battery energy level)",
    "1/s": "1 per second (event rate)",
    "1/min": "1 per minute (event rate, rpm)",
    "beat/min": "1 per minute (heart rate in beats per minute)",
    "beats": "1 (cumulative number of heart beats)",
    "S/m": "siemens per meter (conductivity)",
}

# "Units marked with an asterisk are NOT RECOMMENDED to be produced by new implementations"
NOT_RECOMMENDED = frozenset({"g", "l", "l/s", "Bspl", "%", "1/min", "beat/min", "beats"})

# What people write for them; a hint, never a silent change.
_USUAL = {
    "°C": "Cel",
    "degC": "Cel",
    "C°": "Cel",
    "% RH": "%RH",
    "ohm": "Ohm",
    "Ω": "Ohm",
    "lux": "lx",
    "rH": "%RH",
    "hz": "Hz",
    "m/s²": "m/s2",
    "m²": "m2",
    "m³": "m3",
}


def describe(unit: str) -> str:
    """Return what the registry says about a unit, or an empty text for a unit of one's own."""
    return SENML_UNITS.get(unit, "")


def advice(unit: str) -> str:
    """Return a hint where the registry has a name for this unit or advises against it, else an empty text."""
    if unit in NOT_RECOMMENDED:
        return f"{CITE} does not recommend {unit!r} for new formats"
    usual = _USUAL.get(unit)
    return f"SenML's registry calls this unit {usual!r} ({CITE})" if usual else ""
