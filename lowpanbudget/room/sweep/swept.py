"""What a sweep tells: its axes, the settings that nothing surpasses, and a row for each setting there is."""

from collections.abc import Collection, Iterator, Sequence
from math import prod
from typing import Protocol

from lowpanbudget.arguments import whole_number
from lowpanbudget.cites import Cite
from lowpanbudget.design.knob import Knob
from lowpanbudget.design.meaning import Design
from lowpanbudget.errors import RequestError
from lowpanbudget.room.sweep.axes import Axis
from lowpanbudget.room.sweep.proof import changes_at
from lowpanbudget.values import FrozenDict, dataclass, field

Row = tuple[str | int | None, ...]
MOST_ROWS = 10_000_000


class AllSettings(Protocol):
    """All settings of a sweep, added up."""

    def carrying(self, octets: int) -> int:
        """Return how many settings carry so many octets."""

    def rows(self) -> Iterator[Row]:
        """Yield a row for each setting that is not refused."""


@dataclass(frozen=True, slots=True)
class SweptValue:
    """A value of an axis: ``now`` the design has it. ``least`` and ``most``: the room of settings that have it.

    Both are None where no setting has it. ``weaker``: it protects less than the design, and so do all that have it; the
    rooms of other values are of settings that protect no less.
    """

    value: str
    now: bool
    least: int | None
    most: int | None
    weaker: bool = False


@dataclass(frozen=True, slots=True)
class SweptAxis:
    """An axis of a sweep; ``given``: no setting, and a setting must do for all its values.

    ``apart``: settings that differ in it are not compared, as those of another radio are neither better nor worse.
    """

    name: str
    given: bool
    values: tuple[SweptValue, ...]
    apart: bool = False


@dataclass(frozen=True, slots=True)
class SettingChange:
    """One change of a setting that is swept, in the words of the change alone."""

    id: str
    key: str
    text: str
    cite: Cite
    condition: str
    caution: str
    stronger: bool

    @classmethod
    def of(cls, knob: Knob[Design]) -> "SettingChange":
        """Return what a knob says of itself."""
        return cls(
            knob.id, knob.key, knob.text, knob.cite, knob.condition, knob.caution, knob.stronger
        )


@dataclass(frozen=True, slots=True)
class SweptSetting:
    """A setting: ``room`` in octets on its worst hop, and for the worst of the values that are given.

    ``changes`` make it of the design, in their order; ``protection``: the value of each axis that protects.
    """

    room: int
    protection: FrozenDict[str, str]
    changes: tuple[SettingChange, ...]

    @property
    def ids(self) -> tuple[str, ...]:
        """Return what names the changes in a combination."""
        return tuple(change.id for change in self.changes)

    @property
    def cautions(self) -> tuple[str, ...]:
        """Return what weakens protection in it."""
        return tuple(change.caution for change in self.changes if change.caution)

    @property
    def conditions(self) -> tuple[str, ...]:
        """Return what must hold for it."""
        return tuple(change.condition for change in self.changes if change.condition)


@dataclass(frozen=True, slots=True)
class Sweep:
    """The rooms of all settings of a flow.

    ``settings`` are all combinations of the axes but those that are given; ``refused`` of them cannot be encoded, for
    these ``reasons``, and ``weakening`` protect less than the design. ``least`` and ``most`` octets of room have the
    others, None where there is none; ``now`` has the design itself. ``front``: the settings that no other surpasses in
    room and protection with fewer conditions, among those that agree in the axes that are ``apart``, and none of them
    with less protection than the design; ``weaker``: those with
    less, no advice, where they are swept. ``proven`` settings, of these and at random, were encoded as a whole.
    ``in_slot``: the octets of the longest frame that a slot of the design has time for, where the PHY's are longer.
    """

    flow: str
    direction: str
    axes: tuple[SweptAxis, ...]
    settings: int
    refused: int
    reasons: tuple[str, ...]
    now: int
    least: int | None
    most: int | None
    front: tuple[SweptSetting, ...]
    weaker: tuple[SweptSetting, ...]
    proven: int
    weakening: int
    in_slot: int | None
    _counted: AllSettings = field(repr=False, compare=False)

    @property
    def counted(self) -> AllSettings:
        """Return what counts its settings."""
        return self._counted

    def carrying(self, octets: int) -> int:
        """Return how many settings carry so many octets in a frame, on every hop and for every value that is given.

        They are of those that protect no less than the design.
        """
        if whole_number(octets, "octets") > (-1 if self.most is None else self.most):
            return 0
        return self._counted.carrying(octets)

    @property
    def columns(self) -> tuple[str, ...]:
        """Return the names of the columns of ``rows``."""
        return ("flow", *(axis.name for axis in self.axes), "room", "first", "forwarded")

    def rows(self) -> Iterator[Row]:
        """Yield a row for each setting and given value that is not refused: values of the axes, then octets of room.

        They are the room on its worst hop, on the first hop, and on a forwarded one, None where there is none. Raises
        ``RequestError`` where there are more than ten million.
        """
        given = prod(len(axis.values) for axis in self.axes if axis.given)
        refuse_many_rows(self.flow, self.settings * given)
        return ((self.flow, *row) for row in self._counted.rows())


def refuse_many_rows(flow: str, rows: int) -> None:
    """Raise ``RequestError`` where a table is too long."""
    if rows > MOST_ROWS:
        raise RequestError(
            f"the flow {flow} has {rows:,} rows, a table holds {MOST_ROWS:,}",
            hint="Restrict some axes: their names with one or few values",
        )


def swept_axis(axis: Axis, rooms: list[tuple[int, int] | None]) -> SweptAxis:
    """Return an axis with the least and the most room of each value."""
    ends = (room or (None, None) for room in rooms)
    values = (
        SweptValue(value, value == axis.now, least, most, weaker)
        for value, (least, most), weaker in zip(axis.values, ends, axis.weaker, strict=True)
    )
    return SweptAxis(axis.name, axis.given, tuple(values), axis.apart)


def setting(
    axes: Sequence[Axis], protecting: Collection[int], places: Sequence[int], room: int
) -> SweptSetting:
    """Return a setting whose values stand at these places; what is given is none of its changes."""
    protection = {axes[number].name: axes[number].values[places[number]] for number in protecting}
    settings = [number for number, axis in enumerate(axes) if not axis.given]
    changes = changes_at([axes[n] for n in settings], [places[n] for n in settings])
    return SweptSetting(room, FrozenDict(protection), tuple(map(SettingChange.of, changes)))
