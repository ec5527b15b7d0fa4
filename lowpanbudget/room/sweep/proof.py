"""Settings that were added up, really encoded."""

from collections.abc import Sequence

from lowpanbudget.design.knob import Knob
from lowpanbudget.design.knobs import in_order, turned
from lowpanbudget.design.meaning import Design
from lowpanbudget.room.measure import room_of
from lowpanbudget.room.sweep.axes import Axis


def encoded_room(design: Design, flow: str, axes: Sequence[Axis], places: Sequence[int]) -> int:
    """Return the room on the worst hop of the setting whose values stand at these places of the axes.

    Raises ``LowpanError`` where it is refused.
    """
    then = turned(design, changes_at(axes, places))
    return min(map(room_of, then.paths(then.flow(flow))))


def prove(
    design: Design, flow: str, axes: Sequence[Axis], places: Sequence[int], room: int
) -> None:
    """Raise ``AssertionError`` where the room that was added up is not the one that is encoded."""
    encoded = encoded_room(design, flow, axes, places)
    assert encoded == room, f"{flow}, {places}: {room} octets added up, {encoded} encoded"


def changes_at(axes: Sequence[Axis], places: Sequence[int]) -> list[Knob[Design]]:
    """Return the changes that the values at these places make, in their order."""
    changes = (axis.changes[place] for axis, place in zip(axes, places, strict=True))
    return in_order(change for change in changes if change is not None)
