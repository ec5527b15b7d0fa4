"""An audit: frames in, findings out, in bounded memory.

frame -> scene -> the things in it, each handed to the rules that read its class -> hits -> findings, worst first

Frames that are alike but for numbers and payload are judged once by the rules that do not look at those.
"""

from collections.abc import Callable, Iterable
from math import isfinite, nan
from typing import Any

from lowpanbudget.bits import Reader
from lowpanbudget.capture.files.record import ReadingNotice
from lowpanbudget.capture.follow.fcs_check import FcsVerdict
from lowpanbudget.capture.follow.sighting import Part, Sighting
from lowpanbudget.capture.follow.tracing import Trace
from lowpanbudget.design.meaning import Design
from lowpanbudget.env import Contexts
from lowpanbudget.errors import WireError
from lowpanbudget.findings import checksum
from lowpanbudget.findings.finding import Finding, Hit
from lowpanbudget.findings.pieces import Pieces
from lowpanbudget.findings.protection import UNREAD
from lowpanbudget.findings.registry import RULES
from lowpanbudget.findings.rule import Hits, Rule
from lowpanbudget.findings.scene import Known, Scene, Whole
from lowpanbudget.findings.tallies import Tallies
from lowpanbudget.layers.internet import ipv6
from lowpanbudget.layers.internet.icmpv6 import Icmpv6
from lowpanbudget.layers.internet.ipv6 import Ipv6
from lowpanbudget.layers.link.mac import LARGEST_FRAME
from lowpanbudget.layers.lowpan.fragment import Fragment
from lowpanbudget.stack.found import Notice
from lowpanbudget.stack.frame import Frame
from lowpanbudget.stack.reassembly import Complete, Reassembler
from lowpanbudget.stack.upper import read_upper

MOST_READINGS = 2000  # checksums that are explained; a flood of wrong ones must not take for ever
_Entry = tuple[int, Callable[[Scene, Any], Hits], bool]


