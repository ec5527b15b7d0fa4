"""Datagrams in fragments that can be asked for again (RFC 8931): given up, not sent again, acknowledged in vain."""

from lowpanbudget.capture.recent import Recent
from lowpanbudget.cites import rfc
from lowpanbudget.errors import plural
from lowpanbudget.findings import faults
from lowpanbudget.findings.captures.fragments import FRAGMENTS
from lowpanbudget.findings.finding import Hit, Severity
from lowpanbudget.findings.memory import FirstNamed
from lowpanbudget.findings.recoverable import Recoverable
from lowpanbudget.findings.recovery_asked import AskedHop, AskedHops
from lowpanbudget.findings.rule import Hits, Subject
from lowpanbudget.findings.scene import Scene
from lowpanbudget.findings.senders import pan_of
from lowpanbudget.findings.surroundings import Surroundings
from lowpanbudget.findings.wording import hop_text, octets_text
from lowpanbudget.layers.lowpan.recovery import RFRAG, Rfrag, RfragAck
from lowpanbudget.stack.events import Discarded, TimedOut
from lowpanbudget.stack.fragment_key import FragmentKey
from lowpanbudget.stack.pieces import gaps
from lowpanbudget.values import dataclass, field

RECOVERY = Subject("recovery")

_GIVEN_UP = "datagrams in recoverable fragments were given up"
_TAKEN = "a tag is used for another datagram while one under it is not whole"
_MISPLACED = "the offset of a recoverable fragment is not where the one before it ends"
_CONTRADICTING = "recoverable fragments under one tag contradict each other"
_UNANSWERED = "recoverable fragments ask for acknowledgements, and none comes back"
_BITMAP, _HEADER = rfc(8931, "5.2"), rfc(8931, "5.1")
_FEW = 3  # datagrams without an acknowledgement that tell; our choice
_MOST_TAGS = 6  # that are named
_NEW_TAG = (
    "Take another tag for each datagram; one is free again when its datagram was acknowledged in full or aborted, and "
    "no copies of it are on their way."
)
_RIGHT_OFFSETS = (
    "Count offsets in octets of the compressed form: each fragment begins where the one before it ends. Send one again "
    "as it was, under its sequence; cut otherwise it takes a sequence that is not used yet."
)
_ANSWER = (
    "Look first whether the fragments arrive. Then whether the receiver answers each fragment with X set, and whether "
    "each node on the way passes the acknowledgement back under the tag that the node before it gave the datagram."
)
_SETS_NO_OTHERS = (
    "Look how the receiver makes its bitmap: bit 0, the most significant one, stands for sequence 0, and only bits of "
    "fragments that came are set (all 32 once the datagram is whole). For a bit too many the sender gives up a "
    "fragment that never arrived."
)


@dataclass(slots=True)
class Recovery:
    """Hops on which a datagram was given up, or acknowledgements were asked for; the last datagrams by hop and tag.

    Of the ``unsure``, whose time ran out, the next frame of their sender tells whether the capture missed the rest.
    """

    hops: FirstNamed[str, bool] = field(default_factory=FirstNamed)
    asked: AskedHops = field(default_factory=FirstNamed)
    datagrams: Recent[FragmentKey, Recoverable] = field(default_factory=Recent)
    unsure: Recent[FragmentKey, tuple[Recoverable, Hit]] = field(default_factory=Recent)

    def settle(self, wait_s: float, *, at_end: bool = False) -> Hits:
        """Yield what was given up of the unsure, whose sender has sent something since, or sends nothing any more."""
        for key, (datagram, hit) in list(self.unsure.items()):
            if at_end or not datagram.is_senders_last:
                del self.unsure[key]
                if not datagram.was_heard_in_part(wait_s):
                    yield hit._replace(severity=self.severity(hit.subject))

    def severity(self, hop: str) -> Severity:
        """Return how much it matters that one more datagram of a hop is given up: the first is a remark."""
        severity = Severity.RISK if hop in self.hops else Severity.REMARK
        self.hops.entry(hop, lambda: True)
        return severity


