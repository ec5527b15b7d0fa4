"""Which flow of a design a datagram belongs to, and what its message says: values with their units."""

from collections.abc import Iterator, Sequence
from ipaddress import IPv6Address
from typing import TYPE_CHECKING, Any, NamedTuple

from lowpanbudget.capture.follow.flow_table import FlowFit, FlowTable, is_asked_by
from lowpanbudget.capture.follow.flows import FlowKey, application_of, is_checksum_right
from lowpanbudget.capture.follow.opened import OpenedContent
from lowpanbudget.capture.follow.protection import (
    Unprotected,
    clear_message,
    seals,
    unprotected,
)
from lowpanbudget.design.flow import Flow
from lowpanbudget.design.routing import UNROUTED
from lowpanbudget.errors import WireError
from lowpanbudget.layers.internet import ipv6
from lowpanbudget.layers.internet.coap.message import CoapMessage
from lowpanbudget.layers.internet.udp import Udp
from lowpanbudget.payload.kinds.group import single_values
from lowpanbudget.payload.message import Message
from lowpanbudget.payload.words import joined
from lowpanbudget.shown import shown_named
from lowpanbudget.stack.applications import Applications
from lowpanbudget.stack.frame import Frame
from lowpanbudget.stack.upper import COAP, DTLS
from lowpanbudget.values import dataclass, frozen, replace

if TYPE_CHECKING:
    from lowpanbudget.design.meaning import Design

_MOST_REASONS = 2  # of formats that do not read a payload


class MessageValue(NamedTuple):
    """One value of a message: where it stands (``reading[0].strain``), the value, and its unit or nothing."""

    place: str
    value: Any
    unit: str

    def __repr__(self) -> str:
        return shown_named(self)


@dataclass(frozen=True, slots=True)
class Matched:
    """What a datagram is in a design.

    ``flow`` is the flow it belongs to. ``message`` is the format that reads its payload, ``values`` what it holds
    (read-only), ``readings`` the same as single values with units; all None or empty when no format does: ``faults``
    then says for each format why. ``others`` names further formats that read the payload as well: nothing in it tells
    them apart. ``sealed``: it is protected, as planned or otherwise, and not opened; ``unprotected`` is the planned
    protection that it goes without, in the clear ("OSCORE" or "DTLS"), or nothing; ``otherwise``
    another one that it has in its place.
    """

    flow: Flow
    message: Message | None = None
    values: dict[str, Any] | None = None
    readings: tuple[MessageValue, ...] = ()
    faults: tuple[tuple[str, WireError], ...] = ()
    others: tuple[str, ...] = ()
    sealed: bool = False
    unprotected: str = ""
    otherwise: str = ""

    @property
    def unread(self) -> str:
        """Return why none of the formats that its flow has reads it; nothing where one does, or it has none."""
        faults = self.faults if self.flow.messages else ()
        return "; ".join(f"{name}: {fault.message}" for name, fault in faults[:_MOST_REASONS])


