"""What one clock dates of one network, measured: its messages, links and nodes."""

from collections import Counter as Tally

from lowpanbudget.capture.beginnings import Piece, piece_of
from lowpanbudget.capture.crossings import HeardFrame, heard_frame
from lowpanbudget.capture.ends import NodeNames
from lowpanbudget.capture.files.record import ReadingNotice
from lowpanbudget.capture.follow.clock import LEAP_S, ClockLeap, ClockPutBack, put_back
from lowpanbudget.capture.follow.matching import Matcher
from lowpanbudget.capture.follow.parts import Settled
from lowpanbudget.capture.follow.receivers import Reception
from lowpanbudget.capture.follow.sighting import Sighting
from lowpanbudget.capture.number_rows import NumberRows
from lowpanbudget.capture.passed_parts import PassedPart, passed_part
from lowpanbudget.capture.recent import Recent
from lowpanbudget.deployment.airtime_seen import MOST_NODES, OnAir
from lowpanbudget.deployment.burst_seen import burst_seen, find_burst, without
from lowpanbudget.deployment.flows_seen import FlowJourneys, Missed, flow_seen, numbered
from lowpanbudget.deployment.journeys import SECOND, Journey, Journeys, Tries
from lowpanbudget.deployment.leaps import Leaps, close
from lowpanbudget.deployment.link_checks import link_checks
from lowpanbudget.deployment.links_seen import Links, most_tries
from lowpanbudget.deployment.measured import MeasuredBurst, MeasuredFlow, Measurement, PlanCheck
from lowpanbudget.deployment.names_seen import NamesSeen
from lowpanbudget.deployment.networks_seen import OtherNetworks
from lowpanbudget.deployment.on_the_way import by_flow, stopped_further
from lowpanbudget.deployment.passed_on import PassedOn
from lowpanbudget.deployment.phases import reports_together
from lowpanbudget.deployment.plan_checks import burst_checks, flow_checks, node_checks
from lowpanbudget.deployment.recovery_seen import RecoveriesSeen
from lowpanbudget.deployment.stopped_seen import StoppedSeen, with_stopped
from lowpanbudget.deployment.unheard import Silence, Silences, apart, rhythm_of
from lowpanbudget.deployment.unknowns import unknowns
from lowpanbudget.deployment.unread import in_their_places
from lowpanbudget.design.goals import Burst
from lowpanbudget.design.meaning import Design
from lowpanbudget.env import link_text
from lowpanbudget.errors import RequestError
from lowpanbudget.values import replace

MOST_REASONS = 256  # why frames could not be read


