"""An IPv6 datagram to its shortest legal 6LoWPAN form.

Headers are tried from the last to the first: behind each stands the shorter of "compressed" and "as it is", since a
header may be compressed only while every header before it is (RFC 6282 section 4.2).
"""

from dataclasses import dataclass, replace
from ipaddress import IPv6Address

from lowpanbudget.bits import Reader, Writer
from lowpanbudget.cites import rfc
from lowpanbudget.env import Env
from lowpanbudget.errors import RequestError, WireError
from lowpanbudget.layers.internet import chain, ipv6, udp
from lowpanbudget.layers.lowpan import dispatch, ghc, ghc_headers, iphc, lorh, nhc
from lowpanbudget.stack import artefacts


@dataclass(frozen=True, slots=True)
class Options:
    """What a compressor may do: elide a UDP checksum (with permission), use RFC 7400 or RFC 8138.

    ``depth`` limits how many headers after the first are compressed; -1 leaves the IPv6 header alone too.
    """

    elide_udp_checksum: bool = False
    ghc: bool = False
    lorh: bool = False
    depth: int = ipv6.DEEPEST - 1  # a reader counts the first as well


@dataclass(slots=True)
class Packed:
    """Compressed headers in ``writer``; they stand for the first ``covers`` octets of the datagram.

    ``same`` is False when they come back equivalent, but not octet for octet: a source route in another form.
    """

    writer: Writer
    covers: int
    nhc: bool = True
    same: bool = True

    def cost(self, datagram: bytes) -> int:
        """Return the octets on the air, with the next header's number when it goes in line."""
        return len(self.writer.data) + len(datagram) - self.covers + (0 if self.nhc else 1)


@dataclass(frozen=True, slots=True)
class _Place:
    """Where packing stands: a header of ``kind`` at ``at``, the addresses that hold there, the outer header.

    ``hidden``: the final destination stands in a routing header that cannot be read.
    """

    kind: int
    at: int
    source: IPv6Address
    destination: IPv6Address
    header: ipv6.Ipv6
    hidden: bool = False

    @property
    def dictionary(self) -> bytes:
        """Return what byte code may copy from: the addresses of the IPv6 header before it."""
        return ghc.dictionary(self.header.source.packed, self.header.destination.packed)


def pack_headers(datagram: bytes, env: Env, options: Options) -> Packed:
    """Return the shortest form of a datagram's headers.

    Raises ``RequestError`` when the octets are no IPv6 datagram, when its length disagrees, or when a checksum that is
    to be elided is wrong.
    """
    header = _parse(datagram)
    writer = Writer()
    if options.depth < 0:
        dispatch.IPV6.write(writer, {})
        ipv6.encode(writer, header)
        return Packed(writer, ipv6.OCTETS)
    place = _Place(header.next_header, ipv6.OCTETS, header.source, header.destination, header)
    rest = _pack_next(datagram, env, options, place, options.depth)
    iphc.encode(writer, header, env, nhc=rest.nhc)
    writer.append(rest.writer)
    plain = Packed(writer, rest.covers)
    routing = _pack_routed(datagram, env, options) if options.lorh else None
    if routing is None or plain.cost(datagram) < routing.cost(datagram):
        return plain
    return routing


def _pack_routed(datagram: bytes, env: Env, options: Options) -> Packed | None:
    """Return a datagram with its RPL artefacts as routing headers of page 1, or None when it has none that can be.

    Every outer IPv6 header that an IP-in-IP-6LoRH can carry becomes one; the first that it cannot goes in IPHC.
    """
    levels = [artefacts.level_of(datagram, _parse(datagram), ipv6.OCTETS, env)]
    while artefacts.can_tunnel(levels[-1]) and len(levels) < ipv6.DEEPEST:
        at = levels[-1].at
        try:
            inner = _parse(datagram[at:])
        except RequestError:
            break
        levels.append(artefacts.level_of(datagram, inner, at + ipv6.OCTETS, env))
    *outers, last = levels
    depth = options.depth - len(outers) - sum(level.passed for level in levels)
    final = last.hops[-1]
    headers: list[lorh.RoutingHeader] = []
    tunnel = None
    for level in outers:
        more, outer = artefacts.outer_headers(level, env, final)
        headers += more
        tunnel = outer.sides
    inner_headers = artefacts.inner_headers(last, env, tunnelled=bool(outers))
    if inner_headers is None:
        return None
    headers += inner_headers
    # a page switch, these and IPHC: as many dispatches as a reader follows
    if depth < 0 or not headers or len(headers) + 2 > ipv6.DEEPEST:
        return None
    header = replace(last.header, destination=final, next_header=last.kind)
    place = _Place(last.kind, last.at, header.source, final, header)
    rest = _pack_next(datagram, env, options, place, depth)
    writer = Writer()
    dispatch.write_page(writer, 1)
    for routing_header in headers:
        lorh.encode(writer, routing_header)
    iphc.encode(writer, header, env, nhc=rest.nhc, tunnel=tunnel)
    writer.append(rest.writer)
    return Packed(writer, rest.covers, same=all(level.same for level in levels))


