"""A capture that fires each finding about datagrams on their way and the routes they take, and a near miss.

Node 0x0017 sends over 0x0018 to the root 0x0001; a hop limit starts at 64 and falls by one (RFC 8200 section 3).
"""

from collections.abc import Callable, Iterable, Iterator
from ipaddress import IPv6Address

from findings import air
from findings.air import BROADCAST, FAR_NODE, FAR_ROOT, NODE, PREFIX, ROOT, Capture
from findings.judge import Case, Told

RELAY = b"\x00\x18"
TO_ROOT = air.address(PREFIX, ROOT)
FROM = air.address(PREFIX, NODE)
ALL_RPL_NODES = IPv6Address("ff02::1a")
Hops = tuple[tuple[bytes, bytes, int], ...]


def on_the_way(*hops: tuple[bytes, bytes, int], prefix: str = PREFIX, times: int = 1) -> Capture:
    """A reading at each of these hops: sender, receiver, hop limit; ``times`` with values of its own."""
    frames: list[tuple[float, bytes]] = []
    for turn in range(times):
        for number, (source, destination, limit) in enumerate(hops):
            packet = air.datagram(b"reading %d" % turn, prefix, hop_limit=limit)
            links = (source, destination)
            at = 1.0 + 100 * turn + number / 10
            frames.append((at, air.frame(packet, 1 + len(frames), links)))
    return Capture(list(frames))


def with_flags(flags: int) -> Capture:
    """RFC 6553 section 3: the flags O, R and F, then instance 0 and rank 512."""
    option = bytes([17, 0, 0x63, 4, flags, 0, 2, 0])
    packet = air.ip(FROM, TO_ROOT, 0, option + air.udp(b"data", FROM, TO_ROOT))
    return Capture([air.frame(packet)])


def error(kind: int, code: int = 0) -> Capture:
    """RFC 4443 section 3: four octets, then the datagram that caused it. 128 and 129 are echoes."""
    source = air.address(PREFIX, RELAY)
    body = bytes(4) + air.datagram(hop_limit=1)
    packet = air.ip(source, FROM, 58, air.icmpv6(kind, body, source, FROM, code))
    return Capture([air.frame(packet, 1, (RELAY, NODE))])


def dio(
    source: bytes,
    rank: int,
    version: int = 240,
    configured: tuple[int, int] | None = None,
    mode: int = 1,
    increase: int = 256,
    dodag: IPv6Address = TO_ROOT,
    instance: int = 0,
) -> bytes:
    """RFC 6550 section 6.3.1: an instance, grounded; with its configuration (6.7.6): interval and doublings."""
    body = bytes([instance, version]) + rank.to_bytes(2, "big")
    body += bytes([0x80 | mode << 3, 0, 0, 0]) + dodag.packed
    if configured is not None:
        shortest, doublings = configured
        body += bytes([4, 14, 0, doublings, shortest, 0, 0, 0])
        body += increase.to_bytes(2, "big") + bytes([0, 1, 0, 255, 0, 60])
    ends = air.address("fe80::", source), ALL_RPL_NODES
    return air.ip(*ends, 58, air.icmpv6(155, body, *ends, code=1), 255)


def dios(*messages: bytes, at: Iterable[float] = ()) -> Capture:
    """DIOs to all neighbours, each in a frame of the node whose short address its source ends with."""
    frames = [
        air.frame(message, number, (message[22:24], BROADCAST))
        for number, message in enumerate(messages)
    ]
    times = list(at) or [float(n) for n in range(1, len(frames) + 1)]
    return Capture(list(zip(times, frames, strict=True)))


def two_pans() -> Capture:
    """The root, and another one in another PAN."""
    messages = dio(ROOT, 256), dio(RELAY, 256, dodag=IPv6Address(2))
    frames = [
        air.frame(message, 1, (message[22:24], BROADCAST), destination_pan=pan)
        for message, pan in zip(messages, (0xABCD, 0x1234), strict=True)
    ]
    return Capture([*frames])


