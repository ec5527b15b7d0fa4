"""Captures of a mesh below IPv6 (RFC 4944 sections 5.2 and 11) that fire each finding about it, and near misses."""

from collections.abc import Callable, Iterable

from findings import air
from findings.air import ALL_NODES, BROADCAST, NODE, ROOT, Capture
from findings.cases_application import DATA, DESIGN, PLAN, SMALL
from findings.cases_further import Further
from findings.cases_nodes import acknowledgement
from findings.judge import Case, Told

from lowpanbudget import Env, split
from lowpanbudget.design.meaning import Design

PLAN_TO_ALL = air.design(
    DESIGN.format(link="").replace('destination = "sink"', 'group = "ff02::1"')
)
# two hops of frames, and as many of packets
PLAN_BELOW, PLAN_ROUTED = (
    air.design(DESIGN.format(link="").replace("every_s", f"hops = 2\n{keys}every_s"))
    for keys in ("routing = { mesh_under = true }\n", "")
)
RELAY, OTHER = b"\x00\x18", b"\x00\x19"


def meshed(number: int, hops: int, links: tuple[bytes, bytes], data: bytes = b"report") -> bytes:
    """A report of NODE to ROOT on one hop: 1 0 V F and the hops left, with short addresses V = F = 1."""
    ends = NODE, ROOT
    head = bytes([0b1011_0000 | hops]) if hops < 15 else bytes([0b1011_1111, hops])
    packed = air.payload(air.datagram(data, links=ends), ends)
    return air.raw(head + ends[0] + ends[1] + packed, number, links)


def renamed(frame: bytes, originator: bytes) -> bytes:
    """The same frame with another originator, behind 9 octets of MAC header and one of the mesh header's."""
    return air.mended(frame[:10] + originator + frame[12:])


def flooded(
    number: int, sequence: int, data: bytes, by: bytes = NODE, hops: int = 5, tag: int = 0
) -> bytes:
    """A broadcast of NODE: mesh header, LOWPAN_BC0 (01 010000) with its sequence number, then a datagram to all.

    With a ``tag`` it is a first fragment, 11000 and the size, the tag (section 5.3).
    """
    source = air.address("fe80::", NODE)
    packet = air.ip(source, ALL_NODES, 17, air.udp(data, source, ALL_NODES))
    piece = bytes([0b1100_0000, 200, 0, tag]) if tag else b""
    head = bytes([0b1011_0000 | hops]) + NODE + BROADCAST + bytes([0b0101_0000, sequence])
    return air.raw(head + piece + air.payload(packet, (NODE, BROADCAST)), number, (by, BROADCAST))


def passed(*hops: tuple[bytes, bytes, int]) -> Capture:
    """A frame over these hops, each a sender, a receiver, and the hops left."""
    return Capture(
        [meshed(number, left, (source, to)) for number, (source, to, left) in enumerate(hops, 1)]
    )


def floods(numbers: Iterable[int], data: bytes = b"time %02d", tag: int = 0) -> Capture:
    """Broadcasts of NODE under these numbers; where the contents have a place for it they are counted."""
    return Capture(
        [
            flooded(at, number, data % at if b"%" in data else data, tag=tag)
            for at, number in enumerate(numbers, 1)
        ]
    )


def over_relay(
    *there: bytes,
    every_s: float = 60.0,
    back: bytes | None = None,
    kept: int = 0,
    left: int = 14,
    plan: Design | None = None,
    changed: int = 0,
    owner: bytes = NODE,
) -> Capture:
    """Datagrams of NODE to ROOT, which RELAY passes on 10 ms later with one hop less left; each frame is acknowledged.

    Each may have an answer ``back`` on the same way. RELAY keeps the first ``kept`` of what NODE sends, with so many
    hops ``left``. It passes all on as frames of ``owner``, with these bits of the last octet ``changed``. By hand: IPv6
    and its hop limit stay as they are, since a mesh lowers Hops Left alone (RFC 4944 section 5.2).
    """
    frames: list[bytes | tuple[float, bytes]] = []
    numbers = {NODE: 0, RELAY: 100, ROOT: 200}
    for turn, packet in enumerate(there):
        ways = [(packet, NODE, ROOT)]
        ways += [] if back is None else [(back, ROOT, NODE)]
        for place, (octets, first, last) in enumerate(ways):
            packed = air.payload(octets, (first, last))
            for hop, links in enumerate(((first, RELAY), (RELAY, last))):
                if hop and not place and turn < kept:
                    continue
                at = 1.0 + turn * every_s + place + 0.01 * hop
                numbers[links[0]] = number = numbers[links[0]] + 1 & 0xFF
                hops = left if not place and turn < kept else 14
                by = owner if hop and first == NODE else first
                head = bytes([0b1011_0000 | hops - hop]) + by + last
                end = packed[-1] ^ (changed if hop else 0)
                sent = air.raw(head + packed[:-1] + bytes([end]), number, links)
                frames += [(at, sent), (at + 0.001, acknowledgement(number))]
    return Capture(frames, SMALL, plan)


