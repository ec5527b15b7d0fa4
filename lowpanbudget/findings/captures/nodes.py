"""Nodes beside the others of their network: not heard by it, not of it, not protected, or gone."""

from lowpanbudget.capture.recent import Recent
from lowpanbudget.errors import plural
from lowpanbudget.findings.datagrams import HeardDatagram
from lowpanbudget.findings.finding import Hit
from lowpanbudget.findings.memory import FirstNamed, Frames
from lowpanbudget.findings.rule import Hits, Subject
from lowpanbudget.findings.scene import Scene, Surroundings
from lowpanbudget.findings.wording import link_text
from lowpanbudget.layers.link.mac import BROADCAST, FrameType, Mac
from lowpanbudget.layers.lowpan.addresses import LINK_LOCAL
from lowpanbudget.values import dataclass, field

NODES = Subject("nodes")

_FEW = 5  # frames from which a node that always does the same is told; our choice
_TIMES_MORE = 4  # how many times more frames the others of a network must have; our choice


# --- the PAN ---------------------------------------------------------------------------------------------


@dataclass(slots=True)
class _Traffic:
    """Data frames of a node in a PAN, the nodes that they go to (a few of them), and the first of them."""

    frames: int = 0
    to: set[bytes] = field(default_factory=set)
    first: Frames = field(default_factory=Frames)


_MOST_RECEIVERS = 8
TrafficOfNodes = FirstNamed[tuple[int, bytes], _Traffic]  # by PAN and link source


@NODES.rule("pan-beside-the-network", Mac, memory=FirstNamed)
def sent_in_pan(memory: TrafficOfNodes, scene: Scene, mac: Mac) -> None:
    """Count the frames of each node by the PAN that they go to."""
    pan = mac.source_pan if mac.destination_pan is None else mac.destination_pan
    if mac.frame_type != FrameType.DATA or pan is None or mac.source is None:
        return
    traffic = memory.get((pan, mac.source)) or memory.entry((pan, mac.source), _Traffic)
    if traffic is None:
        return
    traffic.frames += 1
    if len(traffic.first) < _FEW:
        traffic.first.note(scene.number)
    to = mac.destination
    if to is not None and to != BROADCAST and len(traffic.to) < _MOST_RECEIVERS:
        traffic.to.add(to)


@NODES.at_end("pan-beside-the-network")
def pan_beside_the_network(memory: TrafficOfNodes, _known: Surroundings) -> Hits:
    """Name the nodes that send in another PAN to those that are in the network's."""
    frames: dict[int, int] = {}
    for (pan, _), traffic in memory.items():
        frames[pan] = frames.get(pan, 0) + traffic.frames
    most = max(frames, key=lambda pan: frames[pan], default=0)
    for (pan, source), traffic in memory.items():
        if pan == most or frames[pan] * _TIMES_MORE > frames[most] or traffic.frames < 3:
            continue
        here = {to for to in traffic.to if (pan, to) in memory}
        there = sorted(to for to in traffic.to if (most, to) in memory)
        if there and not here:
            to = ", ".join(map(link_text, there))
            cause = (
                f"frames go to {to} in PAN {pan:#06x}; {to} and {frames[most]} frames of the network "
                f"are in PAN {most:#06x}"
            )
            sent = traffic.frames
            yield Hit(cause, (), link_text(source), tuple(traffic.first), times=sent)


# --- security --------------------------------------------------------------------------------------------


@dataclass(slots=True)
class _Protection:
    """Data frames of a node under link security and without, and the first of these."""

    sealed: int = 0
    bare: int = 0
    first: Frames = field(default_factory=Frames)


ProtectionOfNodes = FirstNamed[tuple[int | None, bytes], _Protection]  # by PAN and link source


@NODES.rule("unsecured-among-secured", Mac, memory=FirstNamed)
def sent_with_protection(memory: ProtectionOfNodes, scene: Scene, mac: Mac) -> None:
    """Count frames with and without link security; those that only cross a link come before a node has keys."""
    if mac.frame_type != FrameType.DATA or mac.source is None:
        return
    key = (mac.pan_id, mac.source)
    protection = memory.get(key) or memory.entry(key, _Protection)
    if protection is None:
        return
    if mac.security is not None and mac.security.level:
        protection.sealed += 1
    elif scene.header is None or scene.header.destination not in LINK_LOCAL.prefix:
        protection.bare += 1
        if len(protection.first) < _FEW:
            protection.first.note(scene.number)


@NODES.at_end("unsecured-among-secured")
def unsecured_among_secured(memory: ProtectionOfNodes, known: Surroundings) -> Hits:
    """Name the nodes that never secure a frame where the others of their PAN do; a design says who should."""
    if known.design is not None:
        return
    sealed: dict[int | None, int] = {}
    bare: dict[int | None, int] = {}
    nodes: dict[int | None, int] = {}
    for (pan, _), one in memory.items():
        sealed[pan] = sealed.get(pan, 0) + one.sealed
        bare[pan] = bare.get(pan, 0) + one.bare
        nodes[pan] = nodes.get(pan, 0) + bool(one.sealed)
    for (pan, source), one in memory.items():
        if one.sealed or one.bare < _FEW or nodes[pan] < 2:
            continue
        if sealed[pan] >= _TIMES_MORE * bare[pan]:
            cause = (
                f"no frame of this node has link security; {sealed[pan]} frames of "
                f"{nodes[pan]} others have"
            )
            yield Hit(cause, (), link_text(source), tuple(one.first), times=one.bare)


