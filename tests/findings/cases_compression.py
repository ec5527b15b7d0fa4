"""A capture that fires each finding about 6LoWPAN headers and checksums, and a near miss."""

import struct
from ipaddress import IPv6Address

from findings import air
from findings.air import BROADCAST, FAR_NODE, FAR_ROOT, NODE, PAN, PREFIX, ROOT, Capture
from findings.cases_link import IPHC_ONLY, Case, other_frames, plain

FAR = (FAR_NODE, FAR_ROOT)
SELF = ("fe80::", NODE)
Ends = tuple[IPv6Address, IPv6Address]


def known_contexts(contexts: dict[int, str]) -> Capture:
    return Capture(plain(2), contexts=contexts)


def announced(*, compress: bool) -> Capture:
    """Context 1 is announced, and used ten seconds later."""
    told = air.frame(
        air.advertisement(air.context_option(1, "2001:db8:2::/64", compress=compress)),
        1,
        (ROOT, BROADCAST),
    )
    used = air.frame(air.datagram(prefix="2001:db8:2::"), 2)
    return Capture([(1.0, told), (11.0, used)])


def solicitation(group: str, hop_limit: int = 255) -> Capture:
    target = IPv6Address("fe80::12:3456")
    to = IPv6Address(group)
    packet = air.nd_message(135, bytes(4) + target.packed, air.address(*SELF), to, hop_limit)
    return Capture([air.frame(packet, 1, (NODE, BROADCAST))])


def to_group(group: str) -> Capture:
    source, to = air.address(PREFIX, NODE), IPv6Address(group)
    packet = air.ip(source, to, 17, air.udp(b"x", source, to))
    return Capture([air.frame(packet, 1, (NODE, BROADCAST))])


def hop_limits(limit: int) -> Capture:
    return Capture([air.frame(air.datagram(bytes([n]), hop_limit=limit), n) for n in range(1, 7)])


def identifier_in_line(second: str, iid: str = "") -> Capture:
    """RFC 6282 section 3.1.1: 0x7a, then SAM 01 (0x13) with the identifier or SAM 11 (0x33) without."""
    return Capture([air.raw(bytes.fromhex("7a" + second + "3b" + iid), n) for n in range(1, 5)])


def ports(form: str) -> Capture:
    """UDP from 0xf0b1 to 0xf0b2 behind fe80 addresses; section 4.3.1 has both forms."""
    source, to = air.address(*SELF), air.address("fe80::", ROOT)
    checksum = air.udp(b"data", source, to)[6:8]
    head = bytes.fromhex("7e33" + form) + checksum
    return Capture([air.raw(head + b"data", n) for n in range(1, 5)])


def elided(*, elide: bool) -> Capture:
    return Capture([air.raw(air.payload(air.datagram(), elide_udp_checksum=elide))])


def paged(*, answered: bool) -> Capture:
    """Root to node with RPL information in page 1; the node's own datagrams without, or one with."""
    links = (ROOT, NODE)
    source, to = air.address(PREFIX, ROOT), air.address(PREFIX, NODE)
    down = air.ip(source, to, 0, air.rpl_option() + air.udp(b"down", source, to))
    routed = [air.raw(air.payload(down, links, lorh=True), n, links) for n in range(6)]
    own = [air.frame(air.datagram(bytes([n])), n) for n in range(25)]
    if answered:
        own.append(air.raw(air.payload(air.with_option(b"up"), lorh=True), 99))
    return Capture([*routed, *own])


def dio(*, counted: int) -> Capture:
    """RFC 6550 section 6.3.1 with a DODAG configuration, option length 14 (section 6.7.6)."""
    source, to = air.address(*SELF), IPv6Address("ff02::1a")
    base = bytes([0, 1, 2, 0, 0x88, 0, 0, 0]) + air.address(PREFIX, ROOT).packed
    option = bytes([4, 14 + counted, 0, 8, 3, 10]) + bytes.fromhex("0700010000000aff003c")
    packet = air.ip(source, to, 58, air.icmpv6(155, base + option, source, to, 1), 255)
    return Capture([air.frame(packet, 1, (NODE, BROADCAST))])


def summed(
    told: tuple[IPv6Address, IPv6Address],
    real: tuple[IPv6Address, IPv6Address],
    links: tuple[bytes, bytes] = (NODE, ROOT),
) -> Capture:
    """Datagrams between ``told`` addresses whose checksums are computed over the ``real`` ones."""
    packets = [air.ip(*told, 17, air.udp(bytes([n]) * 7, *real)) for n in range(1, 4)]
    return Capture([air.frame(packet, n, links) for n, packet in enumerate(packets, 1)])


def under(
    prefix: str, links: tuple[bytes, bytes] = (NODE, ROOT)
) -> tuple[IPv6Address, IPv6Address]:
    return air.address(prefix, links[0]), air.address(prefix, links[1])


def old(link: bytes) -> IPv6Address:
    """RFC 4944 section 6: PAN ID with its universal/local bit zero, 00ff:fe00, short address."""
    return IPv6Address(f"fe80::{PAN & 0xFDFF:x}:ff:fe00:{link.hex()}")


def flipped(address: IPv6Address) -> IPv6Address:
    return IPv6Address(int(address) ^ 1 << 57)


def of_reversed() -> Capture:
    turned = air.address("fe80::", FAR_NODE[::-1])
    source, to = under("fe80::", FAR)
    return summed((source, to), (turned, to), FAR)


