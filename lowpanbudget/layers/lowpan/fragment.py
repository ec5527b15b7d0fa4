"""FRAG1 and FRAGN: the fragment headers (RFC 4944 section 5.3).

    |1 1 0 0 0|    datagram_size    |         datagram_tag          |
    |1 1 1 0 0|    datagram_size    |         datagram_tag          |datagram_offset|

Size and offset speak of the *uncompressed* datagram (RFC 6282 section 2 keeps that), the offset in units of 8 octets.
"""

from typing import NamedTuple

from lowpanbudget.bits import Reader, Writer
from lowpanbudget.cites import rfc
from lowpanbudget.errors import Malformed, RequestError
from lowpanbudget.fields import Bits, Header, stated_by
from lowpanbudget.layers.internet import ipv6
from lowpanbudget.values import dataclass

CITE = rfc(4944, "5.3")
UNIT = 8
LARGEST = (1 << 11) - 1
TIMEOUT_S = 60  # "The reassembly timeout MUST be set to a maximum of 60 seconds"

_SIZE = Bits("datagram_size", 11, "octets of the datagram before compression")
_TAG = Bits("datagram_tag", 16, "the same for all fragments of a datagram", free=True)
FRAG1 = Header("FRAG1", CITE, (Bits("dispatch", 5, "first fragment", fixed=0b11000), _SIZE, _TAG))
FRAGN = Header(
    "FRAGN",
    CITE,
    (
        Bits("dispatch", 5, "subsequent fragment", fixed=0b11100),
        _SIZE,
        _TAG,
        Bits("datagram_offset", 8, lambda value: f"octet {value * UNIT} of the datagram"),
    ),
)


# A size over 11 bits that a sender lets run into the dispatch: FRAG1 then reads 11001xxx, FRAGN 11101xxx.
_SPILLED = Header(
    "fragment", CITE, (Bits("dispatch", 4, "its first four bits"), Bits("datagram_size", 12))
)
_SPILLED_FRAGN = 0b1110
_SPILLED_DISPATCHES = {0b1100, _SPILLED_FRAGN}


def spilled_size(octets: bytes, at: int = 0) -> int | None:
    """Return the size that spilled from its 11 bits into the dispatch at octet ``at``; None where none did.

    The same octets may be a recoverable fragment (RFC 8931). A FRAGN starts behind the IPv6 header, which the first
    fragment brings; what would start within it is none.
    """
    values = _SPILLED.values_at(octets, at)
    size = values["datagram_size"]
    if values["dispatch"] not in _SPILLED_DISPATCHES or size <= LARGEST:
        return None
    if values["dispatch"] == _SPILLED_FRAGN and len(octets) >= at + FRAGN.octets:
        offset = FRAGN.values_at(octets, at)["datagram_offset"] * UNIT
        return None if offset < ipv6.OCTETS else size
    return size


class SizeImpossible(NamedTuple):
    """What an error is about: a datagram_size that cannot be (RFC 4944 section 5.3)."""

    size: int


class SizeTooSmall(NamedTuple):
    """What an error is about: a first fragment that stands for more octets than the datagram has.

    Source: RFC 4944 section 5.3.
    """

    octets: int
    size: int


class OffsetBeyond(NamedTuple):
    """What an error is about: a fragment whose place, in octets, lies outside the datagram.

    Source: RFC 4944 section 5.3.
    """

    offset: int


class EndBeyond(NamedTuple):
    """What an error is about: a fragment that begins inside the datagram and ends outside of it.

    Source: RFC 4944 section 5.3.
    """

    offset: int
    end: int
    size: int


class HeadersCut(NamedTuple):
    """What an error is about: a first fragment, recoverable or not, that ends within its compressed headers.

    It brings ``octets`` of them. All compressed headers stand in the first one (RFC 6282 section 2).
    """

    octets: int


@stated_by(lambda fragment: FRAG1 if fragment.first else FRAGN)
@dataclass(frozen=True, slots=True)
class Fragment:
    """A fragment header (RFC 4944 section 5.3): ``size`` and ``offset`` in octets of the uncompressed datagram."""

    size: int
    tag: int
    offset: int = 0
    first: bool = False


def decode(reader: Reader) -> Fragment:
    """Return the fragment header that comes next.

    Raises ``Malformed`` when the size cannot hold an IPv6 header or the offset lies beyond it.
    """
    start = reader.pos
    reader.need(1, "the fragment header", CITE)
    first = FRAG1.starts(reader.data, start)
    values, _ = (FRAG1 if first else FRAGN).read(reader)
    size = values["datagram_size"]
    offset = values.get("datagram_offset", 0) * UNIT
    if size < ipv6.OCTETS:
        raise reader.fault(
            Malformed,
            f"datagram_size {size} cannot hold the {ipv6.OCTETS} octets of an IPv6 header",
            CITE,
            at=start,
            about=SizeImpossible(size),
        )
    if offset >= size:
        raise reader.fault(
            Malformed,
            f"datagram_offset {offset} lies beyond datagram_size {size}",
            CITE,
            at=start,
            about=OffsetBeyond(offset),
        )
    return Fragment(size, values["datagram_tag"], offset, first)


def encode(writer: Writer, fragment: Fragment) -> None:
    """Append the fragment header; raises ``RequestError`` for what its fields cannot hold, or have no place for."""
    values = {"datagram_size": fragment.size, "datagram_tag": fragment.tag}
    if fragment.first:
        if fragment.offset:
            raise RequestError(
                f"Fragment.offset {fragment.offset}: a first fragment has no datagram_offset",
                cite=CITE,
                hint="Leave the offset out, or first=True",
            )
        FRAG1.write(writer, values)
    elif fragment.offset % UNIT:
        below = fragment.offset // UNIT * UNIT
        raise RequestError(
            f"Fragment.offset {fragment.offset} is no multiple of {UNIT}", cite=CITE,
            hint=f"Cut the datagram at octet {below} or {below + UNIT}",
        )  # fmt: skip
    else:
        FRAGN.write(writer, values | {"datagram_offset": fragment.offset // UNIT})