class Audit:
    """Takes frames in order and tells what they prove.

    ``known`` is what is known beside them. Feed it decoded frames, or let it follow a trace, which is faster; ``close``
    gives the findings. Memory does not grow with the number of frames.
    """

    def __init__(self, known: Known | None = None, rules: Iterable[type[Rule]] = RULES) -> None:
        self.known = known or Known()
        self.rules = tuple(rule(self.known) for rule in rules)
        self.frames = 0
        self._checks: dict[type, tuple[tuple[_Entry, ...], tuple[_Entry, ...]]] = {}
        self._tallies = Tallies(self.rules)
        self._pieces = Pieces(self.known.timeout_s)
        self._reassembler: Reassembler | None = None
        self._readings = 0
        self._only_varying = False  # the frame at hand is like one that was judged
        self._kept: list[tuple[int, Hit]] | None = (
            None  # hits that hold for all frames of this kind
        )
        self._first_ns: int | None = None

    # --- frames in -------------------------------------------------------------------------------------

    def feed(
        self,
        number: int,
        time_s: float,
        frame: Frame,
        *,
        contexts: Contexts | None = None,
        fcs: int = 2,
    ) -> None:
        """Take one decoded frame with its number and time in seconds; fragments are put together here.

        ``contexts``: those that held when it was read; ``fcs``: octets of its check sequence.
        """
        mac = frame.mac
        counter = (
            mac.security.frame_counter if mac is not None and mac.security is not None else None
        )
        scene = Scene(
            number, time_s, frame, self.known.contexts if contexts is None else contexts, frame.octets, fcs,
            frame.payload, None if mac is None else mac.sequence, counter, None if mac is None else mac.fcs_ok,
        )  # fmt: skip
        if not self._begin(scene):
            return
        datagram = frame.datagram.octets if frame.datagram is not None else None
        parts: tuple[int, ...] = (number,)
        if frame.fragment is not None:
            if self._reassembler is None:
                self._reassembler = Reassembler(self.known.contexts)
            time, part = time_s if isfinite(time_s) else 0.0, Part(number, 0, None)
            for event in self._reassembler.feed(frame, time, part):
                if isinstance(event, Complete):
                    datagram = event.datagram.octets
                    parts = tuple(part.number for part in event.marks)
                else:
                    self._give(scene, event)
        self._look(scene, datagram, parts, frame.fragment, frame.notices)

    def follow(self, sighting: Sighting) -> None:
        """Take one record of a trace. Of a frame that the capture cut nothing is concluded: reading noticed it."""
        if sighting.cut:
            self.frames += 1
            return
        time_ns = sighting.record.time_ns
        if self._first_ns is None:
            self._first_ns = time_ns
        time_s = nan if time_ns is None else (time_ns - (self._first_ns or 0)) / 1e9
        shape = sighting.shape
        frame = Frame(sighting.octets) if shape is None else shape.example
        scene = Scene(
            sighting.number, time_s, frame, self.known.contexts, sighting.octets, sighting.fcs_octets, sighting.payload,
            sighting.sequence, sighting.frame_counter, sighting.fcs_ok,
        )  # fmt: skip
        if shape is not None:
            scene.contexts = sighting.decoder.contexts
            facts = shape.facts.get(self)
            if isinstance(facts, list):
                self._only_varying = True
                for index, hit in facts:
                    self._tallies.count(index, hit, scene.number)
            else:
                self._kept = []
        elif sighting.fault is not None:
            self._give(scene, Notice(UNREAD, sighting.fault.message, sighting.fault.cite))
        try:
            if self._begin(scene) and sighting.repeats is None:
                fragment = None
                if frame.fragment is not None and shape is not None:
                    fragment = (
                        shape.fragment_of(scene.payload or b"")
                        if shape.fragment
                        else frame.fragment
                    )
                more = [] if self._only_varying else list(frame.notices)
                more += [notice for notice in sighting.notices if notice not in frame.notices]
                self._look(scene, sighting.datagram, sighting.numbers, fragment, more)
                for event in sighting.ended:
                    self._give(scene, event)
                if shape is not None and self._kept is not None:
                    shape.facts[self] = self._kept
        finally:
            self._only_varying, self._kept = False, None

    def note(self, thing: ReadingNotice | FcsVerdict) -> None:
        """Take what reading the file noticed, or the verdict over its check sequences."""
        self._give(Scene(0, 0.0, Frame(b""), self.known.contexts, b""), thing)

    # --- one frame -------------------------------------------------------------------------------------

    def _begin(self, scene: Scene) -> bool:
        """Give the frame itself; return whether it proves something about its sender: a damaged one does not."""
        self.frames += 1
        self._give(scene, scene.frame)
        if scene.fcs_ok is False:
            return False
        for old in self._pieces.expire(scene.time_s):
            self._give(scene, old)
        mac = scene.frame.mac
        if mac is not None and mac.fault is None:
            self.known.learn_pan(mac.source_pan)
            self.known.learn_pan(mac.destination_pan)
        return True

    def _look(
        self,
        scene: Scene,
        datagram: bytes | None,
        parts: tuple[int, ...],
        fragment: object,
        notices: Iterable[Notice],
    ) -> None:
        frame = scene.frame
        scene.look()
        pieced = fragment is not None
        if isinstance(fragment, Fragment) and scene.payload is not None:
            scene.assembly, piece = self._pieces.add(
                scene.number, scene.time_s, frame, fragment, scene.payload, len(scene.octets)
            )
            self._give(scene, piece)
            if not piece.repeated and scene.assembly.state in {"whole", "overlapping"}:
                self._give(scene, scene.assembly)
        if datagram is not None and not pieced and scene.header is not None:
            scene.whole = _whole(scene, scene.header, datagram, frame.layers, (scene.number,))
        for layer in frame.layers:
            self._give(scene, layer)
        wrong = False
        for notice in notices:
            wrong = wrong or notice.name == "udp-checksum-wrong"
            self._give(scene, notice)
        if frame.fault is not None:
            self._give(scene, frame.fault)
        if datagram is None:
            return
        if scene.whole is not None:
            wrong = wrong or any(
                isinstance(one, Icmpv6) and one.checksum_ok is False for one in frame.layers
            )
            self._settle(scene, scene.whole, wrong=wrong)
        else:
            self._complete(scene, datagram, parts)

    def _complete(self, scene: Scene, datagram: bytes, parts: tuple[int, ...]) -> None:
        """Read a datagram that came in fragments, or without a link, and give all that is in it."""
        try:
            header = ipv6.decode(Reader(datagram))
        except WireError:
            return
        kept, self._only_varying, self._kept = (self._only_varying, self._kept), False, None
        upper = read_upper(
            Reader(datagram, ipv6.OCTETS), header.next_header, header.source, header.destination
        )
        inner = next((one for one in reversed(upper.layers) if isinstance(one, Ipv6)), header)
        numbers = scene.assembly.numbers if scene.assembly is not None else parts or (scene.number,)
        scene.header = inner
        scene.whole = whole = _whole(scene, inner, datagram, upper.layers, numbers)
        if scene.assembly is not None:
            whole.iphc = scene.assembly.iphc
        for layer in upper.layers:
            self._give(scene, layer)
        if upper.fault is not None:
            fault = upper.fault
            self._give(scene, Notice("payload-unreadable", fault.message, fault.cite, fault.offset))
        self._settle(scene, whole, wrong=checksum.mismatch(datagram) is not None)
        (self._only_varying, self._kept) = kept

    def _settle(self, scene: Scene, whole: Whole, *, wrong: bool) -> None:
        """Give a whole datagram, and the reading of its checksum when that is wrong."""
        if wrong:
            if self._readings < MOST_READINGS:
                self._readings += 1
                reading = checksum.explain(whole, self.known)
                if reading is not None:
                    self._give(scene, reading)
        elif not self._only_varying:
            rows = whole.iphc.rows if whole.iphc is not None else None
            if rows is None or rows["source"].inline == 16:
                self.known.learn_prefix(whole.header.source)
            if rows is None or rows["destination"].inline == 16:
                self.known.learn_prefix(whole.header.destination)
        self._give(scene, whole)

    # --- hits ------------------------------------------------------------------------------------------

    def _give(self, scene: Scene, thing: object) -> None:
        kind = type(thing)
        both = self._checks.get(kind)
        if both is None:
            every = tuple(
                (index, rule.check, rule.varies)
                for index, rule in enumerate(self.rules)
                if any(issubclass(kind, read) for read in rule.reads)
            )
            both = self._checks[kind] = (every, tuple(entry for entry in every if entry[2]))
        for index, check, varies in both[self._only_varying]:
            for hit in check(scene, thing):
                self._tallies.count(index, hit, scene.number)
                if self._kept is not None and not varies:
                    own = hit.frames == (scene.number,)
                    self._kept.append((index, hit._replace(frames=()) if own else hit))

    def close(self) -> list[Finding]:
        """Return all findings, worst first; the audit is over then."""
        empty = Scene(0, 0.0, Frame(b""), self.known.contexts, b"")
        for left in self._pieces.close():
            self._give(empty, left)
        for index, rule in enumerate(self.rules):
            for hit in rule.close():
                self._tallies.count(index, hit, 0)
        return self._tallies.findings()


def known_of(trace: Trace, design: Design | None = None, timeout_s: float = 60.0) -> Known:
    """Return what a trace knows at its start, and a design: contexts, devices, the longest frame."""
    devices = {link for link in trace.knowledge.devices.values() if len(link) == 8}
    if design is None:
        return Known(trace.contexts, None, frozenset(devices), LARGEST_FRAME, timeout_s)
    devices |= {one.extended for one in design.stations if one.extended is not None}
    known = Known(trace.contexts, design, frozenset(devices), design.link.largest, timeout_s)
    for station in design.stations:
        known.learn_prefix(station.ip(design.link.addresses))
    return known


def _whole(
    scene: Scene, header: Ipv6, octets: bytes, layers: list[object], numbers: tuple[int, ...]
) -> Whole:
    frame = scene.frame
    return Whole(
        octets,
        header,
        layers,
        scene.iphc,
        frame.link_source,
        frame.link_destination,
        None if frame.mac is None else frame.mac.pan_id,
        scene.contexts,
        numbers,
        scene.time_s,
        frame.checksum_elided,
    )
