"""Datagrams of a capture matched with the flows of a design, and what the design plans for each."""

from functools import lru_cache
from ipaddress import IPv6Address
from typing import NamedTuple

from lowpanbudget.bits import Nature, Span
from lowpanbudget.capture.recent import Recent
from lowpanbudget.design.flow import FIRST, Flow
from lowpanbudget.design.meaning import Design
from lowpanbudget.design.path import Path
from lowpanbudget.design.routing import UNROUTED
from lowpanbudget.findings.datagrams import HeardDatagram, UdpContent
from lowpanbudget.layers.internet import ipv6

MOST_KNOWN = 4096
FieldBits = dict[tuple[str, str], int]


class FlowMatch(NamedTuple):
    """The flow that a datagram belongs to, and what it carries; ``back``: it goes the other way, as answers do."""

    flow: Flow
    back: bool
    content: UdpContent


class FlowBook:
    """The flows of a design, found by ports and addresses."""

    def __init__(self, design: Design) -> None:
        self.design = design
        self._known = Recent[tuple[int, int, bool, int, int], tuple[Flow, bool] | None](MOST_KNOWN)

    def match(self, datagram: HeardDatagram) -> FlowMatch | None:
        """Return the flow of a datagram, of those with its ports the one whose addresses fit best; None for others."""
        content = datagram.udp
        if content is None:
            return None
        source, destination = datagram.header.source, datagram.header.destination
        ports = (content.source_port, content.destination_port)
        routed = datagram.outer.next_header != ipv6.UDP  # what RPL adds stands between IPv6 and UDP
        key = (int(source), int(destination), routed, *ports)
        if key not in self._known:
            self._known[key] = self._best(source, destination, ports, routed=routed)
        best = self._known[key]
        return None if best is None else FlowMatch(*best, content)

    def _best(
        self,
        source: IPv6Address,
        destination: IPv6Address,
        ports: tuple[int, int],
        *,
        routed: bool,
    ) -> tuple[Flow, bool] | None:
        best: tuple[int, Flow, bool] | None = None
        for flow in self.design.flows:
            planned = (flow.source_port, flow.destination_port)
            for back in (False, True):
                if planned != (ports[::-1] if back else ports):
                    continue
                start, end = (destination, source) if back else (source, destination)
                as_routed = routed == (flow.routing != UNROUTED)
                score = 8 * (not back) + 4 * as_routed + self._fits(flow, start, end)
                if best is None or score > best[0]:
                    best = (score, flow, back)
        return None if best is None else best[1:]

    def _fits(self, flow: Flow, source: IPv6Address, destination: IPv6Address) -> int:
        form = self.design.link.addresses
        planned = flow.group if flow.group is not None else flow.destination.ip(form)
        same_prefix = int(flow.source.ip(form)) >> 64 == int(source) >> 64
        return 2 * (planned == destination) + (flow.source.ip(form) == source) + same_prefix


@lru_cache(256)
def planned_bits(path: Path) -> FieldBits:
    """Return the bits of each header field in a frame of this path, application data left out."""
    frame = path.frames(b"\0")[0]
    return field_bits(frame.spans, len(frame.octets) - path.link.fcs)


@lru_cache(256)
def link_bits(path: Path) -> FieldBits:
    """Return the bits of each field of the link's own header and trailer in a frame of this path."""
    frame = path.link.frame(path.hop.source, path.hop.destination, b"")
    return field_bits(frame.spans, len(frame.octets) - path.link.fcs)


def field_bits(spans: tuple[Span, ...], octets: int) -> FieldBits:
    """Return the bits of each header field in the first octets of a frame, by layer and name."""
    bits: FieldBits = {}
    for span in spans:
        if span.nature is Nature.HEADER and span.offset_bits < 8 * octets:
            key = (span.layer, span.name)
            bits[key] = bits.get(key, 0) + span.bits
    return bits


def path_of(design: Design, flow: Flow, *, first: bool) -> Path:
    """Return the path of the first hop, or the one whose headers are longest."""
    paths = design.paths(flow)
    if first:
        return next(path for path in paths if path.hop.name == FIRST)
    return max(paths, key=lambda path: sum(planned_bits(path).values()))