def all_kept(final: bytes = ROOT, *, own: bool = True) -> Capture:
    """Ten readings of NODE, one each 20 s, that RELAY acknowledges and keeps; as many of its ``own`` it sends.

    ROOT sends nothing at all, and only the mesh headers, of NODE with this ``final`` address, say that there is a node.
    """
    frames: list[bytes | tuple[float, bytes]] = []
    for turn, packet in enumerate(readings(10)):
        form = 0b1011_0000 if len(final) == 2 else 0b1010_0000
        first = bytes([form | 5]) + NODE + final + air.payload(packet, (NODE, final))
        told = air.datagram(b"own %d" % turn, links=(RELAY, ROOT))
        other = bytes([0b1011_0101]) + RELAY + ROOT + air.payload(told, (RELAY, ROOT))
        both = ((first, (NODE, RELAY)), (other, (RELAY, ROOT)))
        for part, (octets, links) in enumerate(both if own else both[:1]):
            at, number = 1.0 + 20 * turn + part, turn + 100 * part
            sent = (at, air.raw(octets, number, links)), (at + 0.001, acknowledgement(number))
            frames += sent
    return Capture(frames, SMALL)


def pieces_over_relay(
    count: int = 4, *, lost: int | None = None, back: bytes | None = None
) -> Capture:
    """Datagrams in fragments of NODE to ROOT, each of which RELAY passes on before the next, all acknowledged.

    By hand: the mesh header stands before each fragment header (RFC 4944 section 5), and tags are those of NODE. The
    first of the datagrams that has this number is passed on behind the last fragment, and nothing else of it. Each may
    have an answer ``back``.
    """
    frames: list[bytes | tuple[float, bytes]] = []
    numbers = {NODE: 0, RELAY: 100, ROOT: 200}
    for turn in range(count):
        packet = air.datagram(b"%3d" % turn * 50)
        sent = split(packet, Env(NODE, ROOT, contexts=air.CONTEXTS), room=80, tag=40 + turn)
        hops = [(piece, place, hop) for place, piece in enumerate(sent) for hop in (0, 1)]
        if turn == lost:
            hops = [
                *((piece, place, 0) for place, piece in enumerate(sent)),
                (sent[0], len(sent), 1),
            ]
        for piece, place, hop in hops:
            links = ((NODE, RELAY), (RELAY, ROOT))[hop]
            numbers[links[0]] = number = numbers[links[0]] + 1 & 0xFF
            head = bytes([0b1011_0000 | 14 - hop]) + NODE + ROOT
            at = 1.0 + 60 * turn + 0.02 * place + 0.01 * hop
            frames += [
                (at, air.raw(head + piece, number, links)),
                (at + 0.001, acknowledgement(number)),
            ]
        for hop, links in enumerate(((ROOT, RELAY), (RELAY, NODE)) if back is not None else ()):
            numbers[links[0]] = number = numbers[links[0]] + 1 & 0xFF
            packed = air.payload(back or b"", (ROOT, NODE))
            head = bytes([0b1011_0000 | 14 - hop]) + ROOT + NODE
            at = 4.0 + 60 * turn + 0.01 * hop
            frames += [
                (at, air.raw(head + packed, number, links)),
                (at + 0.001, acknowledgement(number)),
            ]
    return Capture(frames, SMALL)


def to_all() -> Capture:
    """Fourteen readings to all, one a minute; two nodes pass each on with one hop less left (RFC 4944 section 11.1)."""
    frames = [
        (1.0 + 60 * number + place / 100, flooded(number + 50 * place, number, DATA, by, left))
        for number in range(14)
        for place, (by, left) in enumerate(((NODE, 5), (RELAY, 4), (OTHER, 4)))
    ]
    return Capture(list(frames), SMALL, PLAN_TO_ALL)


def readings(count: int) -> list[bytes]:
    return [air.datagram(b"reading %d" % number) for number in range(count)]


def commands(count: int, times: int = 1) -> list[bytes]:
    """Confirmable messages, each so many times."""
    return [
        air.coap(air.coap_message(data=b"on", mid=number))
        for number in range(count)
        for _ in range(times)
    ]


