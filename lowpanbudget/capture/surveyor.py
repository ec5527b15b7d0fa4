"""A survey in the making: each record of a trace is counted in its cell, those that are alike at little cost."""

from collections.abc import Callable, Iterable, Sequence
from typing import TYPE_CHECKING, Unpack

from lowpanbudget.capture.columns.choice import CountedFrames, add_by_columns
from lowpanbudget.capture.cut_datagrams import CutDatagrams
from lowpanbudget.capture.files.reading import Capture, CaptureFile
from lowpanbudget.capture.follow.fcs_check import FcsVerdict
from lowpanbudget.capture.follow.flows import FlowKey
from lowpanbudget.capture.follow.narrowing import Narrowing
from lowpanbudget.capture.follow.parts import flow_of_parts
from lowpanbudget.capture.follow.receivers import Reception
from lowpanbudget.capture.follow.sighting import DAMAGED, Sighting
from lowpanbudget.capture.follow.trace_options import TraceOptions, check_known
from lowpanbudget.capture.follow.tracing import Trace
from lowpanbudget.capture.glance import Glance
from lowpanbudget.capture.layer_natures import LayerNatures
from lowpanbudget.capture.room_left import RoomLeft
from lowpanbudget.capture.savings import Savings
from lowpanbudget.capture.sequences import SequenceGaps, octets_on_air, sequence_of
from lowpanbudget.capture.series import SeriesCounter
from lowpanbudget.capture.survey import Cell, Survey, grouped
from lowpanbudget.capture.tally import Tally, running, see, together
from lowpanbudget.capture.tally_place import (
    Amounts,
    AmountsKey,
    Assembled,
    TallyPlace,
    code_of,
    counted_application,
)
from lowpanbudget.declared import is_flag
from lowpanbudget.errors import RequestError, repeated
from lowpanbudget.layers.link.mac import FrameType
from lowpanbudget.layers.link.stations import network_of
from lowpanbudget.stack.events import Discarded, TimedOut
from lowpanbudget.values import FrozenDict, replace

if TYPE_CHECKING:  # a design is heavy
    from lowpanbudget.design.meaning import Design

MOST_CELLS = 8192  # that are told apart; flows and nodes of more are summed up as others
MOST_REASONS = 256
OTHERS = "others"
_MOST_PLACES = 1024  # whose frames wait to be added up


