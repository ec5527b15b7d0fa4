"""Frames as pictures: those that a page draws, for files and notebooks."""

from collections.abc import Iterable, Iterator, Sequence

from lowpanbudget.bits import Nature, Span
from lowpanbudget.errors import plural
from lowpanbudget.report import sightings
from lowpanbudget.report.figure import fields_of
from lowpanbudget.report.invented import invented
from lowpanbudget.report.page.figures import Figures
from lowpanbudget.report.svg.frame import FramePicture
from lowpanbudget.room.compute import Budget
from lowpanbudget.room.ledger import Ledger
from lowpanbudget.stack.convert import Compressed, Decompressed
from lowpanbudget.stack.encoding import Encoded
from lowpanbudget.stack.frame import Frame

CAUTION = "As encoded; a network also loses frames, and radio use follows the rules of the place."
_NATURES = {
    Nature.HEADER: "of headers and trailer", Nature.PAYLOAD: "of payload", Nature.SEALED: "of sealed payload",
    Nature.PADDING: "of padding", Nature.UNREAD: "that could not be read",
}  # fmt: skip


def frame_pictures(budgets: Iterable[Budget]) -> list[FramePicture]:
    """Return the fullest frame of each flow and hop, with a sentence on its room."""
    return [budget_picture(one) for one in budgets]


def budget_picture(one: Budget) -> FramePicture:
    """Return the fullest frame of a flow on a hop, with a sentence on its room."""
    figures = Figures()
    fields = fields_of(figures.data(), figures.filled(one.path, one.room).segments)
    over, octets = plural(-one.room, "octet"), one.ledger.octets
    says = f"Nothing fits: the headers alone are {over} over."
    if one.room >= 0:
        room, headers = plural(one.room, "octet"), plural(octets - one.room, "octet")
        says = f"{room} of your data; {headers} of {octets} are headers and trailer."
    says = f"{says} {invented(one.path)}".strip()
    return FramePicture(f"{one.flow}, {one.hop} hop", says, fields)


def ledger_picture(ledger: Ledger) -> FramePicture:
    """Return a ledger as a picture of its frame."""
    return _of_spans("Frame of a ledger", ledger.spans)


def made_picture(made: Encoded | Compressed | Decompressed) -> FramePicture:
    """Return a frame that was written, or a payload that was compressed or read, as a picture."""
    title = "Frame" if isinstance(made, Encoded) else "Compressed payload"
    return _of_spans(title, made.spans, None if isinstance(made, Decompressed) else made.octets)


def seen_picture(frame: Frame, title: str, sealed: tuple[int, int] = (0, 0)) -> FramePicture:
    """Return a frame from the air; in the range ``sealed`` ends sealed octets for each other."""
    return _of_spans(title, frame.spans, frame.octets, sightings.sealed_in(frame, sealed))


def _of_spans(
    title: str, spans: Sequence[Span], octets: bytes | None = None, sealed: tuple[int, int] = (0, 0)
) -> FramePicture:  # fmt: skip
    figures = Figures()
    fields = fields_of(figures.data(), figures.frame(spans, (), octets, sealed))
    return FramePicture(title, ", ".join(_shares(spans)), fields)


def _shares(spans: Iterable[Span]) -> Iterator[str]:
    bits = dict.fromkeys(_NATURES, 0)
    for span in spans:
        bits[span.nature] += span.bits
    for nature, name in _NATURES.items():
        if bits[nature]:
            octets, rest = divmod(bits[nature], 8)
            size = plural(bits[nature], "bit") if rest else plural(octets, "octet")
            yield f"{size} {name}"
