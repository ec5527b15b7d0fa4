"""Datagrams over several hops: whether they arrive, come round, or should not be there."""

from ipaddress import IPv6Address
from typing import Any

from lowpanbudget.bits import Reader
from lowpanbudget.cites import rfc
from lowpanbudget.env import IID_MASK, SHORT_IID, UNIVERSAL_LOCAL, interface_identifier, link_text
from lowpanbudget.errors import WireError, plural
from lowpanbudget.findings import concerns
from lowpanbudget.findings.datagrams import HeardDatagram, headers_frame
from lowpanbudget.findings.finding import Certainty, Hit, Severity
from lowpanbudget.findings.heard_headers import Ends
from lowpanbudget.findings.memory import FirstNamed, Frames
from lowpanbudget.findings.passages import HeardHop, Passage
from lowpanbudget.findings.rule import Hits, Subject
from lowpanbudget.findings.scene import Scene
from lowpanbudget.findings.senders import pan_of
from lowpanbudget.findings.surroundings import Surroundings
from lowpanbudget.layers.internet import icmpv6, ipv6
from lowpanbudget.layers.internet.icmpv6 import Icmpv6
from lowpanbudget.layers.internet.icmpv6_messages import (
    DestinationUnreachable,
    PacketTooBig,
    ParameterProblem,
    TimeExceeded,
)
from lowpanbudget.layers.link.mac import BROADCAST
from lowpanbudget.layers.lowpan.addresses import LINK_LOCAL
from lowpanbudget.layers.lowpan.lorh import SrhLorh
from lowpanbudget.values import dataclass, field

ROUTING = Subject("routing")
_ERRORS = (DestinationUnreachable, PacketTooBig, TimeExceeded, ParameterProblem)


def _hop_text(hop: HeardHop) -> str:
    return f"frame {hop.number}: {link_text(hop.source)} with hop limit {hop.hop_limit}"


@ROUTING.rule("datagram-in-a-loop", Passage, varies=True)
def datagram_in_a_loop(scene: Scene, passage: Passage) -> Hits | None:
    """Look for the node among those that sent the datagram before."""
    turn, now = passage.round, passage.now
    if scene.datagram is None or all(hop.source == now.source for hop in turn):
        return None
    names = [link_text(hop.source) for hop in turn]
    first = names.index(min(names))  # the same circle has one name, wherever it was seen to close
    circle = ", ".join([*names[first:], *names[:first]])
    cause = f"a datagram to {scene.datagram.destination} comes back to a node that sent it before"
    evidence = (f"{_hop_text(turn[0])}, {_hop_text(now)}",)
    return (Hit(cause, evidence, circle, (*(hop.number for hop in turn), now.number)),)


_FEW = 3  # datagrams whose hop limit a router lowers by more than one; our choice


@dataclass(slots=True)
class _Steps:
    """Datagrams of a flow whose hop limit a router lowers by more than one, each time by as much: ``by``.

    ``others`` were lowered by more or less than that, or came round in a loop, in which hops may go unheard.
    """

    by: int
    cause: str
    evidence: list[str] = field(default_factory=list)
    count: int = 0
    others: int = 0
    frames: Frames = field(default_factory=Frames)


# by router and ends
Steps = FirstNamed[tuple[bytes, Ends], _Steps]


@ROUTING.rule("hop-limit-not-lowered", Passage, memory=FirstNamed)
def hop_limit_not_lowered(memory: Steps, scene: Scene, passage: Passage) -> Hits | None:
    """Compare with the hop that brought the datagram to its sender."""
    before, now = passage.hops[-1], passage.now
    if before.destination != now.source or scene.datagram is None:
        return None
    step, name = before.hop_limit - now.hop_limit, link_text(now.source)
    evidence = f"{_hop_text(before)}, {_hop_text(now)}"
    frames = before.number, now.number
    if not step and not passage.round:
        cause = f"datagrams are forwarded with the hop limit that they came with, {now.hop_limit}"
        return (Hit(cause, (evidence,), name, frames),)
    key = now.source, scene.datagram.ends
    steps = memory.get(key)
    if steps is None and step > 1:
        cause = f"datagrams come with hop limit {before.hop_limit} and are forwarded with {now.hop_limit}"
        steps = memory.entry(key, lambda: _Steps(step, cause))
    if steps is None:
        return None
    if passage.round or step not in {1, steps.by}:
        steps.others += 1
    if passage.round or step != steps.by:
        return None
    steps.count += 1
    steps.frames.note(*frames)
    if len(steps.evidence) < _FEW:
        steps.evidence.append(evidence)
    return None


