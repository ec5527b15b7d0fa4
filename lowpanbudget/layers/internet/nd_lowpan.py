"""Options of neighbour discovery that RFC 6775, RFC 8505 and RFC 7400 add for 6LoWPAN.

|     Type      |    Length     |              ...       Length: in units of 8 octets, type and length included

``ContextOption`` feeds a table of compression contexts: its ``cid``, its ``context``, and how long it is good for.
"""

from dataclasses import dataclass
from ipaddress import IPv6Address, IPv6Network
from typing import Any

from lowpanbudget.cites import rfc
from lowpanbudget.env import Context
from lowpanbudget.fields import Bits
from lowpanbudget.layers.internet.parts import Address, Prefix, Rest
from lowpanbudget.layers.internet.records import Record, length_bits

MINUTE = 60  # RFC 6775 counts its lifetimes "in units of 60 seconds"
ABRO_DEFAULT = 10_000  # RFC 6775 section 4.3: what a Valid Lifetime of 0 stands for

# RFC 6775 table 1, RFC 8505 table 1
STATUS = {
    0: "success",
    1: "duplicate address",
    2: "neighbour cache full",
    3: "moved: a more recent registration exists",
    4: "removed",
    5: "validation requested",
    6: "duplicate source address",
    7: "invalid source address",
    8: "registered address topologically incorrect",
    9: "6LBR registry saturated",
    10: "validation failed",
}
ROVR_OCTETS = (8, 16, 24, 32)  # RFC 8505 section 4.1: "64 bits ... 128, 192, or 256 bits"


@dataclass(frozen=True, slots=True)
class AddressRegistration:
    """A registration (ARO), or with ``extended`` the T flag its extended form (EARO).

    ``registration_lifetime`` is in units of 60 seconds; ``rovr`` the EUI-64 of an ARO or the 8, 16, 24 or 32 octets
    that prove ownership; ``tid`` means something only with ``extended``, ``opaque`` only as ``index_kind`` (I) says.
    """

    registration_lifetime: int
    rovr: bytes
    status: int = 0
    extended: bool = False
    tid: int = 0
    routing: bool = False
    opaque: int = 0
    index_kind: int = 0

    @property
    def lifetime_s(self) -> int:
        """Return the lifetime in seconds."""
        return self.registration_lifetime * MINUTE


@dataclass(frozen=True, slots=True)
class ContextOption:
    """A compression context (6CO): ``cid``, ``prefix``, ``may_compress`` (C), lifetime in units of 60 seconds."""

    cid: int
    prefix: IPv6Network
    valid_lifetime: int
    may_compress: bool = True

    @property
    def context_length(self) -> int:
        """Return how many bits of the prefix are valid."""
        return self.prefix.prefixlen

    @property
    def context(self) -> Context:
        """Return the context for a table: without C it expands but does not compress."""
        return Context(self.prefix, self.may_compress)

    @property
    def lifetime_s(self) -> int:
        """Return for how many seconds the context is good, from when the packet was received."""
        return self.valid_lifetime * MINUTE

    @property
    def removes(self) -> bool:
        """Return whether "this context entry MUST be removed immediately"."""
        return self.valid_lifetime == 0


@dataclass(frozen=True, slots=True)
class AuthoritativeBorderRouter:
    """The border router (ABRO) whose set of prefixes and contexts has this version; lifetime in units of 60 seconds."""

    version: int
    border_router: IPv6Address
    valid_lifetime: int = 0

    @property
    def version_low(self) -> int:
        """Return the lower 16 bits, which stand first."""
        return self.version & 0xFFFF

    @property
    def version_high(self) -> int:
        """Return the upper 16 bits."""
        return self.version >> 16

    @property
    def lifetime_s(self) -> int:
        """Return the lifetime in seconds; 0 on the wire stands for 10,000 units."""
        return (self.valid_lifetime or ABRO_DEFAULT) * MINUTE


