"""Frames that ask for an acknowledgement, whether one comes, and whether it accepts them."""

from collections.abc import Iterator

from lowpanbudget.capture.follow.parts import REPEAT_NS
from lowpanbudget.capture.follow.repeats import ACK_WITHIN_NS
from lowpanbudget.deployment.links_seen import most_tries
from lowpanbudget.env import link_text
from lowpanbudget.errors import plural
from lowpanbudget.findings.corrections import Corrections, Uncorrected, Untimed, limits_of
from lowpanbudget.findings.finding import Hit, Severity
from lowpanbudget.findings.memory import FirstNamed, Frames
from lowpanbudget.findings.rule import Hits, Subject
from lowpanbudget.findings.scene import Scene
from lowpanbudget.findings.senders import Refusal, Station, pan_of, strangers
from lowpanbudget.findings.surroundings import Surroundings
from lowpanbudget.findings.wording import hop_text
from lowpanbudget.layers.link.mac import FrameType, Mac
from lowpanbudget.values import dataclass, field

ACKNOWLEDGEMENTS = Subject("acknowledgements", across=True)

_RETRY_S = REPEAT_NS / 10**9
_WAIT_S = ACK_WITHIN_NS / 1e9
_FEW = 3  # frames that tell
_HEARD = 0.05  # share of frames that ask: where fewer are answered noise may have answered
_ALL = 5  # frames of which none was acknowledged, from which that tells
_NEARLY_ALL = (
    0.9  # of the frames given up, in a row while the receiver was gone: that is why; our choice
)
_GONE = (
    "Look why {name} was gone, its supply first: no filter and no key explains that it sent nothing. "
    "See that the nodes behind it find another parent."
)
_SHOWN, _MOST_GIVEN_UP = 12, 256  # frames of a hop that are named, and remembered
_CHANCE = 0.01  # that all their acknowledgements were missed here, from which nobody is blamed; our choice


@dataclass(slots=True)
class _Asked:
    """Frames of a hop that asked, those that got no acknowledgement, and of these those that were tried again.

    ``receiver``: in which PAN, and who. A frame without an acknowledgement is ``given_up`` after ``tries_each``; who
    stops before that had one, which was not heard here. ``row`` of them were the last, since frame ``since``;
    ``longest`` is the longest such row, with its first and last frame. ``often`` of them were tried ``most_tries``
    times. The last frame is still open: its ``sequence``, how often it was tried, whether it was acknowledged, accepted
    or not. ``refusals`` are tries that were not accepted, ``refused`` frames that never were, ``refusing`` the
    acknowledgements that say so; ``corrections`` are those of the sender's clock that acknowledgements bring,
    ``corrected`` how many do, ``uncorrected`` how many do not and are of a form that could.
    """

    receiver: Station
    tries_each: int
    frames: int = 0
    unanswered: int = 0
    repeated: int = 0
    given_up: int = 0
    row: int = 0
    since: int = 0
    longest: tuple[int, int, int] = (0, 0, 0)
    most_tries: int = 0
    often: int = 0
    first: Frames = field(default_factory=Frames)
    first_given_up: Frames = field(default_factory=Frames)
    refusals: int = 0
    refused: int = 0
    refusing: Frames = field(default_factory=Frames)
    sequence: int | None = None
    tries: int = 0
    answered: bool = False
    accepted: bool = False
    time_s: float = 0.0
    number: int = 0
    corrections: Corrections | None = None
    corrected: int = 0
    uncorrected: int = 0
    first_uncorrected: Frames = field(default_factory=Frames)

    def ask(self, scene: Scene) -> None:
        """Take a frame: another try of the last, or the next."""
        now, sequence = scene.time_s, scene.sequence
        if sequence == self.sequence and not now - self.time_s > _RETRY_S and self.tries:
            self.tries += 1
        else:
            self.close()
            self.frames += 1
            self.sequence, self.tries, self.number = sequence, 1, scene.number
            self.answered = self.accepted = False
        self.time_s = now

    def close(self) -> None:
        """Count what became of the last frame."""
        if self.tries and not self.answered:
            self.unanswered += 1
            self.repeated += self.tries > 1
            if self.tries > self.most_tries:
                self.most_tries, self.often = self.tries, 0
            self.often += self.tries == self.most_tries
            self.first.note(self.number)
            if self.tries >= self.tries_each:
                self.given_up, self.row = self.given_up + 1, self.row + 1
                self.since = self.number if self.row == 1 else self.since
                if self.row >= self.longest[0]:
                    self.longest = self.row, self.since, self.number
                self.first_given_up.note(self.number, most=_MOST_GIVEN_UP)
        elif self.tries:
            self.refused += not self.accepted
            self.row = 0
        self.tries = 0


