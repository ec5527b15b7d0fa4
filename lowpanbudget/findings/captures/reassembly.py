"""Datagrams in fragments that are late, lost, repeated or in each other's way."""

from lowpanbudget.findings.datagrams import hop_of, numbers_of
from lowpanbudget.findings.finding import Hit, Severity
from lowpanbudget.findings.memory import FirstNamed, Frames
from lowpanbudget.findings.rule import Hits, Subject
from lowpanbudget.findings.scene import Scene, Surroundings
from lowpanbudget.findings.wording import hop_text, link_text, octets_text
from lowpanbudget.layers.link.mac import BROADCAST
from lowpanbudget.layers.lowpan import fragment
from lowpanbudget.layers.lowpan.fragment import FRAG1
from lowpanbudget.stack.events import Discarded, TimedOut
from lowpanbudget.stack.pieces import Fate, FragmentArrival, FragmentedDatagram
from lowpanbudget.values import dataclass, field

REASSEMBLY = Subject("reassembly")


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
    """How many datagrams were begun, lost, and lost after their first fragment; the first frames of some.

    ``most`` is how many of those lost were open at their receiver at once.
    """

    begun: int = 0
    lost: int = 0
    alone: int = 0
    most: int = 0
    numbers: Frames = field(default_factory=Frames)

    def lose(self, datagram: FragmentedDatagram) -> None:
        """Count a datagram that its sender did not complete."""
        self.lost += 1
        self.alone += len(datagram.fragments) == 1 and datagram.fragments[0].first
        self.most = max(self.most, datagram.beside)
        self.numbers.note(*numbers_of(datagram)[:1])


@REASSEMBLY.rule("fragments-unfinished", FragmentedDatagram, memory=FirstNamed)
def fragments_end(
    memory: FirstNamed[str, _Losses], _scene: Scene, datagram: FragmentedDatagram
) -> None:
    """Count what became of each datagram; of those to all, only the losses."""
    expired = datagram.fate is Fate.EXPIRED
    if not expired and (datagram.fate is not Fate.WHOLE or datagram.key.destination == BROADCAST):
        return
    losses = memory.entry(hop_of(datagram), _Losses)
    if losses is not None:
        losses.begun += 1
        if expired:
            losses.lose(datagram)


@REASSEMBLY.at_end("fragments-unfinished")
def fragments_unfinished(memory: FirstNamed[str, _Losses], _known: Surroundings) -> Hits:
    """Judge each hop."""
    for hop, ends in memory.items():
        if ends.lost:
            cause = f"{ends.lost} of {ends.begun} datagrams in fragments were not completed"
            alone = f"of {ends.alone} only the first fragment was seen"
            heavy = ends.lost >= 3 and ends.lost * 10 > ends.begun
            severity = Severity.RISK if heavy else Severity.REMARK
            yield Hit(cause, (alone,) if ends.alone else (), hop, tuple(ends.numbers), severity)


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


@REASSEMBLY.rule("fragments-meet", FragmentedDatagram, memory=FirstNamed)
def fragments_lost(
    memory: FirstNamed[bytes | None, _Losses], _scene: Scene, datagram: FragmentedDatagram
) -> None:
    """Count losses beside another open datagram."""
    if datagram.fate is Fate.EXPIRED and datagram.beside > 1:
        losses = memory.entry(datagram.key.destination, _Losses)
        if losses is not None:
            losses.lose(datagram)


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
