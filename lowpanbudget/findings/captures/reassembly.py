"""Datagrams in fragments that are late, lost, repeated or in each other's way."""

from lowpanbudget.capture.recent import Recent
from lowpanbudget.errors import WireError, plural
from lowpanbudget.findings import faults
from lowpanbudget.findings.datagrams import hop_of, numbers_of
from lowpanbudget.findings.finding import Hit, Severity
from lowpanbudget.findings.memory import FirstNamed, Frames
from lowpanbudget.findings.rule import Hits, Noticed, Subject
from lowpanbudget.findings.scene import Scene, Surroundings
from lowpanbudget.findings.wording import hop_text, link_text, octets_text, seconds_text
from lowpanbudget.layers.lowpan import fragment
from lowpanbudget.layers.lowpan.fragment import FRAG1, OffsetBeyond
from lowpanbudget.stack.events import Discarded, TimedOut
from lowpanbudget.stack.pieces import Fate, FragmentArrival, FragmentedDatagram, FragmentKey
from lowpanbudget.values import dataclass, field

REASSEMBLY = Subject("reassembly")
_MOST_NUMBERS = 12


@REASSEMBLY.rule("fragments-too-slow", FragmentArrival, varies=True)
def fragments_too_slow(scene: Scene, arrival: FragmentArrival) -> Hits:
    """Compare the time from first to last with the limit, as soon as it is passed."""
    late, datagram, limit = arrival.fragment, arrival.datagram, scene.known.timeout_s
    if len(datagram.fragments) < 2:
        return
    waited = late.time_s - datagram.fragments[0].time_s
    if waited > limit:
        cause = f"a fragment comes {waited:.1f} s after the first, receivers wait {limit:g} s"
        yield Hit(cause, (str(datagram),), hop_of(datagram), numbers_of(datagram))


@dataclass(slots=True)
class _Losses:
    """How many datagrams were begun, ended, came whole, were lost, given up for room; the first frames of some.

    ``alone`` have a first fragment and nothing behind it. ``most`` is how many of those lost were open at their
    receiver at once. ``open`` are those that have no end yet, the last of them; ``explained`` the keys of those whose
    fragments contradict each other: that has its own finding, and they are not counted here unless their time runs out.
    """

    begun: int = 0
    ended: int = 0
    whole: int = 0
    lost: int = 0
    given_up: int = 0
    alone: int = 0
    most: int = 0
    numbers: Frames = field(default_factory=Frames)
    open: Recent[FragmentKey, FragmentedDatagram] = field(
        default_factory=lambda: Recent(_MOST_NUMBERS)
    )
    explained: Recent[FragmentKey, bool] = field(default_factory=lambda: Recent(_MOST_NUMBERS))

    def take(self, arrival: FragmentArrival) -> None:
        """Count a datagram that begins with a fragment, and see whether there is more than the first."""
        fragment, datagram, _ = arrival
        if datagram.key in self.explained:
            return
        count = len(datagram.fragments)
        if count == 1:
            self.begun += 1
            self.alone += fragment.first
            self.open[datagram.key] = datagram
        elif count == 2:
            self.alone -= datagram.fragments[0].first

    def explain(self, datagram: FragmentedDatagram) -> None:
        """Leave a datagram out, and what follows under its key."""
        self.begun -= 1
        self.alone -= len(datagram.fragments) == 1 and datagram.fragments[0].first
        self.open.pop(datagram.key, None)
        self.explained[datagram.key] = True

    def end(self, datagram: FragmentedDatagram) -> None:
        """Count what became of a datagram."""
        if self.explained.pop(datagram.key, False):
            if datagram.fate is not Fate.EXPIRED:
                return
            self.begun += 1
            self.alone += len(datagram.fragments) == 1 and datagram.fragments[0].first
        if datagram.fate is Fate.OVERLAPPING:
            self.explain(datagram)
            return
        self.ended += 1
        self.open.pop(datagram.key, None)
        if datagram.fate is Fate.WHOLE:
            self.whole += 1
            self.alone -= len(datagram.fragments) == 1
        elif datagram.fate is Fate.EXPIRED:
            self.lost += 1
            self.most = max(self.most, datagram.beside)
            self.numbers.note(*numbers_of(datagram)[:1])
        self.given_up += datagram.fate is Fate.GIVEN_UP


