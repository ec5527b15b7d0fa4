"""Where a datagram is cut: one frame when it fits, else fragments (RFC 4944 section 5.3, RFC 6282 section 2)."""

from collections.abc import Iterator
from dataclasses import replace

from lowpanbudget.arguments import number_within, with_flags
from lowpanbudget.bits import Nature, Writer
from lowpanbudget.cites import rfc
from lowpanbudget.declared import as_whole, hint_for_octets
from lowpanbudget.env import Env
from lowpanbudget.errors import DoesNotFit, RequestError, plural, repeated
from lowpanbudget.layers.internet.ipv6 import Ipv6
from lowpanbudget.layers.lowpan import fragment
from lowpanbudget.layers.lowpan.fragment import FRAG1, FRAGN, LARGEST, UNIT, Fragment
from lowpanbudget.stack.outgoing import Outgoing
from lowpanbudget.stack.packing import Options, Packed, pack_headers

LEAST_ROOM = FRAGN.octets + UNIT


def payloads(
    sent: Outgoing,
    env: Env,
    *,
    room: int,
    tag: int = 0,
    options: Options | None = None,
    tail: Writer | None = None,
) -> list[Writer]:
    """Return the 6LoWPAN payloads of a datagram, each of at most ``room`` octets: one, or its fragments in order.

    All compressed headers stand in the first fragment: headers that would not fit there are not compressed; byte code
    (RFC 7400) ends there as well. Cuts are as late as the 8-octet rule allows; the last fragment may have any length.
    ``tail`` explains the end of the datagram: its spans stand in the payloads instead of one for all. Raises
    ``RequestError`` when the datagram is too long for an 11-bit size, ``DoesNotFit`` when the room is too small for any
    fragment.
    """
    options = options or Options()
    octets, number = as_whole(room), number_within(tag, 16)
    if octets is None:
        raise RequestError(f"room {repeated(room)} is no number of octets", cite=fragment.CITE)
    if number is None:
        raise RequestError(f"tag {repeated(tag)} is not a 16-bit number", cite=fragment.CITE)
    room, tag = octets, number
    packed = pack_headers(sent, env, options)
    size = sent.places[-1] + len(sent.payload)
    if packed.cost(size) <= room:
        whole = packed.written()
        whole.append(part(sent.octets, packed.covers, size, tail))
        return [whole]
    if options.ghc:
        plain = payloads(
            sent, env, room=room, tag=tag, options=replace(options, ghc=False), tail=tail
        )
        coded = _coded(
            sent, env, replace(options, lorh=options.lorh and packed.same), room, tag, tail
        )
        return min(plain, coded or plain, key=_air)
    if not packed.same:
        # sizes and offsets speak of the datagram as it comes back: another form would not match
        exact = replace(options, lorh=False)
        return payloads(sent, env, room=room, tag=tag, options=exact, tail=tail)
    if size > LARGEST:
        raise RequestError(
            f"a datagram of {size} octets is over {LARGEST}, the largest datagram_size",
            cite=fragment.CITE,
        )
    if room < LEAST_ROOM:
        raise DoesNotFit(
            f"{_left(room)} cannot carry a fragment: a header of {FRAGN.octets} and "
            f"{UNIT} octets of datagram are the least",
            by=LEAST_ROOM - room,
            cite=fragment.CITE,
        )
    return _fragments(sent, env, options, packed, room, tag, tail)


@with_flags
def split(
    packet: object,
    env: Env,
    *,
    room: int,
    tag: int = 0,
    elide_udp_checksum: bool = False,
    ghc: bool = False,
    lorh: bool = False,
) -> list[bytes]:
    """Return the 6LoWPAN payloads (octets) that carry a datagram: one, or those of its fragments in order.

    ``packet`` is an IPv6 datagram as octets or a scapy packet; ``room`` the octets of 6LoWPAN payload that one frame
    has; ``tag`` the datagram_tag, 0 to 65535. ``elide_udp_checksum``, ``ghc`` and ``lorh`` as in ``compress``. Raises
    ``RequestError`` when the octets are no IPv6 datagram or one of more than 2047 octets (RFC 4944 section 5.3), and
    ``DoesNotFit`` when ``room`` cannot carry the first fragment, or any.
    """
    options = Options(elide_udp_checksum, ghc, lorh)
    sent = Outgoing.read(octets_of(packet))
    writers = payloads(sent, Env.of(env), room=room, tag=tag, options=options)
    return [bytes(writer.data) for writer in writers]


def octets_of(packet: object) -> bytes:
    """Return the octets of a packet given as octets or as an object with ``__bytes__`` (a scapy packet).

    Raises ``RequestError`` for anything else.
    """
    if isinstance(packet, bytes | bytearray | memoryview) or hasattr(packet, "__bytes__"):
        return bytes(packet)
    raise RequestError(
        f"{type(packet).__name__} is neither octets nor a packet", hint=hint_for_octets(packet)
    )


def part(datagram: bytes, start: int, stop: int, tail: Writer | None) -> Writer:
    """Return octets ``start`` to ``stop`` of the datagram, explained by ``tail`` as far as that reaches."""
    writer = Writer("payload")
    begins = len(datagram) - len(tail.data) if tail is not None else len(datagram)
    unexplained = datagram[start : min(stop, begins) if tail is not None else stop]
    nature = Nature.PAYLOAD
    if tail is not None and unexplained:
        writer.layer, nature = "uncompressed headers", Nature.HEADER
    writer.octets(unexplained, writer.layer, "as they stand in the datagram", nature=nature)
    if tail is not None and stop > begins:
        writer.append(tail.slice(max(start, begins) - begins, stop - begins))
    return writer


