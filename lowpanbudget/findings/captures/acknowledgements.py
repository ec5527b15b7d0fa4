"""Frames that ask for an acknowledgement, whether one comes, and whether it accepts them."""

from collections.abc import Iterator

from lowpanbudget.deployment.links_seen import most_tries
from lowpanbudget.env import link_text
from lowpanbudget.errors import plural
from lowpanbudget.findings.asking import AskedOnHop, Asking
from lowpanbudget.findings.corrections import Uncorrected, Untimed
from lowpanbudget.findings.finding import Hit, Severity
from lowpanbudget.findings.rule import Hits, Subject
from lowpanbudget.findings.scene import Scene
from lowpanbudget.findings.senders import Refusal, Station, pan_of, strangers
from lowpanbudget.findings.surroundings import Surroundings
from lowpanbudget.findings.wording import hop_text
from lowpanbudget.layers.link.mac import FrameType, Mac

ACKNOWLEDGEMENTS = Subject("acknowledgements", across=True)

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
_SHOWN = 12  # frames of a hop that are named
_CHANCE = 0.01  # that all their acknowledgements were missed here, from which nobody is blamed; our choice
_SELDOM = (
    1e-4  # the chance that more are missed here of frames tried often than of others; our choice
)


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


def _asked(memory: Asking, scene: Scene, mac: Mac) -> AskedOnHop | None:
    """Return what is noted of the hop of a frame."""
    if mac.source is None or mac.destination is None:
        return None
    receiver = pan_of(mac), mac.destination
    hop = receiver[0], mac.source, mac.destination
    asked = memory.hops.entry(hop, lambda: AskedOnHop(receiver, most_tries(scene.known.design)))
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
    to: dict[Station, list[AskedOnHop]] = {}
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
            ends.in_vain = frozenset(asked.first_given_up)
            ends.unanswered = frozenset(asked.first) if count <= len(asked.first) else None
        tries = f"tried up to {asked.most_tries} times" if asked.repeated else "tried once each"
        hop, frames = hop_text(source, destination), tuple(asked.first)
        network = known.home.network(pan)
        all_alike = asked.most_tries > 1 and asked.often == total
        used_up = asked.given_up * 2 > total or all_alike
        by_chance = _unanswered(to[asked.receiver]) ** total
        # of last tries as many acknowledgements may have been missed here as of others, and no more
        proved = asked.given_up - (count - asked.given_up)
        surplus = asked.surplus if gives else 0
        if count == total and total >= _ALL and (used_up or (gives and by_chance < _CHANCE)):
            cause = f"none of {total} frames was acknowledged, {tries}"
            evidence = (f"{name} acknowledges frames of others",) if gives else ()
            severity = Severity.FAILURE
            yield Hit(cause, evidence, hop, frames, severity, times=count, network=network)
        elif count == total == asked.given_up >= _FEW:
            # so few, but each with all its tries: their sender has heard nothing
            cause = f"none of {total} frames was acknowledged, {tries}"
            yield Hit(cause, (), hop, frames, Severity.RISK, times=count, network=network)
        elif gives and max(proved, surplus) >= _FEW:
            alone: tuple[str, ...] = ()
            times, most = asked.given_up, ""
            if proved < _FEW:
                times, most, alone = surplus, " or more", (asked.missed_here,)
            cause = f"{times}{most} of {total} frames were never acknowledged, {tries}"
            severity = Severity.RISK if max(proved, surplus) * 10 > total else Severity.REMARK
            frames = tuple((asked.first_given_up or asked.first)[:_SHOWN])
            in_row, first, last = asked.longest
            receiver = known.senders.get(asked.receiver)
            gone = receiver is not None and receiver.was_gone(first, last)
            advice = ""
            if gone and in_row >= max(_NEARLY_ALL * times, 1):
                alone += (f"{in_row} of them while nothing was heard of {name}",)
                advice = _GONE.format(name=name)
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


def _unanswered(hops: list[AskedOnHop]) -> float:
    """Return the share of the frames of several hops that were not acknowledged, as heard here."""
    return sum(one.unanswered for one in hops) / sum(one.frames for one in hops)


def _refusal(source: bytes, asked: AskedOnHop) -> Refusal:
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
