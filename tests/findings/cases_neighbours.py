"""What neighbour discovery proves in further branches, and near misses that stay silent."""

from collections.abc import Callable

from findings import air
from findings.air import FAR_NODE, ROOT, Capture
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
)

NEIGHBOUR_NEAR: dict[str, tuple[str, Callable[[], Capture]]] = {
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
