"""Where the octets go: a capture summed up by flow, node, layer and kind of frame.

A survey is a value: parts of a capture, or several captures, give parts of it, which ``merge`` puts together in any
order and grouping. What happens between the last frame of one part and the first of the next is judged by neither.
"""

from collections.abc import Callable, Hashable, Iterable, Sequence
from typing import NamedTuple, TypeVar, Unpack

from lowpanbudget.bits import Nature
from lowpanbudget.capture.files.reading import Capture, CaptureFile
from lowpanbudget.capture.follow.fcs_check import FcsVerdict
from lowpanbudget.capture.follow.flows import FlowKey, upper_of
from lowpanbudget.capture.follow.narrowing import Narrowing
from lowpanbudget.capture.follow.receivers import Reception
from lowpanbudget.capture.follow.sighting import Sighting, flow_of_parts
from lowpanbudget.capture.follow.tracing import Trace, TraceOptions
from lowpanbudget.capture.savings import Savings
from lowpanbudget.capture.sequences import SequenceGaps, octets_on_air, sequence_of
from lowpanbudget.capture.series import SeriesCounter, TimeSeries, merged
from lowpanbudget.capture.tally import Tally, running, see
from lowpanbudget.layers.internet import ipv6, udp
from lowpanbudget.layers.link.mac import LARGEST_FRAME, FrameType
from lowpanbudget.stack.events import Discarded, TimedOut
from lowpanbudget.stack.upper import COAP_PORT
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
    """

    cells: dict[Cell, Tally] = field(default_factory=FrozenDict)
    reasons: dict[str, int] = field(default_factory=FrozenDict)
    names: dict[FlowKey, str] = field(default_factory=FrozenDict)
    natures: dict[str, Nature] = field(default_factory=FrozenDict)
    check_sequences: tuple[FcsVerdict, ...] = ()
    receptions: tuple[Reception, ...] = ()
    outside: int = 0
    series: TimeSeries | None = None

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
            self.outside + other.outside, merged(self.series, other.series),
        )  # fmt: skip

    __add__ = merge


def _see(natures: dict[str, Nature], layer: str, nature: Nature) -> None:
    """Note what there is in a layer: of what could not be read nobody knows, and one header makes it a header."""
    if nature is not Nature.UNREAD and natures.get(layer) is not Nature.HEADER:
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
        self._reasons: dict[str, int] = {}
        self._names: dict[FlowKey, str] = {}
        self._natures: dict[str, Nature] = {}
        self._savings = Savings(largest)
        self._gaps = SequenceGaps(MOST_CELLS)

    def survey(
        self,
        check_sequences: Iterable[FcsVerdict] = (),
        receptions: tuple[Reception, ...] = (),
    ) -> Survey:
        """Return what was counted so far."""
        return Survey(
            _grouped(self._cells.items()), FrozenDict(self._reasons), FrozenDict(self._names),
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
        datagram, template = sighting.datagram, sighting.template
        self._see(sighting)
        place = self._place(sighting)
        tally = place.tally
        octets = octets_on_air(sighting)
        tally.frames += 1
        tally.octets += octets
        layers = tally.layer_bits
        for layer, count in sighting.layer_bits.items():
            layers[layer] = layers.get(layer, 0) + count
        if sighting.repeats is not None:
            tally.retransmissions += 1
            datagram = None
        elif sighting.copies is not None:
            tally.duplicates += 1
        if place.is_data:
            tally.unused += max(self.largest - octets, 0)
            if sighting.repeats is None:
                tally.avoidable += self._savings.of(sighting, octets)
        if datagram is not None:
            self._name(sighting)
            tally.datagrams += 1
            tally.datagram_octets += len(datagram)
            alone = len(sighting.parts) == 1
            longer = 0 if template is None else template.longer(sighting.payload)
            if sighting.opened is not None and sighting.opened.is_open:
                application = len(sighting.application or b"")
            elif alone and place.application is not None:
                application = place.application + longer
            else:
                application = application_octets(sighting, datagram)
                place.application = application - longer if alone else None
            tally.application += application
        if sighting.is_fragment:
            tally.fragments += 1
            tally.assembled += datagram is not None
        if place.sequence is not None and sighting.fcs_ok is not False:
            tally.lost += self._gaps.before(place.sequence, sighting.sequence)
        tally.damaged += sighting.damaged
        see(tally, sighting.record.time_ns)
        if reason := sighting.reason:
            tally.unread += 1
            reasons = self._reasons
            key = reason if reason in reasons or len(reasons) < MOST_REASONS else OTHERS
            reasons[key] = reasons.get(key, 0) + 1
        if sighting.ended:
            self.end(sighting.ended)

    def _pass(self, sighting: Sighting) -> None:
        """Note the number of a frame that is not counted, which none of its sender's others lacks then."""
        self._gaps.before_frame(sighting)
        if sighting.ended:
            self.end(sighting.ended)

    def _see(self, sighting: Sighting) -> None:
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
        # few of the spans differ in these
        for layer, nature in {(s.layer, s.nature) for s in (() if frame is None else frame.spans)}:
            _see(self._natures, layer, nature)

    def _name(self, sighting: Sighting) -> None:
        """Remember what the design calls a flow, at its first datagram."""
        flow, names = sighting.flow, self._names
        if flow is None or not sighting.has_design or flow in names or len(names) >= MOST_CELLS:
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
            tally = self._tally(Cell(_DATA, flow_of_parts(event.marks), event.key[0]))
            tally.dropped += 1
            tally.given_up += isinstance(event, Discarded) and event.for_room

    def _tally(self, cell: Cell) -> Tally:
        cells = self._cells
        tally = cells.get(cell)
        if tally is None:
            if len(cells) >= MOST_CELLS:
                flow = None if cell.flow is None else OTHERS
                cell = Cell(cell.kind, flow, None if cell.node is None else OTHERS)
            tally = cells.setdefault(cell, running())
        return tally

    def _place(self, sighting: Sighting) -> "_TallyPlace":
        """Return where a record is counted; found once for all frames that are alike."""
        template = sighting.template
        shared = template is not None and sighting.flow is template.flow
        if template is not None and shared:
            place = template.facts.get(self)
            if isinstance(place, _TallyPlace):
                return place
        mac = None if template is None else template.example.mac
        tally = self._tally(Cell(sighting.kind, sighting.flow, sighting.source))
        is_data = mac is not None and mac.frame_type == FrameType.DATA
        place = _TallyPlace(tally, is_data, None if mac is None else sequence_of(mac))
        if template is not None and shared:
            template.facts[self] = place
        return place


