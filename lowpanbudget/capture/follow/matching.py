"""Which flow of a design a datagram belongs to, and what its message says: values with their units."""

from collections.abc import Iterator
from ipaddress import IPv6Address
from typing import TYPE_CHECKING, Any, NamedTuple

from lowpanbudget.capture.follow.flows import FlowKey, application_of
from lowpanbudget.capture.recent import Recent
from lowpanbudget.design.flow import Flow
from lowpanbudget.design.routing import UNROUTED
from lowpanbudget.errors import WireError
from lowpanbudget.layers.internet import ipv6
from lowpanbudget.layers.internet.coap import message as coap
from lowpanbudget.layers.internet.coap.registry import URI_PATH
from lowpanbudget.payload.kinds.group import single_values
from lowpanbudget.payload.message import Message
from lowpanbudget.payload.words import joined
from lowpanbudget.stack.frame import Frame
from lowpanbudget.values import dataclass, frozen

if TYPE_CHECKING:
    from lowpanbudget.design.meaning import Design

MOST_KNOWN = 4096
_MOST_REASONS = 2  # of formats that do not read a payload


class MessageValue(NamedTuple):
    """One value of a message: where it stands (``reading[0].strain``), the value, and its unit or nothing."""

    place: str
    value: Any
    unit: str


@dataclass(frozen=True, slots=True)
class Matched:
    """What a datagram is in a design.

    ``flow`` is the flow it belongs to. ``message`` is the format that reads its payload, ``values`` what it holds
    (read-only), ``readings`` the same as single values with units; all None or empty when no format does: ``faults``
    then says for each format why. ``others`` names further formats that read the payload as well: nothing in it tells
    them apart.
    """

    flow: Flow
    message: Message | None = None
    values: dict[str, Any] | None = None
    readings: tuple[MessageValue, ...] = ()
    faults: tuple[tuple[str, WireError], ...] = ()
    others: tuple[str, ...] = ()
    sealed: bool = False

    @property
    def unread(self) -> str:
        """Return why none of the formats that its flow has reads it; nothing where one does, or it has none."""
        faults = self.faults if self.flow.messages else ()
        return "; ".join(f"{name}: {fault.message}" for name, fault in faults[:_MOST_REASONS])


class FlowFit(NamedTuple):
    """A flow whose ports a datagram has, ``both`` or one of them; ``back``: the other way round, as answers do."""

    flow: Flow
    back: bool
    both: bool


class FlowTable:
    """The flows of a design, in the order in which they fit the ends of a datagram."""

    def __init__(self, design: "Design") -> None:
        self.design = design
        self._known = Recent[tuple[FlowKey, bool | None], list[FlowFit]](MOST_KNOWN)

    def fitting(self, key: FlowKey, *, routed: bool | None = None) -> list[FlowFit]:
        """Return the flows that ports allow, the best first.

        Those with both ports come before those of CoAP whose source port is another, those in their own direction
        before answers. ``routed`` tells whether something stands between IPv6 and UDP, None that nobody knows: as
        planned counts as much as addresses do.
        """
        known = self._known.get((key, routed))
        if known is None:
            ranked = sorted(self._ranked(key, routed), key=lambda one: one[0], reverse=True)
            known = self._known[key, routed] = [fit for _, fit in ranked]
        return known

    def _ranked(self, key: FlowKey, routed: bool | None) -> Iterator[tuple[int, FlowFit]]:
        ports, way = (key.source_port, key.destination_port), (key.source, key.destination)
        for flow in self.design.flows:
            planned = (flow.source_port, flow.destination_port)
            as_routed = routed is not None and routed == (flow.routing != UNROUTED)
            for back in (False, True):
                seen, (start, end) = (ports[::-1], way[::-1]) if back else (ports, way)
                both = planned == seen
                client = not back and flow.application.coap is not None and planned[1] == seen[1]
                if both or client:
                    score = 16 * both + 8 * (not back) + 4 * as_routed
                    yield score + self._ends(flow, start, end), FlowFit(flow, back, both)

    def _ends(self, flow: Flow, source: IPv6Address, destination: IPv6Address) -> int:
        form = self.design.link.addresses
        planned = flow.group if flow.group is not None else flow.destination.ip(form)
        same_prefix = int(flow.source.ip(form)) >> 64 == int(source) >> 64
        return 2 * (planned == destination) + (flow.source.ip(form) == source) + same_prefix


def is_asked_by(flow: Flow, message: coap.CoapMessage | None) -> bool:
    """Return whether a message has code and path of the requests of a flow; one without CoAP asks for nothing."""
    planned = flow.application.coap
    return planned is None or (message is not None and _same_request(planned.message(b""), message))


class Matcher:
    """Finds the flow of a design for a datagram, by ports, addresses and CoAP path."""

    def __init__(self, design: "Design") -> None:
        self.design = design
        self._table = FlowTable(design)

    def match(
        self, key: FlowKey | None, datagram: Frame, *, opened: bool = False
    ) -> Matched | None:
        """Return what a datagram of this flow is in the design, or None when it belongs to no flow of it.

        ``opened`` tells that what was sealed in it is in the clear.
        """
        if key is None or key.protocol != ipv6.UDP:
            return None
        message = datagram.packet.innermost(coap.CoapMessage)
        outer = next((one for one in datagram.layers if isinstance(one, ipv6.Ipv6)), None)
        routed = None if outer is None else outer.next_header != ipv6.UDP
        for flow in self.with_ports(key, routed=routed):
            # the ports decide about what is sealed, which shows no path
            if (_is_sealed(flow) and not opened) or is_asked_by(flow, message):
                break
        else:
            return None
        if _is_sealed(flow) and not opened:
            return Matched(flow, sealed=True)
        if message is not None and message.is_part:
            return Matched(flow)  # of a body that no single datagram holds
        return self._unpacked(flow, application_of(datagram))

    def with_ports(self, key: FlowKey, *, routed: bool | None = None) -> list[Flow]:
        """Return the flows that the ports of a flow allow, those first that fit best."""
        return [fit.flow for fit in self._table.fitting(key, routed=routed) if not fit.back]

    def _unpacked(self, flow: Flow, payload: bytes) -> Matched:
        names = flow.messages or tuple(message.name for message in self.design.messages)
        faults = []
        good: list[tuple[Message, dict[str, Any]]] = []
        for name in names:
            message = self.design.message(name)
            try:
                good.append((message, message.unpack(payload)))
            except WireError as error:
                faults.append((name, error.bare()))
        if not good:
            return Matched(flow, faults=tuple(faults))
        message, values = good[0]
        others = tuple(other.name for other, _ in good[1:])
        return Matched(flow, message, frozen(values), tuple(_readings(message, values)), (), others)


def _is_sealed(flow: Flow) -> bool:
    return flow.application.oscore is not None or flow.application.dtls is not None


def _same_request(planned: coap.CoapMessage, seen: coap.CoapMessage) -> bool:
    """Return whether code and path of a message are as planned."""
    if planned.code != seen.code:
        return False
    return [o.octets for o in planned.all(URI_PATH)] == [o.octets for o in seen.all(URI_PATH)]


def _readings(message: Message, values: dict[str, Any]) -> Iterator[MessageValue]:
    for held in single_values(message.fields, values):
        yield MessageValue(joined(held.path), held.value, getattr(held.field, "unit", ""))


def root_of(design: "Design") -> IPv6Address | None:
    """Return the address of the design's RPL root, as its paths have it."""
    flow = next(iter(design.flows), None)
    if flow is None or flow.border.role not in {"border", "collector"}:
        return None
    return flow.border.ip(design.link.addresses)
