"""The bit map of a message: what stands where, left behind by reading it."""

from typing import Any, NamedTuple

from lowpanbudget.fields.stream import BitOrder, BitReader
from lowpanbudget.payload.codec.field_bits import ROLES, FieldBits
from lowpanbudget.payload.kinds.field import Field
from lowpanbudget.payload.kinds.interfaces import Summary
from lowpanbudget.payload.words import joined


class BitmapEntry(NamedTuple):
    """A run of bits of a message, with what it holds; ``padding`` of its bits only fill up octets.

    These begin at bit ``padding_at`` of the message; None where there are none.

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
    padding_at: int | None = None


class EntryReader(BitReader):
    """Reads a message and leaves an entry for each run of bits, in place of its span.

    The second and further elements of an array make one entry together.
    """

    __slots__ = ("_about", "_array", "_first", "entries")

    def __init__(self, octets: bytes, order: BitOrder) -> None:
        super().__init__(octets, order, spans=[])
        self.entries: list[BitmapEntry] = []
        # the array of the last entry, the first of its elements there, and what that is
        self._array: tuple[str | int, ...] | None = None
        self._first, self._about = 0, None

    def leave(self, run: Any, value: Any, name: str = "") -> None:  # noqa: ARG002 - of any values
        """Leave the entry of the bits that were taken last."""
        bits = self.at - self.start
        if not bits:
            return
        path = (*self.path, name) if name else tuple(self.path)
        array, index = _repeated(path)
        if array is None or array != self._array:
            self._first, self._about = index, run.about
            entry = _entry(joined(path), self.start, bits, run)
            if array is not None:
                entry = entry._replace(name=f"{joined(array)}[{index}]", note="as the first")
            self.entries.append(entry)
        else:
            last = self.entries[-1]
            if run.about is not self._about:
                last = last._replace(kind="elements", range="", step="", unit="")
            if index != self._first:
                last = last._replace(name=f"{joined(array)}[{self._first}..{index}]")
            self.entries[-1] = last._replace(
                bits=last.bits + bits,
                padding=last.padding + run.padding,
                elements=index - self._first + 1,
                role="elements",
            )
        self._array = array


def _repeated(path: tuple[str | int, ...]) -> tuple[tuple[str | int, ...] | None, int]:
    """Return the array that a field belongs to as its second or further element, and which."""
    for at, part in enumerate(path):
        if isinstance(part, int) and part > 0:
            return path[:at], part
    return None, 0


def _entry(name: str, start: int, bits: int, run: FieldBits) -> BitmapEntry:
    about = run.about
    if isinstance(about, Field):
        words, note = about.summary(), about.shown_note(bits)
        if run.role == "count":
            words, note = Summary(about.count_summary()), _joined(run.says(None), about.note)
    else:  # the names of optional fields, or nothing
        words, note = Summary(", ".join(about or ())), ""
    note = _joined(ROLES.get(run.role, ""), note)
    at = start + run.padding_at if run.padding else None
    return BitmapEntry(
        name, start, bits, run.kind, run.role, *words, note, run.padding, padding_at=at
    )


def _joined(*texts: str) -> str:
    return "; ".join(text for text in texts if text)
