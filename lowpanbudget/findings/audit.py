"""An audit: frames in, findings out, in bounded memory.

frame -> scene -> what is in it, each given to the rules that read its class or name -> hits -> findings, worst first

Frames that are alike but for numbers and payload are judged once by the rules that do not look at those.
"""

from collections.abc import Hashable, Iterable, Sequence
from math import nan
from typing import Any

from lowpanbudget.bits import Reader
from lowpanbudget.capture.files.link_types import FRAME, LOWPAN
from lowpanbudget.capture.files.record import ReadingNotice
from lowpanbudget.capture.follow.fcs_check import FcsVerdict
from lowpanbudget.capture.follow.flows import upper_of
from lowpanbudget.capture.follow.opened import UNREADABLE as PAYLOAD_UNREADABLE
from lowpanbudget.capture.follow.sighting import Sighting
from lowpanbudget.capture.follow.templates import WRONG_CHECKSUMS
from lowpanbudget.errors import WireError
from lowpanbudget.fields import Head
from lowpanbudget.findings import checksum, faults
from lowpanbudget.findings.captures.capture import NO_FRAME, ClockStep
from lowpanbudget.findings.captures.check_sequences import HEARD, HEARD_AGAIN
from lowpanbudget.findings.captures.delivery import measurer_of
from lowpanbudget.findings.captures.reassembly import OF_TWO
from lowpanbudget.findings.captures.rules import CAPTURE_RULES
from lowpanbudget.findings.captures.unreadable import UNREAD
from lowpanbudget.findings.datagrams import HeardDatagram, headers_frame
from lowpanbudget.findings.finding import Finding, Hit
from lowpanbudget.findings.judged import Judged
from lowpanbudget.findings.networks import HeardNetwork, HeardNetworks
from lowpanbudget.findings.questions import Plan
from lowpanbudget.findings.rule import FaultOf, Noticed, Rule
from lowpanbudget.findings.scene import Scene
from lowpanbudget.findings.surroundings import Surroundings
from lowpanbudget.findings.tallies import Tallies
from lowpanbudget.findings.unproven import evident
from lowpanbudget.findings.wrong_sums import without_contents
from lowpanbudget.layers.internet import ipv6
from lowpanbudget.layers.internet.chain import PseudoHeader
from lowpanbudget.layers.internet.ipv6 import Ipv6
from lowpanbudget.layers.link.mac import FrameType
from lowpanbudget.stack.events import TimedOut
from lowpanbudget.stack.incoming import Notice
from lowpanbudget.stack.misplaced import note_headers
from lowpanbudget.stack.pieces import Fate
from lowpanbudget.stack.upper import read_upper


