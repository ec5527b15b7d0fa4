"""Frames, octets and losses of each node over time, in steps of one length; a node is one in its network alone.

Steps begin at multiples of their length since 1970, so that captures counted apart add up. Memory is bounded: where
there are more cells than are kept, two neighbouring steps become one, as often as it takes.
"""

from collections.abc import Callable, Iterable, Mapping
from typing import NamedTuple, TypeVar

from lowpanbudget.arguments import explains
from lowpanbudget.capture.follow.sighting import Sighting
from lowpanbudget.capture.sequences import SequenceGaps, octets_on_air
from lowpanbudget.capture.time_span import span_ns
from lowpanbudget.errors import RequestError
from lowpanbudget.layers.link.stations import network_of
from lowpanbudget.shown import LINK_ADDRESS
from lowpanbudget.values import FrozenDict, dataclass, field

MOST_CELLS = 1 << 17  # of a series
MOST_NODES = 8192  # that are told apart in one capture
OTHERS = "others"
Key = TypeVar("Key")


class Activity(NamedTuple):
    """What a node did in one step: ``frames``, their ``octets`` on the air, and ``lost`` numbers of its sequence.

    A number is lost when it is missing before a frame, and counts in the step of that frame: the frame was lost, or
    only its reception here. A node that sends nothing more leaves no number missing.
    """

    frames: int
    octets: int
    lost: int

    def plus(self, other: "Activity") -> "Activity":
        """Return both together."""
        return Activity(*map(sum, zip(self, other, strict=True)))


Node = bytes | str | None
Step = tuple[int, Node]
Place = tuple[int, int | None, Node]  # a step, and a node of a network
_NOTHING = Activity(0, 0, 0)


