"""Settings that were added up, really encoded."""

from collections.abc import Collection, Sequence

from lowpanbudget.design.knob import Knob
from lowpanbudget.design.knobs import in_order, turned
from lowpanbudget.design.meaning import Design
from lowpanbudget.room.measure import room_of
from lowpanbudget.room.sweep.axes import Axis
from lowpanbudget.room.sweep.swept import SettingChange, SweptSetting
from lowpanbudget.values import FrozenDict

Changes = list[Knob[Design]]


def encoded_room(design: Design, flow: str, axes: Sequence[Axis], places: Sequence[int]) -> int:
    """Return the room on the worst hop of the setting whose values stand at these places of the axes.

    Raises ``LowpanError`` where it is refused.
    """
    then = turned(design, _changes(axes, places))
    return min(map(room_of, then.paths(then.flow(flow))))


def prove(
    design: Design, flow: str, axes: Sequence[Axis], places: Sequence[int], room: int
) -> None:
    """Raise ``AssertionError`` where the room that was added up is not the one that is encoded."""
    encoded = encoded_room(design, flow, axes, places)
    assert encoded == room, f"{flow}, {places}: {room} octets added up, {encoded} encoded"


def proven_setting(
    design: Design,
    flow: str,
    axes: Sequence[Axis],
    protecting: Collection[int],
    places: Sequence[int],
    less: int,
) -> SweptSetting:
    """Return a setting with these places on its axes whose room is ``-less`` for the worst of all given values.

    Raises ``AssertionError`` where it is another one when it is encoded.
    """
    settings, given = _apart(axes)
    rooms = [
        encoded_room(design, flow, axes, _placed(places, given, value))
        for value in range(len(axes[given].values))
    ]
    assert min(rooms) == -less, f"{flow}, {places}: {-less} octets added up, {rooms} encoded"
    protection = {axes[number].name: axes[number].values[places[number]] for number in protecting}
    made = in_order(_changes([axes[n] for n in settings], [places[n] for n in settings]))
    return SweptSetting(min(rooms), FrozenDict(protection), tuple(map(SettingChange.of, made)))


def _apart(axes: Sequence[Axis]) -> tuple[list[int], int]:
    """Return the numbers of the axes that are settings, and of the one that is given."""
    numbers = range(len(axes))
    given = next(number for number in numbers if axes[number].given)
    return [number for number in numbers if number != given], given


def _placed(places: Sequence[int], at: int, place: int) -> list[int]:
    return [*places[:at], place, *places[at + 1 :]]


def _changes(axes: Sequence[Axis], places: Sequence[int]) -> Changes:
    changes = (axis.changes[place] for axis, place in zip(axes, places, strict=True))
    return [change for change in changes if change is not None]
