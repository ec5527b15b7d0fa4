"""Captures and ICMPv6 for tests that look inside the package; the frames come from ``contract.air``."""

from collections.abc import Iterable, Sequence
from ipaddress import IPv6Address

from contract.air import (
    A_FRAME,
    CONTEXTS,
    KEY,
    PAN,
    PREFIX,
    compressed,
    eui,
    frames_of,
    ip_of,
    mac_of,
    mixed,
    short,
    udp_datagram,
)

from lowpanbudget.bits import Writer
from lowpanbudget.capture.files.record import Record
from lowpanbudget.layers.internet import icmpv6
from lowpanbudget.layers.internet.ipv6 import Ipv6

__all__ = [
    "A_FRAME", "CONTEXTS", "KEY", "PAN", "PREFIX", "SECOND", "compressed", "eui", "frames_of", "icmpv6_datagram",
    "ip_of", "mac_of", "mixed", "octets_of", "records", "short", "udp_datagram",
]  # fmt: skip
SECOND = 10**9


def icmpv6_datagram(
    source: IPv6Address, destination: IPv6Address, message: object, hop_limit: int = 255
) -> bytes:
    writer = Writer()
    icmpv6.encode(writer, message, source, destination)
    header = Ipv6(0, 0, len(writer.data), 58, hop_limit, source, destination)
    return bytes(header) + bytes(writer.data)


def records(
    frames: Iterable[bytes], link_type: int = 195, *, start_ns: int = 0, step_ns: int = 2 * SECOND
) -> list[Record]:
    """Return records of these frames, ``step_ns`` apart: longer than retries last."""
    return [
        Record(number, start_ns + (number - 1) * step_ns, link_type, octets, len(octets))
        for number, octets in enumerate(frames, 1)
    ]


def octets_of(records: Sequence[Record]) -> list[bytes]:
    return [record.octets for record in records]


# a design with two flows between a logger and a sink
DESIGN = """
title = "A records archive"
[link]
frame_version = 1
addresses = "extended"
pan_id = 0x51b7
[[context]]
id = 0
prefix = "2001:db8:7:1::/64"
[[station]]
name = "logger"
role = "node"
extended = "02:00:5e:ef:10:00:00:01"
prefix = "2001:db8:7:1::/64"
[[station]]
name = "sink"
role = "collector"
extended = "02:00:5e:ef:10:00:00:02"
prefix = "2001:db8:7:1::/64"
[[flow]]
name = "climate"
source = "logger"
destination = "sink"
source_port = 0xf0b1
destination_port = 0xf0b2
messages = ["climate", "alarm"]
[[flow]]
name = "ask"
source = "sink"
destination = "logger"
source_port = 61000
destination_port = 5683
messages = ["alarm"]
coap = { code = "POST", path = "/a" }
[[message]]
name = "climate"
byte_order = "big"
bit_order = "msb-first"
layout = "bit-packed"
[[message.field]]
kind = "constant"
name = "kind"
value = 1
bits = 8
[[message.field]]
kind = "array"
name = "reading"
min_length = 1
max_length = 4
[message.field.element]
kind = "group"
[[message.field.element.field]]
kind = "number"
name = "temperature"
min = -30
max = 60
step = 0.5
unit = "Cel"
[[message]]
name = "alarm"
byte_order = "big"
bit_order = "msb-first"
layout = "octet-aligned"
[[message.field]]
kind = "constant"
name = "kind"
value = 2
bits = 8
[[message.field]]
kind = "boolean"
name = "door"
"""
