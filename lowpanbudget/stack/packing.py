"""An IPv6 datagram to its shortest legal 6LoWPAN form.

Headers are tried from the last to the first: behind each stands the shorter of "compressed" and "as it is", since a
header may be compressed only while every header before it is (RFC 6282 section 4.2).
"""

from collections.abc import Callable, Iterator
from functools import partial
from math import inf
from typing import NamedTuple

from lowpanbudget.bits import Writer
from lowpanbudget.cites import rfc
from lowpanbudget.env import Env
from lowpanbudget.errors import RequestError
from lowpanbudget.fields import WordForm
from lowpanbudget.layers.internet import chain, ipv6, udp
from lowpanbudget.layers.internet.ipv6 import Ipv6
from lowpanbudget.layers.internet.source_route import SourceRoute
from lowpanbudget.layers.internet.udp import Udp
from lowpanbudget.layers.lowpan import (
    dispatch,
    extension_nhc,
    lorh,
    nhc,
    shortest,
)
from lowpanbudget.stack import artefacts
from lowpanbudget.stack.outgoing import Extension, Outgoing
from lowpanbudget.values import dataclass, replace


@dataclass(frozen=True, slots=True)
class Options:
    """What a compressor may do: elide a UDP checksum (with permission), use RFC 7400 or RFC 8138.

    ``lorh_alone``: with RFC 8138 RPL artefacts are its headers wherever they can be, though others may be shorter here;
    ``end_octets``: in non-storing mode, those of the entry that says where an outer header that leads down ends.
    ``depth`` limits how many headers after the first are compressed; -1 leaves the IPv6 header alone too.
    """

    elide_udp_checksum: bool = False
    ghc: bool = False
    lorh: bool = False
    lorh_alone: bool = False
    end_octets: int = 0
    depth: int = ipv6.DEEPEST - 1  # a reader counts the first as well


Write = Callable[[Writer], None]


class Packed(NamedTuple):
    """Compressed headers: they take so many ``octets``, and stand for the first ``covers`` octets of the datagram.

    ``parts`` write them, one after the other. ``same`` is False when they come back equivalent, but not octet for
    octet: a source route in another form.
    """

    octets: int
    covers: int
    parts: tuple[Write, ...] = ()
    nhc: bool = True
    same: bool = True

    def cost(self, octets: int) -> int:
        """Return the octets on the air of a datagram of ``octets``, the next header's number counted when in line."""
        return self.octets + octets - self.covers + (0 if self.nhc else 1)

    def behind(self, *forms: WordForm | Writer) -> "Packed":
        """Return the same headers behind others."""
        octets, parts = self.octets, list[Write]()
        for form in forms:
            if isinstance(form, Writer):
                octets += len(form.data)
                parts.append(partial(Writer.append, other=form))
            else:
                octets += form.octets
                parts.append(form.write)
        return Packed(octets, self.covers, (*parts, *self.parts))

    def written(self) -> Writer:
        """Return the headers written."""
        writer = Writer()
        for write in self.parts:
            write(writer)
        return writer


def pack_headers(sent: Outgoing, env: Env, options: Options, cut: int | None = None) -> Packed:
    """Return the shortest form of a datagram's headers.

    Byte code (RFC 7400) goes as far as the datagram is ``cut``: into its first fragment, else to its end. Raises
    ``RequestError`` when a checksum that is to be elided is wrong or covers what nobody can read.
    """
    at = sent.places[-1]
    payload = sent.payload if cut is None else sent.payload[: cut - at]
    packing = _Packing(sent, env, options, payload)
    first = sent.headers[0]
    assert isinstance(first, Ipv6)
    if options.depth < 0:
        writer = Writer()
        dispatch.IPV6.write(writer, {})
        ipv6.encode(writer, first)
        return Packed(0, ipv6.OCTETS).behind(writer)
    rest = packing.following(_behind(1, first), options.depth)
    uncompressed = rest.behind(shortest.choose(first, env, nhc=rest.nhc))
    routed = packing.routed() if options.lorh else ()
    most = inf if options.lorh_alone else uncompressed.cost(packing.octets)
    return next((form for form in routed if form.cost(packing.octets) <= most), uncompressed)


@dataclass(frozen=True, slots=True)
class _Position:
    """Where packing stands: before the header at ``index``; which IPv6 header and pseudo-header hold there."""

    index: int
    header: Ipv6
    ends: chain.PseudoHeader

    @property
    def dictionary(self) -> bytes:
        """Return what byte code may copy from: the addresses of the IPv6 header before it."""
        from lowpanbudget.layers.lowpan import ghc  # noqa: PLC0415  # few compress payloads

        return ghc.dictionary(self.header.source.packed, self.header.destination.packed)


