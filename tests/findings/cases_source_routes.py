"""Captures with plain source routes (RFC 6554): what each finding says of them, and near misses.

The root 0x0001 sends over the relays 0x0018 and 0x0019 to the node 0x0017. On each hop the router "swap[s] the IPv6
Destination Address and Address[i]" and lowers Segments Left by one (section 4.2); octets are put together here.
"""

from collections.abc import Callable
from functools import partial
from itertools import pairwise

from findings import air
from findings.air import NODE, PREFIX, ROOT, Capture
from findings.cases_fragments import ROUTED, routed_packet
from findings.cases_further import ALONE, OTHER_WORDS, PORTS, Further
from findings.cases_nodes import acknowledgement
from findings.judge import Case, Told

NEXT, LAST = b"\x00\x18", b"\x00\x19"
WAY = (ROOT, NEXT, LAST, NODE)
FROM_ROOT, TO_NODE = air.address(PREFIX, ROOT), air.address(PREFIX, NODE)
Sent = list[tuple[float, bytes]]


def source_route(left: int, *nodes: bytes) -> bytes:
    """RFC 6554 section 3: CmprI and CmprE are 14, so that two octets are left of each address; then padding."""
    pad = -2 * len(nodes) % 8
    length = (2 * len(nodes) + pad) // 8
    return bytes([17, length, 3, left, 0xEE, pad << 4, 0, 0]) + b"".join(nodes) + bytes(pad)


def down(
    at: float, number: int, segment: bytes, way: tuple[bytes, ...] = WAY, *, keeps: bool = False
) -> Sent:
    """A UDP segment from the root to the node, 0.1 s apart; with ``keeps`` no router lowers Segments Left."""
    frames, ahead = [], [*way[2:]]
    for passed, links in enumerate(pairwise(way)):
        if passed:
            ahead[passed - 1] = way[passed]
        route = source_route(len(ahead) - (0 if keeps else passed), *ahead)
        packet = air.ip(FROM_ROOT, air.address(PREFIX, links[1]), 43, route + segment, 64 - passed)
        frames.append((at + passed / 10, air.frame(packet, number, links)))
    return frames


def up(at: float, number: int, segment: bytes) -> Sent:
    """A UDP segment from the node to the root, on each of its hops."""
    frames = []
    for passed, links in enumerate(pairwise(WAY[::-1])):
        packet = air.ip(TO_NODE, FROM_ROOT, 17, segment, 64 - passed)
        frames.append((at + passed / 10, air.frame(packet, number, links)))
    return frames


def reported(*, answered: bool, times: int = 5) -> Capture:
    """Confirmable POSTs of the node a minute apart, and 2.04 by a source route (RFC 7252 section 5.2.1)."""
    frames: Sent = []
    for number in range(times):
        at, mid = 1.0 + 60 * number, 300 + number
        request = air.coap_message(data=b"20", mid=mid, token=b"t")
        answer = air.coap_message(kind=2, code=68, mid=mid, token=b"t")
        frames += up(at, number, air.udp(request, TO_NODE, FROM_ROOT, (0xF0B1, 5683)))
        if answered:
            back = air.udp(answer, FROM_ROOT, TO_NODE, (5683, 0xF0B1))
            frames += down(at + 1, number, back)
    return Capture([*frames, (400.0, air.frame(air.datagram(), 200))])


def asked(times: int = 4, way: tuple[bytes, ...] = WAY, *, keeps: bool = False) -> Capture:
    """Confirmable requests of the root by a source route, which nothing answers."""
    frames: Sent = []
    for number in range(times):
        request = air.coap_message(code=3, data=b"on", mid=700 + number)
        segment = air.udp(request, FROM_ROOT, TO_NODE, (0xF0B1, 5683))
        frames += down(1.0 + 60 * number, number, segment, way, keeps=keeps)
    return Capture([*frames, (400.0, air.frame(air.datagram(), 200))])


def astray(times: int = 12, *, first: int = 0) -> Capture:
    """Requests that a router sends on with a route that ends at itself, answered; and readings for that router.

    Heard from the ``first`` of their hops on; the router acknowledges what is its own.
    """
    to_router = air.address(PREFIX, NEXT)
    frames: Sent = []
    for number in range(times):
        at, request = 1.0 + 20 * number, air.coap_message(code=1, mid=700 + number)
        segment = air.udp(request, FROM_ROOT, TO_NODE, (0xF0B1, 5683))
        answer = air.coap_message(kind=2, code=69, mid=700 + number)
        back = air.udp(answer, TO_NODE, FROM_ROOT, (5683, 0xF0B1))
        frames += down(at, number, segment, NEAR_WAY, keeps=True)[first:]
        frames += up(at + 1, number, back)[:1]
        own = air.udp(b"reading %d" % number, FROM_ROOT, to_router)
        taken = air.ip(FROM_ROOT, to_router, 17, own)
        frames += [(at + 2, air.frame(taken, number + 100, (ROOT, NEXT)))]
        frames += [(at + 2.001, acknowledgement(number + 100))]
    return Capture([*frames, (400.0, air.frame(air.datagram(), 200))])


