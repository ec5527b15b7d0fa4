"""Neighbour discovery: solicitations, advertisements, redirect, duplicate address messages.

RFC 4861 section 4, RFC 6775 section 4.4, RFC 8505 section 4.2. Each layout is what follows the ICMPv6 header:

|     Type      |     Code      |          Checksum             |
|                     fields, as in MESSAGES                    |
|   Options ...
"""

from dataclasses import dataclass
from ipaddress import IPv6Address
from typing import Any

from lowpanbudget.cites import Cite, rfc
from lowpanbudget.errors import RequestError, Reserved
from lowpanbudget.fields import Bits
from lowpanbudget.layers.internet.nd_lowpan import ROVR_OCTETS, registration_fields
from lowpanbudget.layers.internet.nd_options import OPTIONS
from lowpanbudget.layers.internet.parts import Address, Octets, Values
from lowpanbudget.layers.internet.records import Kind, Options, Record

RS, RA, NS, NA, REDIRECT, DAR, DAC = 133, 134, 135, 136, 137, 157, 158
HOP_LIMIT = 255  # RFC 4861 section 6.1: "i.e., the packet could not possibly have been forwarded"


@dataclass(frozen=True, slots=True)
class RouterSolicitation:
    """A Router Solicitation with its options."""

    options: tuple[Any, ...] = ()


@dataclass(frozen=True, slots=True)
class RouterAdvertisement:
    """A Router Advertisement; ``router_lifetime`` in seconds, the timers in milliseconds, 0 for unspecified."""

    cur_hop_limit: int
    router_lifetime: int
    reachable_time: int = 0
    retrans_timer: int = 0
    managed: bool = False
    other: bool = False
    options: tuple[Any, ...] = ()


@dataclass(frozen=True, slots=True)
class NeighborSolicitation:
    """A Neighbor Solicitation for ``target``."""

    target: IPv6Address
    options: tuple[Any, ...] = ()


@dataclass(frozen=True, slots=True)
class NeighborAdvertisement:
    """A Neighbor Advertisement of ``target`` with its flags R, S and O."""

    target: IPv6Address
    router: bool = False
    solicited: bool = False
    override: bool = False
    options: tuple[Any, ...] = ()


@dataclass(frozen=True, slots=True)
class Redirect:
    """A Redirect: ``target`` is the better first hop to ``destination``."""

    target: IPv6Address
    destination: IPv6Address
    options: tuple[Any, ...] = ()


@dataclass(frozen=True, slots=True)
class DuplicateAddressRequest:
    """A DAR, or with ``code`` 1 to 4 an extended one (EDAR) whose ROVR has 8, 16, 24 or 32 octets.

    ``registration_lifetime`` is in units of 60 seconds; ``tid`` means something only in the extended form.
    """

    registered: IPv6Address
    rovr: bytes
    registration_lifetime: int
    status: int = 0
    tid: int = 0
    code: int = 0
    options: tuple[Any, ...] = ()


@dataclass(frozen=True, slots=True)
class DuplicateAddressConfirmation:
    """A DAC or EDAC; fields as in ``DuplicateAddressRequest``."""

    registered: IPv6Address
    rovr: bytes
    registration_lifetime: int
    status: int = 0
    tid: int = 0
    code: int = 0
    options: tuple[Any, ...] = ()


def _codes(name: str) -> dict[int, str]:
    return {0: name} | {
        suffix: f"extended {name}, ROVR of {octets * 8} bits"
        for suffix, octets in enumerate(ROVR_OCTETS, 1)
    }


CODE_SUFFIX = 0x0F  # RFC 8505 section 4.2: "The Code Prefix ... MUST be ignored by the receiver"
DAR_CODES, DAC_CODES = _codes("duplicate address request"), _codes("duplicate address confirmation")
_ROVR_OF = dict(enumerate((ROVR_OCTETS[0], *ROVR_OCTETS)))  # by code suffix


