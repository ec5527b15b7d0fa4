"""Nodes beside the others of their network: not heard by it, not of it, not protected, or gone."""

from itertools import chain, pairwise
from operator import attrgetter

from lowpanbudget.env import link_text
from lowpanbudget.errors import plural
from lowpanbudget.findings import concerns
from lowpanbudget.findings.datagrams import HeardDatagram
from lowpanbudget.findings.finding import Hit, Severity
from lowpanbudget.findings.levels import LevelUses, lower_levels, usual_level
from lowpanbudget.findings.node_rhythms import BrokenRhythm, note_silence, rhythms
from lowpanbudget.findings.origins import Beginnings, is_of_link, learn_origin, origin_of, seeks
from lowpanbudget.findings.rule import Hits, Subject
from lowpanbudget.findings.same_numbers import told_by_number
from lowpanbudget.findings.scene import Scene
from lowpanbudget.findings.senders import (
    MOST_RECEIVERS,
    SHOWN,
    TIMES_MORE,
    HeardSender,
    pan_of,
    strangers,
)
from lowpanbudget.findings.silences import SILENCES, at_once, needed
from lowpanbudget.findings.surroundings import Surroundings
from lowpanbudget.findings.unheard import surely_unsent
from lowpanbudget.findings.wording import seconds_text
from lowpanbudget.layers.link.auxiliary import LEVELS
from lowpanbudget.layers.link.mac import BROADCAST, FrameType, Mac
from lowpanbudget.layers.link.stations import network_text
from lowpanbudget.layers.lowpan.addresses import LINK_LOCAL
from lowpanbudget.layers.lowpan.iphc import Iphc

NODES = Subject("nodes", across=True)

_SHOWN_ALIKE = 4  # addresses
_FEW = 5  # frames from which a node that always does the same is told; our choice


def _data_sender(scene: Scene, mac: Mac) -> HeardSender | None:
    """Return what is noted of who sends data; of a node that is known another frame is noted at once."""
    source, senders = mac.source, scene.known.senders
    if source is None:
        return None
    station = pan_of(mac), source
    if mac.frame_type == FrameType.DATA:
        scene.entries.sender = sender = senders.entry(station, HeardSender)
        return sender
    sender = senders.get(station)
    if sender is not None and mac.frame_type == FrameType.COMMAND:
        sender.count(scene.sequence, scene.number, scene.time_s)
    elif sender is not None:
        # a beacon, which has numbers of its own (IEEE 802.15.4-2006 7.2.2.1.1, from memory): it is there
        sender.seen_s, sender.shown = scene.time_s, scene.number
    return None


@NODES.rule("sequence-number-stuck", Mac, varies=True)
def data_frame_sent(scene: Scene, mac: Mac) -> Hits | None:
    """Note what a node sends, and compare with its number before; retransmissions are not given to rules."""
    sender = scene.entries.sender or _data_sender(scene, mac)
    if sender is None:
        return None
    sender.frames += 1
    if not scene.is_replayed:  # its number is an old one
        sender.count(scene.sequence, scene.number, scene.time_s)
    if sender.frames <= SHOWN:
        sender.first.note(scene.number)
    to = mac.destination
    if to is not None and to not in sender.to and len(sender.to) < MOST_RECEIVERS:
        sender.to.add(to)
    if mac.security is not None and mac.security.level:
        if not scene.is_forged:
            sender.sealed += 1
            sender.levels.seal(mac.security, to, scene.number)
    elif scene.header is None or not LINK_LOCAL.covers(scene.header.destination):
        # what only crosses a link comes before a node has keys
        sender.bare += 1
        if sender.bare <= SHOWN:
            sender.first_bare.note(scene.number)
    scene.by = sender
    if scene.payload is None or scene.frame.fault is not None:
        scene.known.unread += 1
        sender.hear(scene.time_s, scene.number)  # nobody can tell whose datagram it brings
    return told_by_number(sender, scene)


def _take_turns(nodes: list[tuple[int, HeardSender]]) -> bool:
    """Return whether one of these sent while another did: one that moves away and back leaves numbers out meanwhile."""
    senders = sorted((sender for _, sender in nodes), key=lambda one: one.first[0])
    return any(
        any(not one.was_away(number) for number in other.first) for one, other in pairwise(senders)
    )


