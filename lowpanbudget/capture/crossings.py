"""What a frame says about the network that carried it: who sent it when, and the datagram that crossed a link with it.

Here headers become numbers and addresses; what is concluded from them (``deployment``) knows no protocol.
"""

from decimal import Decimal
from functools import lru_cache
from ipaddress import IPv6Address
from typing import NamedTuple

from lowpanbudget.capture.ends import NodeNames, at_ends, is_of, node_of
from lowpanbudget.capture.files.link_types import FRAME
from lowpanbudget.capture.follow.flows import FlowKey, mark_of, upper_of
from lowpanbudget.capture.follow.matching import Matched
from lowpanbudget.capture.follow.sighting import Sighting
from lowpanbudget.capture.recovery_parts import RecoveryPart, recovery_part
from lowpanbudget.capture.sums_read import is_sum_right
from lowpanbudget.capture.tally_place import application_octets, is_empty_message
from lowpanbudget.design.flow import Flow
from lowpanbudget.layers.internet import chain, ipv6
from lowpanbudget.layers.link.mac import BROADCAST, FrameType, Mac
from lowpanbudget.layers.link.nonces import Devices
from lowpanbudget.layers.lowpan.mesh import Mesh
from lowpanbudget.layers.lowpan.recovery import Rfrag, RfragAck
from lowpanbudget.payload.kinds.instant import Time
from lowpanbudget.payload.kinds.sequence import Sequence
from lowpanbudget.stack.decoder import Decoder
from lowpanbudget.stack.frame import Frame

Links = tuple[bytes | None, bytes | None]  # source and destination
HopsLeft = tuple[int, int, int]

STRIPPED_FCS = 2  # octets of a check sequence that was on the air, and that the receiver took off


class Crossing(NamedTuple):
    """A datagram on one link.

    ``mark`` stands for what stays the same on its way, ``size`` are its octets. ``at_origin``: its link sender is who
    sent the datagram; ``at_end``: its link receiver is who it is for. Where that is in another network, it is who put
    the datagram into its tunnel, or takes it out. In one ``hop_limit`` is that of the outer header, and
    ``inner_limit`` of the next one. ``mesh_left`` are the hops left in a mesh below IPv6. ``flow_name``, whether it
    goes ``down``, and ``message`` are the design's. ``own_number`` is the message's own sequence number, which wraps at
    ``modulus``; ``written_s`` the time that the message gives for itself, in seconds from 1970, in steps of ``step_s``.
    All of these are None where nothing tells. ``unread`` is why no format of the flow reads its data, ``unprotected``
    the protection of its flow that it goes without, ``otherwise`` another one that it has instead. ``sum_right``:
    whether its UDP checksum is right as read here. ``runs_out``: who gets it must not forward it, and it is for another
    node, which the frame itself names where it ``goes_on``.
    """

    flow: FlowKey
    mark: int
    hop_limit: int
    at_origin: bool
    at_end: bool
    application: int
    numbers: tuple[int, ...]
    flow_name: str | None = None
    down: bool = False
    message: str | None = None
    own_number: int | None = None
    modulus: int | None = None
    written_s: float | None = None
    step_s: float | None = None
    unread: str = ""
    unprotected: str = ""
    otherwise: str = ""
    size: int = 0
    inner_limit: int | None = None
    mesh_left: int | None = None
    sum_right: bool | None = None
    runs_out: bool = False
    goes_on: bool = False

    @property
    def left(self) -> HopsLeft:
        """Return what falls from hop to hop: hop limits, the inner one where a tunnel begins, the outer, then the mesh.

        "the IPv6 original header hop limit is decremented" by who makes a tunnel (RFC 2473 section 3.1). A mesh below
        IPv6 lowers "Hops Left" alone (RFC 4944 section 5.2).
        """
        inner = self.hop_limit if self.inner_limit is None else self.inner_limit
        return inner, self.hop_limit, self.mesh_left or 0


class HeardFrame(NamedTuple):
    """One frame on the air.

    ``sender`` and ``receiver`` are link addresses of the hop, None where it names none; ``carried`` are the addresses
    in their place that the frame itself has. ``octets`` are those on the air, check sequence included. ``asks`` for an
    acknowledgement, ``answers``: it is one, which ``refuses`` what was received and not accepted. ``sealed``: nobody
    here reads it. ``repeats`` is the number of the frame that it says again. ``numbered``: its ``sequence`` counts its
    sender's frames. ``recovery``: what it brings of a datagram in recoverable fragments. ``counter`` is the frame
    counter of its security, under a ``key`` that is told apart from others: both stand in the clear. ``to_all``: it
    goes to every node that hears it.
    """

    number: int
    time_ns: int | None
    sender: bytes | None
    receiver: bytes | None
    octets: int
    sequence: int | None
    numbered: bool
    asks: bool
    answers: bool
    sealed: bool
    repeats: int | None
    copies: int | None
    damaged: bool
    crossing: Crossing | None
    refuses: bool = False
    carried: Links = (None, None)
    recovery: RecoveryPart | None = None
    counter: int | None = None
    key: object = None
    to_all: bool = False


