"""What the keys of a design mean: faults with their path, or the design itself."""

from collections.abc import Iterator, Mapping
from ipaddress import IPv6Address
from typing import TypeVar

from lowpanbudget.arguments import explains
from lowpanbudget.bits import StandIn
from lowpanbudget.design.access import Access, access_of
from lowpanbudget.design.answer import answer_of, in_mode, is_non_storing
from lowpanbudget.design.application_shape import application
from lowpanbudget.design.contradictions import contradictions
from lowpanbudget.design.flow import Flow, Station
from lowpanbudget.design.frame_flaws import burst_octet_flaws, frame_flaws
from lowpanbudget.design.goals import Burst, Limits, bursts_of, limits_of
from lowpanbudget.design.link import AddressForm, Link
from lowpanbudget.design.loss import FrameLoss, loss_of
from lowpanbudget.design.messages import to_messages
from lowpanbudget.design.path import FlowPath, paths
from lowpanbudget.design.radio import Battery, Radio, battery_of, radio_of
from lowpanbudget.design.routing import UNROUTED, Routing
from lowpanbudget.design.shape import DesignShape, FlowShape, LinkShape, NetworkShape, StationShape
from lowpanbudget.design.tree import Tree, tree_of
from lowpanbudget.design.upkeep_shape import Upkeep, upkeep_of
from lowpanbudget.design.waiting import SendQueue, Sleep, queue_of, sleep_of
from lowpanbudget.env import Context, Contexts
from lowpanbudget.errors import RequestError, repeated
from lowpanbudget.layers.link.auxiliary import KEY_ID, Security
from lowpanbudget.layers.link.elements import Element
from lowpanbudget.layers.link.phy import PHYS
from lowpanbudget.layers.lowpan.addresses import LINK_LOCAL
from lowpanbudget.payload.flaws import Flaw
from lowpanbudget.payload.kinds.sequence import Sequence as SequenceField
from lowpanbudget.payload.message import Message
from lowpanbudget.values import dataclass, replace


@dataclass(frozen=True, slots=True)
class Design:
    """A design as its file states it; every value is checked, alone and together with the others.

    ``file`` is its name, empty without one. ``access``, ``tree``, ``loss``, ``queue``, ``sleep``, ``upkeep``,
    ``radio``, ``battery``, ``limits`` and ``bursts`` hold the tables that say how the network carries its messages,
    None where the file has none: ``explain`` tells their keys.
    """

    title: str
    link: Link
    contexts: Contexts
    stations: tuple[Station, ...]
    flows: tuple[Flow, ...]
    messages: tuple[Message, ...]
    nodes: int | None = None
    file: str = ""
    access: Access | None = None
    tree: Tree | None = None
    loss: FrameLoss | None = None
    queue: SendQueue | None = None
    sleep: Sleep | None = None
    upkeep: Upkeep | None = None
    radio: Radio | None = None
    battery: Battery | None = None
    limits: Limits | None = None
    bursts: tuple[Burst, ...] = ()

    @classmethod
    def of(cls, design: object) -> "Design":
        """Return ``design`` itself; ``RequestError`` when it is none, such as the name of a file."""
        if not isinstance(design, cls):
            raise RequestError(
                f"a design is needed, not {type(design).__name__}",
                hint="load_design(path) reads one",
            )
        return design

    @property
    def plans_network(self) -> bool:
        """Return whether something says how the network carries messages, or what it must keep to."""
        return any(one is not None for one in (self.access, self.tree, self.loss, self.limits))

    @property
    def counts_messages(self) -> bool:
        """Return whether some message has a number of its own, which tells what was never sent."""
        return any(
            isinstance(one, SequenceField) for message in self.messages for one in message.fields
        )

    def flow(self, name: str) -> Flow:
        """Return the flow of this name; ``RequestError`` names those that there are."""
        return _named(name, self.flows, "flow")

    def message(self, name: str) -> Message:
        """Return the message of this name; ``RequestError`` names those that there are."""
        return _named(name, self.messages, "message")

    def station(self, name: str) -> Station:
        """Return the station of this name; ``RequestError`` names those that there are."""
        return _named(name, self.stations, "station")

    def burst(self, name: str) -> Burst:
        """Return the burst of this name; ``RequestError`` names those that there are."""
        return _named(name, self.bursts, "burst")

    @explains
    def with_flow(self, flow: Flow) -> "Design":
        """Return the design with this flow in place of the one of its name."""
        flows = tuple(flow if other.name == flow.name else other for other in self.flows)
        return replace(self, flows=flows)

    @explains
    def with_station(self, station: Station) -> "Design":
        """Return the design with this station in place of the one of its name, in all flows as well."""
        stations = (station if other.name == station.name else other for other in self.stations)
        flows = tuple(flow.with_station(station) for flow in self.flows)
        return replace(self, stations=tuple(stations), flows=flows)

    def with_contexts(self, contexts: Mapping[int, Context | str]) -> "Design":
        """Return the design with these contexts in place of its own."""
        return replace(self, contexts=Contexts(contexts))

    @explains
    def paths(self, flow: Flow) -> list[FlowPath]:
        """Return the flow's paths, one for each hop that differs."""
        return paths(self.link, self.contexts, flow)

    @explains
    def carriers(self, message: Message) -> tuple[Flow, ...]:
        """Return the flows that name the message; all flows when none does."""
        carriers = tuple(flow for flow in self.flows if message.name in flow.messages)
        return carriers or self.flows


