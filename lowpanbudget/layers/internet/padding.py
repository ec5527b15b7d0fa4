"""Padding between options, the same in IPv6 extension headers (RFC 8200 section 4.2) and RPL messages (RFC 6550)."""

from lowpanbudget.values import dataclass


@dataclass(frozen=True, slots=True)
class Pad1:
    """Padding of one octet, its type alone (RFC 8200 section 4.2, RFC 6550 section 6.7.2)."""


@dataclass(frozen=True, slots=True)
class PadN:
    """Padding of ``octets`` as a whole, 2 at least (RFC 8200 section 4.2, RFC 6550 section 6.7.3)."""

    octets: int
