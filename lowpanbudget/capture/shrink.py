"""IPv6 datagrams into frames of a design: compressed, cut into fragments where they must be, sealed with a key."""

from collections.abc import Generator, Iterator, Mapping, Sequence
from ipaddress import IPv6Address
from typing import TYPE_CHECKING, Any

from lowpanbudget.arguments import as_declared, value_of, with_flags
from lowpanbudget.bits import as_octets
from lowpanbudget.capture.expand import LeftOut
from lowpanbudget.capture.files.link_types import FRAME_TYPE, IPV6, unwrap
from lowpanbudget.capture.files.reading import Capture, CaptureFile
from lowpanbudget.capture.files.record import Record
from lowpanbudget.capture.files.single_pass import SinglePass
from lowpanbudget.capture.follow.flows import flow_of
from lowpanbudget.capture.follow.learning import lesson_of_packet
from lowpanbudget.capture.mesh_frames import BROADCASTS, MeshWay, MeshWays
from lowpanbudget.cites import rfc
from lowpanbudget.design.flow import Flow, Hop
from lowpanbudget.design.link import Link
from lowpanbudget.design.routing import UNROUTED, Routing
from lowpanbudget.env import IID_MASK, SHORT_IID, UNIVERSAL_LOCAL, Env
from lowpanbudget.errors import RequestError, WireError, repeated
from lowpanbudget.layers.internet import ipv6, rpi
from lowpanbudget.layers.internet.rpl import messages as rpl
from lowpanbudget.layers.link.auxiliary import counter_to_send
from lowpanbudget.layers.link.control import SEQUENCE_NUMBERS
from lowpanbudget.layers.link.mac import BROADCAST
from lowpanbudget.layers.link.nonces import Devices, devices_of
from lowpanbudget.layers.link.security import Key
from lowpanbudget.layers.lowpan.addresses import LINK_LOCAL
from lowpanbudget.shown import showing
from lowpanbudget.stack.decoder import decode_datagram
from lowpanbudget.stack.encoding import encode_frame
from lowpanbudget.stack.outgoing import Outgoing
from lowpanbudget.stack.packing import Options, pack_headers
from lowpanbudget.stack.split import payloads
from lowpanbudget.values import dataclass, replace

if TYPE_CHECKING:
    from lowpanbudget.design.meaning import Design


_ADDED = (
    ipv6.HOP_BY_HOP,
    ipv6.ROUTING,
)  # the headers in which RPL information and source routes stand


@dataclass(slots=True)
class Counters:
    """What each frame counts up: MAC sequence number, datagram tag, frame counter, slot number, number of a broadcast.

    A frame counter or slot number must never be used twice under one key: start above all that were used.
    """

    sequence: int = 0
    tag: int = 0
    frame_counter: int = 0
    asn: int | None = None
    broadcast: int = 0