@RECOVERY.rule("recoverable-fragments-failed", TimedOut, Discarded, memory=Recovery)
def recoverable_fragments_failed(
    memory: Recovery, scene: Scene, event: TimedOut | Discarded
) -> Hits:
    """Take what the reassembler gave up; keys of these fragments have no size.

    What comes again of a datagram that was whole is none: "the RFRAG-ACK was lost on the path back, and the source
    retried the last fragment" (RFC 8931 section 6.1.2).
    """
    key = event.key
    if key.size is not None or event.again or (isinstance(event, Discarded) and event.for_room):
        return
    datagram = memory.datagrams.get(key)
    if datagram is not None and (datagram.is_cut or datagram.is_received):
        return
    hop = hop_text(key.source, key.destination)
    fragment = scene.find(Rfrag) if isinstance(event, Discarded) and event.contradicted else None
    if fragment is not None and datagram is not None and isinstance(event, Discarded):
        hit = _contradicted(memory, scene, event, fragment, datagram)
        is_next = datagram.is_next and [*datagram.frames.values()] == [scene.number]
        if not is_next and not _is_partly_heard(scene, hit.frames[0]):
            yield hit
        return
    reason = event.reason if isinstance(event, Discarded) else "the time ran out"
    evidence = (f"tag {key.tag:#04x}: {reason}, {octets_text(event.received)} had come",)
    frames = tuple(part.number for part in event.marks)
    hit = Hit(_GIVEN_UP, evidence, hop, frames)
    is_this = datagram is not None and not {*frames}.isdisjoint(datagram.frames.values())
    if isinstance(event, TimedOut) and datagram is not None and is_this:
        memory.unsure[key] = datagram, hit
        yield from memory.settle(scene.known.timeout_s)
    else:
        yield hit._replace(severity=memory.severity(hop))


def _is_partly_heard(scene: Scene, since: int) -> bool:
    """Return whether the sender's frame numbers tell of frames since then that the capture missed."""
    by = scene.by
    return by is not None and (
        by.jumped > since or any(hole.after > since for hole in by.holes or ())
    )


def _contradicted(
    memory: Recovery, scene: Scene, event: Discarded, fragment: Rfrag, datagram: Recoverable
) -> Hit:
    """Return what a fragment shows that says otherwise than those before it, which another datagram begins with."""
    key, misplaced = event.key, datagram.misplaced()
    tag, hop = key.tag, hop_text(key.source, key.destination)
    evidence = [f"tag {tag:#04x}: {event.reason}, {octets_text(event.received)} had come"]
    frames = (*(part.number for part in event.marks), scene.number)
    new = memory.datagrams[key] = Recoverable()
    new.take(fragment, scene)
    asked = _hop_of(memory, scene)
    if asked is not None:
        asked.open.pop(tag, None)
    if fragment.first:
        cause, advice, cite = _TAKEN, _NEW_TAG, _HEADER
    elif misplaced is not None:
        cause, advice, cite = _MISPLACED, _RIGHT_OFFSETS, _HEADER
        evidence.append(f"tag {tag:#04x}: {datagram.place(misplaced)}")
        frames = (datagram.frames[misplaced],)
    else:
        cause, advice, cite = _CONTRADICTING, _RIGHT_OFFSETS, _HEADER
    severity = memory.severity(hop)
    return Hit(cause, tuple(evidence), hop, frames, severity, advice, cite=cite)


@RECOVERY.rule("recoverable-fragments-failed", Rfrag)
def recoverable_fragment(memory: Recovery, scene: Scene, header: Rfrag) -> Hits | None:
    """Note what is sent; one that begins anew under its tag takes the place of the one before."""
    told = [*memory.settle(scene.known.timeout_s)] if memory.unsure else None
    payload = scene.payload or b""
    if header.abort or len(payload) < header.length + RFRAG.octets:
        return told
    tag = payload[-header.length - RFRAG.octets + 1]  # of frames that are alike each has its own
    key = FragmentKey.of(scene.frame, header, tag)
    datagram = memory.datagrams.get(key)
    anew = header.first and datagram is not None and datagram.ends_before(header)
    if datagram is None or anew:
        is_next = datagram is not None and datagram.is_over
        datagram = memory.datagrams[key] = Recoverable(is_next=is_next)
    datagram.take(header, scene)
    hop = _hop_of(memory, scene)
    if hop is not None and header.ack_request:
        hop.ask(tag, scene.number, scene.time_s)
    return told