@dataclass(frozen=True, slots=True)
class TimeSeries:
    """What each node did in each step of time.

    ``cells`` are by number of the step, which begins at that many times ``every_ns`` since 1970 (or since whatever the
    capture counts from), and by node: its link address, None for frames that name no source, "others" for nodes that
    are too many. Steps without a frame are left out. ``apart`` are the same by step, PAN and node: those of equal
    addresses in several PANs are several. ``asked_ns`` is the length that was asked for: ``every_ns`` is twice that, or
    4 times and so on, where ``apart`` would be more than 131072. ``untimed`` frames have no time.
    """

    every_ns: int
    asked_ns: int
    apart: dict[Place, Activity] = field(default_factory=FrozenDict, metadata=LINK_ADDRESS)
    untimed: int = 0

    @property
    def cells(self) -> dict[Step, Activity]:
        """Return what nodes of one address did, in whatever PAN."""
        return _together(((step, node), one) for (step, _, node), one in self.apart.items())

    @property
    def networks(self) -> frozenset[int]:
        """Return the PANs of the nodes."""
        return frozenset(pan for _, pan, _ in self.apart if pan is not None)

    @property
    def steps(self) -> dict[int, Activity]:
        """Return what all nodes together did, by number of the step, the earliest first."""
        steps = _together((step, one) for (step, _, _), one in self.apart.items())
        return FrozenDict(sorted(steps.items()))

    @property
    def nodes(self) -> "dict[bytes | str | None, dict[int, Activity]]":
        """Return what each node did, by node and then by number of the step, the earliest first."""
        return self._by(lambda _, node: node)

    @property
    def nodes_of_networks(self) -> dict[tuple[int | None, Node], dict[int, Activity]]:
        """Return the same by PAN and node; by None and node where there is one PAN."""
        many = len(self.networks) > 1
        return self._by(lambda pan, node: (pan if many else None, node))

    def _by(self, of: Callable[[int | None, Node], Key]) -> dict[Key, dict[int, Activity]]:
        apart: dict[Key, dict[int, Activity]] = {}
        for (step, pan, node), one in sorted(self.apart.items(), key=lambda item: item[0][0]):
            steps = apart.setdefault(of(pan, node), {})
            steps[step] = steps.get(step, _NOTHING).plus(one)
        return FrozenDict({key: FrozenDict(steps) for key, steps in apart.items()})

    @explains
    def merge(self, other: "TimeSeries") -> "TimeSeries":
        """Return both together; neither is changed. Raises ``RequestError`` where other steps were asked for."""
        if self.asked_ns != other.asked_ns:
            raise RequestError(
                "series of different steps cannot be added", hint="Ask for one length in all parts"
            )
        every = max(self.every_ns, other.every_ns)
        places = dict(_coarser(self.apart, every // self.every_ns))
        for place, one in _coarser(other.apart, every // other.every_ns).items():
            places[place] = places.get(place, _NOTHING).plus(one)
        return _bounded(places, every, self.asked_ns, self.untimed + other.untimed)


def merged(one: TimeSeries | None, other: TimeSeries | None) -> TimeSeries | None:
    """Return two series together, or the one that there is."""
    return one.merge(other) if one is not None and other is not None else one or other


class SeriesCounter:
    """Counts a series from sightings; ``every`` as ``span_ns`` reads it."""

    def __init__(self, every: object) -> None:
        self._asked = self._every = span_ns(every)
        self._cells: dict[Place, list[int]] = {}
        self._nodes: set[bytes | None] = set()
        self._pans: set[int | None] = set()
        self._untimed = 0
        self._gaps = SequenceGaps(MOST_NODES)

    def see(self, sighting: Sighting) -> None:
        """Count a record as a survey does: not one that another receiver heard as well, nor one nobody asked for."""
        if sighting.heard_as is not None:
            return
        lost = self._gaps.before_frame(sighting)
        if sighting.outside:
            return
        time_ns = sighting.record.time_ns
        if time_ns is None:
            self._untimed += 1
            return
        place = time_ns // self._every, self.network(sighting), self._name(sighting.source)
        cell = self._cells.get(place)
        if cell is None:
            cell = self._cells[place] = [0, 0, 0]
            if len(self._cells) > MOST_CELLS:
                series = self.series()
                self._every = series.every_ns
                self._cells = {at: list(one) for at, one in series.apart.items()}
                cell = self._cells[time_ns // self._every, *place[1:]]
        cell[0] += 1
        cell[1] += octets_on_air(sighting)
        cell[2] += lost

    def network(self, sighting: Sighting) -> int | None:
        """Return the PAN of who sent a frame; one that is damaged is of a PAN that others named."""
        mac = None if sighting.example is None else sighting.example.mac
        if mac is None or mac.source is None:
            return None
        pan = network_of(mac)
        if not sighting.damaged:
            self._pans.add(pan)
        return pan if pan in self._pans else None

    def _name(self, node: bytes | None) -> Node:
        if node not in self._nodes:
            if len(self._nodes) >= MOST_NODES:
                return OTHERS
            self._nodes.add(node)
        return node

    def series(self) -> TimeSeries:
        """Return what was counted so far."""
        cells = {place: Activity(*counts) for place, counts in self._cells.items()}
        return _bounded(cells, self._every, self._asked, self._untimed)


def _together(counted: Iterable[tuple[Key, Activity]]) -> dict[Key, Activity]:
    sums: dict[Key, Activity] = {}
    for key, one in counted:
        sums[key] = sums.get(key, _NOTHING).plus(one)
    return FrozenDict(sums)


def _bounded(cells: dict[Place, Activity], every: int, asked: int, untimed: int) -> TimeSeries:
    """Return a series with no more cells than are kept, unless no longer steps can make them fewer."""
    while len(cells) > MOST_CELLS:
        steps = {step for step, _, _ in cells}
        if len(steps) == 1 or steps == {-1, 0}:  # those on both sides of the beginning never meet
            break
        cells, every = dict(_coarser(cells, 2)), every * 2
    return TimeSeries(every, asked, FrozenDict(cells), untimed)


def _coarser(cells: Mapping[Place, Activity], times: int) -> Mapping[Place, Activity]:
    """Return cells of steps that are so many times as long."""
    if times == 1:
        return cells
    return _together(((step // times, pan, node), one) for (step, pan, node), one in cells.items())