def daos(
    *ranks: int,
    parent: int = 512,
    stored: bool,
    lifetime: int = 120,
    increase: int | None = None,
    heard: int = 99,
    named: bytes = RELAY,
    flags: int = 0,
) -> Capture:
    """DIOs of a relay and then of a node with each of these ranks, and after each a DAO (RFC 6550 section 6.4.1).

    The DAO has a target (6.7.7) and a transit option (6.7.8): path control, sequence, lifetime, and without stored
    routes the parent, who is ``named``. Only the first DIOs of the relay are ``heard``.
    """
    relay, node = air.address("fe80::", RELAY), air.address("fe80::", NODE)
    frames = []
    configured, mode = None if increase is None else (12, 8), 2 if stored else 1
    for number, rank in enumerate(ranks):
        if number < heard:
            message = dio(RELAY, parent, 240, configured, mode, increase or 256)
            frames.append(air.frame(message, number, (RELAY, BROADCAST)))
        frames.append(air.frame(dio(NODE, rank, mode=mode), number, (NODE, BROADCAST)))
        body = bytes([0, 0, 0, number, 5, 18, 0, 128]) + FROM.packed
        body += bytes([6, 4 if stored else 20, flags, 0, number, lifetime])
        if not stored:
            body += air.address(PREFIX, named).packed
        ends = (node, relay) if stored else (FROM, TO_ROOT)
        packet = air.ip(*ends, 58, air.icmpv6(155, body, *ends, code=2), 64)
        frames.append(air.frame(packet, 100 + number, (NODE, RELAY)))
    return Capture([*frames])


def of_ranks(*ranks: int, flags: int = 0, increase: int | None = None) -> Capture:
    """A datagram from the node over the relay to the root: sender ranks on its hops (RFC 6553 section 3)."""
    air_frames = []
    if increase is not None:
        packet = dio(ROOT, increase, configured=(12, 8), increase=increase)
        air_frames.append(air.frame(packet, 1, (ROOT, BROADCAST)))
    hops = ((NODE, RELAY), (RELAY, ROOT))
    for number, (rank, links) in enumerate(zip(ranks, hops, strict=True)):
        option = bytes([17, 0, 0x63, 4, flags, 0, *rank.to_bytes(2, "big")])
        segment = option + air.udp(b"data", FROM, TO_ROOT)
        packet = air.ip(FROM, TO_ROOT, 0, segment, 64 - number)
        air_frames.append(air.frame(packet, 2 + number, links))
    return Capture([*air_frames])


def beside_dios(*options: tuple[int, int], announced: tuple[int, int] = (768, 512)) -> Capture:
    """DIOs of a node and the relay, each behind a datagram of the node to the relay with these flags and sender rank.

    The ranks that they announce stay the same; there are DIOs before the first and behind the last.
    """
    frames = []
    for number, option in enumerate((None, *options)):
        if option is not None:
            flags, rank = option
            segment = bytes([17, 0, 0x63, 4, flags, 0, *rank.to_bytes(2, "big")])
            segment += air.udp(b"%02d" % number, FROM, TO_ROOT)
            packet = air.ip(FROM, TO_ROOT, 0, segment, 64)
            frames.append(air.frame(packet, 3 * number, (NODE, RELAY)))
        for at, (link, rank) in enumerate(zip((NODE, RELAY), announced, strict=True), 1):
            frames.append(air.frame(dio(link, rank), 3 * number + at, (link, BROADCAST)))
    return Capture([*frames])


def prefix_option(flags: int) -> bytes:
    """RFC 4861 section 4.6.2: 64 bits, the flags L (0x80) and A (0x40), lifetimes of an hour."""
    lifetimes = (3600).to_bytes(4, "big") * 2
    return bytes([3, 4, 64, flags]) + lifetimes + bytes(4) + IPv6Address(PREFIX).packed


def advertised(flags: int, *, context: bool = True) -> Capture:
    options = (air.context_option(0, "2001:db8:1::/64"),) if context else ()
    packet = air.advertisement(prefix_option(flags), *options)
    return Capture([air.frame(packet, 1, (ROOT, BROADCAST))])


def trickle(count: int, shortest_s: float, doublings: int) -> Iterator[float]:
    """RFC 6206 section 4.2: each interval twice the last, up to the longest; a message at three quarters."""
    start, interval = 1.0, shortest_s
    for number in range(count):
        yield start + interval * 0.75
        start += interval
        interval = shortest_s * 2 ** min(number + 1, doublings)


