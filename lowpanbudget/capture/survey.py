"""Where the octets go: a capture summed up by flow, node, layer and kind of frame.

A survey is a value: parts of a capture, or several captures, give parts of it, which ``merge`` puts together in any
order and grouping. What happens between the last frame of one part and the first of the next is judged by neither.
"""

from collections.abc import Callable, Hashable, Iterable, Sequence
from typing import NamedTuple, TypeVar, Unpack

from lowpanbudget.bits import Nature
from lowpanbudget.capture.columns.choice import Shares, add_by_columns
from lowpanbudget.capture.files.reading import Capture, CaptureFile
from lowpanbudget.capture.follow.fcs_check import FcsVerdict
from lowpanbudget.capture.follow.flows import FlowKey
from lowpanbudget.capture.follow.narrowing import Narrowing
from lowpanbudget.capture.follow.receivers import Reception
from lowpanbudget.capture.follow.sighting import Sighting, flow_of_parts
from lowpanbudget.capture.follow.trace_options import TraceOptions, hide_keys
from lowpanbudget.capture.follow.tracing import Trace
from lowpanbudget.capture.savings import Savings
from lowpanbudget.capture.sequences import SequenceGaps, octets_on_air, sequence_of
from lowpanbudget.capture.series import SeriesCounter, TimeSeries, merged
from lowpanbudget.capture.tally import Tally, running, see
from lowpanbudget.capture.tally_place import TallyPlace, counted_application
from lowpanbudget.layers.link.mac import LARGEST_FRAME, FrameType
from lowpanbudget.stack.events import Discarded, TimedOut
from lowpanbudget.values import FrozenDict, dataclass, field, replace

MOST_CELLS = 8192  # that are told apart; flows and nodes of more are summed up as others
MOST_REASONS = 256
OTHERS = "others"
Key = TypeVar("Key", bound=Hashable)


class Cell(NamedTuple):
    """Frames that are counted together: their kind, their flow if they have one, and the node that sent them.

    ``node`` is a link address as bytes, None where a frame names no source. Flows and nodes that are too many are
    "others".
    """

    kind: str
    flow: FlowKey | str | None
    node: bytes | str | None