ANSWER = air.datagram(b"taken", links=(ROOT, NODE))
UP = (NODE, RELAY, 5)
MESH_CASES: dict[str, Case] = {
    # 0x0018 and 0x0019 take each other for the next hop to 0x0001
    "mesh-frame-in-a-loop": Case(
        lambda: passed(UP, (RELAY, OTHER, 4), (OTHER, RELAY, 3), (RELAY, OTHER, 2)),
        lambda: passed(UP, (RELAY, OTHER, 4), (OTHER, ROOT, 3)),
        Told(
            "failure",
            "0x0018, 0x0019",
            "a frame for 0x0001 comes back to a node that sent it before",
            ("frame 2: 0x0018 with 4 hops left, frame 4: 0x0018 with 2 hops left",),
            (2, 3, 4),
        ),
    ),
    # "SHALL be decremented by each forwarding node before sending this packet towards its next hop"
    "hops-left-not-lowered": Case(
        lambda: passed(UP, (RELAY, ROOT, 5)),
        lambda: passed(UP, (RELAY, ROOT, 4)),
        Told(
            "failure",
            "0x0018",
            "frames come with 5 hops left and are passed on with 5",
            ("frame 1: 0x0017 with 5 hops left, frame 2: 0x0018 with 5 hops left",),
            (1, 2),
        ),
    ),
    # who forwards changes the hops left and the MAC header (sections 5.2 and 11); three are enough
    "mesh-originator-changed": Case(
        lambda: over_relay(*readings(3), owner=RELAY),
        lambda: over_relay(*readings(3)),
        Told(
            "failure",
            "0x0018",
            "0x0018 passes frames on as frames of 0x0018 that came to it as those of others",
            tuple(
                f"frame {at}: 0x0017 with 14 hops left, from 0x0017; "
                f"frame {at + 2}: 0x0018 with 13 hops left, from 0x0018"
                for at in (1, 5, 9)
            ),
            (1, 3, 5, 7, 9, 11),
            3,
        ),
    ),
    # "The packet is not forwarded any further if Hops Left is decremented to zero"
    "hops-left-run-out": Case(
        lambda: passed((NODE, RELAY, 1), (NODE, RELAY, 1)),
        lambda: passed((NODE, RELAY, 2), (RELAY, ROOT, 1)),
        Told(
            "failure",
            "0x0017",
            "frames for 0x0001 come to 0x0018 with 1 hop left, which must not forward them",
            (),
            (1, 2),
            2,
        ),
    ),
    # "SHALL be incremented by the originator whenever it sends a new mesh broadcast or multicast packet"
    "broadcast-number-stands-still": Case(
        lambda: floods([7, 7, 7, 7]),
        lambda: floods([7, 8, 9, 10]),
        Told(
            "failure",
            "0x0017",
            "several broadcasts go out under one number",
            (
                "frame 1 and frame 2: number 7",
                "frame 2 and frame 3: number 7",
                "frame 3 and frame 4: number 7",
            ),
            (1, 2, 3, 4),
            3,
        ),
    ),
}

MESH_FURTHER = [
    Further(
        "hops-left-run-out",
        lambda: passed((NODE, RELAY, 0)),
        Told(
            "failure",
            "0x0017",
            "frames for 0x0001 come to 0x0018 with 0 hops left, which must not forward them",
            (),
            (1,),
        ),
    ),
    # of ten readings to a node that sends nothing, and which the mesh header alone names, RELAY keeps 7 for more than a
    # minute, of which the first came before any number of its own was heard
    Further(
        "datagrams-not-sent-on",
        all_kept,
        Told(
            "risk",
            "0x0018",
            "0x0018 acknowledged 10 datagrams and never sent 6 of them on: its frame numbers leave no place for them",
            (
                "2001:db8:1::ff:fe00:17 to 2001:db8:1::ff:fe00:1: 6 of 10, 3 more in its last minute",
            ),
            (5, 9, 13, 17, 21, 25),
            6,
        ),
    ),
    # a node of a mesh that keeps frames is still told: of ten the first three, in frames 1, 7 and 13
    Further(
        "datagrams-not-sent-on",
        lambda: over_relay(*readings(10), every_s=20.0, back=ANSWER, kept=3),
        Told(
            "risk",
            "0x0018",
            "0x0018 acknowledged 10 datagrams and never sent 3 of them on: its frame numbers leave no place for them",
            ("2001:db8:1::ff:fe00:17 to 2001:db8:1::ff:fe00:1: 3 of 10",),
            (1, 7, 13),
            3,
        ),
    ),
    # four times the same confirmable message, 0.8 s apart: three are sent again, not seven; frames 1, 5, 9, 13
    Further(
        "request-repeated",
        lambda: over_relay(*commands(1, 4), every_s=0.8),
        Told(
            "risk",
            "0x0017",
            "0x0017 sent messages again 3 times, 3 of them in less than 2 s",
            ("shortest time between: 0.80 s",),
            (1, 5, 9, 13),
        ),
    ),
    # 15 and more hops have an octet of their own ("Deep Hops Left")
    Further(
        "hops-left-not-lowered",
        lambda: passed((NODE, RELAY, 20), (RELAY, ROOT, 20)),
        Told(
            "failure",
            "0x0018",
            "frames come with 20 hops left and are passed on with 20",
            ("frame 1: 0x0017 with 20 hops left, frame 2: 0x0018 with 20 hops left",),
            (1, 2),
        ),
    ),
    Further(
        "hops-left-not-lowered",
        lambda: Capture([flooded(1, 7, b"time"), flooded(2, 7, b"time", RELAY)]),
        Told(
            "failure",
            "0x0018",
            "frames come with 5 hops left and are passed on with 5",
            ("frame 1: 0x0017 with 5 hops left, frame 2: 0x0018 with 5 hops left",),
            (1, 2),
        ),
    ),
]

