"""Results as plain data (dictionaries, lists, text, numbers) that every renderer shares.

Octets become hex, addresses and cites text; what a value hides from its ``repr`` (keys, inner tables) stays hidden.
"""

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import fields, is_dataclass
from enum import Enum
from fractions import Fraction
from itertools import groupby
from typing import TYPE_CHECKING, Any

from lowpanbudget.bits import Nature, Span
from lowpanbudget.cites import Cite
from lowpanbudget.declared import tells_class
from lowpanbudget.errors import LowpanError
from lowpanbudget.findings.finding import Finding

if TYPE_CHECKING:
    from lowpanbudget.capture.follow.receivers import Reception
    from lowpanbudget.findings.audited import CaptureFindings
    from lowpanbudget.room.by_hops import HopRoom, RoomByHops
    from lowpanbudget.room.carrying import Carrying
    from lowpanbudget.room.compute import Budget
    from lowpanbudget.room.encodings import Alternative
    from lowpanbudget.room.fit import Fit
    from lowpanbudget.room.sweep.swept import Sweep
    from lowpanbudget.room.weigh import Weighing

Data = dict[str, Any]
UNREAD = (Nature.UNREAD, Nature.SEALED)  # what nobody could read


def data_of(value: Any) -> Any:
    """Return a value of any kind as plain data."""
    if value is None or isinstance(value, bool | str):
        return value
    if isinstance(value, Enum):
        return data_of(value.value)
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
        return {str(data_of(key)): data_of(item) for key, item in value.items()}
    return _compound(value)


def findings(results: Iterable[Finding]) -> list[Data]:
    """Return findings of captures and designs, severity and certainty in words."""
    return [
        {
            **data_of(finding),
            "severity": finding.severity.word,
            "certainty": finding.certainty.value,
            "link": finding.cite.link,
            "has_weight": finding.has_weight,
            "each": findings(finding.each),
        }
        for finding in results
    ]


def receivers(heard: "Iterable[Reception]") -> list[Data]:
    """Return what each of several receivers heard; ``well`` and ``heard_by_others`` are the same."""
    return [{**data_of(one), "heard_by_others": one.heard_by_others} for one in heard]


def networks(several: Iterable[int]) -> list[str]:
    """Return networks as they are shown and asked for."""
    from lowpanbudget.layers.link.stations import network_text  # noqa: PLC0415  # of captures alone

    return [network_text(one) for one in several]


def audited(capture: str, found: "CaptureFindings") -> Data:
    """Return what the audit of a capture found."""
    return {
        "capture": capture,
        "frames": found.frames,
        "within": found.within,
        "networks": networks(found.networks),
        "receivers": receivers(found.receptions),
        "findings": findings(found.findings),
    }


def budget(one: "Budget") -> Data:
    """Return the room of a flow on a hop, with its ledger, the cliffs behind it, and what would change it."""
    names = (
        "flow", "hop", "direction", "room", "ledger", "savings", "weaker", "stronger", "cautions", "beyond_mtu",
        "in_slot",
    )  # fmt: skip
    return result(one, *names) | {"cliffs": [list(cliff) for cliff in one.cliffs()]}


def carrying(one: "Carrying") -> Data:
    """Return whether a flow carries so many octets, and the sets of changes that would let it."""
    return result(
        one, "flow", "direction", "hop", "octets", "most_frames", "carries", "room", "fits", "sets", "more_sets",
        "weaker", "datagram", "mtu", "in_slot",
    )  # fmt: skip


def room_by_hops(one: "RoomByHops") -> Data:
    """Return the room of a flow by its number of hops, and where it ends."""
    told = result(one, "flow", "direction", "hops", "deepest")
    return told | {
        "rooms": [_over_hops(room) for room in one.rooms],
        "end": None if one.end is None else _over_hops(one.end),
    }


def _over_hops(one: "HopRoom") -> Data:
    return result(one, "hops", "room", "first", "forwarded", "refused")


