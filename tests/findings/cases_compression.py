"""A capture that fires each finding about 6LoWPAN headers and checksums, and a near miss.

The MAC header takes 9 octets, so LOWPAN_IPHC starts at octet 9. Checksums and check sequences in the texts are computed
apart from the package: RFC 1071 and RFC 8200 section 8.1 over the addresses that the text names, and the CRC of
IEEE 802.15.4-2006 clause 7.2.1.9 (from memory) bit by bit. How many readings of a checksum are tried:

    for each address that follows from a short link address: by RFC 4944 with the bit cleared and as it is, the
    universal/local bit turned: 3; of an extended one: that bit, and both ways to read it backwards: 3
    each prefix that the address might have instead, among context 0, context 1 and fe80::/64: 2 (for each address
    alone the contexts only where the two do not lean on one); the same reading on both sides at once
    where nothing else fits: 4 other formulas, and one more for an odd octet at the end
"""

import struct
from collections.abc import Callable
from ipaddress import IPv6Address

from findings import air
from findings.air import BROADCAST, FAR_NODE, FAR_ROOT, NODE, PAN, PREFIX, ROOT, Capture
from findings.cases_link import IPHC_ONLY, other_frames, plain
from findings.judge import Case, Told

from lowpanbudget.findings.prefix_sums import COMPARE

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


def ran_out(used_at: float) -> Capture:
    """Context 1 is announced for 2 minutes, by a router whose own lifetime is 1800 s, and used at a time."""
    option = air.context_option(1, "2001:db8:2::/64", minutes=2)
    told = air.frame(air.advertisement(option), 1, (ROOT, BROADCAST))
    return Capture([(1.0, told), (used_at, air.frame(air.datagram(prefix="2001:db8:2::"), 2))])


def solicitation(group: str, hop_limit: int = 255) -> Capture:
    target = IPv6Address("fe80::12:3456")
    to = IPv6Address(group)
    packet = air.nd_message(135, bytes(4) + target.packed, air.address(*SELF), to, hop_limit)
    return Capture([air.frame(packet, 1, (NODE, BROADCAST))])


def altered(times: int, alter: int) -> Capture:
    """The same DIS to all RPL nodes so many times (RFC 6550 section 6.2), its checksum altered."""
    source, to = air.address("fe80::", NODE), IPv6Address("ff02::1a")
    message = bytearray(air.icmpv6(155, bytes(2), source, to))
    message[3] ^= alter
    packet = air.ip(source, to, 58, bytes(message))
    return Capture([air.frame(packet, number, (NODE, BROADCAST)) for number in range(times)])


def to_group(group: str) -> Capture:
    source, to = air.address(PREFIX, NODE), IPv6Address(group)
    packet = air.ip(source, to, 17, air.udp(b"x", source, to))
    return Capture([air.frame(packet, 1, (NODE, BROADCAST))])


def hop_limits(limit: int) -> Capture:
    return Capture([air.frame(air.datagram(bytes([n]), hop_limit=limit), n) for n in range(1, 7)])


def identifier_in_line(second: str, iid: str = "") -> Capture:
    """RFC 6282 section 3.1.1: 0x7a, then SAM 01 (0x13) with the identifier or SAM 11 (0x33) without."""
    return Capture([air.raw(bytes.fromhex("7a" + second + "3b" + iid), n) for n in range(1, 5)])


def in_byte_code(*payloads: tuple[bytes, str]) -> Capture:
    """UDP payloads four times each, in the byte code that stands beside each, or as they are where that is empty.

    NHC 11010CPP in the place of 11110CPP (RFC 7400 figure 2); the codes are put together by hand from its table 1.
    """
    made: list[bytes | tuple[float, bytes]] = []
    for data, code in payloads:
        packed = air.payload(air.datagram(data))
        at = packed.index(0xF3)
        if code:
            headers = packed[at + 1 : len(packed) - len(data)]
            packed = packed[:at] + b"\xd3" + headers + bytes.fromhex(code)
        made += [air.encoded(air.mac(len(made) + n), packed) for n in range(1, 5)]
    return Capture(made)