# --- the sequence number ---------------------------------------------------------------------------------


@dataclass(slots=True)
class _Numbered:
    """The last sequence number of a node, a mark of what it numbered, when, and for how many frames in a row."""

    sequence: int
    mark: int
    time_s: float
    number: int
    row: int = 1


_RESEALED_S = (
    1.0  # a try that is secured anew is other octets under the same number; tries end long before
)


@NODES.rule("sequence-number-stuck", Mac, memory=Recent)
def sequence_number_stuck(
    memory: Recent[tuple[int | None, bytes], _Numbered], scene: Scene, mac: Mac
) -> Hits | None:
    """Compare with the number of the frame before; retransmissions are not given to rules."""
    sequence, source = scene.sequence, mac.source
    if sequence is None or source is None or mac.frame_type > FrameType.DATA:
        return None
    if mac.frame_type == FrameType.BEACON:
        return None  # they have numbers of their own
    key = (mac.pan_id, source)
    last = memory.get(key)
    mark = hash(scene.octets if scene.payload is None else scene.payload)
    if last is None:
        memory[key] = _Numbered(sequence, mark, scene.time_s, scene.number)
        return None
    if last.sequence != sequence:
        last.sequence, last.row, last.number = sequence, 1, scene.number
        last.time_s, last.mark = scene.time_s, mark
        return None
    if mark == last.mark or (scene.payload is None and scene.time_s - last.time_s < _RESEALED_S):
        return None
    first, last.mark, last.time_s = last.number, mark, scene.time_s
    last.row += 1
    if last.row < _FEW:
        return None
    cause = f"frames of different contents follow each other under one sequence number, {sequence}"
    return (Hit(cause, (f"since frame {first}",), scene.sender, (first, scene.number)),)


# --- silence ---------------------------------------------------------------------------------------------


@dataclass(slots=True)
class _Rhythm:
    """When a node was heard last with something of its own, its longest silence, and how many were about as long."""

    last_s: float
    number: int
    longest_s: float = 0.0
    alike: int = 0

    def hear(self, time_s: float, number: int) -> None:
        """Take the next frame; a silence of twice the longest so far begins another rhythm."""
        gap = time_s - self.last_s
        if gap > 2 * self.longest_s:
            self.alike = 0
        if 2 * gap >= self.longest_s:
            self.alike += 1
        self.longest_s = max(self.longest_s, gap)
        self.last_s, self.number = time_s, number


class Rhythms(FirstNamed[bytes, _Rhythm]):
    """The rhythm of each node, by its link address; when anything was heard last."""

    end_s = 0.0

    def hear(self, link: bytes, scene: Scene) -> None:
        """Take a frame of a node."""
        now = scene.time_s
        self.end_s = max(self.end_s, now)
        rhythm = self.get(link)
        if rhythm is None:
            self.entry(link, lambda: _Rhythm(now, scene.number))
        else:
            rhythm.hear(now, scene.number)


_SILENCES = 4  # times the longest silence so far; our choice
_SLOW_S, _MANY = 5.0, 50  # a faster rhythm is that of a transfer, unless it lasts: our choice


@NODES.rule("node-fell-silent", HeardDatagram, memory=Rhythms)
def datagram_of_its_own(memory: Rhythms, scene: Scene, datagram: HeardDatagram) -> None:
    """Note what a node sends of its own: what it forwards ends when another node does."""
    link = datagram.link_source
    if link is not None and scene.passage is None and not scene.tunnelled:
        memory.hear(link, scene)


@NODES.rule("node-fell-silent", Mac)
def frame_unread(memory: Rhythms, scene: Scene, mac: Mac) -> None:
    """Note frames of which nobody can tell whose datagram they bring."""
    unread = scene.payload is None or scene.frame.fault is not None
    if unread and mac.frame_type == FrameType.DATA and mac.source is not None:
        memory.hear(mac.source, scene)


@NODES.at_end("node-fell-silent")
def node_fell_silent(memory: Rhythms, _known: Surroundings) -> Hits:
    """Compare the silence at the end with those before."""
    for link, rhythm in memory.items():
        silent_s = memory.end_s - rhythm.last_s
        least = _FEW if rhythm.longest_s >= _SLOW_S else _MANY
        if rhythm.alike >= least and silent_s > _SILENCES * rhythm.longest_s:
            cause = (
                f"{link_text(link)} was never silent for more than {rhythm.longest_s:.3g} s, and is "
                f"for the last {silent_s:.3g} s"
            )
            evidence = (f"{plural(rhythm.alike, 'silence')} about as long as the longest",)
            yield Hit(cause, evidence, link_text(link), (rhythm.number,))
