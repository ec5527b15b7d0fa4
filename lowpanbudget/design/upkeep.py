"""What the network sends for itself, as really encoded: beacons, DIOs, DAOs, keep-alives; and what polls a parent."""

from collections.abc import Iterator
from ipaddress import IPv6Network
from typing import Any, Literal, NamedTuple

from lowpanbudget.cites import Cite, ieee, rfc
from lowpanbudget.design.access import Slots
from lowpanbudget.design.answer import is_non_storing
from lowpanbudget.design.flow import Flow, Station
from lowpanbudget.design.link import Link
from lowpanbudget.design.meaning import Design
from lowpanbudget.design.path import MOST_ROUTERS
from lowpanbudget.design.routing import UNROUTED, Routing
from lowpanbudget.design.upkeep_shape import KEEP_ALIVE, POLL
from lowpanbudget.layers.internet.rpl import messages as rpl
from lowpanbudget.layers.internet.rpl.options import (
    DodagConfiguration,
    Target,
    TransitInformation,
)
from lowpanbudget.layers.link.elements import Element, mlme_ie, nested_ie
from lowpanbudget.layers.link.mac import BROADCAST, FrameType
from lowpanbudget.layers.link.timeslots import TEMPLATES
from lowpanbudget.layers.lowpan.addresses import LINK_LOCAL
from lowpanbudget.stack.encoding import Encoded
from lowpanbudget.values import replace

_SYNCHRONIZATION, _SLOTFRAMES, _TIMESLOT, _HOPPING = 0x1A, 0x1B, 0x1C, 0x9
_DATA_REQUEST = b"\x04"
_RX_TX_US = 192  # macTsRxTx of the default template
_AUTHENTICATED = 3  # the bits of a security level that tell the integrity code

Receivers = Literal["all", "parent", "child", "root", "node"]


class UpkeepFrames(NamedTuple):
    """One thing that a node sends for the network.

    ``every_s`` is None for what answers another. ``to`` who is near, the parent or a child (one hop), or the root or a
    node, hop by hop; ``hop`` is the hop's name as in flows. ``acknowledgement`` is of each frame, None where there is
    none.
    """

    name: str
    every_s: float | None
    to: Receivers
    hop: str
    frames: tuple[Encoded, ...]
    acknowledgement: Encoded | None
    cite: Cite


def upkeep_frames(design: Design) -> tuple[UpkeepFrames, ...]:
    """Return what a typical node of the design sends for the network, one entry a hop that differs.

    Raises ``DoesNotFit`` for a message that cannot be cut into frames of the link.
    """
    return tuple(_upkeep(design))


def _upkeep(design: Design) -> Iterator[UpkeepFrames]:
    upkeep, ends = design.upkeep, _ends(design)
    if ends is not None and upkeep is not None:
        node, root = ends
        address = node.link_address(design.link.addresses)
        if upkeep.beacon_s is not None:
            slots = None if design.access is None else design.access.slots
            beacon = _beacon(design.link, address, slots)
            cite = ieee(2015, "7.3.1")
            yield UpkeepFrames("beacon", upkeep.beacon_s, "all", "first", (beacon,), None, cite)
        if upkeep.dio_s is not None:
            yield from _dio(design, node, root, upkeep.dio_s)
        if upkeep.dao_s is not None:
            yield from _dao(design, node, root, upkeep.dao_s, answered=upkeep.dao_acknowledged)
        if upkeep.keep_alive_s is not None:
            parent = root.link_address(design.link.addresses)
            empty = design.link.frame(address, parent, b"")
            yield UpkeepFrames(
                KEEP_ALIVE, upkeep.keep_alive_s, "parent", "first", (empty,),
                design.link.acknowledgement(address, parent), ieee(2015, "6.5.4"),
            )  # fmt: skip
    if ends is not None and design.sleep is not None:
        yield _poll(design.link, *ends, design.sleep.poll_s)


def _ends(design: Design) -> tuple[Station, Station] | None:
    """Return a typical node and the root; None where the design has no such two."""
    node = next((station for station in design.stations if station.role == "node"), None)
    roots = (s for role in ("border", "collector") for s in design.stations if s.role == role)
    root = next(roots, None)
    return None if node is None or root is None else (node, root)


def _beacon(link: Link, source: bytes, slots: Slots | None) -> Encoded:
    """Return a beacon: in slots an enhanced one with all that a newcomer must know (RFC 8180 section 4.5.1)."""
    mac = replace(
        link.mac(source, BROADCAST), frame_type=FrameType.BEACON, header_ies=(), payload_ies=()
    )
    if slots is not None:
        mac = replace(mac, payload_ies=(mlme_ie(*_slot_elements(slots)),))
    if link.security is not None:
        # a newcomer reads it before it has the key: authenticated, not encrypted
        level = link.security.level & _AUTHENTICATED
        mac = replace(mac, security=replace(link.security, level=level) if level else None)
    no_superframe = b"\xff\x0f\x00\x00"  # nonbeacon-enabled: orders 15, no slots, nothing pending
    return link.complete(mac, no_superframe if link.version < 2 else b"")


