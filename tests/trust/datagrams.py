"""Random IPv6 datagrams, put together by a general packet library: lengths, checksums and next headers are its own."""

from collections.abc import Callable
from random import Random
from typing import Any

from scapy.config import conf
from scapy.layers.inet import TCP, UDP
from scapy.layers.inet6 import (
    HBHOptUnknown,
    ICMPv6EchoReply,
    ICMPv6EchoRequest,
    ICMPv6ND_NA,
    ICMPv6ND_NS,
    ICMPv6ND_RA,
    ICMPv6ND_RS,
    ICMPv6NDOptPrefixInfo,
    ICMPv6NDOptSrcLLAddr,
    IPv6,
    IPv6ExtHdrDestOpt,
    IPv6ExtHdrFragment,
    IPv6ExtHdrHopByHop,
    IPv6ExtHdrRouting,
    PadN,
)
from scapy.packet import Raw
from second.payload import Around
from second.tape import packed
from second_decoder import link_bits
from trust.packets import PREFIX, SHORT_IID, data, node

conf.verb = 0
PORTS = (5683, 5684, 0xF0B0, 0xF0BF, 0xF001, 0xF0FF, 1234)
ROOT = PREFIX + SHORT_IID + b"\0\1"


def text(octets: bytes) -> str:
    return ":".join(octets[at : at + 2].hex() for at in range(0, 16, 2))


def address(rng: Random, link: bytes | None, around: Around, *, multicast: bool) -> bytes:
    """Return an address of one of the forms that RFC 6282 has modes for, or none of them."""
    if multicast and rng.random() < 0.25:
        group = rng.choice([1, 2, 13])
        return b"\xff\x02" + bytes(14 - group) + rng.randbytes(group)
    bits = link_bits(link)
    own = packed(bits) if bits else rng.randbytes(8)
    iid = rng.choice([own, own, SHORT_IID + rng.randbytes(2), rng.randbytes(8)])
    prefix = rng.choice(list(around.prefixes.values())).network_address.packed[:8]
    found = rng.choice([PREFIX, b"\xfe\x80" + bytes(6), prefix, rng.randbytes(8)]) + iid
    return found if found[0] != 0xFF else b"\x20" + found[1:]


def upper(rng: Random, most: int) -> Any:
    """Return what an extension chain ends with."""
    body = Raw(data(rng, most))
    makers: list[Callable[[], Any]] = [
        lambda: UDP(sport=rng.choice(PORTS), dport=rng.choice(PORTS)) / body,
        lambda: UDP(sport=rng.choice(PORTS), dport=rng.choice(PORTS)) / body,
        lambda: UDP(sport=rng.choice(PORTS), dport=rng.getrandbits(16)) / body,
        lambda: ICMPv6EchoRequest(id=rng.getrandbits(16), seq=1) / body,
        lambda: ICMPv6EchoReply(id=1, seq=rng.getrandbits(16)) / body,
        lambda: ICMPv6ND_RS() / ICMPv6NDOptSrcLLAddr(lladdr="02:00:5e:10:00:01"),
        lambda: ICMPv6ND_RA() / ICMPv6NDOptPrefixInfo(prefix="2001:db8::", prefixlen=64),
        lambda: ICMPv6ND_NS(tgt=text(node(rng))),
        lambda: ICMPv6ND_NA(tgt=text(node(rng))),
        lambda: TCP(sport=rng.getrandbits(16), dport=80, seq=rng.getrandbits(32)) / body,
    ]
    return rng.choice(makers)()


def options(rng: Random) -> list[Any]:
    return [
        rng.choice(
            [
                HBHOptUnknown(otype=0x1E, optdata=data(rng, 8)),
                PadN(optdata=bytes(rng.randint(0, 3))),
            ]
        )
        for _ in range(rng.randint(1, 3))
    ]


def extension(rng: Random) -> Any:
    makers: list[Callable[[], Any]] = [
        lambda: IPv6ExtHdrHopByHop(options=options(rng)),
        lambda: IPv6ExtHdrDestOpt(options=options(rng)),
        lambda: IPv6ExtHdrFragment(id=rng.getrandbits(32)),
        lambda: IPv6ExtHdrRouting(type=0, addresses=[text(node(rng))], segleft=rng.randint(0, 1)),
    ]
    return rng.choice(makers)()


def header(rng: Random, around: Around) -> Any:
    return IPv6(
        src=text(address(rng, around.source, around, multicast=False)),
        dst=text(address(rng, around.destination, around, multicast=True)),
        tc=rng.choice([0, 0, 1, 0x2E, 0xFF]), fl=rng.choice([0, 0, 5, 0xFFFFF]), hlim=rng.choice([1, 64, 255, 17]),
    )  # fmt: skip


def plain(rng: Random, around: Around, most: int = 40) -> bytes:
    """Return an IPv6 header, extension headers, one IPv6 header more at times, and an upper layer."""
    packet = header(rng, around)
    for _ in range(rng.choice([0, 0, 1, 2])):
        packet /= extension(rng)
    if rng.random() < 0.2:
        packet /= header(rng, around)
    return bytes(packet / upper(rng, most))


def routed(rng: Random, around: Around, most: int = 40) -> bytes:
    """Return what RPL adds (RFC 6553, RFC 6554, RFC 9008), in the IPv6 header itself or in one around it.

    The root is the source where there is a source route, whose addresses are whole and all still to be visited.
    """
    down = rng.random() < 0.6
    flags = rng.getrandbits(2) << 5 | (0x80 if down else 0)
    rank = bytes([rng.getrandbits(8), rng.choice([0, rng.getrandbits(8)])])
    value = bytes([flags, rng.choice([0, 0, rng.getrandbits(8)])]) + rank
    hops = [
        PREFIX + SHORT_IID + bytes([n + 2]) + rng.randbytes(1) for n in range(rng.randint(1, 4))
    ]
    if rng.random() < 0.2:
        hops[-1] = node(rng)
    inner = header(rng, around) / upper(rng, most)
    tunnelled = rng.random() < 0.5
    outer = IPv6(src=text(ROOT if down else node(rng)), hlim=rng.randint(1, 255))
    outer.dst = text(hops[0] if down else ROOT)
    packet = outer if tunnelled else IPv6(src=outer.src, dst=outer.dst, hlim=outer.hlim)
    if rng.random() < 0.8:
        packet /= IPv6ExtHdrHopByHop(
            options=[HBHOptUnknown(otype=around.rpi_type, optdata=value)], autopad=0
        )
    if down and len(hops) > 1:
        route = [text(hop) for hop in hops[1:]]
        packet /= IPv6ExtHdrRouting(type=3, addresses=route, segleft=len(route))
    return bytes(packet / (inner if tunnelled else upper(rng, most)))
