"""A datagram to be sent: its headers as values, in order, and the octets behind them.

Who builds a datagram has its headers as values already; octets from elsewhere are read into them once, here.
"""

from collections.abc import Sequence

from lowpanbudget.bits import Reader
from lowpanbudget.errors import NoDatagram, RequestError, WireError, plural
from lowpanbudget.layers.internet import chain, ipv6, udp
from lowpanbudget.layers.internet.ipv6 import Ipv6
from lowpanbudget.layers.internet.source_route import SourceRoute
from lowpanbudget.layers.internet.udp import Udp
from lowpanbudget.layers.lowpan.lorh import Rpi
from lowpanbudget.values import dataclass, field, found_once, replace

_MOST = 3 * ipv6.DEEPEST  # headers read; more are not compressed anyway


@dataclass(frozen=True)
class Extension:
    """An extension header: its next-header number ``kind``, its ``octets``, the first of them what follows it.

    ``value`` is the RPL information that a hop-by-hop header holds alone, or the source route, where the writer knows.
    """

    kind: int
    octets: bytes
    value: Rpi | SourceRoute | None = field(default=None, compare=False)

    def before(self, kind: int) -> "Extension":
        """Return the same header in front of a header of this kind."""
        return replace(self, octets=bytes((kind,)) + self.octets[1:])


AnyHeader = Ipv6 | Extension | Udp


@dataclass(frozen=True)
class Outgoing:
    """Complete ``headers``, the first an ``Ipv6``, and the ``payload`` behind the last of them."""

    headers: tuple[AnyHeader, ...]
    payload: bytes

    @found_once
    def parts(self) -> tuple[bytes, ...]:
        """Return the octets of each header."""
        return tuple(
            header.octets if isinstance(header, Extension) else bytes(header)
            for header in self.headers
        )

    @found_once
    def octets(self) -> bytes:
        """Return the octets of the datagram, headers and payload."""
        return b"".join((*self.parts, self.payload))

    @found_once
    def places(self) -> tuple[int, ...]:
        """Return where each header starts, then where the payload does, in octets."""
        places = [0]
        for header in self.headers:
            places.append(places[-1] + _octets_of(header))
        return tuple(places)

    def kind(self, index: int) -> int:
        """Return the next-header number of the header at ``index``, or of the payload behind the last one."""
        before = self.headers[index - 1]
        if isinstance(before, Ipv6):
            return before.next_header
        return before.octets[0] if isinstance(before, Extension) else ipv6.NO_NEXT_HEADER

    @classmethod
    def linked(
        cls, headers: Sequence[AnyHeader], payload: bytes, kind: int = ipv6.NO_NEXT_HEADER
    ) -> "Outgoing":
        """Return the datagram of these headers, next-header numbers and payload lengths filled in.

        ``kind`` is the number of what the payload is.
        """
        behind, complete = len(payload), list[AnyHeader]()
        for header in reversed(headers):
            if isinstance(header, Ipv6):
                complete.append(replace(header, payload_length=behind, next_header=kind))
                behind, kind = behind + ipv6.OCTETS, ipv6.IPV6
            elif isinstance(header, Extension):
                complete.append(header.before(kind))
                behind, kind = behind + len(header.octets), header.kind
            else:
                complete.append(header)
                behind, kind = behind + udp.OCTETS, ipv6.UDP
        return cls(tuple(reversed(complete)), payload)

    @classmethod
    def read(cls, datagram: bytes, known: Sequence[object] = ()) -> "Outgoing":
        """Return the datagram of these octets, its headers read as far as they can be.

        ``known`` are those at its beginning that were read before. Raises ``RequestError`` when the octets are no IPv6
        datagram, or its length disagrees.
        """
        first = known[0] if known else None
        first = _fitting(first, datagram) if isinstance(first, Ipv6) else _ipv6(datagram)
        headers: list[AnyHeader] = [first]
        if len(known) > 1 and isinstance(known[1], Udp):
            return cls((first, known[1]), datagram[ipv6.OCTETS + udp.OCTETS :])
        kind, at = first.next_header, ipv6.OCTETS
        while len(headers) < _MOST:
            header = _next(datagram, kind, at)
            if header is None:
                break
            headers.append(header)
            if isinstance(header, Udp):
                at += udp.OCTETS
                break
            if isinstance(header, Ipv6):
                kind, at = header.next_header, at + ipv6.OCTETS
                continue
            at += len(header.octets)
            kind = header.octets[0]
            if header.kind == ipv6.FRAGMENT and chain.is_later(header.octets):
                break  # behind a later IP fragment stands no header, whatever its next-header field names
        return cls(tuple(headers), datagram[at:])


def _octets_of(header: AnyHeader) -> int:
    if isinstance(header, Extension):
        return len(header.octets)
    return ipv6.OCTETS if isinstance(header, Ipv6) else udp.OCTETS


def _ipv6(octets: bytes) -> Ipv6:
    try:
        header = ipv6.header_of(octets)
    except WireError as error:
        raise NoDatagram(
            f"this is no IPv6 datagram: {error.message}",
            offset=error.offset,
            layer=error.layer,
            cite=error.cite,
            hint="Give all octets of one datagram, from its version on",
        ) from None
    return _fitting(header, octets)


def _fitting(header: Ipv6, octets: bytes) -> Ipv6:
    """Return the header of a datagram; raise where it says another length."""
    if header.payload_length != len(octets) - ipv6.OCTETS:
        raise RequestError(
            f"the IPv6 payload length says {plural(header.payload_length, 'octet')}, "
            f"{len(octets) - ipv6.OCTETS} are there",
            cite=ipv6.HEADER.cite,
            hint="The length is elided and would come back different",
        )
    return header


def _next(datagram: bytes, kind: int, at: int) -> AnyHeader | None:
    """Return the header that stands next; None where the payload begins, or what cannot be read."""
    if kind == ipv6.UDP and len(datagram) - at >= udp.OCTETS:
        header = udp.decode(Reader(datagram, at))
        # "inferred from lower layers": another length would not come back
        return header if header.length == len(datagram) - at else None
    if kind == ipv6.IPV6:
        try:
            return _ipv6(datagram[at:])
        except RequestError:
            return None
    if kind in ipv6.EXTENSIONS:
        try:
            length = ipv6.extension_octets(kind, datagram, at)
        except WireError:
            return None
        return Extension(kind, datagram[at : at + length])
    return None
