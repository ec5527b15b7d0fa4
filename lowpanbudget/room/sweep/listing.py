"""Settings one by one: a row for each, and some at random that are encoded."""

import math
import random
from collections.abc import Iterator

import numpy as np

from lowpanbudget.room.sweep.arrays import Ints, Truths
from lowpanbudget.room.sweep.parts import EACH, Parts
from lowpanbudget.room.sweep.swept import Row
from lowpanbudget.room.sweep.tables import NO_HOP

_BLOCK = 1 << 15  # rows that are added up at once


def rows(parts: Parts) -> Iterator[Row]:
    """Yield the values of the axes, the room, and that on each hop, for every setting and given value."""
    lengths = [len(axis.values) for axis in parts.axes]
    values = [np.array(axis.values, object) for axis in parts.axes]
    count = math.prod(lengths)
    for start in range(0, count, _BLOCK):
        numbers = np.arange(start, min(start + _BLOCK, count))
        places = np.stack(np.unravel_index(numbers, lengths), axis=1)
        first, forwarded, valid = added(parts, places)
        named = [value[places[valid, number]] for number, value in enumerate(values)]
        rooms = [hop[valid].tolist() for hop in (np.minimum(first, forwarded), first, forwarded)]
        for *row, forwarded_room in zip(*named, *rooms, strict=True):
            yield (*row, None if forwarded_room == NO_HOP else forwarded_room)


def drawn(parts: Parts, count: int) -> Iterator[tuple[list[int], int | None]]:
    """Yield settings drawn at random, the same ones every time, with the room of each; None for one that is refused."""
    draw = random.Random(count)  # noqa: S311  # nothing secret
    places = [[draw.randrange(len(axis.values)) for axis in parts.axes] for _ in range(count)]
    first, forwarded, valid = added(parts, np.array(places, np.int64))
    for place, room, sound in zip(places, np.minimum(first, forwarded), valid, strict=True):
        yield place, int(room) if sound else None


def rooms_given(parts: Parts, places: Ints) -> list[int]:
    """Return the room of one setting for each value that is given."""
    every = np.tile(places, (parts.values, 1))
    every[:, parts.given] = np.arange(parts.values)
    first, forwarded, _ = added(parts, every)
    return [int(room) for room in np.minimum(first, forwarded)]


def added(parts: Parts, places: Ints) -> tuple[Ints, Ints, Truths]:
    """Return the room of settings on the first hop and on a forwarded one, and which of them are not refused.

    A hop that is not there has more room than any frame (``NO_HOP``).
    """
    given = places[:, parts.given]
    octets = np.tile(parts.base[:EACH], (len(places), 1))
    written = parts.rows_of(parts.payloads, places)
    valid = parts.payloads.valid[written, 0]
    for part in parts.tables:
        rows_of = parts.rows_of(part, places)
        octets += part.octets.reshape(-1, parts.values, EACH)[rows_of, given]
        valid &= part.valid[rows_of, given]
    left = [np.minimum(octets[:, hop], octets[:, hop + 2]) for hop in (0, 1)]
    first, forwarded = (_rooms(parts, hop, written, valid) for hop in left)
    return first, forwarded, valid


def _rooms(parts: Parts, left: Ints, written: Ints, valid: Truths) -> Ints:
    """Return the room that octets are, by what stands around the payload."""
    rooms = np.full(len(left), NO_HOP, np.int64)
    for row, one in enumerate(parts.around):
        chosen = np.flatnonzero(valid & (written == row) & (left < NO_HOP // 2))
        distinct, which = np.unique(left[chosen], return_inverse=True)
        payloads = [one.payload(int(octets)) for octets in distinct]
        rooms[chosen] = np.array(payloads, np.int64)[which.ravel()]
    return rooms