def readings(
    way: tuple[bytes, ...] = WAY,
    over: bytes = NODE,
    *,
    keeps: bool = False,
    first: int = 0,
    times: int = 3,
) -> Capture:
    """Readings to the node, with checksums over the address of a node, heard from the ``first`` of their hops on."""
    frames: Sent = []
    for number in range(times):
        segment = air.udp(b"reading %d" % number, FROM_ROOT, air.address(PREFIX, over))
        frames += down(1.0 + 60 * number, number, segment, way, keeps=keeps)[first:]
    return Capture([*frames])


def of_other_prefix() -> Capture:
    """Readings over two hops, with checksums over another prefix of the node: 0x0012 is 0x0011 more than 0x0001."""
    frames: Sent = []
    for number in range(3):
        segment = air.udp(bytes([number]) * 7, air.address("2001:db8:12::", NODE), FROM_ROOT)
        frames += up(1.0 + 60 * number, number, segment)
    return Capture([*frames])


def through_tunnel(second: int) -> Capture:
    """A datagram in a tunnel, in fragments on two hops, the outer hop limit 64 and then ``second``.

    A node in a tunnel lowers the hop limit of the outer header alone: the inner one falls at the entry (RFC 2473
    section 3.1).
    """
    frames: list[bytes | tuple[float, bytes]] = []
    inside = air.datagram(bytes(160), links=(ROOT, NODE))
    for at, (limit, links) in enumerate(zip((64, second), pairwise(NEAR_WAY), strict=True)):
        route = source_route(1 - at, (NODE, NEXT)[at])
        route = bytes([41]) + route[1:]
        packet = air.ip(FROM_ROOT, air.address(PREFIX, links[1]), 43, route + inside, limit)
        frames += [(1.0 + at, one) for one in air.pieces(packet, links, tag=7 + at)]
    return Capture(frames)


def asked_behind_one_router() -> Capture:
    """Requests of the root to two nodes by source routes that begin alike, each with message IDs of its own.

    RFC 7252 section 4.4: "The same Message ID MUST NOT be reused (in communicating with the same endpoint)".
    """
    frames: Sent = []
    for number in range(4):
        for place, node in enumerate((NODE, LAST)):
            ends = FROM_ROOT, air.address(PREFIX, node)
            token = bytes([number, place])
            request = air.coap_message(code=1, mid=number, token=token)
            segment = air.udp(request, *ends, ports=(5683, 5683))
            at = 1.0 + 60 * number + 15 * place
            frames += down(at, 2 * number + place, segment, (ROOT, NEXT, node))
    return Capture([*frames])


NEAR_WAY = (ROOT, NEXT, NODE)
SOURCE_ROUTE_CASES: dict[str, Case] = {
    # the node takes 0x0018, now the last address, for the end: the checksum is wrong for it, which is no more to tell
    "segments-left-not-lowered": Case(
        lambda: readings(NEAR_WAY, keeps=True),
        lambda: readings(NEAR_WAY),
        Told(
            "failure",
            "0x0018",
            "datagrams come with 1 segment of their route left and are forwarded with 1",
            tuple(
                f"frame {at}: 0x0001 to 2001:db8:1::ff:fe00:18, "
                f"frame {at + 1}: 0x0018 to 2001:db8:1::ff:fe00:17"
                for at in (1, 3, 5)
            ),
            (1, 2, 3, 4, 5, 6),
            3,
        ),
    ),
}


def size_of_route(less: int) -> Capture:
    """The first of two fragments, all but 16 octets of the packet; ``less`` of its size are not counted."""
    packet = routed_packet()
    head = (len(packet) - less).to_bytes(2, "big")
    begun = air.payload(packet, ROUTED, lorh=True)[:-16]
    return Capture([air.raw(bytes([0xC0 | head[0], head[1], 0, 7]) + begun, 1, ROUTED)])


