"""The settings that none surpasses: found among the best rows of each table, since their merits add up."""

from collections.abc import Sequence

import numpy as np

from lowpanbudget.room.sweep.arrays import Addends, Best, Ints, joined, unsurpassed, weakens
from lowpanbudget.room.sweep.parts import Parts

_NONE: Ints = np.empty(0, np.int64)


def best_settings(parts: Parts, columns: Sequence[int]) -> tuple[Best, Best]:
    """Return the settings that none surpasses, with the room of each in place of octets.

    First those that protect no less than the design, among these; then those that do, among all.
    """
    safe = _front(parts, columns, weaker=False)
    if not any(weakens(part.merits).any() for part in (*parts.tables, parts.payloads)):
        return safe, safe.at(_NONE)
    every = _front(parts, columns, weaker=True)
    return safe, every.at(weakens(every.merits))


def _front(parts: Parts, columns: Sequence[int], *, weaker: bool) -> Best:
    width, axes = parts.merits.width, len(parts.axes)
    start = Best(
        parts.base[None, columns],
        np.zeros((1, width), np.int64),
        np.zeros(1, np.int64),
        np.zeros((1, axes), np.int64),
    )
    fronts = [start.at(_NONE)]
    for matching in parts.strata({}):
        best = start
        for part, rows in zip(parts.tables, matching, strict=True):
            alone = _rows(part, rows, columns, axes, weaker=weaker)
            best = unsurpassed(best.with_each(unsurpassed(alone)))
        fronts.append(best)
    front = joined(fronts)
    low = front.octets.min(axis=1, initial=np.iinfo(np.int64).max)
    return _with_payloads(parts, unsurpassed(front._replace(octets=low[:, None])), weaker=weaker)


def _rows(part: Addends, rows: Ints, columns: Sequence[int], axes: int, *, weaker: bool) -> Best:
    """Return rows of a table, without those that protect less unless these are wanted."""
    if not weaker:
        rows = rows[~weakens(part.merits[rows])]
    places = np.zeros((len(rows), axes), np.int64)
    for index, number in enumerate(part.axes):
        if number in part.own:
            places[:, number] = part.places[rows, index]
    octets = part.octets[rows][:, columns]
    return Best(octets, part.merits[rows], part.changes[rows], places)


def _with_payloads(parts: Parts, front: Best, *, weaker: bool) -> Best:
    """Return the settings with each thing that may stand around a payload: octets that are left become room."""
    written = [front.at(_NONE)]
    for row in np.flatnonzero(parts.payloads.valid.all(axis=1)):
        alone = _rows(parts.payloads, np.array([row]), [0], len(parts.axes), weaker=weaker)
        settings = front.with_each(alone)
        rooms = [parts.around[row].payload(int(left)) for left in settings.octets[:, 0]]
        written.append(settings._replace(octets=np.array(rooms, np.int64).reshape(-1, 1)))
    return unsurpassed(joined(written))
