"""What IPv6 forbids among headers that can be read all the same: addresses, ways, a header behind others.

A route in 6LoRH is looked at where its addresses are restored (``routed``).
"""

from collections.abc import Iterator, Sequence
from typing import Any

from lowpanbudget.bits import Reader
from lowpanbudget.cites import rfc
from lowpanbudget.errors import WireError
from lowpanbudget.fields import Head
from lowpanbudget.layers.internet import ipv6, source_route
from lowpanbudget.layers.internet.extension import OptionsHeader
from lowpanbudget.layers.internet.ipv6 import Ipv6
from lowpanbudget.layers.internet.source_route import SourceRoute
from lowpanbudget.layers.lowpan.extension_nhc import ExtensionNhc
from lowpanbudget.layers.lowpan.iphc import Iphc
from lowpanbudget.layers.lowpan.legacy import Legacy
from lowpanbudget.stack.incoming import Notice

_SOURCE, _DESTINATION = 8, 24  # octets of an IPv6 header (RFC 8200 section 3)
_GROUP_OR_ZERO = (ipv6.MULTICAST, 0)
HOP_BY_HOP_PLACE = rfc(8200, "4.1")


def has_rare_address(datagram: bytes) -> bool:
    """Return whether the first octets of its addresses leave any that may not stand there."""
    return datagram[_SOURCE] in _GROUP_OR_ZERO or not datagram[_DESTINATION]


def note_addresses(header: Ipv6, at: int) -> list[Notice]:
    """Return the notices of a header at octet ``at`` with addresses that may not stand there; none for nearly all."""
    return [
        Notice("address-forbidden", text, cite, at) for text, cite in ipv6.address_flaws(header)
    ]


def note_headers(heads: Sequence[Head]) -> Iterator[Notice]:
    """Yield the notices of headers in their order on the air, each where it stands."""
    header: Ipv6 | None = None
    for before, head in zip((None, *heads), heads, strict=False):
        value = head.value
        inner = _header_of(value)
        if inner is not None:
            header = inner
            yield from note_addresses(header, head.start)
        elif header is None:
            continue  # of the link, or of 6LoWPAN
        elif _kind_of(value) == ipv6.HOP_BY_HOP:
            if before is None or _header_of(before.value) is None:
                text = "a hop-by-hop header stands behind another than the IPv6 header"
                yield Notice("hop-by-hop-misplaced", text, HOP_BY_HOP_PLACE, head.start)
        else:
            yield from _note_route(value, header, head.start)


def _note_route(value: Any, header: Ipv6, at: int) -> Iterator[Notice]:
    """Yield the notices of a source route; where it cannot be read, the router whose turn it is discards it."""
    try:
        route = _route_of(value)
    except WireError as error:
        yield Notice("source-route-unreadable", error.message, error.cite, at)
        return
    if route is not None:
        way = (header.destination, *route.expand(header.destination))
        for name, text, cite in source_route.flaws(header.source, way):
            yield Notice(name, text, cite, at)


def _header_of(value: Any) -> Ipv6 | None:
    """Return the IPv6 header that a head stands for; None for another."""
    if isinstance(value, Ipv6):
        return value
    return value.header if isinstance(value, Iphc | Legacy) else None


def _kind_of(value: Any) -> int | None:
    """Return the number of an extension header with options, or of a compressed one."""
    return value.kind if isinstance(value, OptionsHeader | ExtensionNhc) else None


def _route_of(value: Any) -> SourceRoute | None:
    """Return the source route that a head is, or stands for; None for another."""
    if isinstance(value, SourceRoute):
        return value
    if _kind_of(value) != ipv6.ROUTING or value.octets[2] != source_route.TYPE:
        return None
    return source_route.decode(Reader(value.octets))