class Shrinker:
    """Makes frames of datagrams for a design.

    Link addresses are those of the design's stations, or follow from the interface identifier; hosts outside are
    reached through the border router. What RPL adds goes in the form that the flow of a datagram has. With ``flow``
    (``design.flow(name)``) and ``hop`` ("first", "forwarded") all frames go between the link addresses of that hop. A
    secured link takes a ``key``, or frames that are ``unprotected``, for tests; ``devices``, as in ``Decoder``, add to
    the EUI-64s of the design's stations, of which nonces are made. Raises ``RequestError`` when it has neither.
    Frames that a mesh passes on (``flow.routing.mesh_under``) have the mesh header of their flow. Where the next node
    is not the last no datagram tells which it is: ``stand_in`` is the address that stands for it.
    """

    __slots__ = (
        "_border", "_counters", "_design", "_devices", "_flow", "_flows", "_hop", "_in_headers", "_key", "_link",
        "_root", "_rpi_type", "_stand_in", "_stations", "_ways",
    )  # fmt: skip
    __repr__ = showing("counters", "in_headers")

    @with_flags
    def __init__(
        self,
        design: "Design",
        *,
        flow: Flow | None = None,
        hop: str = "first",
        key: object = None,
        unprotected: bool = False,
        counters: Counters | None = None,
        devices: Mapping[Any, Any] | None = None,
    ) -> None:
        from lowpanbudget.capture.follow.flow_table import FlowTable  # noqa: PLC0415  # designs are heavy
        from lowpanbudget.capture.follow.matching import root_of, rpi_type_of  # noqa: PLC0415
        from lowpanbudget.design.meaning import Design  # noqa: PLC0415

        link = Design.of(design).link
        secured = link.security is not None and link.security.level > 0
        if secured and key is None and not unprotected:
            raise RequestError(
                "the design's link is secured, and no key is given",
                hint="Give a key, or ask for frames without protection, for tests",
            )
        self._design = design
        self._link: Link = link if not unprotected else replace(link, security=None)
        self._key = None if key is None or unprotected or not secured else Key.of(key)
        self._counters = Counters() if counters is None else value_of(Counters, counters)
        as_declared(self._counters)
        self._flow, self._flows = flow, FlowTable(design)
        self._root, self._rpi_type = root_of(design), rpi_type_of(design)
        self._hop: tuple[bytes, bytes] | None = None
        self._in_headers = 0
        self._stand_in: bytes | None = None
        way: Hop | None = None
        if flow is not None:
            way = next(
                (h for h in value_of(Flow, flow).hop_list(link.addresses) if h.name == hop), None
            )
            if way is None:
                raise RequestError(
                    f"flow {repeated(flow.name)} has no {repeated(hop)} hop",
                    hint="A flow over one hop has the first alone",
                )
            self._hop = way.source, way.destination
        self._ways = MeshWays(design, self._flows, flow, way)
        self._stations = {station.ip(link.addresses): station for station in design.stations}
        self._border = next((s for s in design.stations if s.role == "border"), None)
        stations: dict[int | tuple[int, int], bytes] = {
            int.from_bytes(station.short, "big"): station.extended
            for station in design.stations
            if station.short is not None and station.extended is not None
        }
        self._devices = Devices({**stations, **devices_of(devices)})

    @property
    def counters(self) -> Counters:
        """Return what the next frame counts on from."""
        return self._counters

    @property
    def in_headers(self) -> int:
        """Return how many datagrams kept what RPL adds as IPv6 headers, where 6LoRH does not give their octets back."""
        return self._in_headers

    @property
    def stand_in(self) -> bytes | None:
        """Return the link address that stood in frames for a node of a mesh which nobody named; None of none."""
        return self._stand_in

    def frames(self, datagram: bytes) -> list[bytes]:
        """Return the frames of a datagram, FCS included.

        Raises ``RequestError`` for a datagram that cannot go in frames of this link, or is over its MTU.
        """
        source, destination = self.ends(as_octets(datagram))
        mtu = self._link.mtu
        if len(datagram) > mtu:
            raise RequestError(
                f"a datagram of {len(datagram)} octets is over the MTU of {mtu}",
                cite=rfc(8200, "5"),
                hint="Cut it at the IPv6 layer, or raise network.mtu where every node takes more",
            )
        counters, hop = self._counters, (source, destination)
        sent = Outgoing.read(datagram)
        way, before = self._ways.of(datagram, source, destination), 0
        if way is not None:
            hop, before = (way.source, way.destination), len(way.front(0))
            self._stand_in = way.stand_in or self._stand_in
            source, destination = way.originator, way.final
        env, options = self._form(sent, source, destination)
        room = self._link.room(*hop) - before
        writers = payloads(sent, env, room=room, tag=counters.tag, options=options)
        self._learn(sent.octets)
        if len(writers) > 1:
            counters.tag = (counters.tag + 1) & 0xFFFF
        return [self._frame(*hop, self._front(way) + bytes(writer.data)) for writer in writers]

    def _front(self, way: MeshWay | None) -> bytes:
        """Return what stands before all headers in the next frame: each broadcast has a number of its own."""
        counters = self._counters
        if way is not None and way.floods:
            counters.broadcast = (counters.broadcast + 1) % BROADCASTS
        return b"" if way is None else way.front(counters.broadcast)

    def _form(self, sent: Outgoing, source: bytes, destination: bytes) -> tuple[Env, Options]:
        """Return what both ends know and what the compressor may do, as the flow of a datagram has it.

        Artefacts of RPL go as 6LoRH where that gives back the same octets.
        """
        routing = self._routing(sent.octets)
        if routing == UNROUTED:
            return Env(source, destination, None, self._design.contexts), Options()
        contexts, rpi_type = self._design.contexts, self._rpi_type or rpi.OLD
        env = Env(source, destination, None, contexts, self._root, rpi_type)
        options = Options(lorh=routing.compressed)
        packed = pack_headers(sent, env, options)
        chosen = options if packed.same else Options()
        if options.lorh and sent.kind(1) in _ADDED:
            plain = pack_headers(sent, env, Options())
            self._in_headers += not packed.same or packed[:2] == plain[:2]
        return env, chosen

    def _learn(self, datagram: bytes) -> None:
        """Take in the type of the RPL option that a DIO makes the active one: 6LoRH comes back with that.

        "A node that is decompressing this header MUST decompress using the RPI Option Type that is currently active"
        (RFC 9008 section 4.3).
        """
        key = flow_of(datagram)
        if key is None or key.icmpv6 is None or key.icmpv6[0] != rpl.TYPE:
            return
        lesson = lesson_of_packet(decode_datagram(datagram).packet)
        if lesson is not None and self._root in {None, lesson.root}:
            self._rpi_type = lesson.rpi_type or self._rpi_type

    def _routing(self, datagram: bytes) -> Routing:
        """Return the routing of the flow that a datagram belongs to; of none, that of the first which has some."""
        if self._flow is not None:
            return self._flow.routing
        key = flow_of(datagram)
        fits = () if key is None else self._flows.fitting(key, routed=True)
        likely = (*(fit.flow for fit in fits), *self._design.flows)
        return next((one.routing for one in likely if one.routing != UNROUTED), UNROUTED)

    def ends(self, datagram: bytes) -> tuple[bytes, bytes]:
        """Return the link addresses between which a datagram goes."""
        if self._hop is not None:
            return self._hop
        try:
            header = ipv6.header_of(as_octets(datagram))
        except WireError:
            raise RequestError(
                f"{len(datagram)} octets are no IPv6 datagram",
                hint="Give captures of whole datagrams",
            ) from None
        to = header.destination
        there = BROADCAST if to.is_multicast else self._link_address(to)
        return self._link_address(header.source), there

    def _link_address(self, ip: IPv6Address) -> bytes:
        station = self._stations.get(ip)
        form = self._link.addresses
        if station is not None and station.role != "outside":
            return station.link_address(form)
        shared = (LINK_LOCAL, *self._design.contexts.values())
        inside = any(context.covers(ip) for context in shared)
        if self._border is not None and not inside:
            return self._border.link_address(form)
        iid = int(ip) & IID_MASK
        if iid >> 16 == SHORT_IID >> 16:
            return (iid & 0xFFFF).to_bytes(2, "big")
        return (iid ^ UNIVERSAL_LOCAL).to_bytes(8, "big")

    def _frame(self, source: bytes, destination: bytes, payload: bytes) -> bytes:
        counters, link = self._counters, self._link
        mac = link.mac(source, destination)
        if mac.sequence is not None:
            mac = replace(mac, sequence=counters.sequence)
            counters.sequence = (counters.sequence + 1) % SEQUENCE_NUMBERS
        security = mac.security
        if security is not None and security.frame_counter is not None:
            counter = counter_to_send(counters.frame_counter)
            mac = replace(mac, security=replace(security, frame_counter=counter))
            counters.frame_counter += 1
        octets = encode_frame(
            mac, payload, key=self._key, asn=counters.asn, fcs=link.fcs, devices=self._devices
        ).octets
        if counters.asn is not None:
            counters.asn += 1
        return octets


