"""Datagrams in fragments that are late, lost, repeated or in each other's way."""

from typing import NamedTuple

from lowpanbudget.env import link_text
from lowpanbudget.errors import WireError
from lowpanbudget.findings import faults
from lowpanbudget.findings.captures.link import RETRY_S
from lowpanbudget.findings.captures.sizes import counts_compressed
from lowpanbudget.findings.datagrams import first_frame, hop_of, mesh_left_of, numbers_of
from lowpanbudget.findings.finding import Hit, Severity
from lowpanbudget.findings.loss_causes import why_alone
from lowpanbudget.findings.losses import MOST_SENDERS
from lowpanbudget.findings.meetings import Meetings
from lowpanbudget.findings.memory import FirstNamed
from lowpanbudget.findings.rule import Hits, Noticed, Subject
from lowpanbudget.findings.scene import Scene
from lowpanbudget.findings.senders import HeardSender, pan_of, strangers
from lowpanbudget.findings.surroundings import Surroundings
from lowpanbudget.findings.wording import hop_text, octets_text, seconds_text, senders_text
from lowpanbudget.layers.lowpan.fragment import EndBeyond, OffsetBeyond
from lowpanbudget.stack.pieces import Fate, FragmentArrival, FragmentedDatagram, SentFragment

REASSEMBLY = Subject("reassembly")
_COUNT_ON = (
    "Let each fragment begin where the one before it ended, counted in octets of the datagram before compression, and "
    "divide that by 8."
)
_MOST_NUMBERS = 12


@REASSEMBLY.rule("fragments-too-slow", FragmentArrival, varies=True)
def fragments_too_slow(scene: Scene, arrival: FragmentArrival) -> Hits | None:
    """Compare the time from first to last with the limit, as soon as it is passed."""
    late, datagram, limit = arrival.fragment, arrival.datagram, scene.known.timeout_s
    if len(datagram.fragments) < 2:
        return None
    waited = late.time_s - datagram.fragments[0].time_s
    if waited > limit:
        cause = f"a fragment comes {waited:.1f} s after the first, receivers wait {limit:g} s"
        return (Hit(cause, (str(datagram),), hop_of(datagram), numbers_of(datagram)),)
    return None


@REASSEMBLY.rule("fragments-unfinished", FragmentArrival, varies=True)
def fragments_begin(scene: Scene, arrival: FragmentArrival) -> None:
    """Count the datagrams of each hop, whether their headers can be read or not."""
    mac, by = scene.mac, None
    # what asks for no acknowledgement is sent once: the air may have lost it to all
    if mac is not None and mac.source is not None and mac.ack_request:
        by = scene.known.senders.entry((pan_of(mac), mac.source), HeardSender)
    losses, datagram = scene.known.losses, arrival.datagram
    losses.take(arrival, by)
    if scene.is_replayed and len(datagram.fragments) == 1:
        losses.explain((datagram.key.source, datagram.key.destination), datagram.key.tag)


@REASSEMBLY.rule("fragments-unfinished", FragmentedDatagram)
def fragments_end(scene: Scene, datagram: FragmentedDatagram) -> None:
    """Count what became of each datagram."""
    scene.known.losses.end(datagram)


@REASSEMBLY.rule("fragments-unfinished", WireError)
def fragment_faulty(scene: Scene, fault: WireError) -> None:
    """Leave out datagrams with a fragment that cannot be placed."""
    if isinstance(fault.about, OffsetBeyond | EndBeyond):
        hop = scene.link_source, scene.link_destination
        scene.known.losses.explain(hop, faults.tag_of(scene.payload))