# a plan of routers of IPv6: a mesh header of 1 + 2 + 2 octets more, and on the first hop the destination's identifier
# of 2 octets less; who passes a frame on is no router, so that this is the first hop of IPv6 as well
MESH_FURTHER.append(
    Further(
        "longer-than-budgeted",
        lambda: over_relay(*[air.datagram(DATA)] * 3, plan=PLAN_ROUTED),
        Told(
            "risk",
            "flow readings, 0x0017, 0x0018: mesh dispatch, mesh originator address form (V), mesh final "
            "address form (F), mesh hops left",
            "headers take 3 octets more than budgeted for the first hop",
            (
                "mesh originator address form (V): 17 bits, planned none",
                "mesh final address form (F): 17 bits, planned none",
                "mesh hops left: 4 bits, planned none",
                "mesh dispatch: 2 bits, planned none",
            ),
            (1, 3, 5, 7, 9, 11),
            6,
            cite="RFC 4944 §5.2",  # of the mesh header, not of compressed ones
        ),
    )
)


def taken_over() -> Capture:
    """Readings of NODE and OTHER in turns, which RELAY passes on as its own: their sums are not off by the same."""
    frames: list[bytes | tuple[float, bytes]] = []
    for turn, node in enumerate((NODE, OTHER) * 5):
        packed = air.payload(air.datagram(b"reading %d" % turn, links=(node, ROOT)), (node, ROOT))
        for hop, links in enumerate(((node, RELAY), (RELAY, ROOT))):
            head = bytes([0b1011_1110 - hop]) + links[0] + ROOT
            sent = air.raw(head + packed, turn + 100 * hop, links)
            frames.append((1.0 + 20 * turn + 0.01 * hop, sent))
    return Capture(frames, SMALL)


def taken_over_in_pieces() -> Capture:
    """The same of datagrams in fragments, of NODE alone."""
    frames: list[bytes | tuple[float, bytes]] = [
        (at, renamed(octets, RELAY) if octets[7:9] == RELAY[::-1] else octets)
        for at, octets in pieces_over_relay(6).timed()
    ]
    return Capture(frames, SMALL)