_Named = TypeVar("_Named", Burst, Flow, Message, Station)


def _named(name: str, items: tuple[_Named, ...], kind: str) -> _Named:
    for item in items if isinstance(name, str) else ():
        if item.name == name:
            return item
    names = ", ".join(item.name for item in items) or "none"
    raise RequestError(f"the design has no {kind} {repeated(name)}", hint=f"It has: {names}")


def to_design(shape: DesignShape, file: str) -> tuple[Design | None, list[Flaw]]:
    """Return the design of a shape, or None with all faults of meaning."""
    flaws = list(contradictions(shape))
    messages, message_flaws = to_messages(shape.message)
    flaws += message_flaws
    if flaws:
        return None, flaws
    stations = tuple(_station(station) for station in shape.station)
    by_name = {station.name: station for station in stations}
    access = access_of(shape.access)
    link = _link(shape.link, shape.network, access)
    border = next(
        (
            station
            for role in ("border", "collector")
            for station in stations
            if station.role == role
        ),
        None,
    )
    stated = [_flow(flow, by_name, border) for flow in shape.flow]
    routes = (flow.answer.route for flow in shape.flow if flow.answer is not None)
    non_storing = is_non_storing(stated) or any(routes)
    requests = tuple(in_mode(flow, non_storing=non_storing) for flow in stated)
    answers, answer_flaws = _answers(shape.flow, requests, non_storing=non_storing)
    if answer_flaws:
        return None, answer_flaws
    # each answer behind its request
    placed = [
        (flow, path)
        for index, request in enumerate(requests)
        for flow, path in (
            (request, ("flow", index)),
            (answers.get(index), ("flow", index, "answer")),
        )
        if flow is not None
    ]
    flows = tuple(flow for flow, _ in placed)
    contexts = {
        context.id: Context(context.prefix, context.may_compress) for context in shape.context
    }
    design = Design(
        shape.title, link, Contexts(contexts), stations, flows, messages, shape.network.nodes, file,
        access, tree_of(shape.tree, shape.station), loss_of(shape.loss),
        queue_of(shape.queue), sleep_of(shape.sleep), upkeep_of(shape.upkeep), radio_of(shape.radio),
        battery_of(shape.battery), limits_of(shape.limits), bursts_of(shape.burst),
    )  # fmt: skip
    return design, [
        *_shared_addresses(stations, link.addresses),
        *frame_flaws((path, design.paths(flow)) for flow, path in placed),
        *burst_octet_flaws(
            (one.octets, design.paths(design.flow(one.flow))) for one in design.bursts
        ),
    ]