def ports(form: str) -> Capture:
    """UDP from 0xf0b1 to 0xf0b2 behind fe80 addresses; section 4.3.1 has both forms."""
    source, to = air.address(*SELF), air.address("fe80::", ROOT)
    checksum = air.udp(b"data", source, to)[6:8]
    head = bytes.fromhex("7e33" + form) + checksum
    return Capture([air.raw(head + b"data", n) for n in range(1, 5)])


def elided(*, elide: bool) -> Capture:
    return Capture([air.raw(air.payload(air.datagram(), elide_udp_checksum=elide))])


def paged(*, answered: bool, prefix: str = PREFIX) -> Capture:
    """Root to node with RPL information in page 1; the node's own datagrams without, or one with."""
    links = (ROOT, NODE)
    source, to = air.address(PREFIX, ROOT), air.address(PREFIX, NODE)
    down = air.ip(source, to, 0, air.rpl_option() + air.udp(b"down", source, to))
    routed = [air.raw(air.payload(down, links, lorh=True), n, links) for n in range(6)]
    own = [air.frame(air.datagram(bytes([n]), prefix), n) for n in range(25)]
    if answered:
        own.append(air.raw(air.payload(air.with_option(b"up"), lorh=True), 99))
    return Capture([*routed, *own])


def dio(*, counted: int) -> Capture:
    """RFC 6550 section 6.3.1 with a DODAG configuration, option length 14 (section 6.7.6)."""
    source, to = air.address(*SELF), IPv6Address("ff02::1a")
    base = bytes([0, 1, 2, 0, 0x88, 0, 0, 0]) + air.address(PREFIX, ROOT).packed
    option = bytes([4, 14 + counted, 0, 8, 3, 10]) + bytes.fromhex("07000100000000ff003c")
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


def to_port(port: int, *, form: str = "f313") -> Capture:
    """From 0xf0b1 to 0xf0b3 by the form with 4 bits of each (RFC 6282 section 4.3.3: 11 for P), summed over a port."""
    source, to = under(PREFIX)
    frames = []
    for number in range(3):
        checksum = air.udp(bytes([number]) * 7, source, to, (0xF0B1, port))[6:8]
        packed = bytes.fromhex("7e77" + form) + checksum + bytes([number]) * 7
        frames.append(air.raw(packed, number))
    return Capture([*frames])


def between(*wrong: bool) -> Capture:
    """Datagrams of which some have a sum over another prefix of their source."""
    real = air.address("2001:db8:2::", NODE), air.address(PREFIX, ROOT)
    frames = []
    for number, other in enumerate(wrong, 1):
        ends = under(PREFIX)
        segment = air.udp(bytes([number]) * 7, *(real if other else ends), (50000, 50001))
        frames.append(air.frame(air.ip(*ends, 17, segment), number))
    return Capture([*frames])


def under(
    prefix: str, links: tuple[bytes, bytes] = (NODE, ROOT)
) -> tuple[IPv6Address, IPv6Address]:
    return air.address(prefix, links[0]), air.address(prefix, links[1])


def from_node(prefix: str) -> tuple[IPv6Address, IPv6Address]:
    """The node under this prefix, the root under that of the link."""
    return air.address(prefix, NODE), air.address("fe80::", ROOT)


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


def without_length(*contents: bytes, count: bool = False) -> Capture:
    """The pseudo-header of RFC 8200 section 8.1, with a length of 0 unless it counts."""
    source, to = under(PREFIX)
    segments = []
    for data in contents:
        head = struct.pack(">HHHH", *air.PORTS, 8 + len(data), 0)
        over = air.pseudo(source, to, (8 + len(data)) * count, 17) + head + data
        segments.append(head[:6] + struct.pack(">H", air.internet_checksum(over)) + data)
    packets = [air.ip(source, to, 17, segment) for segment in segments]
    return Capture([air.frame(packet, number) for number, packet in enumerate(packets, 1)])