@dataclass(slots=True)
class Asking:
    """Frames that asked, by PAN, sender and receiver; how many acknowledgements were heard, up to a few."""

    hops: FirstNamed[tuple[int | None, bytes, bytes], _Asked] = field(default_factory=FirstNamed)
    given: int = 0
    last: dict[int | None, _Asked] = field(default_factory=dict)  # by sequence number

    def acknowledge(self, scene: Scene, *, refuses: bool) -> Station | None:
        """Take an acknowledgement: of the last frame with that number. Return who gave it."""
        asked = self.last.pop(scene.sequence, None)
        if asked is None or asked.sequence != scene.sequence:
            return None
        if scene.time_s - asked.time_s > _WAIT_S:
            return None
        asked.answered = True
        asked.accepted |= not refuses
        if refuses:
            asked.refusals += 1
            asked.refusing.note(scene.number)
        self.given += 1
        mac = scene.mac
        if mac is None or not mac.later:
            return asked.receiver
        told = [one for one in mac.header_ies if "time_correction" in one.fields]
        for element in told:
            asked.corrections = asked.corrections or Corrections(limits_of(scene.known.design))
            asked.corrections.take(element.fields["time_correction"], scene.time_s, scene.number)
            asked.corrected += 1
        if not told:
            asked.uncorrected += 1
            asked.first_uncorrected.note(scene.number)
        return asked.receiver


@ACKNOWLEDGEMENTS.rule("frames-not-acknowledged", Scene, memory=Asking)
def frame_asks(memory: Asking, scene: Scene, _frame: Scene) -> None:
    """Note who asks, and who answers; all tries are looked at."""
    mac = scene.frame.mac
    if mac is None or scene.fcs_ok is False:
        return
    if mac.frame_type == FrameType.ACKNOWLEDGEMENT:
        giver = memory.acknowledge(scene, refuses=mac.refuses)
        if giver is not None:
            scene.known.acknowledged.note(giver, scene.time_s)
            sender = scene.known.senders.get(giver)
            if sender is not None:
                sender.acknowledge(scene.time_s, scene.number)
    elif mac.ack_request:
        asked = scene.entries.asked or _asked(memory, scene, mac)
        if asked is not None:
            asked.ask(scene)
            memory.last[scene.sequence] = asked


def _asked(memory: Asking, scene: Scene, mac: Mac) -> _Asked | None:
    """Return what is noted of the hop of a frame."""
    if mac.source is None or mac.destination is None:
        return None
    receiver = pan_of(mac), mac.destination
    hop = receiver[0], mac.source, mac.destination
    asked = memory.hops.entry(hop, lambda: _Asked(receiver, most_tries(scene.known.design)))
    scene.entries.asked = asked
    return asked


@ACKNOWLEDGEMENTS.at_end("frames-not-acknowledged")
def frames_not_acknowledged(memory: Asking, known: Surroundings) -> Hits:
    """Judge each hop, where this receiver hears acknowledgements at all; a PAN beside the network's says why itself."""
    for (pan, source, _), asked in memory.hops.items():
        asked.close()
        if asked.repeated >= _FEW:
            known.insistent.add((pan, source))
        if asked.refusals:
            known.refusals.append(_refusal(source, asked))
        corrections = asked.corrections
        if corrections is not None and (corrections.told or corrections.far):
            of = source, asked.receiver
            guard_us = corrections.limits.guard_us
            known.uncorrected.append(Uncorrected(*of, corrections.told, corrections.far, guard_us))
    known.uncorrected += _untimed(memory)
    asking = sum(asked.frames for _, asked in memory.hops.items())
    if memory.given < max(_FEW, asking * _HEARD):  # noise answers some frames as well
        return
    beside = {(one.pan, one.source) for one in strangers(known.senders, known.acknowledged)}
    to: dict[Station, list[_Asked]] = {}
    for asked in memory.hops.values():
        to.setdefault(asked.receiver, []).append(asked)
    for (pan, source, destination), asked in memory.hops.items():
        if (pan, source) in beside:
            continue
        name, count, total = link_text(destination), asked.unanswered, asked.frames
        gives = asked.receiver in known.acknowledged
        losses = known.of(pan).losses
        ends = losses.hops.get((source, destination)) if gives else None
        if ends is not None:
            ends.meetings.leave_out(asked.first_given_up)
        tries = f"tried up to {asked.most_tries} times" if asked.repeated else "tried once each"
        hop, frames = hop_text(source, destination), tuple(asked.first)
        network = known.home.network(pan)
        all_alike = asked.most_tries > 1 and asked.often == total
        used_up = asked.given_up * 2 > total or all_alike
        by_chance = _unanswered(to[asked.receiver]) ** total
        # of last tries as many acknowledgements may have been missed here as of others, and no more
        proved = asked.given_up - (count - asked.given_up)
        if count == total and total >= _ALL and (used_up or (gives and by_chance < _CHANCE)):
            cause = f"none of {total} frames was acknowledged, {tries}"
            evidence = (f"{name} acknowledges frames of others",) if gives else ()
            severity = Severity.FAILURE
            yield Hit(cause, evidence, hop, frames, severity, times=count, network=network)
        elif gives and proved >= _FEW:
            cause = f"{asked.given_up} of {total} frames were never acknowledged, {tries}"
            severity = Severity.RISK if proved * 10 > total else Severity.REMARK
            frames = tuple(asked.first_given_up[:_SHOWN])
            in_row, first, last = asked.longest
            receiver = known.senders.get(asked.receiver)
            gone = receiver is not None and receiver.was_gone(first, last)
            alone: tuple[str, ...] = ()
            advice = ""
            if gone and in_row >= _NEARLY_ALL * asked.given_up:
                alone = (f"{in_row} of them while nothing was heard of {name}",)
                advice = _GONE.format(name=name)
            times = asked.given_up
            yield Hit(cause, alone, hop, frames, severity, advice, times=times, network=network)


