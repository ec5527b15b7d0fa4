"""IPHC's address modes: SAC and SAM, M, DAC and DAM with all their rows (RFC 6282 sections 3.1.1 and 3.2.2 to 3.2.4).

SAC and SAM are adjacent bits, as are M, DAC and DAM: each address is one choice of 8 or 16 rows. The functions work on
bits: a context may have any length, and "Bits covered by context information are always used".
"""

from functools import lru_cache, partial
from ipaddress import IPv6Address
from typing import NamedTuple

from lowpanbudget.cites import rfc
from lowpanbudget.env import IID_MASK, SHORT_IID, Context, Contexts, GoneContext
from lowpanbudget.errors import Malformed, WireError
from lowpanbudget.fields import (
    BY_RULE,
    CONTEXT,
    IN_LINE,
    LINE,
    LINK,
    RULE,
    Choice,
    Restore,
    Row,
    Use,
)

BASE = rfc(6282, "3.1.1")
IDENTIFIERS = rfc(6282, "3.2.2")
RUNS_OUT = rfc(6775, "5.4.3")
LINK_LOCAL = Context("fe80::/64")
_MOST_ADDRESSES = 2048  # that are remembered
_MULTICAST = 0xFF


class UnknownContext(NamedTuple):
    """What an error is about: a context that is used and not known, by its number; or ``gone``, no longer.

    Source: RFC 6282 section 3.1.1, RFC 6775 section 5.4.3.
    """

    context_id: int
    gone: GoneContext | None = None


class UnknownRoot(NamedTuple):
    """What an error is about: the address of the root, which others are compressed against, is not known.

    Source: RFC 8138 section 4.3.2.
    """


class UnknownLinkAddress(NamedTuple):
    """What an error is about: an address that is elided against a header or a tunnel that does not tell it.

    Source: RFC 6282 section 3.2.2.
    """


class Side(NamedTuple):
    """What one address may lean on: an identifier from the encapsulating header, and a context, or one that is gone."""

    iid: int | None
    context: Context | None
    context_id: int = 0
    gone: GoneContext | None = None


def side_of(iid: int | None, contexts: Contexts, number: int) -> Side:
    """Return what an address may lean on under a context of this number."""
    return Side(iid, contexts.get(number), number, contexts.gone(number))


_address = lru_cache(_MOST_ADDRESSES)(IPv6Address)  # those of a network come again and again


def _prefix(side: Side, *, stateful: bool) -> Context:
    if not stateful:
        return LINK_LOCAL
    if side.context is None:
        raise _no_context(side.context_id, side.gone)
    return side.context


def _no_context(number: int, gone: GoneContext | None) -> WireError:
    about = UnknownContext(number, gone)
    if gone is None:
        hint = f"Give the prefix that it stands for as a context, such as {number}=2001:db8::/64"
        return WireError(f"context {number} is not known", hint=hint, about=about)
    hint = (
        "Let its router announce it again in time; to read this all the same give its prefix as a context: "
        f"{number}={gone.prefix}"
    )
    return WireError(f"context {number} {gone.why}", hint=hint, about=about, cite=RUNS_OUT)


def _join(prefix: Context, iid: int) -> int:
    """Return prefix and identifier as one address: covered bits win, bits covered by nothing are zero."""
    return prefix.value | (iid & IID_MASK & ~prefix.mask)


def _restores_unicast(*, stateful: bool, width: int) -> Restore:
    """Return what restores an address of which so many octets are in line, under a context or fe80::/64."""
    if not stateful:
        return _restores_link_local(width)
    short = SHORT_IID if width == 2 else 0

    def from_line(octets: bytes, side: Side) -> IPv6Address:
        prefix = _prefix(side, stateful=True)
        return _address(_join(prefix, short | int.from_bytes(octets, "big")))

    def from_link(_octets: bytes, side: Side) -> IPv6Address:
        prefix, iid = _prefix(side, stateful=True), side[0]
        if iid is None and not IID_MASK & ~prefix.mask:
            iid = 0  # a context of 128 bits leaves nothing to the link address
        if iid is None:
            raise _no_link_address()
        return _address(_join(prefix, iid))

    return from_line if width else from_link


