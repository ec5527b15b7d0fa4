"""Whole datagrams as rules look at them: their headers, ports and what came with them; all by the layers' decoders."""

from collections.abc import Sequence
from functools import cached_property, lru_cache
from ipaddress import IPv6Address
from typing import NamedTuple

from lowpanbudget.bits import Reader, Writer
from lowpanbudget.capture.follow.flows import mark_of
from lowpanbudget.env import Contexts
from lowpanbudget.errors import WireError
from lowpanbudget.findings.wording import hop_text
from lowpanbudget.layers.internet import chain, extension, ipv6, source_route, udp
from lowpanbudget.layers.internet.chain import ChainPlace
from lowpanbudget.layers.internet.coap import message as coap
from lowpanbudget.layers.internet.coap.message import CoapMessage
from lowpanbudget.layers.internet.dtls.record import DtlsRecord, Unified
from lowpanbudget.layers.internet.extension import OptionsHeader
from lowpanbudget.layers.internet.ipv6 import Ipv6
from lowpanbudget.layers.internet.rpi import RplOption
from lowpanbudget.layers.internet.udp import Udp
from lowpanbudget.layers.link.mac import BROADCAST
from lowpanbudget.layers.lowpan.iphc import Iphc
from lowpanbudget.layers.lowpan.mesh import Mesh
from lowpanbudget.layers.lowpan.nhc import UdpNhc
from lowpanbudget.stack.frame import Frame
from lowpanbudget.stack.pieces import FragmentedDatagram
from lowpanbudget.stack.upper import COAP_PORT
from lowpanbudget.values import dataclass, field

Ends = tuple[IPv6Address, IPv6Address]


class UdpContent(NamedTuple):
    """Who sends what over UDP: ports and the octets behind the header, in the clear where they were ``opened``."""

    source_port: int
    destination_port: int
    payload: bytes
    opened: bool = False

    @property
    def is_coap(self) -> bool:
        """Return whether a port is that of CoAP, or of what was opened and is CoAP inside."""
        return self.opened or COAP_PORT in (self.source_port, self.destination_port)


class CoapHead(NamedTuple):
    """The first fields of a CoAP message, as far as its token."""

    type: int
    code: int
    mid: int
    token: bytes = b""


class MessageBegun(NamedTuple):
    """A CoAP message that was first to have its message ID, as it was sent; ``reused``: another had it a moment ago.

    ``inside`` is what stood sealed in it, where that was opened.
    """

    head: CoapHead
    octets: bytes
    time_s: float
    number: int
    reused: bool
    inside: CoapMessage | None = None


@dataclass()
class HeardDatagram:
    """A whole datagram.

    ``header`` is its innermost IPv6 header as it was restored (lengths may be 0 in it), ``layers`` what was read in the
    frame or behind the header. ``iphc``, ``link_source`` and ``link_destination`` belong to the frame that brought its
    headers; ``numbers`` are all frames that brought it. ``upper`` is where its last header stands,
    ``clear`` its UDP payload in the clear where that was sealed and opened. ``is_sum_wrong``: its checksum is wrong.
    ``mesh_left`` are the hops left in a mesh below IPv6, where another than its originator passes it on, or it is for
    all.
    ``is_dropped``: nobody takes what it carries, ports among it, for what was sent.
    """

    octets: bytes
    header: Ipv6
    layers: Sequence[object]
    iphc: Iphc | None
    link_source: bytes | None
    link_destination: bytes | None
    pan_id: int | None
    contexts: Contexts
    numbers: tuple[int, ...]
    time_s: float
    upper: ChainPlace | None = None
    clear: bytes | None = None
    mesh_left: int | None = None
    is_sum_wrong: bool = field(init=False, default=False)
    is_dropped: bool = field(init=False, default=False)

    @property
    def fragments(self) -> int:
        """Return how many frames brought it."""
        return len(self.numbers)

    @property
    def destination(self) -> IPv6Address:
        """Return whom it is for in the end: as long as segments of a route are left, who is named last in it.

        The header names the next node of the route until then (RFC 8200 section 4.4, RFC 6554 section 4.2).
        """
        upper = self.upper
        return self.header.destination if upper is None else upper.destination

    @property
    def contexts_used(self) -> tuple[int | None, int | None]:
        """Return the numbers of the contexts that its source and destination lean on; None for no context."""
        return (None, None) if self.iphc is None else self.iphc.contexts

    @property
    def ends(self) -> Ends:
        """Return who sent it, and whom it is for in the end."""
        return self.header.source, self.destination

    @property
    def mark(self) -> int | None:
        """Return what stays the same of it on its way; None where its last header cannot be found."""
        upper = self.upper
        return None if upper is None else mark_of(self.header.source, self.octets, upper)

    @cached_property
    def outer(self) -> Ipv6:
        """Return its outermost IPv6 header, with the lengths that it carries."""
        return ipv6.header_of(self.octets)

    @cached_property
    def udp(self) -> UdpContent | None:
        """Return UDP ports and payload; None when there is no UDP that can be read."""
        place = self.upper or chain.find(self.octets, ipv6.UDP)
        if place is None or place.kind != ipv6.UDP:
            return None
        at = place.offset
        opened = self.clear is not None
        payload = self.octets[at + udp.OCTETS :] if self.clear is None else self.clear
        for layer in self.layers:
            if isinstance(layer, UdpNhc | Udp):
                return UdpContent(layer.source_port, layer.destination_port, payload, opened)
        header = self.udp_header(at)
        return (
            None
            if header is None
            else UdpContent(header.source_port, header.destination_port, payload, opened)
        )

    @property
    def udp_octets(self) -> bytes:
        """Return what stands behind its last UDP header as it was sent, be it sealed or not; nothing without one."""
        place = self.upper or chain.find(self.octets, ipv6.UDP)
        if place is None or place.kind != ipv6.UDP:
            return b""
        return self.octets[place.offset + udp.OCTETS :]

    @cached_property
    def coap_head(self) -> CoapHead | None:
        """Return the first fields of the CoAP message in it; None without one that can be read and is taken."""
        content = None if self.is_dropped else self.udp
        return coap_head(content.payload) if content is not None and content.is_coap else None

    @property
    def has_records(self) -> bool:
        """Return whether DTLS records were found in it."""
        return any(isinstance(one, DtlsRecord | Unified) for one in self.layers)

    @cached_property
    def udp_last(self) -> Udp | None:
        """Return its last header where that is UDP and whole, whatever stands before it: a RPL option, or a tunnel."""
        upper = self.upper
        return None if upper is None or upper.kind != ipv6.UDP else self.udp_header(upper.offset)

    def udp_header(self, at: int) -> Udp | None:
        """Return the UDP header at this octet; None where it is not whole."""
        if len(self.octets) < at + udp.OCTETS:
            return None
        return Udp(*udp.HEADER.values_at(self.octets, at).values())

    @cached_property
    def hop_by_hop(self) -> OptionsHeader | None:
        """Return the hop-by-hop options that follow its header; None without any that can be read."""
        if self.outer.next_header != ipv6.HOP_BY_HOP:
            return None
        try:
            length = ipv6.extension_octets(ipv6.HOP_BY_HOP, self.octets, ipv6.OCTETS)
            return _options(self.octets[ipv6.OCTETS : ipv6.OCTETS + length])
        except WireError:
            return None

    @cached_property
    def rpl_option(self) -> RplOption | None:
        """Return the RPL option of its hop-by-hop header; None without one."""
        header = self.hop_by_hop
        options = () if header is None else header.options
        return next((option for option in options if isinstance(option, RplOption)), None)

    @property
    def source_route(self) -> ChainPlace | None:
        """Return where the source route of its first routing header stands, if it is one; None without one."""
        place = chain.find(self.octets, ipv6.ROUTING)
        if place is None or len(self.octets) < place.offset + chain.ROUTING.octets:
            return None  # cut off
        kind = chain.ROUTING.values_at(self.octets, place.offset)["routing type"]
        return place if kind == source_route.TYPE else None