@NODES.at_end("short-addresses-in-two-pans")
def short_addresses_in_two_pans(known: Surroundings) -> Hits:
    """Name the short addresses that send in several PANs: nodes of two networks, of which much is told together."""
    pans: dict[bytes, list[tuple[int, HeardSender]]] = {}
    beside = {(one.pan, one.source) for one in strangers(known.senders, known.acknowledged)}
    for (pan, source), sender in known.senders.items():
        told = len(source) == 2 and sender.frames >= _FEW and (pan, source) not in beside
        if pan is not None and told:
            pans.setdefault(source, []).append((pan, sender))
    alike = {source: nodes for source, nodes in pans.items() if _take_turns(nodes)}
    if not alike:
        return
    networks = sorted({pan for nodes in alike.values() for pan, _ in nodes})
    names = " and ".join(network_text(pan) for pan in networks)
    cause = f"nodes of PAN {names} have the same short addresses"
    evidence = (", ".join(link_text(source) for source in sorted(alike)[:_SHOWN_ALIKE]),)
    frames = sorted(next(iter(sender.first)) for nodes in alike.values() for _, sender in nodes)
    yield Hit(cause, evidence, f"PAN {names}", tuple(frames), times=len(alike))


@NODES.at_end("pan-beside-the-network")
def pan_beside_the_network(known: Surroundings) -> Hits:
    """Name the nodes that send in another PAN than those they send to."""
    for one in strangers(known.senders, known.acknowledged):
        to = ", ".join(map(link_text, one.to))
        cause = (
            f"frames go to {to} in PAN {one.pan:#06x}; {to} and {one.frames} frames of the network "
            f"are in PAN {one.most:#06x}"
        )
        givers = [link_text(to) for to in one.to if (one.most, to) in known.acknowledged]
        evidence, severity = [], None
        if givers:
            evidence = [
                f"{', '.join(givers)} acknowledges frames in PAN {one.most:#06x}, none in PAN {one.pan:#06x}"
            ]
        if one.others and (one.pan, one.source) not in known.insistent:
            severity = Severity.RISK
            evidence.append(
                f"{plural(one.others + 1, 'node')} of that PAN, and no tries again: {to} of a network of its "
                "own, too far away to be heard, would look the same"
            )
        sender = one.sender
        name, frames = link_text(one.source), tuple(sender.first)
        yield Hit(cause, tuple(evidence), name, frames, severity, times=sender.frames)


@NODES.at_end("unsecured-among-secured")
def unsecured_among_secured(known: Surroundings) -> Hits:
    """Name the nodes that never, or not always, secure what the others of their PAN do; a design says who should."""
    if known.design is not None:
        return
    sealed: dict[int | None, int] = {}
    bare: dict[int | None, int] = {}
    nodes: dict[int | None, int] = {}
    for (pan, _), one in known.senders.items():
        sealed[pan] = sealed.get(pan, 0) + one.sealed
        bare[pan] = bare.get(pan, 0) + one.bare
        nodes[pan] = nodes.get(pan, 0) + bool(one.sealed)
    for (pan, source), one in known.senders.items():
        name, frames, network = link_text(source), tuple(one.first_bare), known.home.network(pan)
        if one.sealed and one.bare >= _FEW and nodes[pan] > 1:
            cause = f"{one.bare} frames of this node have no link security, and {one.sealed} have"
            yield Hit(cause, (), name, frames, times=one.bare, network=network)
        if one.sealed or one.bare < _FEW or nodes[pan] < 2:
            continue
        if sealed[pan] >= TIMES_MORE * bare[pan]:
            cause = (
                f"no frame of this node has link security; {sealed[pan]} frames of "
                f"{nodes[pan]} others have"
            )
            yield Hit(cause, (), name, frames, times=one.bare, network=network)


@NODES.at_end("secured-less-than-others")
def secured_less_than_others(known: Surroundings) -> Hits:
    """Name the few of a PAN whose data frames lack what the level gives that most use; a design says which it is."""
    if known.design is not None:
        return
    networks: dict[int | None, dict[bytes, LevelUses]] = {}
    for (pan, source), one in known.senders.items():
        networks.setdefault(pan, {})[source] = one.levels
    for pan, nodes in networks.items():
        network = known.home.network(pan)
        usual = usual_level(nodes)
        name = LEVELS[usual.level].name
        others = f"{plural(usual.frames, 'frame')} of {plural(usual.nodes, 'node')} have level {usual.level} ({name})"
        for level, few in lower_levels(nodes, usual.level).items():
            frames = sum(use.frames for use in few.values())
            if 2 * len(few) > usual.nodes or TIMES_MORE * frames > usual.frames:
                continue
            for source, use in few.items():
                if use.frames >= _FEW:
                    cause = f"{plural(use.frames, 'data frame')} of this node have level {level} ({LEVELS[level].name})"
                    who, first = link_text(source), (use.first,)
                    yield Hit(cause, (others,), who, first, times=use.frames, network=network)


_LONG = (
    20  # silences alike: who is there still had a rhythm, and not a task that is done; our choice
)


