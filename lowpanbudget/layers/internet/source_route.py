"""The RPL source routing header, SRH: addresses without the octets that they share with the destination (RFC 6554).

|  Next Header  |  Hdr Ext Len  | Routing Type  | Segments Left |
| CmprI | CmprE |  Pad  |               Reserved                |
.                        Addresses[1..n]                        .
"""

from collections.abc import Iterator
from ipaddress import IPv6Address

from lowpanbudget.arguments import explains
from lowpanbudget.bits import Reader, Writer
from lowpanbudget.cites import Cite, rfc
from lowpanbudget.errors import Malformed, RequestError, WireError, plural, repeated
from lowpanbudget.fields import (
    Drawing,
    LayoutPart,
    Values,
    bits,
    layout_of,
    part,
    structure,
    unused,
    within,
)
from lowpanbudget.layers.internet import ipv6
from lowpanbudget.shown import IP_ADDRESS
from lowpanbudget.values import replace

CITE = rfc(6554, "3")
VISITING = rfc(6554, "4.2")
_UNSPECIFIED = rfc(4291, "2.5.2")
_LOOPBACK = rfc(4291, "2.5.3")
TYPE = 3

SHORTER = "fewer octets if it shares more with the destination"


class _Addresses(LayoutPart):
    """Addresses without the octets that they share with the destination, and the octets of padding behind them."""

    def read(self, reader: Reader, values: Values, layout: Drawing) -> tuple[bytes, ...]:
        def wrong(key: str, message: str, cite: Cite = CITE) -> WireError:
            at = reader.pos - layout.octets_from(key, self)
            return reader.fault(Malformed, message, cite, at=at)

        size = 8 * values["hdr_ext_len"]
        reader.need(size, "the addresses", CITE)
        middle, last, pad = 16 - values["cmpr_i"], 16 - values["cmpr_e"], values["pad"]
        # n = (((Hdr Ext Len * 8) - Pad - (16 - CmprE)) / (16 - CmprI)) + 1 (section 4.2)
        before_last = size - pad - last
        if before_last < 0 or before_last % middle:
            raise wrong("hdr_ext_len", f"{size} octets hold no whole addresses")
        if pad and middle == last == 16:
            raise wrong("pad", f"Pad is {pad} where nothing is elided")
        count, left = before_last // middle + 1, values["segments_left"]
        if left > count:
            raise wrong("segments_left", f"{left} segments left of {count}", VISITING)
        with within(reader, reader.pos + size):
            addresses = tuple(
                reader.octets(last if number == count else middle, f"address {number}", "", layout.cite, SHORTER)
                for number in range(1, count + 1)
            )  # fmt: skip
            reader.octets(pad, "padding", "unused", layout.cite)
        return addresses

    def write(
        self, writer: Writer, value: tuple[bytes, ...], values: Values, layout: Drawing
    ) -> None:
        for number, address in enumerate(value, 1):
            writer.octets(address, f"address {number}", "", layout.cite, SHORTER)
        writer.octets(bytes(values["pad"]), "padding", "unused", layout.cite)


@structure("source routing header", CITE)
class SourceRoute:
    """An SRH as it stands: ``addresses`` without their first ``cmpr_i`` (the last: ``cmpr_e``) octets.

    ``pad`` octets follow them. ``expand`` gives whole addresses.
    """

    next_header: int = bits(8, ipv6.next_header_name)
    hdr_ext_len = bits(8, ipv6.octets_in_all)
    routing_type = bits(8, "RPL source routing", fixed=TYPE)
    segments_left: int = bits(8, "addresses still to be visited")
    cmpr_i: int = bits(4, "octets elided of every address but the last", name="CmprI", default=0)
    cmpr_e: int = bits(4, "octets elided of the last address", name="CmprE", default=0)
    pad: int = bits(4, "unused octets at the end", default=0)
    reserved: int = unused(20, default=0)
    addresses: tuple[bytes, ...] = part(_Addresses, metadata=IP_ADDRESS)

    @explains
    def expand(self, destination: IPv6Address) -> tuple[IPv6Address, ...]:
        """Return the whole addresses for this IPv6 destination.

        "CmprI and CmprE ... indicate the number of prefix octets that are shared with the IPv6 Destination Address of
        the packet carrying the SRH".
        """
        elided = [self.cmpr_i] * (len(self.addresses) - 1) + [self.cmpr_e]
        return tuple(
            IPv6Address(destination.packed[:count] + tail)
            for count, tail in zip(elided, self.addresses, strict=True)
        )

    @explains
    def visit(self, destination: IPv6Address) -> tuple[IPv6Address, "SourceRoute"]:
        """Return the next destination, and the header that the router at ``destination`` forwards with it.

        "swap the IPv6 Destination Address and Address[i]", i = n - Segments Left once that is one less: the size
        stays the same (section 4.2). Raises ``RequestError`` with no segments left.
        """
        if not self.segments_left:
            raise RequestError("the source route has no segments left to visit", cite=VISITING)
        at = len(self.addresses) - self.segments_left
        elided = 16 - len(self.addresses[at])
        following = IPv6Address(destination.packed[:elided] + self.addresses[at])
        addresses = list(self.addresses)
        addresses[at] = destination.packed[elided:]
        left = self.segments_left - 1
        return following, replace(self, segments_left=left, addresses=tuple(addresses))


