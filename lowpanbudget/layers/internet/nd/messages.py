"""Neighbour discovery: solicitations, advertisements, redirect, duplicate address messages.

RFC 4861 section 4, RFC 6775 section 4.4, RFC 8505 section 4.2. Each layout is what follows the ICMPv6 header:

|     Type      |     Code      |          Checksum             |
|                     fields of the message                     |
|   Options ...
"""

from ipaddress import IPv6Address
from typing import Any

from lowpanbudget.bits import Reader, Writer
from lowpanbudget.cites import rfc
from lowpanbudget.errors import RequestError, Reserved
from lowpanbudget.fields import (
    Address,
    Drawing,
    OctetString,
    OptionList,
    Values,
    bits,
    outer,
    part,
    structure,
    unused,
)
from lowpanbudget.layers.internet.icmpv6_types import NO_CODES, message_type
from lowpanbudget.layers.internet.nd.lowpan_options import ROVR, ROVR_OCTETS, STATUS, minutes
from lowpanbudget.layers.internet.nd.options import OPTIONS, PREFERENCES, AnyOption

RS, RA, NS, NA, REDIRECT, DAR, DAC = 133, 134, 135, 136, 137, 157, 158
HOP_LIMIT = 255  # RFC 4861 section 6.1: "i.e., the packet could not possibly have been forwarded"
CODE_SUFFIX = 0x0F  # RFC 8505 section 4.2: "The Code Prefix ... MUST be ignored by the receiver"
_ROVR_OF = dict(enumerate((ROVR_OCTETS[0], *ROVR_OCTETS)))  # by code suffix


_PREFERENCES = PREFERENCES | {2: "reserved: taken as medium"}


def _milliseconds(value: int) -> str:
    return f"{value} ms" if value else "unspecified"


@structure("router solicitation", rfc(4861, "4.1"))
class RouterSolicitation:
    """A Router Solicitation with its options."""

    reserved: int = unused(32, default=0)
    options: tuple[AnyOption, ...] = part(OptionList, OPTIONS, default=())


@structure("router advertisement", rfc(4861, "4.2"))
class RouterAdvertisement:
    """A Router Advertisement; ``router_lifetime`` in seconds, the timers in milliseconds, 0 for unspecified.

    H is RFC 6275's (section 7.1); the preference as a default router RFC 4191's (section 2.2, from memory).
    """

    cur_hop_limit: int = bits(8, lambda value: "hop limit to use" if value else "unspecified")
    managed: bool = bits(1, "M: addresses by DHCPv6", default=False)
    other: bool = bits(1, "O: other configuration by DHCPv6", default=False)
    home_agent: bool = bits(1, "H: a home agent of Mobile IPv6", default=False)
    preference: int = bits(2, _PREFERENCES, default=0)
    reserved: int = unused(3, default=0)
    router_lifetime: int = bits(16, lambda value: f"{value} s" if value else "no default router")
    reachable_time: int = bits(32, _milliseconds, default=0)
    retrans_timer: int = bits(32, _milliseconds, default=0)
    options: tuple[AnyOption, ...] = part(OptionList, OPTIONS, default=())


@structure("neighbor solicitation", rfc(4861, "4.3"))
class NeighborSolicitation:
    """A Neighbor Solicitation for ``target``."""

    reserved: int = unused(32, default=0)
    target: IPv6Address = part(Address, "target address")
    options: tuple[AnyOption, ...] = part(OptionList, OPTIONS, default=())


@structure("neighbor advertisement", rfc(4861, "4.4"))
class NeighborAdvertisement:
    """A Neighbor Advertisement of ``target`` with its flags R, S and O."""

    router: bool = bits(1, "R: the sender is a router", default=False)
    solicited: bool = bits(1, "S: answers a solicitation", default=False)
    override: bool = bits(1, "O: replaces the cached link address", default=False)
    reserved: int = unused(29, default=0)
    target: IPv6Address = part(Address, "target address")
    options: tuple[AnyOption, ...] = part(OptionList, OPTIONS, default=())