def key_of(design: "Design", keys: Sequence[Key]) -> Key | None:
    """Return the first key that frames of the design may name; None when there is none."""
    security = design.link.security
    return next((key for key in keys if security is None or key.opens(security)), None)


def counts_slots(design: "Design") -> bool:
    """Return whether frames of the design are sealed with the slot number that they are sent in."""
    security = design.link.security
    return security is not None and security.is_by_slot


def shrink(
    capture: "Capture", shrinker: Shrinker, *, left_out: LeftOut | None = None
) -> Iterator[Record]:
    """Return frames (link type 195) for the IPv6 datagrams of a capture, numbered anew, with the datagrams' times.

    ``capture`` is as in ``follow``; ``left_out`` counts records that hold no datagram, and datagrams that do not go in
    frames of the link, or are over the MTU. The frames come once: call it again, with the counters that these reached,
    to have more. Raises ``RequestError`` for a capture that cannot be read.
    """
    if not isinstance(shrinker, Shrinker):
        raise RequestError(f"a Shrinker is needed, not {type(shrinker).__name__}")
    file = CaptureFile.of(capture)
    return SinglePass(_frames(file, shrinker, LeftOut.of(left_out)), "shrink")


def _frames(
    records: CaptureFile, shrinker: Shrinker, left_out: LeftOut
) -> Generator[Record, None, None]:
    number = 0
    for record in records:
        body = unwrap(record)
        if body.kind != IPV6:
            left_out.add(
                body.fault.message if body.fault is not None else f"no datagram: {body.kind}"
            )
            continue
        try:
            frames = shrinker.frames(body.octets)
        except RequestError as error:
            left_out.add(error.message, error.hint)
            continue
        for octets in frames:
            number += 1
            yield Record(number, record.time_ns, FRAME_TYPE, octets, len(octets), record.offset)