def sweep(one: "Sweep", octets: int | None = None) -> Data:
    """Return the axes of a sweep, how many settings there are, and those that none surpasses.

    With ``octets`` also how many settings carry so many.
    """
    told = result(
        one, "flow", "direction", "axes", "settings", "refused", "reasons", "weakening", "now", "least", "most",
        "in_slot",
    )  # fmt: skip
    if octets is not None:
        told |= {"octets": octets, "carrying": one.carrying(octets)}
    for name in ("front", "weaker"):
        told[name] = [
            result(setting, "room", "protection", "ids", "conditions", "cautions", "changes")
            for setting in getattr(one, name)
        ]
    return told | {"proven": one.proven}


def fits(results: "Iterable[Fit]") -> list[Data]:
    """Return how messages fit flows on hops; those that have one bit map share its data."""
    rows = []
    for _, alike in groupby(results, key=lambda one: id(one.bitmap)):
        bitmap: list[Data] = []
        for one in alike:
            bitmap = bitmap or data_of(one.bitmap)
            rows.append(
                result(
                    one, "message", "flow", "hop", "direction", "octets", "least_octets", "bits", "room", "fits",
                    "spare", "frames", "most_frames", "batch", "batch_of", "batch_ends", "wait_s", "readings",
                    "sends_every_s", "padding_bits", "deepest", "datagram", "mtu", "in_slot", "spanned", "unmade",
                )
                | {"bitmap": bitmap, "advice": data_of(one.advice), "options": data_of(one.options)}
            )  # fmt: skip
    return rows


def encoding(one: "Alternative") -> Data:
    """Return what a message takes in an encoding."""
    return result(
        one, "message", "encoding", "octets", "exact", "errors", "cannot", "missing", "batch_of", "places", "note",
        "wire", "largest", "largest_is", "largest_wire",
    )  # fmt: skip


def weighing(one: "Weighing") -> Data:
    """Return what the fields of a message cost and give, and the smaller messages without their formats."""
    told = result(one, "message", "layout", "octets", "wanted", "reached", "fields")
    for front in ("smaller", "bit_packed"):
        told[front] = [result(each, "octets", "loss", "changes") for each in getattr(one, front)]
    return told


def _compound(value: Any) -> Any:
    if isinstance(value, tuple) and hasattr(value, "_fields"):
        return {name: data_of(getattr(value, name)) for name in value._fields}
    if isinstance(value, list | tuple | set | frozenset):
        return [data_of(item) for item in value]
    if is_dataclass(value) and not isinstance(value, type):
        return {
            part.name: (_any if tells_class(part) else data_of)(getattr(value, part.name))
            for part in fields(value) if part.repr
        }  # fmt: skip
    return str(value)


def _any(value: Any) -> Any:
    """Return an option of a message, say, with its ``kind``: fields alone do not tell which it is."""
    if isinstance(value, tuple) and not hasattr(value, "_fields"):
        return list(map(_any, value))
    told = data_of(value)
    return {"kind": type(value).__name__, **told} if is_dataclass(value) else told


def _fraction(value: Fraction) -> int | float | str:
    """Return a number where one holds the fraction exactly, else its text."""
    if value.denominator == 1:
        return value.numerator
    try:
        number = float(value)
    except OverflowError:
        return str(value)
    return number if Fraction(str(number)) == value else str(value)


def fault(error: LowpanError) -> Data:
    """Return an error: its kind, message, place, clause and hint; of a place that is not known None."""
    return {
        "kind": type(error).__name__,
        "message": error.message,
        "offset": getattr(error, "offset", None),
        "layer": getattr(error, "layer", "") or None,
        "cite": None if error.cite is None else str(error.cite),
        "hint": error.hint,
    }


def layered(layers: Iterable[object]) -> list[Data]:
    """Return decoded headers in order, each with its ``kind``."""
    return [{"kind": type(layer).__name__, **data_of(layer)} for layer in layers]


def result(value: Any, *names: str) -> Data:
    """Return the named attributes of a result as plain data; headers in ``layers`` each with its kind."""
    return {
        name: layered(value.layers) if name == "layers" else data_of(getattr(value, name))
        for name in names
    }


