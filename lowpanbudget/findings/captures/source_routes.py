"""Compressed source routes beside the links that they go over (RFC 8138)."""

from ipaddress import IPv6Address

from lowpanbudget.env import IID_MASK, link_of_identifier
from lowpanbudget.findings import concerns
from lowpanbudget.findings.datagrams import HeardDatagram, headers_frame
from lowpanbudget.findings.finding import Hit, Severity
from lowpanbudget.findings.memory import FirstNamed, Frames
from lowpanbudget.findings.rule import Hits, Subject
from lowpanbudget.findings.scene import Scene
from lowpanbudget.findings.senders import Station
from lowpanbudget.findings.surroundings import Surroundings
from lowpanbudget.findings.wording import hop_text
from lowpanbudget.layers.link.mac import BROADCAST
from lowpanbudget.layers.lowpan.lorh import SrhLorh
from lowpanbudget.values import dataclass, field

SOURCE_ROUTES = Subject("source-routes")

_FEW = 3  # datagrams over a hop whose receiver they do not name; our choice


@dataclass(slots=True)
class _Elsewhere:
    """Datagrams of a hop whose next node is another, and how many the receiver sent on with that still first."""

    named: IPv6Address
    count: int = 0
    kept: int = 0
    frames: Frames = field(default_factory=Frames)


# by sender, receiver and the node that stands first in the route
Elsewhere = FirstNamed[tuple[bytes, Station, Station], _Elsewhere]


@SOURCE_ROUTES.rule(
    "source-route-to-another-node", HeardDatagram, memory=FirstNamed, concerns=concerns.source_route
)
def routed(memory: Elsewhere, scene: Scene, datagram: HeardDatagram) -> None:
    """Compare the first entry with the link destination, where it is made of a link address of that length.

    A router that does not pop its own entry is told as that, and what comes behind it follows from it.
    """
    frame, passage = headers_frame(scene.frame, scene.fragmented), scene.passage
    source, receiver, pan = datagram.link_source, datagram.link_destination, datagram.pan_id
    if frame is None or not any(isinstance(one, SrhLorh) for one in frame.layers):
        return
    if source is None or receiver is None or receiver == BROADCAST:
        return
    if passage is not None and (passage.is_astray or passage.round or passage.in_mesh):
        return
    named = datagram.outer.destination
    link = link_of_identifier(int(named) & IID_MASK, len(receiver))
    if link is None:
        return
    if passage is not None and passage.hops[-1].to == named:
        before = memory.get((passage.hops[-1].source, (pan, source), (pan, link)))
        if before is not None:
            before.kept += 1
    if link == receiver:
        return
    told = memory.entry((source, (pan, receiver), (pan, link)), lambda: _Elsewhere(named))
    if told is not None:
        told.count += 1
        told.frames.note(*datagram.numbers)


@SOURCE_ROUTES.at_end("source-route-to-another-node")
def source_route_to_another_node(memory: Elsewhere, known: Surroundings) -> Hits:
    """Tell the hops of which both nodes were heard: the receiver sends on, and the other one is there.

    "If strict source routing is enforced and this router is not the segment endpoint for the packet, then this router
    MUST drop the packet" (RFC 8138 section 5.6). One that sends it on takes the route for loose.
    """
    for (source, receiver, other), told in memory.items():
        if told.count < _FEW or receiver not in known.senders or other not in known.senders:
            continue
        cause, severity = (
            "the first entry of SRH-6LoRH is another node than the one it is sent to",
            None,
        )
        if told.kept:
            cause, severity = f"{cause}, which sends it on as it is", Severity.REMARK
        hop = hop_text(source, receiver[1])
        evidence = (f"{hop}: {told.named} is to be next",)
        yield Hit(cause, evidence, hop, tuple(told.frames), severity, times=told.count)