@ROUTING.at_end("hop-limit-not-lowered")
def hop_limit_lowered_by_more(memory: Steps, _known: Surroundings) -> Hits:
    """Tell who lowers it by more: "Decremented by 1 by each node that forwards the packet" (RFC 8200 section 3)."""
    for (router, _), steps in memory.items():
        if steps.count >= _FEW and not steps.others:
            name, frames = link_text(router), tuple(steps.frames)
            hit = Hit(steps.cause, tuple(steps.evidence), name, frames, Severity.RISK, _BY_ONE)
            yield hit._replace(times=steps.count)


_BY_ONE = (
    "Lower the hop limit by one and no more: look whether two parts of the router do so, as where it takes a datagram "
    "in and where it sends it out."
)


@ROUTING.rule("segments-left-not-lowered", Passage, varies=True)
def segments_left_not_lowered(scene: Scene, passage: Passage) -> Hits | None:
    """Compare with the hop that brought the datagram to its sender."""
    if not passage.keeps_segments:
        return None
    before, now = passage.hops[-1], passage.now
    came, advice, cite = f"{plural(before.left, 'segment')} of their route left", "", None
    sent, entries = str(now.left), _entries(scene)
    if entries:
        came = f"{entries + before.left - now.left} entries of their route in SRH-6LoRH"
        sent, advice, cite = str(entries), _POP, rfc(8138, "5.5")
    cause = f"datagrams come with {came} and are forwarded with {sent}"
    evidence = (f"{_route_text(before)}, {_route_text(now)}",)
    frames = before.number, now.number
    return (Hit(cause, evidence, link_text(now.source), frames, advice=advice, cite=cite),)


_POP = (
    "Let the router take the first entry, its own address, off the first SRH-6LoRH before it forwards, and lower Size "
    "by one; with its last entry that header goes, or the next one takes over what it left out."
)


def _entries(scene: Scene) -> int:
    """Return how many entries of a source route a datagram brought in SRH-6LoRH."""
    frame = headers_frame(scene.frame, scene.fragmented)
    layers = () if frame is None else frame.layers
    return sum(len(layer.hops) for layer in layers if isinstance(layer, SrhLorh))


def _route_text(hop: HeardHop) -> str:
    return f"frame {hop.number}: {link_text(hop.source)} to {hop.to}"


@ROUTING.rule("link-local-source-forwarded", Passage, varies=True)
def link_local_source_forwarded(scene: Scene, passage: Passage) -> Hits | None:
    """Look at the source of what a second node sends."""
    first, now = passage.hops[0], passage.now
    if scene.datagram is None or first.source == now.source:
        return None
    source = scene.datagram.header.source
    if source not in LINK_LOCAL.prefix:
        return None
    cause = f"datagrams from {source} go over more than one hop"
    evidence = (f"{_hop_text(first)}, {_hop_text(now)}",)
    return (Hit(cause, evidence, link_text(first.source), passage.numbers),)


