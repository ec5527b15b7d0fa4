"""Networks in which nothing is wrong: a root, two rings of routers and leaves, for an hour or two.

Everything that a standard has for it goes over the air: solicitations, registrations, DIOs in the rhythm of Trickle,
DAOs, confirmable reports and their answers over all hops, acknowledgements, tries that were not heard the first time,
fragments, polls of nodes that sleep, beacons and enhanced acknowledgements in slots, link security.
"""

import struct
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from functools import cache
from ipaddress import IPv6Address

from findings import air
from findings.air import ALL_NODES, BROADCAST, KEY, PAN, PREFIX, Capture

from lowpanbudget import Env, compress, encode_frame, split
from lowpanbudget.layers.internet import ipv6
from lowpanbudget.layers.link.auxiliary import Security
from lowpanbudget.layers.link.mac import FrameType, Mac
from lowpanbudget.layers.lowpan import routing
from lowpanbudget.layers.lowpan.lorh import Rpi

ROOT = 1
PARENTS = {2: 1, 3: 1, 4: 2, 5: 2, 6: 3, 7: 4}
ALL_RPL_NODES, ALL_ROUTERS = IPv6Address("ff02::1a"), IPv6Address("ff02::2")
SHORTEST_S, DOUBLINGS = 4.096, 8  # 2 ** 12 ms


@cache  # networks with a fault send mostly what those without one send
def packed(packet: bytes, ends: tuple[bytes, bytes], root: IPv6Address, *, lorh: bool) -> bytes:
    return compress(packet, Env(*ends, contexts=air.CONTEXTS, root=root), lorh=lorh).octets


@cache
def encoded(
    mac: Mac, payload: bytes, key: bytes | None, devices: tuple[tuple[int, bytes], ...]
) -> bytes:
    return encode_frame(mac, payload, key=key, devices=dict(devices)).octets