@dataclass(frozen=True, slots=True)
class Survey:
    """What a capture cost, by cell; and by flow, by node, by kind and altogether, added up from the cells.

    ``reasons`` counts why frames could not be read. ``names`` are what a design calls flows; none for those outside.
    ``natures`` tells of each layer whether it is a header, whatever it carries, or payload or sealed as a whole.
    ``check_sequences`` say what was found at the end of the frames of each link type. ``receptions`` are what each of
    several receivers heard: a frame that more than one of them heard is counted once. ``outside`` are the frames that
    nobody asked for, which are counted nowhere else. ``series`` is the same over time, where steps were asked for.
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
    shares: Shares = field(default=Shares(), compare=False)

    @property
    def total(self) -> Tally:
        """Return all cells together."""
        return sum(self.cells.values(), Tally())

    @property
    def flows(self) -> "dict[FlowKey | str, Tally]":
        """Return the cells by flow, those without left out."""
        return _grouped((c.flow, tally) for c, tally in self.cells.items() if c.flow is not None)

    @property
    def nodes(self) -> "dict[bytes | str, Tally]":
        """Return the cells by sending node, those without left out."""
        return _grouped((c.node, tally) for c, tally in self.cells.items() if c.node is not None)

    @property
    def kinds(self) -> dict[str, Tally]:
        """Return the cells by kind of frame."""
        return _grouped((c.kind, tally) for c, tally in self.cells.items())

    def merge(self, other: "Survey") -> "Survey":
        """Return the survey of both parts together; neither is changed."""
        reasons = dict(self.reasons)
        for reason, count in other.reasons.items():
            reasons[reason] = reasons.get(reason, 0) + count
        natures = dict(self.natures)
        for layer, nature in other.natures.items():
            _see(natures, layer, nature)
        return Survey(
            _grouped([*self.cells.items(), *other.cells.items()]), FrozenDict(reasons),
            FrozenDict({**other.names, **self.names}), FrozenDict(natures),
            self.check_sequences + other.check_sequences, self.receptions + other.receptions,
            self.outside + other.outside, merged(self.series, other.series), self.shares.plus(other.shares),
        )  # fmt: skip

    __add__ = merge


def _see(natures: dict[str, Nature], layer: str, nature: Nature) -> None:
    """Note what there is in a layer: of what could not be read nobody knows, and one header makes it a header."""
    if natures.get(layer) is not _HEADER and nature is not Nature.UNREAD:
        natures[layer] = nature


def _grouped(tallies: Iterable[tuple[Key, Tally]]) -> dict[Key, Tally]:
    groups: dict[Key, Tally] = {}
    nothing = Tally()
    for key, tally in tallies:
        groups[key] = groups.get(key, nothing) + tally
    return FrozenDict(groups)


class Surveyor:
    """Sums up what a trace yields, in bounded memory.

    ``largest`` is the octets of the largest frame, FCS included: the design's, or 127. ``narrowing`` knows which frames
    are counted.
    """

    def __init__(self, largest: int = LARGEST_FRAME, narrowing: Narrowing | None = None) -> None:
        self.largest = largest
        self._narrowing, self._outside = narrowing, 0
        self._cells: dict[Cell, Tally] = {}
        self.reasons: dict[str, int] = {}
        self.names: dict[FlowKey, str] = {}
        self._natures: dict[str, Nature] = {}
        self.savings = Savings(largest)
        self.gaps = SequenceGaps(MOST_CELLS)

    @property
    def has_all_names(self) -> bool:
        """Return whether no more flows are named."""
        return len(self.names) >= MOST_CELLS

    def survey(
        self,
        check_sequences: Iterable[FcsVerdict] = (),
        receptions: tuple[Reception, ...] = (),
    ) -> Survey:
        """Return what was counted so far."""
        return Survey(
            _grouped(self._cells.items()), FrozenDict(self.reasons), FrozenDict(self.names),
            FrozenDict(self._natures), tuple(check_sequences), receptions, self._outside,
        )  # fmt: skip

    def add(self, sighting: Sighting) -> None:
        """Count one record; of one that is outside, or that another receiver heard as well, only that it came."""
        if sighting.heard_as is not None:
            return
        if sighting.outside:
            self._outside += 1
            self._pass(sighting)
            return
        datagram = sighting.datagram
        self.see(sighting)
        place = self.place(sighting)
        tally = place.tally
        octets = octets_on_air(sighting)
        tally.frames += 1
        tally.octets += octets
        layers = tally.layer_bits
        for layer, count in place.layers_of(sighting):
            layers[layer] = layers.get(layer, 0) + count
        if sighting.repeats is not None:
            tally.retransmissions += 1
            datagram = None
        elif sighting.copies is not None:
            tally.duplicates += 1
        if place.is_data:
            tally.unused += max(self.largest - octets, 0)
            if sighting.repeats is None:
                tally.avoidable += self.savings.of(sighting, octets)
        if datagram is not None:
            self.name(sighting)
            tally.datagrams += 1
            tally.datagram_octets += len(datagram)
            tally.application += counted_application(sighting, datagram, place)
        if place.is_fragment:
            tally.fragments += 1
            tally.assembled += datagram is not None
        if place.sequence is not None and sighting.fcs_ok is not False:
            tally.lost += self.gaps.before(place.sequence, sighting.sequence)
        tally.damaged += sighting.damaged
        see(tally, sighting.record.time_ns)
        if reason := sighting.reason:
            self.leave_unread(tally, reason)
        if sighting.ended:
            self.end(sighting.ended)

    def leave_unread(self, tally: Tally, reason: str, frames: int = 1) -> None:
        """Count frames that could not be read to their end."""
        tally.unread += frames
        reasons = self.reasons
        key = reason if reason in reasons or len(reasons) < MOST_REASONS else OTHERS
        reasons[key] = reasons.get(key, 0) + frames

    def _pass(self, sighting: Sighting) -> None:
        """Note the number of a frame that is not counted, which none of its sender's others lacks then."""
        self.gaps.before_frame(sighting)
        if sighting.ended:
            self.end(sighting.ended)

    def see(self, sighting: Sighting) -> None:
        """Note what there is in the layers of a record; once for all frames that are alike."""
        template = sighting.template
        for span in () if sighting.opened is None else sighting.opened.spans:
            _see(self._natures, span.layer, span.nature)
        if template is None:
            frame = sighting.contents
        elif template.facts.get(_SEEN) is self:
            return
        else:
            template.facts[_SEEN] = self
            frame = template.example
        natures = self._natures
        for span in () if frame is None else frame.spans:
            if natures.get(span.layer) is not _HEADER:
                _see(natures, span.layer, span.nature)

    def name(self, sighting: Sighting) -> None:
        """Remember what the design calls a flow, at its first datagram."""
        flow, names = sighting.flow, self.names
        if flow is None or not sighting.has_design or flow in names or self.has_all_names:
            return
        matched = sighting.matched
        names[flow] = "" if matched is None else matched.flow.name

    def end(self, ended: Iterable[TimedOut | Discarded]) -> None:
        """Count datagrams that never became whole; those of ``Trace.leftover`` at the end."""
        for event in ended:
            numbers = (part.number for part in event.marks)
            outside = self._narrowing is not None and not self._narrowing.wanted(numbers)
            if outside or event.again:
                continue
            tally = self.tally_of(Cell(_DATA, flow_of_parts(event.marks), event.key[0]))
            tally.dropped += 1
            tally.given_up += isinstance(event, Discarded) and event.for_room

    def tally_of(self, cell: Cell) -> Tally:
        """Return the tally of a cell, or of the others where there are too many."""
        cells = self._cells
        tally = cells.get(cell)
        if tally is None:
            if len(cells) >= MOST_CELLS:
                flow = None if cell.flow is None else OTHERS
                cell = Cell(cell.kind, flow, None if cell.node is None else OTHERS)
            tally = cells.setdefault(cell, running())
        return tally

    def place(self, sighting: Sighting) -> TallyPlace:
        """Return where a record is counted; found once for all frames that are alike."""
        template = sighting.template
        shared = template is not None and sighting.flow is template.flow
        if template is not None and shared:
            place = template.facts.get(self)
            if isinstance(place, TallyPlace):
                return place
        mac = None if template is None else template.example.mac
        tally = self.tally_of(Cell(sighting.kind, sighting.flow, sighting.source))
        is_data = mac is not None and mac.frame_type == FrameType.DATA
        sequence = None if mac is None else sequence_of(mac)
        place = TallyPlace(tally, is_data, sighting.is_fragment, sequence)
        if template is not None and shared:
            template.facts[self] = place
        return place