def extension_counted(more: int) -> Capture:
    """A hop-by-hop header of 8 octets; the pseudo-header's length counts ``more`` octets too many."""
    source, to = under(PREFIX)
    head = struct.pack(">HHHH", *air.PORTS, 12, 0)
    checksum = air.internet_checksum(air.pseudo(source, to, 12 + more, 17) + head + b"data")
    segment = head[:6] + struct.pack(">H", checksum) + b"data"
    return Capture([air.frame(air.ip(source, to, 0, air.rpl_option() + segment))])


def routed(over: str) -> Capture:
    """RFC 6554: one address left, the node's; the IPv6 destination is a router. The checksum is over the one given."""
    source, final = air.address(PREFIX, ROOT), air.address(PREFIX, NODE)
    router = IPv6Address("2001:db8:1::ff:fe00:9")
    header = bytes([17, 2, 3, 1, 0, 0, 0, 0]) + final.packed
    segment = air.udp(b"data", source, final if over == "final" else router)
    links = (ROOT, b"\x00\x09")
    return Capture([air.frame(air.ip(source, router, 43, header + segment), 1, links)])


def checksums(wrong: int) -> Capture:
    source, to = under(PREFIX)
    good = air.udp(b"data", source, to)
    bad = good[:6] + struct.pack(">H", int.from_bytes(good[6:8], "big") ^ wrong) + good[8:]
    return Capture([air.frame(air.ip(source, to, 17, bad))])


# RFC 4944 section 10.1: HC1, all elided, UDP, HC2 octet; section 10.3.2: ports and length elided, hop limit, checksum
HC1 = "42 fb e0 40 12 1234 6162".replace(" ", "")

COMPRESSION_CASES = {
    "context-unknown": Case(
        lambda: known_contexts({}), lambda: known_contexts({0: "2001:db8:1::/64"})
    ),
    "context-used-too-soon": Case(
        lambda: announced(compress=False), lambda: announced(compress=True)
    ),
    "context-length-unusual": Case(
        lambda: known_contexts({0: "2001:db8:1::/64", 2: "2001:db8::/32"}),
        lambda: known_contexts(air.CONTEXTS),
    ),
    "solicitation-to-wrong-group": Case(
        lambda: solicitation("ff02::1:ff34:5600"), lambda: solicitation("ff02::1:ff12:3456")
    ),
    "prefix-multicast-wrong": Case(
        lambda: to_group("ff3e:30:2001:db8:1:1:0:1"), lambda: to_group("ff3e:40:2001:db8:1:1:0:1")
    ),
    # M 0, DAC 1, DAM 00 (RFC 6282 section 3.1.1)
    "reserved-code-used": Case(lambda: other_frames("7a043b"), lambda: other_frames(IPHC_ONLY)),
    "octets-contradict": Case(  # a mesh header behind a fragment header (RFC 4944 section 5)
        lambda: other_frames("c0640001b500010002" + IPHC_ONLY),
        lambda: other_frames("b500010002" + IPHC_ONLY),
    ),
    "frame-cut-short": Case(lambda: other_frames("7a"), lambda: other_frames(IPHC_ONLY)),
    "extension-header-not-whole": Case(  # a routing header (EID 1) of 7 octets; of 8
        lambda: other_frames("7e33e23b050300000000"), lambda: other_frames("7e33e23b06030000000000")
    ),
    "hop-limit-forbidden": Case(
        lambda: solicitation("ff02::1:ff12:3456", 64),
        lambda: solicitation("ff02::1:ff12:3456", 255),
    ),
    "hop-limit-in-line": Case(lambda: hop_limits(16), lambda: hop_limits(64)),
    "header-not-shortest": Case(
        lambda: identifier_in_line("13", "000000fffe000017"), lambda: identifier_in_line("33")
    ),
    "ports-not-shortest": Case(lambda: ports("f0f0b1f0b2"), lambda: ports("f312")),
    "checksum-elided-without-cover": Case(lambda: elided(elide=True), lambda: elided(elide=False)),
    "page-one-not-answered": Case(lambda: paged(answered=False), lambda: paged(answered=True)),
    "not-a-lowpan-frame": Case(lambda: other_frames("0800122334"), lambda: other_frames(IPHC_ONLY)),
    "old-header-compression": Case(lambda: other_frames(HC1), lambda: other_frames(IPHC_ONLY)),
    "contents-unreadable": Case(lambda: dio(counted=2), lambda: dio(counted=0)),
    "context-table-differs": Case(
        lambda: summed(under(PREFIX), under("2001:db8:2::")),
        lambda: summed(under(PREFIX), under(PREFIX)),
    ),
    "identifier-by-old-rule": Case(
        lambda: summed(under("fe80::"), (old(NODE), old(ROOT))),
        lambda: summed(under("fe80::"), under("fe80::")),
    ),
    "identifier-of-reversed-address": Case(
        of_reversed, lambda: summed(under("fe80::", FAR), under("fe80::", FAR), FAR)
    ),
    "universal-local-bit-wrong": Case(
        lambda: summed(
            under("fe80::", FAR), (flipped(under("fe80::", FAR)[0]), under("fe80::", FAR)[1]), FAR
        ),
        lambda: summed(under("fe80::", FAR), under("fe80::", FAR), FAR),
    ),
    "checksum-counts-extensions": Case(lambda: extension_counted(8), lambda: extension_counted(0)),
    "checksum-over-other-destination": Case(lambda: routed("router"), lambda: routed("final")),
    "checksum-wrong": Case(lambda: checksums(0x5A5A), lambda: checksums(0)),
}