def stormy(times: Iterable[float]) -> Capture:
    """DIOs with a shortest interval of 2 ** 12 ms that doubles eight times."""
    every = list(times)
    return dios(*[dio(NODE, 512, configured=(12, 8)) for _ in every], at=every)


def passed_up(targets: int, *, rounds: int = 2) -> Capture:
    """DAOs of a parent in storing mode, 8 s apart, one for each node behind it and again each time (RFC 6550 9.8)."""
    node, parent = air.address("fe80::", NODE), air.address("fe80::", RELAY)
    frames = []
    for number in range(rounds * targets):
        body = (
            bytes([0, 0, 0, number, 5, 18, 0, 128])
            + air.address(PREFIX, bytes([2, number % targets])).packed
        )
        body += bytes([6, 4, 0, 0, number // targets, 120])
        message = air.ip(node, parent, 58, air.icmpv6(155, body, node, parent, code=2), 255)
        frames.append((1.0 + 8 * number, air.frame(message, number, (NODE, RELAY))))
    return Capture([*frames])


def asking(count: int) -> Capture:
    """A node that asks for a router and, half a second later, for a parent, every two seconds (RFC 6550 6.2)."""
    source = air.address("fe80::", NODE)
    routers, parents = IPv6Address("ff02::2"), IPv6Address("ff02::1a")
    rs = air.nd_message(133, bytes(4), source, routers)
    dis = air.ip(source, parents, 58, air.icmpv6(155, bytes(2), source, parents), 255)
    links = (NODE, BROADCAST)
    frames: list[tuple[float, bytes]] = []
    for number in range(count):
        frames.append((1 + 2.0 * number, air.frame(rs, 2 * number, links)))
        frames.append((1.5 + 2.0 * number, air.frame(dis, 2 * number + 1, links)))
    return Capture([*frames])


def far_away(*, heard: bool) -> Capture:
    """A datagram with hop limit 1 to a relay, all with EUI-64s; the destination was heard before or was not."""
    relay = bytes.fromhex("025e100000000018")
    packet = air.datagram(b"far", links=(FAR_NODE, FAR_ROOT), hop_limit=1)
    before = [air.frame(air.datagram(links=(FAR_ROOT, FAR_NODE)), 1, (FAR_ROOT, FAR_NODE))] * heard
    return Capture([*before, air.frame(packet, 2, (FAR_NODE, relay))])


def from_one(kind: int, data: bytes, *receivers: bytes, beside: int = 0) -> Capture:
    """What a node sends to each in turn, to them alone, each with a lower hop limit, and the ``beside``-th answers.

    It is of a protocol without checksum: 59 has nothing behind it (RFC 8200 section 4.7), 253 is for trials (RFC 3692).
    """
    frames: list[bytes] = []
    for number, receiver in enumerate(receivers):
        for links in ((NODE, receiver), *[(receiver, NODE)] * (number < beside)):
            source, to = (air.address(PREFIX, link) for link in links)
            limit = 64 - number if links[0] == NODE else 64
            frames.append(air.frame(air.ip(source, to, kind, data, limit), len(frames), links))
    return Capture([*frames])


def at_the_end(
    to: bytes, link: bytes, device: bytes | None = None, *, heard: bool = False
) -> Capture:
    """A datagram with hop limit 1 to the address made of ``to``, in a frame to ``link``; 0x0001 is ``device``.

    A node has its short address and its EUI-64 (IEEE 802.15.4-2015 clause 6.4.1, from memory).
    """
    packet = air.datagram(links=(FAR_NODE, to), hop_limit=1)
    before = [air.frame(air.datagram(links=(to, FAR_NODE)), 1, (to, FAR_NODE))] * heard
    devices = {} if device is None else {1: device}
    return Capture([*before, air.frame(packet, 2, (FAR_NODE, link))], devices=devices)


ROUTING_NEAR: dict[str, tuple[str, Callable[[], Capture]]] = {
    "two datagrams of which nothing but the headers differs": (
        "datagram-in-a-loop",
        lambda: from_one(59, b"", RELAY, ROOT, beside=1),
    ),
    "two datagrams that say the same to two nodes without a checksum": (
        "datagram-in-a-loop",
        lambda: from_one(253, b"beat", RELAY, ROOT, beside=1),
    ),
    "the same again with a lower hop limit, while nobody else sends": (
        "datagram-in-a-loop",
        lambda: from_one(253, b"beat", RELAY, RELAY),
    ),
    "nothing behind the headers, and again with a lower hop limit": (
        "datagram-in-a-loop",
        lambda: from_one(59, b"", RELAY, RELAY, beside=1),
    ),
    # "a node that is the destination of a packet should not discard" it (RFC 8200 section 3)
    "a hop limit of 1 to the short address of the node itself": (
        "hop-limit-runs-out",
        lambda: at_the_end(ROOT, FAR_ROOT, FAR_ROOT),
    ),
    "a hop limit of 1 to a short address of nobody knows whom": (
        "hop-limit-runs-out",
        lambda: at_the_end(ROOT, FAR_ROOT),
    ),
    "a hop limit of 1 to the EUI-64 of the node itself": (
        "hop-limit-runs-out",
        lambda: at_the_end(FAR_ROOT, ROOT, FAR_ROOT, heard=True),
    ),
    "a hop limit of 1 to an EUI-64 that may be the node's": (
        "hop-limit-runs-out",
        lambda: at_the_end(FAR_ROOT, ROOT, heard=True),
    ),
    "a hop limit of 1 to somebody who was never heard": (
        "hop-limit-runs-out",
        lambda: far_away(heard=False),
    ),
    # RFC 6550 section 6.7.8: a lifetime of 0 says "no path", here to a parent that the node had before
    "a DAO to a former parent": (
        "rank-not-above-parent",
        lambda: daos(512, 512, 512, stored=True, lifetime=0),
    ),
    "a rank of its own in non-storing mode": (
        "rank-not-above-parent",
        lambda: daos(768, 768, 768, stored=False),
    ),
    # the rank of its parent, which is that of a root: "rank-not-above-parent"
    "a node with the rank of a root, whose DAOs name a parent": (
        "two-roots",
        lambda: daos(256, 256, 256, parent=256, stored=True),
    ),
    # a LoWPAN is one PAN: each has an instance 0 of its own
    "a DODAG of the same instance in another PAN": ("two-roots", two_pans),
    "leaves alone": (
        "mode-not-the-roots",
        lambda: dios(dio(NODE, 0xFFFF, mode=1), dio(RELAY, 0xFFFF, mode=2)),
    ),
    # "set to zero by the source": section 11.2; 2 and 1 are DAGRanks, 600 and 700 have one DAGRank
    "a rank that its source does not set": ("rank-error-flagged", lambda: of_ranks(0, 512)),
    "ranks in steps": ("rank-error-flagged", lambda: of_ranks(3, 2)),
    "ranks within a step": ("rank-error-flagged", lambda: of_ranks(600, 700)),
    "ranks within a step that is configured": (
        "rank-error-flagged",
        lambda: of_ranks(600, 1000, increase=512),
    ),
    # O is the first bit; 3 and 2 are DAGRanks
    "a datagram that goes up, as its flag says": (
        "rank-error-flagged",
        lambda: beside_dios(*[(0, 768), (0, 3)] * 3),
    ),
    "datagrams that go down to a node of higher rank": (
        "rank-error-flagged",
        lambda: beside_dios(*[(0x80, 512)] * 3, announced=(512, 768)),
    ),
    # one while a parent changes is no fault, and without a rank its sender says nothing of itself
    "two datagrams that go down to a node of lower rank": (
        "rank-error-flagged",
        lambda: beside_dios((0x80, 768), (0x80, 768)),
    ),
    "datagrams that go down to a node that had another rank before": (
        "rank-error-flagged",
        lambda: Capture(
            [
                air.frame(dio(RELAY, 1024), 99, (RELAY, BROADCAST)),
                *beside_dios(*[(0x80, 768)] * 3).air,
            ]
        ),
    ),
    "datagrams that go down with a rank that nobody set": (
        "rank-error-flagged",
        lambda: beside_dios(*[(0x80, 0)] * 3),
    ),
    "datagrams of a node that has no rank any more": (
        "rank-error-flagged",
        lambda: beside_dios(*[(0x80, 768)] * 3, announced=(0xFFFF, 512)),
    ),
    # RFC 6550 section 11.2.2.2: "MUST update the SenderRank to INFINITE_RANK"
    "a sender rank that leads into the next version": (
        "sender-rank-not-announced",
        lambda: beside_dios(*[(0, 0xFFFF)] * 3),
    ),
    "sender ranks of zero, of the node and in steps": (
        "sender-rank-not-announced",
        lambda: beside_dios((0, 0), (0, 768), (0, 3)),
    ),
    # RFC 6550 section 3.5.1: 700 is 2 steps of 256 and a fraction, as the announced 600 is
    "sender ranks that differ from the announced one within a step": (
        "sender-rank-not-announced",
        lambda: beside_dios(*[(0, 700)] * 3, announced=(600, 256)),
    ),
    # 6 steps of 128 are 768, of 256 there are 3
    "sender ranks in steps that are configured as half of the usual ones": (
        "sender-rank-not-announced",
        lambda: Capture(
            [
                air.frame(dio(ROOT, 128, configured=(12, 8), increase=128), 99, (ROOT, BROADCAST)),
                *beside_dios(*[(0, 6)] * 3).air,
            ]
        ),
    ),
    "a datagram that goes down": ("rank-error-flagged", lambda: of_ranks(512, 768, flags=0x80)),
    # RFC 4861 alone has the flag
    "a prefix on a link without RFC 6775": (
        "prefix-called-on-link",
        lambda: advertised(0xC0, context=False),
    ),
    "DAOs of a parent for each of many nodes": ("control-out-of-proportion", lambda: passed_up(15)),
    "nine questions of each kind": ("control-out-of-proportion", lambda: asking(9)),
}

LOOP: Hops = ((NODE, RELAY, 64), (RELAY, NODE, 63), (NODE, RELAY, 62))
STRAIGHT: Hops = ((NODE, RELAY, 64), (RELAY, ROOT, 63))
AT_RELAY = "frame 2: 0x0018 with hop limit"
ROUTING_CASES: dict[str, Case] = {
    # the node has 64 and two hops later 62 again; what it forwards it does not start
    "datagram-in-a-loop": Case(
        lambda: on_the_way(*LOOP, times=6),
        lambda: on_the_way(*STRAIGHT, (NODE, RELAY, 64), times=6),
        Told(
            "failure",
            "0x0017, 0x0018",
            f"a datagram to {TO_ROOT} comes back to a node that sent it before",
            tuple(
                f"frame {3 * n + 1}: 0x0017 with hop limit 64, frame {3 * n + 3}: 0x0017 with hop limit 62"
                for n in range(4)
            ),
            tuple(range(1, 13)),
            6,
        ),
    ),
    "hop-limit-not-lowered": Case(
        lambda: on_the_way((NODE, RELAY, 63), (RELAY, ROOT, 63)),
        lambda: on_the_way((NODE, RELAY, 63), (NODE, ROOT, 63), (RELAY, ROOT, 62)),
        Told(
            "failure",
            "0x0018",
            "datagrams are forwarded with the hop limit that they came with, 63",
            (f"frame 1: 0x0017 with hop limit 63, {AT_RELAY} 63",),
            (1, 2),
        ),
    ),
    "link-local-source-forwarded": Case(
        lambda: on_the_way(*STRAIGHT, prefix="fe80::"),
        lambda: on_the_way((NODE, RELAY, 64), (NODE, RELAY, 64), prefix="fe80::"),
        Told(
            "failure",
            "0x0017",
            "datagrams from fe80::ff:fe00:17 go over more than one hop",
            (f"frame 1: 0x0017 with hop limit 64, {AT_RELAY} 63",),
            (1, 2),
        ),
    ),
    # to the relay itself a hop limit of 1 is enough
    "hop-limit-runs-out": Case(
        lambda: on_the_way((NODE, RELAY, 1)),
        lambda: on_the_way((NODE, ROOT, 1)),
        Told(
            "failure",
            "0x0017",
            f"datagrams to {TO_ROOT} come to 0x0018 with hop limit 1, which must discard them",
            (f"sent by {FROM}",),
            (1,),
        ),
    ),
    "delivery-error-sent": Case(
        lambda: error(3),
        lambda: error(129),
        Told(
            "risk",
            "2001:db8:1::ff:fe00:18",
            f"2001:db8:1::ff:fe00:18 could not pass datagrams on from {FROM} to {TO_ROOT}: "
            "time exceeded: hop limit exceeded in transit",
            ("ICMPv6 type 3, code 0",),
            (1,),
        ),
    ),
    "two-roots": Case(
        lambda: dios(dio(ROOT, 256), dio(NODE, 256)),
        lambda: dios(dio(ROOT, 256), dio(NODE, 512)),
        Told(
            "failure",
            "DODAG 2001:db8:1::ff:fe00:1",
            "fe80::ff:fe00:1 and fe80::ff:fe00:17 announce the rank of the root, 256",
            (),
            (1, 2),
        ),
    ),
    "rank-not-above-parent": Case(
        lambda: daos(512, 512, 512, stored=True),
        lambda: daos(512, 512, 513, stored=True),
        Told(
            "risk",
            "fe80::ff:fe00:17",
            "the rank is 512, and that of the parent that its DAOs name is 512",
            ("the parent is fe80::ff:fe00:18",),
            tuple(range(1, 10)),
            3,
        ),
    ),
    "mode-not-the-roots": Case(
        lambda: dios(dio(NODE, 512, mode=1), dio(ROOT, 256, mode=2), dio(RELAY, 512, mode=2)),
        # a leaf has no rank, and the next version may have another mode
        lambda: dios(
            dio(ROOT, 256, mode=2), dio(NODE, 0xFFFF, mode=1), dio(ROOT, 256, 241, mode=1)
        ),
        Told(
            "failure",
            "fe80::ff:fe00:17",
            "mode of operation 1 (non-storing) is announced where the DODAG has 2 (storing, no multicast)",
            (f"DODAG {TO_ROOT}, version 240: rank 256 announces 2",),
            (2, 1),
        ),
    ),
    "prefix-called-on-link": Case(
        lambda: advertised(0xC0),
        lambda: advertised(0x40),
        Told(
            "risk",
            "0x0001",
            "2001:db8:1::/64 is advertised as on the link (L)",
            ("with options of RFC 6775",),
            (1,),
        ),
    ),
    # RFC 6550 section 7.2: 241 comes after 240, and 0 after 255
    "version-jumps": Case(
        lambda: dios(dio(ROOT, 256), dio(ROOT, 256, 244), dio(NODE, 512)),
        lambda: dios(dio(ROOT, 256), dio(ROOT, 256, 241), dio(NODE, 512)),
        Told(
            "risk",
            "DODAG 2001:db8:1::ff:fe00:1",
            "the version went from 240 to 244",
            ("frame 1: 240; frame 2: 244",),
            (1, 2),
        ),
    ),
    # 59 s are log2(59 / 4.096) + 1 = 4.8 doublings and one interval more; 25 that Trickle sends take five hours
    "control-out-of-proportion": Case(
        lambda: stormy(float(n) for n in range(1, 61)),
        lambda: stormy(trickle(25, 4.096, 8)),
        Told(
            "risk",
            "fe80::ff:fe00:17",
            "fe80::ff:fe00:17 sent 60 DIO messages in 59 s",
            ("median of the last 16 intervals: 1 s; Trickle has room for 6",),
            tuple(range(1, 9)),
            60,
        ),
    ),
    # R is the second bit, F the third; the first says which way it goes
    "rank-error-flagged": Case(
        lambda: with_flags(0x40),
        lambda: with_flags(0x80),
        Told(
            "risk",
            "0x0017",
            "the RPL option says that a rank did not fit the direction (R)",
            ("sender rank 512",),
            (1,),
        ),
    ),
    # the node has rank 768, which is 3 steps of 256; 128 is that of nobody
    "sender-rank-not-announced": Case(
        lambda: beside_dios(*[(0, 128)] * 3),
        lambda: beside_dios((0, 128), (0, 128), (0, 768)),
        Told(
            "risk",
            "0x0017",
            "the RPL option says sender rank 128, the DIOs of 0x0017 say 768",
            (),
            (3, 10, 6, 9),
            3,
        ),
    ),
}
