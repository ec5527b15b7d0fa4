"""A 6LoWPAN payload read from its first dispatch on (RFC 4944 section 5, RFC 8025, RFC 8138), and fragments joined.

With ``second_decoder`` this is a second reader of everything that a frame may carry for 6LoWPAN. It raises ``Refused``.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from ipaddress import IPv6Network

from second.legacy import expanded
from second.routes import Routes, restored
from second.tape import Refused, Tape
from second_decoder import between, header, link_bits


@dataclass(frozen=True)
class Around:
    """What a payload is read with beside its octets."""

    source: bytes | None = None
    destination: bytes | None = None
    prefixes: Mapping[int, IPv6Network] = field(default_factory=dict)
    pan_id: int | None = None
    root: bytes | None = None
    rpi_type: int = 0x63


@dataclass(frozen=True)
class Piece:
    """A fragment: whose, where, its octets. ``size`` counts octets of IPv6, or compressed ones if ``recoverable``."""

    around: Around
    tag: int
    size: int | None
    offset: int
    octets: bytes
    first: bool
    recoverable: bool = False
    sequence: int = 0
    wants_answer: bool = False
    congestion: bool = False
    abort: bool = False


@dataclass
class Front:
    """What stands before a datagram or a fragment was read: the tape behind it, the page, whose addresses count."""

    tape: Tape
    around: Around
    page: int = 0
    layer_2: bool = True  # no Page 1 was switched to yet


def front(octets: bytes, around: Around, tail: bytes = b"", *, in_fragment: bool = False) -> Front:
    """Read mesh and broadcast header in their order, and page switches (RFC 8025 section 4: both before Page 1).

    Behind a fragment header neither may stand (RFC 4944 section 5).
    """
    tape = Tape(octets, tail)
    state, met = Front(tape, around), 2 if in_fragment else 0
    while True:
        if tape.starts("1111"):
            state.page = int(tape.take(8)[4:], 2)
            state.layer_2 = state.layer_2 and state.page != 1
        elif state.page == 0 and state.layer_2 and met == 0 and tape.starts("10"):
            met = 1
            tape.take(2)
            short = tape.take(1), tape.take(1)
            if tape.take(4) == "1111":
                tape.take(8)
            originator, final = (tape.octets(2 if bit == "1" else 8) for bit in short)
            state.around = replace(around, source=originator, destination=final)
        elif state.page == 0 and state.layer_2 and met < 2 and tape.starts("01010000"):
            met = 2
            tape.take(16)
        else:
            return state


def datagram(
    octets: bytes, around: Around, tail: bytes = b"", *, in_fragment: bool = False
) -> bytes:
    """Return the IPv6 datagram of a payload that is no fragment; ``tail`` is what later fragments brought."""
    state = front(octets, around, tail, in_fragment=in_fragment)
    tape, around, page, routes = state.tape, state.around, state.page, Routes()
    while tape.starts("1111") or (page == 1 and tape.starts("10")):
        if tape.starts("1111"):
            page = int(tape.take(8)[4:], 2)
        else:
            routes.take(tape)
    if page < 2 and tape.starts("011"):
        link = around.source, around.destination
        if routes.any_of_them:
            return restored(tape, routes, link, around.prefixes, around.root, around.rpi_type)
        return header(tape, between(link_bits(link[0]), link_bits(link[1])), around.prefixes)
    if page or routes.any_of_them:
        raise Refused("no LOWPAN_IPHC in this page")
    dispatch = tape.take(8)
    if dispatch == "01000001":
        whole = tape.rest()
        if len(whole) < 40 or whole[0] >> 4 != 6:
            raise Refused("no IPv6 header")
        return whole
    if dispatch == "01000010":
        return expanded(tape, around.source, around.destination, around.pan_id)
    raise Refused("no dispatch that leads to a datagram")


def piece(octets: bytes, around: Around) -> Piece:
    """Return the fragment that a payload is."""
    state = front(octets, around)
    tape, around = state.tape, state.around
    if state.page or not state.layer_2:
        raise Refused("RFC 8025 section 4: fragment headers stand before Page 1")
    if tape.starts("11000") or tape.starts("11100"):
        first = tape.take(5) == "11000"
        size, tag = tape.number(11), tape.number(16)
        offset = 0 if first else 8 * tape.number(8)
        rest = tape.here()
        if not rest or size < 40:
            raise Refused("no octets, or none of an IPv6 datagram")
        if not first and offset + len(rest) > size:
            raise Refused("beyond the datagram")
        return Piece(around, tag, size, offset, rest, first)
    if tape.take(7) != "1110100":
        raise Refused("no fragment")
    congestion, tag = tape.take(1) == "1", tape.number(8)
    wants_answer, sequence = tape.take(1) == "1", tape.number(5)
    length, offset = tape.number(10), tape.number(16)
    rest = tape.here()
    if len(rest) != length:
        raise Refused("Fragment_Size")
    first = sequence == 0
    whole = offset if first else None
    if offset and (length == 0 or (first and length > offset)):
        raise Refused("no octets, or more than the datagram has")
    return Piece(
        around, tag, whole, 0 if first else offset, rest, first, True, sequence, wants_answer,
        congestion, abort=offset == 0,
    )  # fmt: skip


def acknowledged(octets: bytes, around: Around) -> tuple[int, bool, set[int]]:
    """Return tag, congestion and the sequences that an RFRAG-ACK names (RFC 8931 section 5.2)."""
    tape = front(octets, around).tape
    if tape.take(7) != "1110101":
        raise Refused("no RFRAG-ACK")
    congestion, tag, bitmap = tape.take(1) == "1", tape.number(8), tape.take(32)
    if tape.here():
        raise Refused("'a standalone fragment header'")
    return tag, congestion, {place for place, bit in enumerate(bitmap) if bit == "1"}


def covered(first: Piece) -> int:
    """Return how many octets of the datagram RFC 4944's first fragment stands for."""
    return len(datagram(first.octets, first.around, in_fragment=True))


def joined(pieces: Iterable[Piece]) -> bytes:
    """Return the datagram that these fragments are; they come in any order, without overlap or gap."""
    ordered = sorted(pieces, key=lambda one: one.offset)
    first = ordered[0]
    if first.offset or (first.recoverable and not first.first):
        raise Refused("no first fragment")
    recoverable = first.recoverable
    place = covered(first) if first.first and not recoverable else len(first.octets)
    for other in ordered[1:]:
        if other.offset != place:
            raise Refused("a gap, or an overlap")
        place += len(other.octets)
    if place != first.size:
        raise Refused("not as long as announced")
    tail = b"".join(other.octets for other in ordered[1:])
    if recoverable:
        return datagram(first.octets + tail, first.around, in_fragment=True)
    if not first.first:  # FRAGN at offset 0: octets of the datagram as they are
        return first.octets + tail
    return datagram(first.octets, first.around, tail, in_fragment=True)