@dataclass
class Network:
    """One of these networks; ``rings`` counts the hops of each node.

    ``stored`` routes go down by tables, others by source routes in 6LoRH. In ``slots`` frames are those of the 2015
    edition between EUI-64 and the acknowledgements enhanced ones. Leaves that are ``asleep`` ask their parent for data.
    Registrations and paths last for ``minutes``.
    """

    stored: bool = True
    slots: bool = False
    sealed: bool = False
    asleep: bool = False
    reports: int = 20
    every_s: float = 60.0
    long_every: int = 8
    minutes: tuple[int, int] = 60, 120
    sent: list[tuple[float, int, Mac, bytes]] = field(default_factory=list)
    numbers: Counter[tuple[bytes, bool]] = field(default_factory=Counter)
    tags: Counter[bytes] = field(default_factory=Counter)
    mids: Counter[int] = field(default_factory=Counter)

    # --- who -----------------------------------------------------------------------------------------

    def eui(self, node: int) -> bytes:
        return bytes.fromhex("025e1000000000") + bytes([node])

    def link(self, node: int) -> bytes:
        return self.eui(node) if self.slots else bytes([0, node])

    def ip(self, node: int, prefix: str = PREFIX) -> IPv6Address:
        return air.address(prefix, self.link(node))

    def rank(self, node: int) -> int:
        return 256 * (1 + len(way_up(node)))

    # --- frames --------------------------------------------------------------------------------------

    def put(self, at: float, source: bytes, to: bytes, payload: bytes, kind: int = 1) -> None:
        """A frame that is numbered when its time comes."""
        mac = Mac(
            FrameType(kind), 2 if self.slots else 1, 0, PAN, to, source=source,
            pan_id_compression=not self.slots or to == BROADCAST, ack_request=to != BROADCAST,
        )  # fmt: skip
        self.sent.append((at, len(self.sent), mac, payload))

    def numbered(self) -> Iterator[tuple[float, bytes]]:
        """All frames, acknowledged where they go to one node; one in 40 of a node is tried twice."""
        for at, _, plain, payload in sorted(self.sent, key=lambda one: one[:2]):
            source, alone = plain.source or b"", plain.destination != BROADCAST
            is_beacon = plain.frame_type == FrameType.BEACON
            self.numbers[source, is_beacon] += 1
            count = self.numbers[source, is_beacon]
            sealed = self.sealed and not is_beacon
            security = Security(5, 1, count, key_index=1) if sealed else None
            mac = self.header(replace(plain, sequence=count & 0xFF, security=security))
            octets, tries = self.encoded(mac, payload), self.tries(at, mac)
            for number in range(tries):
                yield at + 0.02 * number, octets
            if alone and tries and self.is_heard(mac):
                end = at + 0.02 * (tries - 1) + (6 + len(octets)) * 32e-6
                yield end + 0.0002, self.acknowledgement(mac)

    def header(self, mac: Mac) -> Mac:
        """The header as it is sent."""
        return mac

    def tries(self, _at: float, mac: Mac) -> int:
        """How often a frame is sent; 0 when it is not."""
        return 2 if mac.destination != BROADCAST and (mac.sequence or 0) % 40 == 7 else 1

    def is_heard(self, mac: Mac) -> bool:
        """Whether a frame is acknowledged in the end."""
        return mac.destination is not None

    def acknowledgement(self, mac: Mac) -> bytes:
        if not self.slots:
            return air.mended(bytes([0x02, 0x00, mac.sequence or 0, 0, 0]))
        ends = mac.source, mac.destination
        ack = Mac(FrameType.ACKNOWLEDGEMENT, 2, mac.sequence, PAN, ends[0], source=ends[1])
        return encode_frame(ack, b"").octets

    def encoded(self, mac: Mac, payload: bytes) -> bytes:
        devices = tuple((node, self.eui(node)) for node in (ROOT, *PARENTS))
        return encoded(mac, payload, KEY if self.sealed else None, devices)

    def hop(self, at: float, source: int, to: int | None, packet: bytes) -> None:
        """A datagram on one hop, to all without ``to``; in fragments where it is too long for one frame."""
        ends = self.link(source), BROADCAST if to is None else self.link(to)
        if len(packet) < 150:
            self.put(at, *ends, packed(packet, ends, self.ip(ROOT), lorh=not self.stored))
            return
        self.tags[ends[0]] += 1
        room = 72 if self.slots else 90
        env = Env(*ends, contexts=air.CONTEXTS, root=self.ip(ROOT))
        for number, part in enumerate(split(packet, env, room=room, tag=self.tags[ends[0]])):
            self.put(at + 0.05 * number, *ends, part)

    def over(
        self,
        at: float,
        way: list[tuple[int, int]],
        segment: bytes,
        *,
        up: bool,
        kind: int = ipv6.UDP,
    ) -> None:
        """What follows an IPv6 header, over several hops with the RPL option; down by a source route or tables."""
        first, last = way[0][0], ROOT if up else way[-1][1]
        for passed, (source, to) in enumerate(way):
            ahead = [] if self.stored or up else [self.ip(end) for _, end in way[passed + 1 :]]
            option = routing.hop_by_hop_of(Rpi(0, self.rank(source), down=not up), 0x63)
            route = routing.routing_header_of(ahead) if ahead else b""
            body = bytes([ipv6.ROUTING if route else kind]) + option[1:]
            body += (route and bytes([kind]) + route[1:]) + segment
            end = self.ip(to if ahead else last)
            packet = air.ip(self.origin(first), end, 0, body, self.limit(first, passed))
            self.hop(at + passed * (1.1 if self.slots else 0.3), source, to, packet)

    def limit(self, _first: int, passed: int) -> int:
        """The hop limit behind so many routers."""
        return 64 - passed

    def origin(self, node: int) -> IPv6Address:
        """The address that a node sends from."""
        return self.ip(node)

    # --- what they say -------------------------------------------------------------------------------

    def report(self, at: float, node: int, data: bytes) -> None:
        """A confirmable POST to the root, and its answer (RFC 7252)."""
        self.mids[node] += 1
        mid, ports = self.mids[node], (0xF0B1, 5683)
        ends = self.origin(node), self.ip(ROOT)
        way = self.way(node)
        token = struct.pack(">H", mid)
        request = air.coap_message(data=data, mid=mid, token=token)
        self.over(at, way, air.udp(request, *ends, ports), up=True)
        answer = air.coap_message(kind=2, code=68, mid=mid, token=token)
        segment = air.udp(answer, ends[1], ends[0], (ports[1], ports[0]))
        down = [(to, source) for source, to in reversed(way_up(node))]
        if self.answers(node):
            self.over(at + 5, down, segment, up=False)

    def way(self, node: int) -> list[tuple[int, int]]:
        """The hops of a report."""
        return way_up(node)

    def answers(self, node: int) -> bool:
        """Whether the root answers reports of a node."""
        return node != ROOT

    def nd(self, at: float, source: int, to: int | None, kind: int, body: bytes) -> None:
        """Neighbour discovery: to all routers or nodes, or to one."""
        group = ALL_ROUTERS if kind == 133 else ALL_NODES
        end = group if to is None else self.ip(to, "fe80::")
        origin = self.ip(source) if kind == 135 else self.ip(source, "fe80::")
        self.hop(at, source, to, air.nd_message(kind, body, origin, end))

    def joins(self, at: float, node: int) -> None:
        """RFC 6775 sections 5.3 and 5.4: solicitation and advertisement, then registration."""
        parent = PARENTS[node]
        self.nd(at, node, None, 133, bytes(4))
        option = air.context_option(0, air.CONTEXTS[0])
        self.nd(at + 0.5, parent, node, 134, struct.pack(">BBHII", 64, 0, 1800, 0, 0) + option)
        self.registers(at, node, self.eui(node))

    def registers(self, at: float, node: int, eui: bytes, status: int = 0) -> None:
        """RFC 6775 section 5.5: registration and answer."""
        parent = PARENTS[node]
        aro = bytes([33, 2, 0, 0, 0, 0, 0, self.minutes[0]]) + eui
        solicited = bytes(4) + self.ip(parent, "fe80::").packed
        self.nd(at + 1.0, node, parent, 135, solicited + air.sllao(self.link(node)) + aro)
        aro = aro[:2] + bytes([status]) + aro[3:]
        answer = bytes([0x40, 0, 0, 0]) + self.ip(parent, "fe80::").packed + aro
        packet = air.nd_message(136, answer, self.ip(parent, "fe80::"), self.ip(node))
        self.hop(at + 1.2, parent, node, packet)

    def rpl(self, at: float, source: int, to: int | None, code: int, body: bytes) -> None:
        ends = self.ip(source, "fe80::"), ALL_RPL_NODES if to is None else self.ip(to, "fe80::")
        packet = air.ip(*ends, 58, air.icmpv6(155, body, *ends, code=code), 255)
        self.hop(at, source, to, packet)

    def dio(self, at: float, node: int, rank: int, root: int = ROOT, version: int = 240) -> None:
        """RFC 6550 section 6.3.1 with the configuration."""
        mode = 2 if self.stored else 1
        body = struct.pack(">BBHB", 0, version, rank, 0x80 | mode << 3) + bytes(3)
        body += self.ip(root).packed
        body += bytes([4, 14, 0, DOUBLINGS, 12, 10, 8, 0, 1, 0, 0, 1, 0, 120, 0, 60])
        self.rpl(at, node, None, 1, body)

    def dao(self, at: float, node: int, sequence: int) -> None:
        """RFC 6550 section 6.4: to the parent where routes are stored, else to the root; and its acknowledgement."""
        target = bytes([5, 18, 0, 128]) + self.ip(node).packed
        base = bytes([0, 0x80, 0, sequence])
        if self.stored:
            transit = bytes([6, 4, 0, 0, sequence, self.minutes[1]])
            self.rpl(at, node, PARENTS[node], 2, base + target + transit)
            self.rpl(at + 0.5, PARENTS[node], node, 3, bytes([0, 0, sequence, 0]))
            return
        transit = bytes([6, 20, 0, 0, sequence, self.minutes[1]]) + self.ip(PARENTS[node]).packed
        ends = self.ip(node), self.ip(ROOT)
        message = air.icmpv6(155, base + target + transit, *ends, code=2)
        for passed, (source, to) in enumerate(way_up(node)):
            self.hop(at + passed, source, to, air.ip(*ends, 58, message, 64 - passed))
        back = air.icmpv6(155, bytes([0, 0, sequence, 0]), *ends[::-1], code=3)
        down = [(to, source) for source, to in reversed(way_up(node))]
        self.over(at + 5, down, back, up=False, kind=ipv6.ICMPV6)

    # --- all of it -----------------------------------------------------------------------------------

    def more(self) -> None:
        """What else there is."""

    def capture(self) -> Capture:
        """What was on the air, in order; asked for once."""
        until = 60 + self.reports * self.every_s
        self.more()
        for place, node in enumerate((ROOT, *PARENTS)):
            for at in trickle(1.0 + 3 * place, until, node):
                self.dio(at, node, self.rank(node))
            for number in range(int(until // 60) if self.slots else 0):
                self.put(
                    4.0 * place + 60 * number, self.link(node), BROADCAST, b"", FrameType.BEACON
                )
        for place, node in enumerate(PARENTS):
            self.joins(2.0 + 3 * place, node)
            self.dao(20.0 + 2 * place, node, 240)
            self.dao(until / 2 + 2 * place, node, 241)
            for number in range(self.reports):
                data = b"reading %03d of %02d" % (number, node)
                if number % self.long_every == self.long_every - 1:
                    data *= 10
                self.report(30.0 + 7 * place + number * self.every_s, node, data)
            if self.asleep and node not in PARENTS.values():
                polls = range(int(until // 20))
                for number in polls:
                    at = 3.0 + place + 20 * number
                    self.put(
                        at, self.link(node), self.link(PARENTS[node]), b"\x04", FrameType.COMMAND
                    )
        keys = (KEY,) if self.sealed else ()
        devices = {node: self.eui(node) for node in (ROOT, *PARENTS)} if self.sealed else {}
        return Capture(sorted(self.numbered()), keys=keys, devices=devices)


def way_up(node: int) -> list[tuple[int, int]]:
    """The hops from a node to the root."""
    hops = []
    while node in PARENTS:
        hops.append((node, PARENTS[node]))
        node = PARENTS[node]
    return hops


def trickle(start: float, until: float, node: int) -> Iterator[float]:
    """When a node sends by RFC 6206 section 4.2: once in the second half of each interval, which doubles."""
    interval, number = SHORTEST_S, 0
    while start + interval < until:
        yield start + interval * (0.55 + (node * 7 + number * 3) % 10 / 25)
        start += interval
        number += 1
        interval = SHORTEST_S * 2 ** min(number, DOUBLINGS)
