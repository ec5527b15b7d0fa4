"""What addresses and octets a checksum may have been computed over, other than the restored ones."""

from collections.abc import Iterator
from dataclasses import replace
from enum import Enum
from ipaddress import IPv6Address
from typing import NamedTuple

from lowpanbudget.bits import Reader, Writer
from lowpanbudget.env import (
    IID_MASK,
    SHORT_IID,
    UNIVERSAL_LOCAL,
    Contexts,
    interface_identifier,
    old_interface_identifier,
)
from lowpanbudget.errors import WireError
from lowpanbudget.findings.datagrams import HeardDatagram
from lowpanbudget.findings.sums import PORT_BITS, PortForm
from lowpanbudget.findings.surroundings import Surroundings
from lowpanbudget.layers.internet import chain, extension, icmpv6, ipv6, udp
from lowpanbudget.layers.internet.source_route import SourceRoute
from lowpanbudget.layers.link.nonces import Devices
from lowpanbudget.layers.lowpan.addresses import LINK_LOCAL
from lowpanbudget.layers.lowpan.nhc import UdpNhc
from lowpanbudget.stack.upper import APPLICATION_PORTS


class Slip(Enum):
    """What a sender may have done otherwise, so that its checksum does not match; NONE: nothing that is known.

    SEVERAL: different ones do the same, and nobody can tell which it was.
    """

    CONTEXT = "another prefix under a context"
    OLD_RULE = "identifiers by RFC 4944"
    UNIVERSAL = "the universal/local bit the other way round"
    REVERSED = "an extended address in reversed octet order"
    OPTION = "extension headers counted"
    ROUTE = "another destination of a route"
    PORT = "a port that its form does not carry"
    LENGTH = "no length in the pseudo-header"
    LENGTH_IN_LINE = "another length in line"
    EXCHANGED = "the octets of the checksum in the other order"
    TAIL = "octets behind the datagram"
    FORMULA = "another formula of the sum"
    PADDING = "an odd octet on the other side of its word"
    OWN = "another address of the same node"
    TUNNEL = "an identifier of the link address behind an outer header"
    SEVERAL = "one of several"
    NONE = "none"


class Guess(NamedTuple):
    """Another address that one may have stood for: the slip, and why."""

    slip: Slip
    text: str
    address: IPv6Address


class Segment(NamedTuple):
    """The last UDP or ICMPv6 message of a datagram, and what its checksum covers besides."""

    kind: int
    octets: bytes
    carried: int
    at: int
    source: IPv6Address
    destination: IPv6Address

    def checksum(self, source: IPv6Address, destination: IPv6Address) -> int:
        """Return the right checksum between these addresses."""
        checksum = udp.checksum if self.kind == ipv6.UDP else icmpv6.checksum
        return checksum(source, destination, self.octets)


class Trial(NamedTuple):
    """A reading of a datagram, whether it makes the checksum right, and ``what`` it changes, without the addresses."""

    slip: Slip
    text: str
    fits: bool
    what: str


def guesses_of(
    datagram: HeardDatagram,
    known: Surroundings,
    devices: Devices,
    address: IPv6Address,
    *,
    source: bool,
) -> Iterator[Guess]:
    """Yield other addresses that this one may have stood for, as far as it was not carried in full."""
    packed = datagram.iphc
    if packed is None:
        return
    row = packed.rows["source" if source else "destination"]
    # carried in full, unspecified or multicast; what routing headers changed is no longer this row's address
    restored = packed.header.source if source else packed.header.destination
    is_other = address.is_multicast or address.is_unspecified
    if row.inline == 16 or is_other or restored != address:
        return
    if row.inline < 8:
        link = datagram.link_source if source else datagram.link_destination
        yield from _identifiers(datagram, known, address, link, row.inline)
        yield from _of_device(datagram, devices, address)
    number = packed.contexts[0 if source else 1]
    yield from _prefixes(datagram.headers.contexts, known, address, number)


def _identifiers(
    datagram: HeardDatagram,
    known: Surroundings,
    address: IPv6Address,
    link: bytes | None,
    inline: int,
) -> Iterator[Guess]:
    prefix, iid = int(address) >> 64 << 64, int(address) & IID_MASK
    short = None
    if inline == 2 or (link is not None and len(link) == 2):
        short = (iid & 0xFFFF).to_bytes(2, "big")
    if short is not None and iid == SHORT_IID | int.from_bytes(short, "big"):
        pans = [pan for pan in (datagram.pan_id, *known.pans) if pan is not None]
        for pan in dict.fromkeys(pans[:4]):
            old = old_interface_identifier(pan, short)
            if old != iid:
                text = "identifiers by RFC 4944 section 6, with the PAN ID"
                yield Guess(Slip.OLD_RULE, text, IPv6Address(prefix | old))
            kept = pan << 48 | iid
            if kept not in {old, iid}:
                text = "identifiers with the PAN ID as it is"
                yield Guess(Slip.OLD_RULE, text, IPv6Address(prefix | kept))
    if inline == 0 and link is not None and chain.find(datagram.octets, ipv6.IPV6) is not None:
        own = interface_identifier(link) or 0
        if own != iid:
            text = "the identifier is that of the link address, not of the outer header"
            yield Guess(Slip.TUNNEL, text, IPv6Address(prefix | own))
    flipped = IPv6Address(prefix | iid ^ UNIVERSAL_LOCAL)
    yield Guess(Slip.UNIVERSAL, "the universal/local bit the other way round", flipped)
    if link is not None and len(link) == 8 and inline == 0 and link != link[::-1]:
        turned = link[::-1]
        text = "the extended address in reversed octet order"
        for backwards in (interface_identifier(turned) or 0, int.from_bytes(turned, "big")):
            yield Guess(Slip.REVERSED, text, IPv6Address(prefix | backwards))