@ROUTING.rule("hop-limit-runs-out", HeardDatagram, varies=True, concerns=concerns.last_hop)
def hop_limit_runs_out(scene: Scene, datagram: HeardDatagram) -> Hits | None:
    """Compare the destination of datagrams with hop limit 1 with the node that gets them."""
    header, link = datagram.outer, datagram.link_destination
    destination = header.destination
    if header.hop_limit > 1 or link in {None, BROADCAST}:
        return None
    if destination.is_multicast or destination in LINK_LOCAL.prefix:
        return None
    identifier = int(destination) & IID_MASK
    if identifier != interface_identifier(link) and _is_of_another(scene, identifier, link):
        cause = (
            f"datagrams to {destination} come to {link_text(link)} with hop limit "
            f"{header.hop_limit}, which must discard them"
        )
        hit = Hit(cause, (f"sent by {header.source}",), scene.sender, datagram.numbers)
        return (_by_its_source(hit, scene, header.source),)
    return None


def _by_its_source(hit: Hit, scene: Scene, source: IPv6Address) -> Hit:
    """Return what is told of a node that starts with so low a hop limit, where it was heard to: it is of that node."""
    first = None if scene.passage is None else scene.passage.hops[0]
    if first is None or scene.passage is None or scene.passage.round:
        return hit
    if first.hop_limit >= _LOW or int(source) & IID_MASK != interface_identifier(first.source):
        return hit
    told, name = f"it starts with hop limit {first.hop_limit}", link_text(first.source)
    evidence, frames = (*hit.evidence, told), (first.number, *hit.frames)
    return hit._replace(
        evidence=evidence, subject=name, frames=frames, advice=_HIGHER, certainty=Certainty.CAPTURE
    )


_LOW = (
    32  # below it no node starts by default: 64 is usual (common practice, no source); our choice
)
_HIGHER = "Let this node start with a hop limit above the depth of the network: 64 costs no octet."


def _is_of_another(scene: Scene, identifier: int, link: bytes) -> bool:
    """Return whether an identifier is made of the address of another node than ``link`` is.

    That is another short address, or the EUI-64 of a node that was heard. A node that is called by the one may have the
    other as well: "a node that is the destination of a packet should not discard" it (RFC 8200 section 3), so such two
    tell it only where the devices that are known say whose the short address is.
    """
    is_short, is_called_short = identifier >> 16 == SHORT_IID >> 16, len(link) == 2
    extended = (identifier ^ UNIVERSAL_LOCAL).to_bytes(8, "big")
    if is_short != is_called_short:
        short = (identifier & 0xFFFF).to_bytes(2, "big") if is_short else link
        owner = scene.extended_of(short)
        return owner is not None and owner != (link if is_short else extended)
    return is_short or (
        scene.mac is not None and (pan_of(scene.mac), extended) in scene.known.senders
    )


@ROUTING.rule("delivery-error-sent", HeardDatagram)
def delivery_error_sent(_scene: Scene, datagram: HeardDatagram) -> Hits | None:
    """Take the errors of ICMPv6, each where it is sent first."""
    message = next((one for one in datagram.layers if isinstance(one, Icmpv6)), None)
    if message is None or not isinstance(message.message, _ERRORS):
        return None
    source, link = datagram.header.source, datagram.link_source
    if link is not None and int(source) & IID_MASK != interface_identifier(link):
        return None  # on its way back
    kind = icmpv6.kind_of(message.type, message.code)
    code = "" if kind is None else kind.codes.get(message.code, "")
    what = f"{message.name}: {code}" if code and message.code in _telling(kind) else message.name
    cause = f"{source} could not pass datagrams on{_invoking(message.message)}: {what}"
    evidence = (f"ICMPv6 type {message.type}, code {message.code}",)
    return (Hit(cause, evidence, str(source), datagram.numbers),)


def _telling(kind: Any) -> frozenset[int]:
    """Return the codes of a message that say more than its type."""
    return frozenset(kind.codes) if kind is not None and len(kind.codes) > 1 else frozenset()


def _invoking(message: Any) -> str:
    """Return who sent the datagram that an error is about, and to whom; nothing where its header is not whole."""
    try:
        header = ipv6.decode(Reader(message.invoking))
    except WireError:
        return ""
    return f" from {header.source} to {header.destination}"