class DatedPart:
    """Measures what one clock dates."""

    def __init__(self, design: Design | None, burst: Burst | None, most: int) -> None:
        self._design, self._burst = design, burst
        self._limits = None if design is None else design.limits
        timing = None
        if design is not None:
            try:
                timing = design.link.timing
            except RequestError:  # nothing is known of its time on the air: nothing is told of it
                timing = None
        self._on_air = OnAir(timing, None if self._limits is None else self._limits.window_s)
        self._most_tries = most_tries(design)
        self._most = most
        self._ways = Journeys(None if burst is None else burst.octets, self._on_air.lasts_us)
        self._links = Links(self._most_tries)
        self._nodes, self._names = NodeNames(), NamesSeen()
        self._other_networks = OtherNetworks(design)
        self._matcher = None if design is None else Matcher(design)
        self._stopped = StoppedSeen(most)
        self._recoveries = RecoveriesSeen(self._stopped)
        self._passed = PassedOn(most, self._ways.answering)
        self._silences = Silences()
        every = () if design is None else (one.every_s or 0.0 for one in design.flows)
        self._rows, self._of_two = NumberRows[bytes](), set[bytes]()
        self._leaps = Leaps(max(every, default=0.0))
        self._aside: dict[int, tuple[HeardFrame, Tries]] = {}  # what may be old, by its number
        self._closed_ns = Recent[bytes, int](MOST_NODES)  # when nodes last sent what nobody reads
        self._journeys: list[Journey] = []
        self._first_ns: int | None = None
        self._last_ns: int | None = None
        self.frames = self._outside = self._beyond = self._without_header = 0
        self._unread: dict[str, int] = {}
        self._put_back: ClockPutBack | None = None
        self._now_ns: int | None = None

    def add(self, sighting: Sighting) -> None:
        """Take one record."""
        back_ns = (
            0 if sighting.back_ns >= LEAP_S * SECOND else sighting.back_ns
        )  # a leap is told as one
        self._put_back = put_back(self._put_back, sighting.number, back_ns)
        self._now_ns = self._now_ns if sighting.record.time_ns is None else sighting.record.time_ns
        self._silences.hear(sighting.record.time_ns)
        if sighting.heard_as is not None:
            return
        frame = heard_frame(sighting, self._nodes)
        if sighting.outside:
            self._outside += 1
            if frame is not None and (sighting.settled is None or not sighting.settled.is_aside):
                self._on_air.number(frame)  # or it would be missed among those of its sender
            return
        self.frames += 1
        if (reason := sighting.reason) and (
            reason in self._unread or len(self._unread) < MOST_REASONS
        ):
            self._unread[reason] = self._unread.get(reason, 0) + 1
        time_ns = sighting.record.time_ns
        if time_ns is not None:
            self._first_ns = min(time_ns, time_ns if self._first_ns is None else self._first_ns)
            self._last_ns = max(time_ns, time_ns if self._last_ns is None else self._last_ns)
        if frame is None:
            self._without_header += 1
            return
        if self._other_networks.hear(sighting):
            return
        self._leaps.hear(frame)
        if frame.sender is not None and frame.numbered and frame.sequence is not None:
            aside = sighting.settled is not None and sighting.settled.is_aside
            if frame.repeats is None and not frame.damaged and not aside:
                two = self._rows.take(frame.sender, frame.sequence, frame.number)
                self._of_two |= set() if two is None else {frame.sender}
        self._names.hear(frame.sender, frame.carried[0])
        self._names.hear(frame.receiver, frame.carried[1])
        frame = self._burst_unread(frame)
        unread = frame.sealed or sighting.reason or (frame.crossing and frame.crossing.unread)
        if unread and frame.sender is not None and time_ns is not None:
            self._closed_ns[frame.sender] = time_ns
        answering = self._ways.acknowledger(frame) if frame.answers else None
        # a mesh passes parts on one by one: what is put together of them is of all links
        passed = passed_part(sighting, self._matcher)
        on_one = frame if passed is None else frame._replace(crossing=None)
        tries, journey = self._ways.heard(on_one)
        is_aside = sighting.settled is not None and self._is_aside(frame, sighting.settled, tries)
        self._on_air.heard(frame, answering, is_aside=is_aside)
        piece = self._piece(sighting, frame, passed, tries)
        self._stopped.hear(frame, piece, tries)
        self._recoveries.hear(frame, piece, tries)
        if tries is not None:
            tries.missing, tries.leaps = self._on_air.unheard(tries.sender)
            if not frame.to_all:
                self._links.add(tries)
        if journey is None:
            return
        if len(self._journeys) < self._most:
            self._journeys.append(journey)
        else:
            self._beyond += 1

    def _is_aside(self, frame: HeardFrame, settled: Settled, tries: Tries | None) -> bool:
        """Return whether a frame may be an old one that somebody sent once more; take back those that are."""
        if settled.is_aside and tries is not None:
            self._aside[frame.number] = frame, tries
        for one in settled.suspects:
            before, its = self._aside.pop(one.number, (None, None))
            if its is not None:
                its.is_old = settled.are_old
            if before is not None and not settled.are_old:
                self._on_air.number(before)
        return settled.is_aside

    def _piece(
        self, sighting: Sighting, frame: HeardFrame, passed: PassedPart | None, tries: Tries | None
    ) -> Piece | None:
        """Return the part of a datagram that a frame brings; one that a mesh passes on is followed by itself."""
        if passed is None:
            if frame.recovery is not None and frame.recovery.answers and frame.recovery.is_all:
                self._passed.told(frame.recovery.passed)
            return piece_of(sighting, self._matcher)
        if frame.crossing is not None:
            self._ways.read_sum(frame.crossing)
        return Piece(None, self._passed.hear(frame, passed, tries))

    def is_near(self, time_ns: int) -> bool:
        """Return whether no leap lies between the last record and one of that time."""
        return self._now_ns is None or abs(time_ns - self._now_ns) < LEAP_S * SECOND

    def seconds_to(self, time_ns: int) -> float:
        """Return how long it is from the last record to that time."""
        return 0.0 if self._now_ns is None else (time_ns - self._now_ns) / SECOND

    def _burst_unread(self, frame: HeardFrame) -> HeardFrame:
        """Return a frame whose datagram is not held to a format where the design tries its flow with that length."""
        crossing = frame.crossing
        if crossing is None or not crossing.unread or self._design is None:
            return frame
        length = crossing.flow_name, crossing.application
        if length in {(one.flow, one.octets) for one in self._design.bursts}:
            return frame._replace(crossing=crossing._replace(unread=""))
        return frame

    def measurement(
        self, receptions: tuple[Reception, ...] = (), notices: tuple[ReadingNotice, ...] = ()
    ) -> Measurement:
        """Return all that was measured."""
        self._recoveries.finish(self._last_ns)
        answering = self._ways.answering
        passed, begun = self._passed.journeys(self._last_ns)
        self._stopped.add(begun)
        stopped = self._stopped.journeys(self._last_ns, answering)
        self._stopped.judge(passed, answering)
        self._journeys = sorted([*self._journeys, *passed], key=lambda one: one.number)
        leap = self._leaps.leap
        if leap is not None:
            self._take_out(leap.silence, stopped)
        seconds = None
        if self._first_ns is not None and self._last_ns is not None:
            seconds = (self._last_ns - self._first_ns) / SECOND or None
        groups = [
            numbered(*key, journeys, self._ways, *self._planned_s(journeys[0].crossing.flow_name))
            for key, journeys in by_flow([one for one in self._journeys if not one.is_old])
        ]
        silences = self._silences.of_receiver(groups)
        listened = seconds and seconds - sum(one.seconds for one in silences)
        nodes = self._on_air.nodes(listened)
        missing = Tally({one.node: one.missing for one in nodes}) + Tally(self._recoveries.missing)
        heard = frozenset(one.node for one in nodes if one.numbers)
        missed = Missed(self._most_tries, missing, self._ways.reads_sums, heard, answering)
        ways = [(one.flow, one.journeys, one.arrived) for one in groups]
        stopped_further(ways, self._stopped.further)
        groups, unsettled = with_stopped(groups, stopped)
        burst: MeasuredBurst | None = None
        if self._burst is not None:
            picked = find_burst(groups, self._burst)
            burst = burst_seen(picked, self._burst, self._first_ns, missed, self._last_ns)
            groups = without(groups, picked)
        latency = None if self._limits is None else self._limits.latency_s
        groups = in_their_places(groups)
        groups = [apart(group, silences) for group in groups]
        flows = tuple(self._flow(group, missed, latency, silences) for group in groups)
        flows = tuple(sorted(flows, key=lambda one: (-one.datagrams, one.title)))
        nodes = self._names.nodes(nodes, self._nodes.devices())
        links = self._names.links(self._links.links(self._ways.answering))
        timed, receivers = self._first_ns is not None, max(len(receptions), 1)
        checks: list[PlanCheck] = []
        if self._design is not None:
            checks += flow_checks(self._design, flows)
            checks += link_checks(self._design, links)
            checks += () if self._limits is None else node_checks(self._limits, nodes)
            if self._burst is not None and burst is not None:
                checks += burst_checks(self._burst, burst, self._limits)
        unknown = (
            ()
            if not self.frames
            else unknowns(
                self._design,
                flows,
                links,
                nodes,
                timed=timed,
                receivers=receivers,
                unread=self._unread,
                beyond=self._beyond + self._stopped.beyond + self._passed.beyond,
                unsettled=unsettled,
                silences=silences,
                unasked=self._names.hops(self._links.unasked),
                beside=self._other_networks.frames,
            )
        )
        return Measurement(
            self.frames,
            seconds,
            flows,
            links,
            nodes,
            burst,
            tuple(reports_together(groups)),
            tuple(checks),
            (*map(_of_two_senders, sorted(self._of_two)), *unknown),
            receptions,
            notices,
            self._outside,
            self._put_back,
            self._without_header,
            self._design is not None,
            self._recoveries.recovery(),
            leap=None if leap is None else ClockLeap(leap.number, leap.silence.seconds, 0),
            networks=self._other_networks.all,
        )

    def _take_out(self, gone: Silence, stopped: list[Journey]) -> None:
        """Take a time in which nobody was to send out of all times."""
        close(gone, (*self._journeys, *stopped))
        self._silences.take_out(gone)
        self._last_ns = None if self._last_ns is None else gone.closed(self._last_ns)
        for node, at_ns in list(self._closed_ns.items()):
            self._closed_ns.replace(node, gone.closed(at_ns))

    def _flow(
        self,
        group: FlowJourneys,
        missed: Missed,
        latency_s: float | None,
        silences: list[Silence],
    ) -> MeasuredFlow:
        """Return a flow with its rhythm, up to the end where all was read that its sender sent behind it."""
        last = group.journeys[-1]
        sender = None if last.left is None else last.left.sender
        closed_ns = -1 if sender is None else self._closed_ns.get(sender, -1)
        until = None if closed_ns > (last.heard_ns or 0) else self._last_ns
        flow = flow_seen(group, missed, latency_s)
        waits, lost = self._names.waits(flow.waits), self._names.lost(flow.lost)
        return replace(flow, rhythm=rhythm_of(group, silences, until), waits=waits, lost=lost)

    def _planned_s(self, flow: str | None) -> tuple[float | None, float | None]:
        """Return the quickest interval that the design plans for a flow, its bursts included, and the usual one."""
        every = None if self._design is None or flow is None else self._design.flow(flow).every_s
        if self._design is None or every is None:
            return None, None  # no rhythm
        bursts = [one.every_s for one in self._design.bursts if one.flow == flow]
        return min([every, *bursts]), every


def _of_two_senders(node: bytes) -> str:
    return (
        f"The frames of {link_text(node)} are numbered in two rows that go on in turns, as of two devices with one "
        "address: what is told of its missing numbers, its messages and their intervals is of both"
    )
