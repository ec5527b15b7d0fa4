"""Honest nodes of a farm, which report a temperature each: what an attacker must not be able to take from them.

Six nodes report in one frame, two in four fragments, two under link security with short addresses whose EUI-64 a
registration tells. The rhythm of such reports, 30 s or 5 s, is a fact of the trade (no source).
"""

import struct
from collections.abc import Iterator
from dataclasses import dataclass, replace

from findings import air
from findings.air import ALL_NODES, BROADCAST, CONTEXTS, KEY, PAN, ROOT

from lowpanbudget import Env, compress, encode_frame, split
from lowpanbudget.layers.link.auxiliary import Security
from lowpanbudget.layers.link.mac import Mac

NODES = tuple(bytes([0, number]) for number in range(2, 12))
FRAGMENTING, SEALED = NODES[6:8], NODES[8:]
PORTS = (5683, 5683)
ROOM = 88  # octets of a fragment in its frame
BETWEEN_S = 0.02  # between the fragments of a datagram
ADVERTISED_S = 300.0


def eui(link: bytes) -> bytes:
    """The EUI-64 of a node; invented, with the universal/local bit set."""
    return bytes.fromhex("025e1000000000") + link[1:]


DEVICES = {int.from_bytes(link, "big"): eui(link) for link in SEALED}


@dataclass(frozen=True, slots=True)
class Said:
    """A frame of an honest node: when it is sent, its octets without FCS, and the datagram that it completes.

    ``message`` counts the reports of all nodes; None for what the root says.
    """

    time_s: float
    octets: bytes
    datagram: bytes | None
    source: bytes
    message: int | None = None


class Farm:
    """The nodes, which go on for ever, each every ``every_s``."""

    def __init__(self, every_s: float) -> None:
        self.every_s = every_s
        self._sequences = dict.fromkeys((ROOT, *NODES), 0)
        self._reports = 0

    def frames(self) -> Iterator[Said]:
        """Yield frames in the order of their times."""
        turn = self.every_s / len(NODES)
        advertised = -ADVERTISED_S
        round_, at = 0, 0.5
        while True:
            if at - advertised >= ADVERTISED_S:
                advertised = at
                yield self._advertisement(at)
                for link in SEALED:
                    yield self._registration(at + 0.1, link)
            for place, link in enumerate(NODES):
                yield from self._report(at + place * turn + 0.2, link, round_)
            round_ += 1
            at += self.every_s

    def _report(self, at: float, link: bytes, round_: int) -> Iterator[Said]:
        self._reports += 1
        number = self._reports
        celsius = 2150 + (round_ * 7 + link[1] * 13) % 90 - 45  # hundredths of a degree
        payload = struct.pack(">HIh", round_ & 0xFFFF, number, celsius)
        if link in FRAGMENTING:
            payload *= 36
        token = struct.pack(">H", number & 0xFFFF)
        message = air.coap_message(data=payload, mid=number & 0xFFFF, token=token, kind=1)
        packet = air.datagram(message, links=(link, ROOT), ports=PORTS)
        env = Env(link, ROOT, contexts=CONTEXTS)
        parts = [compress(packet, env).octets]
        if link in FRAGMENTING:
            parts = split(packet, env, room=ROOM, tag=round_ & 0xFFFF)
        for place, part in enumerate(parts):
            last = place == len(parts) - 1
            octets = self._frame(link, ROOT, part, counter=round_ if link in SEALED else None)
            done = packet if last else None
            yield Said(at + place * BETWEEN_S, octets, done, link, number if last else None)

    def _frame(self, link: bytes, to: bytes, payload: bytes, counter: int | None = None) -> bytes:
        sequence = self._sequences[link] = (self._sequences[link] + 1) & 0xFF
        mac = Mac(
            sequence=sequence, destination_pan=PAN, destination=to, source=link,
            pan_id_compression=True, ack_request=to != BROADCAST,
        )  # fmt: skip
        if counter is None:
            return encode_frame(mac, payload, fcs=0).octets
        mac = replace(mac, security=Security(5, 1, counter + 1, key_index=1))
        return encode_frame(mac, payload, key=KEY, devices=DEVICES, fcs=0).octets

    def _advertisement(self, at: float) -> Said:
        """What RFC 6775 section 4.2 has routers say of context 0."""
        option = air.context_option(0, CONTEXTS[0])
        source = air.address("fe80::", ROOT)
        body = struct.pack(">BBHII", 64, 0, 1800, 0, 0) + option
        packet = air.nd_message(134, body, source, ALL_NODES)
        payload = compress(packet, Env(ROOT, BROADCAST, contexts={})).octets
        return Said(at, self._frame(ROOT, BROADCAST, payload), packet, ROOT)

    def _registration(self, at: float, link: bytes) -> Said:
        """RFC 6775 section 5.5: a node without a key so far registers its EUI-64."""
        root = air.address("fe80::", ROOT)
        option = bytes([33, 2, 0, 0, 0, 0, 0, 60]) + eui(link)
        packet = air.nd_message(
            135, bytes(4) + root.packed + option, air.address(air.PREFIX, link), root
        )
        payload = compress(packet, Env(link, ROOT, contexts=CONTEXTS)).octets
        return Said(at, self._frame(link, ROOT, payload), packet, link)