class Surveyor:
    """Sums up what a trace yields, in bounded memory.

    Room is counted to the largest frame of the design, or to what each frame tells of its PHY. ``narrowing`` knows
    which frames are counted.
    """

    def __init__(self, design: "Design | None" = None, narrowing: Narrowing | None = None) -> None:
        self.room = RoomLeft(design)
        self._narrowing, self.outside = narrowing, 0
        self._cells: dict[tuple[int | None, Cell], Tally] = {}
        self._places: list[TallyPlace] = []  # with frames that are not in their tallies yet
        self.reasons: dict[str, int] = {}
        self.names: dict[FlowKey, str] = {}
        self.natures = LayerNatures()
        self.savings = Savings(self.room.largest)
        self.gaps = SequenceGaps(MOST_CELLS)
        self._cut = CutDatagrams()

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
        self.take_up()
        pans: dict[int | None, dict[Cell, Tally]] = {}
        settled = [(*key, together((tally,))) for key, tally in self._cells.items()]
        for pan, cell, tally in settled:
            pans.setdefault(pan, {})[cell] = tally
        cells = grouped((cell, tally) for _, cell, tally in settled)
        return Survey(
            cells, FrozenDict(self.reasons), FrozenDict(self.names), FrozenDict(self.natures.known),
            tuple(check_sequences), receptions, self.outside, assumed=self.room.assumed,
            pans=FrozenDict({pan: FrozenDict(one) for pan, one in pans.items()}),
        )  # fmt: skip

    def add(self, sighting: Sighting) -> None:
        """Count one record; of one that is outside, or that another receiver heard as well, only that it came."""
        if sighting.heard_as is not None:
            return
        if sighting.outside:
            self.outside += 1
            self._pass(sighting)
            return
        place = self.place(sighting)
        if place.is_plain and _is_plain(sighting):
            key = len(sighting.payload or b""), len(sighting.octets), sighting.damaged
            amounts = place.amounts.get(key)
            if amounts is None:
                amounts = self._remember(sighting, place, key)
            amounts.frames += 1
            if sighting.damaged:
                self.leave_damaged(place.tally)
            if place.is_fragment:
                place.tally.fragments += 1
                if sighting.datagram is not None:
                    self._add_assembled(sighting, place, sighting.datagram)
        else:
            self._add_alone(sighting, place)
        tally = place.tally
        if place.sequence is not None and sighting.fcs_ok is not False:
            tally.lost += self.gaps.before(place.sequence, sighting.sequence)
        see(tally, sighting.record.time_ns)
        if sighting.ended:
            self.end(sighting.ended)
        if not place.is_plain and sighting.cut:
            self._cut.see(sighting)

    def _remember(self, sighting: Sighting, place: TallyPlace, key: AmountsKey) -> Amounts:
        """Return where the frames are counted that add the same as this one."""
        if place.is_full or len(self._places) >= _MOST_PLACES:
            self.take_up()
        if not place.amounts:
            self._places.append(place)
        # what a fragment completes is counted beside it
        datagram = None if place.is_fragment else sighting.datagram
        amounts = place.amounts[key] = self._amounts(sighting, place, datagram)
        for layer, _ in amounts.layers:  # they are told in the order in which they came
            place.tally.layer_bits.setdefault(layer, 0)
        return amounts

    def take_up(self) -> None:
        """Add what was counted of frames that are alike to their tallies."""
        for place in self._places:
            place.take_up()
        self._places.clear()

    def _add_alone(self, sighting: Sighting, place: TallyPlace) -> None:
        """Count a record that adds what no other does, or that could not be read to its end."""
        tally = place.tally
        # of a retransmission no datagram counts
        datagram = sighting.datagram if sighting.repeats is None else None
        amounts = self._amounts(sighting, place, datagram)
        amounts.frames = 1
        amounts.take_up(tally)
        if sighting.repeats is not None:
            tally.retransmissions += 1
        elif sighting.copied is not None:
            tally.duplicates += 1
        if place.is_fragment:
            tally.fragments += 1
            tally.assembled += amounts.datagrams
        tally.damaged += sighting.damaged
        if reason := sighting.reason:
            self.leave_unread(tally, reason)

    def _add_assembled(self, sighting: Sighting, place: TallyPlace, datagram: bytes) -> None:
        """Count the datagram that a fragment completes."""
        self.name(sighting)
        application = counted_application(sighting, datagram, place)
        avoidable = self.savings.of(sighting, octets_on_air(sighting)) if place.is_data else 0
        assembled = Assembled(len(datagram), application, avoidable)
        assembled.add(place.tally)
        place.keep(sighting, assembled)

    def _amounts(self, sighting: Sighting, place: TallyPlace, datagram: bytes | None) -> Amounts:
        """Return what a record adds, which brings this datagram or none."""
        self.natures.see(sighting)
        octets = octets_on_air(sighting)
        unused = avoidable = application = 0
        if place.is_data:
            unused = self.room.of(sighting)
            avoidable = 0 if datagram is None else self.savings.of(sighting, octets)
        if datagram is not None:
            self.name(sighting)
            application = counted_application(sighting, datagram, place)
        return Amounts(
            tuple(sighting.layer_bits.items()), octets, unused, avoidable, int(datagram is not None),
            len(datagram or b""), application, code_of(sighting.template),
        )  # fmt: skip

    def leave_damaged(self, tally: Tally) -> None:
        """Count a frame that a receiver drops."""
        tally.damaged += 1
        self.leave_unread(tally, DAMAGED)

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
            cell = Cell(_DATA, flow_of_parts(event.marks), event.key.source)
            tally = self._tally_of(event.key.pan, cell)
            tally.dropped += 1
            tally.cut += self._cut.end(event)
            tally.given_up += isinstance(event, Discarded) and event.for_room

    def _tally_of(self, pan: int | None, cell: Cell) -> Tally:
        """Return the tally of a cell, or of the others where there are too many."""
        cells = self._cells
        tally = cells.get((pan, cell))
        if tally is None:
            if len(cells) >= MOST_CELLS:
                flow = None if cell.flow is None else OTHERS
                pan, cell = None, Cell(cell.kind, flow, None if cell.node is None else OTHERS)
            tally = cells.setdefault((pan, cell), running())
        return tally

    def place(self, sighting: Sighting) -> TallyPlace:
        """Return where a record is counted; found once for all frames that are alike."""
        template = sighting.template
        if template is not None:
            place = template.facts.get(self)
            if isinstance(place, TallyPlace) and place.flow is sighting.flow:
                return place
        mac = None if template is None else template.example.mac
        cell = Cell(sighting.kind, sighting.flow, sighting.source)
        network = None if mac is None else network_of(mac)
        tally = self._tally_of(network, cell)
        is_data = mac is not None and mac.frame_type == FrameType.DATA
        sequence = None if mac is None else sequence_of(mac)
        is_plain = template is not None and not sighting.reason
        is_fragment = sighting.is_fragment
        place = TallyPlace(tally, sighting.flow, is_data, is_fragment, sequence, is_plain)
        if template is not None:
            template.facts[self] = place
        return place


