"""Options of neighbour discovery (RFC 4861 section 4.6), and the table of all, those of 6LoWPAN included.

|     Type      |    Length     |              ...       Length: in units of 8 octets, type and length included
"""

from ipaddress import IPv6Address, IPv6Network

from lowpanbudget.cites import rfc
from lowpanbudget.fields import (
    Address,
    OctetString,
    PaddedString,
    Repeat,
    Tagged,
    UnknownOption,
    bits,
    part,
    structure,
    unused,
)
from lowpanbudget.layers.internet.nd import lowpan_options
from lowpanbudget.shown import LINK_ADDRESS

CITE = rfc(4861, "4.6")
UNIT = 8
INFINITE = 0xFFFF_FFFF  # "A value of all one bits (0xffffffff) represents infinity"
# of a route, or a default router: RFC 4191 section 2.1, from memory, a signed number of two bits
PREFERENCES = {0: "medium", 1: "high", 2: "reserved: the option must be ignored", 3: "low"}
_LINK_SIZES = (2, 6, 8)  # a short address (RFC 4944 section 8), an EUI-48, an EUI-64


def seconds(value: int) -> str:
    """Return what a lifetime in seconds means."""
    return "for ever" if value == INFINITE else f"{value} s"


@structure("source link-layer address option", rfc(4861, "4.6.1"), padded=True)
class SourceLinkLayerAddress:
    """The sender's link address: 2 (short), 6 (EUI-48) or 8 (EUI-64) octets, most significant first.

    A field of 6 octets whose last four are zero is a short address and its padding (RFC 4944 section 8); an EUI-48
    that ends so cannot be told from it.
    """

    address: bytes = part(
        PaddedString, "of the sender", sizes=_LINK_SIZES, unit=UNIT, metadata=LINK_ADDRESS
    )


@structure("target link-layer address option", rfc(4861, "4.6.1"), padded=True)
class TargetLinkLayerAddress:
    """The target's link address; octets as in ``SourceLinkLayerAddress``."""

    address: bytes = part(
        PaddedString, "of the target", sizes=_LINK_SIZES, unit=UNIT, metadata=LINK_ADDRESS
    )


@structure("prefix information option", rfc(4861, "4.6.2"), sizes=(32,))
class PrefixInformation:
    """A prefix for on-link determination and autoconfiguration; lifetimes in seconds, all ones for ever.

    ``address`` is the field as it stands: with ``router_address`` (RFC 6275 section 7.2) the sender's whole address.
    RPL has the same option (RFC 6550 section 6.7.10).
    """

    prefix_length: int = bits(8, "leading bits of the prefix that are valid")
    on_link: bool = bits(1, "L: the prefix tells what is on the link", default=False)
    autonomous: bool = bits(1, "A: for stateless address configuration", default=False)
    router_address: bool = bits(1, "R: the whole field is the sender's address", default=False)
    reserved_1: int = unused(5, default=0)
    valid_lifetime: int = bits(32, seconds, default=INFINITE)
    preferred_lifetime: int = bits(32, seconds, default=INFINITE)
    reserved_2: int = unused(32, default=0)
    address: IPv6Address = part(
        Address, "a prefix, or with R the sender's address", length="prefix_length"
    )

    @property
    def prefix(self) -> IPv6Network:
        """Return the prefix: the leading ``prefix_length`` bits of the address."""
        return IPv6Network((self.address, self.prefix_length), strict=False)


@structure("redirected header option", rfc(4861, "4.6.3"))
class RedirectedHeader:
    """As much of the redirected packet as there is; a multiple of 8 octets."""

    reserved: int = unused(48, default=0)
    packet: bytes = part(OctetString, "the packet that was redirected", unit=UNIT)


@structure("MTU option", rfc(4861, "4.6.4"), sizes=(8,))
class Mtu:
    """The recommended MTU of the link, in octets."""

    reserved: int = unused(16, default=0)
    mtu: int = bits(32, "octets")


# layout from memory; the tests have a second opinion
@structure(
    "recursive DNS server option", rfc(8106, "5.1"), sizes=range(24, 2041, 16),
    tag="recursive DNS servers",
)  # fmt: skip
class RecursiveDnsServers:
    """Addresses of name servers; ``lifetime`` in seconds, all ones for ever."""

    reserved: int = unused(16, default=0)
    lifetime: int = bits(32, seconds)
    addresses: tuple[IPv6Address, ...] = part(Repeat, Address("addresses", "of a name server"))


OPTIONS = Tagged(
    "ND option",
    CITE,
    {
        1: SourceLinkLayerAddress,
        2: TargetLinkLayerAddress,
        3: PrefixInformation,
        4: RedirectedHeader,
        5: Mtu,
        25: RecursiveDnsServers,
        **lowpan_options.OPTIONS,
    },
    unit=UNIT,
    counts_head=True,
    about="Options of neighbour discovery.",
)
AnyOption = (
    SourceLinkLayerAddress | TargetLinkLayerAddress | PrefixInformation | RedirectedHeader | Mtu | RecursiveDnsServers
    | lowpan_options.AnyOption | UnknownOption
)  # fmt: skip
