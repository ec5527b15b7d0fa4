"""Datagrams in fragments that can be asked for again (RFC 8931): given up, not sent again, acknowledged in vain."""

from lowpanbudget.capture.recent import Recent
from lowpanbudget.cites import rfc
from lowpanbudget.findings import faults
from lowpanbudget.findings.captures.fragments import FRAGMENTS
from lowpanbudget.findings.finding import Hit, Severity
from lowpanbudget.findings.memory import FirstNamed
from lowpanbudget.findings.rule import Hits, Subject
from lowpanbudget.findings.scene import Scene, Surroundings
from lowpanbudget.findings.wording import hop_text, octets_text
from lowpanbudget.layers.lowpan.recovery import RFRAG, Rfrag, RfragAck
from lowpanbudget.stack.events import Discarded, TimedOut
from lowpanbudget.stack.pieces import gaps
from lowpanbudget.values import dataclass, field

RECOVERY = Subject("recovery")

_GIVEN_UP = "datagrams in recoverable fragments were given up"
_BITMAP = rfc(8931, "5.2")
_SETS_NO_OTHERS = (
    "Look how the receiver makes its bitmap: bit 0, the most significant one, stands for sequence 0, and only bits of "
    "fragments that came are set (all 32 once the datagram is whole). For a bit too many the sender gives up a "
    "fragment that never arrived."
)


@dataclass(slots=True)
class _Recoverable:
    """A datagram in recoverable fragments: the range and the last frame of each sequence, and what was acknowledged.

    ``missing`` are the sequences that the acknowledgement in frame ``told`` leaves out between others. ``is_cut``: its
    headers are cut in two, so that nobody can use it, which is told.
    """

    ranges: dict[int, tuple[int, int]] = field(default_factory=dict)
    frames: dict[int, int] = field(default_factory=dict)
    size: int | None = None
    is_over: bool = False
    is_cut: bool = False
    missing: set[int] = field(default_factory=set)
    told: int = 0
    told_s: float = 0.0

    @property
    def is_whole(self) -> bool:
        """Return whether every octet of it was heard."""
        return self.size is not None and not gaps(self.ranges.values(), self.size)

    def ends_before(self, first: Rfrag) -> bool:
        """Return whether another datagram begins with a first fragment under the same tag."""
        return self.is_over or self.is_whole or self.size not in {None, first.size}


@dataclass(slots=True)
class Recovery:
    """Hops on which a datagram was given up, and the last datagrams by sender, receiver and tag."""

    hops: FirstNamed[str, bool] = field(default_factory=FirstNamed)
    datagrams: Recent[tuple[bytes | None, bytes | None, int], _Recoverable] = field(
        default_factory=Recent
    )

    def severity(self, hop: str) -> Severity:
        """Return how much it matters that one more datagram of a hop is given up: the first is a remark."""
        severity = Severity.RISK if hop in self.hops else Severity.REMARK
        self.hops.entry(hop, lambda: True)
        return severity


@RECOVERY.rule("recoverable-fragments-failed", TimedOut, Discarded, memory=Recovery)
def recoverable_fragments_failed(
    memory: Recovery, _scene: Scene, event: TimedOut | Discarded
) -> Hits:
    """Take what the reassembler gave up; keys of these fragments have no size.

    What comes again of a datagram that was whole is none: "the RFRAG-ACK was lost on the path back, and the source
    retried the last fragment" (RFC 8931 section 6.1.2).
    """
    source, destination, size, tag = event.key
    if size is not None or event.again or (isinstance(event, Discarded) and event.for_room):
        return
    datagram = memory.datagrams.get((source, destination, tag))
    if datagram is not None and datagram.is_cut:
        return
    hop = hop_text(source, destination)
    reason = event.reason if isinstance(event, Discarded) else "the time ran out"
    evidence = (f"tag {tag:#04x}: {reason}, {octets_text(event.received)} had come",)
    frames = tuple(part.number for part in event.marks)
    yield Hit(_GIVEN_UP, evidence, hop, frames, memory.severity(hop))


@RECOVERY.rule("recoverable-fragments-failed", Rfrag)
def recoverable_fragment(memory: Recovery, scene: Scene, header: Rfrag) -> None:
    """Note what is sent; one that begins anew under its tag takes the place of the one before."""
    payload = scene.payload or b""
    if header.abort or len(payload) < header.length + RFRAG.octets:
        return
    tag = payload[-header.length - RFRAG.octets + 1]  # of frames that are alike each has its own
    key = scene.link_source, scene.link_destination, tag
    datagram = memory.datagrams.get(key)
    anew = header.first and datagram is not None and datagram.ends_before(header)
    if datagram is None or anew:
        datagram = memory.datagrams[key] = _Recoverable()
    datagram.ranges[header.sequence] = (header.offset, header.offset + header.length)
    datagram.frames[header.sequence] = scene.number
    datagram.missing.discard(header.sequence)
    if header.first:
        datagram.size = header.size
        datagram.is_cut = faults.headers_cut(scene.frame.fault)


