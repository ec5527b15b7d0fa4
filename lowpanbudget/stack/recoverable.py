"""Recoverable fragments: where a compressed datagram is cut, and how it is put together again (RFC 8931).

Offsets count octets of the compressed form; nothing has to be a multiple of 8.
"""

from typing import Any

from lowpanbudget.bits import Writer
from lowpanbudget.cites import rfc
from lowpanbudget.env import Env
from lowpanbudget.errors import DoesNotFit, RequestError
from lowpanbudget.layers.internet.ipv6 import Ipv6
from lowpanbudget.layers.lowpan import recovery
from lowpanbudget.layers.lowpan.recovery import LARGEST_FRAGMENT, RFRAG, SEQUENCES, Rfrag
from lowpanbudget.stack.outgoing import Outgoing
from lowpanbudget.stack.packing import Options, Packed, pack_headers
from lowpanbudget.stack.pieces import gaps
from lowpanbudget.stack.split import part
from lowpanbudget.values import dataclass, field, replace

SLACK = rfc(8931, "4.1")


def recoverable(
    sent: Outgoing,
    env: Env,
    *,
    room: int,
    tag: int = 0,
    window: int | None = SEQUENCES,
    slack: int | None = None,
    options: Options | None = None,
    tail: Writer | None = None,
) -> list[Writer]:
    """Return the 6LoWPAN payloads of a datagram, each at most ``room`` octets: one, or its recoverable fragments.

    The last of every ``window`` fragments, and the last of all, asks for an acknowledgement; with None no fragment
    does. ``slack`` octets stay free in the first fragment, which "MUST have enough slack to enable a less-efficient
    compression in the next hops": None finds out how much by compressing the headers as the next hop would. ``tail`` as
    in ``split.payloads``. Raises ``RequestError`` for a tag over 8 bits, and ``DoesNotFit`` when the room is too small
    for the first fragment or the datagram needs more than 32 fragments.
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
    packed, first = _first(sent, env, options, most, slack)
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
    sent: Outgoing, env: Env, options: Options, most: int, slack: int | None
) -> tuple[Packed, int]:
    """Return the headers, compressed as far as the first fragment allows, and how many octets that fragment takes.

    "any header that cannot fit within the first fragment MUST NOT be compressed" (RFC 8931 section 3).
    """
    depth = min(options.depth, len(sent.headers))
    while True:
        options = replace(options, depth=depth)
        packed = pack_headers(sent, env, options)
        free = _slack(sent, env, options, packed) if slack is None else slack
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


def _slack(sent: Outgoing, env: Env, options: Options, packed: Packed) -> int:
    """Return how many octets the headers grow at the next hop: identifiers in line, and another hop limit."""
    first, *rest = sent.headers
    assert isinstance(first, Ipv6)
    forwarded = replace(first, hop_limit=max(first.hop_limit - 1, 1))
    there = pack_headers(
        replace(sent, headers=(forwarded, *rest)), env.between(None, None), options
    )
    octets = len(sent.octets)
    return max(there.cost(octets) - packed.cost(octets), 0)


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


@dataclass(slots=True)
class Collected:
    """What came of one recoverable datagram: at most 32 fragments of at most 1023 octets.

    ``follows``: its first fragment here contradicted one that was open under its tag.
    """

    started_s: float
    size: int | None = None
    parts: dict[int, tuple[int, bytes]] = field(default_factory=dict)
    marks: list[Any] = field(default_factory=list)
    follows: bool = False

    @property
    def received(self) -> int:
        """Return how many octets of the datagram are there, each counted once."""
        return sum(end - start for start, end in self._ranges())

    @property
    def bitmap(self) -> int:
        """Return the bitmap that acknowledges what is there: full once the datagram is whole."""
        return recovery.FULL if self.compressed() is not None else recovery.bitmap_of(self.parts)

    def told_before(self) -> bool:
        """Return whether its end was told before: each of these has one."""
        return False

    def missing(self) -> tuple[tuple[int, int], ...]:
        """Return the ranges (start, end) that are missing, up to the size or, unknown, to the last octet there."""
        return gaps(self._ranges(), self.size)

    def holds(self, header: Rfrag, octets: bytes) -> bool:
        """Return whether this very fragment is there already."""
        same = self.parts.get(header.sequence) == (header.offset, octets)
        return same and (not header.first or header.size == self.size)

    def contradiction(self, header: Rfrag, octets: bytes) -> str:
        """Return why the fragment cannot belong to this datagram, or nothing.

        "An implementation may receive overlapping fragments as the result of retries after an MTU change" (section
        6.1.2); where they overlap, the octets must be the same.
        """
        size = header.size if header.first else self.size
        end = header.offset + len(octets)
        if header.first and self.size not in (None, size):
            return f"a first fragment says {size} octets, another {self.size}"
        if size is not None and max([end, *(at + len(o) for at, o in self.parts.values())]) > size:
            return f"a fragment ends beyond the datagram's {size} octets"
        if header.sequence in self.parts:
            return f"two different fragments have the sequence {header.sequence}"
        for at, piece in self.parts.values():
            low, high = max(at, header.offset), min(at + len(piece), end)
            if low < high and (
                piece[low - at : high - at] != octets[low - header.offset : high - header.offset]
            ):
                return f"overlapping fragments differ in octets {low} to {high - 1}"
        return ""

    def add(self, header: Rfrag, octets: bytes) -> None:
        """Keep a fragment that does not contradict the others."""
        if header.first:
            self.size = header.size
        self.parts[header.sequence] = (header.offset, octets)

    def compressed(self) -> bytes | None:
        """Return the compressed datagram, or None while octets or its size are missing."""
        if self.size is None or self.missing():
            return None
        octets = bytearray(self.size)
        for at, piece in self.parts.values():
            octets[at : at + len(piece)] = piece
        return bytes(octets)

    def _ranges(self) -> list[tuple[int, int]]:
        """Return what is there as ranges without overlap, in order."""
        ranges: list[tuple[int, int]] = []
        for at, piece in sorted(self.parts.values()):
            if ranges and at <= ranges[-1][1]:
                ranges[-1] = (ranges[-1][0], max(ranges[-1][1], at + len(piece)))
            else:
                ranges.append((at, at + len(piece)))
        return ranges
