"""Sets of changes that give what is wanted: one search, every set proven by encoding with all its changes made.

A set has one value for each dimension that it changes, is made in the fixed order of ``design.knobs`` and for all flows
together: a set that leaves another flow no way to be sent is none.
"""

from collections.abc import Iterator, Sequence
from contextlib import suppress
from typing import NamedTuple

from lowpanbudget.design.knob import Knob
from lowpanbudget.design.knobs import in_order, knobs, turned
from lowpanbudget.design.meaning import Design
from lowpanbudget.design.path import FlowPath
from lowpanbudget.errors import LowpanError
from lowpanbudget.room.knobs import Turning
from lowpanbudget.room.measure import frames_of, room_of
from lowpanbudget.room.savings import Loss, Saving

MOST_CHANGES = 4
_WIDEST = 48  # sets of a size that are made larger: the best of them, all where there are fewer


class ChangeSet(NamedTuple):
    """Changes made together, the paths of the flow and their rooms as they then are, and what other flows lose."""

    changes: tuple[Knob[Design], ...]
    paths: tuple[FlowPath, ...]
    rooms: tuple[int, ...]
    elsewhere: tuple[Loss, ...] = ()

    @classmethod
    def of(cls, turning: Turning, changes: tuple[Knob[Design], ...], flow: str) -> "ChangeSet":
        """Return the set of these changes; raises where they cannot be made."""
        paths = turning.paths(changes, flow)
        return cls(changes, paths, tuple(map(room_of, paths)))

    def carries(self, octets: int, most_frames: int) -> bool:
        """Return whether every hop carries a payload of so many octets in so many frames."""
        if most_frames == 1:
            return min(self.rooms) >= octets
        counts = [frames_of(path, octets) for path in self.paths]
        return all(count is not None and count <= most_frames for count in counts)

    @property
    def ids(self) -> tuple[str, ...]:
        """Return what names the changes."""
        return tuple(knob.id for knob in self.changes)


class SetSearch:
    """The sets of changes of one flow by size: each size is encoded once, for all payloads that are asked for.

    With ``weaker`` changes that cost protection are in them.
    """

    def __init__(self, design: Design, flow: str, *, weaker: bool = False) -> None:
        self._design, self._flow, self._weaker = design, flow, weaker
        self._turning = Turning(design)
        self._sizes = [[ChangeSet.of(self._turning, (), flow)]]  # by the number of changes
        self._savings: dict[tuple[tuple[str, ...], str], list[Saving]] = {}

    def smallest(
        self, wanted: int, most: int = MOST_CHANGES, *, most_frames: int = 1
    ) -> list[ChangeSet]:
        """Return what ``smallest_sets`` says."""
        if most_frames == 1 and wanted > self._design.link.largest_sent:
            return []  # no change makes frames longer
        for size in range(most + 1):
            enough = [one for one in self._of_size(size) if one.carries(wanted, most_frames)]
            proven = sorted(self._proven(enough), key=_rank)
            if proven:
                return proven
        return []

    def savings(self, chosen: ChangeSet, path: FlowPath) -> list[Saving]:
        """Return what ``savings_of`` says of a set on a path of the design."""
        key = (chosen.ids, path.hop.name)
        if key not in self._savings:
            self._savings[key] = savings_of(self._design, chosen.changes, path)
        return self._savings[key]

    def _of_size(self, size: int) -> list[ChangeSet]:
        """Return the sets of so many changes: those of one less, the widest of them, with each change more."""
        while len(self._sizes) <= size:
            widest = sorted(
                self._sizes[-1], key=lambda chosen: (-min(chosen.rooms), -sum(chosen.rooms))
            )
            larger = {
                frozenset(wider.ids): wider
                for chosen in widest[:_WIDEST]
                for wider in self._widened(chosen)
            }
            self._sizes.append(list(larger.values()))
        return self._sizes[size]

    def _widened(self, chosen: ChangeSet) -> Iterator[ChangeSet]:
        """Yield the set with each change more that the design then has."""
        now = turned(self._design, chosen.changes)
        taken = {knob.dimension for knob in chosen.changes}
        for knob in knobs(now, now.flow(self._flow)):
            if knob.dimension in taken or knob.stronger or (knob.caution and not self._weaker):
                continue
            changes = tuple(in_order((*chosen.changes, knob)))
            with suppress(LowpanError):
                yield ChangeSet.of(self._turning, changes, self._flow)

    def _proven(self, sets: Sequence[ChangeSet]) -> Iterator[ChangeSet]:
        for chosen in sets:
            with suppress(LowpanError):
                yield chosen._replace(elsewhere=self._turning.losses(chosen.changes, self._flow))


def smallest_sets(
    design: Design,
    flow: str,
    wanted: int,
    most: int = MOST_CHANGES,
    *,
    most_frames: int = 1,
    weaker: bool = False,
) -> list[ChangeSet]:
    """Return the sets of fewest changes with which every hop of the flow carries ``wanted`` octets in ``most_frames``.

    Best first: those that take nothing from other flows, ask for least, and leave least over. Empty where no set of at
    most ``most`` changes does. Changes that cost protection are in none, but with ``weaker``. Of the sets of one size
    the 48 with most room are made larger: among very many changes a set of three or four may be missed.
    """
    return SetSearch(design, flow, weaker=weaker).smallest(wanted, most, most_frames=most_frames)


def _rank(chosen: ChangeSet) -> tuple[int, int, int]:
    conditions = sum(bool(knob.condition) for knob in chosen.changes)
    return -sum(loss.gain for loss in chosen.elsewhere), conditions, sum(chosen.rooms)


def savings_of(design: Design, changes: Sequence[Knob[Design]], path: FlowPath) -> list[Saving]:
    """Return the savings of changes made one on top of the other, each in the words that hold where it is made.

    Raises ``LowpanError`` where some flow could not be sent in between.
    """
    savings = []
    for knob in in_order(changes):
        now = design.flow(path.flow.name)
        same = next((other for other in knobs(design, now) if other.id == knob.id), knob)
        savings.append(Turning(design).saving(same, (same,), path))
        design = turned(design, (same,))
    return savings
