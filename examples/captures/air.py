"""A channel: frames are put on it in any order, and come out in the order of time, numbered and sealed."""

import heapq
import itertools
import struct
import tomllib
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from ipaddress import IPv6Address
from pathlib import Path
from typing import Any

from lowpanbudget import Env, encode_frame, load_design, split
from lowpanbudget.bits import Writer
from lowpanbudget.capture.files.record import Record
from lowpanbudget.capture.files.writing import write_pcap
from lowpanbudget.env import interface_identifier
from lowpanbudget.layers.internet import icmpv6, ipv6, udp
from lowpanbudget.layers.internet.ipv6 import Ipv6
from lowpanbudget.layers.link import elements
from lowpanbudget.layers.link import mac as mac_layer
from lowpanbudget.layers.link.fcs import fcs
from lowpanbudget.layers.link.header_contents import TIME_CORRECTION
from lowpanbudget.layers.link.mac import FrameType, Mac
from lowpanbudget.layers.link.nonces import devices_of
from lowpanbudget.layers.link.security import Key, seal

EXAMPLES = Path(__file__).parents[1]
START_S = 1_750_000_000  # an invented summer's day
SECOND = 10**9
TAP, WITH_FCS = 283, 195
ALL_NODES, LINK_LOCAL = IPv6Address("ff02::1"), 0xFE80 << 112
FIRST_COUNTER = 7000
SLOT_NS, TX_OFFSET_NS, ACK_DELAY_NS = 10_000_000, 2_120_000, 1_000_000  # default timeslot template
TURNAROUND_NS, OCTET_NS = 192_000, 32_000  # 2.4 GHz O-QPSK
Alter = Callable[[bytes], bytes]


@dataclass
class Sent:
    """A frame to be sent at ``at_s``, and again after ``retries``; ``fault`` names what is planted in it.

    Numbers are given when its time comes, unless ``numbered`` is False; with ``hold`` the sender's next frame gets the
    same frame counter.
    ``alter`` changes the octets before the check sequence, ``damage`` after it. ``tally`` names what the frame counts
    as, but for its type.
    """

    at_s: float
    mac: Mac
    payload: bytes
    fault: str = ""
    retries: tuple[float, ...] = ()
    hold: bool = False
    numbered: bool = True
    alter: Alter | None = None
    damage: Alter | None = None
    unended: bool = False  # header elements without a termination
    answered: bool = True  # its last try comes through
    tally: tuple[str, ...] = ()