class _Rovr(Octets):
    """The ROVR, "the size of [which] is known from the ICMP Code Suffix"."""

    def read(self, reader: Any, values: Values, cite: Cite) -> bytes:
        suffix = values["code"]
        if suffix not in _ROVR_OF:
            raise Reserved(
                f"code suffix {suffix} is unassigned: the size of the ROVR is unknown",
                offset=reader.pos,
                layer=reader.layer,
                cite=rfc(8505, "9.3"),
            )
        return super().read(reader, values, cite)

    def write(self, writer: Any, value: bytes, values: Values, cite: Cite) -> None:
        if values["code"] not in _ROVR_OF:
            raise RequestError(f"code {values['code']} is unassigned", cite=rfc(8505, "9.3"))
        super().write(writer, value, values, cite)


def _rovr_octets(values: Values, _left: int) -> int:
    return _ROVR_OF[values["code"]]


def _duplicate(name: str, value: type) -> Record:
    return Record(
        name, rfc(8505, "4.2"), value,
        registration_fields(Bits("tid", 8, "transaction id of the extended form")),
        _Rovr("rovr", "EUI-64, or registration ownership verifier", _rovr_octets),
        Address("registered", "the address that is registered"),
        Options(OPTIONS),
    )  # fmt: skip


_NO_CODES = {0: "no code"}
_TARGET = Address("target", "target address")


def _kind(number: int, value: type, record: Record) -> Kind:
    return Kind(number, None, record.name, record.cite, record, value, _NO_CODES, HOP_LIMIT)


MESSAGES = (
    _kind(
        RS, RouterSolicitation,
        Record(
            "router solicitation", rfc(4861, "4.1"), RouterSolicitation,
            (Bits("reserved", 32),), Options(OPTIONS),
        ),
    ),
    _kind(
        RA, RouterAdvertisement,
        Record(
            "router advertisement", rfc(4861, "4.2"), RouterAdvertisement,
            (
                Bits("cur hop limit", 8, lambda value: "hop limit to use" if value else "unspecified"),
                Bits("managed", 1, "M: addresses by DHCPv6"),
                Bits("other", 1, "O: other configuration by DHCPv6"),
                Bits("reserved", 6),
                Bits("router lifetime", 16, lambda value: f"{value} s" if value else "no default router"),
                Bits("reachable time", 32, lambda value: f"{value} ms" if value else "unspecified"),
                Bits("retrans timer", 32, lambda value: f"{value} ms" if value else "unspecified"),
            ),
            Options(OPTIONS),
        ),
    ),
    _kind(
        NS, NeighborSolicitation,
        Record(
            "neighbor solicitation", rfc(4861, "4.3"), NeighborSolicitation,
            (Bits("reserved", 32),), _TARGET, Options(OPTIONS),
        ),
    ),
    _kind(
        NA, NeighborAdvertisement,
        Record(
            "neighbor advertisement", rfc(4861, "4.4"), NeighborAdvertisement,
            (
                Bits("router", 1, "R: the sender is a router"),
                Bits("solicited", 1, "S: answers a solicitation"),
                Bits("override", 1, "O: replaces the cached link address"),
                Bits("reserved", 29),
            ),
            _TARGET, Options(OPTIONS),
        ),
    ),
    _kind(
        REDIRECT, Redirect,
        Record(
            "redirect", rfc(4861, "4.5"), Redirect,
            (Bits("reserved", 32),), Address("target", "the better first hop"),
            Address("destination", "the address that is redirected"), Options(OPTIONS),
        ),
    ),
    # "not subject to the hop limit=255 check as they are forwarded by intermediate 6LRs" (RFC 6775 section 4.4)
    Kind(
        DAR, None, "duplicate address request", rfc(6775, "4.4"),
        _duplicate("duplicate address request", DuplicateAddressRequest),
        DuplicateAddressRequest, DAR_CODES, code_mask=CODE_SUFFIX,
    ),
    Kind(
        DAC, None, "duplicate address confirmation", rfc(6775, "4.4"),
        _duplicate("duplicate address confirmation", DuplicateAddressConfirmation),
        DuplicateAddressConfirmation, DAC_CODES, code_mask=CODE_SUFFIX,
    ),
)  # fmt: skip
