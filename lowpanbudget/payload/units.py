"""Units by the names of the SenML units registry (RFC 8428 section 12.1): which to avoid, and what others are called.

A message may use any other text as a unit; only the registry's are understood by SenML consumers.
"""

from lowpanbudget.cites import rfc

CITE = rfc(8428, "12.1")

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


def advice(unit: str) -> str:
    """Return a hint where the registry has a name for this unit or advises against it, else an empty text."""
    if unit in NOT_RECOMMENDED:
        return f"{CITE} does not recommend {unit!r} for new formats"
    usual = _USUAL.get(unit)
    return f"SenML's registry calls this unit {usual!r} ({CITE})" if usual else ""