def flaws(source: IPv6Address, way: tuple[IPv6Address, ...]) -> Iterator[tuple[str, str, Cite]]:
    """Yield what is forbidden of the way of a source route: the name of a notice, its text, and which section says so.

    ``way`` is every address that it leads to, the IPv6 destination and those visited among them; ``source`` is the
    IPv6 source.
    """
    if any(hop.is_multicast for hop in way):
        yield "source-route-multicast", "a multicast address stands in the source route", CITE
    if any(hop.is_unspecified for hop in way):
        text = "the unspecified address stands in the source route"
        yield "source-route-unspecified", text, _UNSPECIFIED
    if any(hop.is_loopback for hop in way[1:]):  # the destination is told as that
        # "A packet received on an interface with a destination address of loopback must be dropped"
        yield "source-route-loopback", "the loopback address stands in the source route", _LOOPBACK
    # "the source MUST ensure that IPv6 addresses do not appear more than once and the IPv6 Source and Destination
    # addresses of the encapsulating datagram do not appear in the SRH"
    if len(set(way)) < len(way):
        yield "source-route-loop", "the source route visits an address more than once", CITE
    elif len(way) > 1 and source in way:
        yield "source-route-loop", "the source route leads through the source of its datagram", CITE


LAYOUT = layout_of(SourceRoute)
HEADER, decode = LAYOUT.word, LAYOUT.read


def encode(writer: Writer, route: SourceRoute) -> None:
    """Append the header as the value stands; raises ``RequestError`` where its parts do not fit each other."""
    if wrong := _unfit(route):
        said, hint = wrong
        raise RequestError(f"SourceRoute.{said}", cite=CITE, hint=hint)
    total = sum(map(len, route.addresses)) + route.pad
    LAYOUT.write(writer, route, hdr_ext_len=total // 8)


def _unfit(route: SourceRoute) -> tuple[str, str] | None:
    """Return what of a header does not fit the rest of it, and what would; None where all does."""
    count, left = len(route.addresses), route.segments_left
    if not count:
        return "addresses are none", "Give those that follow the IPv6 destination"
    if not 0 <= left <= count:
        said = f"segments_left {repeated(left)} are more than the addresses, {count}"
        return said, f"Give 0 to {count}"
    for number, address in enumerate(route.addresses, 1):
        name = "cmpr_e" if number == count else "cmpr_i"
        elided = getattr(route, name)
        if len(address) != 16 - elided:
            said = f"addresses[{number - 1}] has {plural(len(address), 'octet')}, and {name} {repeated(elided)} elides"
            return (
                f"{said} that many of 16",
                "Together they are 16; without cmpr_i and cmpr_e each address is whole",
            )
    if route.pad and not route.cmpr_i and not route.cmpr_e:
        return f"pad {repeated(route.pad)} stands where nothing is elided", "Leave it out"
    size = sum(map(len, route.addresses))
    if (size + route.pad) % 8:
        return (
            f"pad {repeated(route.pad)} fills {size} octets up to no multiple of 8",
            f"Give {-size % 8}",
        )
    return (
        (f"addresses have {size} octets: more than the 2040 that Hdr Ext Len counts", "Elide more")
        if size + route.pad > 8 * 255
        else None
    )


def compress(
    destination: IPv6Address, addresses: tuple[IPv6Address, ...], next_header: int
) -> SourceRoute:
    """Return the shortest header for the hops after ``destination``, which is the first, all still to be visited.

    An address in the middle leaves out what all of them share with the destination; the last one also what it shares
    with every address before it: when it is restored, the one before it is the destination. Raises ``RequestError``
    for no addresses, one that comes twice, a multicast address, or more than the header can count.
    """
    hops = (destination, *addresses)
    if not addresses or len(set(hops)) < len(hops) or any(hop.is_multicast for hop in hops):
        raise RequestError(
            "a source route needs addresses, each once, none of them multicast", cite=CITE
        )
    cmpr_e = _shared(hops)
    cmpr_i = _shared(hops[:-1]) if len(addresses) > 1 else cmpr_e
    size = (16 - cmpr_i) * (len(addresses) - 1) + 16 - cmpr_e
    elided = [cmpr_i] * (len(addresses) - 1) + [cmpr_e]
    tails = tuple(hop.packed[count:] for hop, count in zip(addresses, elided, strict=True))
    route = SourceRoute(
        next_header=next_header, segments_left=len(addresses), cmpr_i=cmpr_i, cmpr_e=cmpr_e,
        pad=-size % 8, addresses=tails,
    )  # fmt: skip
    encode(Writer(), route)
    return route


def _shared(hops: tuple[IPv6Address, ...]) -> int:
    """Return how many leading octets these have in common; they differ, so it is 15 at most: what four bits count."""
    columns = zip(*(hop.packed for hop in hops), strict=True)
    return next(count for count, column in enumerate(columns) if len(set(column)) > 1)
