"""Who talks to whom in a datagram, what the application said in it, and whether its checksum is right."""

from collections.abc import Sequence
from ipaddress import IPv6Address
from typing import NamedTuple

from lowpanbudget.bits import Reader
from lowpanbudget.errors import WireError
from lowpanbudget.layers.internet import chain, icmpv6, ipv6, udp
from lowpanbudget.layers.internet.coap.message import CoapMessage
from lowpanbudget.layers.internet.icmpv6 import Icmpv6
from lowpanbudget.layers.internet.ipv6 import Ipv6
from lowpanbudget.layers.internet.udp import Udp
from lowpanbudget.stack.decoder import decode_datagram
from lowpanbudget.stack.frame import Frame


class FlowKey(NamedTuple):
    """Who talks to whom: innermost addresses, next-header number of the transport, ports or ICMPv6 type and code.

    ``source`` and ``destination`` are ``IPv6Address``; ports are None without any, ``icmpv6`` is (type, code) or None.
    ``str`` gives it in words.
    """

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


def upper_of(octets: bytes, headers: Sequence[object] = ()) -> chain.ChainPlace | None:
    """Return where the last header of a datagram stands, or of the front of one; None when the first is not whole.

    ``headers`` are those at its beginning that are known.
    """
    first = headers[0] if headers and isinstance(headers[0], Ipv6) else None
    if first is not None and len(headers) > 1 and isinstance(headers[1], Udp):
        return chain.ChainPlace(ipv6.UDP, ipv6.OCTETS, first.source, first.destination)
    last = None
    try:
        for last in chain.walk(octets, first):  # noqa: B007  # the last one found before a fault counts
            pass
    except WireError:
        pass
    return last


def mark_of(source: IPv6Address | int, octets: bytes, upper: chain.ChainPlace) -> int:
    """Return what stays the same of a datagram on its way: who sent it, and what its last header covers.

    Nothing numbers an IPv6 datagram; hop limits, routing headers and the RPL option change from hop to hop.
    """
    return hash((int(source), octets[upper.offset :]))


def flow_of(octets: bytes, headers: Sequence[object] = ()) -> FlowKey | None:
    """Return the flow of a datagram, or of the front of one; None without any.

    ``headers`` are those at its beginning that are known.
    """
    return flow_behind(octets, upper_of(octets, headers), headers)


def flow_behind(
    octets: bytes, upper: chain.ChainPlace | None, headers: Sequence[object] = ()
) -> FlowKey | None:
    """Return the same where the last header is known to be ``upper``."""
    if upper is None:
        return None
    kind, at, source, destination, _ = upper
    if kind == ipv6.UDP and headers and isinstance(headers[-1], Udp):
        ports = headers[-1].source_port, headers[-1].destination_port
        return FlowKey(source, destination, kind, *ports)
    reader = Reader(octets, at)
    try:
        if kind == ipv6.UDP:
            header = udp.decode(reader)
            return FlowKey(source, destination, kind, header.source_port, header.destination_port)
        if kind == ipv6.ICMPV6:
            values, _ = icmpv6.START.read(reader)
            return FlowKey(source, destination, kind, icmpv6=(values["type"], values["code"]))
    except WireError:
        pass  # a front that ends before the ports
    return FlowKey(source, destination, kind)


def application_of(datagram: Frame) -> bytes:
    """Return what the application sent in a datagram read: behind UDP, or behind CoAP where that could be read.

    Of CoAP messages one in the other, as OSCORE has them, the innermost counts.
    """
    message = datagram.packet.innermost(CoapMessage)
    if message is not None:
        return message.payload
    head = datagram.packet.head(Udp)
    return b"" if head is None else datagram.octets[head.end :]


def is_whole(frame: Frame) -> bool | None:
    """Return whether an integrity code or a checksum proves that a frame ends where it should; None without either."""
    if frame.verified:
        return True
    if frame.datagram is None or frame.datagram.checksum_elided:
        return None
    return is_checksum_right(decode_datagram(frame.datagram.octets))


def is_checksum_right(datagram: Frame) -> bool | None:
    """Return whether the transport checksum of a datagram read is right; None where there is none to test."""
    message = datagram.packet.find(Icmpv6)
    if message is not None:
        return message.checksum_ok
    place = chain.find(datagram.octets, ipv6.UDP)
    header = datagram.packet.find(Udp)
    if place is None or place.hidden or header is None:
        return None
    segment = datagram.octets[place.offset :]
    return header.checksum == udp.checksum(place.source, place.destination, segment)