class _HeaderFacts(NamedTuple):
    """What holds for all frames that are alike, while the devices are those of a decoder."""

    decoder: Decoder
    sender: bytes | None
    receiver: bytes | None
    numbered: bool
    asks: bool
    answers: bool
    refuses: bool
    to_all: bool
    carried: Links
    recovers: Rfrag | RfragAck | None
    key: object
    mesh: Mesh | None


def heard_frame(sighting: Sighting, names: NodeNames) -> HeardFrame | None:
    """Return what a sighting tells of the air, with these ``names`` of nodes; None for a record that holds no frame."""
    template = sighting.template
    mac = None if template is None else template.example.mac
    if template is None or sighting.body.kind != FRAME or mac is None or mac.fault is not None:
        return None
    facts = template.facts.get(names)
    if not isinstance(facts, _HeaderFacts) or facts.decoder is not sighting.decoder:
        facts = _header_facts(mac, template.example, sighting.decoder, names)
        template.facts[names] = facts
    return HeardFrame(
        sighting.number,
        sighting.record.time_ns,
        facts.sender,
        facts.receiver,
        len(sighting.octets) + (0 if sighting.fcs_octets else STRIPPED_FCS),
        sighting.sequence,
        facts.numbered,
        facts.asks,
        facts.answers,
        sighting.payload is None,
        sighting.repeats,
        sighting.copies,
        sighting.fcs_ok is False,
        None if facts.to_all else _crossing(sighting, mac, sighting.decoder.devices, facts.mesh),
        facts.refuses,
        facts.carried,
        None if facts.recovers is None else recovery_part(facts.recovers, facts.mesh, sighting),
        sighting.frame_counter,
        facts.key,
        facts.to_all,
    )


def _header_facts(mac: Mac, example: Frame, decoder: Decoder, names: NodeNames) -> _HeaderFacts:
    to_all = mac.destination == BROADCAST
    recovers = (one for one in example.layers if isinstance(one, Rfrag | RfragAck))
    security = mac.security
    return _HeaderFacts(
        decoder,
        names.of(mac.source, mac, decoder.devices),
        names.of(mac.destination, mac, decoder.devices),
        mac.frame_type in _NUMBERED and mac.source is not None,
        bool(mac.ack_request) and not to_all,
        mac.frame_type == FrameType.ACKNOWLEDGEMENT,
        mac.refuses,
        to_all,
        (mac.source, mac.destination),
        next(recovers, None),
        security and (security.key_id_mode, security.key_source, security.key_index),
        next((one for one in example.layers if isinstance(one, Mesh)), None),
    )


_OUTSIDE = "outside"  # the role of a station that the network does not reach by its own links
_NUMBERED = {FrameType.DATA, FrameType.COMMAND}


def _crossing(sighting: Sighting, mac: Mac, devices: Devices, mesh: Mesh | None) -> Crossing | None:
    """Return the datagram that a frame completes, to one node; None without any, and of an Empty message of CoAP."""
    datagram, flow = sighting.datagram, sighting.flow
    if datagram is None or flow is None or sighting.repeats is not None:
        return None
    template = sighting.template
    # of a frame that brings all of it the last header stands where it stands in those that are alike
    place = template.upper if template is not None and len(sighting.parts) == 1 else None
    place = place or upper_of(datagram)
    if place is None or place.hidden or is_empty_message(sighting, datagram, place):
        return None
    matched = sighting.matched
    plain = Crossing(
        flow,
        mark_of(place.source, datagram, place),
        ipv6.header_of(datagram).hop_limit,
        *at_ends(sighting, place, mac, devices),
        application_octets(sighting, datagram),
        sighting.numbers,
        size=len(datagram),
    )
    if place.offset >= 2 * ipv6.OCTETS:
        plain = through_tunnel(
            plain, datagram, place, (sighting.source, sighting.destination), mac, devices
        )
    if matched is not None:
        plain = _with_message(with_border(plain, matched.flow, sighting), matched)
        # "discarded if Hop Limit was zero when received or is decremented to zero" (RFC 8200 section 3)
        runs_out = plain.hop_limit <= 1 and not plain.at_end and plain.inner_limit is None
        plain = plain._replace(runs_out=runs_out)
    if place.kind == ipv6.UDP:
        plain = plain._replace(sum_right=is_sum_right(sighting, datagram, place))
    return plain if mesh is None else in_mesh(plain, mesh, mac, devices)


