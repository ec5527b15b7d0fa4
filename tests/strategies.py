"""What the properties are tried on: surroundings, addresses that come near every mode, and datagrams.

Nothing here asks the package how a thing is encoded.
"""

from dataclasses import dataclass
from functools import cache
from ipaddress import IPv6Address, IPv6Network
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


@cache
def _kept(choices: tuple[Any, ...]) -> st.SearchStrategy[Any]:
    return st.sampled_from(choices)


def of(*choices: T) -> st.SearchStrategy[T]:
    """Return one of these, made once: a strategy that is made at each draw is looked through at each draw."""
    return _kept(choices)


@cache
def link_addresses() -> st.SearchStrategy[bytes | None]:
    """Return short and extended link addresses, and None for an unknown one."""
    return st.one_of(
        st.sampled_from([None, b"\x00\x01", bytes.fromhex("02005eef10000001")]),
        st.binary(min_size=2, max_size=2),
        st.binary(min_size=8, max_size=8),
    )


@cache
@st.composite
def prefixes(draw: st.DrawFn) -> IPv6Network:
    """Return prefixes of awkward lengths; many share their first bits."""
    start = draw(of(0x20010DB8 << 96, 0x20010DB8_00000001 << 64, 0xFE80 << 112, 0xFF02 << 112, 0))
    value = start | draw(of(0, 0xFF_FE00_0000, 1 << 64)) | draw(st.integers(0, 7))
    return IPv6Network((value, draw(st.sampled_from(LENGTHS))), strict=False)


CONTEXTS = st.dictionaries(
    of(0, 1, 15),
    st.builds(Context, prefixes(), of(True, True, True, False)),
    max_size=3,
)


@st.composite
def surroundings(draw: st.DrawFn) -> Env:
    """Return link addresses and up to three contexts, some of which may not be used for compression."""
    contexts = draw(CONTEXTS)
    return Env(draw(link_addresses()), draw(link_addresses()), contexts=contexts)


def prefixes_for_expanding(env: Env) -> dict[int, IPv6Network]:
    return {number: context.prefix for number, context in env.contexts.items()}


def prefixes_for_compressing(env: Env) -> dict[int, IPv6Network]:
    """Return the contexts that a compressor may use: to a judge of what it sent, there are no others."""
    return {n: context.prefix for n, context in env.contexts.items() if context.may_compress}


@st.composite
def addresses(draw: st.DrawFn, env: Env, link: bytes | None, *, multicast: bool) -> IPv6Address:
    """Return an address near the modes of section 3.1.1: under a prefix, with some identifier."""
    if draw(st.booleans()) and multicast:
        return IPv6Address(draw(multicast_values(env)))
    tail = draw(
        st.one_of(
            st.just(link),
            st.just(b"\x00\x01"),
            st.binary(min_size=2, max_size=2),
            st.binary(min_size=8, max_size=8),
        )
    )
    if tail is not None and len(tail) == 8 and draw(st.booleans()):
        iid = int.from_bytes(tail, "big")
    else:
        iid = int(second_decoder.link_bits(tail) or "0", 2)
    known = [context.prefix for context in env.contexts.values()]
    prefix = draw(st.sampled_from([IPv6Network("fe80::/64"), *known, *known, None]))
    if prefix is None:
        return IPv6Address(
            draw(st.sampled_from([0, 1, 1 << 127, iid, (1 << 128) - 1 - (0xFF << 120)]))
        )
    value = int(prefix.network_address) | iid & ~int(prefix.netmask) & ((1 << 64) - 1)
    return IPv6Address(value ^ draw(of(0, 0, 0, 1 << 64, 1 << 127, 1)))


@st.composite
def multicast_values(draw: st.DrawFn, env: Env) -> int:
    flags_scope = draw(of(0x02, 0x05, 0x12, 0x3E, 0xFF))
    group = draw(st.integers(0, 1 << draw(of(1, 8, 9, 24, 25, 40, 41, 112))))
    group &= (1 << 112) - 1
    known = [context.prefix for context in env.contexts.values()]
    if draw(st.booleans()) and known:
        prefix = draw(st.sampled_from(known))
        head = draw(st.integers(0, 255)) << 8 | prefix.prefixlen
        group = head << 96 | int(prefix.network_address) >> 64 << 32 | group & 0xFFFFFFFF
    return 0xFF << 120 | flags_scope << 112 | group


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


