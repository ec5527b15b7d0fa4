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
