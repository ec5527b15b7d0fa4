"""Options of neighbour discovery (RFC 4861 section 4.6), and the table of all, those of 6LoWPAN included.

|     Type      |    Length     |              ...       Length: in units of 8 octets, type and length included
"""

from dataclasses import dataclass
from ipaddress import IPv6Address, IPv6Network

from lowpanbudget.bits import Reader, Writer
from lowpanbudget.cites import Cite, rfc
from lowpanbudget.errors import RequestError
from lowpanbudget.fields import Bits
from lowpanbudget.layers.internet.nd_lowpan import OPTIONS as LOWPAN_OPTIONS
from lowpanbudget.layers.internet.nd_lowpan import head
from lowpanbudget.layers.internet.parts import (
    Address,
    Addresses,
    Part,
    Rest,
    Values,
)
from lowpanbudget.layers.internet.records import Family, Record

CITE = rfc(4861, "4.6")
INFINITE = 0xFFFF_FFFF  # "A value of all one bits (0xffffffff) represents infinity"


@dataclass(frozen=True, slots=True)
class SourceLinkLayerAddress:
    """The sender's link address: 2 (short), 6 (EUI-48) or 8 (EUI-64) octets, most significant first.

    A field of 6 octets whose last four are zero is a short address and its padding (RFC 4944 section 8); an EUI-48
    that ends so cannot be told from it.
    """

    address: bytes


@dataclass(frozen=True, slots=True)
class TargetLinkLayerAddress:
    """The target's link address; octets as in ``SourceLinkLayerAddress``."""

    address: bytes


@dataclass(frozen=True, slots=True)
class PrefixInformation:
    """A prefix for on-link determination and autoconfiguration; lifetimes in seconds, all ones for ever.

    ``address`` is the field as it stands: with ``router_address`` (RFC 6275 section 7.2) the sender's whole address.
    """

    prefix_length: int
    address: IPv6Address
    valid_lifetime: int = INFINITE
    preferred_lifetime: int = INFINITE
    on_link: bool = False
    autonomous: bool = False
    router_address: bool = False

    @property
    def prefix(self) -> IPv6Network:
        """Return the prefix: the leading ``prefix_length`` bits of the address."""
        return IPv6Network((self.address, self.prefix_length), strict=False)


@dataclass(frozen=True, slots=True)
class RedirectedHeader:
    """As much of the redirected packet as there is; a multiple of 8 octets."""

    packet: bytes


@dataclass(frozen=True, slots=True)
class Mtu:
    """The recommended MTU of the link, in octets."""

    mtu: int


@dataclass(frozen=True, slots=True)
class RecursiveDnsServers:
    """Addresses of name servers; ``lifetime`` in seconds, all ones for ever."""

    lifetime: int
    addresses: tuple[IPv6Address, ...]


class _LinkAddress(Part):
    """A link address of 2, 6 or 8 octets; the rest of the option is its padding."""

    def read(self, reader: Reader, _values: Values, cite: Cite) -> bytes:
        field = reader.data[reader.pos : reader.end]
        count = 8 if len(field) > 6 else 6 if any(field[2:]) else 2
        return reader.octets(count, self.name, self.meaning, cite)

    def write(self, writer: Writer, value: bytes, _values: Values, cite: Cite) -> None:
        if len(value) not in (2, 6, 8):
            raise RequestError(f"a link address has 2, 6 or 8 octets, not {len(value)}", cite=cite)
        writer.octets(value, self.name, self.meaning, cite)


def _seconds(value: int) -> str:
    return "for ever" if value == INFINITE else f"{value} s"


def prefix_fields(reserved: int) -> tuple[Bits, ...]:
    """Return the fields of a Prefix Information option between its length and its prefix, as RPL has them too."""
    return (
        Bits("prefix length", 8, "leading bits of the prefix that are valid"),
        Bits("on link", 1, "L: the prefix tells what is on the link"),
        Bits("autonomous", 1, "A: for stateless address configuration"),
        Bits("router address", 1, "R: the whole field is the sender's address"),
        Bits("reserved 1", reserved),
        Bits("valid lifetime", 32, _seconds),
        Bits("preferred lifetime", 32, _seconds),
        Bits("reserved 2", 32),
    )


def prefix_address() -> Address:
    """Return the part that holds a Prefix Information option's prefix."""
    return Address("address", "a prefix, or with R the sender's address", length="prefix length")


# type: name, cite, value class, fields after the length, parts, sizes in octets
OPTIONS = Family(
    "ND option",
    CITE,
    {
        1: Record(
            "source link-layer address option", rfc(4861, "4.6.1"), SourceLinkLayerAddress,
            head(1, "source link-layer address"), _LinkAddress("address", "of the sender"), padded=True,
        ),
        2: Record(
            "target link-layer address option", rfc(4861, "4.6.1"), TargetLinkLayerAddress,
            head(2, "target link-layer address"), _LinkAddress("address", "of the target"), padded=True,
        ),
        3: Record(
            "prefix information option", rfc(4861, "4.6.2"), PrefixInformation,
            (*head(3, "prefix information"), *prefix_fields(5)), prefix_address(), sizes=(32,),
        ),
        4: Record(
            "redirected header option", rfc(4861, "4.6.3"), RedirectedHeader,
            (*head(4, "redirected header"), Bits("reserved", 48)),
            Rest("packet", "the packet that was redirected", 8),
        ),
        5: Record(
            "MTU option", rfc(4861, "4.6.4"), Mtu,
            (*head(5, "MTU"), Bits("reserved", 16), Bits("mtu", 32, "octets")), sizes=(8,),
        ),
        # layout from memory; the tests have a second opinion
        25: Record(
            "recursive DNS server option", rfc(8106, "5.1"), RecursiveDnsServers,
            (*head(25, "recursive DNS servers"), Bits("reserved", 16), Bits("lifetime", 32, _seconds)),
            Addresses("addresses", "of a name server"), sizes=range(24, 2041, 16),
        ),
        **LOWPAN_OPTIONS,
    },
    unit=8,
    counts_head=True,
)  # fmt: skip
