"""Padding between options, the same in IPv6 extension headers (RFC 8200 section 4.2) and RPL messages (RFC 6550)."""

from lowpanbudget.values import dataclass


@dataclass(frozen=True, slots=True)
class Pad1:
    """Padding of one octet, its type alone."""


@dataclass(frozen=True, slots=True)
class PadN:
    """Padding of ``octets`` as a whole, 2 at least."""

    octets: int