def fragment_octets(size: int, compressed: int, covers: int, room: int) -> list[int] | None:
    """Return the octets of each fragment that ``payloads`` makes of a datagram of ``size`` octets.

    ``compressed`` octets stand for its first ``covers``. None where that takes more than arithmetic: it goes in one
    frame, its headers do not fit in the first fragment, or it cannot be sent.
    """
    if compressed + size - covers <= room or size > LARGEST or room < LEAST_ROOM:
        return None
    cut = _first_cut(size, compressed, covers, room)
    if cut < covers:
        return None
    octets = [FRAG1.octets + compressed + cut - covers]
    for end in _later_cuts(cut, size, room):
        octets.append(FRAGN.octets + end - cut)
        cut = end
    return octets


def _first_cut(size: int, compressed: int, covers: int, room: int) -> int:
    """Return the longest cut that is a multiple of 8, behind all compressed headers, and within the room."""
    return min(covers + room - FRAG1.octets - compressed, size - 1) // UNIT * UNIT


def _later_cuts(cut: int, size: int, room: int) -> Iterator[int]:
    """Yield where each fragment behind the first ends, which ends at ``cut``."""
    most = (room - FRAGN.octets) // UNIT * UNIT
    while cut < size:
        cut = size if size - cut <= room - FRAGN.octets else cut + most
        yield cut


def _air(writers: list[Writer]) -> tuple[int, int]:
    return len(writers), sum(len(writer.data) for writer in writers)


def _coded(
    sent: Outgoing, env: Env, options: Options, room: int, tag: int, tail: Writer | None
) -> list[Writer] | None:
    """Return the fragments of a datagram, of which byte code goes to the end of the first; None without a way to do so.

    It stands for what the first fragment holds alone: its registers and copies are those of "an L2 packet (= fragment)"
    (RFC 7400 section 2). Of all cuts those come first that make the fewest fragments, then octets.
    """
    from lowpanbudget.layers.lowpan import ghc  # noqa: PLC0415  # few compress payloads

    datagram, at = sent.octets, sent.places[-1]
    headers = pack_headers(sent, env, options, at)
    spare = room - FRAG1.octets - headers.cost(at)
    if len(datagram) > LARGEST or spare < 0:
        return None
    inner = next(one for one in reversed(sent.headers) if isinstance(one, Ipv6))
    dictionary = ghc.dictionary(inner.source.packed, inner.destination.packed)
    lengths = ghc.lengths(sent.payload, dictionary, spare)
    cuts = []
    for cut in range(-(-at // UNIT) * UNIT, len(datagram), UNIT):
        if lengths[cut - at] <= spare:
            later = len(list(_later_cuts(cut, len(datagram), room)))
            cuts.append((later, later * FRAGN.octets + lengths[cut - at] - cut, cut))
    for *_, cut in sorted(cuts):
        packed = pack_headers(sent, env, options, cut)
        if FRAG1.octets + packed.cost(cut) <= room:
            return _pieces(sent, packed, cut, room, tag, tail)
    return None


def _fragments(
    sent: Outgoing,
    env: Env,
    options: Options,
    packed: Packed,
    room: int,
    tag: int,
    tail: Writer | None,
) -> list[Writer]:
    packed, cut = _first(sent, env, options, packed, room)
    return _pieces(sent, packed, cut, room, tag, tail)


def _pieces(
    sent: Outgoing, packed: Packed, cut: int, room: int, tag: int, tail: Writer | None
) -> list[Writer]:
    """Return the fragments of a datagram that is cut there for the first time."""
    first, datagram = Writer(), sent.octets
    fragment.encode(first, Fragment(len(datagram), tag, first=True))
    first.append(packed.written())
    first.append(part(datagram, packed.covers, cut, tail))
    writers = [first]
    for end in _later_cuts(cut, len(datagram), room):
        writer = Writer()
        fragment.encode(writer, Fragment(len(datagram), tag, cut))
        writer.append(part(datagram, cut, end, tail))
        writers.append(writer)
        cut = end
    return writers


def _first(
    sent: Outgoing,
    env: Env,
    options: Options,
    packed: Packed,
    room: int,
) -> tuple[Packed, int]:
    """Return the headers of the first fragment and where the datagram is cut after it."""
    depth, datagram = min(options.depth, len(sent.headers)), sent.octets
    while True:
        cut = _first_cut(len(datagram), packed.octets, packed.covers, room)
        if cut >= packed.covers:
            return packed, cut
        if depth < 0:
            raise DoesNotFit(
                f"{_left(room)} cannot carry the first fragment of this datagram",
                by=packed.covers - cut,
                cite=rfc(6282, "2"),
                hint="Its headers must stand in the first fragment",
            )
        # "any header that cannot fit within the first fragment MUST NOT be compressed"
        depth -= 1
        packed = pack_headers(sent, env, replace(options, depth=depth))


def _left(room: int) -> str:
    """Return in words what there is for a fragment; where the rest of the frame is over already, that."""
    if room >= 0:
        return f"{plural(room, 'octet')} of room"
    return f"a frame whose MAC header and trailer are {plural(-room, 'octet')} over"
