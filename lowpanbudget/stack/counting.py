"""Other counts of what routing headers stand for: offsets of fragments speak of a datagram that no standard spells out.

How many octets a source route leaves out of its addresses when it comes back from 6LoRH RFC 8138 does not say, and some
senders count the datagram as it was before RPL added anything. The count here is the longest: whole addresses.
"""

from collections.abc import Collection, Iterable, Iterator, Sequence
from contextlib import suppress
from typing import NamedTuple

from lowpanbudget.bits import Reader, Writer
from lowpanbudget.errors import RequestError, WireError
from lowpanbudget.layers.internet import chain, ipv6, source_route
from lowpanbudget.layers.internet.ipv6 import Ipv6
from lowpanbudget.layers.lowpan import lorh
from lowpanbudget.layers.lowpan.lorh import IpInIp, SrhLorh


class OtherCount(NamedTuple):
    """Another count of a datagram: how many octets ``less`` it has, and how it counts, in words."""

    less: int
    text: str


def other_counts(layers: Collection[object], values: Sequence[object]) -> Iterator[OtherCount]:
    """Yield the other counts of what these heads bring, of whose headers these are the ``values``.

    Without routing headers there are none.
    """
    kinds = {type(layer) for layer in layers}
    has_route, has_rpi = SrhLorh in kinds, lorh.Rpi in kinds
    if not (has_route or has_rpi) or not values:
        return
    outer, *behind = values
    if not isinstance(outer, Ipv6):
        return
    kinds_added = [ipv6.HOP_BY_HOP] * has_rpi + [ipv6.ROUTING] * has_route
    added = _added(outer, behind, kinds_added)
    route = added.get(ipv6.ROUTING)
    if route is not None:
        whole, short = len(route), _shortest(outer, route)
        if short < whole:
            yield OtherCount(
                whole - short, f"the source route counts as {short} octets, not {whole}"
            )
        yield OtherCount(whole, "the source route is not counted")
    tunnel = ipv6.OCTETS if IpInIp in kinds else 0
    yield OtherCount(sum(map(len, added.values())) + tunnel, "nothing is counted that RPL added")


def _added(outer: Ipv6, behind: Iterable[object], kinds: Iterable[int]) -> dict[int, bytes]:
    """Return the headers of these kinds that follow in this order, each by its kind.

    A route of one entry comes back as none: the entry is the destination, no segment is left (RFC 8138 section 5.5).
    """
    added, following, headers = dict[int, bytes](), outer.next_header, iter(behind)
    for kind in kinds:
        if kind != following:
            continue
        header = next(headers, None)
        if not isinstance(header, bytes):
            break
        added[kind], following = header, header[0]
    return added


_ADDRESS, _OPTION, _ROUTE = (
    16,
    8,
    8,
)  # octets: an address, the RPL option in its header, a route without addresses


def most_added(layers: Iterable[object]) -> int:
    """Return the octets that some may leave uncounted of what these heads bring: all that RPL added."""
    most = hops = 0
    for layer in layers:
        hops += len(layer.hops) if isinstance(layer, SrhLorh) else 0
        most += _OPTION if isinstance(layer, lorh.Rpi) else 0
        most += ipv6.OCTETS if isinstance(layer, IpInIp) else 0
    # the first hop is the destination, and the last address of the route stands in IPHC
    return most + (_ROUTE + hops * _ADDRESS if hops else 0)


def _shortest(header: Ipv6, octets: bytes) -> int:
    """Return the size of a routing header that leaves out all that it may; its own where it cannot be read."""
    try:
        addresses = source_route.decode(Reader(octets)).expand(header.destination)
        short = source_route.compress(header.destination, addresses, 0)
    except (WireError, RequestError):
        return len(octets)
    writer = Writer()
    source_route.encode(writer, short)
    return writer.pos


_LENGTH = slice(4, 6)  # where the length stands in an IPv6 header, and in one of UDP
_COUNTED_FROM = {ipv6.IPV6: ipv6.OCTETS, ipv6.UDP: 0}


def lengthened(octets: bytes, size: int, less: int) -> bytes:
    """Return what a first fragment brings with the lengths restored that reached to ``size``: ``less`` too few."""
    changed = bytearray(octets)
    places = [(ipv6.IPV6, 0)]
    with suppress(WireError):  # the rest of the chain is in other fragments
        places += [(place.kind, place.offset) for place in chain.walk(octets)]
    for kind, at in places:
        field = slice(at + _LENGTH.start, at + _LENGTH.stop)
        if kind not in _COUNTED_FROM or field.stop > len(octets):
            continue
        length = int.from_bytes(octets[field], "big")
        if at + _COUNTED_FROM[kind] + length == size:
            changed[field] = (length + less).to_bytes(2, "big")
    return bytes(changed)
