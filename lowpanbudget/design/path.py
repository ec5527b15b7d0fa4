"""A path: a flow on one hop of a link. It builds the frames of a payload, and so decides every size."""

from functools import lru_cache
from ipaddress import IPv6Address
from typing import Any

from lowpanbudget.bits import Writer
from lowpanbudget.design.application import Application
from lowpanbudget.design.flow import FIRST, Flow, Hop
from lowpanbudget.design.header_sizes import HeaderSizes
from lowpanbudget.design.link import AddressForm, Link
from lowpanbudget.design.mesh_under import behind, mesh_front
from lowpanbudget.design.routing import UNROUTED
from lowpanbudget.env import Contexts, Env
from lowpanbudget.errors import RequestError
from lowpanbudget.fields import layout_of
from lowpanbudget.layers.internet import ipv6, udp
from lowpanbudget.layers.internet.ipv6 import Ipv6
from lowpanbudget.layers.internet.udp import Udp
from lowpanbudget.layers.lowpan.forms import HLIM
from lowpanbudget.stack.contents import ContentLayout
from lowpanbudget.stack.encoding import Encoded
from lowpanbudget.stack.outgoing import AnyHeader, Outgoing
from lowpanbudget.stack.packing import Options, pack_headers
from lowpanbudget.stack.split import fragment_octets, payloads
from lowpanbudget.values import HashedOnce, dataclass, field, replace

UNLIMITED = 1 << 16  # octets of a frame: more than any datagram has
MOST_ROUTERS = 120  # more addresses do not fit a routing header (RFC 6554 section 3)


