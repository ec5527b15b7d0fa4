"""Recoverable fragments: where a compressed datagram is cut (RFC 8931); put together again it is in ``collected``.

Offsets count octets of the compressed form; nothing has to be a multiple of 8.
"""

from lowpanbudget.bits import Writer
from lowpanbudget.cites import rfc
from lowpanbudget.env import Env
from lowpanbudget.errors import DoesNotFit, RequestError
from lowpanbudget.layers.internet.ipv6 import Ipv6
from lowpanbudget.layers.lowpan import recovery
from lowpanbudget.layers.lowpan.recovery import LARGEST_FRAGMENT, RFRAG, SEQUENCES, Rfrag
from lowpanbudget.stack.outgoing import Outgoing
from lowpanbudget.stack.packing import Options, Packed, pack_headers
from lowpanbudget.stack.split import part
from lowpanbudget.values import replace

SLACK = rfc(8931, "4.1")


def recoverable(
    sent: Outgoing,
    env: Env,
    *,
    room: int,
    tag: int = 0,
    window: int | None = SEQUENCES,
    slack: int | None = None,
    after: Env | None = None,
    options: Options | None = None,
    tail: Writer | None = None,
) -> list[Writer]:
    """Return the 6LoWPAN payloads of a datagram, each at most ``room`` octets: one, or its recoverable fragments.

    The last of every ``window`` fragments, and the last of all, asks for an acknowledgement; with None no fragment
    does. ``slack`` octets stay free in the first fragment, which "MUST have enough slack to enable a less-efficient
    compression in the next hops": None finds out how much by compressing the headers as the next hop would,
    ``after`` this one (None: where nothing is elided against link addresses). ``tail`` as in ``split.payloads``.
    Raises ``RequestError`` for a tag over 8 bits, and ``DoesNotFit`` when the room is too small for the first
    fragment or the datagram needs more than 32 fragments.
    """
    options = options or Options()
    if not 0 <= tag <= 0xFF:
        raise RequestError(f"tag {tag} is not an 8-bit number", cite=recovery.CITE)
    if window is not None and window < 1:
        raise RequestError(f"a window of {window} fragments is none", cite=rfc(8931, "6"))
    datagram = sent.octets
    packed = pack_headers(sent, env, options)
    if packed.cost(len(datagram)) <= room:
        whole = packed.written()
        whole.append(part(datagram, packed.covers, len(datagram), tail))
        return [whole]
    # byte code over the whole payload would be cut, and its headers do not stand in the first fragment alone
    options = replace(options, ghc=False)
    most = min(room - RFRAG.octets, LARGEST_FRAGMENT)
    there = env.between(None, None) if after is None else after
    packed, first = _first(sent, env, options, most, slack, there)
    compressed = packed.written()
    compressed.append(part(datagram, packed.covers, len(datagram), tail))
    size = len(compressed.data)
    holds = first + (SEQUENCES - 1) * most
    if size > holds:
        raise DoesNotFit(
            f"a compressed datagram of {size} octets needs more than {SEQUENCES} fragments of {most}",
            by=size - holds,
            cite=recovery.CITE,
        )
    cuts = [0, *range(first, size, most), size]
    return [
        _fragment(compressed, cuts[n], cuts[n + 1], n, tag, window) for n in range(len(cuts) - 1)
    ]


def _first(
    sent: Outgoing, env: Env, options: Options, most: int, slack: int | None, there: Env
) -> tuple[Packed, int]:
    """Return the headers, compressed as far as the first fragment allows, and how many octets that fragment takes.

    "any header that cannot fit within the first fragment MUST NOT be compressed" (RFC 8931 section 3).
    """
    depth = min(options.depth, len(sent.headers))
    while True:
        options = replace(options, depth=depth)
        packed = pack_headers(sent, env, options)
        free = _slack(sent, there, options, packed) if slack is None else slack
        first = most - free
        if first >= packed.octets:
            return packed, first
        if depth <= 0:  # an IPv6 header as it is takes still more
            raise DoesNotFit(
                f"{most + RFRAG.octets} octets of room cannot carry the headers in a first fragment",
                by=packed.octets - first,
                cite=SLACK,
            )
        depth -= 1


def _slack(sent: Outgoing, there: Env, options: Options, packed: Packed) -> int:
    """Return how many octets the headers grow at the next hop: identifiers in line, and another hop limit."""
    first, *rest = sent.headers
    assert isinstance(first, Ipv6)
    forwarded = replace(first, hop_limit=max(first.hop_limit - 1, 1))
    onwards = pack_headers(replace(sent, headers=(forwarded, *rest)), there, options)
    octets = len(sent.octets)
    return max(onwards.cost(octets) - packed.cost(octets), 0)


def _fragment(
    compressed: Writer, start: int, end: int, sequence: int, tag: int, window: int | None
) -> Writer:
    size = len(compressed.data)
    asks = window is not None and (end == size or (sequence + 1) % window == 0)
    offset = None if sequence == 0 else start
    writer = Writer()
    recovery.encode(
        writer,
        Rfrag(tag, sequence, end - start, offset or 0, size if offset is None else None, asks),
    )
    writer.append(compressed.slice(start, end))
    return writer