@lru_cache(4096)
def _options(octets: bytes) -> OptionsHeader | None:
    header = extension.decode(Reader(octets), ipv6.HOP_BY_HOP)
    return header if isinstance(header, OptionsHeader) else None


def coap_head(octets: bytes) -> CoapHead | None:
    """Return the first fields of a CoAP message; None where there are none that can be read.

    Token lengths 9 to 15 "MUST be processed as a message format error" (RFC 7252 section 3).
    """
    if len(octets) < coap.HEADER.octets or not coap.HEADER.starts(octets):
        return None
    values = coap.HEADER.values_at(octets)
    length = values["token length"]
    token = octets[coap.HEADER.octets :][:length]
    if length > coap.LONGEST_TOKEN or len(token) < length:
        return None
    return CoapHead(values["type"], values["code"], values["message id"], token)


def numbers_of(datagram: FragmentedDatagram) -> tuple[int, ...]:
    """Return the numbers of the frames that a datagram was sent in, each octet of it once."""
    return tuple(fragment.mark.number for fragment in datagram.fragments)


def hop_of(datagram: FragmentedDatagram) -> str:
    """Return sender and receiver of a datagram in fragments, as text."""
    return hop_text(datagram.key.source, datagram.key.destination)


def first_frame(datagram: FragmentedDatagram) -> Frame | None:
    """Return the frame of its first fragment, or one that is alike; None as long as none came."""
    first = next(
        (fragment.mark.template for fragment in datagram.fragments if fragment.first), None
    )
    return None if first is None else first.example


def headers_frame(frame: Frame, datagram: FragmentedDatagram | None) -> Frame | None:
    """Return the frame that brought the headers of what ``frame`` completes; None where nobody knows it any more."""
    if frame.fragment is None:
        return frame
    return None if datagram is None else first_frame(datagram)


def mesh_left_of(frame: Frame) -> int | None:
    """Return the hops left to what a node of a mesh below IPv6 passes on for another, or floods; None of all else."""
    is_own = frame.mac is None or frame.mac.source == frame.link_source
    if is_own and frame.link_destination != BROADCAST:
        return None
    mesh = frame.packet.find(Mesh)
    return None if mesh is None else mesh.hops_left


def iphc_of(datagram: FragmentedDatagram) -> Iphc | None:
    """Return the compressed header that its first fragment brought; None as long as none did."""
    first = first_frame(datagram)
    layers = () if first is None else reversed(first.layers)
    return next((layer for layer in layers if isinstance(layer, Iphc)), None)


def option_octets(option: RplOption) -> str:
    """Return an RPL option as hex text."""
    writer = Writer()
    extension.OPTIONS.write(writer, (option,))
    return bytes(writer.data).hex(" ")