@REASSEMBLY.at_end("fragments-unfinished")
def fragments_unfinished(known: Surroundings) -> Hits:
    """Judge each hop; what is open at the end of the capture is no more than a remark, what is a flood told as such."""
    beside = {(one.pan, one.source) for one in strangers(known.senders, known.acknowledged)}
    for (source, destination), ends in known.losses.hops.items():
        if (ends.pan, source) in beside:
            continue  # nobody takes what it sends in its PAN, which is told
        ends.leave_out_what_is_none()
        flooded = known.losses.is_flooded(destination)
        alone, alone_lost = (ends.alone, ends.alone_lost) if flooded else (0, 0)
        begun, still = ends.begun - alone, ends.begun - ends.ended - (alone - alone_lost)
        count = begun - ends.whole
        if not count:
            continue
        ends.name_open()
        why, advice = why_alone(ends)
        notes = (
            (0 if flooded else ends.alone, f"of {ends.alone} only one fragment was seen{why}"),
            (still, f"{still} still open when the capture ends"),
            (0 if flooded else ends.given_up, _for_room(ends.given_up)),
            (
                ends.unheard,
                f"not counted: {ends.unheard} of which frames came by unheard, by the numbers of their sender",
            ),
        )
        evidence = tuple(text for number, text in notes if number > 0)
        if ends.missing and not flooded:
            evidence += tuple(ends.missing)
        cause = f"{count} of {begun} datagrams in fragments were not completed"
        lost = ends.lost + ends.given_up - alone_lost
        heavy = lost >= 3 and lost * 10 > begun
        severity = Severity.RISK if heavy else Severity.REMARK
        frames = ends.others if flooded else sorted([*ends.numbers, *ends.others])[:_MOST_NUMBERS]
        advice = "" if flooded or 2 * ends.alone < count else advice
        hop = hop_text(source, destination)
        yield Hit(cause, evidence, hop, tuple(frames), severity, advice, times=count)


def _for_room(count: int) -> str:
    return f"{count} given up for room: more were open than are followed"


@REASSEMBLY.at_end("fragments-flood")
def fragments_flood(known: Surroundings) -> Hits:
    """Judge each receiver."""
    for receiver, flood in known.losses.receivers.items():
        if not flood.is_flood:
            continue
        most = f"{flood.most} or more" if flood.given_up else f"up to {flood.most}"
        cause = (
            f"{flood.alone} of {flood.begun} datagrams to {link_text(receiver)} were begun and never "
            f"went on, {most} at once"
        )
        senders = senders_text(flood.senders, MOST_SENDERS)
        evidence = [f"from {senders} in {seconds_text(flood.last_s - flood.first_s)}"]
        if flood.given_up:
            evidence.append(_for_room(flood.given_up))
        frames, name = tuple(flood.numbers), link_text(receiver)
        yield Hit(cause, tuple(evidence), name, frames, times=flood.alone)


@REASSEMBLY.rule("fragment-repeated", FragmentArrival, varies=True, least=3)
def fragment_repeated(scene: Scene, arrival: FragmentArrival) -> Hits | None:
    """Take repeats; one at once, under a new number, is told as a frame that its sender counts as new.

    That is one whose acknowledgement was not heard. Behind an acknowledgement nothing is left to be tried again. What a
    mesh below IPv6 passes on comes once on each hop, under the same two ends.
    """
    if not arrival.repeated or scene.sighting.copied is not None:
        return None
    if mesh_left_of(scene.frame) is not None:
        return None
    again, datagram, _ = arrival
    last = datagram.fragments[-1]
    hit = _repeated(datagram, again)
    if again.start == last.start and 0 <= again.time_s - last.time_s <= RETRY_S:
        if scene.mac is None or not scene.mac.ack_request:
            return None
        subject, frames = f"{hit.subject}: acknowledged", (last.mark.number, scene.number)
        hit = Hit(_ACKNOWLEDGED, hit.evidence, subject, frames, Severity.WASTE, _SENT_ON)
    return (hit,)


_ACKNOWLEDGED = "fragments are sent again at once under a new number, though an acknowledgement of the first was heard"
_SENT_ON = (
    "Let the sender wait for the acknowledgement as long as the PHY takes, and send what is tried again under the same "
    "number, which the receiver knows. Look also whether a fragment stays in its queue when it was sent."
)