def _hop_of(memory: Recovery, scene: Scene, *, back: bool = False) -> AskedHop | None:
    """Return what is asked for on a hop, or of an acknowledgement on the hop that it comes back on; not in a mesh."""
    mac = scene.mac
    if mac is None or mac.source is None or mac.destination is None:
        return None
    if (mac.source, mac.destination) != (scene.link_source, scene.link_destination):
        return None
    pan = pan_of(mac)
    ends = (pan, mac.source), (pan, mac.destination)
    hop = memory.asked.entry(ends[::-1] if back else ends, AskedHop)
    if hop is not None:
        hop.expire(scene.time_s)
    return hop


@RECOVERY.rule("recoverable-fragments-failed", RfragAck)
def recoverable_acknowledged(memory: Recovery, scene: Scene, ack: RfragAck) -> Hits | None:
    """Compare an acknowledgement with what was sent; an abort of what is not whole here the reassembler tells."""
    asked = _hop_of(memory, scene, back=True)
    if asked is not None:
        asked.answer(ack.tag)
    key = FragmentKey.answered(scene.frame, ack)
    datagram = memory.datagrams.get(key)
    if datagram is None or datagram.is_over or datagram.is_cut:
        return None
    hop, number = hop_text(key.source, key.destination), scene.number
    if ack.aborted or ack.complete:
        datagram.is_over, datagram.is_received = True, ack.complete
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
    yield from memory.settle(known.timeout_s, at_end=True)
    for key, datagram in memory.datagrams.items():
        if not datagram.missing or not known.end_s - datagram.told_s > known.timeout_s:
            continue
        hop, sequences = (
            hop_text(key.source, key.destination),
            datagram.not_sent_again(known.timeout_s),
        )
        if not sequences:
            continue
        cause = "recoverable fragments that the receiver misses are not sent again"
        frames = (*(datagram.frames[one] for one in sequences), datagram.told)
        evidence = (f"tag {key.tag:#04x}: {_sequences(sequences)}",)
        yield Hit(cause, evidence, hop, frames, memory.severity(hop))

    yield from _unanswered(memory, known)


def _unanswered(memory: Recovery, known: Surroundings) -> Hits:
    """Judge each hop on which none is acknowledged, where the receiver's frame numbers leave no place for it."""
    for (sender, receiver), asked in memory.asked.items():
        asked.expire(known.end_s)
        by = known.senders.get(receiver)
        missed = [one for one in asked.missed if not one.may_have_gone_unheard(by)]
        if asked.answers or len(missed) < _FEW:
            continue
        tags = ", ".join(f"{one.tag:#04x}" for one in missed[:_MOST_TAGS])
        evidence = [f"tags {tags}", "the frame numbers of the receiver leave no place for one"]
        if asked.strays:
            strays = plural(asked.strays, "acknowledgement")
            evidence.append(f"{strays} under tags that none of these has")
        yield Hit(
            _UNANSWERED, tuple(evidence), f"{hop_text(sender[1], receiver[1])}: acknowledgements",
            tuple(one.number for one in missed), advice=_ANSWER, times=len(missed),
        )  # fmt: skip


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


CutDatagrams = Recent[FragmentKey, _Cut]


@FRAGMENTS.rule("fragmented-without-need", Rfrag)
def recoverable_without_need(memory: CutDatagrams, scene: Scene, header: Rfrag) -> Hits | None:
    """Put the frame together as it could have been, of fragments that are pieces of the compressed form."""
    payload = scene.payload or b""
    if header.abort or len(payload) < header.length + RFRAG.octets:
        return None
    tag = payload[-header.length - RFRAG.octets + 1]
    key = FragmentKey.of(scene.frame, header, tag)
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
    return (Hit(cause, evidence, hop_text(key.source, key.destination), frames),)


def _sequences(numbers: list[int]) -> str:
    return ("sequence " if len(numbers) == 1 else "sequences ") + ", ".join(map(str, numbers))