def _of_device(datagram: HeardDatagram, devices: Devices, address: IPv6Address) -> Iterator[Guess]:
    """Yield the address whose identifier is made of the EUI-64 of a short address, where that is known."""
    value = int(address)
    short = value & 0xFFFF
    if value & IID_MASK != SHORT_IID | short:
        return
    pan = datagram.pan_id
    eui = (None if pan is None else devices.get((pan, short))) or devices.get(short)
    if eui is not None:
        identifier = interface_identifier(eui) or 0
        text = "its identifier is that of the EUI-64, not of the short address"
        yield Guess(Slip.OWN, text, IPv6Address(value >> 64 << 64 | identifier))


def _prefixes(
    contexts: Contexts, known: Surroundings, address: IPv6Address, number: int | None
) -> Iterator[Guess]:
    """Yield the address under each other context and under each /64 that has been seen."""
    value, own = int(address), None if number is None else contexts.get(number)
    tried = {value}
    name = "no context, fe80::/64" if number is None else f"context {number}"
    for other, context in contexts.items():
        candidate = context.value | (value & IID_MASK & ~context.mask)
        if candidate not in tried:
            tried.add(candidate)
            text = f"{name} read as {context.prefix}, here context {other}"
            yield Guess(Slip.CONTEXT, text, IPv6Address(candidate))
    if own is not None and own.mask & IID_MASK:
        return  # a context that covers identifiers has no other /64
    for prefix in (*known.prefixes, LINK_LOCAL.value >> 64):
        candidate = prefix << 64 | value & IID_MASK
        if candidate not in tried:
            tried.add(candidate)
            slip, text = Slip.CONTEXT, f"{name} read as {IPv6Address(prefix << 64)}/64"
            if prefix == LINK_LOCAL.value >> 64:
                slip, text = Slip.OWN, "the link-local address"
            yield Guess(slip, text, IPv6Address(candidate))


def other_destinations(datagram: HeardDatagram, segment: Segment) -> Iterator[IPv6Address]:
    """Yield the destinations that headers before the segment name, other than the right one; each once."""
    named = dict.fromkeys(_destinations(datagram, segment))
    yield from (address for address in named if address != segment.destination)


def _destinations(datagram: HeardDatagram, segment: Segment) -> Iterator[IPv6Address]:
    places = _walked(datagram.octets)
    yield from (place.destination for place in places if place.offset <= segment.at)
    yield datagram.outer.destination
    for place in places:
        if place.kind == ipv6.ROUTING:
            yield from _of_route(datagram.octets, place)


def _of_route(octets: bytes, place: chain.ChainPlace) -> Iterator[IPv6Address]:
    """Yield all addresses of a source route, visited or not; of others that are finished the last."""
    try:
        header = extension.decode(Reader(octets, place.offset), ipv6.ROUTING)
    except WireError:
        return
    if isinstance(header, SourceRoute):
        yield from header.expand(place.destination)
    elif isinstance(header, extension.RoutingHeader) and not header.segments_left:
        writer = Writer()
        extension.encode(writer, replace(header, segments_left=1))
        ends = chain.PseudoHeader(place.source, place.destination)
        yield ends.behind(bytes(writer.data)).destination


def _walked(octets: bytes) -> list[chain.ChainPlace]:
    try:
        return list(chain.walk(octets))
    except WireError:
        return []


def port_forms(datagram: HeardDatagram) -> Iterator[PortForm]:
    """Yield the ports of which a compressed UDP header carries the last bits alone."""
    packed = next((one for one in datagram.layers if isinstance(one, UdpNhc)), None)
    if packed is None:
        return
    ports = (("source", packed.source_port), ("destination", packed.destination_port))
    for (side, port), word in zip(ports, packed.rows["ports"].parts, strict=True):
        if word.width < PORT_BITS:
            yield PortForm(side, port, word.width)


def other_ports(datagram: HeardDatagram, known: Surroundings, segment: Segment) -> Iterator[Trial]:
    """Yield the readings of a sender that took a form of the ports which cannot hold them."""
    for form in port_forms(datagram):
        at = 2 * (form.side == "destination")
        for port in (*APPLICATION_PORTS, *known.ports):
            if form.may_stand_for(port):
                octets = segment.octets[:at] + port.to_bytes(2, "big") + segment.octets[at + 2 :]
                other = segment._replace(octets=octets)
                fits = other.checksum(segment.source, segment.destination) == segment.carried
                yield Trial(Slip.PORT, form.text(port), fits, f"the {form.side} port is {port}")
