"""A capture that fires each finding about nodes that are not let in, and near misses that do not."""

from collections import Counter
from collections.abc import Callable, Iterable
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
    aro = bytes([33, 2, 0, 0, 0, 0, 0, 60]) + eui
    body = bytes(4) + to.packed + air.sllao(FAR_NODE) + aro
    return Capture([air.frame(air.nd_message(135, body, source, to), 1, (FAR_NODE, ROOT))])


def gone_on(*, missed: bool, router: bytes = RELAY) -> Capture:
    """A node that the root refuses twice, and that then asks a router, which is not heard to answer.

    ``missed``: the numbers of RELAY leave a place for it.
    """
    source, to = air.address(air.PREFIX, FAR_NODE), air.address("fe80::", router)
    body = (
        bytes(4)
        + source.packed
        + air.sllao(FAR_NODE)
        + bytes([33, 2, 0, 0, 0, 0, 0, 60])
        + FAR_NODE
    )
    ask = air.frame(air.nd_message(135, body, source, to), 1, (FAR_NODE, router))
    heard = [
        air.frame(air.datagram(links=(RELAY, ROOT)), number, (RELAY, ROOT))
        for number in (7, 8 + missed)
    ]
    return Capture([heard[0], *answered(2, 2), ask, heard[1]])


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


def unanswered(
    *daos: tuple[float, int],
    more: Iterable[tuple[float, bytes]] = (),
    k: int = 0x80,
    until: float = 100.0,
    root: bytes = ROOT,
    missed: frozenset[bytes] = frozenset(),
    turned: bool = False,
) -> Capture:
    """DAOs of NODE to its parent, each a time and a sequence, with the flag K (RFC 6550 section 6.4.1), and others.

    Target and transit option as in sections 6.7.7 and 6.7.8. ``root`` sends at 1 s and when the capture ends. Each
    sender counts its frames; of those of ``missed`` every other one goes unheard. ``turned``: the target stands last.
    """
    ends = air.address("fe80::", NODE), air.address("fe80::", ROOT)
    frames = [
        (at, air.frame(air.datagram(links=(root, NODE)), 50, (root, NODE))) for at in (1.0, until)
    ]
    for at, sequence in daos:
        options = [
            bytes([5, 18, 0, 128]) + air.address(air.PREFIX, NODE).packed,
            bytes([6, 4, 0, 0, sequence, 120]),
        ]
        body = bytes([0, k, 0, sequence]) + b"".join(options[::-1] if turned else options)
        packet = air.ip(*ends, 58, air.icmpv6(155, body, *ends, code=2), 255)
        frames.append((at, air.frame(packet, sequence, (NODE, ROOT))))
    counts = Counter[bytes]()
    numbered = []
    for at, octets in sorted([*frames, *more]):
        source = octets[8:6:-1]  # behind frame control, number, PAN and destination
        counts[source] += 1 + (source in missed)
        numbered.append((at, air.mended(octets[:2] + bytes([counts[source]]) + octets[3:])))
    return Capture([*numbered])


def daos_each_3_s(k: int, answered: int = 0) -> Capture:
    """24 DAOs, the first of which have an answer."""
    answers = [(4.0 + 3 * n, granted(n)) for n in range(answered)]
    return unanswered(*[(3.0 + 3 * n, n) for n in range(24)], k=k, more=answers, until=200.0)


# IPHC with context 15, which nobody gave or announced (RFC 6282 section 3.1.2)
UNREADABLE = air.raw(bytes.fromhex("7ef7ff") + bytes(20), 60, (ROOT, NODE))


def granted(sequence: int) -> bytes:
    """The DAO-ACK to this sequence."""
    return acknowledged(*[0] * (sequence + 1))[-1]


def passed_on(code: int, at: float, *way: bytes) -> list[tuple[float, bytes]]:
    """A DAO with K (2) or a DAO-ACK (3) of sequence 1 between NODE and ROOT, over the nodes of the way, 1 s each."""
    ends = air.address(air.PREFIX, way[0]), air.address(air.PREFIX, way[-1])
    body = bytes([0, 0x80, 0, 1]) if code == 2 else bytes([0, 0, 1, 0])
    message = air.icmpv6(155, body, *ends, code=code)
    return [
        (at + hop, air.frame(air.ip(*ends, 58, message, 64 - hop), 20 * code + hop, link))
        for hop, link in enumerate(pairwise(way))
    ]


