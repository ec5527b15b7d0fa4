"""The headers that a frame stands for, hung on the compressed heads that they came from.

Each compressed header says itself, by the rows that carried it, what its fields were restored from; here they are asked
one after the other, with what only the frame knows: link addresses, contexts, where lengths come from.
"""

from collections import Counter
from collections.abc import Callable, Mapping
from typing import Any, Protocol

from lowpanbudget.bits import Reader, Span
from lowpanbudget.env import RPI_TYPES, Contexts
from lowpanbudget.errors import WireError
from lowpanbudget.fields import IN_LINE, Head, Packet, Restored
from lowpanbudget.layers.internet import chain, extension, ipv6, udp
from lowpanbudget.layers.internet.ipv6 import Ipv6
from lowpanbudget.layers.internet.udp import Udp
from lowpanbudget.layers.link.mac import Mac
from lowpanbudget.layers.lowpan import lorh
from lowpanbudget.layers.lowpan.extension_nhc import ExtensionNhc
from lowpanbudget.layers.lowpan.fragment import Fragment
from lowpanbudget.layers.lowpan.iphc import OUTER_HEADER, Iphc, Origin
from lowpanbudget.layers.lowpan.legacy import Legacy
from lowpanbudget.layers.lowpan.lorh import IpInIp, Rpi, SrhLorh
from lowpanbudget.layers.lowpan.nhc import UdpNhc
from lowpanbudget.layers.lowpan.recovery import Rfrag
from lowpanbudget.layers.lowpan.routing import hop_by_hop_of


class FrameRead(Protocol):
    """What is asked of a frame that was read; see ``Frame``."""

    mac: Mac | None
    link_source: bytes | None
    link_destination: bytes | None
    fragment: Any
    fault: WireError | None

    @property
    def packet(self) -> Packet:
        """Return its heads, with the values restored from them."""


# headers that the IPv6 header names as its next, and what stands for them
_IN_SHORT_FORM = (
    (Rpi, ipv6.HOP_BY_HOP, ("the RPI-6LoRH", lorh.RPL_INFORMATION)),
    (SrhLorh, ipv6.ROUTING, ("the SRH-6LoRH", lorh.SOURCE_ROUTE)),
)
_INNER = (OUTER_HEADER, OUTER_HEADER)
_LENGTH_FROM = {
    Fragment: "from datagram_size",
    Rfrag: "from the Datagram_Size that stands as Fragment_Offset",
}


def restored(
    frame: FrameRead, contexts: Mapping[int, Any], datagram: bytes | None = None
) -> tuple[Restored, ...]:
    """Return the headers that a frame's compressed heads stand for, in order; none when it restores none.

    ``contexts`` are those it was decoded with. ``datagram`` is the whole datagram of a first fragment, where known: a
    checksum that was elided can be told only then.
    """
    part = frame.fragment
    if frame.fault is not None or (isinstance(part, Fragment) and not part.first):
        return ()
    length = _LENGTH_FROM.get(type(part), "from the frame's length")
    packet = frame.packet
    tunnels = sum(isinstance(head.value, IpInIp) for head in packet.heads)
    origin = Origin(length, _links(frame), Contexts.of(contexts), tunnelled=tunnels > 0)
    values = packet.values if datagram is None else _completed(packet.values, datagram)
    walk = _Walk(packet._replace(values=values), origin, tunnels)
    headers: list[Restored] = []
    for head in packet.heads:
        more = walk.headers(head)
        if more is None:
            break
        headers += more
    return tuple(headers)


def _links(frame: FrameRead) -> tuple[str, str]:
    """Return in words which link address each side's identifier follows from."""
    words = []
    for which in ("source", "destination"):
        link = frame.link_source if which == "source" else frame.link_destination
        mac = None if frame.mac is None else getattr(frame.mac, which)
        what = "link address" if frame.mac is None or mac == link else "mesh header's address"
        words.append(f"the {what} {'' if link is None else link.hex(':')}".rstrip())
    return words[0], words[1]


def _completed(values: tuple[Any, ...], datagram: bytes) -> tuple[Any, ...]:
    """Return restored headers with the UDP header of the whole datagram."""
    place = chain.find(datagram, ipv6.UDP)
    if place is None or len(datagram) < place.offset + udp.OCTETS:
        return values
    header = udp.decode(Reader(datagram, place.offset))
    return tuple(header if isinstance(value, Udp) else value for value in values)


