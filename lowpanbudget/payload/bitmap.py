"""The bit map of a message: what stands where, made of the marks that packing left behind."""

from typing import NamedTuple

from lowpanbudget.payload.codec.stream import Mark
from lowpanbudget.payload.kinds.field import Field
from lowpanbudget.payload.kinds.interfaces import Summary
from lowpanbudget.payload.words import joined

# What a run of bits is for when it is not a value of its own.
ROLES = {
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
            if mark.note.about is not about:
                last = last._replace(kind="elements", range="", step="", unit="")
            name = f"{joined(prefix)}[{first}..{index}]" if index != first else last.name
            made[-1] = last._replace(
                name=name,
                bits=last.bits + mark.bits,
                padding=last.padding + mark.note.padding,
                elements=index - first + 1,
                role="elements",
            )
        else:
            first, about = index, mark.note.about
            name = f"{joined(prefix)}[{index}]"
            made.append(_entry(mark)._replace(name=name, note="as the first"))
        open_prefix = prefix
    return tuple(made)


def _repeated(path: tuple[str | int, ...]) -> tuple[tuple[str | int, ...] | None, int]:
    """Return the array that a mark belongs to as its second or further element, and which."""
    for at, part in enumerate(path):
        if isinstance(part, int) and part > 0:
            return path[:at], part
    return None, 0


def _entry(mark: Mark) -> Entry:
    about = mark.note.about
    if isinstance(about, Field):
        words, note = about.summary(), about.shown_note()
        if mark.note.role == "count":
            size, counts = about.count_summary()
            words, note = Summary(size), _joined(f"number of {counts} that follow", about.note)
    else:  # the names of optional fields, or nothing
        words, note = Summary(", ".join(about or ())), ""
    if mark.note.role in ROLES:
        note = _joined(ROLES[mark.note.role], note)
    return Entry(
        joined(mark.path),
        mark.offset,
        mark.bits,
        mark.note.kind,
        mark.note.role,
        *words,
        note,
        mark.note.padding,
    )


def _joined(*texts: str) -> str:
    return "; ".join(text for text in texts if text)
