"""The rooms of all settings of a design: octets that were really encoded, added up by the million.

A setting leaves what the design leaves and what each table adds (``tables``), so that a hundred million settings need a
few thousand encodings. They are counted without being listed (``counts``): of each table the distinct octets with their
counts, then those of the tables together, one after the other, which is a convolution. A sum surpasses another where
each of its parts does, so that the best settings are found among the best parts (``best``).
"""

from collections.abc import Iterator, Mapping, Sequence
from math import prod
from typing import TYPE_CHECKING

from lowpanbudget.arguments import function_or_none, with_flags
from lowpanbudget.design.flow import Flow
from lowpanbudget.design.meaning import Design
from lowpanbudget.room.measure import room_of
from lowpanbudget.room.sweep.axes import Axis, Values, axes_of
from lowpanbudget.room.sweep.proof import prove
from lowpanbudget.room.sweep.swept import (
    Row,
    Sweep,
    SweptSetting,
    refuse_many_rows,
    setting,
    swept_axis,
)
from lowpanbudget.room.sweep.tables import Tell, measured
from lowpanbudget.values import replace

if TYPE_CHECKING:
    from lowpanbudget.room.sweep.arrays import Best
    from lowpanbudget.room.sweep.counts import Counts
    from lowpanbudget.room.sweep.parts import Parts

_AT_RANDOM = 24  # settings that are encoded in every sweep beside the best ones
_MOST_PROVEN = 48  # of these


@with_flags
def sweep(
    design: Design,
    flow: str | None = None,
    *,
    axes: Mapping[str, Values] | None = None,
    weaker: bool = False,
    tell: Tell | None = None,
) -> list[Sweep]:
    """Return a ``Sweep`` of the flow of this name, or of each: the rooms of all settings that its axes can have.

    ``axes``: values of an axis by its name or the end of that, such as ``{"hops": range(1, 17), "level": 6}``; the
    number of hops and the PHY stay as they are unless they are given here. ``weaker`` sweeps as well what protects less
    than the design. ``tell`` is called with how many combinations of a flow were encoded, and of how many. Raises
    ``RequestError`` for what is no design, a flow or an axis or a value that it does not have.
    """
    design = Design.of(design)
    function_or_none(tell, "tell")
    flows = design.flows if flow is None else (design.flow(flow),)
    return [_swept(design, one, axes_of(design, one, axes, weaker=weaker), tell) for one in flows]


def refuse_long_table(
    design: Design, flow: str | None, *, axes: Mapping[str, Values] | None, weaker: bool
) -> None:
    """Raise ``RequestError`` where ``rows`` of a sweep would refuse: what takes long need not be encoded for that."""
    for one in design.flows if flow is None else (design.flow(flow),):
        values = [len(axis.values) for axis in axes_of(design, one, axes, weaker=weaker)]
        refuse_many_rows(one.name, prod(values))


def _swept(design: Design, flow: Flow, axes: Sequence[Axis], tell: Tell | None) -> Sweep:
    # heavy: only where there is something to sweep
    from lowpanbudget.room.sweep.best import best_settings  # noqa: PLC0415
    from lowpanbudget.room.sweep.counts import Counts  # noqa: PLC0415
    from lowpanbudget.room.sweep.listing import drawn  # noqa: PLC0415
    from lowpanbudget.room.sweep.parts import Parts  # noqa: PLC0415

    design = replace(design, flows=(flow,))  # no other is asked
    found = measured(design, flow.name, axes, tell)
    parts = Parts(design, flow.name, axes, found)
    every = Counts(parts, weaker=True)
    counts = Counts(parts, weaker=False) if any(any(axis.weaker) for axis in axes) else every
    front, weaker = (_proven(design, parts, best) for best in best_settings(parts, counts.columns))
    at_random = [(places, room) for places, room in drawn(parts, _AT_RANDOM) if room is not None]
    for places, room in at_random:
        prove(design, flow.name, axes, places, room)
    least, most = counts.rooms() or (None, None)
    refused = [one.refused for one in parts.around if one.refused]
    return Sweep(
        flow.name,
        flow.direction,
        tuple(
            swept_axis(axis, _rooms(axis, number, counts, every))
            for number, axis in enumerate(axes)
        ),
        every.settings,
        every.settings - every.encoded,
        tuple(dict.fromkeys([*found.reasons, *refused])),
        min(map(room_of, design.paths(flow))),
        least,
        most,
        front,
        weaker,
        sum(map(_proofs, (front, weaker))) + len(at_random),
        every.encoded - counts.encoded,
        design.link.in_slot,
        _Settings(parts.counted(), counts),
    )


def _rooms(
    axis: Axis, number: int, counts: "Counts", every: "Counts"
) -> list[tuple[int, int] | None]:
    """Return the least and the most room of each value: of a weaker one among ``every`` setting."""
    rooms = counts.by_value(number)
    weaker = every.by_value(number) if any(axis.weaker) else rooms
    return [
        two if is_weaker else one
        for one, two, is_weaker in zip(rooms, weaker, axis.weaker, strict=True)
    ]


def _proven(design: Design, parts: "Parts", best: "Best") -> tuple[SweptSetting, ...]:
    """Return settings, most room first.

    They are encoded, of many some that lie evenly among them: for the first, the last and the worst of given values.
    """
    from lowpanbudget.room.sweep.listing import rooms_given  # noqa: PLC0415  # heavy

    flow = design.flows[0].name
    order = sorted(
        range(len(best.changes)), key=lambda row: (-best.octets[row, 0], best.changes[row])
    )
    settings = []
    each = _every(len(order))
    for number, row in enumerate(order):
        places, room = best.places[row].tolist(), int(best.octets[row, 0])
        if number % each == 0:
            rooms = rooms_given(parts, best.places[row])
            assert min(rooms) == room, f"{flow}, {places}: {room} is not the least of {rooms}"
            for value in {0, len(rooms) - 1, rooms.index(room)}:
                places[parts.given] = value
                prove(design, flow, parts.axes, places, rooms[value])
        settings.append(setting(parts.axes, parts.merits.protecting, places, room))
    return tuple(settings)


def _every(count: int) -> int:
    """Return of how many settings one is encoded."""
    return -(-count // _MOST_PROVEN) or 1


def _proofs(settings: Sequence[SweptSetting]) -> int:
    """Return how many of these settings were encoded."""
    return len(settings[:: _every(len(settings))])


class _Settings:
    """All settings of a sweep that was made: what they are asked later."""

    __slots__ = ("_counts", "_parts")

    def __init__(self, parts: "Parts", counts: "Counts") -> None:
        self._parts, self._counts = parts, counts

    def carrying(self, octets: int) -> int:
        """Return how many settings carry so many octets."""
        return self._counts.carrying(octets)

    def rows(self) -> Iterator[Row]:
        """Yield a row for each setting and given value that is not refused."""
        from lowpanbudget.room.sweep.listing import rows  # noqa: PLC0415  # heavy

        return rows(self._parts)