def padded(tail: bytes, *, times: int = 3) -> Capture:
    """Readings under LOWPAN_NHC, which has no UDP length (RFC 6282 section 4.3.3), and octets behind them."""
    packets = [air.datagram(b"data" + bytes([0, number])) for number in range(times)]
    payloads = [air.payload(packet) + tail for packet in packets]
    return Capture([air.raw(octets, number) for number, octets in enumerate(payloads, 1)])


def exchanged(*numbers: int) -> Capture:
    """Readings whose checksums have their two octets in the other order."""
    packets = [bytearray(air.datagram(b"data" + bytes([0, number]))) for number in numbers]
    for packet in packets:
        packet[46:48] = packet[47:45:-1]
    return Capture([*air.frames(map(bytes, packets))])


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


def whole_headers(
    *front: bytes, word: int = 6 << 28, part: bool = True, label: int | None = None
) -> Capture:
    """Three datagrams of 228 octets, their IPv6 headers whole, each behind these octets, in three fragments.

    RFC 4944 section 5.3: 11000 or 11100, the size in 11 bits, the tag, the offset in units of 8 octets. Else each in
    one frame, of 51 octets. With a ``label`` they are no such headers but LOWPAN_IPHC with nothing elided, TF = 00.
    """
    frames = []
    for number in range(1, 4):
        packet = air.datagram(b"%03d" % number * (60 if part else 1))
        packet = word.to_bytes(4, "big") + packet[4:]
        if label is not None:
            packet = packet[:3] + label.to_bytes(3, "big") + packet[6:]
        if not part:
            frames.append(air.raw(b"".join(front) + packet, number))
            continue
        tag, size = bytes([0, number]), len(packet)
        places = [(0, 80), (80, 160), (160, size)]
        for turn, (start, end) in enumerate(places):
            head = bytes([0xE0 if start else 0xC0, size]) + tag
            head += bytes([start // 8]) if start else b"".join(front)
            frames.append(air.raw(head + packet[start:end], 3 * number + turn))
    return Capture(list(frames))


# 0x0011 added to 0x2001, 0x0db8, 0x0001 and 0x0000
FOUR_MORE = "2005:db8:1::/64 or 2001:dbc:1::/64 or 2001:db8:5::/64 or 2001:db8:1:4::/64"
EIGHT_MORE = "2009:db8:1::/64 or 2001:dc0:1::/64 or 2001:db8:9::/64 or 2001:db8:1:8::/64"
ONE_WORD_OTHER = "2012:db8:1::/64 or 2001:dc9:1::/64 or 2001:db8:12::/64 or 2001:db8:1:11::/64"


def twice(octets: str) -> Capture:
    return Capture([air.raw(bytes.fromhex(octets), number) for number in (1, 2)])


COMPRESSION_CASES = {
    "context-unknown": Case(
        lambda: known_contexts({}),
        lambda: known_contexts({0: "2001:db8:1::/64"}),
        # behind the two octets of LOWPAN_IPHC, where the source address would be
        Told("remark", "context 0", "context 0 has no prefix", ("octet 11, IPHC",), (1, 2), 2),
    ),
    "context-used-too-soon": Case(
        lambda: announced(compress=False),
        lambda: announced(compress=True),
        Told(
            "failure",
            "0x0017: context 1",
            "context 1 (2001:db8:2::/64) is announced for expanding only (C = 0), "
            "and headers are compressed with it",
            ("frame 1: announcement; frame 2: used 10.0 s later",),
            (2,),
        ),
    ),
    # announced for 2 minutes in frame 1, at 1 s
    "context-used-too-late": Case(
        lambda: ran_out(used_at=200.0),
        lambda: ran_out(used_at=100.0),
        Told(
            "failure",
            "0x0017: context 1",
            "context 1 (2001:db8:2::/64) ran out after 120 s, and headers are compressed with it",
            ("frame 1: announcement; frame 2: used 199.0 s later",),
            (2,),
        ),
    ),
    "context-length-unusual": Case(
        lambda: known_contexts({0: "2001:db8:1::/64", 2: "2001:db8::/32"}),
        lambda: known_contexts(air.CONTEXTS),
        Told("remark", "context 2", "context 2 is 2001:db8::/32"),
    ),
    "solicitation-to-wrong-group": Case(
        lambda: solicitation("ff02::1:ff34:5600"),
        lambda: solicitation("ff02::1:ff12:3456"),
        Told(
            "failure",
            "0x0017",
            "fe80::12:3456 is asked for at ff02::1:ff34:5600, it listens at ff02::1:ff12:3456",
            (),
            (1,),
        ),
    ),
    "prefix-multicast-wrong": Case(
        lambda: to_group("ff3e:30:2001:db8:1:1:0:1"),
        lambda: to_group("ff3e:40:2001:db8:1:1:0:1"),
        # octet 3 is 0x30, 48
        Told(
            "failure",
            "0x0017",
            "ff3e:30:2001:db8:1:1:0:1 has bits behind a prefix of 48 bits",
            ("ff 3e 00 30 20 01 0d b8 00 01 00 01 00 00 00 01",),
            (1,),
        ),
    ),
    # M 0, DAC 1, DAM 00 (RFC 6282 section 3.1.1); before it the end of source 0x0017, behind it the check sequence
    "reserved-code-used": Case(
        lambda: other_frames("7a043b"),
        lambda: other_frames(IPHC_ONLY),
        Told(
            "failure",
            "0x0017",
            "destination address mode (M DAC DAM) 0100 is reserved",
            ("octet 9, IPHC; octets from 7: 17 00 7a 04 3b 95 7f",),
            (1,),
            advice="See which code the evidence names, and what the table there allows "
            "(lowpanbudget explain IPHC).",
        ),
    ),
    # a mesh header behind a fragment header of 4 octets (RFC 4944 section 5)
    "octets-contradict": Case(
        lambda: other_frames("c0640001b500010002" + IPHC_ONLY),
        lambda: other_frames("b500010002" + IPHC_ONLY),
        Told(
            "failure",
            "0x0017",
            "a mesh header stands behind a header that it must precede",
            ("octet 13, 6LoWPAN dispatch; octets from 11: 00 01 b5 00 01 00 02 7a",),
            (1,),
        ),
    ),
    "frame-cut-short": Case(
        lambda: other_frames("7a"),
        lambda: other_frames(IPHC_ONLY),
        Told(
            "failure",
            "0x0017",
            "the IPHC header needs 2 octets, 1 octet left",
            ("octet 9, IPHC; octets from 7: 17 00 7a 65 08",),
            (1,),
            cite="RFC 6282 §3.1.1",
        ),
    ),
    # a routing header (EID 1) of next header, length and 5 more: 7 octets; of 8
    "extension-header-not-whole": Case(
        lambda: other_frames("7e33e23b050300000000"),
        lambda: other_frames("7e33e23b06030000000000"),
        Told(
            "failure",
            "0x0017",
            "the routing header has 7 octets, no multiple of 8 that its length can count, "
            "and only options headers may leave out their pad",
            ("octet 11, NHC extension; octets from 9: 7e 33 e2 3b 05 03 00 00",),
            (1,),
        ),
    ),
    "hop-limit-forbidden": Case(
        lambda: solicitation("ff02::1:ff12:3456", 64),
        lambda: solicitation("ff02::1:ff12:3456", 255),
        Told(
            "failure",
            "0x0017",
            "the neighbor solicitation has hop limit 64, receivers want 255",
            ("type 135",),
            (1,),
            cite="RFC 4861 §7.1.1",  # "The IP Hop Limit field has a value of 255"
        ),
    ),
    "hop-limit-in-line": Case(
        lambda: hop_limits(16),
        lambda: hop_limits(64),
        Told(
            "waste",
            "0x0017",
            "datagrams start with hop limit 16, in line",
            (),
            (1, 2, 3, 4, 5, 6),
            6,
        ),
    ),
    "header-not-shortest": Case(
        lambda: identifier_in_line("13", "000000fffe000017"),
        lambda: identifier_in_line("33"),
        Told(
            "waste",
            "0x0017: source address 8",
            "8 octets could be left out: source address 8",
            (),
            (1, 2, 3, 4),
            4,
        ),
    ),
    # 0110 0000 begins an IPv6 header, and LOWPAN_IPHC with TF = 00: flow label 180 + 8, the payload length
    "dispatch-left-out": Case(
        whole_headers,
        lambda: whole_headers(b"\x41"),
        Told(
            "risk",
            "0x0017",
            "an IPv6 header follows a fragment header at once, without the dispatch octet 0x41 before it",
            ("read as LOWPAN_IPHC its flow label is 188, and was 0; the payload length is 188",),
            (1, 4, 7),
            3,
        ),
    ),
    "ports-not-shortest": Case(
        lambda: ports("f0f0b1f0b2"),
        lambda: ports("f312"),
        Told(
            "waste",
            "0x0017: ports 0xf0b1 and 0xf0b2 take 4 octets, 1 would do",
            "ports 0xf0b1 and 0xf0b2 take 4 octets, 1 would do",
            ("P = 00, P = 11 is shorter",),
            (1, 2, 3, 4),
            4,
        ),
    ),
    # a literal takes one octet more than its octets; four times four zeros where one code has up to 17
    "byte-code-not-shortest": Case(
        lambda: in_byte_code((b"data", "04 64617461"), (bytes(16), "82 82 82 82")),
        lambda: in_byte_code((b"data", ""), (bytes(16), "8e")),
        Told(
            "waste",
            "0x0017: byte code longer than what it stands for",
            "5 octets of byte code stand for 4, which are fewer as they are",
            (),
            (1, 2, 3, 4),
            4,
        ),
        more=(
            Told(
                "remark",
                "0x0017: byte code longer than it need be",
                "4 octets of byte code stand for 16, and 1 would do",
                (),
                (5, 6, 7, 8),
                4,
            ),
        ),
    ),
    "checksum-elided-without-cover": Case(
        lambda: elided(elide=True),
        lambda: elided(elide=False),
        Told("failure", "0x0017", "C is set and the frame has no integrity code", (), (1,)),
    ),
    # one segment left of routing type 253 (RFC 4727, from memory), then none
    "checksum-elided-behind-unknown-route": Case(
        lambda: other_frames("7e33e306fd01aabbccddf71268656c6c6f"),
        lambda: other_frames("7e33e306fd00aabbccddf71268656c6c6f"),
        Told("risk", "0x0017", "C is set behind a route whose end cannot be read", (), (1,)),
        also=frozenset({"checksum-elided-without-cover"}),
    ),
    # EID 7 with NH 1 and 0; RFC 6282 section 4.2: "the NH bit [...] MUST be set to zero"
    "extension-bits-not-zero": Case(
        lambda: other_frames("7e33ef7a333b6162"),
        lambda: other_frames("7e33ee7a333b6162"),
        Told(
            "risk",
            "0x0017",
            "the NH bit is 1 before an IPv6 header, where it has no use and must be 0",
            (),
            (1,),
        ),
    ),
    # RFC 6282 section 3.2.1: two bits before the flow label; the figure has "rsv" there, four bits in the longest form
    "reserved-field-not-zero": Case(
        lambda: twice("6a333023453b6162"),
        lambda: other_frames("6a333023453b6162"),  # once it may be by chance
        Told(
            "remark",
            "0x0017",
            "IPHC: pad is 0x3, and senders must leave it 0",
            ("octet 11",),
            (1, 2),
            2,
        ),
    ),
    # RFC 8200 section 4.5: 0x0008 is an offset of one unit, 0x0001 that of a first one with more behind it
    "header-behind-later-fragment": Case(
        lambda: other_frames("7e33e500000812345678f312123468656c6c6f"),
        lambda: other_frames("7e33e500000112345678f312123468656c6c6f"),
        Told(
            "failure",
            "0x0017",
            "the fragment header is that of a later fragment: no header stands behind it, "
            "and a compressed one does",
            ("octet 11",),
            (1,),
        ),
    ),
    # RFC 6282 section 4.3.3: the UDP length is always elided; 0x0001 is a first part with more behind it, 0 a whole one
    "udp-header-of-a-part": Case(
        lambda: other_frames("7e33e500000112345678f312123468656c6c6f"),
        lambda: other_frames("7e33e500000012345678f312123468656c6c6f"),
        Told(
            "failure",
            "0x0017",
            "a compressed UDP header of one part of a fragmented packet: its length cannot be that of the whole",
            ("octet 19",),
            (1,),
        ),
    ),
    "page-one-not-answered": Case(
        lambda: paged(answered=False),
        lambda: paged(answered=True),
        Told(
            "remark",
            "0x0017",
            "0x0017 gets routing headers of page 1 and has never sent one",
            ("25 datagrams of its own without",),
            (1, 2, 3, 4, 5, 6),
        ),
    ),
    "not-a-lowpan-frame": Case(
        lambda: other_frames("0800122334"),
        lambda: other_frames(IPHC_ONLY),
        Told("remark", "PAN 0xabcd", "the payload is of another protocol", (), (1,)),
    ),
    "old-header-compression": Case(
        lambda: other_frames(HC1),
        lambda: other_frames(IPHC_ONLY),
        Told("risk", "0x0017", "datagrams are compressed with LOWPAN_HC1", (), (1,)),
        also=frozenset({"checksum-wrong"}),  # 0x1234 is not that of "ab"
    ),
    # 9 octets of MAC header, 4 of LOWPAN_IPHC with next header and group in line, 4 of ICMPv6, 24 of the DIO and the
    # option's type; 16 counted and 2 for type and length make 18 (RFC 6550 section 6.7.6: length 14)
    "contents-unreadable": Case(
        lambda: dio(counted=2),
        lambda: dio(counted=0),
        Told(
            "failure",
            "0x0017: DODAG configuration option: length 16 makes 18 octets, not 16",
            "DODAG configuration option: length 16 makes 18 octets, not 16",
            ("octet 42", "every option length counts the option's own two octets: two too many"),
            (1,),
            advice="Let the length of an RPL option count what follows its type and length octets.",
            cite="RFC 6550 §6.7.6",
        ),
    ),
    "context-table-differs": Case(
        lambda: summed(under(PREFIX), under("2001:db8:2::")),
        lambda: summed(under(PREFIX), under(PREFIX)),
        # 3 and 3 alone; 3 and 2 prefixes on both sides; no length
        Told(
            "failure",
            "0x0017: context 0 read as 2001:db8:2::/64, here context 1",
            "the checksum is right when the addresses are 2001:db8:2::ff:fe00:17 and "
            "2001:db8:2::ff:fe00:1 (context 0 read as 2001:db8:2::/64, here context 1)",
            (
                "checksum carried 0xc0da, computed here 0xc0dc; 14 readings tried",
                "checksum carried 0xbcd7, computed here 0xbcd9; 14 readings tried",
                "checksum carried 0xb8d4, computed here 0xb8d6; 14 readings tried",
            ),
            (1, 2, 3),
            3,
        ),
    ),
    "identifier-by-old-rule": Case(
        lambda: summed(under("fe80::"), (old(NODE), old(ROOT))),
        lambda: summed(under("fe80::"), under("fe80::")),
        # 3 and 2 prefixes for each alone, 5 on both sides, no length; 0xabcd without bit 0x0200 is 0xa9cd
        Told(
            "failure",
            "0x0017: identifiers by RFC 4944 section 6, with the PAN ID",
            "the checksum is right when the addresses are fe80::a9cd:ff:fe00:17 and "
            "fe80::a9cd:ff:fe00:1 (identifiers by RFC 4944 section 6, with the PAN ID)",
            (
                "checksum carried 0xcbb3, computed here 0x1f4f; 16 readings tried",
                "checksum carried 0xc7b0, computed here 0x1b4c; 16 readings tried",
                "checksum carried 0xc3ad, computed here 0x1749; 16 readings tried",
            ),
            (1, 2, 3),
            3,
        ),
    ),
    "identifier-of-reversed-address": Case(
        of_reversed,
        lambda: summed(under("fe80::", FAR), under("fe80::", FAR), FAR),
        # 5 for each alone; on both sides the bit, two prefixes, and two ways to turn one with two to turn the other;
        # no length
        Told(
            "failure",
            "02:5e:10:00:00:00:00:17: the extended address in reversed octet order",
            "the checksum is right when the source is fe80::1500:0:10:5e02 "
            "(the extended address in reversed octet order)",
            (
                "checksum carried 0x99f5, computed here 0xfc92; 18 readings tried",
                "checksum carried 0x95f2, computed here 0xf88f; 18 readings tried",
                "checksum carried 0x91ef, computed here 0xf48c; 18 readings tried",
            ),
            (1, 2, 3),
            3,
        ),
    ),
    "universal-local-bit-wrong": Case(
        lambda: summed(
            under("fe80::", FAR), (flipped(under("fe80::", FAR)[0]), under("fe80::", FAR)[1]), FAR
        ),
        lambda: summed(under("fe80::", FAR), under("fe80::", FAR), FAR),
        # a sum does not tell which of two addresses has the bit
        Told(
            "failure",
            "02:5e:10:00:00:00:00:17: the universal/local bit the other way round",
            "the checksum is right when the source is fe80::25e:1000:0:17 "
            "(the universal/local bit the other way round) or the destination is "
            "fe80::25e:1000:0:1 (the universal/local bit the other way round)",
            (
                "checksum carried 0xfa92, computed here 0xfc92; 18 readings tried",
                "checksum carried 0xf68f, computed here 0xf88f; 18 readings tried",
                "checksum carried 0xf28c, computed here 0xf48c; 18 readings tried",
            ),
            (1, 2, 3),
            3,
        ),
    ),
    "checksum-counts-extensions": Case(
        lambda: extension_counted(8),
        lambda: extension_counted(0),
        # 14, and 5 ways to count or cover the header; 8 in the sum of two addresses under one prefix are 4 in each
        Told(
            "failure",
            "0x0017: the length in the pseudo-header counts the extension headers too",
            "the checksum is right when the length in the pseudo-header counts the extension headers too; where the "
            "words of the prefix of context 0 sum up to 0x0004 more at the sender than here, or to 0x0008 more in one "
            "address alone, it would be right as well",
            (
                "checksum carried 0xec1a, computed here 0xec22; 19 readings tried",
                f"with one word other than in 2001:db8:1::/64: {FOUR_MORE}",
                f"the same in one address alone: {EIGHT_MORE}",
                "likelier are the extension headers, which add just that; another prefix may add anything",
            ),
            (1,),
            advice=COMPARE,
        ),
    ),
    "checksum-over-other-destination": Case(
        lambda: routed("router"),
        lambda: routed("final"),
        # the source's 3 and its fe80::/64, the router, no length, and 5 ways to count or cover the header
        Told(
            "failure",
            "0x0001: the pseudo-header holds another destination on the way",
            "the checksum is right when the pseudo-header holds 2001:db8:1::ff:fe00:9, "
            "not 2001:db8:1::ff:fe00:17",
            ("checksum carried 0xec30, computed here 0xec22; 11 readings tried",),
            (1,),
        ),
    ),
    # 14 octets of UDP under 0xec1e, less 1 for each number; two octets that are zero count twice in the length. 14, the
    # octets exchanged, and 1 to 8 octets left out of 16
    "octets-behind-datagram": Case(
        lambda: padded(bytes(2)),
        lambda: padded(b""),
        Told(
            "failure",
            "0x0017: octets behind the datagram",
            "the checksum is right when the last 2 octets are left out",
            (
                "checksum carried 0xec1e, computed here 0xec1a; 23 readings tried",
                "checksum carried 0xec1d, computed here 0xec19; 23 readings tried",
                "checksum carried 0xec1c, computed here 0xec18; 23 readings tried",
            ),
            (1, 2, 3),
            3,
        ),
    ),
    # the same sums; 6 octets to leave out
    "checksum-octets-exchanged": Case(
        lambda: exchanged(0, 1),
        lambda: padded(b""),
        Told(
            "failure",
            "0x0017: octets of the checksum exchanged",
            "the checksum is right when its two octets are exchanged",
            (
                "checksum carried 0x1eec, computed here 0xec1e; 21 readings tried",
                "checksum carried 0x1dec, computed here 0xec1d; 21 readings tried",
            ),
            (1, 2),
            2,
        ),
    ),
    # 12 octets of UDP, then 14: two zeros more, counted twice, are 4 less than 0xec22
    "checksum-without-length": Case(
        lambda: without_length(b"data", b"data\0\0"),
        lambda: without_length(b"data", b"data\0\0", count=True),
        Told(
            "failure",
            "0x0017",
            "the checksum is right when the length is left out of the pseudo-header",
            (
                "checksum carried 0xec2e, computed 0xec22; 14 readings tried",
                "checksum carried 0xec2c, computed 0xec1e; 14 readings tried",
            ),
            (1, 2),
            2,
        ),
    ),
    # 0x0012 is 0x0011 more than 0x0001, in source and destination
    "prefix-of-context-differs": Case(
        lambda: summed(from_node(PREFIX), from_node("2001:db8:12::")),
        lambda: Capture(
            [*summed(from_node(PREFIX), from_node("2001:db8:12::")).air[:2], *checksums(0x5A5A).air]
        ),
        Told(
            "failure",
            "0x0017",
            "the words of the prefix of context 0 sum up to 0x0011 more at the sender than here",
            (
                "all 3 wrong sums differ by +0x0011",
                f"with one word other than in 2001:db8:1::/64: {ONE_WORD_OTHER}",
            ),
            (1, 2, 3),
            3,
        ),
    ),
    # 5683 is 0x1633: of both it and 0xf0b3 four bits are 3
    "ports-do-not-fit-form": Case(
        lambda: to_port(5683),
        lambda: to_port(0xF0B3),
        Told(
            "failure",
            "0x0017: the destination port is 5683",
            "the checksum is right when the destination port is 5683, of which the form of the ports carries the last "
            "4 bits",
            # 0x257f is 0x1633 less 0xf0b3, in ones' complement; the 14 readings of others, and this port
            (
                "checksum carried 0x9f5f, computed here 0xc4de; 15 readings tried",
                "checksum carried 0x9b5c, computed here 0xc0db; 15 readings tried",
                "checksum carried 0x9759, computed here 0xbcd8; 15 readings tried",
            ),
            (1, 2, 3),
            3,
        ),
    ),
    "checksum-wrong": Case(
        lambda: checksums(0x5A5A),
        lambda: checksums(0),
        # 0xec22 ^ 0x5a5a
        Told(
            "failure",
            "0x0017",
            "no reading makes the checksum right",
            # 14, the octets exchanged, 1 to 4 octets left out, 4 formulas
            ("checksum carried 0xb678, computed 0xec22; 23 readings tried",),
            (1,),
        ),
    ),
}

COMPRESSION_NEAR: dict[str, tuple[str, Callable[[], Capture]]] = {
    "headers that elide nothing, with a flow label": (
        "dispatch-left-out",
        lambda: whole_headers(label=189),
    ),
    "the same in one frame": (
        "dispatch-left-out",
        lambda: whole_headers(label=0x1000C, part=False),
    ),
}
