"""What the settings of some axes give, each combination of them really encoded: the parts of which a sweep adds rooms.

Axes that bear on one share of a frame are measured together, all their combinations. Octets of different shares add up:
those of the link's parts are what one frame leaves, those of the headers are measured over a bare link, since nothing
of the link but the form of its addresses bears on them.
"""

from collections.abc import Callable, Sequence
from itertools import count, product
from math import prod
from typing import NamedTuple

from lowpanbudget.design.flow import FIRST
from lowpanbudget.design.knob import Knob, Share, Stage
from lowpanbudget.design.knobs import turned
from lowpanbudget.design.meaning import Design
from lowpanbudget.errors import LowpanError, RequestError
from lowpanbudget.room.sweep.axes import Axis
from lowpanbudget.values import replace

# what is left: in a frame of the first hop and of a forwarded one, and in a datagram there and there
Octets = tuple[int, int, int, int]
Changes = Sequence[Knob[Design] | None]
Tell = Callable[[int, int], None]  # how many combinations are measured, of how many
NOTHING: Octets = (0, 0, 0, 0)
NO_HOP = 1 << 16  # octets left on a hop that the flow does not have: it never decides
OF_LINK = (Share.LARGEST, Share.LINK, Share.PROTECTION, Share.ELEMENTS)
OF_HEADERS = (Share.NETWORK, Share.CLASS, Share.TRANSPORT)
_UNCOMPRESSED = (
    "headers that are too long to be compressed: what stands behind them cannot be added"
)


class Combination(NamedTuple):
    """One combination of values: ``places`` are those of its axes in order.

    ``octets``: for each value that is given, how much more is left than in the design; None where that is refused.
    """

    places: tuple[int, ...]
    octets: tuple[Octets | None, ...]


class MeasuredTable(NamedTuple):
    """The combinations of some axes, which are numbers; the one that is given is not among them."""

    axes: tuple[int, ...]
    combinations: tuple[Combination, ...]


class Measured(NamedTuple):
    """What the design leaves as it is, the tables whose octets are added to it, and why combinations are refused."""

    base: Octets
    tables: tuple[MeasuredTable, ...]
    reasons: tuple[str, ...]


def measured(design: Design, flow: str, axes: Sequence[Axis], tell: Tell | None = None) -> Measured:
    """Return what all combinations of the axes are added up from.

    Raises ``RequestError`` where the design itself has headers whose octets do not add up.
    """
    link = design.link
    bare = replace(design, link=link.bare)
    reasons: dict[str, None] = {}
    # an acknowledgement that a slot must hold as well grows with all of them, and what it takes does not add up
    link_shares = [OF_LINK] if link.answered_us is not None else [(share,) for share in OF_LINK]
    header_shares = [(share,) for share in OF_HEADERS]
    measured_now = _told(axes, (*link_shares, *header_shares), tell)
    of_link = _Measure(design, flow, axes, _of_link, reasons, measured_now)
    of_headers = _Measure(bare, flow, axes, _of_headers, reasons, measured_now)
    tables = (*of_link.tables(link_shares), *of_headers.tables(header_shares))
    return Measured(_added(of_link.base, of_headers.base), tables, tuple(reasons))


def _told(
    axes: Sequence[Axis], shares: Sequence[Sequence[Share]], tell: Tell | None
) -> Callable[[], None]:
    """Return what is called after each combination, and tells how far all of them are."""
    if tell is None:
        return lambda: None
    together = [bearing_on(axes, *some) for some in shares]
    total = sum(prod(len(axes[one].changes) for one in numbers) for numbers in together if numbers)
    done = count(1)
    return lambda: tell(next(done), total)


