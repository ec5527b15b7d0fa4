"""The spans of a message: its fields as runs of bits of the octets that carry it, like those of any header.

Bits count from the first bit of the message in its own order: from the most significant bit of an octet where the
message begins there, else from the least significant one, as in other little-endian formats. In that order every
field is one run, also where its octets stand the other way round.
"""

from collections.abc import Iterator

from lowpanbudget.bits import Nature, Span
from lowpanbudget.payload.bitmap import ROLES
from lowpanbudget.payload.codec.order import Order
from lowpanbudget.payload.codec.stream import Mark
from lowpanbudget.payload.words import joined, text_of


def spans(marks: list[Mark], order: Order, layer: str, offset_bits: int) -> Iterator[Span]:
    """Yield a span for each run of bits; the first bit of the message is bit ``offset_bits`` of the frame."""
    for mark in marks:
        name, meaning = _words(mark)
        at = offset_bits + mark.offset
        padding = mark.note.role == "padding"
        yield Span(
            at, mark.bits, layer, name, mark.value, meaning, None, order=order.stream,
            nature=Nature.PADDING if padding else Nature.PAYLOAD,
        )  # fmt: skip


def _words(mark: Mark) -> tuple[str, str]:
    """Return the name of a run of bits and what its value means."""
    path, note = joined(mark.path), mark.note
    if note.role == "padding":
        return "padding", ROLES["padding"]
    if note.role == "presence":
        return f"{path} presence".lstrip(), f"of {', '.join(note.about)}"
    if note.role == "count":
        return f"{path} count", f"number of {note.about.counts} that follow"
    if note.role in ROLES:
        return path, ROLES[note.role]
    if not note.about.carries:
        return path or "reserved", note.about.shown_note()
    unit = note.about.shown_unit()
    if not unit:
        return path, note.about.note
    if isinstance(mark.value, str):
        return path, "a special code, no number"
    return path, f"{text_of(mark.value)} {unit}"
