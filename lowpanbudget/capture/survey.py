"""Where the octets go: a capture summed up by flow, node, layer and kind of frame.

A survey is a value: parts of a capture, or several captures, give parts of it, which ``merge`` puts together in any
order and grouping. What happens between the last frame of one part and the first of the next is judged by neither.
"""

from collections.abc import Callable, Hashable, Iterable
from typing import NamedTuple, TypeVar

from lowpanbudget.arguments import explains
from lowpanbudget.bits import Nature
from lowpanbudget.capture.columns.choice import CountedFrames
from lowpanbudget.capture.follow.fcs_check import FcsVerdict
from lowpanbudget.capture.follow.flows import FlowKey
from lowpanbudget.capture.follow.receivers import Reception
from lowpanbudget.capture.series import TimeSeries, merged
from lowpanbudget.capture.tally import Tally, together
from lowpanbudget.shown import shown_named
from lowpanbudget.values import FrozenDict, dataclass, field

Key = TypeVar("Key", bound=Hashable)
One = TypeVar("One")
# of several natures that a layer has in different frames it is told by the last of these
_BY_WEIGHT = (Nature.UNREAD, Nature.PADDING, Nature.SEALED, Nature.PAYLOAD, Nature.HEADER)
_WEIGHT = {nature: weight for weight, nature in enumerate(_BY_WEIGHT)}


class Cell(NamedTuple):
    """Frames that are counted together: their kind, their flow if they have one, and the node that sent them.

    ``node`` is a link address as bytes, None where a frame names no source. Flows and nodes that are too many are
    "others".
    """

    kind: str
    flow: FlowKey | str | None
    node: bytes | str | None

    def __repr__(self) -> str:
        return shown_named(self, "node")


@dataclass(frozen=True, slots=True)
class Survey:
    """What a capture cost, by cell; and by flow, by node, by kind and altogether, added up from the cells.

    ``pans`` has the cells of each PAN: a short address is a node in its PAN alone. None stands for frames that name
    none, as most acknowledgements do.
    ``reasons`` counts why frames could not be read. ``names`` are what a design calls flows; none for those outside.
    ``natures`` tells of each layer whether it is a header, whatever it carries, or payload or sealed as a whole.
    ``check_sequences`` say what was found at the end of the frames of each link type. ``receptions`` are what each of
    several receivers heard: a frame that more than one of them heard is counted once. Of parts both are in one order,
    whichever was added first. ``outside`` are the frames that
    nobody asked for, which are counted nowhere else. ``series`` is the same over time, where steps were asked for.
    Room was counted to frames as large as the design's, else to the ``assumed`` ones.
    ``shares`` tell how the frames were counted, and make no difference.
    """

    cells: dict[Cell, Tally] = field(default_factory=FrozenDict)
    reasons: dict[str, int] = field(default_factory=FrozenDict)
    names: dict[FlowKey, str] = field(default_factory=FrozenDict)
    natures: dict[str, Nature] = field(default_factory=FrozenDict)
    check_sequences: tuple[FcsVerdict, ...] = ()
    receptions: tuple[Reception, ...] = ()
    outside: int = 0
    series: TimeSeries | None = None
    assumed: tuple[int, ...] = ()
    shares: CountedFrames = field(default=CountedFrames(), compare=False)
    pans: dict[int | None, dict[Cell, Tally]] = field(default_factory=FrozenDict)

    @property
    def total(self) -> Tally:
        """Return all cells together."""
        return together(tuple(self.cells.values()))

    @property
    def flows(self) -> "dict[FlowKey | str, Tally]":
        """Return the cells by flow, those without left out."""
        return grouped((c.flow, tally) for c, tally in self.cells.items() if c.flow is not None)

    @property
    def nodes(self) -> "dict[bytes | str, Tally]":
        """Return the cells by sending node, those without left out."""
        return grouped((c.node, tally) for c, tally in self.cells.items() if c.node is not None)

    @property
    def kinds(self) -> dict[str, Tally]:
        """Return the cells by kind of frame."""
        return grouped((c.kind, tally) for c, tally in self.cells.items())

    def apart(self, of: Callable[[Cell], Key | None]) -> dict[tuple[int | None, Key], Tally]:
        """Return the cells by what ``of`` tells of them and, where there are several PANs, by PAN."""
        many = len(self.networks) > 1
        return grouped(
            ((pan if many else None, key), tally)
            for pan, cells in self.pans.items()
            for cell, tally in cells.items()
            if (key := of(cell)) is not None
        )

    @property
    def networks(self) -> dict[int, Tally]:
        """Return what the frames of each PAN cost, the most octets first; none of which damaged frames alone tell."""
        sums = ((pan, together(tuple(cells.values()))) for pan, cells in self.pans.items())
        known = {
            pan: tally for pan, tally in sums if pan is not None and tally.frames > tally.damaged
        }
        return FrozenDict(sorted(known.items(), key=lambda one: (-one[1].octets, one[0])))

    @explains
    def merge(self, other: "Survey") -> "Survey":
        """Return the survey of both parts together, the same whichever is added to which; neither is changed."""
        reasons = dict(self.reasons)
        for reason, count in other.reasons.items():
            reasons[reason] = reasons.get(reason, 0) + count
        natures = dict(self.natures)
        for layer, nature in other.natures.items():
            note_nature(natures, layer, nature)
        names = dict(self.names)
        for flow, name in other.names.items():
            names[flow] = min(name, names.get(flow, name))
        return Survey(
            grouped([*self.cells.items(), *other.cells.items()]), FrozenDict(reasons),
            FrozenDict(names), FrozenDict(natures), _in_order(self.check_sequences, other.check_sequences),
            _in_order(self.receptions, other.receptions),
            self.outside + other.outside, merged(self.series, other.series),
            tuple(sorted({*self.assumed, *other.assumed})), self.shares.plus(other.shares),
            FrozenDict({
                pan: grouped([*self.pans.get(pan, {}).items(), *other.pans.get(pan, {}).items()])
                for pan in {**self.pans, **other.pans}
            }),
        )  # fmt: skip

    __add__ = merge


def _in_order(one: tuple[One, ...], other: tuple[One, ...]) -> tuple[One, ...]:
    """Return what both parts have in one order, whichever comes first; what one alone has stays in its own."""
    return tuple(sorted(one + other, key=repr)) if one and other else one or other


def note_nature(natures: dict[str, Nature], layer: str, nature: Nature) -> None:
    """Note what there is in a layer: of what could not be read nobody knows, and one header makes it a header."""
    if _WEIGHT[nature] > _WEIGHT[natures.get(layer, Nature.UNREAD)]:
        natures[layer] = nature


def grouped(tallies: Iterable[tuple[Key, Tally]]) -> dict[Key, Tally]:
    """Return the sum of the tallies of each key; none of them is counted in any more."""
    groups: dict[Key, list[Tally]] = {}
    for key, tally in tallies:
        groups.setdefault(key, []).append(tally)
    return FrozenDict(
        {key: together(some) if len(some) > 1 else some[0] for key, some in groups.items()}
    )
