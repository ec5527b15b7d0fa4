"""An audit: frames in, findings out, in bounded memory.

frame -> scene -> what is in it, each given to the rules that read its class or name -> hits -> findings, worst first

Frames that are alike but for numbers and payload are judged once by the rules that do not look at those.
"""

from collections.abc import Hashable, Iterable
from math import nan
from typing import Any

from lowpanbudget.capture.files.link_types import FRAME, LOWPAN
from lowpanbudget.capture.files.record import ReadingNotice
from lowpanbudget.capture.follow.fcs_check import FcsVerdict
from lowpanbudget.capture.follow.sighting import Sighting
from lowpanbudget.capture.follow.templates import WRONG_CHECKSUMS
from lowpanbudget.findings import faults
from lowpanbudget.findings.assembled import PutTogether, assembled, unreadable
from lowpanbudget.findings.captures.capture import NO_FRAME, ClockStep
from lowpanbudget.findings.captures.check_sequences import HEARD, HEARD_AGAIN
from lowpanbudget.findings.captures.delivery import measurer_of
from lowpanbudget.findings.captures.reassembly import OF_TWO
from lowpanbudget.findings.captures.rules import CAPTURE_RULES
from lowpanbudget.findings.captures.unreadable import UNREAD
from lowpanbudget.findings.datagrams import HeardDatagram
from lowpanbudget.findings.elapsed import Elapsed
from lowpanbudget.findings.entries import Entries
from lowpanbudget.findings.finding import Finding, Hit
from lowpanbudget.findings.judged import Judged, judged_of, noticed, pans_of
from lowpanbudget.findings.networks import HeardNetwork, HeardNetworks
from lowpanbudget.findings.questions import Plan
from lowpanbudget.findings.rule import FaultOf, Noticed, Rule
from lowpanbudget.findings.scene import Scene
from lowpanbudget.findings.surroundings import Surroundings
from lowpanbudget.findings.tallies import Tallies
from lowpanbudget.findings.unproven import evident
from lowpanbudget.findings.wrong_sums import is_content
from lowpanbudget.stack.events import TimedOut
from lowpanbudget.stack.incoming import UNREADABLE as PAYLOAD_UNREADABLE
from lowpanbudget.stack.pieces import Fate


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
        self._elapsed = Elapsed(self.known)
        self._measurer = measurer_of(self.known.design)

    # --- frames in -------------------------------------------------------------------------------------

    def follow(self, sighting: Sighting) -> None:
        """Take one record of a trace. Of a frame that the capture cut nothing is concluded: reading noticed it."""
        now = self._networks.of(sighting)
        if sighting.expired or sighting.ended:
            for network, over in self._networks.over(sighting, now):
                self._turn(network)
                self._give(Scene(self.known), over)
        if now is not self._now:
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
        template = sighting.template
        if template is None:
            self.foreign += sighting.body.kind not in {FRAME, LOWPAN}
        if sighting.cut:
            self._elapsed.begin(sighting.record.time_ns)  # the times of fragments count from it
            self.frames += 1
            now.known.losses.cut(template)
            return
        scene = self._scene(sighting, self._elapsed.at(sighting))
        now.known.end_s = self._networks.home.known.end_s
        judged: Judged | None = None
        if template is not None:
            judged = template.facts.get(now.questions)  # type: ignore[assignment]  # nobody else keeps these
            self._plan, self._kept = (None, []) if judged is None else (judged.plan, None)
            if judged is not None:
                scene.iphc, scene.header, scene.tunnelled = judged.looked
                for rule, hit in judged.hits:
                    self._tallies.count(rule, hit, scene.number)
        elif sighting.fault is not None:
            self._give(scene, sighting.fault, UNREAD)
        scene.entries = Entries() if judged is None else judged.entries
        try:
            self._give(scene, sighting, HEARD)
            if self._begin(scene, judged) and sighting.repeats is None:
                if judged is None:
                    self._judge(scene, sighting)
                else:
                    for rule, hit in judged.inside:
                        self._tallies.count(rule, hit, scene.number)
                    if not judged.is_told:
                        self._look(scene, judged, sighting)
            if sighting.ended:
                self._give_all(scene, self._networks.ended_in(now, sighting))
        finally:
            self._plan = self._kept = None
        if sighting.settled is not None:
            self._give(scene, sighting.settled)
        if measurer is not None and not scene.is_replayed:  # its message has an old number
            measurer.add(sighting)
        is_opened = sighting.opened is not None and sighting.repeats is None
        if is_opened and (hidden := sighting.hidden) is not None:  # of this one alone
            self._give(scene, hidden)

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

    # --- one frame -------------------------------------------------------------------------------------

    def _begin(self, scene: Scene, judged: Judged | None) -> bool:
        """Give the frame itself; return whether it proves something of its sender: one damaged or replayed does not."""
        self.frames += 1
        self._give(scene, scene)
        if scene.fcs_ok is False or scene.is_replayed:
            return False
        for pan in pans_of(scene.frame.mac) if judged is None else judged.pans:
            self.known.learn_pan(pan)
        return True

    def _judge(self, scene: Scene, sighting: Sighting) -> None:
        """Look at a frame unlike any before; remember what holds for all that are like it."""
        judged = judged_of(scene, self._kept or [])
        self._kept = judged.inside
        self._look(scene, judged, sighting)
        if sighting.template is not None:
            again = self._now.questions.again
            is_wrong = (
                sighting.template.is_wrong
            )  # what such a datagram holds may be dropped with it, or not
            judged.varying = [
                one
                for one in judged.layers
                if again(one.__class__) or (is_wrong and is_content(one))
            ]
            sighting.template.facts[self._now.questions] = judged

    def _look(self, scene: Scene, judged: Judged, sighting: Sighting) -> None:
        frame, template = scene.frame, sighting.template
        arrival, datagram = sighting.arrival, sighting.datagram
        notices = noticed(sighting, frame, is_again=self._plan is not None)
        if template is not None and frame is not template.example:
            arrival = datagram = None  # noise may read as such
        if arrival is not None:
            scene.fragmented = arrival.datagram
            self._give(scene, arrival)
            if not arrival.repeated and arrival.datagram.fate is not Fate.OPEN:
                self._give(scene, arrival.datagram)
        if datagram is not None and frame.fragment is None and scene.header is not None:
            if judged.headers is None:
                upper = None if template is None else template.upper
                judged.headers = scene.headers(scene.header, judged.layers, upper)
            scene.hear(datagram, judged.headers, (scene.number,))
        layers, heard = judged.varying, scene.datagram
        if notices and heard is not None and any(one.name in WRONG_CHECKSUMS for one in notices):
            self._look_wrong(scene, heard, layers)
        else:
            for layer in layers:
                self._give(scene, layer)
        for notice in notices:
            if heard is None or not heard.is_dropped or notice.name != PAYLOAD_UNREADABLE:
                self._give(scene, notice, Noticed(notice.name))
        if frame.fault is not None:
            self._give(scene, frame.fault)
            self._give(scene, frame.fault, FaultOf(faults.owner(frame.fault, scene)))
        if scene.datagram is not None:
            self._settle(scene, scene.datagram)
        elif datagram is not None:
            self._complete(scene, datagram, judged, sighting)

    def _complete(self, scene: Scene, octets: bytes, judged: Judged, sighting: Sighting) -> None:
        """Read a datagram that came in fragments, or without a link, and give all that is in it."""
        before, first = (self._plan, self._kept), sighting.headers_template
        whole = judged.assembled.get(first)
        if whole is not None and whole.is_like(octets, sighting):
            self._plan, self._kept = whole.plan, None
            for rule, hit in whole.hits:
                self._tallies.count(rule, whole.again(hit, sighting.numbers), scene.number)
        else:
            whole = assembled(scene, octets, sighting)
            if whole is None:
                return
            if whole.front is not None:
                judged.keep(first, whole)
            self._plan, self._kept = None, whole.hits
        scene.header, scene.tunnelled = whole.header, whole.tunnelled
        self._give_assembled(scene, scene.hear(octets, whole.headers, sighting.numbers), whole)
        self._plan, self._kept = before

    def _give_assembled(self, scene: Scene, datagram: HeardDatagram, whole: PutTogether) -> None:
        fragmented, layers = scene.fragmented, whole.headers.layers
        of_two = scene.sighting.of_two or (fragmented is not None and fragmented.is_of_two)
        if whole.is_wrong and of_two:  # it proves nothing about what was sent
            if fragmented is not None:
                self._give(scene, fragmented, OF_TWO)
            return
        if whole.is_wrong:
            self._look_wrong(scene, datagram, layers)
        else:
            self._give_all(scene, layers)
        notice = unreadable(whole.upper)
        if notice is not None and not datagram.is_dropped:
            self._give(scene, notice, Noticed(notice.name))
        for notice in whole.notices:
            self._give(scene, notice, Noticed(notice.name))
        self._settle(scene, datagram)

    def _look_wrong(self, scene: Scene, datagram: HeardDatagram, layers: Iterable[Any]) -> None:
        """Give the reading of a wrong checksum, and the headers, but for what is dropped with it."""
        datagram.is_sum_wrong = True
        self._arrive(scene, datagram)
        reading = self._now.wrong.read(scene, datagram)
        if reading is not None:
            self._give_anew(scene, reading, reading.slip)
        for layer in layers:
            if not is_content(layer):
                self._give(scene, layer)
            elif not datagram.is_dropped:
                self._give_anew(scene, layer)

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
        flows = self.known.flows
        if flows is not None and not scene.is_beside_design:
            scene.match = flows.match(datagram)
        self._give(scene, datagram)

    # --- hits ------------------------------------------------------------------------------------------

    def _give_all(self, scene: Scene, items: Iterable[object]) -> None:
        """Ask the rules that read the classes of items, one after the other."""
        for item in items:
            self._give(scene, item)

    def _give(self, scene: Scene, item: object, value: Hashable = None) -> None:
        """Ask the rules that read the class of an item, or the value it is given under."""
        kind: Any = item.__class__ if value is None else value
        plan = self._plan
        asked = self._now.questions.about(kind) if plan is None else plan.get(kind)
        if asked is None:
            assert plan is not None
            asked = self._now.questions.planned(plan, kind, scene)
        for check in asked:
            hits = check(scene, item)
            if hits is not None:
                self._take(asked[check], hits, scene.number)

    def _give_anew(self, scene: Scene, item: object, value: Hashable = None) -> None:
        """Ask all rules about what is of this frame alone, also where others are alike."""
        before, self._plan, self._kept = (self._plan, self._kept), None, None
        self._give(scene, item, value)
        self._plan, self._kept = before

    def _take(self, rule: Rule, hits: Iterable[Hit], number: int) -> None:
        """Count the hits of a rule; keep those that hold for all frames that are alike."""
        for one in hits:
            hit = self._now.told(rule, one)
            self._tallies.count(rule, hit, number)
            if self._kept is not None and not rule.varies:
                own = hit.frames == (number,)
                self._kept.append((rule, hit._replace(frames=()) if own else hit))

    def close(self) -> list[Finding]:
        """Return all findings, worst first; the audit is over then."""
        self._turn(self._networks.home)
        if self.frames == self.foreign:
            self._give(Scene(self.known), self, NO_FRAME)
        if self._measurer is not None:
            self._give(Scene(self.known), self._measurer.measurement())
        for network in self._networks.all():
            for rule, check in network.questions.at_end:
                for hit in check(network.known) or ():
                    self._tallies.count(rule, network.told(rule, hit), 0)
        return self._tallies.findings()
