"""Packets of scapy from octets: the one place that imports it, and only when a packet is asked for.

The other way needs nothing: a packet's octets are ``bytes(packet)``.
"""

from typing import Any


def packet_of(datagram: bytes) -> Any:
    """Return an IPv6 datagram as a scapy packet (``scapy.layers.inet6.IPv6``), dissected as scapy knows how."""
    from scapy.layers.inet6 import IPv6  # noqa: PLC0415  # heavy: only who asks pays for it

    return IPv6(datagram)
