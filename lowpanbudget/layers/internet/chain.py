"""The chain of headers in a whole IPv6 datagram: where each stands, and the addresses of the pseudo-header there."""

from collections.abc import Iterator
from ipaddress import IPv6Address
from typing import NamedTuple

from lowpanbudget.bits import Reader
from lowpanbudget.errors import WireError
from lowpanbudget.layers.internet import ipv6, source_route

_WHOLE_ADDRESSES = (0, 2)  # routing types of RFC 5095 (deprecated) and RFC 6275


class Found(NamedTuple):
    """Where a header stands in a datagram, and the pseudo-header addresses that hold there."""

    kind: int
    offset: int
    source: IPv6Address
    destination: IPv6Address


def walk(datagram: bytes) -> Iterator[Found]:
    """Yield every header after the first in order, the last being the transport or payload.

    Inner IPv6 headers are followed. Raises ``WireError`` where a header does not fit.
    """
    at, depth = 0, 0
    header = ipv6.decode(Reader(datagram))
    kind, at = header.next_header, ipv6.OCTETS
    source, destination = header.source, header.destination
    while depth < ipv6.DEEPEST:
        depth += 1
        yield Found(kind, at, source, destination)
        if kind == ipv6.IPV6:
            header = ipv6.decode(Reader(datagram, at))
            kind, at = header.next_header, at + ipv6.OCTETS
            source, destination = header.source, header.destination
        elif kind in ipv6.EXTENSIONS:
            length = ipv6.extension_octets(kind, datagram, at)
            if kind == ipv6.ROUTING:
                destination = final_destination(datagram[at : at + length], destination)
            if kind == ipv6.FRAGMENT and is_later(datagram[at : at + length]):
                return  # not the first IP fragment: what follows is no header
            kind, at = datagram[at], at + length
        else:
            return


def is_cut(fragment: bytes) -> bool:
    """Return whether a fragment header says that what follows it is a part only (RFC 8200 section 4.5)."""
    return bool(int.from_bytes(fragment[2:4], "big") & 0xFFF9)


def is_later(fragment: bytes) -> bool:
    """Return whether a fragment header is not that of the first fragment (RFC 8200 section 4.5)."""
    return bool(int.from_bytes(fragment[2:4], "big") >> 3)


def find(datagram: bytes, kind: int) -> Found | None:
    """Return the first header of this kind, or None; a chain that cannot be walked has none."""
    try:
        return next((found for found in walk(datagram) if found.kind == kind), None)
    except WireError:
        return None


def final_destination(routing: bytes, destination: IPv6Address) -> IPv6Address:
    """Return the destination of the pseudo-header behind a routing header (RFC 8200 section 8.1).

    While Segments Left is not zero that is the header's last address. Types without addresses, and headers that
    cannot be read, leave ``destination``.
    """
    if not _is_unfinished(routing):
        return destination
    return _last_address(routing, destination) or destination


def hides_destination(routing: bytes) -> bool:
    """Return whether nobody can tell the final destination: a route not finished whose addresses cannot be read.

    A node that does not know the type "must discard the packet" (RFC 8200 section 4.4).
    """
    return _is_unfinished(routing) and _last_address(routing, IPv6Address(0)) is None


def _is_unfinished(routing: bytes) -> bool:
    return len(routing) >= 8 and routing[3] != 0


def _last_address(routing: bytes, destination: IPv6Address) -> IPv6Address | None:
    if routing[2] == source_route.TYPE:
        try:
            return source_route.decode(Reader(routing)).expand(destination)[-1]
        except WireError:
            return None
    if routing[2] in _WHOLE_ADDRESSES and len(routing) >= 24:
        return IPv6Address(routing[-16:])
    return None