class Audit:
    """Takes frames in order and tells what they prove.

    ``known`` is what is known beside them. Let it follow what a trace yields, each before the next; ``close`` gives the
    findings. Memory does not grow with the number of frames. ``tallies`` are what hits are counted in.
    """

    def __init__(
        self,
        known: Surroundings | None = None,
        rules: Iterable[Rule] = CAPTURE_RULES,
        tallies: Tallies | None = None,
    ) -> None:
        self.known = known or Surroundings()
        self.frames = 0
        self.foreign = 0  # records that hold no frame, but a datagram or nothing that is known
        self._networks = HeardNetworks(self.known, rules)
        self._now = self._networks.home  # the network of the frame at hand, which ``known`` is of
        self._tallies = Tallies() if tallies is None else tallies
        # what is asked of the frame at hand when it is like one that was judged
        self._plan: Plan | None = None
        self._kept: list[tuple[Rule, Hit]] | None = None  # hits that hold for all frames alike
        self._first_ns: int | None = None
        self._measurer = measurer_of(self.known.design)

    # --- frames in -------------------------------------------------------------------------------------

    def follow(self, sighting: Sighting) -> None:
        """Take one record of a trace. Of a frame that the capture cut nothing is concluded: reading noticed it."""
        now = self._networks.of(sighting)
        if sighting.expired or sighting.ended:
            for network, over in self._networks.over(sighting, now):
                self._turn(network)
                self._give(Scene(self.known), over)
        self._turn(now)
        measurer = self._measurer
        if measurer is not None and (sighting.heard_as is not None or sighting.cut):
            measurer.add(sighting)
        if sighting.back_ns:
            self._give(Scene(self.known), ClockStep(sighting.number, sighting.back_ns))
        if sighting.heard_as is not None:
            scene = self._scene(sighting)
            for kind in (HEARD, HEARD_AGAIN):
                self._give(scene, sighting, kind)
            return  # it was judged where another receiver heard it
        self.foreign += sighting.body.kind not in {FRAME, LOWPAN}
        time_ns = sighting.record.time_ns
        if self._first_ns is None:
            self._first_ns = (
                time_ns  # of one that is cut as well: the times of fragments count from it
            )
        if sighting.cut:
            self.frames += 1
            now.known.losses.cut(sighting.template)
            return
        time_s = nan if time_ns is None else (time_ns - (self._first_ns or 0)) / 1e9
        first = self._networks.home.known
        if time_s > first.end_s:
            first.pauses.note(time_s - first.end_s, time_s, sighting.number)
            first.end_s = time_s
        self.known.end_s = first.end_s
        template = sighting.template
        scene = self._scene(sighting, time_s)
        frame = scene.frame
        judged: Judged | None = None
        if template is not None:
            known = template.facts.get(now.questions)
            if isinstance(known, Judged):
                self._plan, judged = known.plan, known
                scene.iphc, scene.header, scene.tunnelled = judged.looked
                for rule, hit in judged.hits:
                    self._tallies.count(rule, hit, scene.number)
            else:
                self._kept = []
        elif sighting.fault is not None:
            self._give(scene, sighting.fault, UNREAD)
        try:
            self._give(scene, sighting, HEARD)
            if self._begin(scene) and sighting.repeats is None and not self._is_told(scene):
                notices = sighting.holding(frame.notices) if self._plan is None else []
                read = () if template is None else template.example.notices
                notices += [notice for notice in sighting.notices if notice not in read]
                if judged is None:
                    layers = scene.look()
                    looked = scene.iphc, scene.header, scene.tunnelled
                    hits = [] if self._kept is None else self._kept
                    judged = Judged(hits, layers, layers, looked)
                self._look(scene, judged, sighting, notices)
                if template is not None and self._kept is not None:
                    again = now.questions.again
                    judged.varying = [one for one in judged.layers if again(one.__class__)]
                    template.facts[now.questions] = judged
            if sighting.ended:
                self._give_all(scene, self._networks.ended_in(now, sighting))
        finally:
            self._plan = self._kept = None
        if measurer is not None and not scene.is_replayed:  # its message has an old number
            measurer.add(sighting)
        if sighting.hidden is not None and sighting.repeats is None:
            # not kept: no frame that is alike has the same in it
            self._give(scene, sighting.hidden)

    def _scene(self, sighting: Sighting, time_s: float = nan) -> Scene:
        return Scene(
            self.known, sighting.number, time_s, evident(sighting), sighting.octets, sighting.fcs_octets,
            sighting.payload, sighting.sequence, sighting.fcs_ok, sighting,
        )  # fmt: skip

    def note(self, notice: ReadingNotice | FcsVerdict | TimedOut) -> None:
        """Take what reading the file noticed, the verdict over its check sequences, or what the end times out."""
        pan = notice.key.pan if isinstance(notice, TimedOut) else None
        self._turn(self._networks.of_pan(pan))
        self._give(Scene(self.known), notice)

    def _turn(self, network: HeardNetwork) -> None:
        self._now, self.known = network, network.known

    def _is_told(self, scene: Scene) -> bool:
        """Return whether it is an acknowledgement like one before: without security only its number differs."""
        mac = None if self._plan is None else scene.frame.mac
        return (
            mac is not None and mac.security is None and mac.frame_type == FrameType.ACKNOWLEDGEMENT
        )

    # --- one frame -------------------------------------------------------------------------------------

    def _begin(self, scene: Scene) -> bool:
        """Give the frame itself; return whether it proves something of its sender: one damaged or replayed does not."""
        self.frames += 1
        self._give(scene, scene)
        if scene.fcs_ok is False or scene.is_replayed:
            return False
        mac = scene.mac
        if mac is not None and mac.fault is None:
            for pan in (mac.source_pan, mac.destination_pan):
                if pan is not None:
                    self.known.learn_pan(pan)
        return True

    def _look(
        self, scene: Scene, judged: Judged, sighting: Sighting, notices: Iterable[Notice]
    ) -> None:
        frame = scene.frame
        arrival, datagram = sighting.arrival, sighting.datagram
        if sighting.template is not None and frame is not sighting.template.example:
            arrival = datagram = None  # noise may read as such
        if arrival is not None:
            scene.fragmented = arrival.datagram
            self._give(scene, arrival)
            if not arrival.repeated and arrival.datagram.fate is not Fate.OPEN:
                self._give(scene, arrival.datagram)
        if datagram is not None and not scene.is_fragment and scene.header is not None:
            upper = None if sighting.template is None else sighting.template.upper
            scene.datagram = scene.heard(
                scene.header, datagram, judged.layers, (scene.number,), upper
            )
        notices, layers, heard = [*notices], judged.varying, scene.datagram
        wrong = any(notice.name in WRONG_CHECKSUMS for notice in notices)
        if wrong and heard is not None:
            layers = self._arrive_wrong(scene, heard, layers)
        self._give_all(scene, layers)
        for notice in notices:
            if heard is None or not heard.is_dropped or notice.name != PAYLOAD_UNREADABLE:
                self._give(scene, notice, Noticed(notice.name))
        if frame.fault is not None:
            self._give(scene, frame.fault)
            self._give(scene, frame.fault, FaultOf(faults.owner(frame.fault, scene)))
        if scene.datagram is not None:
            self._settle(scene, scene.datagram)
        elif datagram is not None:
            self._complete(scene, datagram, sighting)

    def _complete(self, scene: Scene, octets: bytes, sighting: Sighting) -> None:
        """Read a datagram that came in fragments, or without a link, and give all that is in it."""
        try:
            header = ipv6.header_of(octets)
        except WireError:
            return
        before, self._plan, self._kept = (self._plan, self._kept), None, None
        reader = Reader(octets, ipv6.OCTETS)
        ends = PseudoHeader(header.source, header.destination)
        upper = read_upper(reader, header.next_header, ends)
        inner = next((one for one in reversed(upper.layers) if isinstance(one, Ipv6)), header)
        scene.header, scene.tunnelled = inner, inner is not header
        place = upper_of(octets)
        scene.datagram = datagram = scene.heard(
            inner, octets, upper.layers, sighting.numbers, place
        )
        wrong, fragmented = checksum.is_wrong(octets), scene.fragmented
        of_two = sighting.of_two or (fragmented is not None and fragmented.is_of_two)
        if wrong and of_two:  # it proves nothing about what was sent
            if fragmented is not None:
                self._give(scene, fragmented, OF_TWO)
            self._plan, self._kept = before
            return
        layers: Sequence[Any] = upper.layers
        if wrong:
            layers = self._arrive_wrong(scene, datagram, layers)
        self._give_all(scene, layers)
        if upper.fault is not None and not datagram.is_dropped:
            fault = upper.fault
            notice = Notice(PAYLOAD_UNREADABLE, fault.message, fault.cite, fault.offset)
            self._give(scene, notice, Noticed(notice.name))
        first = headers_frame(scene.frame, fragmented)
        told = [notice.name for notice in first.notices] if first is not None else []
        for notice in note_headers([Head(header, 0, ipv6.OCTETS), *upper.heads]):
            if notice.name not in told:  # with the fragment that brought the headers
                self._give(scene, notice, Noticed(notice.name))
        self._settle(scene, datagram)
        self._plan, self._kept = before

    def _arrive_wrong(
        self, scene: Scene, datagram: HeardDatagram, layers: Sequence[Any]
    ) -> Sequence[Any]:
        """Give the reading of a wrong checksum; return the headers to judge: none that are dropped with it."""
        datagram.is_sum_wrong = True
        self._arrive(scene, datagram)
        reading = self._now.wrong.read(scene, datagram)
        if reading is not None:
            self._give(scene, reading, reading.slip)
        return without_contents(layers) if datagram.is_dropped else layers

    def _arrive(self, scene: Scene, datagram: HeardDatagram) -> None:
        """Give the way of a datagram to here."""
        scene.passage = self._now.passages.see(datagram, tunnelled=scene.tunnelled)
        if scene.passage is not None and not scene.passage.in_mesh:
            self._give(scene, scene.passage)

    def _settle(self, scene: Scene, datagram: HeardDatagram) -> None:
        """Give a whole datagram, and its way here; of one with a right checksum learn prefixes."""
        if not datagram.is_sum_wrong:
            self._arrive(scene, datagram)
        if not datagram.is_sum_wrong and self._plan is None:
            self.known.learn_ports(datagram.udp)
            rows, header = None if datagram.iphc is None else datagram.iphc.rows, datagram.header
            for side, address in (("source", header.source), ("destination", header.destination)):
                if rows is None or rows[side].inline == 16:
                    self.known.learn_prefix(address)
        flows = None if scene.is_beside_design else self.known.flows
        scene.match = None if flows is None else flows.match(datagram)
        self._give(scene, datagram)

    # --- hits ------------------------------------------------------------------------------------------

    def _give_all(self, scene: Scene, items: Iterable[object]) -> None:
        """Ask the rules that read the classes of items, one after the other."""
        for item in items:
            self._give(scene, item)

    def _give(self, scene: Scene, item: object, value: Hashable = None) -> None:
        """Ask the rules that read the class of an item, or the value it is given under."""
        kind: Any = type(item) if value is None else value
        plan = self._plan
        asked = self._now.questions.about(kind) if plan is None else plan.get(kind)
        if asked is None and plan is not None:
            asked = self._now.questions.planned(plan, kind, scene)
        for rule, check, _ in asked or ():
            hits = check(scene, item)
            if hits is None:
                continue
            for one in hits:
                hit = self._now.told(rule, one)
                self._tallies.count(rule, hit, scene.number)
                if self._kept is not None and not rule.varies:
                    own = hit.frames == (scene.number,)
                    self._kept.append((rule, hit._replace(frames=()) if own else hit))

    def close(self) -> list[Finding]:
        """Return all findings, worst first; the audit is over then."""
        self._turn(self._networks.home)
        if self.frames == self.foreign:
            self._give(Scene(self.known), self, NO_FRAME)
        if self._measurer is not None:
            self._give(Scene(self.known), self._measurer.measurement())
        for network in self._networks.all():
            for rule, check, _ in network.questions.at_end:
                for hit in check(network.known) or ():
                    self._tallies.count(rule, network.told(rule, hit), 0)
        return self._tallies.findings()
