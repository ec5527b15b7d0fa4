"""Results as plain data (dictionaries, lists, text, numbers) that every renderer shares.

Octets become hex, addresses and cites text; what a value hides from its ``repr`` (keys, inner tables) stays hidden.
"""

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import fields, is_dataclass
from enum import Enum
from fractions import Fraction
from typing import Any

from lowpanbudget.bits import Span
from lowpanbudget.cites import Cite
from lowpanbudget.errors import LowpanError
from lowpanbudget.findings.finding import Finding

Plain = dict[str, Any]
UNREAD = ("not decoded", "sealed payload")  # names of spans whose octets nobody could read


def plain(value: Any) -> Any:
    """Return a value of any kind as plain data."""
    if value is None or isinstance(value, bool | str):
        return value
    if isinstance(value, Enum):
        return plain(value.value)
    if isinstance(value, int):
        return value
    if isinstance(value, float):
        return value if math.isfinite(value) else str(value)
    if isinstance(value, Fraction):
        return _fraction(value)
    if isinstance(value, bytes | bytearray | memoryview):
        return bytes(value).hex()
    if isinstance(value, Cite):
        return str(value)
    if isinstance(value, LowpanError):
        return fault(value)
    if isinstance(value, Mapping):
        return {str(plain(key)): plain(item) for key, item in value.items()}
    return _compound(value)


def findings(found: Iterable[Finding]) -> list[Plain]:
    """Return findings of captures and designs, severity and certainty in words."""
    return [
        {
            **plain(finding),
            "severity": finding.severity.word,
            "certainty": finding.certainty.value,
            "link": finding.cite.link,
            "has_weight": finding.has_weight,
        }
        for finding in found
    ]


def _compound(value: Any) -> Any:
    if isinstance(value, tuple) and hasattr(value, "_fields"):
        return {name: plain(getattr(value, name)) for name in value._fields}
    if isinstance(value, list | tuple | set | frozenset):
        return [plain(item) for item in value]
    if is_dataclass(value) and not isinstance(value, type):
        return {part.name: plain(getattr(value, part.name)) for part in fields(value) if part.repr}
    return str(value)


def _fraction(value: Fraction) -> int | float | str:
    """Return a number where one holds the fraction exactly, else its text."""
    if value.denominator == 1:
        return value.numerator
    try:
        number = float(value)
    except OverflowError:
        return str(value)
    return number if Fraction(str(number)) == value else str(value)


def fault(error: LowpanError) -> Plain:
    """Return an error: its kind, message, place, clause and hint."""
    return {
        "kind": type(error).__name__,
        "message": error.message,
        "offset": getattr(error, "offset", None),
        "layer": getattr(error, "layer", ""),
        "cite": None if error.cite is None else str(error.cite),
        "hint": error.hint,
    }


def layered(layers: Iterable[object]) -> list[Plain]:
    """Return decoded headers in order, each with its ``kind``."""
    return [{"kind": type(layer).__name__, **plain(layer)} for layer in layers]


def result(value: Any, *names: str) -> Plain:
    """Return the named attributes of a result; ``layers`` get their kinds."""
    return {
        name: layered(value.layers) if name == "layers" else plain(getattr(value, name))
        for name in names
    }


def segments(spans: Sequence[Span]) -> list[Plain]:
    """Return the runs of spans of one layer: ``layer``, ``kind``, ``label``, ``offset_bits``, ``bits``, ``spans``.

    What could not be read is a run of its own ``kind``. A layer that comes back later, as a trailer does, is labelled
    with what stands there.
    """
    runs: list[Plain] = []
    for span in spans:
        kind = span.name if span.name in UNREAD else span.layer
        if not runs or (runs[-1]["kind"], runs[-1]["layer"]) != (kind, span.layer):
            start = {"layer": span.layer, "kind": kind, "offset_bits": span.offset_bits}
            runs.append({**start, "bits": 0, "spans": 0, "names": []})
        runs[-1]["bits"] += span.bits
        runs[-1]["spans"] += 1
        runs[-1]["names"].append(span.name)
    seen: set[str] = set()
    for run in runs:
        names = run.pop("names")
        back = run["layer"] in seen
        seen.add(run["layer"])
        run["label"] = f"{run['layer']} ({', '.join(names)})" if back else run["layer"]
        if run["kind"] in UNREAD:
            run["label"] = (
                f"{run['kind']} ({run['layer']})" if run["layer"] != "sealed" else run["kind"]
            )
    return runs


def rows(
    spans: Sequence[Span], octets: bytes | None = None, sealed: tuple[int, int] = (0, 0)
) -> list[Plain]:
    """Return each span with its place as people count: octet range, bit range, and what was sent.

    ``octets`` are the frame's, if there are any; those in the range ``sealed`` went encrypted and are not shown.
    """
    found = []
    for span in spans:
        first, bit = divmod(span.offset_bits, 8)
        last = (span.offset_bits + span.bits - 1) // 8
        whole = bit == 0 and span.bits % 8 == 0
        row = plain(span)
        row["octet"] = f"{first}" if first == last else f"{first}-{last}"
        row["part"] = "" if whole else _bit_range(bit, span.bits)
        row["octets"] = span.bits // 8 if whole else None
        row["sent"] = _sent(span, whole, octets, first < sealed[1] and last >= sealed[0])
        row["says"] = _says(span, row["sent"])
        found.append(row)
    return found


def _bit_range(bit: int, bits: int) -> str:
    return f"{bit}" if bits == 1 else f"{bit}-{bit + bits - 1}"


def _sent(span: Span, whole: bool, octets: bytes | None, sealed: bool) -> str:
    if not whole:
        return f"{span.value:0{span.bits}b}" if isinstance(span.value, int) else ""
    if octets is None or sealed:
        return ""
    start = span.offset_bits // 8
    return octets[start : start + span.bits // 8].hex(" ")


def _says(span: Span, sent: str) -> str:
    """Return the value in the form that people look for; empty when it says no more than the octets sent."""
    value = span.value
    if isinstance(value, bytes):
        text = value.hex()
        return "" if text == sent.replace(" ", "") else text
    if isinstance(value, int) and not isinstance(value, bool):
        return f"{value} ({value:#0{2 + (span.bits + 3) // 4}x})" if span.bits > 8 else f"{value}"
    if isinstance(value, tuple):
        return ", ".join("none" if part is None else str(plain(part)) for part in value)
    return "" if value is None else str(plain(value))