@REASSEMBLY.rule("fragments-unfinished", FragmentArrival, memory=FirstNamed)
def fragments_begin(
    memory: FirstNamed[str, _Losses], _scene: Scene, arrival: FragmentArrival
) -> None:
    """Count the datagrams of each hop, whether their headers can be read or not."""
    losses = None if arrival.repeated else memory.entry(hop_of(arrival.datagram), _Losses)
    if losses is not None:
        losses.take(arrival)


@REASSEMBLY.rule("fragments-unfinished", FragmentedDatagram)
def fragments_end(
    memory: FirstNamed[str, _Losses], _scene: Scene, datagram: FragmentedDatagram
) -> None:
    """Count what became of each datagram."""
    losses = memory.get(hop_of(datagram))
    if losses is not None:
        losses.end(datagram)


@REASSEMBLY.rule("fragments-unfinished", WireError)
def fragment_faulty(memory: FirstNamed[str, _Losses], scene: Scene, fault: WireError) -> None:
    """Leave out datagrams with a fragment that cannot be placed."""
    losses = memory.get(scene.hop) if isinstance(fault.about, OffsetBeyond) else None
    tag = faults.tag_of(scene.payload)
    for datagram in [] if losses is None else list(losses.open.values()):
        if losses is not None and datagram.key.tag == tag:
            losses.explain(datagram)


@REASSEMBLY.at_end("fragments-unfinished")
def fragments_unfinished(memory: FirstNamed[str, _Losses], _known: Surroundings) -> Hits:
    """Judge each hop; what is open at the end of the capture is no more than a remark."""
    for hop, ends in memory.items():
        still, count = ends.begun - ends.ended, ends.begun - ends.whole
        if not count:
            continue
        for datagram in ends.open.values():
            ends.numbers.note(*numbers_of(datagram)[:1])
        notes = (
            (ends.alone, f"of {ends.alone} only the first fragment was seen"),
            (still, f"{still} still open when the capture ends"),
            (
                ends.given_up,
                f"{ends.given_up} followed no further: more were open than are followed",
            ),
        )
        evidence = tuple(text for number, text in notes if number > 0)
        cause = f"{count} of {ends.begun} datagrams in fragments were not completed"
        lost = ends.lost + ends.given_up
        heavy = lost >= 3 and lost * 10 > ends.begun
        severity = Severity.RISK if heavy else Severity.REMARK
        yield Hit(cause, evidence, hop, tuple(ends.numbers), severity, times=count)


@dataclass(slots=True)
class _Flood:
    """Datagrams that a receiver is sent in fragments, those of them with nothing behind their first, and by whom."""

    begun: int = 0
    alone: int = 0
    most: int = 0
    first_s: float = 0.0
    last_s: float = 0.0
    senders: set[bytes | None] = field(default_factory=set)
    numbers: Frames = field(default_factory=Frames)


_FLOOD, _AT_ONCE = (
    32,
    16,
)  # datagrams in all and open at once, over what any node has buffers for; our choice
_MOST_SENDERS = 64


@REASSEMBLY.rule("fragments-flood", FragmentArrival, memory=FirstNamed)
def datagram_begins(
    memory: FirstNamed[bytes | None, _Flood], _scene: Scene, arrival: FragmentArrival
) -> None:
    """Count what each receiver is sent."""
    fragment, datagram, repeated = arrival
    flood = None if repeated else memory.entry(datagram.key.destination, _Flood)
    if flood is None:
        return
    count = len(datagram.fragments)
    if count > 1:
        flood.alone -= count == 2 and datagram.fragments[0].first
        return
    flood.first_s = flood.first_s if flood.begun else fragment.time_s
    flood.last_s = fragment.time_s
    flood.begun += 1
    flood.alone += fragment.first and datagram.fate is Fate.OPEN
    flood.most = max(flood.most, datagram.beside)
    flood.numbers.note(fragment.mark.number)
    if len(flood.senders) < _MOST_SENDERS:
        flood.senders.add(datagram.key.source)


@REASSEMBLY.at_end("fragments-flood")
def fragments_flood(memory: FirstNamed[bytes | None, _Flood], _known: Surroundings) -> Hits:
    """Judge each receiver."""
    for receiver, flood in memory.items():
        if flood.alone < _FLOOD or flood.most < _AT_ONCE or flood.alone * 2 < flood.begun:
            continue
        count = len(flood.senders)
        nodes = f"{count} nodes or more" if count == _MOST_SENDERS else plural(count, "node")
        cause = (
            f"{flood.alone} of {flood.begun} datagrams to {link_text(receiver)} were begun and never "
            f"went on, up to {flood.most} at once"
        )
        evidence = (f"from {nodes} in {seconds_text(flood.last_s - flood.first_s)}",)
        yield Hit(cause, evidence, link_text(receiver), tuple(flood.numbers), times=flood.alone)