def segments(spans: Sequence[Span]) -> list[Data]:
    """Return the runs of spans of one layer: ``layer``, ``kind``, ``label``, ``offset_bits``, ``bits``, ``spans``.

    ``kind`` is the nature of a run that is no header, and the layer of one that is. What could not be read is a run of
    its own. A layer that comes back later is labelled with what stands there, as a trailer's, or as the next one where
    its header begins again: as the inner one where it stands inside the other, as datagrams do.
    """
    from lowpanbudget.layers.catalogue import CARRY_THEIR_KIND  # noqa: PLC0415  # of frames alone
    from lowpanbudget.layers.labels import label_of  # noqa: PLC0415

    runs: list[Data] = []
    seen: dict[str, str] = {}
    for (layer, unread), group in groupby(spans, _run_of):
        run = list(group)
        kind = _kind_of(run)
        names = list(dict.fromkeys(span.name for span in run))
        label = called = label_of(layer)
        if seen.get(layer) == names[0]:
            label = f"{'inner' if run[0].cite in CARRY_THEIR_KIND else 'next'} {called}"
        elif layer in seen:
            label = f"{called} ({', '.join(names)})"
        if unread:
            label = run[0].name if unread is Nature.SEALED else f"{run[0].name} ({called})"
        runs.append(
            {
                "layer": layer, "kind": kind, "label": label, "offset_bits": run[0].offset_bits,
                "bits": sum(span.bits for span in run), "spans": len(run),
            }
        )  # fmt: skip
        seen.setdefault(layer, names[0])
    return runs


def _run_of(span: Span) -> tuple[str, Nature | None]:
    return span.layer, span.nature if span.nature in UNREAD else None


def _kind_of(run: Sequence[Span]) -> str | Nature:
    """Return the layer of a run in which there is something of a header, else its nature."""
    headers = any(span.nature is Nature.HEADER for span in run)
    return run[0].layer if headers else run[0].nature


def rows(
    spans: Sequence[Span], octets: bytes | None = None, sealed: tuple[int, int] = (0, 0)
) -> list[Data]:
    """Return a row for each span: its fields, its place in octets and bits, and the octets sent.

    ``octets`` are the frame's, if there are any; those in the range ``sealed`` went encrypted and are not shown.
    """
    table = []
    for span in spans:
        first, bit = divmod(span.offset_bits, 8)
        last = (span.offset_bits + span.bits - 1) // 8
        in_octets = bit == 0 and span.bits % 8 == 0
        row = data_of(span)
        row["octet"] = f"{first}" if first == last else f"{first}-{last}"
        row["part"] = "" if in_octets else _bit_range(bit, span.bits)
        row["octets"] = span.bits // 8 if in_octets else None
        row["sent"] = _sent(span, in_octets, octets, first < sealed[1] and last >= sealed[0])
        row["says"] = _says(span, row["sent"])
        table.append(row)
    return table


def _bit_range(bit: int, bits: int) -> str:
    return f"{bit}" if bits == 1 else f"{bit}-{bit + bits - 1}"


def _sent(span: Span, in_octets: bool, octets: bytes | None, sealed: bool) -> str:
    if not in_octets:
        return f"{span.value:0{span.bits}b}" if isinstance(span.value, int) else ""
    if octets is None or sealed:
        return ""
    start = span.offset_bits // 8
    return octets[start : start + span.bits // 8].hex(" ")


def number_text(value: int, bits: int) -> str:
    """Return a number of so many bits in decimal, behind it in hex when it is longer than an octet."""
    return f"{value} ({value:#0{2 + (bits + 3) // 4}x})" if bits > 8 else str(value)


def _says(span: Span, sent: str) -> str:
    """Return the value in the form that people look for; empty when it says no more than the octets sent."""
    value = span.value
    if isinstance(value, bytes):
        text = value.hex()
        return "" if text == sent.replace(" ", "") else text
    if isinstance(value, int) and not isinstance(value, bool):
        return number_text(value, span.bits)
    if isinstance(value, tuple):
        return ", ".join("none" if part is None else str(data_of(part)) for part in value)
    return "" if value is None else str(data_of(value))
