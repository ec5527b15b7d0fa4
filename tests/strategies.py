"""What the properties are tried on: surroundings, addresses that come near every mode, and datagrams.

Nothing here asks the package how a thing is encoded.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cache
from ipaddress import IPv6Address, IPv6Network
from itertools import combinations, product
from typing import Any, TypeVar

import second_decoder
from hypothesis import strategies as st

from lowpanbudget import Context, Env

T = TypeVar("T")
LENGTHS = (
    0,
    1,
    32,
    48,
    63,
    64,
    65,
    96,
    112,
    127,
    128,
)  # every kind of place where a context may end
OPTIONS, ROUTING, FRAGMENT, MOBILITY = (0, 60), 43, 44, 135
UDP = 17


# A strategy that is made at each draw is looked through at each draw, and one in another costs as much as what it
# draws: strategies are made once, what belongs together is one draw from a table, and what needs values drawn before
# is a plain function of ``draw``.


def table_of(*columns: Iterable[Any]) -> st.SearchStrategy[Any]:
    """Return one of each column, as one draw."""
    return st.sampled_from(list(product(*columns)))


def choose(draw: st.DrawFn, choices: Sequence[T]) -> T:
    """Return one of a few values that were drawn before."""
    return choices[draw(st.integers(0, len(choices) - 1))]


TWO_OCTETS = st.binary(min_size=2, max_size=2)
EIGHT_OCTETS = st.binary(min_size=8, max_size=8)
LINK_ADDRESSES = st.one_of(
    st.sampled_from([None, b"\x00\x01", bytes.fromhex("02005eef10000001")]),
    TWO_OCTETS,
    EIGHT_OCTETS,
)
STARTS = (0x20010DB8 << 96, 0x20010DB8_00000001 << 64, 0xFE80 << 112, 0xFF02 << 112, 0)
CONTEXTS = table_of(
    STARTS, (0, 0xFF_FE00_0000, 1 << 64), range(8), LENGTHS, (True, True, True, False)
)
NUMBERS = st.sampled_from([numbers for n in range(4) for numbers in combinations((0, 1, 15), n)])


@cache
def _context(start: int, middle: int, last: int, length: int, may_compress: bool) -> Context:
    """Return a context whose prefix has an awkward length; many share their first bits."""
    return Context(IPv6Network((start | middle | last, length), strict=False), may_compress)


def environment(draw: st.DrawFn) -> Env:
    """Return link addresses and up to three contexts, some of which may not be used for compression."""
    contexts = {number: _context(*draw(CONTEXTS)) for number in draw(NUMBERS)}
    return Env(draw(LINK_ADDRESSES), draw(LINK_ADDRESSES), contexts=contexts)


surroundings = st.composite(environment)


def prefixes_for_expanding(env: Env) -> dict[int, IPv6Network]:
    return {number: context.prefix for number, context in env.contexts.items()}


def prefixes_for_compressing(env: Env) -> dict[int, IPv6Network]:
    """Return the contexts that a compressor may use: to a judge of what it sent, there are no others."""
    return {n: context.prefix for n, context in env.contexts.items() if context.may_compress}


TAILS = table_of(
    (False, True), ("link", "short", "two", "eight"), (False, True), (0, 0, 0, 1 << 64, 1 << 127, 1)
)
LINK_LOCAL = IPv6Network("fe80::/64")
GROUPS = table_of((0x02, 0x05, 0x12, 0x3E, 0xFF), (False, True), (1, 8, 9, 24, 25, 40, 41, 112))
UP_TO = {bits: st.integers(0, 1 << bits) for bits in (1, 8, 9, 24, 25, 40, 41, 112)}
OCTET = st.integers(0, 255)


def addresses(draw: st.DrawFn, env: Env, link: bytes | None, *, multicast: bool) -> IPv6Address:
    """Return an address near the modes of section 3.1.1: under a prefix, with some identifier."""
    is_group, kind, whole, odd = draw(TAILS)
    if is_group and multicast:
        return IPv6Address(multicast_values(draw, env))
    tail = link if kind == "link" else b"\x00\x01"
    if kind == "two":
        tail = draw(TWO_OCTETS)
    elif kind == "eight":
        tail = draw(EIGHT_OCTETS)
    if tail is not None and len(tail) == 8 and whole:
        iid = int.from_bytes(tail, "big")
    else:
        iid = int(second_decoder.link_bits(tail) or "0", 2)
    known = [context.prefix for context in env.contexts.values()]
    prefix = choose(draw, [LINK_LOCAL, *known, *known, None])
    if prefix is None:
        value = choose(draw, (0, 1, 1 << 127, iid, (1 << 128) - 1 - (0xFF << 120)))
    else:
        value = int(prefix.network_address) | iid & ~int(prefix.netmask) & ((1 << 64) - 1)
        value ^= odd
    if not multicast and value >> 120 == 0xFF:
        # "Multicast addresses must not be used as source addresses" (RFC 4291 section 2.7)
        value ^= 1 << 120
    return IPv6Address(value)


def multicast_values(draw: st.DrawFn, env: Env) -> int:
    flags_scope, of_prefix, bits = draw(GROUPS)
    group: int = draw(UP_TO[bits]) & ((1 << 112) - 1)
    known = [context.prefix for context in env.contexts.values()]
    if of_prefix and known:
        prefix = choose(draw, known)
        head = draw(OCTET) << 8 | prefix.prefixlen
        group = head << 96 | int(prefix.network_address) >> 64 << 32 | group & 0xFFFFFFFF
    return 0xFF << 120 | int(flags_scope) << 112 | group


@dataclass(frozen=True)
class Ip:
    """An IPv6 header without its length and next header."""

    traffic_class: int
    flow_label: int
    hop_limit: int
    source: IPv6Address
    destination: IPv6Address

    def datagram(self, next_header: int, payload: bytes) -> bytes:
        first = (6 << 28 | self.traffic_class << 20 | self.flow_label).to_bytes(4, "big")
        rest = len(payload).to_bytes(2, "big") + bytes([next_header, self.hop_limit])
        return first + rest + self.source.packed + self.destination.packed + payload


HEADS = table_of((0, 1, 3, 4, 7, 0x2E, 0xFC, 0xFF), (0, 0, 1, 0xFFFFF), (0, 1, 2, 63, 64, 254, 255))


def ip_header(draw: st.DrawFn, env: Env) -> Ip:
    traffic_class, flow_label, hop_limit = draw(HEADS)
    return Ip(
        traffic_class,
        flow_label,
        hop_limit,
        addresses(draw, env, env.source, multicast=False),
        addresses(draw, env, env.destination, multicast=True),
    )


OPTION_COUNTS = st.integers(0, 5)
PADS = [(0, 0, False)] * 20
OPTION_KINDS = st.sampled_from(
    [*product((1, 0x1E, 0x63), range(10), (False, True)), *PADS, *PADS, *PADS]
)
DATA = [st.binary(min_size=size, max_size=size) for size in range(33)]


def options(draw: st.DrawFn) -> bytes:
    """Return options of RFC 8200 section 4.2, pads among them."""
    made = b""
    for _ in range(draw(OPTION_COUNTS)):
        kind, size, filled = draw(OPTION_KINDS)
        data = draw(DATA[size]) if filled else bytes(size)
        made += bytes([kind, size]) + data if kind else b"\0"
    return made


EXTENSION_KINDS = table_of((0, 60, ROUTING, FRAGMENT, MOBILITY), (False, True))
FRAGMENT_OFFSETS = st.sampled_from([0, 0, 0, 1, 0xFFF8])
ROUTINGS = table_of(range(4), (0, 2, 3, 4), range(3))


def extension(draw: st.DrawFn) -> tuple[int, bytes]:
    """Return an extension header: its number, and its octets after the next-header octet."""
    kind, zeros = draw(EXTENSION_KINDS)
    if kind == FRAGMENT:
        offset = draw(FRAGMENT_OFFSETS)
        return kind, b"\0" + offset.to_bytes(2, "big") + draw(DATA[4])
    if kind in OPTIONS:
        body = options(draw)
        missing = -(2 + len(body)) % 8
        pad = bytes([1, missing - 2]) + bytes(missing - 2) if missing > 1 else bytes(missing)
        body += bytes(missing) if zeros else pad
    else:
        units, of_kind, left = draw(ROUTINGS)
        body = bytes([of_kind, left]) + draw(DATA[units * 8 + 4])
    return kind, bytes([(2 + len(body)) // 8 - 1]) + body


EXTENSION_COUNTS = st.integers(0, 3)
# as often one of the 16 that take four bits as one of the 256 that take eight, and one of any
PORTS = st.sampled_from(
    [*range(0xF0B0, 0xF0C0)] * 16
    + [*range(0xF000, 0xF100)]
    + [0, 5683, 0xF0AF, 0xF0C0, 0xFFFF] * 51
)
WRONGS = table_of((0, 0, 0, 0, 0, 1), (None, None, None, b"\0\0", b"\x12\x34"))
FEW_OCTETS = st.binary(max_size=12)


def extension_chain(draw: st.DrawFn) -> list[tuple[int, bytes]]:
    return [extension(draw) for _ in range(draw(EXTENSION_COUNTS))]


def udp(draw: st.DrawFn, source: bytes, destination: bytes) -> bytes:
    """Return a segment for these pseudo-header addresses; now and then its checksum or length is wrong."""
    data = draw(FEW_OCTETS)
    head = draw(PORTS).to_bytes(2, "big") + draw(PORTS).to_bytes(2, "big")
    more, wrong = draw(WRONGS)
    length = (8 + len(data) + more).to_bytes(2, "big")
    checksum: bytes = wrong or second_decoder.udp_checksum(
        source, destination, head + length + b"\0\0" + data
    )
    return bytes(head + length + checksum + data)


KINDS = [st.sampled_from([UDP, UDP, UDP, 58, 59]), st.sampled_from([UDP, UDP, UDP, 58, 59, 41])]


def datagram(draw: st.DrawFn, env: Env, depth: int = 2) -> bytes:
    """Return a datagram: up to three extension headers, then UDP, IPv6 or something else."""
    ip = ip_header(draw, env)
    chain = extension_chain(draw)
    kind = draw(KINDS[depth > 0])
    if kind == UDP:
        body = udp(draw, ip.source.packed, ip.destination.packed)
    elif kind == 41:
        body = datagram(draw, env, depth - 1)
    else:
        body = draw(FEW_OCTETS)
    for number, octets in reversed(chain):
        body, kind = bytes([kind]) + octets + body, number
    return ip.datagram(kind, body)


@st.composite
def surroundings_and_datagrams(draw: st.DrawFn) -> tuple[Env, bytes]:
    env = environment(draw)
    return env, datagram(draw, env)


@st.composite
def surroundings_and_headers(draw: st.DrawFn) -> tuple[Env, Ip]:
    env = environment(draw)
    return env, ip_header(draw, env)


@st.composite
def segments_and_extensions(
    draw: st.DrawFn, source: bytes, destination: bytes
) -> tuple[bytes, list[tuple[int, bytes]]]:
    return udp(draw, source, destination), extension_chain(draw)


LEADS = tuple(map(bytes.fromhex, (
    "", "41", "41 60", "f0", "f1", "b5 0001 0002", "83", "bf", "50 01", "c0 64 0001",
    "e0 64 0001 05", "42 fb", "40 01", "78 33", "7e 33 f3", "7e 33 e1 06", "7e 33 ee", "7a 77",
    "7e 33 df", "7e 33 d3", "e8 00",
)))  # fmt: skip
# two leads are none, so that of three as many are left out as there were lists without them
BEGINNINGS = table_of((b"", b"", *LEADS), (b"", b"", *LEADS), LEADS).map(b"".join)
NEAR = st.builds(bytes.__add__, BEGINNINGS, st.binary(max_size=60))


@cache
def anything(max_size: int = 140) -> st.SearchStrategy[bytes]:
    return st.one_of(st.binary(max_size=max_size), NEAR)
