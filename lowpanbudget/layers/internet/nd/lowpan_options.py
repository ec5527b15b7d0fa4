"""Options of neighbour discovery that RFC 6775, RFC 8505 and RFC 7400 add for 6LoWPAN.

|     Type      |    Length     |              ...       Length: in units of 8 octets, type and length included

``ContextOption`` feeds a table of compression contexts: its ``cid``, its ``context``, and how long it is good for.
"""

from ipaddress import IPv6Address, IPv6Network

from lowpanbudget.bits import Reader, Writer
from lowpanbudget.cites import rfc
from lowpanbudget.env import Context
from lowpanbudget.errors import RequestError
from lowpanbudget.fields import (
    Address,
    Drawing,
    LayoutPart,
    OctetString,
    Prefix,
    Values,
    bits,
    part,
    structure,
    unused,
)

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
ROVR = "EUI-64, or registration ownership verifier"


def minutes(value: int) -> str:
    """Return what a lifetime in units of 60 seconds means."""
    return f"{value * MINUTE} s"


@structure(
    "address registration option", rfc(8505, "4.1"),
    sizes=tuple(8 + octets for octets in ROVR_OCTETS),
)  # fmt: skip
class AddressRegistration:
    """A registration (ARO), or with ``extended`` the T flag its extended form (EARO).

    ``registration_lifetime`` is in units of 60 seconds; ``rovr`` the EUI-64 of an ARO or the 8, 16, 24 or 32 octets
    that prove ownership; ``tid`` means something only with ``extended``, ``opaque`` only as ``index_kind`` (I) says.
    """

    status: int = bits(8, STATUS, default=0)
    opaque: int = bits(8, "passed to another process as I says", default=0)
    reserved: int = unused(4, default=0)
    index_kind: int = bits(2, {0: "I: the opaque octet is an index of a topology"}, default=0)
    routing: bool = bits(1, "R: asks for reachability services", default=False)
    extended: bool = bits(
        1, {0: "T: the next octet is no TID", 1: "T: the next octet is a TID"}, default=False
    )
    tid: int = bits(8, "transaction id", default=0)
    registration_lifetime: int = bits(16, minutes)
    rovr: bytes = part(OctetString, ROVR)

    @property
    def lifetime_s(self) -> int:
        """Return the lifetime in seconds."""
        return self.registration_lifetime * MINUTE


@structure("6LoWPAN context option", rfc(6775, "4.2"), sizes=(16, 24))
class ContextOption:
    """A compression context (6CO): ``cid``, ``prefix``, ``may_compress`` (C), lifetime in units of 60 seconds."""

    valid_bits = bits(8, "valid bits of the prefix", name="context length")
    reserved_1: int = unused(3, default=0)
    may_compress: bool = bits(
        1, {0: "C: only for expanding", 1: "C: also for compressing"}, default=True
    )
    cid: int = bits(4, "context id")
    reserved_2: int = unused(16, default=0)
    valid_lifetime: int = bits(16, minutes)
    prefix: IPv6Network = part(Prefix, "context prefix", length="context_length", unit=8, fewest=1)

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


class _Version(LayoutPart):
    """A number of 32 bits whose lower half stands first."""

    @property
    def size(self) -> str:
        return "32 bits, the lower half first"

    def read(self, reader: Reader, _values: Values, layout: Drawing) -> int:
        low, high = (reader.number(2, name, "", layout.cite) for name in self._halves())
        return high << 16 | low

    def write(self, writer: Writer, value: int, _values: Values, layout: Drawing) -> None:
        if not 0 <= value < 1 << 32:
            raise RequestError(f"{self.name} {value} does not fit 32 bits", cite=layout.cite)
        for name, half in zip(self._halves(), (value & 0xFFFF, value >> 16), strict=True):
            writer.number(2, half, name, "", layout.cite)

    def _halves(self) -> tuple[str, str]:
        return f"{self.name} low", f"{self.name} high"


@structure("authoritative border router option", rfc(6775, "4.3"), sizes=(24,))
class AuthoritativeBorderRouter:
    """The border router (ABRO) whose set of prefixes and contexts has this version; lifetime in units of 60 seconds."""

    version: int = part(_Version)
    valid_lifetime: int = bits(16, lambda value: minutes(value or ABRO_DEFAULT), default=0)
    border_router: IPv6Address = part(Address, "address of the 6LBR")

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


@structure("6LoWPAN capability indication option", rfc(8505, "4.3"), sizes=range(8, 2041, 8))
class Capabilities:
    """What the sender can do (6CIO); ``experimental`` are the flags 0 to 7, ``more`` octets after the first 8."""

    experimental: int = bits(8, "flags 0 to 7, for experiments", default=0)
    reserved_1: int = unused(2, default=0)
    extended_duplicate_address: bool = bits(1, "D: the 6LBR supports EDAR and EDAC", default=False)
    router: bool = bits(1, "L: a 6LR", default=False)
    border_router: bool = bits(1, "B: a 6LBR", default=False)
    routing_registrar: bool = bits(1, "P: a routing registrar", default=False)
    extended_registration: bool = bits(1, "E: registers by EARO", default=False)
    generic_header_compression: bool = bits(1, "G: reads RFC 7400", default=False)
    reserved_2: int = unused(32, default=0)
    more: bytes = part(OctetString, "capability bits not assigned yet", unit=8, default=b"")


OPTIONS = {
    33: AddressRegistration,
    34: ContextOption,
    35: AuthoritativeBorderRouter,
    36: Capabilities,
}
AnyOption = AddressRegistration | ContextOption | AuthoritativeBorderRouter | Capabilities