def _untimed(memory: Asking) -> Iterator[Untimed]:
    """Yield whose acknowledgements bring no time correction, in a PAN where most others do."""
    for (pan, source, _), asked in memory.hops.items():
        if asked.uncorrected < _ALL or asked.corrected:
            continue
        others = [one for (of, *_), one in memory.hops.items() if of == pan and one is not asked]
        timed = sum(one.corrected for one in others)
        if timed >= _ALL and timed > sum(one.uncorrected for one in others):
            first = tuple(asked.first_uncorrected)
            yield Untimed(source, asked.receiver, asked.uncorrected, timed, first)


def _unanswered(hops: list[_Asked]) -> float:
    """Return the share of the frames of several hops that were not acknowledged, as heard here."""
    return sum(one.unanswered for one in hops) / sum(one.frames for one in hops)


def _refusal(source: bytes, asked: _Asked) -> Refusal:
    tries, frames = asked.refusals, tuple(asked.refusing)
    return Refusal(source, asked.receiver, tries, asked.frames, asked.refused, frames)


@ACKNOWLEDGEMENTS.at_end("frames-refused")
def frames_refused(known: Surroundings) -> Hits:
    """Judge each hop by the frames that were never accepted; what was at another try is a remark."""
    for one in known.refusals:
        pan, receiver = one.receiver
        name, network = link_text(receiver), known.home.network(pan)
        cause = (
            f"{name} received {one.lost} of {plural(one.asked, 'frame')} and never accepted them"
        )
        often = one.lost >= _FEW and one.lost * 10 > one.asked
        severity = Severity.RISK if often else Severity.REMARK
        if not one.lost:
            cause = f"{name} accepted each of {plural(one.asked, 'frame')} in the end"
        elif one.lost == one.asked >= _ALL:
            cause = f"{name} received {one.asked} frames and accepted none"
            severity = Severity.FAILURE
        evidence = (f"{plural(one.tries, 'acknowledgement')} with nack = 1: not accepted",)
        hop = hop_text(one.sender, receiver)
        yield Hit(cause, evidence, hop, one.first, severity, times=one.tries, network=network)


@ACKNOWLEDGEMENTS.at_end("time-corrections-grow")
def time_corrections_grow(known: Surroundings) -> Hits:
    """Tell whose clock is corrected further and further, or as far as ever, and does not follow."""
    for one in known.uncorrected:
        if isinstance(one, Untimed):
            continue
        pan, receiver = one.receiver
        name, network = link_text(receiver), known.home.network(pan)
        row, how = one.grown, "further and further"
        if row is None:
            row, how = one.far, f"by more than the {one.guard_us:g} µs that a receiver waits"
        if row is None:
            continue
        cause = f"{name} corrects the clock of this node {how}, and it does not follow"
        first, last = row.frames
        evidence = f"from {row.first_us} to {row.last_us} µs in frames {first} to {last}"
        sender = link_text(one.sender)
        yield Hit(cause, (evidence,), sender, row.frames, times=row.times, network=network)


@ACKNOWLEDGEMENTS.at_end("acknowledgements-without-time")
def acknowledgements_without_time(known: Surroundings) -> Hits:
    """Tell who is not corrected where others are."""
    for one in known.uncorrected:
        if isinstance(one, Untimed):
            pan, receiver = one.receiver
            hop, network = hop_text(one.sender, receiver), known.home.network(pan)
            cause = f"none of {one.times} acknowledgements of {link_text(receiver)} has a time correction"
            beside = f"{one.timed} acknowledgements between others of the network have one"
            yield Hit(cause, (beside,), hop, one.first, times=one.times, network=network)