def _answers(
    shapes: list[FlowShape], requests: tuple[Flow, ...], *, non_storing: bool
) -> tuple[dict[int, Flow], list[Flaw]]:
    """Return the flows that answer requests, by the number of the request, and what is wrong with them."""
    answers: dict[int, Flow] = {}
    wrong: list[Flaw] = []
    names = {request.name for request in requests}
    for index, (shape, request) in enumerate(zip(shapes, requests, strict=True)):
        if shape.answer is None:
            continue
        answer, flaws = answer_of(request, shape.answer, non_storing=non_storing)
        if answer is not None and answer.name in names:
            flaws.append(
                Flaw(("name",), f"two flows are named {answer.name!r}", "Give it another name")
            )
        wrong += [flaw.under("flow", index, "answer") for flaw in flaws]
        if answer is not None:
            answers[index] = answer
            names.add(answer.name)
    return answers, wrong


def _shared_addresses(stations: tuple[Station, ...], form: AddressForm) -> Iterator[Flaw]:
    """Yield a flaw for each station whose IPv6 address an earlier one has."""
    owners: dict[IPv6Address, str] = {}
    for index, station in enumerate(stations):
        address = station.ip(form)
        if address in owners:
            yield Flaw(
                ("station", index),
                f"{station.name!r} has the IPv6 address {address} of {owners[address]!r}",
                "Give each station an address of its own (RFC 4291 section 2.1)",
            )
        owners.setdefault(address, station.name)


def _link(shape: LinkShape, network: NetworkShape, access: Access | None) -> Link:
    phy = PHYS[shape.phy]
    security = None
    if shape.security is not None and shape.security.level:
        table = shape.security
        source = max(KEY_ID.rows[table.key_id_mode].inline - 1, 0)
        carried = table.frame_counter == "carried"
        security = Security(
            table.level,
            table.key_id_mode,
            StandIn(0) if carried else None,
            (table.key_source or bytes(source)) if source else None,
            1 if table.key_id_mode else None,
            not carried,
        )
    slot = None if access is None or access.slots is None else access.slots.template
    other = shape.destination_pan_id
    return Link(
        phy.name,
        phy.largest,
        phy.fcs,
        shape.frame_version,
        shape.addresses,
        shape.pan_id,
        shape.pan_id if other is None else other,
        shape.pan_ids,
        shape.sequence_number == "carried",
        shape.acknowledged,
        shape.slotted,
        security,
        network.mtu,
        tuple(Element(element.id, element.octets) for element in shape.header_ie),
        tuple(Element(element.id, element.octets) for element in shape.payload_ie),
        network.fragments == "recoverable",
        shape.data_rate,
        shape.preamble,
        None if slot is None else slot.longest_tx,
        None if slot is None else slot.answered,
    )


def _station(shape: StationShape) -> Station:
    prefix = LINK_LOCAL.value if shape.prefix is None else int(shape.prefix.network_address)
    return Station(
        shape.name, shape.role, shape.short, shape.extended, shape.address, prefix, shape.identifier
    )


def _routing(shape: FlowShape) -> Routing:
    table = shape.routing
    if table is None or table.mesh_under:
        return UNROUTED
    return Routing(
        table.rpi,
        table.instance,
        table.sender_rank,
        table.route,
        table.entry_octets or 0,
        table.tunnel,
        table.form == "6lorh",
        table.option_type,
    )


def _flow(shape: FlowShape, stations: dict[str, Station], border: Station | None) -> Flow:
    source = stations[shape.source]
    to_many = Station("group", "node", address=IPv6Address(0))
    destination = to_many if shape.destination is None else stations[shape.destination]
    return Flow(
        shape.name,
        source,
        destination,
        border or source,
        shape.group,
        shape.hops,
        shape.source_port,
        shape.destination_port,
        shape.hop_limit,
        shape.traffic_class,
        shape.flow_label,
        shape.udp_checksum == "elided",
        application(shape.coap, shape.oscore, shape.dtls)[0],
        _routing(shape),
        tuple(shape.messages),
        None if shape.every_s is None else float(shape.every_s),
        shape.most_frames,
        mesh_under=shape.routing is not None and shape.routing.mesh_under,
    )
