"""Frames for tests. Addresses are those set aside for documentation, or locally administered ones."""

import random
import struct
from collections.abc import Iterator
from dataclasses import replace
from functools import cache
from ipaddress import IPv6Address
from itertools import islice
from typing import Any

from lowpanbudget import Env, Key, Mac, Security, compress, encode_frame, split

PREFIX = "2001:db8:7:1::"
CONTEXTS = {0: f"{PREFIX}/64"}
KEY = bytes(range(0xC0, 0xD0))  # invented
PAN = 0x51B7
DATA, ACKNOWLEDGEMENT = 1, 2  # frame types (IEEE 802.15.4-2006 clause 7.2.1.1.1, from memory)
UDP = 17


def eui(number: int) -> bytes:
    return bytes.fromhex("02005eef1000") + number.to_bytes(2, "big")


def short(number: int) -> bytes:
    return number.to_bytes(2, "big")


def ip_of(link: bytes, prefix: str = PREFIX) -> IPv6Address:
    """Return the address that follows from a link address by RFC 6282 section 3.2.2, written out once more."""
    base = int(IPv6Address(prefix))
    if len(link) == 2:
        return IPv6Address(base | 0xFF_FE00_0000 | int.from_bytes(link, "big"))
    return IPv6Address(base | int.from_bytes(link, "big") ^ (2 << 56))


def checksum(source: IPv6Address, destination: IPv6Address, kind: int, octets: bytes) -> int:
    """Return the sum of RFC 1071 over the pseudo-header of RFC 8200 section 8.1 and octets whose checksum is 0."""
    text = source.packed + destination.packed + struct.pack(">IHH", len(octets), 0, kind) + octets
    text += bytes(len(text) % 2)
    total: int = sum(struct.unpack(f">{len(text) // 2}H", text))
    while total >> 16:
        total = (total & 0xFFFF) + (total >> 16)
    return total ^ 0xFFFF


def ipv6(
    source: IPv6Address, destination: IPv6Address, kind: int, octets: bytes, hop_limit: int = 64
) -> bytes:
    """Return a datagram by RFC 8200 section 3: traffic class and flow label are zero."""
    head = struct.pack(">IHBB", 6 << 28, len(octets), kind, hop_limit)
    return head + source.packed + destination.packed + octets


def udp_datagram(
    source: IPv6Address,
    destination: IPv6Address,
    payload: bytes,
    ports: tuple[int, int] = (0xF0B1, 0xF0B2),
    hop_limit: int = 64,
) -> bytes:
    """Return a datagram by RFC 768: a checksum of zero goes as all ones."""
    head = struct.pack(">HHH", *ports, 8 + len(payload))
    total = checksum(source, destination, UDP, head + b"\0\0" + payload) or 0xFFFF
    segment = head + total.to_bytes(2, "big") + payload
    return ipv6(source, destination, UDP, segment, hop_limit)


def mac_of(
    source: bytes | None, destination: bytes | None, sequence: int = 0, **changes: Any
) -> Mac:
    mac = Mac(
        DATA,
        1,
        sequence,
        PAN if destination is not None else None,
        destination,
        None if destination is not None else PAN,
        source,
        pan_id_compression=source is not None and destination is not None,
        ack_request=destination != b"\xff\xff",
    )
    return replace(mac, **changes)


def frames_of(
    datagram: bytes,
    source: bytes,
    destination: bytes,
    *,
    sequence: int = 0,
    tag: int = 0,
    room: int = 100,
    contexts: Any = CONTEXTS,
    key: bytes | None = None,
    counter: int = 0,
    level: int = 5,
    devices: Any = None,
    fcs: int = 2,
) -> list[bytes]:
    """Return the frames of a datagram, whole or cut, with consecutive sequence numbers and frame counters."""
    env = Env(source, destination, contexts=contexts)
    found = []
    for index, payload in enumerate(split(datagram, env, room=room, tag=tag)):
        security = None if key is None else Security(level, 1, counter + index, None, 1)
        mac = mac_of(source, destination, (sequence + index) & 0xFF, security=security)
        sealed = None if key is None else Key(key)
        found.append(encode_frame(mac, payload, key=sealed, devices=devices, fcs=fcs).octets)
    return found


def mixed(count: int, seed: int = 1, nodes: int = 6) -> list[bytes]:
    """Return frames of a small network: readings, fragments, protected ones, acknowledgements, RPL, beacons, damage."""
    made, coming = _network(seed, nodes)
    made += islice(coming, max(count - len(made), 0))
    return made[:count]


@cache
def _network(seed: int, nodes: int) -> tuple[list[bytes], Iterator[bytes]]:
    """Return the frames of a network that were made so far, and what makes the next ones."""
    return [], _frames(seed, nodes)


def _frames(seed: int, nodes: int) -> Iterator[bytes]:
    rng = random.Random(seed)
    last = b"abc"
    sequences = dict.fromkeys(range(nodes), 0)
    counters = dict.fromkeys(range(nodes), 0)
    root = eui(0x100)
    tag = 0
    while True:
        node = rng.randrange(nodes)
        link = eui(node + 1) if node % 2 else short(node + 1)
        to = root if len(link) == 8 else short(0x100)
        source, destination = ip_of(link), ip_of(to)
        what = rng.random()
        sequence = sequences[node]
        if what < 0.5:
            size = rng.choice([4, 20, 20, 20, 47])
            made = frames_of(
                udp_datagram(source, destination, rng.randbytes(size)), link, to, sequence=sequence
            )
        elif what < 0.6:
            made = frames_of(
                udp_datagram(source, destination, rng.randbytes(180)), link, to,
                sequence=sequence, tag=tag,
            )  # fmt: skip
            tag += 1
        elif what < 0.75 and len(link) == 8:
            made = frames_of(
                udp_datagram(source, destination, rng.randbytes(30)), link, to,
                sequence=sequence, key=KEY, counter=counters[node], room=80,
            )  # fmt: skip
            counters[node] += len(made)
        elif what < 0.85:
            ack = Mac(ACKNOWLEDGEMENT, 0, rng.randrange(256))
            last = encode_frame(ack, b"").octets
            yield last
            continue
        elif what < 0.95:
            request = bytes([0x40, 0x02]) + rng.randbytes(2) + b"\xb1r\xff" + rng.randbytes(12)
            made = frames_of(
                udp_datagram(source, destination, request, (61000 + node, 5683)), link, to,
                sequence=sequence,
            )  # fmt: skip
        else:
            broken = bytearray(last)
            broken[rng.randrange(len(broken))] ^= 1 << rng.randrange(8)
            last = bytes(broken)
            yield last
            continue
        sequences[node] = (sequence + len(made)) & 0xFF
        yield from made
        last = made[-1]


def compressed(datagram: bytes, source: bytes | None, destination: bytes | None) -> bytes:
    return compress(datagram, Env(source, destination, contexts=CONTEXTS)).octets


A_FRAME = frames_of(udp_datagram(ip_of(eui(1)), ip_of(eui(2)), b"abc"), eui(1), eui(2))[0]