@RECOVERY.rule("recoverable-fragments-failed", RfragAck)
def recoverable_acknowledged(memory: Recovery, scene: Scene, ack: RfragAck) -> Hits | None:
    """Compare an acknowledgement with what was sent; an abort of what is not whole here the reassembler tells."""
    source, destination = scene.link_destination, scene.link_source
    datagram = memory.datagrams.get((source, destination, ack.tag))
    if datagram is None or datagram.is_over or datagram.is_cut:
        return None
    hop, number = hop_text(source, destination), scene.number
    if ack.aborted or ack.complete:
        datagram.is_over = True
        datagram.missing.clear()
        if ack.complete or not datagram.is_whole:
            return None
        reason = f"all {len(datagram.ranges)} fragments were sent, and the receiver aborted"
        frames = (*sorted(datagram.frames.values()), number)
        return (
            Hit(_GIVEN_UP, (f"tag {ack.tag:#04x}: {reason}",), hop, frames, memory.severity(hop)),
        )
    received = set(ack.received)
    datagram.missing = {one for one in datagram.ranges if one < max(received)} - received
    datagram.told, datagram.told_s = number, scene.time_s
    unsent = sorted(received - set(datagram.ranges))
    if not unsent or not datagram.is_whole:
        return None
    cause = "an acknowledgement names recoverable fragments that were never sent"
    evidence = (f"tag {ack.tag:#04x}, {len(datagram.ranges)} fragments: {_sequences(unsent)}",)
    return (Hit(cause, evidence, hop, (number,), advice=_SETS_NO_OTHERS, cite=_BITMAP),)


@RECOVERY.at_end("recoverable-fragments-failed")
def recoverable_not_recovered(memory: Recovery, known: Surroundings) -> Hits:
    """Judge what was asked for again, where there was the time to send it."""
    for (source, destination, tag), datagram in memory.datagrams.items():
        if not datagram.missing or not known.end_s - datagram.told_s > known.timeout_s:
            continue
        hop, sequences = hop_text(source, destination), sorted(datagram.missing)
        cause = "recoverable fragments that the receiver misses are not sent again"
        frames = (*(datagram.frames[one] for one in sequences), datagram.told)
        evidence = (f"tag {tag:#04x}: {_sequences(sequences)}",)
        yield Hit(cause, evidence, hop, frames, memory.severity(hop))


@dataclass(slots=True)
class _Cut:
    """What is heard of a datagram since its first fragment, in a frame with ``around`` octets beside it."""

    first: Rfrag
    around: int
    started_s: float
    ranges: dict[int, tuple[int, int]] = field(default_factory=dict)
    frames: dict[int, int] = field(default_factory=dict)

    def goes_on(self, first: Rfrag, scene: Scene) -> bool:
        """Return whether a first fragment is this one, sent again."""
        in_time = scene.time_s - self.started_s <= scene.known.timeout_s
        return in_time and (first.size, first.length) == (self.first.size, self.first.length)


CutDatagrams = Recent[tuple[bytes | None, bytes | None, int], _Cut]


@FRAGMENTS.rule("fragmented-without-need", Rfrag)
def recoverable_without_need(memory: CutDatagrams, scene: Scene, header: Rfrag) -> Hits | None:
    """Put the frame together as it could have been, of fragments that are pieces of the compressed form."""
    payload = scene.payload or b""
    if header.abort or len(payload) < header.length + RFRAG.octets:
        return None
    tag = payload[-header.length - RFRAG.octets + 1]
    key = scene.link_source, scene.link_destination, tag
    cut = memory.get(key)
    if faults.headers_cut(scene.frame.fault):  # what is cut between headers is told as such
        memory.pop(key, None)
        return None
    if header.first and (cut is None or not cut.goes_on(header, scene)):
        around = scene.size - header.length - RFRAG.octets
        cut = memory[key] = _Cut(header, around, scene.time_s)
    if cut is None:
        return None
    cut.ranges[header.sequence] = (header.offset, header.offset + header.length)
    cut.frames[header.sequence] = scene.number
    if gaps(cut.ranges.values(), cut.first.size):
        return None
    del memory[key]
    single = cut.around + (cut.first.size or 0)
    spare = scene.largest_sent - single
    if len(cut.ranges) < 2 or spare < 0:
        return None
    cause = (
        f"{len(cut.ranges)} recoverable fragments make a frame of {single} octets, {spare} to spare"
    )
    evidence = (f"compressed datagram of {cut.first.size} octets, tag {tag:#04x}",)
    frames = tuple(cut.frames[one] for one in sorted(cut.frames))
    return (Hit(cause, evidence, hop_text(key[0], key[1]), frames),)


def _sequences(numbers: list[int]) -> str:
    return ("sequence " if len(numbers) == 1 else "sequences ") + ", ".join(map(str, numbers))
