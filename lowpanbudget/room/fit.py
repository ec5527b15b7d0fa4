"""Messages into frames: does each fit each flow on each hop, how many readings go together, what would make it fit."""

from dataclasses import dataclass, field

from lowpanbudget.design.meaning import Design
from lowpanbudget.design.path import Path
from lowpanbudget.payload.bitmap import Entry, entries
from lowpanbudget.payload.message import Message
from lowpanbudget.room.knobs import Saving, best_together
from lowpanbudget.room.measure import deepest, frames_of, room_of


@dataclass(frozen=True, slots=True)
class Fit:
    """One message on one hop of one flow.

    ``octets`` and ``bits`` are of the greatest message, or, when it collects readings, of one with
    ``batch`` of them. ``fits``: it takes no more frames than the flow allows. ``spare`` octets are
    left in one frame (negative: missing). ``frames`` is None when no datagram can be so large.
    ``batch``: how many ``batch_of`` one frame carries. ``padding_bits`` only fill up octets.
    ``advice``: changes that together make one frame enough, none when none can. ``deepest``: the
    longest source route with which one frame is enough (None: the flow has none).
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

    @property
    def spare(self) -> int:
        """Return the octets of room left over, negative when they are missing."""
        return self.room - self.octets


def fit(design: Design, message: str | None = None) -> list[Fit]:
    """Return how each message (or the one named) fits each flow that carries it, on each hop.

    A message that no flow names is tried on all. Raises ``RequestError`` for a message that the design does not have.
    """
    messages = design.messages if message is None else (design.message(message),)
    rooms: dict[Path, int] = {}
    found = []
    for one in messages:
        for flow in design.carriers(one):
            for path in design.paths(flow):
                if path not in rooms:
                    rooms[path] = room_of(path)
                found.append(_fit(one, path, rooms[path]))
    return found


def _fit(message: Message, path: Path, room: int) -> Fit:
    values = message.example("greatest")
    octets = len(message.pack(values))
    batch, batch_of = _batch(message, room)
    collected = message.batch_field
    if octets > room and collected is not None and collected.batch and batch:
        # a node that collects readings stops when the frame is full
        values = message.batch_example(batch)
        octets = len(message.pack(values))
    frames = frames_of(path, octets)
    fits = frames is not None and frames <= path.flow.most_frames
    marks = entries(message.marks(values))
    return Fit(
        message.name,
        path.flow.name,
        path.hop.name,
        path.flow.direction,
        octets,
        message.min_octets,
        sum(entry.bits - entry.padding for entry in marks),
        room,
        fits,
        frames,
        path.flow.most_frames,
        batch,
        batch_of,
        sum(entry.padding for entry in marks),
        marks,
        () if octets <= room else tuple(best_together(path, room, octets)),
        deepest(path, octets),
    )


def _batch(message: Message, room: int) -> tuple[int, str]:
    """Return how many readings fit: elements of the message, or whole messages."""
    if message.batch_field is not None:
        return message.batch(room) or 0, message.batch_field.name
    octets = message.max_octets
    return (room // octets if octets else 0), "whole message"