@dataclass
class Air:
    """A channel: frames are put on it in any order, and come out in the order of time, numbered and sealed."""

    name: str
    link_type: int
    sent: list[Sent] = field(default_factory=list)
    records: list[Record] = field(default_factory=list)
    planted: dict[str, list[int]] = field(default_factory=dict)
    counts: Counter[str] = field(default_factory=Counter)
    tags: Counter[bytes] = field(default_factory=Counter)
    restarts: dict[bytes, float] = field(default_factory=dict)
    fired: int = 0  # packets of a burst that came on the air
    arrived: int = 0  # of those, at the end of their way
    file: str = ""  # the capture's own name, where it is not the design's

    def __post_init__(self) -> None:
        """Load the design and the keys that go with it."""
        self.design = load_design(str(EXAMPLES / f"{self.name}.toml"))
        secrets = tomllib.loads((EXAMPLES / f"{self.name}.keys.toml").read_text(encoding="utf-8"))
        self._key = secrets["key"][0]["octets"]
        self.devices = {int(short, 0): eui for short, eui in secrets.get("devices", {}).items()}

    def frame(self, at_s: float, source: bytes, to: bytes, payload: bytes, **more: Any) -> None:
        """Put a data frame of the design's link on the air; ``mac`` changes fields of its header."""
        header = replace(self.design.link.mac(source, to), **more.pop("mac", {}))
        self.sent.append(Sent(at_s, header, payload, **more))

    def datagram(
        self, at_s: float, source: bytes, to: bytes, packet: bytes, *, gap_s: float = 0.05,
        contexts: Any = None, room: int | None = None, **more: Any,
    ) -> None:  # fmt: skip
        """Put a datagram on one hop, compressed, in fragments where it must be."""
        env = Env(source, to, contexts=self.design.contexts if contexts is None else contexts)
        room = room or self.design.link.room(source, to)
        parts = split(packet, env, room=room, tag=self.tags[source])
        if len(parts) > 1:
            self.tags[source] += 1
        for index, part in enumerate(parts):
            tally = ("fragments",) * (len(parts) > 1) + ("datagrams",) * (part is parts[-1])
            self.frame(at_s + index * gap_s, source, to, part, **{"tally": tally, **more})

    # --- out in the order of time -----------------------------------------------------------------

    def settle(self) -> None:
        """Give all frames their numbers, slots and seals, and make records of them."""
        order = itertools.count()
        queue = [
            (at, next(order), one, again)
            for one in self.sent
            for again, at in enumerate((one.at_s, *(one.at_s + later for later in one.retries)))
        ]
        heapq.heapify(queue)
        sequences: Counter[tuple[bytes, bool]] = Counter()
        counters: Counter[bytes] = Counter()
        numbered: dict[int, Mac] = {}
        last: dict[bytes, int] = {}
        free_ns = 0
        while queue:
            at_s, _, one, again = heapq.heappop(queue)
            source = one.mac.source or b""
            if self.restarts.get(source, at_s + 1) <= at_s:
                del self.restarts[source]
                counters[source] = -FIRST_COUNTER  # it counts from zero again
                sequences[source, False] = 0
                before_and_after = [last[source], len(self.records) + 1]
                self.planted["frame-counter-went-back"] = before_and_after
            mac = numbered.get(id(one)) or self._numbered(one, sequences, counters)
            numbered[id(one)] = mac
            if not again:
                last[source] = len(self.records) + 1
            free_ns = self._write(one, mac, max(round(at_s * SECOND), free_ns), again)

    def _numbered(self, one: Sent, sequences: Any, counters: Counter[bytes]) -> Mac:
        mac, source = one.mac, one.mac.source or b""
        if one.numbered and mac.sequence is not None:
            place = source, mac.frame_type == FrameType.BEACON
            mac = replace(mac, sequence=sequences[place] & 0xFF)
            sequences[place] += 1
        if mac.security is not None and mac.security.frame_counter is not None:
            count = FIRST_COUNTER + counters[source]
            counters[source] += not one.hold
            mac = replace(mac, security=replace(mac.security, frame_counter=count))
        return mac

    def _write(self, one: Sent, mac: Mac, at_ns: int, again: int) -> int:
        """Write a frame and its acknowledgement; return when the channel is free."""
        slotted = self.design.link.slotted
        asn = -(-at_ns // SLOT_NS) if slotted else None
        start_ns = at_ns if asn is None else asn * SLOT_NS + TX_OFFSET_NS
        if one.unended:
            writer = Writer()
            mac_layer.encode(writer, mac)
            header, key, known = bytes(writer.data), Key.of(self._key), devices_of(self.devices)
            octets = header + seal(mac, header, one.payload, key, asn=asn, devices=known)
        else:
            octets = encode_frame(
                mac, one.payload, key=self._key, asn=asn, devices=self.devices, fcs=0
            ).octets
        if one.alter is not None:
            octets = one.alter(octets)
        number = self._record(start_ns, octets, asn, one.damage)
        for fault in one.fault.split():
            self.planted.setdefault(fault, []).append(number)
        self.counts.update(one.tally if not again else ("retransmissions",))
        if again and "fragments" in one.tally:
            self.counts["fragments"] += 1
        self.counts[FrameType(mac.frame_type).name.lower()] += 1
        end_ns = start_ns + (6 + len(octets) + 2) * OCTET_NS
        if mac.ack_request and one.answered and again == len(one.retries) and one.damage is None:
            self._acknowledge(mac, end_ns, asn)
        return end_ns + 2 * ACK_DELAY_NS if asn is None else (asn + 1) * SLOT_NS

    def _acknowledge(self, mac: Mac, at_ns: int, asn: int | None) -> None:
        self.counts["acknowledgement"] += 1
        if asn is None:
            ack = Mac(FrameType.ACKNOWLEDGEMENT, 0, mac.sequence)
            self._record(at_ns + TURNAROUND_NS, encode_frame(ack, b"", fcs=0).octets, asn, None)
            return
        correction = elements.header_ie(TIME_CORRECTION, time_correction=(mac.sequence or 0) % 60)
        assert mac.destination is not None
        assert mac.source is not None
        ack = replace(
            self.design.link.mac(mac.destination, mac.source), frame_type=FrameType.ACKNOWLEDGEMENT,
            sequence=mac.sequence, ack_request=False, header_ies=(correction,),
            security=mac.security and self.design.link.security,
        )  # fmt: skip
        octets = encode_frame(ack, b"", key=self._key, asn=asn, fcs=0).octets
        self._record(at_ns + ACK_DELAY_NS, octets, asn, None)

    def _record(self, at_ns: int, octets: bytes, asn: int | None, damage: Alter | None) -> int:
        if self.link_type == TAP:
            octets = tap_header(asn or 0) + octets
        else:
            octets += fcs(octets, 2)
        if damage is not None:
            octets = damage(octets)
        number = len(self.records) + 1
        time_ns = START_S * SECOND + at_ns
        self.records.append(Record(number, time_ns, self.link_type, octets, len(octets)))
        return number

    def write(self) -> None:
        """Write the capture beside this script."""
        with (EXAMPLES / f"{self.file or self.name}.pcap").open("wb") as file:
            write_pcap(file, self.records, self.link_type)


def tap_header(asn: int) -> bytes:
    """Return reception elements: no FCS (type 0), channel (3) and absolute slot number (7)."""
    parts = ((0, b"\0"), (3, struct.pack("<HB", 11 + asn % 16, 0)), (7, struct.pack("<Q", asn)))
    told = b"".join(
        struct.pack("<HH", kind, len(value)) + value + bytes(-len(value) % 4)
        for kind, value in parts
    )
    return struct.pack("<BBH", 0, 0, 4 + len(told)) + told


def packet(
    source: IPv6Address, to: IPv6Address, ports: tuple[int, int], data: bytes, hop_limit: int = 64,
    summed: tuple[IPv6Address, IPv6Address] | None = None,
) -> bytes:  # fmt: skip
    """Return a UDP datagram; its checksum is over the addresses ``summed``, if others are given."""
    segment = bytes(udp.Udp(*ports, 8 + len(data), 0)) + data
    checksum = udp.checksum(*(summed or (source, to)), segment).to_bytes(2, "big")
    header = Ipv6(0, 0, len(segment), ipv6.UDP, hop_limit, source, to)
    return bytes(header) + segment[:6] + checksum + data


def control(
    source: IPv6Address, to: IPv6Address, message: object, hop_limit: int = 255,
    summed: IPv6Address | None = None, option: bytes = b"",
) -> bytes:  # fmt: skip
    """Return an ICMPv6 datagram, behind a hop-by-hop header if any; its checksum is over ``summed``, if given."""
    writer = Writer()
    icmpv6.encode(writer, message, summed or source, to)
    option = option and bytes([ipv6.ICMPV6]) + option[1:]
    first = ipv6.HOP_BY_HOP if option else ipv6.ICMPV6
    body = option + bytes(writer.data)
    return bytes(Ipv6(0, 0, len(body), first, hop_limit, source, to)) + body


def with_limit(datagram: bytes, passed: int) -> bytes:
    """Return the datagram behind so many routers."""
    return datagram[:7] + bytes([datagram[7] - passed]) + datagram[8:]


def local(link: bytes) -> IPv6Address:
    """Return the link-local address of a link address."""
    return IPv6Address(LINK_LOCAL | (interface_identifier(link) or 0))