def _parse(datagram: bytes) -> ipv6.Ipv6:
    try:
        header = ipv6.decode(Reader(datagram))
    except WireError as error:
        raise RequestError(f"this is no IPv6 datagram: {error}") from None
    if header.payload_length != len(datagram) - ipv6.OCTETS:
        raise RequestError(
            f"the IPv6 payload length says {header.payload_length} octets, "
            f"{len(datagram) - ipv6.OCTETS} are there",
            cite=ipv6.HEADER.cite,
            hint="The length is elided and would come back different",
        )
    return header


def _pack_next(datagram: bytes, env: Env, options: Options, place: _Place, depth: int) -> Packed:
    """Return the shorter of leaving everything from here on as it is, and compressing this header."""
    plain = Packed(Writer(), place.at, nhc=False)
    if depth <= 0:
        return plain
    candidates = [plain]
    if place.kind == ipv6.UDP:
        candidates += _pack_udp(datagram, options, place)
    elif place.kind == ipv6.IPV6:
        candidates += _pack_inner(datagram, env, options, place, depth)
    elif place.kind == ipv6.ICMPV6 and options.ghc:
        candidates += _pack_icmpv6(datagram, place)
    elif place.kind in ipv6.EXTENSIONS:
        candidates += _pack_extension(datagram, env, options, place, depth)
    return min(candidates, key=lambda packed: packed.cost(datagram))


def _pack_udp(datagram: bytes, options: Options, place: _Place) -> list[Packed]:
    segment = datagram[place.at :]
    if len(segment) < udp.OCTETS:
        return []
    header = udp.decode(Reader(segment))
    if header.length != len(segment):
        return []  # "inferred from lower layers": another length would not come back
    checksum: int | None = header.checksum
    if options.elide_udp_checksum:
        if place.hidden:
            raise RequestError(
                "the UDP checksum covers a final destination that stands in a routing header which cannot be read: "
                "a compressor must not elide what it cannot verify",
                cite=rfc(8200, "8.1"),
                hint="Let it carry the checksum",
            )
        right = udp.checksum(place.source, place.destination, segment)
        if header.checksum != right:
            raise RequestError(
                f"the UDP checksum is {header.checksum:#06x}, computed {right:#06x}: "
                "a compressor must not elide a wrong one",
                cite=rfc(6282, "4.3.2"),
            )
        checksum = None
    ports = (header.source_port, header.destination_port)
    writer = Writer()
    nhc.encode_udp(writer, ports, checksum)
    found = [Packed(writer, place.at + udp.OCTETS)]
    if options.ghc and udp.OCTETS < len(segment) <= udp.OCTETS + ghc.LARGEST:
        generic = Writer()
        ghc_headers.encode_udp(generic, ports, checksum)
        ghc_headers.write_code(generic, segment[udp.OCTETS :], place.dictionary, stop=False)
        found.append(Packed(generic, len(datagram)))
    return found


def _pack_icmpv6(datagram: bytes, place: _Place) -> list[Packed]:
    if not place.at < len(datagram) <= place.at + ghc.LARGEST:
        return []
    writer = Writer()
    ghc_headers.ICMPV6.write(writer, {"NHC id": 0b11011111})
    ghc_headers.write_code(writer, datagram[place.at :], place.dictionary, stop=False)
    return [Packed(writer, len(datagram))]


def _pack_inner(
    datagram: bytes, env: Env, options: Options, place: _Place, depth: int
) -> list[Packed]:
    try:
        inner = _parse(datagram[place.at :])
    except RequestError:
        return []
    at = place.at + ipv6.OCTETS
    next_place = _Place(inner.next_header, at, inner.source, inner.destination, inner)
    rest = _pack_next(datagram, env, options, next_place, depth - 1)
    writer = Writer()
    nhc.encode_extension(writer, ipv6.IPV6, b"", nhc=False)
    iphc.encode(writer, inner, env, nhc=rest.nhc, outer=place.header)
    writer.append(rest.writer)
    return [Packed(writer, rest.covers)]


def _pack_extension(
    datagram: bytes, env: Env, options: Options, place: _Place, depth: int
) -> list[Packed]:
    try:
        length = ipv6.extension_octets(place.kind, datagram, place.at)
    except WireError:
        return []
    octets = datagram[place.at : place.at + length]
    if not nhc.fits_extension(place.kind, octets):
        return []
    destination, hidden = place.destination, place.hidden
    if place.kind == ipv6.ROUTING:
        destination = chain.final_destination(octets, destination)
        hidden = hidden or chain.hides_destination(octets)
    later_fragment = place.kind == ipv6.FRAGMENT and int.from_bytes(octets[2:4], "big") >> 3
    next_place = _Place(
        octets[0], place.at + length, place.source, destination, place.header, hidden
    )
    # behind a later IP fragment stands no header, whatever its next-header field names
    rest = _pack_next(datagram, env, options, next_place, 0 if later_fragment else depth - 1)
    writer = Writer()
    nhc.encode_extension(writer, place.kind, octets, nhc=rest.nhc)
    writers = [writer]
    if options.ghc and ghc_headers.gives_back(place.kind, octets):
        generic = Writer()
        ghc_headers.encode_extension(
            generic, place.kind, octets, place.dictionary, nhc_follows=rest.nhc
        )
        writers.append(generic)
    best = min(writers, key=lambda one: len(one.data))
    best.append(rest.writer)
    return [Packed(best, rest.covers)]
