"""Datagrams of a capture matched with the flows of a design, and what the design plans for each."""

from functools import lru_cache
from typing import NamedTuple

from lowpanbudget.bits import Nature, Reader, Span
from lowpanbudget.capture.follow.flow_table import MOST_KNOWN, FlowFit, FlowTable, is_asked_by
from lowpanbudget.capture.follow.flows import FlowKey
from lowpanbudget.capture.follow.protection import Unprotected, unprotected
from lowpanbudget.capture.recent import Recent
from lowpanbudget.design.flow import FIRST, Flow
from lowpanbudget.design.meaning import Design
from lowpanbudget.design.path import FlowPath
from lowpanbudget.errors import WireError
from lowpanbudget.findings.datagrams import HeardDatagram, UdpContent
from lowpanbudget.layers.internet import ipv6
from lowpanbudget.layers.internet.coap.message import CoapMessage, decode
from lowpanbudget.layers.link.auxiliary import CONTROL, KEY_ID

FieldBits = dict[tuple[str, str], int]
# an index alone, or one with its source, names a key: one field, whose form differs
_FORMS = {
    (CONTROL.name, part.name): (CONTROL.name, KEY_ID.carries)
    for row in KEY_ID.rows
    for part in row.parts
}


class FlowMatch(NamedTuple):
    """The flow that a datagram belongs to, and what it carries; ``back``: it goes the other way, as answers do.

    ``between``: its ends may be those of the flow.
    """

    flow: Flow
    back: bool
    content: UdpContent
    between: bool = True


class FlowBook:
    """The flows of a design, found by ports, addresses and, of several, by what is asked for."""

    def __init__(self, design: Design) -> None:
        self._table = FlowTable(design)
        self._sealing = {
            flow.destination_port for flow in design.flows if flow.application.is_sealed
        }
        self._known = Recent[tuple[int, int, bool, int, int], list[FlowFit]](MOST_KNOWN)

    def match(self, datagram: HeardDatagram) -> FlowMatch | None:
        """Return the flow of a datagram, of those with its ports the one that fits best; None for others.

        Of several with CoAP that is the first whose request it is. Where it is none of theirs the ports decide alone:
        what is otherwise than planned is to be compared.
        """
        content = datagram.udp
        if content is None:
            return None
        source, destination = datagram.header.source, datagram.destination
        ports = (content.source_port, content.destination_port)
        routed = datagram.outer.next_header != ipv6.UDP  # what RPL adds stands between IPv6 and UDP
        key = (*datagram.ends, routed, *ports)
        fits = self._known.get(key)
        if fits is None:
            fitting = self._table.fitting(
                FlowKey(source, destination, ipv6.UDP, *ports), routed=routed
            )
            fits = self._known[key] = [fit for fit in fitting if fit.both]
        if not fits:
            return None
        best = fits[0]
        if len(fits) > 1 and not best.back:
            message = _request_in(datagram, content)
            asked = (fit for fit in fits if not fit.back and is_asked_by(fit.flow, message))
            best = next(asked, best)
        return FlowMatch(best.flow, best.back, content, best.between)

    def seals(self, datagram: HeardDatagram) -> bool:
        """Return whether a port is one to which some flow is planned sealed."""
        content = datagram.udp if self._sealing else None
        if content is None:
            return False
        return content.destination_port in self._sealing or content.source_port in self._sealing

    def unprotected(self, datagram: HeardDatagram) -> Unprotected | None:
        """Return the flow that a datagram belongs to, where it goes without the protection planned for that one.

        Of one whose checksum is wrong nobody knows what was sent. What was opened is looked at as it was on the air.
        """
        content = datagram.udp
        if content is None or datagram.is_sum_wrong:
            return None
        source, destination = datagram.header.source, datagram.destination
        ends = FlowKey(source, destination, ipv6.UDP, content.source_port, content.destination_port)
        routed = datagram.outer.next_header != ipv6.UDP
        fits = self._table.fitting(ends, routed=routed)
        message = None if content.opened else _message_in(datagram)
        return unprotected(fits, datagram.udp_octets, message)


def _request_in(datagram: HeardDatagram, content: UdpContent) -> CoapMessage | None:
    """Return the CoAP message of a datagram, in the clear; None without one that can be read."""
    if not content.is_coap:
        return None
    if not content.opened:
        return _message_in(datagram)
    try:
        return decode(Reader(content.payload))
    except WireError:
        return None


def _message_in(datagram: HeardDatagram) -> CoapMessage | None:
    return next(iter(datagram.headers.messages), None)


@lru_cache(256)
def planned_bits(path: FlowPath) -> FieldBits:
    """Return the bits of each header field in a frame of this path, application data left out."""
    frame = path.frames(b"\0")[0]
    return field_bits(frame.spans, len(frame.octets) - path.link.fcs)


@lru_cache(256)
def link_bits(path: FlowPath) -> FieldBits:
    """Return the bits of each field of the link's own header and trailer in a frame of this path."""
    frame = path.link.frame(path.hop.source, path.hop.destination, b"")
    return field_bits(frame.spans, len(frame.octets) - path.link.fcs)


def field_bits(spans: tuple[Span, ...], octets: int) -> FieldBits:
    """Return the bits of each header field in the first octets of a frame, by layer and name."""
    bits: FieldBits = {}
    for span in spans:
        if span.nature is Nature.HEADER and span.offset_bits < 8 * octets:
            key = (span.layer, span.name)
            key = _FORMS.get(key, key)
            bits[key] = bits.get(key, 0) + span.bits
    return bits


def path_of(design: Design, flow: Flow, *, first: bool) -> FlowPath:
    """Return the path of the first hop, or the one whose headers are longest."""
    paths = design.paths(flow)
    if first:
        return next(path for path in paths if path.hop.name == FIRST)
    return max(paths, key=lambda path: sum(planned_bits(path).values()))