@dataclass(frozen=True, slots=True)
class Capabilities:
    """What the sender can do (6CIO); ``experimental`` are the flags 0 to 7, ``more`` octets after the first 8."""

    generic_header_compression: bool = False
    extended_registration: bool = False
    routing_registrar: bool = False
    border_router: bool = False
    router: bool = False
    extended_duplicate_address: bool = False
    experimental: int = 0
    more: bytes = b""


def _minutes(value: int) -> str:
    return f"{value * MINUTE} s"


def head(number: int, name: str) -> tuple[Bits, Bits]:
    """Return the fields that every option starts with."""
    return Bits("type", 8, name, fixed=number), length_bits(8, counts_head=True)


def registration_fields(*before_lifetime: Bits) -> tuple[Bits, ...]:
    """Return status, what stands between, and lifetime, as the option and the duplicate address messages have them."""
    return (
        Bits("status", 8, STATUS),
        *before_lifetime,
        Bits("registration lifetime", 16, _minutes),
    )


def _abro(*, version_low: int, version_high: int, **rest: Any) -> AuthoritativeBorderRouter:
    return AuthoritativeBorderRouter(
        version_high << 16 | version_low, rest["border_router"], rest["valid_lifetime"]
    )


_REGISTRATION = registration_fields(
    Bits("opaque", 8, "passed to another process as I says"),
    Bits("reserved", 4),
    Bits("index kind", 2, {0: "I: the opaque octet is an index of a topology"}),
    Bits("routing", 1, "R: asks for reachability services"),
    Bits("extended", 1, {0: "T: the next octet is no TID", 1: "T: the next octet is a TID"}),
    Bits("tid", 8, "transaction id"),
)
_CAPABILITIES = (
    Bits("experimental", 8, "flags 0 to 7, for experiments"),
    Bits("reserved 1", 2),
    Bits("extended duplicate address", 1, "D: the 6LBR supports EDAR and EDAC"),
    Bits("router", 1, "L: a 6LR"),
    Bits("border router", 1, "B: a 6LBR"),
    Bits("routing registrar", 1, "P: a routing registrar"),
    Bits("extended registration", 1, "E: registers by EARO"),
    Bits("generic header compression", 1, "G: reads RFC 7400"),
    Bits("reserved 2", 32),
)
# type: name, cite, value class, fields after the length, parts, sizes in octets
OPTIONS = {
    33: Record(
        "address registration option", rfc(8505, "4.1"), AddressRegistration,
        (*head(33, "address registration"), *_REGISTRATION),
        Rest("rovr", "EUI-64, or registration ownership verifier"),
        sizes=tuple(8 + octets for octets in ROVR_OCTETS),
    ),
    34: Record(
        "6LoWPAN context option", rfc(6775, "4.2"), ContextOption,
        (
            *head(34, "6LoWPAN context"), Bits("context length", 8, "valid bits of the prefix"),
            Bits("reserved 1", 3),
            Bits("may compress", 1, {0: "C: only for expanding", 1: "C: also for compressing"}),
            Bits("cid", 4, "context id"), Bits("reserved 2", 16),
            Bits("valid lifetime", 16, _minutes),
        ),
        Prefix("prefix", "context prefix", unit=8, least=8, length="context length"),
        sizes=(16, 24),
    ),
    35: Record(
        "authoritative border router option", rfc(6775, "4.3"), AuthoritativeBorderRouter,
        (
            *head(35, "authoritative border router"), Bits("version low", 16),
            Bits("version high", 16),
            Bits("valid lifetime", 16, lambda value: _minutes(value or ABRO_DEFAULT)),
        ),
        Address("border router", "address of the 6LBR"), sizes=(24,), build=_abro,
    ),
    36: Record(
        "6LoWPAN capability indication option", rfc(8505, "4.3"), Capabilities,
        (*head(36, "6LoWPAN capability indication"), *_CAPABILITIES),
        Rest("more", "capability bits not assigned yet", 8), sizes=range(8, 2041, 8),
    ),
}  # fmt: skip