def _is_plain(sighting: Sighting) -> bool:
    """Return whether a frame adds what others do that are alike, and no more."""
    return (
        sighting.repeats is None
        and sighting.copied is None
        and sighting.opened is None
        and (sighting.damaged or sighting.fcs_ok is not False)
        and not sighting.left_out
    )


_DATA = FrameType.DATA.name.lower()


def survey(
    capture: "Capture",
    *,
    every: object = None,
    columns: bool | None = None,
    **known: "Unpack[TraceOptions]",
) -> Survey:
    """Return where the octets of a capture go, by flow, node, kind of frame and layer.

    ``capture`` and what is ``known`` beside it are those of ``follow``; room is counted to the largest frame and MTU
    of the design, else to 127 octets, or 2047 where a frame is longer or has an FCS of 4, and to 1280 of a datagram.
    ``every`` asks for a series over time as well, in steps of so many seconds, or of a text such as "15 min". Surveys
    of several captures add up.

    A pcap or pcapng file of more than a megabyte is counted by columns where numba is installed: in compiled loops that
    know frames by what others like them were. The totals are those of frames followed one by one. ``columns`` says that
    it is to be so, or not, however large the file is. Raises ``RequestError`` as ``follow`` does, and for
    ``columns`` that are neither.
    """
    check_known(known, "survey")
    if columns is not None and not is_flag(columns):
        raise RequestError(
            f"columns {repeated(columns)} is none of True, False and None", hint="Leave it out: None asks the file"
        )  # fmt: skip
    return surveyed(capture, every, (), columns, **known)


def surveyed(
    capture: "Capture",
    every: object,
    watchers: Sequence[Callable[[Sighting], None]],
    columns: bool | None = None,
    **known: "Unpack[TraceOptions]",
) -> Survey:
    """Return a survey as ``survey`` does, and show every record to the watchers, those nobody asked for as well."""
    counter = None if every is None else SeriesCounter(every)
    watching = (*watchers, counter.see) if counter is not None else watchers
    trace = Trace(**known)
    trace.reader.checksums = False  # no total depends on them
    trace.reader.acknowledgers = False  # of frames counted by columns nobody is remembered
    surveyor = Surveyor(trace.design, trace.narrowing)
    with CaptureFile.of(capture) as records:
        shares = CountedFrames()
        if not watching:
            shares = add_by_columns(records, trace, surveyor, columns)
        if not shares.columns + shares.followed:
            glance, followed = Glance(trace, surveyor), 0
            may_pass = not watching and trace.narrowing is None and not trace.opens_contents
            for sighting in trace.follow(records, glance.counts if may_pass else None):
                surveyor.add(sighting)
                followed += 1
                for watch in watching:
                    watch(sighting)
            shares = shares._replace(followed=followed + glance.frames)
    surveyor.end(trace.leftover)
    surveyor.outside += trace.network.left_out
    found = surveyor.survey(trace.fcs.values(), trace.receptions)
    series = None if counter is None else counter.series()
    return replace(found, series=series, shares=shares)
