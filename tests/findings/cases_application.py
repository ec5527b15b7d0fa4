"""A capture that fires each finding about CoAP and about a design, and a near miss."""

import struct

from findings import air
from findings.air import NODE, PAN, ROOT, Capture
from findings.cases_link import IPHC_ONLY, Case

from lowpanbudget import encode_frame
from lowpanbudget.layers.link.auxiliary import Security

CBOR = bytes(
    [0xC1, 60]
)  # Content-Format (12) with one octet: 60, application/cbor (RFC 7252 section 12.3)


def messages(*octets: bytes, at: float = 1.0, every: float = 10.0, back: bool = False) -> Capture:
    frames = []
    for number, message in enumerate(octets):
        links = (ROOT, NODE) if back else (NODE, ROOT)
        packet = air.coap(message, links, back=back)
        frames.append((at + number * every, air.frame(packet, number + 1, links)))
    return Capture(list(frames))


def observe(octets: int) -> Capture:
    """Option 6 with so many octets (RFC 7641 section 2: 0-3)."""
    return messages(
        air.coap_message(
            bytes([0x60 | octets]) + bytes(range(1, octets + 1)), b"x", code=69, kind=1
        )
    )


def tokens(octets: int) -> Capture:
    return messages(
        *(air.coap_message(mid=n, code=1, kind=1, token=bytes([n]) * octets) for n in range(1, 7))
    )


def block(size_exponent: int) -> Capture:
    """Block1 (27) number 0, more, of 16 << exponent octets (RFC 7959 section 2.2)."""
    option = bytes([0xD1, 27 - 13, 8 | size_exponent])
    packet = air.coap(air.coap_message(option, bytes(16 << size_exponent), kind=1))
    return Capture([(1 + n / 50, part) for n, part in enumerate(air.pieces(packet))])


def again(every: float, times: int = 4) -> Capture:
    """The same confirmable request again and again, under new sequence numbers."""
    return messages(*[air.coap_message(data=b"on", mid=0x2A17)] * times, every=every)


def answers(second: int) -> Capture:
    first = air.coap_message(kind=2, code=65, mid=0x107)
    return messages(first, air.coap_message(kind=2, code=second, mid=0x107), back=True)


def floats(value: float) -> Capture:
    """A CBOR float of 64 bits, major type 7 with 27 (RFC 8949 section 3.3)."""
    item = b"\xfb" + struct.pack(">d", value)
    return messages(*(air.coap_message(CBOR, item, kind=1, mid=n) for n in range(1, 5)))


DESIGN = f"""
title = "A cold store"
[link]
frame_version = 1
addresses = "short"
pan_id = {PAN:#06x}
{{link}}
[[context]]
id = 0
prefix = "2001:db8:1::/64"
[[station]]
name = "probe"
role = "node"
short = 0x0017
prefix = "2001:db8:1::/64"
[[station]]
name = "sink"
role = "collector"
short = 0x0001
prefix = "2001:db8:1::/64"
[[flow]]
name = "readings"
source = "probe"
destination = "sink"
source_port = 0xf0b1
destination_port = 0xf0b2
messages = ["reading"]
every_s = 60
[[message]]
name = "reading"
byte_order = "big"
bit_order = "msb-first"
layout = "octet-aligned"
[[message.field]]
kind = "number"
name = "state"
min = 0
max = 255
[[message.field]]
kind = "number"
name = "temperature"
min = 0
max = 1000
bits = 16
"""
PLAN = air.design(DESIGN.format(link=""))
SEALED_PLAN = air.design(DESIGN.format(link="[link.security]\nlevel = 5"))
DATA = bytes([1]) + struct.pack(">H", 200)  # 3 octets, in range
SMALL = {0: "2001:db8:1::/64"}


def planned(*data: bytes, every: float = 60.0, **changes: object) -> Capture:
    """Readings of the probe as the design has them, but for the changes."""
    packets = [air.datagram(one, **changes) for one in data]  # type: ignore[arg-type]
    frames = [(1 + n * every, air.frame(packet, n + 1)) for n, packet in enumerate(packets)]
    return Capture(list(frames), SMALL, PLAN)


def secured_as(plan: object) -> Capture:
    return Capture([air.frame(air.datagram(DATA))], SMALL, plan)  # type: ignore[arg-type]


def named_longer(mode: int) -> Capture:
    """A sealed frame whose key is named at length (mode 3: 9 octets), under a design that has mode 1."""
    security = Security(5, mode, 9, key_source=bytes(8) if mode == 3 else None, key_index=1)
    sealed = encode_frame(
        air.mac(1, security=security),
        bytes.fromhex(IPHC_ONLY),
        key=air.KEY,
        devices={0x17: air.FAR_NODE},
    )
    return Capture([sealed.octets], SMALL, SEALED_PLAN)


def in_pan(pan: int) -> Capture:
    return Capture(
        [air.frame(air.datagram(DATA), n, destination_pan=pan) for n in range(4)], SMALL, PLAN
    )


def pieces(octets: int) -> Capture:
    parts = air.pieces(air.datagram(bytes(octets)))
    return Capture([(1 + n / 50, part) for n, part in enumerate(parts)], SMALL, PLAN)


APPLICATION_CASES = {
    "coap-message-forbidden": Case(lambda: observe(4), lambda: observe(3)),
    "token-longer-than-useful": Case(lambda: tokens(8), lambda: tokens(4)),
    "block-still-fragmented": Case(lambda: block(3), lambda: block(1)),
    "request-repeated": Case(lambda: again(0.8), lambda: again(0.8, 2)),
    "request-answered-twice": Case(lambda: answers(137), lambda: answers(65)),
    # RFC 8949 appendix A: 1.5 is f93e00, 1.1 is fb3ff199999999999a and has no shorter form
    "float-wider-than-needed": Case(lambda: floats(1.5), lambda: floats(1.1)),
    "longer-than-budgeted": Case(lambda: planned(DATA, hop_limit=16), lambda: planned(DATA)),
    "fragments-not-planned": Case(lambda: pieces(150), lambda: pieces(3)),
    "security-not-as-planned": Case(lambda: secured_as(SEALED_PLAN), lambda: secured_as(PLAN)),
    "pan-not-in-design": Case(lambda: in_pan(0x51B8), lambda: in_pan(PAN)),
    "port-not-in-design": Case(
        lambda: planned(DATA, ports=(0xF0B3, 0xF0B4)), lambda: planned(DATA, ports=(0xF0B1, 0xF0B2))
    ),
    # state and temperature as a C structure: one octet of padding between them
    "message-length-wrong": Case(lambda: planned(bytes([1, 0, 0, 200])), lambda: planned(DATA)),
    # -200 in two's complement, under a format that has 0 to 1000
    "message-values-implausible": Case(
        lambda: planned(*[bytes([1]) + struct.pack(">h", -200)] * 3), lambda: planned(*[DATA] * 3)
    ),
    "interval-off-plan": Case(
        lambda: planned(*[DATA] * 8, every=6.0), lambda: planned(*[DATA] * 8, every=60.0)
    ),
}
