"""Frames to annotate, from hex or out of a capture, each with what is known of it beyond its own octets."""

from collections import OrderedDict
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from lowpanbudget.errors import RequestError

if TYPE_CHECKING:
    from ipaddress import IPv6Address

    from lowpanbudget.capture.files.record import Record
    from lowpanbudget.capture.follow.matching import Matched
    from lowpanbudget.capture.follow.sighting import Sighting
    from lowpanbudget.capture.follow.tracing import Trace
    from lowpanbudget.stack.frame import Frame
    from lowpanbudget.stack.reassembly import Discarded, TimedOut

FEW = 3  # frames that are shown of a capture unless some are named
_MOST_HELD = 4096  # frames with fragments that are remembered


@dataclass(slots=True)
class Item:
    """A frame to annotate.

    ``contexts``, ``root`` and ``rpi_type`` are those it was decoded with. ``datagram`` is what it carries, or what it
    is a fragment of, brought by the frames ``parts`` with ``pieces`` octets of payload each; ``first`` is then the
    frame with its headers. ``never_whole`` says why there is no datagram. ``number`` and ``sighting`` are of a capture,
    which has ``count`` frames.
    """

    frame: "Frame"
    place: str
    contexts: Mapping[int, Any]
    root: "IPv6Address | None" = None
    rpi_type: int = 0x63
    count: int = 1
    number: int | None = None
    sighting: "Sighting | None" = None
    datagram: bytes | None = None
    parts: tuple[int, ...] = ()
    pieces: tuple[int, ...] = ()
    first: "Frame | None" = None
    first_number: int | None = None
    never_whole: str = ""
    matched: "Matched | None" = None

    @property
    def is_open(self) -> bool:
        """Return whether this is a fragment of which nothing more is known yet."""
        return self.frame.fragment is not None and not self.parts and not self.never_whole


@dataclass(slots=True)
class Picked:
    """Frames picked out of a capture, and how many it has."""

    items: list[Item] = field(default_factory=list)
    count: int = 0


def pick(trace: "Trace", records: "Iterable[Record]", numbers: Iterable[int], name: str) -> Picked:
    """Return the frames of these numbers, or the first few, with what the capture tells of them.

    All before them are followed, since contexts and fragments come from there. Raises ``RequestError`` for a number
    that the capture does not have.
    """
    wanted = set(numbers) or set(range(1, FEW + 1))
    counted = _Counted(records)
    picked = _pick(trace, counted, wanted, name)
    counted.finish()
    missing = sorted(wanted - {item.number for item in picked})
    if missing and (set(numbers) or not counted.count):
        text = f"{name} has {counted.count} frames"
        if set(numbers):
            text += f"; there is no frame {missing[0]}"
        raise RequestError(text, hint="Frames count from 1")
    return Picked(sorted(picked, key=lambda item: item.number or 0), counted.count)


class _Counted(Iterator["Record"]):
    """Counts what is read through it."""

    def __init__(self, records: "Iterable[Record]") -> None:
        self._records = iter(records)
        self.count = 0

    def __next__(self) -> "Record":
        record = next(self._records)
        self.count += 1
        return record

    def finish(self) -> None:
        """Read what is left."""
        for _ in self:
            pass


def _pick(trace: "Trace", records: "Iterator[Record]", wanted: set[int], name: str) -> list[Item]:
    items: dict[int, Item] = {}
    held: OrderedDict[int, Sighting] = OrderedDict()
    last = max(wanted)
    for sighting in trace.follow(records):
        number = sighting.number
        if sighting.example is not None and sighting.example.fragment is not None:
            held[number] = sighting
            if len(held) > _MOST_HELD:
                held.popitem(last=False)
        if number in wanted:
            items[number] = _item(sighting, name)
        if len(sighting.parts) > 1 and items:
            _attach(items, sighting, held)
        _give_up(items, sighting.ended)
        if number >= last and not any(item.is_open for item in items.values()):
            break
    _give_up(items, trace.leftover)
    return list(items.values())


def _item(sighting: "Sighting", name: str) -> Item:
    decoder = sighting.decoder
    frame = sighting.frame or _as_frame(sighting)
    item = Item(
        frame,
        name,
        decoder.contexts,
        decoder.root,
        decoder.rpi_type,
        number=sighting.number,
        sighting=sighting,
    )
    if sighting.datagram is not None and len(sighting.parts) <= 1:
        item.datagram, item.matched = sighting.datagram, sighting.matched
        item.first = frame
    return item


def _as_frame(sighting: "Sighting") -> "Frame":
    """Return what a record holds that is no frame, in the shape of one."""
    from lowpanbudget.bits import Span
    from lowpanbudget.stack.frame import Frame

    octets, packet = sighting.body.octets, sighting.packet
    if packet is not None:
        return Frame(octets, heads=packet.heads, spans=packet.spans)
    spans: tuple[Span, ...] = ()
    if octets:
        spans = (Span(0, len(octets) * 8, sighting.body.kind, "not decoded", octets, "", None),)
    return Frame(octets, spans=spans, fault=sighting.body.fault)


def _attach(items: dict[int, Item], sighting: "Sighting", held: "Mapping[int, Sighting]") -> None:
    """Give the datagram that a frame completes to all picked frames that brought it."""
    mine = [items[number] for number in sighting.numbers if number in items]
    if not mine:
        return
    parts = [held[number] for number in sighting.numbers if number in held]
    first = next((part for part in parts if _is_first(part)), None)
    for item in mine:
        item.datagram, item.parts = sighting.datagram, sighting.numbers
        item.matched = sighting.matched
        item.pieces = tuple(part.octets for part in sighting.parts)
        if first is not None:
            item.first, item.first_number = first.frame, first.number


def _is_first(sighting: "Sighting") -> bool:
    frame = sighting.frame
    return frame is not None and frame.fragment is not None and frame.fragment.first


def _give_up(items: dict[int, Item], ended: "Iterable[TimedOut | Discarded]") -> None:
    """Note why fragments never became a datagram."""
    for event in ended:
        reason = getattr(event, "reason", "its fragments were not whole in time")
        for part in event.marks:
            if part.number in items and not items[part.number].parts:
                items[part.number].never_whole = reason