class _Walk:
    """What is known while the heads of a frame are walked."""

    def __init__(self, packet: Packet, origin: Origin, tunnels: int) -> None:
        self.packet = packet
        self.origin = origin
        self.addressed = [value for value in packet.values if isinstance(value, Ipv6)]
        self.udp = next((value for value in packet.values if isinstance(value, Udp)), None)
        # the outer headers that 6LoRH stands for come first in the datagram
        self.depths = Counter({ipv6.HEADER.name: tunnels})
        self.begun = False

    def headers(self, head: Head) -> tuple[Restored, ...] | None:
        """Return what a head stands for; None where the datagram's own headers end."""
        value = head.value
        if isinstance(value, Iphc):
            return (self._compressed(value, head),)
        if isinstance(value, UdpNhc):
            return self._udp(lambda header: value.restored(header, head.start, self.origin.length))
        if isinstance(value, ExtensionNhc):
            if value.kind == ipv6.IPV6:
                return ()  # IPHC follows
            field = value.restored(head.start, head.end)
            return (self._named(field.layer, value.octets, (field,), (8 * len(value.octets),)),)
        if isinstance(value, Legacy):
            header = self._header(value.header)
            spans = value.restored(header, self.origin.length)
            udp_spans = lambda sent: value.restored_udp(sent, self.origin.length)  # noqa: E731
            return (self._ip(header, spans), *(self._udp(udp_spans) if value.udp else ()))
        if isinstance(value, Ipv6 | Udp):
            return (self._carried(head),)
        if isinstance(value, extension.AnyHeader | lorh.RoutingHeader):
            return (self._single_field(head),)
        return None if self.begun else ()

    def _named(
        self, name: str, value: Any, spans: tuple[Span, ...], widths: tuple[int, ...]
    ) -> Restored:
        self.begun = True
        depth = self.depths[name]
        self.depths[name] += 1
        return Restored(name, depth, value, spans, widths)

    def _header(self, default: Ipv6) -> Ipv6:
        depth = self.depths[ipv6.HEADER.name]
        return self.addressed[depth] if depth < len(self.addressed) else default

    def _ip(self, header: Ipv6, spans: tuple[Span, ...]) -> Restored:
        """Return an IPv6 header; for one that follows inside it stands in place of the link."""
        self.origin = self.origin._replace(links=_INNER)
        return self._named(ipv6.HEADER.name, header, spans, ipv6.WIDTHS)

    def _compressed(self, layer: Iphc, head: Head) -> Restored:
        header = self._header(layer.header)
        origin = self.origin
        for kind, number, source in _IN_SHORT_FORM:
            if number == header.next_header and kind in map(type, self._routing_of(head)):
                origin = origin._replace(next_header=source)
        return self._ip(header, layer.restored(header, head.start, origin))

    def _routing_of(self, head: Head) -> list[lorh.RoutingHeader]:
        """Return the routing headers of the IPv6 header that this head carries: those behind the last outer one."""
        found: list[lorh.RoutingHeader] = []
        for before in self.packet.heads[: self.packet.heads.index(head)]:
            if isinstance(before.value, IpInIp):
                found.clear()
            elif isinstance(before.value, lorh.RoutingHeader):
                found.append(before.value)
        return found

    def _udp(self, spans: Callable[[Udp], tuple[Span, ...]]) -> tuple[Restored, ...]:
        if self.udp is None:
            return ()
        return (self._named(udp.HEADER.name, self.udp, spans(self.udp), udp.WIDTHS),)

    def _carried(self, head: Head) -> Restored:
        """Return a header that goes as it is, field by field."""
        spans = tuple(span._replace(source=IN_LINE) for span in self.packet.spans_of(head))
        return self._named(spans[0].layer, head.value, spans, tuple(span.bits for span in spans))

    def _single_field(self, head: Head) -> Restored:
        """Return a routing header in short form, or an extension header as it is, as one field."""
        first = self.packet.spans_of(head)[0]
        bits = 8 * (head.end - head.start)
        if isinstance(head.value, Rpi):
            return self._option(head.value, first, bits)
        short = isinstance(head.value, lorh.RoutingHeader)
        source = "a routing header in short form" if short else IN_LINE
        field = first._replace(bits=bits, name=first.layer, value=None, meaning="", source=source)
        return self._named(first.layer, head.value, (field,), (0 if short else bits,))

    def _option(self, rpi: Rpi, first: Span, bits: int) -> Restored:
        """Return the hop-by-hop header that an RPI-6LoRH stands for: 8 octets, whatever the type of its option."""
        width = 8 * len(hop_by_hop_of(rpi, RPI_TYPES[0]))
        told = first._replace(
            bits=bits, name="RPL option", value=None, meaning="", source="the RPI-6LoRH, in line",
            cite=lorh.RPL_INFORMATION,
        )  # fmt: skip
        return self._named(ipv6.next_header_name(ipv6.HOP_BY_HOP), rpi, (told,), (width,))