def led(at: float, *, compressed: bool = True) -> tuple[float, bytes]:
    """A datagram from the root to NODE under a source route: on its last hop one entry of 2 octets (RFC 8138
    section 5.1), or a routing header whose last segment is left, behind RELAY (RFC 6554 section 3).
    """
    source, to = (air.address(air.PREFIX, link) for link in (ROOT, NODE))
    if compressed:
        sent = air.payload(air.ip(source, to, 17, air.udp(b"on", source, to)), (RELAY, NODE))
        return at, air.raw(b"\xf1\x80\x01" + NODE + sent, 70, (RELAY, NODE))
    route = bytes([17, 2, 3, 1, 0, 0, 0, 0]) + to.packed
    first = air.address(air.PREFIX, RELAY)
    packet = air.ip(source, first, 43, route + air.udp(b"on", source, to))
    return at, air.frame(packet, 71, (ROOT, RELAY))


DAO_ACK_MISSING = "no DAO-ACK comes from fe80::ff:fe00:1"
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
    # the third of them is answered; 100 - 8 = 92
    "dao-never-acknowledged": Case(
        lambda: unanswered((8, 1), (28, 2), (48, 3)),
        lambda: unanswered((8, 1), (28, 2), (48, 3), more=[(49, granted(3))]),
        Told(
            "failure",
            CHILD,
            DAO_ACK_MISSING,
            (f"{CHILD} asked 3 times, first 92 s before the capture ends",),
            (2, 3, 4),
            3,
        ),
    ),
}

JOINING_NEAR: dict[str, tuple[str, Callable[[], Capture]]] = {
    # dao-never-acknowledged tells why
    "DAOs that are sent again for want of an answer": (
        "control-out-of-proportion",
        lambda: daos_each_3_s(0x80),
    ),
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
    # "SHOULD remove this router ... and attempt to register with another router" (RFC 6775 section 5.5.3)
    "a router that a node goes on to, whose answer may have gone unheard": (
        "registration-refused",
        lambda: gone_on(missed=True),
    ),
    "an EUI-64 as it is": ("address-octets-reversed", lambda: registered(FAR_NODE)),
    "an EUI-64 of somebody else": ("address-octets-reversed", lambda: registered(bytes(7) + b"1")),
    "a DAO-ACK that the capture had no time for": (
        "dao-never-acknowledged",
        lambda: unanswered((8, 1), (28, 2), (48, 3), until=60.0),
    ),
    "DAO messages that do not ask": (
        "dao-never-acknowledged",
        lambda: unanswered((8, 1), (28, 2), (48, 3), k=0),
    ),
    "a parent that the capture does not hear": (
        "dao-never-acknowledged",
        lambda: unanswered((8, 1), (28, 2), (48, 3), root=RELAY),
    ),
    # "it MUST discard the DAO" (RFC 6550 section 9.4, rule 6): nobody answers, which "rpl-message-of-wrong-form" tells
    "DAOs whose transit information stands before their target": (
        "dao-never-acknowledged",
        lambda: unanswered((8, 1), (28, 2), (48, 3), turned=True),
    ),
    # the manual's "Only where the frame numbers of whoever would bring the answer leave no place": our choice, as for
    # registrations
    "DAO-ACKs that may have gone unheard, of the root": (
        "dao-never-acknowledged",
        lambda: unanswered((8, 1), (28, 2), (48, 3), missed=frozenset({ROOT})),
    ),
    "DAO-ACKs that may have gone unheard, of the relay that brings them": (
        "dao-never-acknowledged",
        lambda: unanswered(
            more=[one for at in (8, 18, 28, 38) for one in passed_on(2, at, NODE, RELAY, ROOT)],
            missed=frozenset({RELAY}),
        ),
    ),
    # one of three may be in it
    "a frame that cannot be read after three DAOs": (
        "dao-never-acknowledged",
        lambda: unanswered((8, 1), (28, 2), (48, 3), more=[(50, UNREADABLE)]),
    ),
    "two DAO-ACKs missed after one": (
        "dao-never-acknowledged",
        lambda: unanswered((4, 1), (8, 2), (28, 3), more=[(5, granted(1))]),
    ),
    # the root makes it of DAOs (RFC 6550 section 9.7)
    "a source route after two DAOs that seem unanswered": (
        "dao-never-acknowledged",
        lambda: unanswered((8, 1), (28, 2), more=[led(60)]),
    ),
    "a source route that is no 6LoRH": (
        "dao-never-acknowledged",
        lambda: unanswered((8, 1), (28, 2), more=[led(60, compressed=False)]),
    ),
    "a DAO-ACK heard on its first hop alone": (
        "dao-never-acknowledged",
        lambda: unanswered(
            more=[*passed_on(2, 8, NODE, RELAY, ROOT), passed_on(3, 12, ROOT, RELAY, NODE)[0]],
            root=RELAY,
        ),
    ),
    "a DAO-ACK to another address of the node": (
        "dao-never-acknowledged",
        lambda: unanswered((8, 1), (28, 1), (48, 1), more=passed_on(3, 50, ROOT, NODE)),
    ),
    "the second device of an address": (
        "registration-refused",
        lambda: Capture([*answered(1, 1)]),
    ),
}