@structure("redirect", rfc(4861, "4.5"))
class Redirect:
    """A Redirect: ``target`` is the better first hop to ``destination``."""

    reserved: int = unused(32, default=0)
    target: IPv6Address = part(Address, "the better first hop")
    destination: IPv6Address = part(Address, "the address that is redirected")
    options: tuple[AnyOption, ...] = part(OptionList, OPTIONS, default=())


class _Rovr(OctetString):
    """The ROVR, "the size of [which] is known from the ICMP Code Suffix"."""

    def __init__(self, name: str) -> None:
        super().__init__(name, ROVR, count=lambda values: _ROVR_OF.get(values["code"], -1))

    def read(self, reader: Reader, values: Values, layout: Drawing) -> bytes:
        suffix = values["code"]
        if suffix not in _ROVR_OF:
            raise reader.fault(
                Reserved,
                f"code suffix {suffix} is unassigned: the size of the ROVR is unknown",
                rfc(8505, "9.3"),
            )
        return super().read(reader, values, layout)

    def write(self, writer: Writer, value: Any, values: Values, layout: Drawing) -> None:
        if values["code"] not in _ROVR_OF:
            raise RequestError(f"code {values['code']} is unassigned", cite=rfc(8505, "9.3"))
        super().write(writer, value, values, layout)


@structure("duplicate address message", rfc(8505, "4.2"))
class _DuplicateAddress:
    """The fields that request and confirmation share.

    ``code`` 0 is the form of RFC 6775, 1 to 4 the extended one whose ROVR has 8, 16, 24 or 32 octets.
    ``registration_lifetime`` is in units of 60 seconds; ``tid`` means something only in the extended form.
    """

    code: int = outer(default=0)
    status: int = bits(8, STATUS, default=0)
    tid: int = bits(8, "transaction id; reserved in the form of RFC 6775", default=0)
    registration_lifetime: int = bits(16, minutes)
    rovr: bytes = part(_Rovr)
    registered: IPv6Address = part(Address, "the address that is registered")
    options: tuple[AnyOption, ...] = part(OptionList, OPTIONS, default=())


@structure("duplicate address request", rfc(8505, "4.2"))
class DuplicateAddressRequest(_DuplicateAddress):
    """A DAR, or extended an EDAR: asks whether a node may register this address.

    ``registration_lifetime`` is in units of 60 seconds; ``code`` 0 is the form of RFC 6775 section 4.4, 1 to 4 the
    extended one whose ``rovr`` has 8, 16, 24 or 32 octets; ``tid`` means something only there.
    """


@structure("duplicate address confirmation", rfc(8505, "4.2"))
class DuplicateAddressConfirmation(_DuplicateAddress):
    """A DAC, or extended an EDAC: the answer, by its ``status``; all else as in ``DuplicateAddressRequest``."""


def _codes(name: str) -> dict[int, str]:
    return {0: name} | {
        suffix: f"extended {name}, ROVR of {octets * 8} bits"
        for suffix, octets in enumerate(ROVR_OCTETS, 1)
    }


AnyMessage = (
    RouterSolicitation | RouterAdvertisement | NeighborSolicitation | NeighborAdvertisement | Redirect
    | DuplicateAddressRequest | DuplicateAddressConfirmation
)  # fmt: skip
MESSAGES = (
    *(
        message_type(number, value, NO_CODES, hop_limit=HOP_LIMIT)
        for number, value in {
            RS: RouterSolicitation,
            RA: RouterAdvertisement,
            NS: NeighborSolicitation,
            NA: NeighborAdvertisement,
            REDIRECT: Redirect,
        }.items()
    ),
    # "not subject to the hop limit=255 check as they are forwarded by intermediate 6LRs" (RFC 6775 section 4.4)
    message_type(
        DAR, DuplicateAddressRequest, _codes("duplicate address request"),
        code_mask=CODE_SUFFIX, section=rfc(6775, "4.4"),
    ),
    message_type(
        DAC, DuplicateAddressConfirmation, _codes("duplicate address confirmation"),
        code_mask=CODE_SUFFIX, section=rfc(6775, "4.4"),
    ),
)  # fmt: skip
