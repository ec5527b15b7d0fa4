"""A capture that fires each finding about somebody who wants a network to run out of something, and a near miss."""

import struct
from collections.abc import Callable

from findings import air
from findings.air import NODE, ROOT, Capture
from findings.judge import Case, Told

COOKIE = 3  # HelloVerifyRequest; 1 is ClientHello, 16 ClientKeyExchange (RFC 6347 section 4.3.2)


def strangers(count: int) -> Capture:
    """A frame each of so many short addresses; it carries nothing, which makes no difference."""
    octets = air.raw(b"", 1)
    at = octets.rindex(NODE[::-1])
    frames = [
        air.mended(octets[:at] + struct.pack("<H", 0x1000 + number) + octets[at + 2 :])
        for number in range(count)
    ]
    return Capture([(1 + number / 100, frame) for number, frame in enumerate(frames)])


def handshake(kind: int, port: int, *, back: bool = False, sealed: bool = False) -> bytes:
    """A record of DTLS 1.2 with one handshake message (RFC 6347 sections 4.1 and 4.2.2)."""
    body = bytes(range(40))
    message = bytes([kind]) + struct.pack(">I", len(body))[1:] + bytes(5)
    message += struct.pack(">I", len(body))[1:] + body
    record = b"\x16\xfe\xfd" + struct.pack(">HIHH", int(sealed), 0, port, len(message)) + message
    links, ports = ((ROOT, NODE), (5684, port)) if back else ((NODE, ROOT), (port, 5684))
    return air.frame(air.datagram(record, links=links, ports=ports), port & 0xFF, links)


def hellos(count: int, *behind: Callable[[int], bytes]) -> Capture:
    """ClientHellos from one port after the other, 0.1 s apart, each followed by other messages."""
    frames = []
    for number in range(count):
        port = 40000 + number
        messages = [handshake(1, port), *(one(port) for one in behind)]
        frames += [(1 + number / 10 + at / 100, octets) for at, octets in enumerate(messages)]
    return Capture(list(frames))


def forged(number: int) -> bytes:
    """A frame in the name of a node that has the key, under counter 7; its last octet of the code is wrong."""
    octets = bytearray(air.secured(b"reading %d" % number, number, 7))
    octets[-3] ^= 1
    return air.mended(bytes(octets))


SERVER = "2001:db8:1::ff:fe00:1"
FLOODS_CASES: dict[str, Case] = {
    "addresses-without-end": Case(
        lambda: strangers(512),
        lambda: strangers(511),
        Told(
            "risk",
            "the network",
            "512 addresses sent one or two frames each, 0 sent more",
            ("512 short and 0 extended ones, in 1 PAN, to 0x0001",),
            tuple(range(1, 13)),
            512,
        ),
    ),
    "handshakes-never-ended": Case(
        lambda: hellos(40),
        lambda: hellos(31),
        Told(
            "failure",
            SERVER,
            f"40 of 40 handshakes with {SERVER} on port 5684 were begun and never went on",
            ("from 0x0017 in 3.9 s, 0 answered",),
            tuple(range(1, 13)),
            40,
        ),
    ),
}
FLOODS_NEAR: dict[str, tuple[str, Callable[[], Capture]]] = {
    "handshakes that go on once the cookie came": (
        "handshakes-never-ended",
        lambda: hellos(
            40,
            lambda port: handshake(COOKIE, port, back=True),
            lambda port: handshake(1, port),
            lambda port: handshake(16, port),
        ),
    ),
    "handshakes whose server seals its end": (
        "handshakes-never-ended",
        lambda: hellos(40, lambda port: handshake(20, port, back=True, sealed=True)),
    ),
    "frames that somebody without the key sends under one counter": (
        "frame-counter-used-twice",
        lambda: Capture([forged(1), forged(2)], keys=(air.KEY,)),
    ),
    "frames that somebody without the key sends under a counter that goes back": (
        "frame-counter-went-back",
        lambda: Capture([air.secured(b"reading", 1, 99), forged(2)], keys=(air.KEY,)),
    ),
}
