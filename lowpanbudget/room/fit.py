"""Messages into frames: does each fit each flow on each hop, how many readings go together, what would make it fit."""

from collections.abc import Iterable, Iterator
from contextlib import suppress
from functools import lru_cache
from typing import Any, NamedTuple

from lowpanbudget.design.meaning import Design
from lowpanbudget.design.path import Path
from lowpanbudget.errors import LowpanError, RequestError
from lowpanbudget.payload.bitmap import Entry
from lowpanbudget.payload.message import Message
from lowpanbudget.room.knobs import Saving
from lowpanbudget.room.measure import deepest, frames_of, room_of
from lowpanbudget.room.sets import savings_of, smallest_sets
from lowpanbudget.values import dataclass, field, replace


@dataclass(frozen=True, slots=True)
class Fit:
    """How one message fits one hop of one flow.

    ``octets`` and ``bits`` are of the greatest message, or, when it collects readings, of one with as many as every hop
    of the flow carries in one frame. ``fits``: it takes no more frames than the flow allows. ``spare`` octets are left
    in one frame (negative: missing). ``frames`` is None when no datagram can be so large. ``batch``: how many
    ``batch_of`` one frame carries; the first of them waits ``wait_s`` seconds for the last (None: the flow does not say
    how often, or these are elements of one reading). ``padding_bits`` only fill up octets. ``advice``: changes that
    together make one frame enough on every hop of the flow, none when none can. ``deepest``: the longest source route
    with which one frame is enough (None: the flow has none). ``readings``: how many the message of ``octets`` collects;
    one message is sent each ``sends_every_s`` seconds, while the node takes a reading each ``every_s`` of its flow
    (None: that is not said).
    """

    message: str
    flow: str
    hop: str
    direction: str
    octets: int
    least_octets: int
    bits: int
    room: int
    fits: bool
    frames: int | None
    most_frames: int
    batch: int
    batch_of: str
    padding_bits: int
    bitmap: tuple[Entry, ...] = field(repr=False)
    advice: tuple[Saving, ...] = ()
    deepest: int | None = None
    wait_s: float | None = None
    readings: int = 1
    sends_every_s: float | None = None

    @property
    def spare(self) -> int:
        """Return the octets of room left over, negative when they are missing."""
        return self.room - self.octets


def fit(
    design: Design, message: str | None = None, flow: str | None = None, *, spare: int = 0
) -> list[Fit]:
    """Return a ``Fit`` for each hop of each flow that carries a message: of the message of this name, or of all.

    ``flow`` leaves the other flows out. A message that no flow names is tried on all. ``spare`` octets of a frame are
    kept free of collected readings, as a node does that is built for it. Raises ``RequestError`` for what is no design,
    a message or a flow that the design does not have, and a flow that does not carry the message, or none at all.
    """
    design = Design.of(design)
    if isinstance(spare, bool) or not isinstance(spare, int) or spare < 0:
        raise RequestError(f"spare {spare!r} is no number of octets")
    messages = design.messages if message is None else (design.message(message),)
    if flow is not None:
        _require_carried(design, messages, flow)
    fits = []
    for candidate in messages:
        for carrier in design.carriers(candidate):
            if flow not in {None, carrier.name}:
                continue
            paths = design.paths(carrier)
            greatest = _greatest(candidate, min(map(room_of, paths)) - spare)
            fits += [_fit(candidate, greatest, path, spare) for path in paths]
            octets = fits[-1].octets
            if any(octets > found.room for found in fits[-len(paths) :]):
                fits[-len(paths) :] = _advised(design, octets, paths, fits[-len(paths) :])
    return fits


def _require_carried(design: Design, messages: Iterable[Message], name: str) -> None:
    """Raise ``RequestError`` when the flow of this name is none of the design's, or carries none of the messages."""
    flow = design.flow(name)
    if any(flow in design.carriers(message) for message in messages):
        return
    carried = [one.name for one in design.messages if flow in design.carriers(one)]
    raise RequestError(
        f"flow {name} does not carry {'that message' if carried else 'a message of the design'}",
        hint=f"It carries {', '.join(carried)}" if carried else "budget says what room it has",
    )


class _Greatest(NamedTuple):
    """What a node sends at most: its octets, how many readings it collects (1 where it collects none), its bits."""

    octets: int
    readings: int
    bitmap: tuple[Entry, ...]


def _greatest(message: Message, room: int) -> _Greatest:
    """Return the greatest message that a node sends over hops of which the smallest has this room."""
    values = _values(message, room)
    collected = message.batch_field
    readings = len(values[collected.name]) if collected is not None and collected.batch else 1
    return _Greatest(len(message.pack(values)), readings, message.bitmap_of(values))


def _values(message: Message, room: int) -> dict[str, Any]:
    """Return what a node sends at most: the greatest message, or as many readings as every hop carries.

    One message passes all hops, so the smallest room decides.
    """
    values = message.example("greatest")
    collected = message.batch_field
    if collected is None or not collected.batch or len(message.pack(values)) <= room:
        return values
    batch = message.batch(room)
    return message.batch_example(batch) if batch else values


def _advised(design: Design, octets: int, paths: list[Path], fits: list[Fit]) -> Iterator[Fit]:
    """Yield the fits of a flow's hops with the one set of changes that makes one frame enough on each of them."""
    advice: dict[str, tuple[Saving, ...]] = {}
    short = [path for path, found in zip(paths, fits, strict=True) if octets > found.room]
    for chosen in smallest_sets(design, paths[0].flow.name, octets):
        with suppress(LowpanError):
            advice = {p.hop.name: tuple(savings_of(design, chosen.changes, p)) for p in short}
            break
    for found in fits:
        yield replace(found, advice=advice.get(found.hop, ()))


def _fit(
    message: Message,
    greatest: _Greatest,
    path: Path,
    kept: int,
) -> Fit:
    octets, readings, bitmap = greatest
    room = room_of(path)
    batch, batch_of = _batch(message, max(room - kept, 0))
    frames = frames_of(path, octets)
    fits = frames is not None and frames <= path.flow.most_frames
    return Fit(
        message.name,
        path.flow.name,
        path.hop.name,
        path.flow.direction,
        octets,
        message.min_octets,
        sum(entry.bits - entry.padding for entry in bitmap),
        room,
        fits,
        frames,
        path.flow.most_frames,
        batch,
        batch_of,
        sum(entry.padding for entry in bitmap),
        bitmap,
        (),
        deepest(path, octets),
        (batch - 1) * path.flow.every_s
        if path.flow.every_s is not None and batch and _collects(message)
        else None,
        readings,
        None if path.flow.every_s is None else readings * path.flow.every_s,
    )


def _collects(message: Message) -> bool:
    """Return whether what one frame carries is taken one after the other: marked readings, or whole messages."""
    return message.batch_field is None or message.batch_field.batch


@lru_cache(maxsize=512)  # hops, flows and designs have the same room
def _batch(message: Message, room: int) -> tuple[int, str]:
    """Return how many readings fit: elements of the message, or whole messages."""
    if message.batch_field is not None:
        return message.batch(room) or 0, message.batch_field.name
    octets = message.max_octets
    return (room // octets if octets else 0), "whole message"