@REASSEMBLY.rule("fragment-repeated", FragmentedDatagram, varies=True, least=3)
def fragments_copied(_scene: Scene, datagram: FragmentedDatagram) -> Hits | None:
    """Take late copies that begin with a first fragment: only what follows tells that nothing was sent anew."""
    first = first_frame(datagram) if datagram.is_copy else None
    if first is None or mesh_left_of(first) is not None:
        return None
    return [_repeated(datagram, again, (again.mark.number,)) for again in datagram.fragments]


def _repeated(
    datagram: FragmentedDatagram, again: SentFragment, frames: tuple[int, ...] = ()
) -> Hit:
    evidence = (f"{datagram}, octets {again.start} to {again.end - 1}",)
    cause = "fragments are repeated octet range by octet range"
    return Hit(cause, evidence, hop_of(datagram), frames)


@REASSEMBLY.rule("fragments-overlap", FragmentedDatagram, varies=True)
def fragments_overlap(_scene: Scene, datagram: FragmentedDatagram) -> Hits | None:
    """Take datagrams that ended so, unless offsets count compressed octets: that has its own finding."""
    if datagram.fate is not Fate.OVERLAPPING:
        return None
    if counts_compressed(datagram):
        return None
    ranges = ", ".join(f"{one.start}-{one.end - 1}" for one in datagram.fragments[-3:])
    evidence = [f"{datagram}: {ranges}"]
    shift = _shifted(datagram)
    if shift is not None:
        cause = "the offset of a fragment is wrong: a hole and an overlap beside it have one length"
        evidence.append(shift.text)
        numbers = (shift.fragment.mark.number,)
        return (Hit(cause, tuple(evidence), hop_of(datagram), numbers, advice=_COUNT_ON),)
    cause = "octet ranges of one datagram overlap"
    return (Hit(cause, tuple(evidence), hop_of(datagram), numbers_of(datagram)),)


@REASSEMBLY.rule("offsets-count-otherwise", FragmentedDatagram, varies=True)
def offsets_count_otherwise(_scene: Scene, datagram: FragmentedDatagram) -> Hits | None:
    """Take those that fit where what RPL added is counted in another form."""
    count = datagram.counted
    if count is not None:
        first, second, *_ = datagram.fragments
        evidence = f"{datagram}: 0-{first.end - 1}, {second.start}-{second.end - 1}"
        cause = f"fragments follow each other where {count.text}"
        return (Hit(cause, (evidence,), hop_of(datagram), numbers_of(datagram)[:2]),)
    return None


class _Shift(NamedTuple):
    """A fragment that stands elsewhere than its neighbours leave room for it, behind the one ``before`` it."""

    before: SentFragment
    fragment: SentFragment

    @property
    def text(self) -> str:
        """Return in words how far it is off, and how one can see that."""
        start, ends = self.fragment.start, self.before.end
        off = octets_text(abs(start - ends))
        return f"one begins {off} {'behind' if start > ends else 'before'} octet {ends}, where that before it ended"


def _shifted(datagram: FragmentedDatagram) -> _Shift | None:
    """Return the one fragment that is said to begin elsewhere than it does; None without one, or where it is not alone.

    Behind it the next begins where it would have ended; or it is the last, and the lengths of all make up the size.
    """
    parts = datagram.fragments
    wrong = [n for n in range(1, len(parts)) if parts[n].start != parts[n - 1].end]
    if not wrong or parts[0].start or datagram.follows:
        return None
    at = wrong[0]
    shift = parts[at].start - parts[at - 1].end
    if at + 1 < len(parts):
        is_alone = wrong[1:] == [at + 1] and parts[at + 1].start == parts[at].end - shift
    else:
        is_alone = sum(part.end - part.start for part in parts) == datagram.size
    return _Shift(parts[at - 1], parts[at]) if is_alone else None


