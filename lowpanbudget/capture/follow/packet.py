"""A datagram read: its headers, who talks to whom in it, and what the application said."""

from dataclasses import dataclass, field
from ipaddress import IPv6Address
from typing import Any, NamedTuple

from lowpanbudget.bits import Reader, Span
from lowpanbudget.errors import WireError
from lowpanbudget.fields import Head
from lowpanbudget.layers.internet import chain, icmpv6, ipv6, udp
from lowpanbudget.layers.internet.coap import message as coap
from lowpanbudget.layers.internet.icmpv6 import Icmpv6
from lowpanbudget.layers.internet.ipv6 import Ipv6
from lowpanbudget.stack.upper import read_upper


class FlowKey(NamedTuple):
    """Who talks to whom: innermost addresses, next-header number of the transport, ports or ICMPv6 type and code."""

    source: IPv6Address
    destination: IPv6Address
    protocol: int
    source_port: int | None = None
    destination_port: int | None = None
    icmpv6: tuple[int, int] | None = None

    @property
    def what(self) -> str:
        """Return the transport in words, the ICMPv6 message by its name."""
        if self.icmpv6 is not None:
            return icmpv6.name_of(*self.icmpv6)
        return ipv6.next_header_name(self.protocol)

    def __str__(self) -> str:
        """Return both ends and the transport."""
        if self.source_port is None:
            return f"{self.source} to {self.destination}, {self.what}"
        ends = f"[{self.source}]:{self.source_port} to [{self.destination}]:{self.destination_port}"
        return f"{ends}, {self.what}"


def flow_of(octets: bytes) -> FlowKey | None:
    """Return the flow of a datagram, or of the front of one; None when not even its IPv6 header is whole."""
    last = None
    try:
        for last in chain.walk(octets):  # noqa: B007  # the last one found before a fault counts
            pass
    except WireError:
        pass
    if last is None:
        return None
    kind, at, source, destination = last
    if kind == ipv6.UDP and len(octets) >= at + 4:
        ports = (
            int.from_bytes(octets[at : at + 2], "big"),
            int.from_bytes(octets[at + 2 : at + 4], "big"),
        )
        return FlowKey(source, destination, kind, *ports)
    if kind == ipv6.ICMPV6 and len(octets) >= at + 2:
        return FlowKey(source, destination, kind, icmpv6=(octets[at], octets[at + 1]))
    return FlowKey(source, destination, kind)


@dataclass(slots=True)
class Packet:
    """A datagram read.

    ``layers`` are its headers and what they carry, as far as they could be read; ``payload`` is what the application
    sent: behind UDP, or behind CoAP where that could be read. ``fault`` says why reading ended early. ``spans`` tile
    the datagram. ``checksum_ok`` is None where there is no checksum to test.
    """

    octets: bytes
    flow: FlowKey | None = None
    heads: list[Head] = field(default_factory=list)
    payload: bytes = b""
    checksum_ok: bool | None = None
    spans: tuple[Span, ...] = ()
    fault: WireError | None = None

    @property
    def layers(self) -> list[Any]:
        """Return the headers themselves, outermost first."""
        return [head.value for head in self.heads]

    @property
    def header(self) -> Ipv6 | None:
        """Return the outermost IPv6 header."""
        return next((layer for layer in self.layers if isinstance(layer, Ipv6)), None)

    @property
    def coap(self) -> coap.CoapMessage | None:
        """Return the CoAP message, if there is one."""
        return next((layer for layer in self.layers if isinstance(layer, coap.CoapMessage)), None)

    @property
    def icmpv6(self) -> Icmpv6 | None:
        """Return the ICMPv6 message, if there is one."""
        return next((layer for layer in self.layers if isinstance(layer, Icmpv6)), None)


def read_packet(octets: bytes) -> Packet:
    """Return an IPv6 datagram read; never raises on any octets."""
    packet = Packet(octets, flow_of(octets))
    reader = Reader(octets)
    try:
        header = ipv6.decode(reader)
        packet.heads.append(Head(header, 0, reader.pos))
        upper = read_upper(reader, header.next_header, header.source, header.destination)
        packet.heads += upper.heads
        packet.fault = upper.fault
    except WireError as error:
        packet.fault = error.bare()
    if reader.left:
        reader.layer = "payload"
        reader.rest("payload", "not read")
    packet.spans = tuple(reader.spans)
    _transport(packet)
    return packet


def _transport(packet: Packet) -> None:
    found = chain.find(packet.octets, ipv6.UDP)
    message = packet.icmpv6
    if message is not None:
        packet.checksum_ok = message.checksum_ok
    elif found is not None and len(packet.octets) >= found.offset + udp.OCTETS:
        segment = packet.octets[found.offset :]
        right = udp.checksum(found.source, found.destination, segment)
        packet.checksum_ok = segment[6:8] == right.to_bytes(2, "big")
        packet.payload = segment[udp.OCTETS :]
    if packet.coap is not None:
        packet.payload = packet.coap.payload
