"""Whole datagrams as rules look at them: their headers, ports and what came with them; all by the layers' decoders."""

from collections.abc import Sequence
from functools import lru_cache
from ipaddress import IPv6Address
from typing import NamedTuple

from lowpanbudget.bits import Reader, Writer
from lowpanbudget.errors import WireError
from lowpanbudget.findings.heard_headers import Ends, HeardHeaders
from lowpanbudget.findings.wording import hop_text
from lowpanbudget.layers.internet import chain, extension, ipv6, source_route, udp
from lowpanbudget.layers.internet.chain import ChainPlace
from lowpanbudget.layers.internet.coap import message as coap
from lowpanbudget.layers.internet.coap.message import CoapMessage
from lowpanbudget.layers.internet.extension import OptionsHeader
from lowpanbudget.layers.internet.ipv6 import Ipv6
from lowpanbudget.layers.internet.rpi import RplOption
from lowpanbudget.layers.internet.udp import Udp
from lowpanbudget.layers.link.mac import BROADCAST
from lowpanbudget.layers.lowpan.iphc import Iphc
from lowpanbudget.layers.lowpan.mesh import Mesh
from lowpanbudget.stack.frame import Frame
from lowpanbudget.stack.pieces import FragmentedDatagram
from lowpanbudget.stack.upper import COAP
from lowpanbudget.values import dataclass, field, found_once, replace


class UdpContent(NamedTuple):
    """Who sends what over UDP: ports and the octets behind the header, in the clear where they were ``opened``.

    ``protocol`` is what goes between these ports, CoAP or DTLS, where that is known.
    """

    source_port: int
    destination_port: int
    payload: bytes
    opened: bool = False
    protocol: str = ""

    @property
    def is_coap(self) -> bool:
        """Return whether CoAP goes between these ports, or was opened and is CoAP inside."""
        return self.opened or self.protocol == COAP


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


@dataclass()  # the last attributes are those of the class until they are set
class HeardDatagram:
    """A whole datagram.

    ``headers`` are what it has alike with others; ``numbers`` are all frames that brought it. ``clear`` is its UDP
    payload in the clear where that was sealed and opened. ``mark`` is what stays the same of it on its way; None where
    its last header cannot be found. ``is_sum_wrong``: its checksum is wrong. ``is_dropped``: nobody takes what it
    carries, ports among it, for what was sent.
    """

    octets: bytes
    headers: HeardHeaders
    numbers: tuple[int, ...]
    time_s: float
    clear: bytes | None = None
    mark: int | None = None
    is_sum_wrong: bool = field(init=False, default=False)
    is_dropped: bool = field(init=False, default=False)

    @property
    def header(self) -> Ipv6:
        """Return its innermost IPv6 header as it was restored."""
        return self.headers.header

    @property
    def layers(self) -> Sequence[object]:
        """Return what was read in the frame or behind the header."""
        return self.headers.layers

    @property
    def iphc(self) -> Iphc | None:
        """Return the compressed header that brought its first one."""
        return self.headers.iphc

    @property
    def link_source(self) -> bytes | None:
        """Return the link source of the frame that brought its headers."""
        return self.headers.link_source

    @property
    def link_destination(self) -> bytes | None:
        """Return the link destination of that frame."""
        return self.headers.link_destination

    @property
    def pan_id(self) -> int | None:
        """Return the PAN of that frame."""
        return self.headers.pan_id

    @property
    def upper(self) -> ChainPlace | None:
        """Return where its last header stands."""
        return self.headers.upper

    @property
    def fragments(self) -> int:
        """Return how many frames brought it."""
        return len(self.numbers)

    @property
    def destination(self) -> IPv6Address:
        """Return whom it is for in the end."""
        return self.headers.destination

    @property
    def contexts_used(self) -> tuple[int | None, int | None]:
        """Return the numbers of the contexts that its source and destination lean on; None for no context."""
        iphc = self.headers.iphc
        return (None, None) if iphc is None else iphc.contexts

    @property
    def ends(self) -> Ends:
        """Return who sent it, and whom it is for in the end."""
        return self.headers.ends

    def drop(self, layers: Sequence[object]) -> None:
        """Leave these of its headers: nobody takes the others for what was sent."""
        self.is_dropped, self.headers = True, replace(self.headers, layers=layers)

    @found_once
    def outer(self) -> Ipv6:
        """Return its outermost IPv6 header, with the lengths that it carries."""
        return ipv6.header_of(self.octets)

    @property
    def ports(self) -> tuple[int, int] | None:
        """Return its UDP ports; None when there is no UDP that can be read."""
        ports = self.headers.ports
        if ports is None and self.udp_last is not None:
            ports = self.udp_last.source_port, self.udp_last.destination_port
        return ports

    @found_once
    def udp(self) -> UdpContent | None:
        """Return UDP ports and payload; None when there is no UDP that can be read."""
        ports = self.ports
        if ports is None:
            return None
        payload = self.udp_octets if self.clear is None else self.clear
        protocol = self.headers.applications.of(*ports)
        return UdpContent(*ports, payload, self.clear is not None, protocol)

    @property
    def udp_octets(self) -> bytes:
        """Return what stands behind its last UDP header as it was sent, be it sealed or not; nothing without one."""
        upper = self.upper
        if upper is None or upper.kind != ipv6.UDP:
            return b""
        return self.octets[upper.offset + udp.OCTETS :]

    @found_once
    def coap_head(self) -> CoapHead | None:
        """Return the first fields of the CoAP message in it; None without one that can be read and is taken."""
        content = None if self.is_dropped else self.udp
        return coap_head(content.payload) if content is not None and content.is_coap else None

    @property
    def has_records(self) -> bool:
        """Return whether DTLS records were found in it."""
        return self.headers.has_records

    @found_once
    def udp_last(self) -> Udp | None:
        """Return its last header where that is UDP and whole, whatever stands before it: a RPL option, or a tunnel."""
        upper = self.upper
        return None if upper is None or upper.kind != ipv6.UDP else self.udp_header(upper.offset)

    def udp_header(self, at: int) -> Udp | None:
        """Return the UDP header at this octet; None where it is not whole."""
        if len(self.octets) < at + udp.OCTETS:
            return None
        return Udp(*udp.HEADER.values_at(self.octets, at).values())

    @found_once
    def hop_by_hop(self) -> OptionsHeader | None:
        """Return the hop-by-hop options that follow its header; None without any that can be read."""
        if self.outer.next_header != ipv6.HOP_BY_HOP:
            return None
        try:
            length = ipv6.extension_octets(ipv6.HOP_BY_HOP, self.octets, ipv6.OCTETS)
            return _options(self.octets[ipv6.OCTETS : ipv6.OCTETS + length])
        except WireError:
            return None

    @found_once
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