_LOOP, _HOPS, _NUMBER = (
    "mesh-frame-in-a-loop",
    "hops-left-not-lowered",
    "broadcast-number-stands-still",
)
MESH_NEAR: dict[str, tuple[str, Callable[[], Capture]]] = {
    "what a mesh passes on, both ways": (
        "datagrams-not-sent-on",
        lambda: over_relay(*readings(10), back=ANSWER),
    ),
    "a confirmable message that a mesh passes on": (
        "request-repeated",
        lambda: over_relay(*commands(6)),
    ),
    **{
        f"a mesh below IPv6 as it is planned, {name}": (
            name,
            lambda: over_relay(*[air.datagram(DATA)] * 14, plan=PLAN_BELOW),
        )
        for name in ("longer-than-budgeted", "headers-not-as-planned", "interval-off-plan")
    },
    # the second of each is no message of the node: what it carries is not what was sent
    "readings in a mesh that a node changes": (
        "interval-off-plan",
        lambda: over_relay(*[air.datagram(DATA)] * 40, plan=PLAN_BELOW, changed=1),
    ),
    "frames that a node passes on as its own": (
        "datagrams-not-sent-on",
        lambda: over_relay(*readings(10), every_s=20.0, back=ANSWER, owner=RELAY),
    ),
    # one cause, one finding: sums are wrong with the identifier that follows from the wrong originator
    **{
        f"{what} that a node passes on as its own, {name}": (name, capture)
        for name in ("checksum-wrong", "checksum-computed-otherwise", "prefix-of-context-differs")
        for what, capture in (
            ("readings of two nodes", taken_over),
            ("fragments", taken_over_in_pieces),
            ("readings", lambda: over_relay(*readings(10), owner=RELAY)),
        )
    },
    "a node that says what came to it as its own, with its hops anew": (
        "mesh-originator-changed",
        lambda: Capture(
            [
                frame
                for at in range(5)
                for frame in (
                    meshed(2 * at, 4, (NODE, RELAY)),
                    renamed(meshed(2 * at + 1, 4, (RELAY, ROOT)), RELAY),
                )
            ]
        ),
    ),
    "a node that says what others send to another": (
        "mesh-originator-changed",
        lambda: Capture(
            [
                frame
                for at in range(5)
                for frame in (
                    meshed(2 * at, 5, (NODE, RELAY)),
                    renamed(meshed(2 * at + 1, 4, (OTHER, ROOT)), OTHER),
                )
            ]
        ),
    ),
    "fragments that a mesh passes on one by one": ("fragment-repeated", pieces_over_relay),
    "datagrams in fragments that a mesh passes on one by one": (
        "datagrams-not-sent-on",
        lambda: pieces_over_relay(20, back=ANSWER),
    ),
    # a final address of 64 bits may be that of the node which has the frames
    "frames for an address that may be the receiver's own": (
        "datagrams-not-sent-on",
        lambda: all_kept(bytes.fromhex("0012345678000018")),
    ),
    # as what is told above, but for the hops that the first three have left: who gets them must not forward them
    "frames whose hops left end in the middle": (
        "datagrams-not-sent-on",
        lambda: over_relay(*readings(10), every_s=20.0, back=ANSWER, kept=3, left=1),
    ),
    "a first fragment that a mesh passes on behind the last": (
        "fragment-repeated",
        lambda: pieces_over_relay(6, lost=2),
    ),
    "readings to all of a mesh, as often as planned": ("interval-off-plan", to_all),
    "readings in a mesh, as often as planned": (
        "interval-off-plan",
        lambda: over_relay(*[air.datagram(DATA)] * 14, plan=PLAN),
    ),
    "a frame that goes another way after the first": (
        _LOOP,
        lambda: passed(UP, (RELAY, ROOT, 4), (RELAY, OTHER, 3), (OTHER, ROOT, 2)),
    ),
    "a report with the same contents": (
        _LOOP,
        lambda: passed(UP, (RELAY, ROOT, 4), UP, (RELAY, ROOT, 4)),
    ),
    "a hop that was not heard": (_HOPS, lambda: passed(UP, (OTHER, ROOT, 5))),
    "a hop that is tried again": (
        _HOPS,
        lambda: passed(UP, (RELAY, ROOT, 4), (RELAY, ROOT, 4)),
    ),
    "a broadcast that nodes pass on": (
        _HOPS,
        lambda: Capture(
            [
                flooded(1, 7, b"time"),
                flooded(2, 7, b"time", RELAY, 4),
                flooded(3, 7, b"time", OTHER, 4),
                flooded(4, 7, b"time", ROOT, 3),
            ]
        ),
    ),
    "a broadcast that is passed on, and comes back": (
        _LOOP,
        lambda: Capture(
            [
                flooded(1, 7, b"time"),
                flooded(2, 7, b"time", RELAY, 4),
                flooded(2, 7, b"time", hops=3),
            ]
        ),
    ),
    "a broadcast that is sent several times": (_NUMBER, lambda: floods([7] * 5, b"time")),
    "a node that starts anew twice": (_NUMBER, lambda: floods([7, 7, 7])),
    "a number that goes round": (_NUMBER, lambda: floods([254, 255, 0, 1] * 2)),
    "fragments under one number": (_NUMBER, lambda: floods([7] * 5, tag=9)),
    "broadcasts that are heard late": (
        _NUMBER,
        lambda: Capture(
            [
                frame
                for at in range(1, 6)
                for frame in (
                    flooded(at, at, b"time %d" % at),
                    flooded(at, at - 1, b"time %d" % (at - 1), RELAY, 4),
                )
            ]
        ),
    ),
}