@dataclass(slots=True)
class _TallyPlace:
    """Where records are counted, whether their room counts, and the name of their sequence if they have one.

    ``application`` are the octets that an application sent in a frame as long as the template, once they are known.
    """

    tally: Tally
    is_data: bool
    sequence: bytes | None
    application: int | None = None


_SEEN = object()  # the surveyor that has seen a template's layers, among its facts
_DATA = FrameType.DATA.name.lower()


def application_octets(sighting: Sighting, datagram: bytes) -> int:
    """Return the octets that an application sent in the datagram: behind UDP, and behind CoAP where it can be read."""
    flow = sighting.flow
    if flow is None or flow.protocol != ipv6.UDP:
        return 0
    if COAP_PORT in (flow.source_port, flow.destination_port):
        return len(sighting.application or b"")
    template = sighting.headers_template
    upper = upper_of(datagram) if template is None else template.upper
    return 0 if upper is None else len(datagram) - upper.offset - udp.OCTETS


def survey(capture: Capture, *, every: object = None, **known: Unpack[TraceOptions]) -> Survey:
    """Return where the octets of a capture go, by flow, node, kind of frame and layer.

    ``capture`` and what is ``known`` beside it are those of ``follow``; room is counted to the largest frame of the
    design, or to 127 octets. ``every`` asks for a series over time as well, in steps of so many seconds, or of a text
    such as "15 min". Surveys of several captures add up. Raises ``RequestError`` as ``follow`` does.
    """
    return surveyed(capture, every, (), **known)


def surveyed(
    capture: Capture,
    every: object,
    watchers: Sequence[Callable[[Sighting], None]],
    **known: Unpack[TraceOptions],
) -> Survey:
    """Return a survey as ``survey`` does, and show every record to the watchers, those nobody asked for as well."""
    counter = None if every is None else SeriesCounter(every)
    watching = (*watchers, counter.see) if counter is not None else watchers
    trace = Trace(**known)
    design = trace.design
    largest = LARGEST_FRAME if design is None else design.link.largest
    surveyor = Surveyor(largest, trace.narrowing)
    with CaptureFile.of(capture) as records:
        for sighting in trace.follow(records):
            surveyor.add(sighting)
            for watch in watching:
                watch(sighting)
    surveyor.end(trace.leftover)
    found = surveyor.survey(trace.fcs.values(), trace.receptions)
    return found if counter is None else replace(found, series=counter.series())