def _slot_elements(slots: Slots) -> Iterator[Element]:
    times = slots.template
    yield nested_ie(_SYNCHRONIZATION, asn=0, join_metric=0)
    links = [
        {"timeslot": n, "channel_offset": 0, "tx": 1, "rx": 1, "shared": 1, "timekeeping": 1}
        for n in range(slots.shared_cells)
    ]
    frame = {"slotframe_handle": 0, "slotframe_size": slots.slotframe, "links": links}
    yield nested_ie(_SLOTFRAMES, slotframes=[frame])
    if times == TEMPLATES["10ms"]:
        yield nested_ie(_TIMESLOT, timeslot_template_id=0)
    else:
        offsets = {
            "cca_offset": times.cca_offset, "cca": times.cca, "tx_offset": times.tx_offset,
            "rx_offset": times.rx_offset, "rx_ack_delay": times.rx_ack_delay,
            "tx_ack_delay": times.tx_ack_delay, "rx_wait": times.rx_wait, "ack_wait": times.ack_wait,
            "rx_tx": _RX_TX_US, "max_ack": times.max_ack, "max_tx": times.max_tx,
            "timeslot_length": times.length,
        }  # fmt: skip
        whole: dict[str, Any] = {name: round(value) for name, value in offsets.items()}
        yield nested_ie(_TIMESLOT, timeslot_template_id=1, **whole)
    yield nested_ie(_HOPPING, long=True, hopping_sequence_id=0)


def _dio(design: Design, node: Station, root: Station, every_s: float) -> Iterator[UpkeepFrames]:
    mode = rpl.NON_STORING if is_non_storing(design.flows) else rpl.STORING
    configuration = DodagConfiguration(
        dio_interval_doublings=20, dio_interval_min=3, dio_redundancy_constant=10,
        max_rank_increase=0, min_hop_rank_increase=256, objective_code_point=1,
        default_lifetime=255, lifetime_unit=65535,
    )  # fmt: skip
    dio = rpl.Dio(
        rpl_instance_id=0, version=240, rank=512, grounded=True, mode=mode,
        dodag_id=root.ip(design.link.addresses), options=(configuration,),
    )  # fmt: skip
    flow = Flow("DIO", _link_local(node), root, root, group=rpl.ALL_NODES, hop_limit=255)
    yield from _control(design, flow, dio, "DIO", every_s, "all", rfc(6550, "6.3"))


def _dao(
    design: Design, node: Station, root: Station, every_s: float, *, answered: bool
) -> Iterator[UpkeepFrames]:
    """Yield the DAOs of a node: to its parent, or in non-storing mode over all hops to the root."""
    form = design.link.addresses
    non_storing = is_non_storing(design.flows)
    target = Target(prefix=IPv6Network(f"{node.ip(form)}/128"))
    transit = TransitInformation(
        path_control=0, path_sequence=240, path_lifetime=255,
        parent=root.ip(form) if non_storing else None,
    )  # fmt: skip
    dao = rpl.Dao(rpl_instance_id=0, acknowledge=answered, sequence=240, options=(target, transit))
    answer = rpl.DaoAck(rpl_instance_id=0, sequence=240)
    cite, answer_cite = rfc(6550, "6.4"), rfc(6550, "6.5")
    if not non_storing:
        up = Flow("DAO", _link_local(node), _link_local(root), root)
        yield from _control(design, up, dao, "DAO", every_s, "parent", cite)
        if answered:
            down = Flow("DAO-ACK", _link_local(root), _link_local(node), root)
            yield from _control(design, down, answer, "DAO-ACK", None, "child", answer_cite)
        return
    depth = max(flow.hops for flow in design.flows)
    routed = next((f.routing for f in design.flows if f.routing.route), UNROUTED)
    upward = next(
        (f.routing for f in design.flows if f.direction == "up" and f.routing != UNROUTED),
        Routing(compressed=routed.compressed, rpi_type=routed.rpi_type),
    )
    up = Flow("DAO", node, root, root, hops=depth, routing=replace(upward, tunnel=False))
    yield from _control(design, up, dao, "DAO", every_s, "root", cite)
    if answered:
        route = min(depth - 1, MOST_ROUTERS)
        routing = replace(routed, route=route, tunnel=False)
        down = Flow("DAO-ACK", root, node, root, hops=depth, routing=routing)
        yield from _control(design, down, answer, "DAO-ACK", None, "node", answer_cite)


def _control(
    design: Design,
    flow: Flow,
    message: object,
    name: str,
    every_s: float | None,
    to: Receivers,
    cite: Cite,
) -> Iterator[UpkeepFrames]:
    """Yield the frames of an ICMPv6 message, once for each hop that differs."""
    for path in design.paths(flow):
        frames = tuple(path.control_frames(message))
        acknowledgement = design.link.acknowledgement(path.hop.source, path.hop.destination)
        yield UpkeepFrames(name, every_s, to, path.hop.name, frames, acknowledgement, cite)


def _link_local(station: Station) -> Station:
    return replace(station, address=None, prefix=LINK_LOCAL.value, identifier="link")


def _poll(link: Link, node: Station, root: Station, every_s: float) -> UpkeepFrames:
    """Return the data request of a sleeping node (IEEE 802.15.4-2015 clause 7.5.5)."""
    source, parent = (station.link_address(link.addresses) for station in (node, root))
    mac = replace(
        link.mac(source, parent), frame_type=FrameType.COMMAND, header_ies=(), payload_ies=()
    )
    frame = link.complete(mac, _DATA_REQUEST)
    answer = link.acknowledgement(source, parent)
    return UpkeepFrames(POLL, every_s, "parent", "first", (frame,), answer, ieee(2015, "7.5.5"))