@dataclass(frozen=True, slots=True)
class _Packing:
    """A datagram that is packed, what the compressor may do, and the payload up to where it is cut."""

    sent: Outgoing
    env: Env
    options: Options
    payload: bytes

    @property
    def octets(self) -> int:
        """Return the octets of the datagram up to where it is cut."""
        return self.sent.places[-1] + len(self.payload)

    def following(self, place: _Position, depth: int) -> Packed:
        """Return the shorter of leaving everything from here on as it is, and compressing this header."""
        at = self.sent.places[place.index]
        uncompressed = Packed(0, at, nhc=False)
        if depth <= 0:
            return uncompressed
        candidates = [uncompressed]
        headers = self.sent.headers
        if place.index == len(headers):
            if self.options.ghc and self.sent.kind(place.index) == ipv6.ICMPV6:
                candidates += self._icmpv6(place, at)
        else:
            header = headers[place.index]
            if isinstance(header, Udp):
                candidates += self._udp(header, place, at)
            elif isinstance(header, Ipv6):
                candidates.append(self._inner(header, place, depth))
            else:
                candidates += self._extension(header, place, depth)
        return min(candidates, key=lambda packed: packed.cost(self.octets))

    def _udp(self, header: Udp, place: _Position, at: int) -> Iterator[Packed]:
        checksum: int | None = header.checksum
        if self.options.elide_udp_checksum:
            self._verify(header, place)
            checksum = None
        ports = (header.source_port, header.destination_port)
        yield Packed(0, at + udp.OCTETS).behind(nhc.choose_udp(ports, checksum))
        if self.options.ghc:
            from lowpanbudget.layers.lowpan import ghc, ghc_headers  # noqa: PLC0415

            if 0 < len(self.payload) <= ghc.LARGEST:
                code = Writer(ghc_headers.UDP.name)
                ghc_headers.write_code(code, self.payload, place.dictionary, stop=False)
                generic = nhc.choose_udp(ports, checksum, ghc_headers.UDP)
                yield Packed(0, self.octets).behind(generic, code)

    def _verify(self, header: Udp, place: _Position) -> None:
        """Raise ``RequestError`` for a checksum that must not be elided."""
        if place.ends.hidden:
            raise RequestError(
                "the UDP checksum covers a final destination that stands in a routing header which cannot be read: "
                "a compressor must not elide what it cannot verify",
                cite=rfc(8200, "8.1"),
                hint="Let it carry the checksum",
            )
        segment = bytes(header) + self.sent.payload
        right = udp.checksum(place.ends.source, place.ends.destination, segment)
        if header.checksum != right:
            raise RequestError(
                f"the UDP checksum is {header.checksum:#06x}, computed {right:#06x}: "
                "a compressor must not elide a wrong one",
                cite=rfc(6282, "4.3.2"),
            )

    def _icmpv6(self, place: _Position, at: int) -> Iterator[Packed]:
        from lowpanbudget.layers.lowpan import ghc, ghc_headers  # noqa: PLC0415

        if at < self.octets <= at + ghc.LARGEST:
            writer = Writer()
            ghc_headers.ICMPV6.write(writer, {})
            ghc_headers.write_code(writer, self.payload, place.dictionary, stop=False)
            yield Packed(0, self.octets).behind(writer)

    def _inner(self, inner: Ipv6, place: _Position, depth: int) -> Packed:
        rest = self.following(_behind(place.index + 1, inner), depth - 1)
        writer = Writer()
        extension_nhc.encode_extension(writer, ipv6.IPV6, b"", nhc=False)
        return rest.behind(
            writer, shortest.choose(inner, self.env, nhc=rest.nhc, outer=place.header)
        )

    def _extension(self, header: Extension, place: _Position, depth: int) -> Iterator[Packed]:
        kind, octets = header.kind, header.octets
        if not extension_nhc.fits_extension(kind, octets):
            return
        behind = replace(place, index=place.index + 1)
        if kind == ipv6.ROUTING and self.options.elide_udp_checksum:
            route = header.value
            ends = place.ends
            ends = ends.through(route) if isinstance(route, SourceRoute) else ends.behind(octets)
            behind = replace(behind, ends=ends)
        later = kind == ipv6.FRAGMENT and chain.is_later(octets)
        rest = self.following(behind, 0 if later else depth - 1)
        writer = Writer()
        extension_nhc.encode_extension(writer, kind, octets, nhc=rest.nhc)
        writers = [writer]
        if self.options.ghc:
            from lowpanbudget.layers.lowpan import ghc_headers  # noqa: PLC0415

            if ghc_headers.gives_back(kind, octets):
                generic = Writer()
                ghc_headers.encode_extension(
                    generic, kind, octets, place.dictionary, nhc_follows=rest.nhc
                )
                writers.append(generic)
        best = min(writers, key=lambda writer: len(writer.data))
        yield rest.behind(best)

    def routed(self) -> Iterator[Packed]:
        """Yield forms of a datagram with its RPL artefacts as routing headers of page 1; none when none can be.

        First that in which as many outer IPv6 headers as can be are IP-in-IP-6LoRH; the next goes in IPHC, and those in
        it stand behind EID 7.
        """
        sent, env = self.sent, self.env
        levels = [artefacts.level_of(sent, 0, env)]
        while (
            artefacts.can_tunnel(levels[-1])
            and len(levels) < ipv6.DEEPEST
            and levels[-1].following < len(sent.headers)
        ):
            levels.append(artefacts.level_of(sent, levels[-1].following, env))
        forms = (self._as_routing_headers(levels[:count]) for count in range(len(levels), 0, -1))
        yield from (form for form in forms if form is not None)

    def _as_routing_headers(self, levels: list[artefacts.Level]) -> Packed | None:
        """Return the form in which all these levels but the last stand as IP-in-IP-6LoRH; None where they cannot."""
        env, levels = self.env, artefacts.without_groups(levels, self.env)
        *outers, last = levels
        before = last.following - 1  # of the headers that the artefacts took, all but the first
        depth = self.options.depth - before
        final = last.hops[-1]
        headers: list[lorh.RoutingHeader] = []
        tunnel = None
        for level in outers:
            more, outer = artefacts.outer_headers(level, env, final, self.options.end_octets)
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
        rest = self.following(_behind(last.following, header), depth)
        writer = Writer()
        dispatch.write_page(writer, 1)
        for routing_header in headers:
            lorh.encode(writer, routing_header)
        form = shortest.choose(header, env, nhc=rest.nhc, tunnel=tunnel)
        return rest.behind(writer, form)._replace(same=all(level.same for level in levels))


def _behind(index: int, header: Ipv6) -> _Position:
    """Return the place at ``index``, directly behind an IPv6 header."""
    return _Position(index, header, chain.PseudoHeader(header.source, header.destination))