@st.composite
def ip_headers(draw: st.DrawFn, env: Env) -> Ip:
    return Ip(
        draw(of(0, 1, 3, 4, 7, 0x2E, 0xFC, 0xFF)),
        draw(of(0, 0, 1, 0xFFFFF)),
        draw(of(0, 1, 2, 63, 64, 254, 255)),
        # "Multicast addresses must not be used as source addresses" (RFC 4291 section 2.7)
        draw(addresses(env, env.source, multicast=False).filter(lambda a: not a.is_multicast)),
        draw(addresses(env, env.destination, multicast=True)),
    )


@cache
def options() -> st.SearchStrategy[bytes]:
    """Return options of RFC 8200 section 4.2, pads among them."""
    tlv = st.builds(
        lambda kind, data: bytes([kind, len(data)]) + data,
        of(1, 0x1E, 0x63),
        st.one_of(st.binary(max_size=9), st.integers(0, 9).map(bytes)),
    )
    return st.lists(st.one_of(tlv, st.just(b"\0")), max_size=5).map(b"".join)


@cache
@st.composite
def extensions(draw: st.DrawFn) -> tuple[int, bytes]:
    """Return an extension header: its number, and its octets after the next-header octet."""
    kind = draw(of(0, 60, ROUTING, FRAGMENT, MOBILITY))
    if kind == FRAGMENT:
        offset = draw(of(0, 0, 0, 1, 0xFFF8))
        return kind, b"\0" + offset.to_bytes(2, "big") + draw(st.binary(min_size=4, max_size=4))
    if kind in OPTIONS:
        body = draw(options())
        missing = -(2 + len(body)) % 8
        pad = bytes([1, missing - 2]) + bytes(missing - 2) if missing > 1 else bytes(missing)
        body += draw(of(pad, bytes(missing)))
    else:
        units = draw(st.integers(0, 3))
        routing = bytes([draw(of(0, 2, 3, 4)), draw(st.integers(0, 2))])
        body = routing + draw(st.binary(min_size=units * 8 + 4, max_size=units * 8 + 4))
    return kind, bytes([(2 + len(body)) // 8 - 1]) + body


EXTENSIONS = st.lists(extensions(), max_size=3)
PORTS = st.one_of(
    st.integers(0xF0B0, 0xF0BF),
    st.integers(0xF000, 0xF0FF),
    of(0, 5683, 0xF0AF, 0xF0C0, 0xFFFF),
)


@st.composite
def udp(draw: st.DrawFn, source: bytes, destination: bytes) -> bytes:
    """Return a segment for these pseudo-header addresses; now and then its checksum or length is wrong."""
    data = draw(st.binary(max_size=12))
    head = draw(PORTS).to_bytes(2, "big") + draw(PORTS).to_bytes(2, "big")
    length = (8 + len(data) + draw(of(0, 0, 0, 0, 0, 1))).to_bytes(2, "big")
    right = second_decoder.udp_checksum(source, destination, head + length + b"\0\0" + data)
    return head + length + draw(st.sampled_from([right, right, right, b"\0\0", b"\x12\x34"])) + data


@st.composite
def datagrams(draw: st.DrawFn, env: Env, depth: int = 2) -> bytes:
    """Return a datagram: up to three extension headers, then UDP, IPv6 or something else."""
    ip = draw(ip_headers(env))
    chain = draw(EXTENSIONS)
    kind = draw(st.sampled_from([UDP, UDP, UDP, 58, 59, *([41] if depth else [])]))
    if kind == UDP:
        body = draw(udp(ip.source.packed, ip.destination.packed))
    elif kind == 41:
        body = draw(datagrams(env, depth - 1))
    else:
        body = draw(st.binary(max_size=12))
    for number, octets in reversed(chain):
        body, kind = bytes([kind]) + octets + body, number
    return ip.datagram(kind, body)


@st.composite
def surroundings_and_datagrams(draw: st.DrawFn) -> tuple[Env, bytes]:
    env = draw(surroundings())
    return env, draw(datagrams(env))


@st.composite
def near_payloads(draw: st.DrawFn) -> bytes:
    """Return octets that begin like something: garbage that gets past the first checks."""
    lead = draw(
        st.lists(
            st.sampled_from(
                ["", "41", "41 60", "f0", "f1", "b5 0001 0002", "83", "bf", "50 01", "c0 64 0001",
                 "e0 64 0001 05", "42 fb", "40 01", "78 33", "7e 33 f3", "7e 33 e1 06", "7e 33 ee", "7a 77",
                 "7e 33 df", "7e 33 d3", "e8 00"]
            ).map(bytes.fromhex),
            max_size=3,
        )
    )  # fmt: skip
    return b"".join(lead) + draw(st.binary(max_size=60))


def anything(max_size: int = 140) -> st.SearchStrategy[bytes]:
    return st.one_of(st.binary(max_size=max_size), near_payloads())
