"""Captures with plain source routes (RFC 6554): what each finding says of them, and near misses.

The root 0x0001 sends over the relays 0x0018 and 0x0019 to the node 0x0017. On each hop the router "swap[s] the IPv6
Destination Address and Address[i]" and lowers Segments Left by one (section 4.2); octets are put together here.
"""

from collections.abc import Callable
from itertools import pairwise

from findings import air
from findings.air import NODE, PREFIX, ROOT, Capture
from findings.cases_further import Further
from findings.judge import Told

NEXT, LAST = b"\x00\x18", b"\x00\x19"
WAY = (ROOT, NEXT, LAST, NODE)
FROM_ROOT, TO_NODE = air.address(PREFIX, ROOT), air.address(PREFIX, NODE)
Sent = list[tuple[float, bytes]]


def source_route(left: int, *nodes: bytes) -> bytes:
    """RFC 6554 section 3: CmprI and CmprE are 14, so that two octets are left of each address; then padding."""
    pad = -2 * len(nodes) % 8
    length = (2 * len(nodes) + pad) // 8
    return bytes([17, length, 3, left, 0xEE, pad << 4, 0, 0]) + b"".join(nodes) + bytes(pad)


def down(at: float, number: int, segment: bytes) -> Sent:
    """A UDP segment from the root to the node, on each of its hops 0.1 s apart."""
    frames, ahead = [], [*WAY[2:]]
    for passed, links in enumerate(pairwise(WAY)):
        if passed:
            ahead[passed - 1] = WAY[passed]
        route = source_route(len(ahead) - passed, *ahead)
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


def asked(times: int = 4) -> Capture:
    """Confirmable requests of the root by a source route, which nothing answers."""
    frames: Sent = []
    for number in range(times):
        request = air.coap_message(code=3, data=b"on", mid=700 + number)
        segment = air.udp(request, FROM_ROOT, TO_NODE, (0xF0B1, 5683))
        frames += down(1.0 + 60 * number, number, segment)
    return Capture([*frames, (400.0, air.frame(air.datagram(), 200))])


SOURCE_ROUTE_FURTHER = (
    # four requests, each heard on three hops; the node is the last address of the route
    Further(
        "request-never-answered",
        asked,
        Told(
            "risk",
            "2001:db8:1::ff:fe00:1",
            "2001:db8:1::ff:fe00:17 answers none of 4 requests on port 5683",
            ("the first 399 s before the capture ends",),
            (1, 4, 7),
            4,
        ),
    ),
)

SOURCE_ROUTE_NEAR: dict[str, tuple[str, Callable[[], Capture]]] = {
    "requests whose answers come by a source route": (
        "request-never-answered",
        lambda: reported(answered=True),
    ),
}
