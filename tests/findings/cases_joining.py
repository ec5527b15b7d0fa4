"""A capture that fires each finding about nodes that are not let in, and near misses that do not."""

from collections.abc import Callable
from itertools import pairwise

from findings import air
from findings.air import FAR_NODE, FAR_ROOT, NODE, ROOT, Capture
from findings.judge import Case, Told

from lowpanbudget import encode_frame
from lowpanbudget.layers.link.mac import FrameType

RELAY = b"\x00\x18"


def answered(*statuses: int, router: bytes = ROOT) -> list[bytes]:
    """Advertisements to FAR_NODE: type 33, two units, status, three octets, 60 minutes, EUI-64 (RFC 6775 section 4.1).

    They go "to the link-local IPv6 address with the Interface ID part derived from the EUI-64" (section 6.5.2).
    """
    ends = air.address("fe80::", router), air.address("fe80::", FAR_NODE)
    frames = []
    for number, status in enumerate(statuses):
        option = bytes([33, 2, status, 0, 0, 0, 0, 60]) + FAR_NODE
        body = bytes([0x40, 0, 0, 0]) + ends[0].packed + option
        frames.append(air.frame(air.nd_message(136, body, *ends), number, (router, FAR_NODE)))
    return frames


def registered(eui: bytes) -> Capture:
    """A registration that FAR_NODE sends for its address, with this EUI-64."""
    source, to = air.address(air.PREFIX, FAR_NODE), air.address("fe80::", ROOT)
    body = bytes(4) + to.packed + bytes([33, 2, 0, 0, 0, 0, 0, 60]) + eui
    return Capture([air.frame(air.nd_message(135, body, source, to), 1, (FAR_NODE, ROOT))])


def confirmed(status: int, *way: bytes) -> list[bytes]:
    """A duplicate address confirmation to the router, over the nodes between it and the root.

    Status, reserved, 60 minutes, EUI-64, address (RFC 6775 section 4.4).
    """
    ends = air.address(air.PREFIX, ROOT), air.address(air.PREFIX, RELAY)
    body = bytes([status, 0, 0, 60]) + FAR_NODE + air.address(air.PREFIX, FAR_NODE).packed
    return [
        air.frame(air.nd_message(158, body, *ends, hop_limit=64 - hop), 9, link)
        for hop, link in enumerate(pairwise((ROOT, *way, RELAY)))
    ]


def acknowledged(*statuses: int, parent: bytes = ROOT) -> list[bytes]:
    """DAO-ACKs: instance 0, no DODAGID, the sequence, the status (RFC 6550 section 6.5.1)."""
    ends = air.address("fe80::", parent), air.address("fe80::", NODE)
    frames = []
    for number, status in enumerate(statuses):
        message = air.icmpv6(155, bytes([0, 0, number, status]), *ends, code=3)
        frames.append(air.frame(air.ip(*ends, 58, message, 255), number, (parent, NODE)))
    return frames


def associated(*statuses: int) -> Capture:
    """Association responses: short address, 0xffff for none, and status (IEEE 802.15.4-2015 7.5.3, from memory)."""
    mac = [
        air.mac(number, (FAR_ROOT, FAR_NODE), frame_type=FrameType.COMMAND)
        for number in range(len(statuses))
    ]
    return Capture(
        [
            encode_frame(header, bytes([2, 0xFF, 0xFF, status])).octets
            for header, status in zip(mac, statuses, strict=True)
        ]
    )


EUI = "02:5e:10:00:00:00:00:17"
CHILD, PARENT = "fe80::ff:fe00:17", "fe80::ff:fe00:1"
FULL = "status 2, neighbour cache full"
JOINING_CASES: dict[str, Case] = {
    "association-refused": Case(
        lambda: associated(1, 1),
        lambda: associated(1, 0),
        Told(
            "failure",
            EUI,
            "the coordinator refuses its association: status 1, PAN at capacity",
            ("02:5e:10:00:00:00:00:01 answers with status 1, PAN at capacity, 2 times",),
            (1, 2),
            2,
        ),
    ),
    # the router that is full refuses twice; another that accepts ends it
    "registration-refused": Case(
        lambda: Capture([*answered(2, 2)]),
        lambda: Capture([*answered(2, 2), *answered(0, router=RELAY)]),
        Told(
            "failure",
            EUI,
            f"routers refuse what it registers: {FULL}",
            (f"{PARENT} answers with {FULL}, 2 times",),
            (1, 2),
            2,
        ),
    ),
    "dao-refused": Case(
        lambda: Capture([*acknowledged(180, 180)]),
        lambda: Capture([*acknowledged(180, 180), *acknowledged(0, parent=RELAY)]),
        Told(
            "failure",
            CHILD,
            "its DAO messages are rejected: status 180, rejected",
            (f"{PARENT} answers with status 180, rejected, 2 times",),
            (1, 2),
            2,
        ),
    ),
}

JOINING_NEAR: dict[str, tuple[str, Callable[[], Capture]]] = {
    # "willing to act as a parent, but ... suggested to find and use an alternate parent"
    "a DAO that is better sent to another parent": (
        "dao-refused",
        lambda: Capture([*acknowledged(127, 127)]),
    ),
    "a full router beside the one that a node has": (
        "registration-refused",
        lambda: Capture([*answered(0), *answered(2, router=RELAY), *answered(0)]),
    ),
    "a node that moved to another router": (
        "registration-refused",
        lambda: Capture([*answered(0), *answered(3, 3, 4, router=RELAY)]),
    ),
    "an EUI-64 as it is": ("address-octets-reversed", lambda: registered(FAR_NODE)),
    "an EUI-64 of somebody else": ("address-octets-reversed", lambda: registered(bytes(7) + b"1")),
    "the second device of an address": (
        "registration-refused",
        lambda: Capture([*answered(1, 1)]),
    ),
}
