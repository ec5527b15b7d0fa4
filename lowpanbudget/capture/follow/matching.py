"""Which flow of a design a datagram belongs to, and what its message says: values with their units."""

from collections.abc import Iterator
from ipaddress import IPv6Address
from typing import TYPE_CHECKING, Any, NamedTuple

from lowpanbudget.capture.follow.flows import FlowKey, application_of
from lowpanbudget.capture.recent import Recent
from lowpanbudget.design.flow import Flow
from lowpanbudget.errors import WireError
from lowpanbudget.layers.internet import ipv6
from lowpanbudget.layers.internet.coap import message as coap
from lowpanbudget.payload.kinds.group import single_values
from lowpanbudget.payload.message import Message
from lowpanbudget.payload.words import joined
from lowpanbudget.stack.frame import Frame
from lowpanbudget.values import dataclass, frozen

if TYPE_CHECKING:
    from lowpanbudget.design.meaning import Design

_URI_PATH = 11  # RFC 7252 section 12.2


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


class Matcher:
    """Finds the flow of a design for a datagram, by ports, addresses and CoAP path."""

    def __init__(self, design: "Design") -> None:
        self.design = design
        self._known = Recent[FlowKey, list[Flow]](4096)

    def match(
        self, key: FlowKey | None, datagram: Frame, *, opened: bool = False
    ) -> Matched | None:
        """Return what a datagram of this flow is in the design, or None when it belongs to no flow of it.

        ``opened`` tells that what was sealed in it is in the clear.
        """
        if key is None or key.protocol != ipv6.UDP:
            return None
        flows = self.with_ports(key)
        message = datagram.packet.innermost(coap.CoapMessage)
        for flow in flows:
            if flow.application.coap is None or (_is_sealed(flow) and not opened):
                break  # the ports decide; what is sealed shows no path
            if message is not None and _same_request(flow.application.coap.message(b""), message):
                break
        else:
            return None
        if _is_sealed(flow) and not opened:
            return Matched(flow, sealed=True)
        return self._unpacked(flow, application_of(datagram))

    def with_ports(self, key: FlowKey) -> list[Flow]:
        """Return the flows that the ports of a flow allow, those first whose addresses fit as well."""
        flows = self._known.get(key)
        if flows is None:
            flows = self._known[key] = self._by_ends(key)
        return flows

    def _by_ends(self, key: FlowKey) -> list[Flow]:
        form = self.design.link.addresses
        ranked = []
        for number, flow in enumerate(self.design.flows):
            if flow.destination_port != key.destination_port:
                continue
            to = flow.group if flow.group is not None else flow.destination.ip(form)
            score = (
                2 * (flow.source_port == key.source_port)
                + (flow.source.ip(form) == key.source)
                + (to == key.destination)
                + ((flow.group is not None) == key.destination.is_multicast)
            )
            if flow.source_port == key.source_port or flow.application.coap is not None:
                ranked.append((-score, number, flow))
        return [flow for _, _, flow in sorted(ranked, key=lambda entry: entry[:2])]

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
    return [o.octets for o in planned.all(_URI_PATH)] == [o.octets for o in seen.all(_URI_PATH)]


def _readings(message: Message, values: dict[str, Any]) -> Iterator[MessageValue]:
    for held in single_values(message.fields, values):
        yield MessageValue(joined(held.path), held.value, getattr(held.field, "unit", ""))


def root_of(design: "Design") -> IPv6Address | None:
    """Return the address of the design's RPL root, as its paths have it."""
    flow = next(iter(design.flows), None)
    if flow is None or flow.border.role not in {"border", "collector"}:
        return None
    return flow.border.ip(design.link.addresses)
