"""What neighbour discovery proves in further branches, and near misses that stay silent."""

import struct
from collections.abc import Callable

from findings import air
from findings.air import FAR_NODE, NODE, ROOT, Capture
from findings.cases_further import Further
from findings.cases_joining import EUI, PARENT, RELAY
from findings.judge import Told


def moved(*tids: int, router: bytes = ROOT, answers: int = 3) -> Capture:
    """Registrations with these transaction ids, and advertisements with status 3 to them (RFC 8505 section 4.1).

    Type 33, two units, status, opaque, the T flag, TID, 60 minutes, ROVR.
    """
    source, to = air.address(air.PREFIX, FAR_NODE), air.address("fe80::", ROOT)
    back = air.address("fe80::", router), air.address("fe80::", FAR_NODE)
    frames = []
    for number, tid in enumerate(tids):
        asks = bytes([33, 2, 0, 0, 1, tid, 0, 60]) + FAR_NODE
        said = bytes([33, 2, answers, 0, 1, tid, 0, 60]) + FAR_NODE
        ask = air.nd_message(135, bytes(4) + to.packed + asks, source, to)
        told = air.nd_message(136, bytes([0x40, 0, 0, 0]) + back[0].packed + said, *back)
        frames.append(air.frame(ask, number, (FAR_NODE, ROOT)))
        frames.append(air.frame(told, number, (router, FAR_NODE)))
    return Capture([*frames])


def passed_on(*steps: tuple[bytes, int, bool, int], by: bytes | None = None) -> Capture:
    """What routers say of a context, 10 s apart: who, in which version, whether with C = 1, for how many minutes.

    Each says it to FAR_NODE, with the version of the border router (RFC 6775 section 4.3): type 35, three units, the
    lower half of the version, the upper one, lifetime, address. 10 s later a node may compress with it: then it is
    context 1, which is given, else 3.
    """
    frames: list[bytes | tuple[float, bytes]] = []
    for n, (router, version, compress, minutes) in enumerate(steps):
        ends = air.address("fe80::", router), air.address("fe80::", FAR_NODE)
        context = air.context_option(
            3 if by is None else 1, HELD, compress=compress, minutes=minutes
        )
        border = struct.pack(">BBHHHH", 35, 3, version, 0, 0, 0)[:8] + ROOT_ADDRESS.packed
        body = bytes([64, 0]) + struct.pack(">HII", 1800, 0, 0) + context + border
        packet = air.nd_message(134, body, *ends)
        frames.append((1 + 10.0 * n, air.frame(packet, n, (router, FAR_NODE))))
    if by is not None:
        links = by, ROOT
        used = air.frame(air.datagram(prefix=HELD.removesuffix("/64"), links=links), 99, links)
        frames.append((1 + 10.0 * len(steps), used))
    return Capture(frames)


HELD = "2001:db8:2::/64"
ROOT_ADDRESS = air.address(air.PREFIX, ROOT)
MOVED = "status 3, moved: a more recent registration exists"

NEIGHBOUR_FURTHER = (
    # "The registration failed because it is not the most recent ... It could also indicate a ROVR collision"
    Further(
        "registration-refused",
        lambda: moved(7, 8, 9),
        Told(
            "failure",
            EUI,
            f"routers refuse what it registers: {MOVED}",
            (f"{PARENT} answers with {MOVED}, 3 times",),
            (2, 4, 6),
            3,
        ),
    ),
    # "Otherwise, the recorded information and version number are updated" (RFC 6775 section 8.1.3), and the router that
    # says so in frame 2 compresses with the context 10 s later
    Further(
        "context-used-too-soon",
        lambda: passed_on((ROOT, 1, True, 60), (RELAY, 2, False, 60), by=RELAY),
        Told(
            "failure",
            "0x0018: context 1",
            f"context 1 ({HELD}) is announced for expanding only (C = 0), and headers are compressed with it",
            ("frame 2: announcement; frame 3: used 10.0 s later",),
            (3,),
        ),
    ),
    # the same version cannot say both: "The version number ... increases this version number each time"
    Further(
        "context-announced-otherwise",
        lambda: passed_on((ROOT, 2, True, 60), (RELAY, 2, True, 0)),
        Told(
            "risk",
            "0x0018",
            "contexts are announced otherwise than they hold",
            (f"context 3 is {HELD} by fe80::ff:fe00:1, and withdrawn by fe80::ff:fe00:18",),
            (2,),
        ),
    ),
)

NEIGHBOUR_NEAR: dict[str, tuple[str, Callable[[], Capture]]] = {
    "a later version of the border router that another router passes on": (
        "context-announced-otherwise",
        lambda: passed_on((ROOT, 1, True, 60), (RELAY, 2, True, 0)),
    ),
    # "less than the stored version number, then the information in the RA is silently ignored" (section 8.1.3)
    "an older version of the border router": (
        "context-announced-otherwise",
        lambda: passed_on((ROOT, 2, True, 60), (RELAY, 1, True, 0)),
    ),
    # it may not have heard of it yet: MIN_CONTEXT_CHANGE_DELAY is 300 s (section 9)
    "a node that goes on while a change is spread": (
        "context-used-too-soon",
        lambda: passed_on((ROOT, 1, True, 60), (RELAY, 2, False, 60), by=NODE),
    ),
    # "One possible cause is a stale registration that has progressed slowly in the network" (RFC 8505 table 1)
    "a stale registration that is told three times": (
        "registration-refused",
        lambda: moved(7, 7, 8, 7),
    ),
    # "an asynchronous NA(EARO) ... to clean up the state in the previous location" (section 5.7)
    "a router that the node left": (
        "registration-refused",
        lambda: moved(7, 8, 9, router=RELAY),
    ),
    "registrations that were removed": (
        "registration-refused",
        lambda: moved(7, 8, 9, answers=4),
    ),
}