OF_TWO = Noticed("fragments-of-two")
_TAKEN = "a tag is used for another datagram while one under it is not whole"


@REASSEMBLY.rule("tag-used-again", OF_TWO, varies=True)
def put_together_of_two(_scene: Scene, datagram: FragmentedDatagram) -> Hits:
    """Take datagrams with a wrong checksum that took the place of another, or whose first fragment came last."""
    if datagram.follows:
        both = "fragments of both make up one, whose checksum is wrong"
        # the one whose place it took is counted
        yield Hit(_TAKEN, (str(datagram), both), hop_of(datagram), numbers_of(datagram), times=0)
        return
    *before, last = datagram.fragments
    gap = last.time_s - before[-1].time_s
    cause = "fragments of two datagrams under one tag make up one, whose checksum is wrong"
    evidence = (f"{datagram}: its first fragment comes {seconds_text(gap)} after the others",)
    yield Hit(cause, evidence, hop_of(datagram), numbers_of(datagram))


@REASSEMBLY.rule("tag-used-again", FragmentedDatagram, varies=True)
def tag_used_again(_scene: Scene, datagram: FragmentedDatagram) -> Hits | None:
    """Take datagrams under whose tag another began."""
    if datagram.fate is Fate.REPLACED and not datagram.is_copy:
        times = 0 if datagram.is_rest else 1
        return (Hit(_TAKEN, (str(datagram),), hop_of(datagram), numbers_of(datagram), times=times),)
    return None


class _Tagged(NamedTuple):
    """How many datagrams in a row a sender began under one tag, the first of them, and what the last began with."""

    tag: int
    row: int
    first: int
    digest: int


# by the hop; recoverable fragments have tags of 8 bits, which nothing says how to choose
Tagged = FirstNamed[tuple[bytes | None, bytes | None], _Tagged]
_MANY_ALIKE = 5  # datagrams under one tag: by chance none, and another node may count from anywhere; our choice


@REASSEMBLY.rule("tag-never-changes", FragmentArrival, memory=FirstNamed)
def tag_never_changes(memory: Tagged, scene: Scene, arrival: FragmentArrival) -> Hits | None:
    """Compare the tags of datagrams that begin one after the other; what is sent again begins alike."""
    first, key = arrival.fragment, arrival.datagram.key
    if not first.first or arrival.repeated or key.size is None or key.source is None:
        return None
    hop = key.source, key.destination
    now = _Tagged(key.tag, 1, scene.number, first.digest)
    before = memory.entry(hop, lambda: now)
    if before is None or before is now or before.digest == first.digest:
        return None
    if before.tag == key.tag:
        now = now._replace(row=before.row + 1, first=before.first)
    memory[hop] = now
    if now.row < _MANY_ALIKE:
        return None
    cause = f"datagrams in fragments follow each other under one tag, {key.tag:#06x}"
    evidence = (f"since frame {now.first}",)
    return (Hit(cause, evidence, hop_of(arrival.datagram), (now.first, scene.number)),)


@REASSEMBLY.at_end("fragments-meet")
def fragments_meet(known: Surroundings) -> Hits:
    """Judge each receiver by the hops to it; what is lost in a flood is told with it."""
    by_receiver: dict[bytes | None, list[Meetings]] = {}
    for (_, receiver), hop in known.losses.hops.items():
        if hop.meetings.matter and not known.losses.is_flooded(receiver):
            by_receiver.setdefault(receiver, []).append(hop.meetings)
    for receiver, meetings in by_receiver.items():
        name, lost = link_text(receiver), sum(one.lost_met for one in meetings)
        cause = (
            f"{lost} datagrams to {name} were not completed while others were open, "
            f"up to {max(one.most for one in meetings)} at once"
        )
        frames = sorted(number for one in meetings for number in one.numbers)[:_MOST_NUMBERS]
        severity = Severity.RISK if lost >= 3 else Severity.REMARK
        yield Hit(cause, (), name, tuple(frames), severity)