@REASSEMBLY.rule("fragment-repeated", FragmentArrival, varies=True, least=3)
def fragment_repeated(_scene: Scene, arrival: FragmentArrival) -> Hits:
    """Take repeats."""
    if arrival.repeated:
        again, datagram, _ = arrival
        evidence = (f"{datagram}, octets {again.start} to {again.end - 1}",)
        yield Hit("fragments are repeated octet range by octet range", evidence, hop_of(datagram))


@REASSEMBLY.rule("fragments-overlap", FragmentedDatagram, varies=True)
def fragments_overlap(_scene: Scene, datagram: FragmentedDatagram) -> Hits:
    """Take datagrams that ended so, unless offsets count compressed octets: that has its own finding."""
    if datagram.fate is not Fate.OVERLAPPING:
        return
    first, last = datagram.fragments[0], datagram.fragments[-1]
    compressed = (first.mark.octets - FRAG1.octets) // fragment.UNIT * fragment.UNIT
    if first.first and last.start == compressed and len(datagram.fragments) == 2:
        return
    ranges = ", ".join(f"{one.start}-{one.end - 1}" for one in datagram.fragments[-3:])
    cause = "octet ranges of one datagram overlap"
    yield Hit(cause, (f"{datagram}: {ranges}",), hop_of(datagram), numbers_of(datagram))


OF_TWO = Noticed("fragments-of-two")


@REASSEMBLY.rule("tag-used-again", OF_TWO, varies=True)
def put_together_of_two(_scene: Scene, datagram: FragmentedDatagram) -> Hits:
    """Take datagrams with a wrong checksum whose first fragment came last: the others are of one before."""
    *before, last = datagram.fragments
    gap = last.time_s - before[-1].time_s
    cause = "fragments of two datagrams under one tag make up one, whose checksum is wrong"
    evidence = (f"{datagram}: its first fragment comes {seconds_text(gap)} after the others",)
    yield Hit(cause, evidence, hop_of(datagram), numbers_of(datagram))


@REASSEMBLY.rule("tag-used-again", FragmentedDatagram, varies=True)
def tag_used_again(_scene: Scene, datagram: FragmentedDatagram) -> Hits:
    """Take datagrams under whose tag another began."""
    if datagram.fate is Fate.REPLACED:
        cause = "a tag is used for another datagram while one under it is not whole"
        yield Hit(cause, (str(datagram),), hop_of(datagram), numbers_of(datagram))


@REASSEMBLY.rule("fragments-meet", FragmentedDatagram, memory=FirstNamed)
def fragments_lost(
    memory: FirstNamed[bytes | None, _Losses], _scene: Scene, datagram: FragmentedDatagram
) -> None:
    """Count losses beside another open datagram."""
    if datagram.fate is Fate.EXPIRED and datagram.beside > 1:
        losses = memory.entry(datagram.key.destination, _Losses)
        if losses is not None:
            losses.end(datagram)


@REASSEMBLY.at_end("fragments-meet")
def fragments_meet(memory: FirstNamed[bytes | None, _Losses], _known: Surroundings) -> Hits:
    """Judge each receiver."""
    for receiver, losses in memory.items():
        name = link_text(receiver)
        cause = (
            f"{losses.lost} datagrams to {name} were not completed while others were open, "
            f"up to {losses.most} at once"
        )
        severity = Severity.RISK if losses.lost >= 3 else Severity.REMARK
        yield Hit(cause, (), name, tuple(losses.numbers), severity)


@REASSEMBLY.rule("recoverable-fragments-failed", TimedOut, Discarded, memory=FirstNamed)
def recoverable_fragments_failed(
    memory: FirstNamed[str, bool], _scene: Scene, event: TimedOut | Discarded
) -> Hits:
    """Take what the reassembler gave up; keys of these fragments have no size."""
    source, destination, size, tag = event.key
    if size is not None or (isinstance(event, Discarded) and event.for_room):
        return
    hop = hop_text(source, destination)
    severity = Severity.RISK if hop in memory else Severity.REMARK
    memory.entry(hop, lambda: True)
    reason = event.reason if isinstance(event, Discarded) else "the time ran out"
    evidence = (f"tag {tag:#04x}: {reason}, {octets_text(event.received)} had come",)
    cause = "datagrams in recoverable fragments were given up"
    yield Hit(cause, evidence, hop, tuple(part.number for part in event.marks), severity)
