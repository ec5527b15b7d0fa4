"""Captures of simulated networks: what was sent, as frames that a receiver on the side hears.

The network is an invented cold store: node 0 is its root. Frames come from the package's own encoder; IPv6 and UDP are
put together by the formulas of their standards (``findings.air``). A time stamp is that of a frame's first octet.
"""

import struct
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from functools import cache
from ipaddress import IPv6Address
from random import Random

from findings import air
from findings.air import CONTEXTS, PAN
from simulation.contention import Packet, Sent

from lowpanbudget import Env, Record, compress, encode_frame, parse_design
from lowpanbudget.design.meaning import Design
from lowpanbudget.layers.link.mac import FrameType, Mac

START_NS = 1_925_000_000 * 10**9  # a day in 2031
PORTS = (0xF0B1, 0xF0B2)
LINK_TYPE = 195  # IEEE 802.15.4 with FCS
_OCTET_S, _BEFORE = 32e-6, 6  # O-QPSK at 2450 MHz: an octet, and those before a frame
_TURNAROUND_S = 192e-6

DESIGN = """
title = "Cold store"
[link]
phy = "o-qpsk-2450"
frame_version = {version}
addresses = "short"
pan_id = 0xabcd
slotted = {slotted}
[[context]]
id = 0
prefix = "2001:db8:1::/64"
[[station]]
name = "probe"
role = "node"
short = 0x0001
prefix = "2001:db8:1::/64"
[[station]]
name = "root"
role = "collector"
short = 0x0100
prefix = "2001:db8:1::/64"
[[flow]]
name = "readings"
source = "probe"
destination = "root"
hops = {hops}
source_port = 0xf0b1
destination_port = 0xf0b2
messages = ["reading"]
every_s = {every_s}
[[message]]
name = "reading"
byte_order = "big"
bit_order = "msb-first"
layout = "bit-packed"
[[message.field]]
kind = "sequence"
name = "sequence"
bits = {bits}
[[message.field]]
kind = "time"
name = "time"
[[message.field]]
kind = "number"
name = "temperature"
min = -40
max = 60
step = 0.01
[[message.field]]
kind = "octets"
name = "rest"
length = {rest}
"""


def design_text(
    more: str = "", *, hops: int = 3, every_s: float = 30, bits: int = 8, rest: int = 12
) -> str:
    """The design file of the cold store, with more tables of one's own."""
    slotted = "[access.slots]" in more
    text = DESIGN.format(
        hops=hops, every_s=every_s, bits=bits, rest=rest,
        slotted=str(slotted).lower(), version=2 if slotted else 1,
    )  # fmt: skip
    return text + more


def design(more: str = "", **numbers: float) -> Design:
    """The design of the cold store."""
    return parse_design(design_text(more, **numbers), "cold-store.toml")  # type: ignore[arg-type]  # whole where need be


@cache
def link(node: int) -> bytes:
    """The short address of a node; the root's is 0x0100, and no node is 0."""
    return struct.pack(">H", node or 0x0100)


@cache
def ip(node: int) -> IPv6Address:
    return air.address(air.PREFIX, link(node))


@dataclass
class Listener:
    """A receiver on the side: which nodes it hears, and the share of frames that it misses all the same."""

    name: str = ""
    hears: Callable[[int], bool] = lambda _node: True
    misses: float = 0.0
    seed: int = 0


@dataclass
class Frames:
    """Makes frames of what a simulation sent; ``hops`` counts the hops from a node to the root."""

    design: Design
    hops: Callable[[int], int]
    bits: int = 8  # of the message's own number
    numbers: Counter[int] = field(default_factory=Counter)  # of frames, by node
    _content: dict[int, bytes] = field(default_factory=dict)
    _first_try: dict[tuple[int, int, int], bytes] = field(default_factory=dict)

    def message(self, packet: Packet) -> bytes:
        """The message of a packet: a number that counts, whole seconds, and what a probe would say."""
        if packet.content is not None:
            return packet.content
        if packet.number not in self._content:
            message = self.design.message("reading")
            values = {
                **message.example("typical"),
                "sequence": packet.index % 2**self.bits,
                "time": START_NS // 10**9 + int(packet.made),
            }
            self._content[packet.number] = message.pack(values)
        return self._content[packet.number]

    def of(self, sent: Sent) -> bytes:
        """A frame: hop limits fall by hops; a frame that is tried again keeps its sequence number and all else."""
        source, to = sent.source, max(sent.to, 0)
        key = source, to, sent.packet.number
        if sent.attempt:
            return self._first_try[key]
        passed = self.hops(sent.packet.origin) - self.hops(source)
        ends = ip(sent.packet.origin), ip(0)
        content = self.message(sent.packet)
        datagram = air.ip(*ends, 17, air.udp(content, *ends, PORTS), 64 - passed)
        self.numbers[source] += 1
        mac = Mac(
            FrameType.DATA, self.design.link.version, self.numbers[source] & 0xFF, PAN, link(to), source=link(source),
            pan_id_compression=True, ack_request=True,
        )  # fmt: skip
        self._first_try[key] = octets = air.encoded(mac, packed(datagram, source, to))
        return octets

    def both(self, sent: Sequence[Sent]) -> Iterator[tuple[float, int, bytes]]:
        """Frames and their acknowledgements, with their times and who sends them."""
        for one in sorted(sent, key=lambda each: each.time):
            octets = self.of(one)
            yield one.time, one.source, octets
            if one.heard:
                end = one.time + (_BEFORE + len(octets)) * _OCTET_S + _TURNAROUND_S
                yield end, max(one.to, 0), self.acknowledgement(one, octets[2])

    def acknowledgement(self, sent: Sent, number: int) -> bytes:
        """The acknowledgement of a frame: three octets, or an enhanced one with both addresses."""
        if self.design.link.version < 2:
            return air.mended(bytes([2, 0, number, 0, 0]))
        return enhanced(sent.source, max(sent.to, 0), number)


@cache
def env_of(source: int, to: int) -> Env:
    return Env(link(source), link(to), contexts=CONTEXTS)


@cache
def packed(datagram: bytes, source: int, to: int) -> bytes:
    return compress(datagram, env_of(source, to)).octets


@cache
def enhanced(source: int, to: int, number: int) -> bytes:
    """The enhanced acknowledgement of a frame from one node to another."""
    mac = Mac(
        FrameType.ACKNOWLEDGEMENT, 2, number, PAN, link(source), source=link(to), pan_id_compression=True
    )  # fmt: skip
    return encode_frame(mac, b"").octets


def records(
    sent: Sequence[Sent], frames: Frames, listeners: Sequence[Listener] = (Listener(),)
) -> list[Record]:
    """What the listeners heard, by time; several have their names."""
    return received(frames.both(sent), listeners)


def received(
    on_air: Iterable[tuple[float, int, bytes]], listeners: Sequence[Listener] = (Listener(),)
) -> list[Record]:
    """What the listeners heard of frames with their times and senders."""
    chances = [Random(one.seed) for one in listeners]
    heard = []
    for time, source, octets in sorted(on_air, key=lambda one: one[0]):
        for listener, chance in zip(listeners, chances, strict=True):
            missed = chance.random() < listener.misses
            if listener.hears(source) and not missed:
                at = START_NS + round(time * 1e9)
                heard.append((at, octets, listener.name or None))
    return [
        Record(number, at, LINK_TYPE, octets, len(octets), receiver=name)
        for number, (at, octets, name) in enumerate(heard, 1)
    ]
