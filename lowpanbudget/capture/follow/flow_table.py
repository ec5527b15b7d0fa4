"""The flows of a design that the ends of a datagram allow, and whether it asks for what one of them asks for."""

from collections.abc import Iterator, Sequence
from ipaddress import IPv6Address
from typing import TYPE_CHECKING, NamedTuple

from lowpanbudget.capture.follow.flows import FlowKey
from lowpanbudget.capture.recent import Recent
from lowpanbudget.design.flow import Flow, Station
from lowpanbudget.design.routing import UNROUTED
from lowpanbudget.env import IID_MASK, SHORT_IID, interface_identifier
from lowpanbudget.layers.internet.coap.message import CoapMessage
from lowpanbudget.layers.internet.coap.options import CoapOption
from lowpanbudget.layers.internet.coap.registry import URI_PATH

if TYPE_CHECKING:
    from lowpanbudget.design.meaning import Design

MOST_KNOWN = 4096


class FlowFit(NamedTuple):
    """A flow whose ports a datagram has, ``both`` or one of them; ``back``: the other way round, as answers do.

    ``ends`` tells how far the addresses are the planned ones: more is nearer. ``between``: both may be its ends; an
    address that is another station's, or not that of a server whose own is stated, is none of them.
    """

    flow: Flow
    back: bool
    both: bool
    ends: int
    between: bool = True


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
                    ends = self._ends(flow, start, end)
                    score = 16 * both + 8 * (not back) + 4 * as_routed + ends
                    yield (
                        score,
                        FlowFit(flow, back, both, ends, self._is_between(flow, start, end, back)),
                    )

    def _ends(self, flow: Flow, source: IPv6Address, destination: IPv6Address) -> int:
        form = self.design.link.addresses
        planned = flow.group if flow.group is not None else flow.destination.ip(form)
        same_prefix = int(flow.source.ip(form)) >> 64 == int(source) >> 64
        return 2 * (planned == destination) + (flow.source.ip(form) == source) + same_prefix

    def _is_between(
        self, flow: Flow, source: IPv6Address, destination: IPv6Address, back: bool
    ) -> bool:
        """Return whether a flow may go between these two; each member of a group answers with its own address."""
        if not self._may_be(flow.source, source):
            return False
        if flow.group is not None:
            return back or flow.group == destination
        return self._may_be(flow.destination, destination)

    def _may_be(self, station: Station, address: IPv6Address) -> bool:
        """Return whether an end of a flow may have an address; a node stands for others like it, stations left out."""
        has = _has(station, address)
        if has or (has is False and station.role != "node"):
            return bool(has)
        return not any(_has(other, address) for other in self.design.stations)


def _has(station: Station, address: IPv6Address) -> bool | None:
    """Return whether a station has an address, under any prefix; None where no link address of that form is stated."""
    if station.address is not None:
        return station.address == address
    identifier = int(address) & IID_MASK
    link = station.short if identifier >> 16 == SHORT_IID >> 16 else station.extended
    return None if link is None else interface_identifier(link) == identifier


def is_asked_by(flow: Flow, message: CoapMessage | None) -> bool:
    """Return whether a message has code and path of the requests of a flow; one without CoAP asks for nothing."""
    planned = flow.application.coap
    if planned is None:
        return True
    if message is None or planned.code != message.code:
        return False
    return _path(planned.options) == _path(message.options)


def has_its_path(flow: Flow, message: CoapMessage) -> bool:
    """Return whether a request, with whatever code, asks for the same resource as those of a flow."""
    planned = flow.application.coap
    if planned is None or message.is_response or not message.code:
        return False
    return _path(planned.options) == _path(message.options)


def _path(options: Sequence[CoapOption]) -> list[bytes]:
    return [option.octets for option in options if option.number == URI_PATH]
