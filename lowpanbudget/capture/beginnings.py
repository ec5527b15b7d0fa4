"""What a fragment tells of the datagram that it is a part of: which one that is, and from the first one whose."""

from typing import NamedTuple

from lowpanbudget.capture.crossings import Crossing, in_mesh, through_tunnel, with_border
from lowpanbudget.capture.ends import at_ends
from lowpanbudget.capture.files.link_types import FRAME
from lowpanbudget.capture.follow.flows import FlowKey, flow_of, upper_of
from lowpanbudget.capture.follow.matching import Matcher
from lowpanbudget.capture.follow.sighting import Sighting
from lowpanbudget.layers.internet import ipv6, udp
from lowpanbudget.layers.link.mac import BROADCAST, Mac
from lowpanbudget.layers.lowpan.mesh import Mesh
from lowpanbudget.layers.lowpan.recovery import Rfrag
from lowpanbudget.stack.fragment_key import FragmentKey
from lowpanbudget.stack.pieces import Fate, FragmentedDatagram


class Piece(NamedTuple):
    """A part of a datagram to one node, which comes for the first time.

    ``begins`` is what a first part tells of all of it, as far as it goes. ``is_whole``: all of it is here now;
    ``is_over``: nothing more of it is to come. Parts of one datagram have one ``key``, and ``of`` is one object; both
    are None where tags alone tell.
    """

    begins: Crossing | None
    is_whole: bool
    key: FragmentKey | None = None
    of: FragmentedDatagram | None = None
    is_over: bool = False


def piece_of(sighting: Sighting, matcher: Matcher | None) -> Piece | None:
    """Return the part of a datagram that a frame brings; None for other frames, and for parts that came before.

    ``matcher`` finds its flow in a design.
    """
    template, payload = sighting.template, sighting.payload
    if template is None or payload is None or sighting.body.kind != FRAME:
        return None
    mac, part = template.example.mac, template.example.fragment
    if mac is None or part is None or mac.destination == BROADCAST:
        return None
    if sighting.repeats is not None or sighting.damaged or sighting.cut:
        return None
    is_whole = sighting.datagram is not None
    if isinstance(part, Rfrag):
        return Piece(front_of(sighting, matcher), is_whole)
    arrival = sighting.arrival
    if arrival is None or arrival.datagram.is_copy:
        return None
    begins, datagram = front_of(sighting, matcher), arrival.datagram
    return Piece(begins, is_whole, datagram.key, datagram, datagram.fate is not Fate.OPEN)


def front_of(sighting: Sighting, matcher: Matcher | None) -> Crossing | None:
    """Return what a first part tells of its datagram; None of others, and where that is not read."""
    template, payload = sighting.template, sighting.payload
    if template is None or payload is None or template.example.mac is None:
        return None
    mac, part = template.example.mac, template.example.fragment
    if part is None or not part.first:
        return None
    if isinstance(part, Rfrag):
        return _begins_compressed(sighting, mac, part, matcher)
    front = template.build(payload)
    return None if not front else _begins(sighting, mac, front, part.size, template.flow, matcher)


def _begins_compressed(
    sighting: Sighting, mac: Mac, part: Rfrag, matcher: Matcher | None
) -> Crossing | None:
    """Return what the first recoverable fragment tells, which has a part of the compressed form and its size."""
    frame = sighting.frame if part.first else None
    if frame is None or part.size is None:
        return None
    octets = frame.fragment_octets
    datagram = sighting.decoder.lowpan(octets, frame.link_source, frame.link_destination).datagram
    if datagram is None:
        return None
    size = part.size - len(octets) + len(datagram.octets)
    return _begins(sighting, mac, datagram.octets, size, flow_of(datagram.octets), matcher)


def _begins(
    sighting: Sighting,
    mac: Mac,
    front: bytes,
    size: int,
    flow: FlowKey | None,
    matcher: Matcher | None,
) -> Crossing | None:
    """Return what the front of a datagram tells; None where it ends before it tells whose it is."""
    place = upper_of(front)
    if place is None or place.hidden or flow is None:
        return None
    is_udp = place.kind == ipv6.UDP
    if is_udp and flow.source_port is None:
        return None
    devices = sighting.decoder.devices
    crossing = Crossing(
        flow,
        0,
        ipv6.header_of(front).hop_limit,
        *at_ends(sighting, place, mac, devices),
        max(size - place.offset - udp.OCTETS, 0) if is_udp else 0,
        (sighting.number,),
        size=size,
    )
    if place.offset >= 2 * ipv6.OCTETS:
        links = sighting.source, sighting.destination
        crossing = through_tunnel(crossing, front, place, links, mac, devices)
    planned = [] if matcher is None else matcher.with_ports(flow)
    if len(planned) == 1:
        crossing = with_border(crossing, planned[0], sighting)
        crossing = crossing._replace(flow_name=planned[0].name, down=planned[0].direction == "down")
    mesh = None if sighting.example is None else sighting.example.packet.find(Mesh)
    return crossing if mesh is None else in_mesh(crossing, mesh, mac, devices)
