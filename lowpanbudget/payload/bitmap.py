"""The bit map of a message: what stands where, made of the marks that packing left behind."""

from typing import Any, NamedTuple

from lowpanbudget.payload.codec.bitpack import Mark
from lowpanbudget.payload.exact import plain
from lowpanbudget.payload.kinds.binary_float import Float
from lowpanbudget.payload.kinds.constant import Constant
from lowpanbudget.payload.kinds.elements import Array
from lowpanbudget.payload.kinds.enumeration import Enumeration
from lowpanbudget.payload.kinds.flags import Flags
from lowpanbudget.payload.kinds.instant import Time
from lowpanbudget.payload.kinds.logarithmic import Logarithmic
from lowpanbudget.payload.kinds.number import Number
from lowpanbudget.payload.kinds.octets import Octets
from lowpanbudget.payload.kinds.sequence import Sequence
from lowpanbudget.payload.kinds.series import Series
from lowpanbudget.payload.kinds.table import Table
from lowpanbudget.payload.kinds.time_offset import TimeOffset

# What a run of bits is for when it is not a value of its own.
_ROLES = {
    "delta": "difference from the sample before",
    "escape": "sample in full after a jump",
    "presence": "which optional fields follow",
    "padding": "fills up the last octet",
}


class Entry(NamedTuple):
    """A run of bits of a message, with what it holds; ``padding`` of its bits only fill up octets.

    ``elements`` is above 1 where the further elements of an array are taken together.
    """

    name: str
    offset: int
    bits: int
    kind: str
    role: str
    range: str
    step: str
    unit: str
    note: str
    padding: int
    elements: int = 1


class Described(NamedTuple):
    """A field's values in words: its range, its step and its unit, empty where it has none."""

    range: str
    step: str = ""
    unit: str = ""


def entries(marks: list[Mark]) -> tuple[Entry, ...]:
    """Return the entries of a message; they tile it from its first bit to its last octet's end."""
    made: list[Entry] = []
    open_prefix: tuple[str | int, ...] | None = None
    first, about = 0, None
    for mark in marks:
        prefix, index = _repeated(mark.path)
        if prefix is None:
            made.append(_entry(mark))
        elif prefix == open_prefix:
            last = made[-1]
            if mark.about is not about:
                last = last._replace(kind="elements", range="", step="", unit="")
            name = f"{joined(list(prefix))}[{first}..{index}]" if index != first else last.name
            made[-1] = last._replace(
                name=name,
                bits=last.bits + mark.bits,
                padding=last.padding + mark.padding,
                elements=index - first + 1,
                role="elements",
            )
        else:
            first, about = index, mark.about
            name = f"{joined(list(prefix))}[{index}]"
            made.append(_entry(mark)._replace(name=name, note="as the first"))
        open_prefix = prefix
    return tuple(made)


def describe(field: Any) -> Described:
    """Return the values of a field in words."""
    if isinstance(field, Sequence | Time):
        return describe(field.number())
    if isinstance(field, Number | Series):
        return Described(f"{plain(field.min)} .. {plain(field.max)}", plain(field.step), field.unit)
    if isinstance(field, TimeOffset):
        return Described(
            f"{plain(field.min)} .. {plain(field.max)} after {field.base}", plain(field.step), "s"
        )
    if isinstance(field, Logarithmic):
        return Described(
            f"{plain(field.min)} .. {plain(field.max)}", f"{field.steps} equal ratios", field.unit
        )
    if isinstance(field, Table):
        return Described(
            f"{plain(field.values[0])} .. {plain(field.values[-1])}",
            f"table of {len(field.values)}",
            field.unit,
        )
    if isinstance(field, Float):
        bounds = ["..." if bound is None else plain(bound) for bound in (field.min, field.max)]
        text = "" if bounds == ["...", "..."] else " .. ".join(bounds)
        return Described(text, f"binary{field.bits}", field.unit)
    if isinstance(field, Enumeration | Flags):
        names = ", ".join(field.names[:8])
        return Described(
            names + (f" and {len(field.names) - 8} more" if len(field.names) > 8 else "")
        )
    if isinstance(field, Constant):
        return Described(str(field.value))
    if isinstance(field, Octets | Array):
        return Described(_length(field))
    return Described("")


def _length(field: Octets | Array | Series) -> str:
    size = f"{field.least}" if field.least == field.most else f"{field.least} .. {field.most}"
    return f"{size} {_counted(field)}"


def _counted(field: Octets | Array | Series) -> str:
    if isinstance(field, Octets):
        return "octets"
    return "elements" if isinstance(field, Array) else "samples"


def joined(path: list[str | int]) -> str:
    """Return a path as people write it: ``readings[3].temperature``."""
    text = ""
    for part in path:
        text += f"[{part}]" if isinstance(part, int) else f".{part}"
    return text.lstrip(".")


def _repeated(path: tuple[str | int, ...]) -> tuple[tuple[str | int, ...] | None, int]:
    """Return the array that a mark belongs to as its second or further element, and which."""
    for at, part in enumerate(path):
        if isinstance(part, int) and part > 0:
            return path[:at], part
    return None, 0


def _entry(mark: Mark) -> Entry:
    words = describe(mark.about)
    note = getattr(mark.about, "note", "")
    if isinstance(mark.about, tuple):  # the names of optional fields
        words = Described(", ".join(str(name) for name in mark.about))
    if mark.role == "count" and isinstance(mark.about, Octets | Array | Series):
        words = Described(_length(mark.about))
        note = f"number of {_counted(mark.about)} that follow" + (f"; {note}" if note else "")
    if mark.role in _ROLES:
        note = _ROLES[mark.role] + (f"; {note}" if note else "")
    elif mark.kind == "reserved":
        note = note or "sent as zero, ignored when received"
    if isinstance(mark.about, Number) and mark.about.special:
        names = ", ".join(name for name, _ in mark.about.special)
        note = f"special: {names}" + (f"; {note}" if note else "")
    name = joined(list(mark.path))
    return Entry(name, mark.offset, mark.bits, mark.kind, mark.role, *words, note, mark.padding)