class _Measure:
    """What changes of one design leave, measured in one way; ``reasons`` collects why some are refused."""

    def __init__(
        self,
        design: Design,
        flow: str,
        axes: Sequence[Axis],
        measure: Callable[[Design, str], tuple[Octets, bool]],
        reasons: dict[str, None],
        measured_now: Callable[[], None],
    ) -> None:
        self._design, self._flow, self._axes = design, flow, axes
        self._measured_now = measured_now
        self._measure, self._reasons = measure, reasons
        self.base, self._whole = measure(design, flow)
        self._before: dict[tuple[str, ...], Design] = {}

    def tables(self, shares: Sequence[Sequence[Share]]) -> list[MeasuredTable]:
        """Return the table of the axes that bear on each of these shares, or on some that are measured together."""
        together = [numbers for some in shares if (numbers := bearing_on(self._axes, *some))]
        alone = len(together) < 2  # then nothing is added to what this way measures
        if not (self._whole or alone):
            raise RequestError(
                f"the flow {self._flow} has {_UNCOMPRESSED}",
                hint="Restrict the axes, or let its routing artefacts be compressed",
            )
        return [self._table(numbers, alone=alone) for numbers in together]

    def _table(self, numbers: Sequence[int], *, alone: bool) -> MeasuredTable:
        settings = tuple(number for number in numbers if not self._axes[number].given)
        given = [self._axes[number].changes for number in numbers if self._axes[number].given]
        combinations = []
        for places in product(*(range(len(self._axes[number].values)) for number in settings)):
            changes = changes_of(self._axes, settings, places)
            octets = tuple(
                self._more((*changes, *circumstances), alone=alone)
                for circumstances in product(*given)
            )
            combinations.append(Combination(places, octets))
        return MeasuredTable(settings, tuple(combinations))

    def _more(self, changes: Changes, *, alone: bool) -> Octets | None:
        """Return how much more is left with these changes; None where they are refused."""
        self._measured_now()
        try:
            left, whole = self._measure(self._turned(changes), self._flow)
        except LowpanError as error:
            self._reasons.setdefault(error.message)
            return None
        if not (whole or alone):
            self._reasons.setdefault(_UNCOMPRESSED)
            return None
        return _added(left, self.base, -1)

    def _turned(self, changes: Changes) -> Design:
        """Return the design with these changes; those of addresses are made once for all that come behind them."""
        made = [change for change in changes if change is not None]
        first = [change for change in made if change.stage < Stage.REST]
        ids = tuple(change.id for change in first)
        if ids not in self._before:
            self._before[ids] = turned(self._design, first)
        return turned(self._before[ids], [change for change in made if change.stage is Stage.REST])


def bearing_on(axes: Sequence[Axis], *shares: Share) -> tuple[int, ...]:
    """Return the numbers of the axes that bear on any of these shares of the frame."""
    bear = [not set(shares).isdisjoint(axis.shares) for axis in axes]
    return tuple(number for number, bears in enumerate(bear) if bears)


def changes_of(axes: Sequence[Axis], numbers: Sequence[int], places: Sequence[int]) -> Changes:
    """Return the changes that these axes make at these places."""
    return [axes[number].changes[place] for number, place in zip(numbers, places, strict=True)]


def _of_link(design: Design, flow: str) -> tuple[Octets, bool]:
    """Return what the link leaves of a frame: addresses are of one form on every hop."""
    room = design.paths(design.flow(flow))[0].link_room
    return (room, room, 0, 0), True


def _of_headers(design: Design, flow: str) -> tuple[Octets, bool]:
    """Return what headers leave of frames and of the largest datagram, and whether all of them are compressed.

    Below 0 it is what they take.
    """
    sizes = {path.hop.name: path.header_sizes for path in design.paths(design.flow(flow))}
    first, mtu = sizes.pop(FIRST), design.link.mtu
    on_first, of_first = -first.on_air, mtu - first.of_datagram
    for forwarded in sizes.values():
        on_forwarded, of_forwarded = -forwarded.on_air, mtu - forwarded.of_datagram
        return (on_first, on_forwarded, of_first, of_forwarded), first.whole and forwarded.whole
    # what other changes take on a hop that is not there, they take as on the first one
    return (on_first, NO_HOP + on_first, of_first, NO_HOP + of_first), first.whole


def _added(one: Octets, other: Octets, sign: int = 1) -> Octets:
    first, second, third, fourth = (a + sign * b for a, b in zip(one, other, strict=True))
    return first, second, third, fourth