_HEADER = Nature.HEADER
_SEEN = object()  # the surveyor that has seen a template's layers, among its facts
_DATA = FrameType.DATA.name.lower()


def survey(
    capture: Capture,
    *,
    every: object = None,
    columns: bool | None = None,
    **known: Unpack[TraceOptions],
) -> Survey:
    """Return where the octets of a capture go, by flow, node, kind of frame and layer.

    ``capture`` and what is ``known`` beside it are those of ``follow``; room is counted to the largest frame of the
    design, or to 127 octets. ``every`` asks for a series over time as well, in steps of so many seconds, or of a text
    such as "15 min". Surveys of several captures add up.

    A pcap or pcapng file of more than a megabyte is counted by columns where numba is installed: in compiled loops that
    know frames by what others like them were. The totals are those of frames followed one by one. ``columns`` says that
    it is to be so, or not, however large the file is. Raises ``RequestError`` as ``follow`` does.
    """
    hide_keys(known)
    return surveyed(capture, every, (), columns, **known)


def surveyed(
    capture: Capture,
    every: object,
    watchers: Sequence[Callable[[Sighting], None]],
    columns: bool | None = None,
    **known: Unpack[TraceOptions],
) -> Survey:
    """Return a survey as ``survey`` does, and show every record to the watchers, those nobody asked for as well."""
    counter = None if every is None else SeriesCounter(every)
    watching = (*watchers, counter.see) if counter is not None else watchers
    trace = Trace(**known)
    trace.reader.checksums = False  # no total depends on them
    design = trace.design
    largest = LARGEST_FRAME if design is None else design.link.largest
    surveyor = Surveyor(largest, trace.narrowing)
    with CaptureFile.of(capture) as records:
        shares = Shares()
        if not watching:
            shares = add_by_columns(records, trace, surveyor, columns)
        if not shares.columns + shares.followed:
            followed = 0
            for sighting in trace.follow(records):
                surveyor.add(sighting)
                followed += 1
                for watch in watching:
                    watch(sighting)
            shares = shares._replace(followed=followed)
    surveyor.end(trace.leftover)
    found = surveyor.survey(trace.fcs.values(), trace.receptions)
    series = None if counter is None else counter.series()
    return replace(found, series=series, shares=shares)