@dataclass(frozen=True, slots=True)
class FlowPath(HashedOnce):
    """A flow on one hop of a link: everything that decides a frame but its payload."""

    link: Link
    contexts: Contexts
    flow: Flow
    hop: Hop

    @property
    def root(self) -> IPv6Address:
        """Return the address of the RPL root: the border router's, or the collector's without one."""
        return self.flow.border.ip(self.link.addresses)

    @property
    def env(self) -> Env:
        """Return what both ends of the hop know, or both of a mesh below IPv6 (``ends``)."""
        routing = self.flow.routing
        root = None if routing == UNROUTED else self.root
        return Env(*self.ends, None, self.contexts, root, routing.rpi_type)

    @property
    def ends(self) -> tuple[bytes, bytes]:
        """Return the link addresses that identifiers are elided against (``Flow.ends_of``)."""
        return self.flow.ends_of(self.hop, self.link.addresses)

    def datagram(self, payload: bytes) -> bytes:
        """Return the IPv6 datagram that carries ``payload``, its checksum computed."""
        return self._around(bytes(self.flow.application.write(payload).data)).octets

    def _around(self, payload: bytes) -> Outgoing:
        """Return the datagram with this UDP payload: its headers stay values, and nothing reads them again."""
        flow, form = self.flow, self.link.addresses
        source = flow.source.ip(form)
        destination = flow.group if flow.group is not None else flow.destination.ip(form)
        length = udp.OCTETS + len(payload)
        segment = Udp(flow.source_port, flow.destination_port, length, 0)
        checksum = udp.checksum(source, destination, bytes(segment) + payload)
        header = Ipv6(
            flow.traffic_class, flow.flow_label, length, ipv6.UDP, self.hop.hop_limit,
            source, destination,
        )  # fmt: skip
        headers = self._routed(header)
        return Outgoing.linked([*headers, replace(segment, checksum=checksum)], payload)

    def _routed(self, header: Ipv6) -> list[AnyHeader]:
        """Return the headers of a datagram up to this one, with what the flow's routing adds."""
        flow = self.flow
        if flow.routing == UNROUTED:
            return [header]
        passed = 0 if self.hop.name == FIRST else 1
        down = flow.direction == "down"
        return flow.routed(self.link.addresses).around(header, self.root, down=down, passed=passed)

    def with_route(self, route: int) -> "FlowPath | None":
        """Return the same hop of the flow over so many routers of a source route.

        None when the flow has no route, or does not reach so far.
        """
        now = self.flow.routing.route
        if not now or route > MOST_ROUTERS:
            return None
        try:
            flow = self.flow.with_hops(self.flow.hops - now + route)
        except RequestError:
            return None
        (hop,) = (hop for hop in _hops(flow, self.link.addresses) if hop.name == self.hop.name)
        return replace(self, flow=flow, hop=hop)

    def frames(self, payload: bytes, layout: ContentLayout | None = None) -> list[Encoded]:
        """Return the frames that carry ``payload`` over this hop: one, or fragments.

        With the ``layout`` of the payload, such as a message of the design, the spans tell its fields.
        Raises ``DoesNotFit`` when the datagram is over the MTU or no fragment fits, ``WireError`` as the layout does.
        """
        return [self.framed(carried) for carried in self._payloads(payload, layout=layout)]

    def control_frames(self, message: object) -> list[Encoded]:
        """Return the frames that carry an ICMPv6 message between the flow's ends, in place of its own data.

        ``message`` is one of the values that ``Icmpv6`` holds; raises as ``frames``.
        """
        from lowpanbudget.layers.internet import icmpv6  # noqa: PLC0415  # its messages are many

        flow, form, hop = self.flow, self.link.addresses, self.hop
        source = flow.source.ip(form)
        destination = flow.group if flow.group is not None else flow.destination.ip(form)
        body = Writer()
        icmpv6.encode(body, message, source, destination)
        octets = bytes(body.data)
        header = Ipv6(0, 0, len(octets), ipv6.ICMPV6, hop.hop_limit, source, destination)
        datagram = Outgoing.linked(self._routed(header), octets, ipv6.ICMPV6)
        return [self.framed(carried) for carried in self._cut(datagram, self.link_room, body)]

    def fragments_acknowledged(self) -> tuple[Encoded, Encoded | None]:
        """Return the frame that acknowledges fragments of this hop (RFC 8931 section 5.2), and what acknowledges it."""
        from lowpanbudget.layers.lowpan.recovery import FULL, RfragAck  # noqa: PLC0415  # few networks have it

        there, back = self.hop.source, self.hop.destination
        writer = Writer()
        writer.append(mesh_front(self.flow, self.link.addresses, self.hop.name, back=True))
        layout_of(RfragAck).write(writer, RfragAck(tag=0, bitmap=FULL))
        return self.link.frame(back, there, writer), self.link.acknowledgement(back, there)

    def count(self, payload_octets: int) -> int:
        """Return how many frames a payload of so many octets takes; raises as ``frames``."""
        return len(_lengths(self, payload_octets))

    def lengths(self, payload_octets: int) -> list[int]:
        """Return what such a payload puts between header and trailer of each frame, in octets; raises as ``frames``."""
        return list(_lengths(self, payload_octets))

    def alone(self, payload_octets: int) -> int | None:
        """Return what such a payload puts between header and trailer if one frame carries it whole, else None."""
        if self.datagram_octets(payload_octets) > self.link.mtu:
            return None
        octets = self.header_sizes.on_air + self.flow.application.octets(payload_octets)
        return octets if octets <= self.link_room else None

    def datagram_octets(self, payload_octets: int) -> int:
        """Return how long the datagram of such a payload is, which the MTU limits."""
        return self.header_sizes.of_datagram + self.flow.application.octets(payload_octets)

    def in_fragments(self, payload_octets: int) -> list[int] | None:
        """Return what such a payload puts in each of several frames; None where that takes building them to tell.

        Headers that stand compressed in the first fragment have the size that they have in one frame.
        """
        sizes, link = self.header_sizes, self.link
        size = self.datagram_octets(payload_octets)
        if link.recoverable or size > link.mtu or not (sizes.whole and sizes.same):
            return None
        return fragment_octets(size, sizes.on_air, sizes.of_datagram, self.link_room)

    def measured(self, payload_octets: int) -> tuple[int, ...]:
        """Return the same as ``lengths``, found by building the frames and not from memory."""
        return tuple(writer.pos for writer in self._payloads(bytes(payload_octets)))

    def unlimited(self, payload: bytes) -> Encoded:
        """Return the one frame that would carry ``payload`` if frames of this link had no greatest length."""
        return self.framed(self.carried(payload))

    def carried(self, payload: bytes) -> Writer:
        """Return what one frame carries between header and trailer if frames of this link had no greatest length."""
        (writer,) = self._payloads(payload, room=UNLIMITED)
        return writer

    def framed(self, carried: Writer) -> Encoded:
        """Return the frame of this hop that carries this between its headers and the trailer."""
        return self.link.frame(self.hop.source, self.hop.destination, self.within(carried))

    def within(self, carried: Writer) -> Writer:
        """Return what stands between MAC header and trailer of such a frame: a mesh header may be before this."""
        return behind(mesh_front(self.flow, self.link.addresses, self.hop.name), carried)

    @property
    def rest(self) -> int:
        """Return what the headers leave of one frame before any payload, in octets; below 0 when they are over."""
        return self.link_room - self.header_sizes.on_air - self.flow.application.octets(0)

    @property
    def link_room(self) -> int:
        """Return the octets between header and trailer of the largest frame of this hop, behind what is in front."""
        room = _link_room(self.link, len(self.hop.source), len(self.hop.destination))
        return room - self.within(Writer()).pos

    @property
    def header_form(self) -> tuple[Any, ...]:
        """Return everything that decides ``header_sizes``: paths that agree in it have the same.

        Without a source route or a tunnel the datagram has no address but its ends', and no other context serves it.
        """
        flow, form = self.flow, self.link.addresses
        ends = (flow.source.ip(form), flow.group or flow.destination.ip(form))
        (start, end), name, limit = self.ends, self.hop.name, self.hop.hop_limit
        contexts, routing = tuple(self.contexts.items()), flow.routing
        routed: tuple[Any, ...] = ()
        if routing != UNROUTED:
            entries = flow.routed(form) if routing.route else replace(routing, entry_octets=0)
            routed = (name, self.root, flow.direction, entries)
        elif flow.group is None:
            contexts = tuple((n, one) for n, one in contexts if any(map(one.covers, ends)))
        return (
            *contexts, routed, start, end, HLIM.best(limit).row.inline, *ends,
            flow.source_port, flow.destination_port, flow.elide_udp_checksum,
            flow.traffic_class, flow.flow_label,
        )  # fmt: skip

    @property
    def header_sizes(self) -> HeaderSizes:
        """Return what the headers take that stand before the payload of UDP, in their shortest form."""
        return _sizes_of(self)

    def packed_sizes(self) -> HeaderSizes:
        """Return the same as ``header_sizes``, found by packing the headers and not from memory."""
        sent = self._around(b"")
        packed = pack_headers(sent, self.env, self._options)
        size = len(sent.octets)
        return HeaderSizes(packed.cost(size), size, packed.covers == size, packed.same)

    @property
    def _options(self) -> Options:
        """Return what the compressor may do for this flow.

        A packet keeps its form: RFC 8138 is "optimized to enable that a packet is forwarded in its compressed form all
        the way" (section 8).
        """
        flow, form = self.flow, self.link.addresses
        if flow.routing == UNROUTED or not flow.routing.compressed:
            return Options(flow.elide_udp_checksum)
        final = flow.destination.ip(form)
        end_octets = 0 if flow.group else flow.routed(form).end_octets(final, self.root)
        return Options(flow.elide_udp_checksum, lorh=True, lorh_alone=True, end_octets=end_octets)

    def _payloads(
        self, payload: bytes, room: int | None = None, layout: ContentLayout | None = None
    ) -> list[Writer]:
        application = self.flow.application
        tail = (
            _written(application, payload) if layout is None else application.write(payload, layout)
        )
        datagram = self._around(bytes(tail.data))
        return self._cut(datagram, self.link_room if room is None else room, tail)

    def _cut(self, datagram: Outgoing, room: int, tail: Writer) -> list[Writer]:
        """Return the payloads of the frames that carry a datagram, whose end ``tail`` explains."""
        self.link.must_take(len(datagram.octets))
        env, options, after = self.env, self._options, self._after
        if not self.link.recoverable:
            return payloads(datagram, env, room=room, options=options, tail=tail)
        from lowpanbudget.stack.recoverable import recoverable  # noqa: PLC0415  # few networks have it

        there = None if after is None else env.between(after.source, after.destination)
        slack = 0 if after is None else None
        return recoverable(
            datagram, env, room=room, slack=slack, after=there, options=options, tail=tail
        )

    @property
    def _after(self) -> Hop | None:
        """Return the hop behind this one, where headers may take more; None where this is the last, or in a mesh."""
        hops = _hops(self.flow, self.link.addresses)
        is_last = self.hop.name != FIRST and self.flow.hops == len(hops)
        return None if self.flow.hops == 1 or is_last or self.flow.mesh_under else hops[-1]