def in_mesh(crossing: Crossing, mesh: Mesh, mac: Mac, devices: Devices) -> Crossing:
    """Return a crossing with the hops left; between the two ends of the mesh it is at neither end of its way."""
    begins, ends = ends_in_mesh(mesh, mac, devices)
    # addresses of two lengths may be of one node; fragments are taken together from all links
    alike = len(mac.destination or b"") == len(mesh.final) and len(crossing.numbers) == 1
    return crossing._replace(
        at_origin=crossing.at_origin and begins,
        at_end=crossing.at_end and ends,
        mesh_left=mesh.hops_left,
        goes_on=alike and not ends,
        runs_out=alike and not ends and mesh.is_last_hop,
    )


def ends_in_mesh(mesh: Mesh, mac: Mac, devices: Devices) -> tuple[bool, bool]:
    """Return whether a frame comes from where its way in a mesh begins, and goes to where it ends."""
    begins = node_of(mac.source, mac, devices) == node_of(mesh.originator, mac, devices)
    return begins, node_of(mac.destination, mac, devices) == node_of(mesh.final, mac, devices)


def through_tunnel(
    crossing: Crossing,
    front: bytes,
    place: chain.ChainPlace,
    links: Links,
    mac: Mac,
    devices: Devices,
) -> Crossing:
    """Return a crossing with what the outer header says, where the front of the datagram has one before ``place``."""
    tunnel = _tunnel(front[: place.offset])
    if tunnel is None:
        return crossing
    begins, ends, inner_limit = tunnel
    at_origin, at_end = crossing.at_origin, crossing.at_end
    if not at_origin and _is_outside(place.source, begins):
        at_origin = is_of(links[0], begins, mac, devices)
    if not at_end and _is_outside(place.destination, ends):
        at_end = is_of(links[1], ends, mac, devices)
    return crossing._replace(at_origin=at_origin, at_end=at_end, inner_limit=inner_limit)


@lru_cache(1024)  # those of a flow come again and again
def _tunnel(headers: bytes) -> tuple[IPv6Address, IPv6Address, int] | None:
    """Return where the first tunnel in these headers begins and ends, and the hop limit inside; None without any."""
    place = chain.find(headers, ipv6.IPV6)
    if place is None or place.offset + ipv6.OCTETS > len(headers):
        return None
    return place.source, place.destination, ipv6.header_of(headers[place.offset :]).hop_limit


def _is_outside(end: IPv6Address, tunnel: IPv6Address) -> bool:
    """Return whether an end of a datagram has another prefix than the end of its tunnel: it goes on by another link."""
    return int(end) >> 64 != int(tunnel) >> 64


def with_border(crossing: Crossing, flow: Flow, sighting: Sighting) -> Crossing:
    """Return a crossing whose way begins or ends at the border router, where an end of its flow is outside."""
    border = {flow.border.short, flow.border.extended} - {None}
    if flow.destination.role == _OUTSIDE and sighting.destination in border:
        return crossing._replace(at_end=True)
    if flow.source.role == _OUTSIDE and sighting.source in border:
        return crossing._replace(at_origin=True)
    return crossing


def _with_message(crossing: Crossing, matched: Matched) -> Crossing:
    """Return a crossing with what the design says of it, and what its message counts and dates."""
    flow = matched.flow
    down, bare, other = flow.direction == "down", matched.unprotected, matched.otherwise
    named = crossing._replace(flow_name=flow.name, down=down, unprotected=bare, otherwise=other)
    message, values = matched.message, matched.values
    if message is None or values is None:
        return named._replace(unread=matched.unread)
    counter = next((one for one in message.fields if isinstance(one, Sequence)), None)
    clock = next((one for one in message.fields if isinstance(one, Time)), None)
    named = named._replace(message=message.name)
    if counter is not None and isinstance(values.get(counter.name), int):
        named = named._replace(own_number=values[counter.name], modulus=1 << counter.bits)
    base = None if clock is None else clock.base_time()
    if clock is not None and base is not None and values.get(clock.name) is not None:
        written = base + Decimal(values[clock.name])
        named = named._replace(written_s=float(written), step_s=float(clock.step))
    return named