def _restores_link_local(width: int) -> Restore:
    """Return the same under fe80::/64, which every frame without contexts has: its prefix leaves all 64 bits."""
    prefix = LINK_LOCAL.value
    before = prefix | SHORT_IID if width == 2 else prefix

    def from_line(octets: bytes, _side: object) -> IPv6Address:
        return _address(before | int.from_bytes(octets, "big"))

    def from_link(_octets: bytes, side: Side) -> IPv6Address:
        iid = side[0]
        if iid is None:
            raise _no_link_address()
        return _address(prefix | iid)

    return from_line if width else from_link


def _no_link_address() -> WireError:
    return WireError(
        "the address is elided and the link address it comes from is not known",
        cite=IDENTIFIERS,
        hint="Give the link addresses of the hop: source, destination",
        about=UnknownLinkAddress(),
    )


def _fit_unicast(value: IPv6Address, side: Side, *, stateful: bool, width: int) -> bytes | None:
    if stateful and (side.context is None or not side.context.may_compress):
        return None
    prefix = _prefix(side, stateful=stateful)
    whole = int(value)
    if whole >> 120 == _MULTICAST:
        return None
    if width == 0:
        iid = side.iid if side.iid is not None else 0
        if side.iid is None and IID_MASK & ~prefix.mask:
            return None
        return b"" if _join(prefix, iid) == whole else None
    tail = whole & ((1 << width * 8) - 1)
    iid = tail if width == 8 else SHORT_IID | tail
    return tail.to_bytes(width, "big") if _join(prefix, iid) == whole else None


def may_lean_on(context: Context, value: IPv6Address) -> bool:
    """Return whether any row under a context may carry an address, before each is asked: most addresses are not of it.

    A multicast address holds the prefix in its middle.
    """
    whole = int(value)
    return whole & context.mask == context.value or whole >> 120 == _MULTICAST


def _fit_full(value: IPv6Address, _side: Side, *, multicast: bool | None) -> bytes | None:
    if multicast is not None and (int(value) >> 120 == _MULTICAST) != multicast:
        return None
    return value.packed


def _restore_full(octets: bytes, _side: Side) -> IPv6Address:
    return IPv6Address(octets)


def _fit_unspecified(value: IPv6Address, _side: Side) -> bytes | None:
    return None if int(value) else b""


def _restore_unspecified(_octets: bytes, _side: Side) -> IPv6Address:
    return IPv6Address(0)


def _restore_multicast(octets: bytes, _side: Side, *, width: int) -> IPv6Address:
    if width == 1:
        return IPv6Address(0xFF02 << 112 | octets[0])
    return IPv6Address(0xFF << 120 | octets[0] << 112 | int.from_bytes(octets[1:], "big"))


def _fit_multicast(value: IPv6Address, side: Side, *, width: int) -> bytes | None:
    packed = value.packed
    if packed[0] != _MULTICAST:
        return None
    octets = packed[15:] if width == 1 else packed[1:2] + packed[17 - width :]
    return octets if _restore_multicast(octets, side, width=width) == value else None


def _restore_prefix_multicast(octets: bytes, side: Side) -> IPv6Address:
    prefix = _prefix(side, stateful=True)
    if prefix.prefix.prefixlen > 64:
        raise Malformed(
            f"context {side.context_id} has {prefix.prefix.prefixlen} bits; a multicast address "
            "holds at most 64 of a prefix",
            cite=rfc(3306, "4"),
        )
    head = 0xFF << 24 | octets[0] << 16 | octets[1] << 8 | prefix.prefix.prefixlen
    return IPv6Address(head << 96 | (prefix.value >> 64) << 32 | int.from_bytes(octets[2:], "big"))


def _fit_prefix_multicast(value: IPv6Address, side: Side) -> bytes | None:
    context = side.context
    if context is None or not context.may_compress or context.prefix.prefixlen > 64:
        return None
    packed = value.packed
    octets = packed[1:3] + packed[12:]
    return octets if _restore_prefix_multicast(octets, side) == value else None


def _carried(name: str, octets: int, before: str = "", *sources: str) -> tuple[Use, ...]:
    """Return what an address comes from that has some of its octets in line, ``before`` told first."""
    line = f"{octets * 8} bits {IN_LINE}"
    return (Use(name, (name,), before + line, (LINE, *sources)),)