@lru_cache(maxsize=8192)  # rooms, cliffs and encodings ask for the same sizes of the same paths
def _lengths(path: FlowPath, payload_octets: int) -> tuple[int, ...]:
    alone = path.alone(payload_octets)
    if alone is not None:
        return (alone,)
    octets = path.in_fragments(payload_octets)
    return path.measured(payload_octets) if octets is None else tuple(octets)


@lru_cache(maxsize=512, typed=True)  # stand-in octets equal others; other links carry the same
def _written(application: Application, payload: bytes) -> Writer:
    return application.write(payload)


@lru_cache(maxsize=512)  # each size of a path is worked out from these
def _sizes_of(path: FlowPath) -> HeaderSizes:
    return _header_sizes(_HeaderForm(path.header_form, path))


@dataclass(frozen=True, slots=True)
class _HeaderForm(HashedOnce):
    """What decides the sizes of headers, and a path that has them."""

    form: tuple[Any, ...]
    path: FlowPath = field(compare=False)


@lru_cache(maxsize=2048)  # frames of any security, numbers and elements carry the same headers
def _header_sizes(form: _HeaderForm) -> HeaderSizes:
    return form.path.packed_sizes()


@lru_cache(maxsize=256)  # a header has its addresses whole: others of their lengths leave the same
def _link_room(link: Link, source_octets: int, destination_octets: int) -> int:
    return link.room(bytes(source_octets), bytes(destination_octets))


def paths(link: Link, contexts: Contexts, flow: Flow) -> list[FlowPath]:
    """Return the flow's paths, one for each hop that differs."""
    return [FlowPath(link, contexts, flow, hop) for hop in _hops(flow, link.addresses)]


@lru_cache(maxsize=512)  # most knobs turn no key of a flow
def _hops(flow: Flow, form: AddressForm) -> tuple[Hop, ...]:
    return flow.hop_list(form)
