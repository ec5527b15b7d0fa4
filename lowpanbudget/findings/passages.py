"""Datagrams on their way: one that was heard before, sent by another node, is known again.

Nothing numbers an IPv6 datagram. What stays the same on its way is who sent it, whom it is for in the end, and what its
last header covers, the checksum among it, which covers both ends (RFC 8200 section 8.1); hop limits, routing headers
and the RPL option change. Where nothing stands behind its headers nothing tells it from the next. The same octets again
from the same node with the same hop limit are another datagram, or the same sent again, and no step on the way. Where a
mesh below IPv6 passes frames on, datagram and link addresses stay as they are: there the hops left tell (RFC 4944
section 5.2).
"""

from functools import lru_cache
from ipaddress import IPv6Address
from itertools import pairwise
from typing import NamedTuple

from lowpanbudget.capture.follow.flows import mark_of
from lowpanbudget.env import IID_MASK, interface_identifier
from lowpanbudget.findings.datagrams import HeardDatagram
from lowpanbudget.layers.internet import chain, ipv6
from lowpanbudget.layers.link.mac import BROADCAST
from lowpanbudget.values import dataclass

WAY_S = 60.0  # from hop to hop; sleeping nodes fetch within that, reports with the same values come later: our choice
MOST_HOPS = 16  # of one datagram that are remembered
MOST_WAYS = 2048  # datagrams in each of two generations

_SUMMED = {ipv6.UDP, ipv6.ICMPV6}  # whose checksum covers both ends
_LEAST_ROUTED = (
    ipv6.OCTETS + 16
)  # octets up to what stands behind a routing header with an address or two (RFC 6554)

_Hop = tuple[
    bytes, bytes | None, int, int, float, IPv6Address, int, int | None
]  # the fields of a hop


class HeardHop(NamedTuple):
    """A datagram between two nodes: its hop limit there, and the frame that brought it, or its headers.

    ``to`` is the destination in its IPv6 header, which is the next node of a route where ``left`` segments are left.
    ``mesh_left`` are the hops left below IPv6, where another than the originator passes the frame on, or all do.
    """

    source: bytes
    destination: bytes | None
    hop_limit: int
    number: int
    time_s: float
    to: IPv6Address
    left: int
    mesh_left: int | None = None


@dataclass(frozen=True, slots=True)
class Passage:
    """A datagram that came by before: the ``hops`` so far, in order, and the one ``now``.

    ``in_mesh``: it is on the last of these hops still, which goes over several links.
    """

    hops: tuple[HeardHop, ...]
    now: HeardHop
    in_mesh: bool = False

    @property
    def numbers(self) -> tuple[int, ...]:
        """Return the frames of all hops."""
        return (*(hop.number for hop in self.hops), self.now.number)

    @property
    def keeps_segments(self) -> bool:
        """Return whether the router that a source route names next sent it on with as many segments left.

        "decrement Segments Left by 1" (RFC 6554 section 4.2). Where the destination stayed the same the node may be no
        node of the route, unless that is made of its link address.
        """
        return _keeps_segments(self.hops[-1], self.now)

    @property
    def is_astray(self) -> bool:
        """Return whether a router on its way did so: the last address of its route is not whom it is for."""
        return any(_keeps_segments(*pair) for pair in pairwise((*self.hops, self.now)))

    @property
    def round(self) -> tuple[HeardHop, ...]:
        """Return the hops since the node sent it before, with a higher hop limit; nothing where it comes by first."""
        now = self.now
        for at in range(len(self.hops) - 1, -1, -1):
            hop = self.hops[at]
            if hop.source == now.source and hop.hop_limit > now.hop_limit:
                return self.hops[at:]
        return ()


def _is_within(hop: HeardHop, now: HeardHop) -> bool:
    """Return whether a node of a mesh passes on what this hop brought it, with fewer hops left."""
    if hop[:3] != now[:3] or now.mesh_left is None or not 0 <= now.time_s - hop.time_s <= WAY_S:
        return False
    return hop.mesh_left is None or now.mesh_left < hop.mesh_left


def _keeps_segments(before: HeardHop, now: HeardHop) -> bool:
    if not before.left or now.left < before.left or before.destination != now.source:
        return False
    is_named = int(before.to) & IID_MASK == interface_identifier(now.source)
    return is_named or now.to != before.to


class Passages:
    """The datagrams that came by last, in bounded memory."""

    def __init__(self) -> None:
        # two generations: what did not come again in one is forgotten; a way is kept as tuples until it goes on
        self._young: dict[int, tuple[_Hop, ...]] = {}
        self._old: dict[int, tuple[_Hop, ...]] = {}

    def see(self, datagram: HeardDatagram, *, tunnelled: bool) -> Passage | None:
        """Return how a datagram to one node, or to all of a mesh, came here, when it was heard before, or comes round.

        Where it is ``tunnelled`` the header that counts is the outermost one.
        """
        headers, mark = datagram.headers, datagram.mark
        source, destination, upper = headers.link_source, headers.link_destination, headers.upper
        if source is None or upper is None or mark is None or not headers.may_go_on:
            return None
        header = datagram.outer if tunnelled else headers.header
        to, left = header.destination, 0
        if upper.offset >= _LEAST_ROUTED:
            # as it was restored: a source route in 6LoRH has the address of the next router, IPHC that of the end
            to, front = datagram.outer.destination, datagram.octets[ipv6.OCTETS : upper.offset]
            left = _segments_left(datagram.outer.next_header, front)
        number, time_s = datagram.numbers[0], datagram.time_s
        now = source, destination, header.hop_limit, number, time_s, to, left, headers.mesh_left
        if tunnelled:
            # what its own sender puts into a tunnel and another takes out has the hop limit of another header there
            mark = ~mark_of(header.source, datagram.octets, upper)
        if upper.kind not in _SUMMED:
            if len(datagram.octets) <= upper.offset:
                return None
            mark = hash((mark, int(headers.destination)))
        way = self._young.get(mark) or self._old.get(mark)
        if way is None:
            self._keep(mark, (now,))
            return None
        hops, step = tuple(map(HeardHop._make, way)), HeardHop._make(now)
        if step.mesh_left is not None:
            at = next((at for at, hop in enumerate(hops, 1) if _is_within(hop, step)), 0)
            if at:
                return Passage(hops[:at], step, in_mesh=True)
        first, last = hops[0], hops[-1]
        anew = step.source == first.source and step.hop_limit >= first.hop_limit
        anew = anew or destination == BROADCAST  # nobody knows who sends on what goes to all
        if anew or not 0 <= step.time_s - last.time_s <= WAY_S:
            self._keep(mark, (now,))
            return None
        if any(hop[:3] == now[:3] for hop in way):
            return None  # sent again by a router
        self._keep(mark, (*way, now)[-MOST_HOPS:])
        return Passage(hops, step)

    def _keep(self, mark: int, way: "tuple[_Hop, ...]") -> None:
        if len(self._young) >= MOST_WAYS:
            self._old, self._young = self._young, {}
        self._young[mark] = way


@lru_cache(4096)
def _segments_left(next_header: int, headers: bytes) -> int:
    """Return the segments left in the first routing header of those behind an IPv6 header; 0 without one."""
    at = 0
    while next_header in ipv6.EXTENSIONS and at < len(headers):
        length = ipv6.extension_octets(next_header, headers, at)
        if next_header == ipv6.ROUTING:
            left: int = chain.ROUTING.values_at(headers, at)["segments left"]
            return left
        next_header, at = headers[at], at + length
    return 0