# An address that is no link-local one gets smaller under a context alone: as fe80::/64 it would be another address
_UNDER_CONTEXT = "under a context"


def _unicast_rows(first: int, name: str, *, stateful: bool) -> tuple[Row, ...]:
    under = "a context" if stateful else "fe80::/64"
    prefix = "{context}; " if stateful else f"{LINK_LOCAL.prefix} {BY_RULE}; "
    of = CONTEXT if stateful else RULE
    uses = {
        8: _carried(name, 8, prefix, of),
        2: _carried(name, 2, f"{prefix}identifier 0000:00ff:fe00:XXXX {BY_RULE}, ", of, RULE),
        0: (Use(name, (), prefix + "identifier from {link}", (of, LINK)),),
    }
    return tuple(
        Row(
            first + code,
            width,
            needs.format(under=under),
            BASE if width else IDENTIFIERS,
            partial(_fit_unicast, stateful=stateful, width=width),
            _restores_unicast(stateful=stateful, width=width),
            family=_UNDER_CONTEXT if stateful else "link-local",
            uses=uses[width],
        )
        for code, width, needs in (
            (1, 8, "the prefix is {under}; 64 bits in line"),
            (2, 2, "the prefix is {under} and the identifier 0000:00ff:fe00:XXXX"),
            (3, 0, "the prefix is {under} and the rest follows from the encapsulating header"),
        )
    )


def _reserved(*codes: int) -> tuple[Row, ...]:
    return tuple(Row(code, 0, "reserved", BASE) for code in codes)


_SOURCE, _DESTINATION = "source address", "destination address"
SOURCE = Choice(
    "source",
    "source address mode (SAC SAM)",
    3,
    (
        Row(
            0b000, 16, "any address, 128 bits in line", BASE,
            partial(_fit_full, multicast=None), _restore_full, family=_UNDER_CONTEXT,
            uses=_carried(_SOURCE, 16),
        ),
        *_unicast_rows(0b000, _SOURCE, stateful=False),
        Row(
            0b100, 0, "the address is unspecified (::)", BASE,
            _fit_unspecified, _restore_unspecified, family="unspecified",
            uses=(Use(_SOURCE, (), f":: {BY_RULE}", (RULE,)),),
        ),
        *_unicast_rows(0b100, _SOURCE, stateful=True),
    ),
    _SOURCE,
)  # fmt: skip

DESTINATION = Choice(
    "destination",
    "destination address mode (M DAC DAM)",
    4,
    (
        Row(
            0b0000, 16, "any unicast address, 128 bits in line", BASE,
            partial(_fit_full, multicast=False), _restore_full, family=_UNDER_CONTEXT,
            uses=_carried(_DESTINATION, 16),
        ),
        *_unicast_rows(0b0000, _DESTINATION, stateful=False),
        *_reserved(0b0100),
        *_unicast_rows(0b0100, _DESTINATION, stateful=True),
        Row(
            0b1000, 16, "any multicast address, 128 bits in line", BASE,
            partial(_fit_full, multicast=True), _restore_full, family="multicast",
            uses=_carried(_DESTINATION, 16),
        ),
        *(
            Row(
                0b1000 + code, width, f"the multicast address has the form {form}", rfc(6282, "3.2.3"),
                partial(_fit_multicast, width=width), partial(_restore_multicast, width=width),
                family="multicast",
                uses=_carried(_DESTINATION, width, f"its form {BY_RULE}; ", RULE),
            )
            for code, width, form in (
                (1, 6, "ffXX::00XX:XXXX:XXXX"), (2, 4, "ffXX::00XX:XXXX"), (3, 1, "ff02::00XX"),
            )
        ),
        Row(
            0b1100, 6, "the multicast address holds a context's prefix (ffXX:XXLL:P:P:P:P:XXXX:XXXX)",
            rfc(6282, "3.2.4"), _fit_prefix_multicast, _restore_prefix_multicast,
            family="multicast",
            uses=_carried(_DESTINATION, 6, "prefix from {context}; ", CONTEXT),
        ),
        *_reserved(0b1101, 0b1110, 0b1111),
    ),
    _DESTINATION,
)  # fmt: skip
