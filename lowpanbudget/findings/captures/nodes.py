"""Nodes beside the others of their network: not heard by it, not of it, not protected, or gone."""

from lowpanbudget.errors import plural
from lowpanbudget.findings.datagrams import HeardDatagram
from lowpanbudget.findings.finding import Hit
from lowpanbudget.findings.rule import Hits, Subject
from lowpanbudget.findings.scene import Scene, Surroundings
from lowpanbudget.findings.senders import MOST_RECEIVERS, SHOWN, HeardSender
from lowpanbudget.findings.wording import link_text, seconds_text
from lowpanbudget.layers.link.mac import FrameType, Mac
from lowpanbudget.layers.lowpan.addresses import LINK_LOCAL

NODES = Subject("nodes")

_FEW = 5  # frames from which a node that always does the same is told; our choice
_TIMES_MORE = 4  # how many times more frames the others of a network must have; our choice


_RESEALED_S = (
    1.0  # a try that is secured anew is other octets under the same number; tries end long before
)


@NODES.rule("sequence-number-stuck", Mac, varies=True)
def data_frame_sent(scene: Scene, mac: Mac) -> Hits | None:
    """Note what a node sends, and compare with its number before; retransmissions are not given to rules."""
    source, senders = mac.source, scene.known.senders
    if mac.frame_type != FrameType.DATA or source is None:
        return None
    pan = mac.source_pan if mac.destination_pan is None else mac.destination_pan
    sender = senders.get((pan, source)) or senders.entry((pan, source), HeardSender)
    if sender is None:
        return None
    sender.frames += 1
    if sender.frames <= SHOWN:
        sender.first.note(scene.number)
    to = mac.destination
    if to is not None and to not in sender.to and len(sender.to) < MOST_RECEIVERS:
        sender.to.add(to)
    if mac.security is not None and mac.security.level:
        sender.sealed += 1
    elif scene.header is None or scene.header.destination not in LINK_LOCAL.prefix:
        # what only crosses a link comes before a node has keys
        sender.bare += 1
        if sender.bare <= SHOWN:
            sender.first_bare.note(scene.number)
    scene.by = sender
    if scene.payload is None or scene.frame.fault is not None:
        scene.known.unread += 1
        sender.hear(scene.time_s, scene.number)  # nobody can tell whose datagram it brings
    return _numbered(sender, scene)


def _numbered(sender: HeardSender, scene: Scene) -> Hits | None:
    """Note the number of a frame; say so when it has been the same for several frames of other contents."""
    sequence, sealed = scene.sequence, scene.payload is None
    if sequence != sender.sequence or sequence is None:
        sender.sequence, sender.row, sender.mark, sender.since = sequence, 1, 0, scene.number
        sender.time_s = scene.time_s
        return None
    mark = hash(scene.octets if sealed else scene.payload)
    if mark == sender.mark or (sealed and scene.time_s - sender.time_s < _RESEALED_S):
        return None
    sender.mark, sender.time_s = mark, scene.time_s
    sender.row += 1
    if sender.row < _FEW:
        return None
    cause = f"frames of different contents follow each other under one sequence number, {sequence}"
    evidence = (f"since frame {sender.since}",)
    return (Hit(cause, evidence, scene.sender, (sender.since, scene.number)),)


@NODES.at_end("pan-beside-the-network")
def pan_beside_the_network(known: Surroundings) -> Hits:
    """Name the nodes that send in another PAN to those that are in the network's."""
    frames: dict[int | None, int] = {}
    for (pan, _), sender in known.senders.items():
        frames[pan] = frames.get(pan, 0) + sender.frames
    most = max(frames, key=lambda pan: frames[pan], default=None)
    for (pan, source), sender in known.senders.items():
        if pan == most or pan is None or most is None or sender.frames < 3:
            continue
        if frames[pan] * _TIMES_MORE > frames[most]:
            continue
        here = {to for to in sender.to if (pan, to) in known.senders}
        there = sorted(to for to in sender.to if (most, to) in known.senders)
        if there and not here:
            to = ", ".join(map(link_text, there))
            cause = (
                f"frames go to {to} in PAN {pan:#06x}; {to} and {frames[most]} frames of the network "
                f"are in PAN {most:#06x}"
            )
            sent = sender.frames
            yield Hit(cause, (), link_text(source), tuple(sender.first), times=sent)


@NODES.at_end("unsecured-among-secured")
def unsecured_among_secured(known: Surroundings) -> Hits:
    """Name the nodes that never secure a frame where the others of their PAN do; a design says who should."""
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
        if one.sealed or one.bare < _FEW or nodes[pan] < 2:
            continue
        if sealed[pan] >= _TIMES_MORE * bare[pan]:
            cause = (
                f"no frame of this node has link security; {sealed[pan]} frames of "
                f"{nodes[pan]} others have"
            )
            yield Hit(cause, (), link_text(source), tuple(one.first_bare), times=one.bare)


_SILENCES = 4  # times the longest silence so far; our choice
_SLOW_S, _MANY = 5.0, 50  # a faster rhythm is that of a transfer, unless it lasts: our choice


@NODES.rule("node-fell-silent", HeardDatagram, varies=True)
def datagram_of_its_own(scene: Scene, _datagram: HeardDatagram) -> None:
    """Note when a node sends of its own: what it forwards ends when another node does."""
    if scene.by is not None and scene.passage is None and not scene.tunnelled:
        scene.by.hear(scene.time_s, scene.number)


@NODES.at_end("node-fell-silent")
def node_fell_silent(known: Surroundings) -> Hits:
    """Compare the silence at the end with those before."""
    for (_, link), rhythm in known.senders.items():
        silent_s = known.end_s - rhythm.heard_s
        least = _FEW if rhythm.longest_s >= _SLOW_S else _MANY
        if rhythm.alike >= least and silent_s > _SILENCES * rhythm.longest_s:
            cause = (
                f"{link_text(link)} was never silent for more than {seconds_text(rhythm.longest_s)}, and is "
                f"for the last {seconds_text(silent_s)}"
            )
            evidence = (f"{plural(rhythm.alike, 'silence')} about as long as the longest",)
            yield Hit(cause, evidence, link_text(link), (rhythm.heard,))