@NODES.rule("node-fell-silent", HeardDatagram, memory=Beginnings)
def datagram_of_its_own(memory: Beginnings, scene: Scene, datagram: HeardDatagram) -> None:
    """Note when a node sends of its own: what it forwards is of another node, and what it answers ends with that."""
    headers, header, passage = datagram.headers, datagram.headers.header, scene.passage
    if scene.by is None or passage is not None:
        if passage is not None:
            learn_origin(scene, header, passage)
        return
    origin = scene.by if headers.is_of_sender else origin_of(scene, header)
    # in a tunnel it is of its own where the one who made that sends it
    if origin is scene.by and scene.tunnelled and datagram.outer.source != header.source:
        return
    if origin is None or (headers.link_destination == BROADCAST and seeks(datagram)):
        return
    is_noted = headers.is_of_link and datagram.fragments > 1
    if not is_noted and memory.begins(*headers.ends, scene.time_s):
        if origin.pause is not None:
            note_silence(scene, origin)
        origin.hear(scene.time_s, scene.number)
    origin.made_s = scene.time_s


@NODES.rule("node-fell-silent", Iphc, memory=Beginnings, concerns=concerns.part)
def first_fragment_of_its_own(memory: Beginnings, scene: Scene, packed: Iphc) -> None:
    """Note when a node begins a datagram in fragments from its own address, be the rest of it heard or not."""
    by, header = scene.by, packed.header
    if by is None or scene.datagram is not None or not is_of_link(header, scene.link_source):
        return
    if memory.begins(int(header.source), int(header.destination), scene.time_s):
        note_silence(scene, by)
        by.hear(scene.time_s, scene.number)


_ONE_CAUSE = (
    "Look at what they have in common before the battery of each: a supply, a router that all are behind, a key or a "
    "channel that changed. Or the receiver of the capture was moved."
)


@NODES.at_end("node-fell-silent")
def node_fell_silent(_memory: Beginnings, known: Surroundings) -> Hits:
    """Compare the silence at the end with those before."""
    networks: dict[str, list[BrokenRhythm]] = {}  # nodes of one may have one cause
    for one in rhythms(known):
        if one.silent_s > one.least_s:
            networks.setdefault(one.network, []).append(one)
    keys = attrgetter("silent_s"), attrgetter("rhythm.longest_s")
    for group in chain.from_iterable(at_once(silent, *keys) for silent in networks.values()):
        shortest_s = group[0].silent_s
        longest = seconds_text(max(one.rhythm.longest_s for one in group))
        last, within = seconds_text(shortest_s), seconds_text(group[-1].silent_s - shortest_s)
        for one in group:
            link, rhythm = one.link, one.rhythm
            cause = f"{link_text(link)} was never silent for more than {longest}, and is for the last {last}"
            if len(group) > 1:
                before = f"before, none was for more than {longest}"
                cause = (
                    f"{len(group)} nodes fell silent within {within}, for the last {last}; {before}"
                )
            advice, evidence = _ONE_CAUSE if len(group) > 1 else "", (one.silences,)
            name, frames = link_text(link), (rhythm.heard,)
            yield Hit(cause, evidence, name, frames, advice=advice, network=one.network)


@NODES.at_end("node-was-silent")
def node_was_silent(known: Surroundings) -> Hits:
    """Tell the longest silence of a node behind which it went on as before, and what its numbers say of it."""
    for (pan, link), rhythm in known.senders.items():
        silence = rhythm.silent
        if silence is None:
            continue
        cause = (
            f"{link_text(link)} was never silent for more than {seconds_text(silence.rhythm_s)}, then was for "
            f"{seconds_text(silence.seconds)}, and goes on as before"
        )
        times = f"{rhythm.silences} such silences" if rhythm.silences > 1 else ""
        evidence = tuple(filter(None, (_numbers_say(silence.missing), times)))
        frames, network = (silence.before, silence.after), known.home.network(pan)
        yield Hit(cause, evidence, link_text(link), frames, times=rhythm.silences, network=network)


def _numbers_say(missing: int | None) -> str:
    if missing is None:
        return ""
    if not missing:
        return "its sequence number went on by one: it sent nothing meanwhile"
    return f"{plural(missing, 'sequence number')} missing meanwhile: it sent unheard, or began anew"


@NODES.at_end("node-reports-no-more")
def node_reports_no_more(known: Surroundings) -> Hits:
    """Tell of nodes that are there, and had sent datagrams of their own for long."""
    for link, rhythm, quiet_s, silent_s, least_s, network in rhythms(known):
        if rhythm.stopped:
            continue  # the design says which flow of it stopped
        if surely_unsent(rhythm, rhythm.heard_s, known.end_s, rhythm.longest_s) < SILENCES:
            continue  # it came by unheard
        if silent_s <= least_s and rhythm.alike >= max(_LONG, needed(rhythm.longest_s)):
            cause = (
                f"{link_text(link)} sent a datagram of its own at least every {seconds_text(rhythm.longest_s)}, and "
                f"none for the last {seconds_text(quiet_s)}"
            )
            evidence = (
                f"it still acknowledges, polls or forwards, {seconds_text(silent_s)} before the end",
            )
            yield Hit(cause, evidence, link_text(link), (rhythm.heard,), network=network)