class Matcher:
    """Finds the flow of a design for a datagram, by ports, addresses and CoAP path."""

    def __init__(self, design: "Design") -> None:
        self.design = design
        self._table = FlowTable(design)

    def match(
        self, key: FlowKey | None, datagram: Frame, *, opened: OpenedContent | None = None
    ) -> Matched | None:
        """Return what a datagram of this flow is in the design, or None when it belongs to no flow of it.

        ``opened`` is what was sealed in it and is in the clear.
        """
        if key is None or key.protocol != ipv6.UDP:
            return None
        message = datagram.packet.innermost(CoapMessage)
        outer = next((one for one in datagram.layers if isinstance(one, ipv6.Ipv6)), None)
        routed = None if outer is None else outer.next_header != ipv6.UDP
        fits = self._table.fitting(key, routed=routed)
        if opened is None and any(fit.flow.application.is_sealed for fit in fits):
            return self._perhaps_sealed(fits, datagram, message)
        flow = next((one for one in _forward(fits) if is_asked_by(one, message)), None)
        if flow is None:
            return None
        if opened is None or flow.application.coap is not None:
            return self._read(flow, message, application_of(datagram))
        # straight in its record; a handshake or an alert is no message
        content = opened.clear
        return None if content is None else self._read(flow, None, content)

    def _perhaps_sealed(
        self, fits: Sequence[FlowFit], datagram: Frame, message: CoapMessage | None
    ) -> Matched | None:
        """Return what a datagram is whose ports some flow has that seals its messages."""
        head = datagram.packet.head(Udp)
        octets = b"" if head is None else datagram.octets[head.end :]
        # the outermost one: what is sealed in it was not opened
        outer = next(iter(datagram.packet.all(CoapMessage)), None) or clear_message(octets)
        bare = unprotected(fits, octets, outer)
        is_its = bare is not None and bare.is_of_flow and not bare.fit.back
        if bare is not None and is_its and is_checksum_right(datagram) is not False:
            return self._in_clear(bare, octets)
        for fit in fits:
            if fit.back:
                continue
            if not fit.flow.application.is_sealed and is_asked_by(fit.flow, message):
                return self._read(fit.flow, message, application_of(datagram))
            # the ports decide about what is sealed, which shows no path
            if fit.flow.application.is_sealed and seals(fit.flow, octets, outer):
                return Matched(fit.flow, sealed=True)
        return None

    def _in_clear(self, bare: Unprotected, octets: bytes) -> Matched:
        flow, message = bare.fit.flow, bare.message
        if bare.instead:
            return Matched(flow, sealed=True, otherwise=bare.instead)
        found = Matched(flow)
        if flow.application.coap is None:
            found = self._read(flow, None, octets)
        elif message is not None and is_asked_by(flow, message):
            found = self._read(flow, message, message.payload)
        return replace(found, unprotected=bare.protection)

    def with_ports(self, key: FlowKey, *, routed: bool | None = None) -> list[Flow]:
        """Return the flows that the ports of a flow allow, those first that fit best."""
        return list(_forward(self._table.fitting(key, routed=routed)))

    def _read(self, flow: Flow, message: CoapMessage | None, payload: bytes) -> Matched:
        if message is not None and message.is_part:
            return Matched(flow)  # of a body that no single datagram holds
        return self._unpacked(flow, payload)

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


def _forward(fits: Sequence[FlowFit]) -> Iterator[Flow]:
    return (fit.flow for fit in fits if not fit.back)


def _readings(message: Message, values: dict[str, Any]) -> Iterator[MessageValue]:
    for held in single_values(message.fields, values):
        yield MessageValue(joined(held.path), held.value, getattr(held.field, "unit", ""))


def root_of(design: "Design") -> IPv6Address | None:
    """Return the address of the design's RPL root, as its paths have it."""
    flow = next(iter(design.flows), None)
    if flow is None or flow.border.role not in {"border", "collector"}:
        return None
    return flow.border.ip(design.link.addresses)


def rpi_type_of(design: "Design") -> int | None:
    """Return the type of the RPL option in the design's network; None where no flow is there to tell it."""
    routings = [one.routing for one in design.flows]
    routed = [one for one in routings if one != UNROUTED]
    return next((one.rpi_type for one in routed or routings), None)


def applications_of(design: "Design") -> Applications:
    """Return what goes between the ports of the design's flows; nothing of ports between which not all carry the same.

    DTLS records hide what they carry: a flow of CoAP in them is one of DTLS.
    """
    found: dict[tuple[int, int], set[str]] = {}
    for flow in design.flows:
        above, ports = flow.application, (flow.source_port, flow.destination_port)
        what = DTLS if above.dtls is not None else COAP if above.coap is not None else ""
        found.setdefault((min(ports), max(ports)), set()).add(what)
    return Applications.given(
        {ports: what.pop() for ports, what in found.items() if len(what) == 1 and what != {""}}
    )