SOURCE_ROUTE_FURTHER = (
    # 232 octets: 8 + 2 x 16 are the route, which leaves 192; 216 are here
    *(
        Further(
            "datagram-size-too-small",
            partial(size_of_route, less),
            Told(
                severity,
                "0x0001",
                f"the first fragment alone stands for 216 octets, datagram_size says {232 - less}",
                ("141 octets behind the fragment header on the air", why),
                (1,),
            ),
        )
        for less, severity, why in (
            # 39 less than what RPL added, and all 40 of it: then nothing of the datagram would be left to follow
            (55, "remark", "the size fits where what RPL added counts in another form (RFC 8138)"),
            (56, "failure", "the size fits the compressed form"),
        )
    ),
    # 40 + 16 + 208 octets: two fragments a hop
    Further(
        "hop-limit-not-lowered",
        lambda: through_tunnel(64),
        Told(
            "failure",
            "0x0018",
            "datagrams are forwarded with the hop limit that they came with, 64",
            ("frame 1: 0x0001 with hop limit 64, frame 3: 0x0018 with hop limit 64",),
            (1, 3),
        ),
    ),
    # of a router that does so in the middle of a way the sums stay right
    Further(
        "segments-left-not-lowered",
        lambda: Capture(readings(keeps=True, times=1).air[:2]),
        Told(
            "failure",
            "0x0018",
            "datagrams come with 2 segments of their route left and are forwarded with 2",
            (
                "frame 1: 0x0001 to 2001:db8:1::ff:fe00:18, frame 2: 0x0018 to 2001:db8:1::ff:fe00:19",
            ),
            (1, 2),
        ),
    ),
    # heard on three hops each, told where they are heard first
    Further(
        "checksum-over-other-destination",
        lambda: readings(over=NEXT, times=1),
        Told(
            "failure",
            "0x0001: the pseudo-header holds another destination on the way",
            "the checksum is right when the pseudo-header holds 2001:db8:1::ff:fe00:18, not 2001:db8:1::ff:fe00:17",
            # 0x0018 is one more than 0x0017; the source's 3, both routers, no length, and 5 ways to count the header
            ("checksum carried 0xf081, computed here 0xf082; 12 readings tried",),
            (1,),
        ),
    ),
    Further(
        "prefix-of-context-differs",
        of_other_prefix,
        Told(
            "failure",
            "0x0017",
            # half of an odd sum is 0x8008, 0x7ff7 less; what routers send on is theirs no more than the sum is
            "the words of the prefix of context 0 sum up to 0x7ff7 less at the sender than here, or to 0x0011 more in "
            "one address alone",
            (
                "all 3 wrong sums differ by +0x0011",
                f"{OTHER_WORDS} a009:db8:1::/64 or 2001:8dc0:1::/64 or 2001:db8:8009::/64 or 2001:db8:1:8008::/64",
                f"{ALONE} 2012:db8:1::/64 or 2001:dc9:1::/64 or 2001:db8:12::/64 or 2001:db8:1:11::/64",
                f"{PORTS} source 61634 in place of 61617 or destination 61635 in place of 61618",
            ),
            (1, 4, 7),
            3,
        ),
    ),
    # four requests, each heard on three hops; the node is the last address of the route
    Further(
        "request-never-answered",
        asked,
        Told(
            "risk",
            "2001:db8:1::ff:fe00:17",
            "2001:db8:1::ff:fe00:17 answers none of 4 requests on port 5683",
            ("the first 399 s before the capture ends",),
            (1, 4, 7),
            4,
        ),
    ),
)

SOURCE_ROUTE_NEAR: dict[str, tuple[str, Callable[[], Capture]]] = {
    "requests on a route that its router makes end at itself": (
        "request-never-answered",
        astray,
    ),
    "requests on such a route, heard behind that router": (
        "request-never-answered",
        lambda: astray(first=1),
    ),
    "what a router takes that is the last of such routes": (
        "datagrams-not-sent-on",
        astray,
    ),
    "a tunnel whose datagrams come in fragments": (
        "hop-limit-not-lowered",
        lambda: through_tunnel(63),
    ),
    "requests whose answers come by a source route": (
        "request-never-answered",
        lambda: reported(answered=True),
    ),
    "requests to two nodes behind one router": ("request-repeated", asked_behind_one_router),
    # the first router stands among the addresses visited
    "sums over the first router, of whose hop nothing was heard": (
        "prefix-of-context-differs",
        lambda: readings(over=NEXT, first=1),
    ),
    "sums over the first router, heard on the last hop alone": (
        "prefix-of-context-differs",
        lambda: readings(over=NEXT, first=2),
    ),
}
