"""The chain of headers in a whole IPv6 datagram: where each stands, and the addresses of the pseudo-header there."""

from collections.abc import Iterator
from ipaddress import IPv6Address
from typing import Any, NamedTuple

from lowpanbudget.bits import Reader
from lowpanbudget.cites import rfc
from lowpanbudget.errors import WireError
from lowpanbudget.fields import (
    Address,
    Bits,
    Header,
    Layout,
    Repeat,
    bits,
    layout_of,
    structure,
    unused,
)
from lowpanbudget.layers.internet import ipv6, source_route

UNIT = 8  # lengths and offsets count octets in eights


@structure(ipv6.NEXT_HEADERS[ipv6.FRAGMENT], rfc(8200, "4.5"), kw_only=False)
class FragmentHeader:
    """An IPv6 fragment header; ``offset`` in octets."""

    next_header: int = bits(8, ipv6.next_header_name)
    reserved_1: int = unused(8, default=0, kw_only=True)
    offset: int = bits(
        13, lambda value: f"octet {value * UNIT} of what is cut", unit=UNIT, name="fragment offset"
    )
    reserved_2: int = unused(2, default=0, kw_only=True)
    more: bool = bits(1, {0: "M: the last fragment", 1: "M: more fragments"})
    identification: int = bits(32)


FRAGMENT = layout_of(FragmentHeader).word
_ROUTING_NAME, _ROUTING_CITE = ipv6.NEXT_HEADERS[ipv6.ROUTING], rfc(8200, "4.4")
ROUTING = Header(
    _ROUTING_NAME,
    _ROUTING_CITE,
    (
        *ipv6.EXTENSION.fields,
        Bits("routing type", 8),
        Bits("segments left", 8),
        Bits("by type", 32),
    ),
)
_WHOLE_ADDRESSES = (0, 2)  # routing types of RFC 5095 (deprecated) and RFC 6275
_WHOLE: Layout[dict[str, Any]] = Layout(
    _ROUTING_NAME, _ROUTING_CITE, ROUTING, Repeat("addresses", Address("address"))
)


class PseudoHeader(NamedTuple):
    """The addresses that a transport checksum covers (RFC 8200 section 8.1).

    ``hidden``: nobody can tell the final destination, and ``destination`` is the next one: a route that is not finished
    stands before, whose addresses cannot be read. A node that does not know its type "must discard the packet" (section
    4.4).
    """

    source: IPv6Address
    destination: IPv6Address
    hidden: bool = False

    def behind(self, routing: bytes) -> "PseudoHeader":
        """Return what holds behind a routing header: while Segments Left is not zero its last address counts."""
        if len(routing) < ROUTING.octets or not ROUTING.values_at(routing)["segments left"]:
            return self
        last = _last_address(routing, self.destination)
        return self._replace(hidden=True) if last is None else self._replace(destination=last)

    def through(self, route: source_route.SourceRoute) -> "PseudoHeader":
        """Return what holds behind a source route that was read."""
        if not route.segments_left:
            return self
        return self._replace(destination=route.expand(self.destination)[-1])


class ChainPlace(NamedTuple):
    """Where a header stands in a datagram, and the pseudo-header that holds there."""

    kind: int
    offset: int
    source: IPv6Address
    destination: IPv6Address
    hidden: bool = False


def walk(datagram: bytes, header: ipv6.Ipv6 | None = None) -> Iterator[ChainPlace]:
    """Yield every header after the first in order, the last being the transport or payload.

    Inner IPv6 headers are followed. ``header`` is the first one, where it was read before. Raises ``WireError`` where a
    header does not fit.
    """
    depth = 0
    header = header or ipv6.header_of(datagram)
    kind, at = header.next_header, ipv6.OCTETS
    ends = PseudoHeader(header.source, header.destination)
    while depth < ipv6.DEEPEST:
        depth += 1
        yield ChainPlace(kind, at, *ends)
        if kind == ipv6.IPV6:
            header = ipv6.decode(Reader(datagram, at))
            kind, at = header.next_header, at + ipv6.OCTETS
            ends = PseudoHeader(header.source, header.destination)
        elif kind in ipv6.EXTENSIONS:
            length = ipv6.extension_octets(kind, datagram, at)
            octets = Reader(datagram, at).ahead(length)
            if kind == ipv6.ROUTING:
                ends = ends.behind(octets)
            if kind == ipv6.FRAGMENT and is_later(octets):
                return  # not the first IP fragment: what follows is no header
            kind, at = ipv6.EXTENSION.values_at(octets)["next header"], at + length
        else:
            return


def is_cut(fragment: bytes) -> bool:
    """Return whether a fragment header says that what follows it is a part only (RFC 8200 section 4.5)."""
    values = FRAGMENT.values_at(fragment)
    return bool(values["fragment offset"] or values["more"])


def is_later(fragment: bytes) -> bool:
    """Return whether a fragment header is not that of the first fragment (RFC 8200 section 4.5)."""
    return bool(FRAGMENT.values_at(fragment)["fragment offset"])


def find(datagram: bytes, kind: int) -> ChainPlace | None:
    """Return the first header of this kind, or None; a chain that cannot be walked has none."""
    try:
        return next((place for place in walk(datagram) if place.kind == kind), None)
    except WireError:
        return None


def _last_address(routing: bytes, destination: IPv6Address) -> IPv6Address | None:
    """Return the last address of a routing header; None for a type without addresses, or one that cannot be read."""
    kind = ROUTING.values_at(routing)["routing type"]
    try:
        if kind == source_route.TYPE:
            return source_route.decode(Reader(routing)).expand(destination)[-1]
        if kind in _WHOLE_ADDRESSES:
            addresses: tuple[IPv6Address, ...] = _WHOLE.read(Reader(routing))["addresses"]
            return addresses[-1]
    except WireError:
        return None
    return None
