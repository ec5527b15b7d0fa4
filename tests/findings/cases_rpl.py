"""Captures in which nodes break the rules of RPL for parents, DAOs, configurations and routes, and near misses."""

from collections.abc import Callable
from dataclasses import replace
from ipaddress import IPv6Address
from itertools import pairwise

from findings import air
from findings.air import BROADCAST, NODE, PREFIX, ROOT, Capture
from findings.cases_further import Further
from findings.cases_lifetimes import AWAY, HOME, Timed, advertised, configured, led_down, sent
from findings.cases_lorh import PAGE_1, routed, srh_lorh
from findings.cases_nodes import acknowledgement
from findings.cases_routing import ALL_RPL_NODES, RELAY, daos, dio, dios, on_the_way
from findings.cases_source_routes import LAST, NEXT
from findings.judge import Case, Told

FAR = f"{PREFIX}ff:fe00:17"
THIRD = b"\x00\x19"
_LIMIT = "hop-limit-not-lowered"
_FLAPS = "parent-flaps"
_KEPT = "datagrams-not-sent-on"
_ROUTE = "source-route-to-another-node"
_FORM = "rpl-message-of-wrong-form"
_CONFIGURED = "configuration-not-the-roots"
_ABOVE, _VERSION, _PATH = "rank-not-above-parent", "version-jumps", "path-used-too-late"


def raised(*versions: int, apart_s: float = 5.0) -> Capture:
    """DIOs of the root so far apart, one for each version."""
    messages = [dio(ROOT, 256, version) for version in versions]
    return dios(*messages, at=[1.0 + apart_s * number for number in range(len(messages))])


def told_up(at: float, number: int, units: int, *way: bytes, sequence: int = 240) -> list[Timed]:
    """DAOs of storing mode for NODE, each to the next node of a way (RFC 6550 section 9.8: without a parent)."""
    messages = []
    for hop, (node, parent) in enumerate(pairwise(way)):
        ends = air.address("fe80::", node), air.address("fe80::", parent)
        body = bytes([0, 0, 0, number, 5, 18, 0, 128]) + HOME.packed
        body += bytes([6, 4, 0, 0, sequence, units])
        packet = air.ip(*ends, 58, air.icmpv6(155, body, *ends, code=2), 255)
        messages.append((at + hop / 10, air.frame(packet, number, (node, parent))))
    return messages


def leaves(at: float, number: int, parent: bytes = RELAY) -> Timed:
    """A No-Path DAO of NODE to the root, about this parent (section 6.7.8: "a loss of reachability")."""
    body = bytes([0, 0, 0, number, 5, 18, 0, 128]) + HOME.packed
    body += bytes([6, 20, 0, 0, 241, 0]) + air.address(PREFIX, parent).packed
    message = air.icmpv6(155, body, HOME, AWAY, code=2)
    return at, air.frame(air.ip(HOME, AWAY, 58, message), number, (NODE, RELAY))


def over(at: float, number: int, router: bytes = RELAY) -> Timed:
    """A datagram to NODE by a source route over THIRD and one more router (RFC 6554 section 3)."""
    last = air.address(PREFIX, router)
    body = bytes([17, 4, 3, 2, 0, 0, 0, 0]) + last.packed + HOME.packed
    body += air.udp(b"set %03d" % number, AWAY, HOME)
    packet = air.ip(AWAY, air.address(PREFIX, THIRD), 43, body)
    return at, air.frame(packet, number, (ROOT, THIRD))


def in_instance(at: float, number: int, instance: int) -> Timed:
    """A datagram for NODE that goes down in an RPL instance (RFC 6553 section 3)."""
    body = bytes([17, 0, 0x63, 4, 0x80, instance, 1, 0]) + air.udp(b"set", AWAY, HOME)
    return at, air.frame(air.ip(AWAY, HOME, 0, body), number, (ROOT, RELAY))


WAY = NODE, RELAY, ROOT
TAKEN_BACK = "datagrams are routed down to an address whose path a No-Path DAO took back"


def later(*messages: Timed | list[Timed]) -> Capture:
    """These messages, behind the configuration of a lifetime unit of 60 s."""
    every = [[one] if isinstance(one, tuple) else one for one in messages]
    return Capture([configured(0.5), *[one for some in every for one in some]])


def rounds(*configured: tuple[bytes, int, int | None], times: int = 4) -> Capture:
    """DIOs in turn of nodes with a rank, and MinHopRankIncrease in their configuration, if they bring one."""
    frames = []
    for number in range(times):
        for node, rank, increase in configured:
            message = dio(
                node, rank, configured=(12, 8) if increase else None, increase=increase or 0
            )
            frames.append(air.frame(message, number, (node, BROADCAST)))
    return Capture([*frames])


def roaming(under_relay: int, times: int = 4) -> Capture:
    """A node that goes from the root to a relay of rank 512 and back: its DAO comes before its DIO (RFC 6206 4.2)."""
    target = bytes([5, 18, 0, 128]) + air.address(PREFIX, NODE).packed
    frames: list[bytes] = []
    for _turn in range(times):
        for parent, rank in ((ROOT, 512), (RELAY, under_relay)):
            ends = air.address("fe80::", NODE), air.address("fe80::", parent)
            body = bytes([0, 0, 0, len(frames)]) + target + bytes([6, 4, 0, 0, len(frames), 120])
            dao = air.ip(*ends, 58, air.icmpv6(155, body, *ends, code=2), 64)
            for message, links in (
                (dio(ROOT, 256, mode=2), (ROOT, BROADCAST)),
                (dio(RELAY, 512, mode=2), (RELAY, BROADCAST)),
                (dao, (NODE, parent)),
                (dio(NODE, rank, mode=2), (NODE, BROADCAST)),
            ):
                frames.append(air.frame(message, len(frames), links))
    return Capture([*frames])


def sinking() -> Capture:
    """A node that announces the rank of its parent from its second DIO on; each DAO comes behind the parent's DIO."""
    target = bytes([5, 18, 0, 128]) + air.address(PREFIX, NODE).packed
    ends = air.address("fe80::", NODE), air.address("fe80::", RELAY)
    frames: list[bytes] = []
    for rank in (768, 512, 512, 512):
        body = bytes([0, 0, 0, len(frames)]) + target + bytes([6, 4, 0, 0, len(frames), 120])
        for message, links in (
            (dio(NODE, rank, mode=2), (NODE, BROADCAST)),
            (dio(RELAY, 512, mode=2), (RELAY, BROADCAST)),
            (air.ip(*ends, 58, air.icmpv6(155, body, *ends, code=2), 64), (NODE, RELAY)),
        ):
            frames.append(air.frame(message, len(frames), links))
    return Capture([*frames])


def by_entries(
    entries: list[bytes],
    *,
    times: int = 3,
    heard: tuple[bytes, ...] = (NEXT, LAST),
    kept: bool = False,
) -> Capture:
    """Readings of the root to NODE over NEXT by these entries (RFC 8138 section 5.1); the routers that are heard.

    ``kept``: NEXT sends them on to LAST, whose turn it is.
    """
    ends = air.address(PREFIX, ROOT), HOME
    frames = [
        air.frame(air.datagram(b"here", links=(node, ROOT)), 99, (node, ROOT)) for node in heard
    ]
    timed = [(0.1 * number, one) for number, one in enumerate(frames)]
    for number in range(times):
        segment = air.udp(b"set %03d" % number, *ends)
        for hop, links in enumerate(((ROOT, NEXT), (NEXT, LAST))[: 1 + kept]):
            packed = (
                PAGE_1
                + srh_lorh(entries)
                + air.payload(air.ip(*ends, 17, segment, 64 - hop), links)
            )
            timed.append((10.0 + 10 * number + hop / 10, air.raw(packed, 10 * number + hop, links)))
    return Capture([*timed], root=ends[0])


def swallowed(instance: int, *announced: int, around: int | None = None) -> Capture:
    """Twelve readings in an RPL instance that a relay acknowledges 15 s apart, as it sends its own, and keeps.

    The root announces these instances (RFC 6550 section 6.3.1). They may be in a tunnel to it, with the hop limit
    ``around`` them.
    """
    frames = [
        (0.1 * one, air.frame(dio(ROOT, 256, instance=one), one, (ROOT, BROADCAST)))
        for one in announced
    ]
    frames.append((0.9, air.frame(air.datagram(b"up", links=(RELAY, ROOT)), 0, (RELAY, ROOT))))
    for number in range(1, 13):
        at, option = 15.0 * number, bytes([17, 0, 0x63, 4, 0, instance, 3, 0])
        packet = air.ip(HOME, AWAY, 0, option + air.udp(b"reading %02d" % number, HOME, AWAY))
        if around is not None:
            packet = air.ip(HOME, AWAY, 41, packet, around)
        own = air.datagram(b"own %02d" % number, links=(RELAY, ROOT))
        frames += [
            (at, air.frame(packet, number, (NODE, RELAY))),
            (at + 0.001, acknowledgement(number)),
            (at + 3, air.frame(own, number, (RELAY, ROOT))),
        ]
    return Capture([*frames])


def kept(*evidence: str, advice: str = "", cite: str = "") -> Told:
    """Seven of twelve had waited for a minute at 183 s: of 30 to 120 s; the first comes before its numbers count."""
    cause = "0x0018 acknowledged 12 datagrams and never sent 7 of them on: its frame numbers leave no place for them"
    flow = f"{FAR} to {PREFIX}ff:fe00:1: 7 of 12, 4 more in its last minute"
    frames = tuple(range(6, 27, 3))
    return Told("risk", "0x0018", cause, (*evidence, flow), frames, 7, advice, cite)


TARGET = bytes([5, 18, 0, 128]) + HOME.packed
TRANSIT = bytes([6, 4, 0, 0, 240, 120])
OVER_RELAY = bytes([6, 20, 0, 0, 240, 120]) + air.address(PREFIX, RELAY).packed
EXTERNAL = bytes([6, 20, 0x80, 0, 240, 120]) + HOME.packed
NEAR_ENDS = air.address("fe80::", NODE), air.address("fe80::", RELAY)


def of_mode(
    mode: int, *options: bytes, ends: tuple[IPv6Address, IPv6Address] = (HOME, AWAY), times: int = 2
) -> Capture:
    """A DIO of a mode of operation, and DAOs of NODE with these options (RFC 6550 sections 6.3.1 and 6.4.1)."""
    frames = [air.frame(dio(ROOT, 256, mode=mode), 1, (ROOT, BROADCAST))] if mode else []
    for number in range(times):
        body = bytes([0, 0, 0, number]) + b"".join(options)
        packet = air.ip(*ends, 58, air.icmpv6(155, body, *ends, code=2), 64)
        frames.append(air.frame(packet, number, (NODE, RELAY)))
    return Capture([*frames])


def solicited(source: IPv6Address, to: IPv6Address) -> Capture:
    """A DIS (RFC 6550 section 6.2)."""
    packet = air.ip(source, to, 58, air.icmpv6(155, bytes(2), source, to), 255)
    links = NODE, BROADCAST if to.is_multicast else RELAY
    return Capture([air.frame(packet, 1, links)])


def of_form(severity: str, cause: str, cite: str, *frames: int, advice: str = "") -> Told:
    return Told(severity, FAR, cause, (), frames, len(frames), advice, cite)


LINK_ENDS = "Send DIOs and DIS from the link-local address, to ff02::1a or to that of a neighbour that asked."


def parents_by_turns(updates: int, every: float = 20.0, at_once: bool = False) -> Capture:
    """DAOs of a node in storing mode for its own address, to one of two parents in turn, or each time to both.

    Each update has its Path Sequence: "All DAOs generated at the same time for the same Target MUST be sent with the
    same" (RFC 6550 section 9.2.1; the target is section 6.7.7, transit information 6.7.8).
    """
    node, frames = air.address("fe80::", NODE), []
    for number in range(updates):
        both = (RELAY, THIRD)
        for place, parent in enumerate(both if at_once else both[number % 2 :][:1]):
            to = air.address("fe80::", parent)
            body = (
                bytes([0, 0, 0, 2 * number + place, 5, 18, 0, 128])
                + air.address(PREFIX, NODE).packed
            )
            body += bytes([6, 4, 0, 0, number, 255])
            packet = air.ip(node, to, 58, air.icmpv6(155, body, node, to, code=2), 255)
            sequence = 2 * number + place
            frames.append((1 + every * number + place, air.frame(packet, sequence, (NODE, parent))))
    return Capture([*frames])


def flapping(each: int) -> Capture:
    """A parent that changes twelve times, 20 s apart, and so many DIOs behind each DAO, a second apart.

    Their shortest interval is 2 ** 12 ms, which doubles eight times.
    """
    told = [one for one in parents_by_turns(13).air if isinstance(one, tuple)]
    message = dio(NODE, 512, configured=(12, 8))
    for update, (at, _) in enumerate([*told]):
        frames = [
            air.frame(message, 64 + (each * update + n) % 192, (NODE, BROADCAST))
            for n in range(each)
        ]
        told += [(at + 1 + n, one) for n, one in enumerate(frames)]
    return Capture(sorted(told))


def moving(heard_first: bytes) -> Capture:
    """The DIOs of ``flapping``, and DAOs in non-storing mode, which go to the root over the parent (section 9.7).

    Of the first DAO the hop of one sender is heard: of the node, or of its parent that sends it on.
    """
    messages = [one for one in flapping(15).air if isinstance(one, tuple) and one[1][0] == 0x41]
    for number in range(13):
        parent = (RELAY, THIRD)[number % 2]
        body = bytes([0, 0, 0, number, 5, 18, 0, 128]) + HOME.packed
        body += bytes([6, 20, 0, 0, number, 255]) + air.address(PREFIX, parent).packed
        message = air.icmpv6(155, body, HOME, AWAY, code=2)
        hops = ((NODE, parent, 64), (parent, ROOT, 63))
        for place, (sender, to, limit) in enumerate(hops):
            if number or sender == heard_first:
                frame = air.frame(air.ip(HOME, AWAY, 58, message, limit), number, (sender, to))
                messages.append((1 + 20 * number + place / 10, frame))
    return Capture(sorted(messages))


RPL_CASES: dict[str, Case] = {
    # the second DAO is the first that names another; from it to the thirteenth are 11 times 20 s
    "parent-flaps": Case(
        lambda: parents_by_turns(13),
        lambda: parents_by_turns(10),
        Told(
            "risk",
            "fe80::ff:fe00:17",
            "its DAOs name another parent 12 times in 220 s",
            (
                "12 of all 12 changes between fe80::ff:fe00:18 and fe80::ff:fe00:19",
                "from frame 2 on, 20 s after its first DAO",
            ),
            tuple(range(2, 10)),
            12,
        ),
    ),
    # "Nodes other than the DODAG root MUST NOT modify this information" (RFC 6550 section 6.7.6)
    "configuration-not-the-roots": Case(
        lambda: rounds((ROOT, 256, 256), (RELAY, 512, 128), (NODE, 768, 128), times=3),
        lambda: rounds((ROOT, 256, 256), (RELAY, 512, 128), (NODE, 768, 128), times=2),
        Told(
            "failure",
            "fe80::ff:fe00:17, fe80::ff:fe00:18",
            "MinHopRankIncrease 128 is announced where the root configures MinHopRankIncrease 256",
            (
                "DODAG 2001:db8:1::ff:fe00:1, version 240: rank 256 announces MinHopRankIncrease 256",
            ),
            (1, 2, 3, 5, 6, 8, 9),
            6,
        ),
    ),
    # RFC 8138 section 5.2.2: "that entry MUST match an address of the router that receives the packet"; 0x0019 stands
    # first, and the frame goes to 0x0018
    "source-route-to-another-node": Case(
        lambda: by_entries([LAST, NODE]),
        lambda: by_entries([NEXT, LAST, NODE]),
        Told(
            "risk",
            "0x0001 to 0x0018",
            "the first entry of SRH-6LoRH is another node than the one it is sent to",
            ("0x0001 to 0x0018: 2001:db8:1::ff:fe00:19 is to be next",),
            (3, 4, 5),
            3,
        ),
    ),
    # "MUST be preceded by one or more RPL Target options" (section 6.7.8), else "it MUST discard the DAO" (9.4, rule 6)
    "rpl-message-of-wrong-form": Case(
        lambda: of_mode(1, b"\x00", OVER_RELAY, TARGET, times=1),
        lambda: of_mode(1, TARGET, OVER_RELAY, times=1),
        Told(
            "failure",
            FAR,
            "transit information in a DAO stands behind no target: who gets it must discard it",
            (),
            (2,),
        ),
    ),
}

RPL_FURTHER = [
    # 256 s are log2(256 / 4.096) = 5.97 doublings, so 7.97 intervals behind each of 13 beginnings, and 256 / 1048.6 of
    # the longest: 103.8, and 221 are more than twice as many
    Further(
        "control-out-of-proportion",
        lambda: flapping(17),
        Told(
            "risk",
            "fe80::ff:fe00:17",
            "fe80::ff:fe00:17 sent 221 DIO messages in 256 s",
            ("median of the last 16 intervals: 1 s; Trickle has room for 104",),
            tuple(range(2, 10)),
            221,
        ),
    ),
    # frames 6 and 7: the relay's DIO and the node's DAO to it; 8 is the node's next DIO, of the rank under the root
    Further(
        _ABOVE,
        lambda: roaming(512),
        Told(
            "risk",
            "fe80::ff:fe00:17",
            "the rank is 512, and that of the parent that its DAOs name is 512",
            ("the parent is fe80::ff:fe00:18",),
            (6, 4, 7, 14, 12, 15, 22, 20, 23, 30, 28, 31),
            4,
        ),
    ),
    # neither parent nor ranks change from frame 4 on: what the parent says again begins nothing anew
    Further(
        _ABOVE,
        sinking,
        Told(
            "risk",
            "fe80::ff:fe00:17",
            "the rank is 512, and that of the parent that its DAOs name is 512",
            ("the parent is fe80::ff:fe00:18",),
            (5, 4, 6, 8, 7, 9, 11, 10, 12),
            3,
        ),
    ),
    # RFC 6550 section 8.2.2.5: "MUST NOT have any nodes with a Rank of INFINITE_RANK in its parent set"
    Further(
        _ABOVE,
        lambda: daos(768, 768, 768, parent=0xFFFF, stored=False),
        Told(
            "risk",
            FAR,
            "its DAOs name a parent that announces INFINITE_RANK",
            (f"the parent is {PREFIX}ff:fe00:18",),
            tuple(range(1, 10)),
            3,
            "Let the node take a parent out of its parent set when that announces INFINITE_RANK: it has left the "
            "DODAG. Where the node has no other, it detaches as well, or joins anew.",
            "RFC 6550 §8.2.2.5",
        ),
    ),
    # floor(900 / 256) = floor(768 / 256) = 3: "Rank equal" (section 3.5.1), and it "MUST be greater" (8.2.1, rule 5)
    Further(
        _ABOVE,
        lambda: daos(900, 900, 900, parent=768, increase=256, stored=True),
        Told(
            "risk",
            "fe80::ff:fe00:17",
            "the rank is 900, and that of the parent that its DAOs name is 768",
            ("the parent is fe80::ff:fe00:18, MinHopRankIncrease 256",),
            tuple(range(1, 10)),
            3,
        ),
    ),
    # "MUST contain one or more addresses" (section 9.7, rule 1)
    Further(
        _FORM,
        lambda: of_mode(1, TARGET, TRANSIT),
        of_form(
            "failure",
            "DAOs name no parent, in mode of operation 1 (non-storing)",
            "RFC 6550 §9.7",
            2,
            3,
        ),
    ),
    # "MUST be a unique-local or a global address" (section 9.1, rule 6)
    Further(
        _FORM,
        lambda: of_mode(1, TARGET, TRANSIT, ends=NEAR_ENDS),
        replace(
            of_form(
                "failure",
                "DAOs have a link-local address: they go to a neighbour, and not to the root, "
                "in mode of operation 1 (non-storing)",
                "RFC 6550 §9.1",
                2,
                3,
            ),
            subject="fe80::ff:fe00:17",
        ),
    ),
    # "MUST be link-local addresses" (section 9.1, rule 4)
    Further(
        _FORM,
        lambda: of_mode(2, TARGET, TRANSIT),
        of_form(
            "risk",
            "DAOs have an address that is not link-local, in mode of operation 2 (storing, no multicast)",
            "RFC 6550 §9.1",
            2,
            3,
        ),
    ),
    # "the source address is a link-local address, and the destination address is either the all-RPL-nodes multicast
    # address or a link-local unicast address" (section 6)
    Further(
        _FORM,
        lambda: solicited(HOME, ALL_RPL_NODES),
        of_form(
            "risk",
            "a DIS comes from an address that is not link-local",
            "RFC 6550 §6",
            1,
            advice=LINK_ENDS,
        ),
    ),
    Further(
        _FORM,
        lambda: solicited(NEAR_ENDS[0], air.ALL_NODES),
        replace(
            of_form(
                "risk",
                "a DIS goes to ff02::1: neither to ff02::1a nor to a link-local address",
                "RFC 6550 §6",
                1,
                advice=LINK_ENDS,
            ),
            subject="fe80::ff:fe00:17",
        ),
    ),
    Further(
        _ROUTE,
        lambda: by_entries([LAST, NODE], kept=True),
        Told(
            "remark",
            "0x0001 to 0x0018",
            "the first entry of SRH-6LoRH is another node than the one it is sent to, which sends it on as it is",
            ("0x0001 to 0x0018: 2001:db8:1::ff:fe00:19 is to be next",),
            (3, 5, 7),
            3,
        ),
    ),
    # "This RPLInstanceID MUST match the RPL Instance onto which the packet is placed by any node" (section 11.2.2.1)
    Further(
        _KEPT,
        lambda: swallowed(7, 0),
        kept(
            "7 of them go in RPL instance 7, which no DIO announces",
            advice="Let the sender put the RPLInstanceID into its datagrams that the DIOs of its network announce: a "
            "router has no other DODAG to send them along, and is to tell by an ICMPv6 error that it discards them.",
            cite="RFC 6550 §11.2.2.1",
        ),
    ),
    Further(_KEPT, lambda: swallowed(7, 7), kept()),
    # in a tunnel it goes on as long as the hop limit around it lets it
    Further(_KEPT, lambda: swallowed(7, 7, around=2), kept()),
    # a local instance (section 5.1), which is known along its way alone
    Further(_KEPT, lambda: swallowed(0x80, 0), kept()),
    # "Decremented by 1 by each node that forwards the packet" (RFC 8200 section 3)
    Further(
        _LIMIT,
        lambda: on_the_way((NODE, RELAY, 64), (RELAY, ROOT, 62), times=3),
        Told(
            "risk",
            "0x0018",
            "datagrams come with hop limit 64 and are forwarded with 62",
            tuple(
                f"frame {one}: 0x0017 with hop limit 64, frame {one + 1}: 0x0018 with hop limit 62"
                for one in (1, 3, 5)
            ),
            tuple(range(1, 7)),
            3,
            "Lower the hop limit by one and no more: look whether two parts of the router do so, as where it takes a "
            "datagram in and where it sends it out.",
        ),
    ),
    # "In Storing mode, DAOs are communicated directly to DAO parents" (section 9.8): the root has it of RELAY
    Further(
        _PATH,
        lambda: later(
            told_up(1, 1, 2, *WAY), led_down(60, 2), led_down(124, 3), sent(125, 2, (RELAY, ROOT))
        ),
        Told(
            "risk",
            FAR,
            "datagrams are routed down to an address whose path for 120 s ran out",
            ("frame 3: DAO; frame 5: 0x0001 routes 123 s later, 2.9 s too late",),
            (3, 5),
        ),
    ),
    Further(
        _PATH,
        lambda: later(
            told_up(1, 1, 255, *WAY),
            told_up(2, 2, 0, *WAY, sequence=241),
            led_down(30, 3),
            led_down(64, 4),
            sent(65, 3, (RELAY, ROOT)),
        ),
        Told(
            "risk",
            FAR,
            TAKEN_BACK,
            ("frame 5: No-Path DAO; frame 7: 0x0001 routes 61.9 s later",),
            (5, 7),
        ),
    ),
    # what RELAY takes back is not the path over THIRD, which lasts for 120 s
    Further(
        _PATH,
        lambda: later(
            told_up(1, 1, 2, NODE, THIRD, ROOT),
            told_up(2, 2, 0, *WAY, sequence=239),
            led_down(124, 3, to=THIRD),
            sent(125, 2, (THIRD, ROOT)),
        ),
        Told(
            "risk",
            FAR,
            "datagrams are routed down to an address whose path for 120 s ran out",
            ("frame 3: DAO; frame 6: 0x0001 routes 123 s later, 2.9 s too late",),
            (3, 6),
        ),
    ),
    Further(
        _PATH,
        lambda: later(advertised(1, 1, 255), leaves(2, 2), over(30, 3), over(64, 4), sent(65, 3)),
        Told(
            "risk",
            FAR,
            TAKEN_BACK,
            ("frame 3: No-Path DAO; frame 5: 0x0001 routes 62 s later",),
            (3, 5),
        ),
    ),
    # the node has left for good: it sends nothing any more, of the root nothing goes unheard ("loss of reachability",
    # section 6.7.8)
    Further(
        _PATH,
        lambda: later(advertised(1, 1, 255), leaves(2, 2), over(64, 2)),
        Told(
            "remark",
            FAR,
            TAKEN_BACK,
            ("frame 3: No-Path DAO; frame 4: 0x0001 routes 62 s later",),
            (3, 4),
        ),
    ),
    # four days apart: 3 * 4 between the first and the last of four; "a global repair operation" is the root's own means
    # (section 3.2.2)
    Further(
        _VERSION,
        lambda: raised(240, 241, 242, 243, 244, apart_s=4 * 86400.0),
        Told(
            "remark",
            "DODAG 2001:db8:1::ff:fe00:1",
            "the version was raised 4 times in 12 days",
            (),
            (2, 3, 4, 5),
            4,
        ),
    ),
    # three of them within a day
    Further(
        _VERSION,
        lambda: raised(240, 241, 242, 243, apart_s=12 * 3600.0),
        Told(
            "risk",
            "DODAG 2001:db8:1::ff:fe00:1",
            "the version was raised 3 times in 86400 s",
            (),
            (2, 3, 4),
            3,
        ),
    ),
    # ten times from frame 2, at 6 s, to frame 11, at 51 s; behind 127 stands 0 (section 7.2)
    Further(
        _VERSION,
        lambda: raised(121, *range(122, 128), *range(4)),
        Told(
            "risk",
            "DODAG 2001:db8:1::ff:fe00:1",
            "the version was raised 10 times in 45 s",
            (),
            tuple(range(2, 12)),
            10,
        ),
    ),
]

RPL_NEAR: dict[str, tuple[str, Callable[[], Capture]]] = {
    # "discarded if Hop Limit was zero when received or is decremented to zero" (RFC 8200 section 3): that is told
    "a tunnel that leads no further": (_KEPT, lambda: swallowed(7, 7, around=1)),
    "a node that has another parent each 150 s": (_FLAPS, lambda: parents_by_turns(40, 150.0)),
    # 15 each: 195 DIOs, and Trickle has room for twice 104
    "DIOs of a node that changes its parent": ("control-out-of-proportion", lambda: flapping(15)),
    "DIOs of a node whose first DAO was heard": (
        "control-out-of-proportion",
        lambda: moving(NODE),
    ),
    "DIOs of a node whose first DAO was heard from its parent": (
        "control-out-of-proportion",
        lambda: moving(RELAY),
    ),
    "DAOs of a node that changes its parent": (
        "control-out-of-proportion",
        lambda: parents_by_turns(25, 8.0),
    ),
    "DAOs to two parents at once": (_FLAPS, lambda: parents_by_turns(13, at_once=True)),
    "two hop limits that fall by two": (
        _LIMIT,
        lambda: on_the_way((NODE, RELAY, 64), (RELAY, ROOT, 62), times=2),
    ),
    # over a node that is not heard
    "hop limits behind a hop that goes unheard": (
        _LIMIT,
        lambda: on_the_way((NODE, RELAY, 64), (LAST, ROOT, 62), times=4),
    ),
    "a hop limit that falls by two while a loop is heard": (
        _LIMIT,
        lambda: Capture(
            [
                *on_the_way((NODE, RELAY, 64), (RELAY, ROOT, 61), times=3).air,
                *[
                    (at + 900, octets)
                    for at, octets in on_the_way(
                        (NODE, RELAY, 64), (RELAY, LAST, 63), (LAST, RELAY, 62), (RELAY, ROOT, 61)
                    ).timed()
                ],
            ]
        ),
    ),
    "two datagrams to another node than the first entry": (
        _ROUTE,
        lambda: by_entries([LAST, NODE], times=2),
    ),
    # nobody knows whether it is there, or sends on
    "a receiver that was never heard": (_ROUTE, lambda: by_entries([LAST, NODE], heard=(LAST,))),
    "a first entry that was never heard": (_ROUTE, lambda: by_entries([LAST, NODE], heard=(NEXT,))),
    "routers that keep their own entry": (_ROUTE, lambda: routed(keeps=True, times=4)),
    "a DAO as of non-storing mode": (_FORM, lambda: of_mode(1, TARGET, OVER_RELAY)),
    "a DAO as of storing mode": (_FORM, lambda: of_mode(2, TARGET, TRANSIT, ends=NEAR_ENDS)),
    # "advertising external targets using Non-Storing mode DAO messaging even in a Storing mode network is RECOMMENDED"
    # (RFC 9008 section 4.1.1)
    "an external route in storing mode": (_FORM, lambda: of_mode(2, TARGET, EXTERNAL)),
    "one DAO against the mode, which may be another by then": (
        _FORM,
        lambda: of_mode(1, TARGET, TRANSIT, ends=NEAR_ENDS, times=1),
    ),
    "DAOs where no mode was heard": (_FORM, lambda: of_mode(0, TARGET, TRANSIT, times=3)),
    "DAOs of the mode before": (
        _FORM,
        lambda: Capture(
            [
                air.frame(dio(ROOT, 256, 239, mode=2), 9, (ROOT, BROADCAST)),
                *of_mode(1, TARGET, TRANSIT, ends=NEAR_ENDS).air,
            ]
        ),
    ),
    # "A node MAY send DAO messages using the all-RPL-nodes multicast address" (section 9.1, rule 1)
    "a DAO to all RPL nodes": (
        _FORM,
        lambda: of_mode(1, TARGET, TRANSIT, ends=(NEAR_ENDS[0], ALL_RPL_NODES)),
    ),
    # type 14 stands for what is not known here: an option of a projected route, for which the root names targets
    "a DAO of the root with an option that is not known": (
        _FORM,
        lambda: of_mode(2, TARGET, bytes([14, 2, 0, 0])),
    ),
    "padding and a descriptor before transit information": (
        _FORM,
        lambda: of_mode(1, b"\x00", TARGET, bytes([9, 4, 0, 0, 0, 1]), OVER_RELAY),
    ),
    "a DIS to one neighbour": (_FORM, lambda: solicited(*NEAR_ENDS)),
    "a DIS of who has no address yet": (
        _FORM,
        lambda: solicited(IPv6Address("::"), ALL_RPL_NODES),
    ),
    "a stored path that is told anew": (
        _PATH,
        lambda: later(
            told_up(1, 1, 2, *WAY),
            told_up(60, 2, 2, *WAY),
            led_down(124, 3),
            sent(125, 3, (RELAY, ROOT)),
        ),
    ),
    # the router keeps what the node itself tells it, and the node is its neighbour
    "a stored path of a neighbour": (
        _PATH,
        lambda: later(told_up(1, 1, 2, NODE, ROOT), led_down(124, 3, to=NODE), sent(125, 2)),
    ),
    # NODE moves from RELAY to THIRD, whose DAOs nobody heard
    "a stored path that goes over another neighbour": (
        _PATH,
        lambda: later(
            told_up(1, 1, 2, *WAY), led_down(124, 3, to=THIRD), sent(125, 2, (RELAY, ROOT))
        ),
    ),
    # to THIRD first, and then the No-Path that RELAY hands on (sections 9.8, rules 2 and 4)
    "a No-Path for the way that a node has left": (
        _PATH,
        lambda: later(
            told_up(1, 1, 255, *WAY),
            told_up(2, 2, 255, NODE, THIRD, ROOT),
            told_up(3, 3, 0, *WAY, sequence=241),
            led_down(64, 4, to=THIRD),
            sent(65, 4, (RELAY, ROOT)),
            sent(65, 3, (THIRD, ROOT)),
        ),
    ),
    "a No-Path behind which a DAO may have gone unheard": (
        _PATH,
        lambda: later(
            told_up(1, 1, 255, *WAY),
            told_up(2, 2, 0, *WAY, sequence=241),
            led_down(64, 4),
            sent(65, 4, (RELAY, ROOT)),
            led_down(9000, 5),
        ),
    ),
    "a No-Path, and a path again": (
        _PATH,
        lambda: later(
            advertised(1, 1, 255), leaves(2, 2), advertised(3, 3, 255), over(64, 4), sent(65, 4)
        ),
    ),
    "a No-Path of a node that is silent since then, where frames of the root go unheard": (
        _PATH,
        lambda: later(advertised(1, 1, 255), leaves(2, 2), over(64, 3)),
    ),
    # non-storing: "The DODAG root can piece together a Downward route to a node by using DAO parent sets" (section 9.7)
    "a No-Path about one of two parents": (
        _PATH,
        lambda: later(advertised(1, 1, 255), leaves(2, 2, b"\x00\x1a"), over(64, 4), sent(65, 3)),
    ),
    "a path in another instance": (
        _PATH,
        lambda: later(told_up(1, 1, 2, *WAY), in_instance(124, 3, 1), sent(125, 2, (RELAY, ROOT))),
    ),
    # its one DIO may not have come over to the child, whatever it sends again
    "a parent that was heard to leave once": (
        _ABOVE,
        lambda: daos(768, 768, 768, 768, parent=0xFFFF, heard=1, stored=True),
    ),
    # "a random point in the interval, taken from the range [I/2, I)" (RFC 6206 section 4.2)
    "a node that roams, whose DIOs come after its DAOs": (_ABOVE, lambda: roaming(768)),
    # it hands on DAOs of others meanwhile (section 9.8)
    "a parent whose rank was heard to rise once": (
        _ABOVE,
        lambda: daos(512, 512, 512, 512, parent=768, heard=1, stored=True),
    ),
    "a parent whose rank came near once": (
        _ABOVE,
        lambda: daos(900, 900, 900, 900, parent=768, increase=256, heard=1, stored=True),
    ),
    "a version that was raised twice": (_VERSION, lambda: raised(240, 241, 242, 242)),
    # the node takes the new one over in the end
    "a configuration that comes late to a node": (
        _CONFIGURED,
        lambda: Capture(
            [
                *rounds((ROOT, 256, 256), (RELAY, 512, 128)).air,
                *rounds((ROOT, 256, 256), (RELAY, 512, 256), times=1).air,
            ]
        ),
    ),
    "a root that configures anew": (
        _CONFIGURED,
        lambda: Capture(
            [
                *rounds((ROOT, 256, 128), (RELAY, 512, 128)).air,
                *rounds((ROOT, 256, 256), (RELAY, 512, 128)).air,
            ]
        ),
    ),
    "nodes that differ where their root is out of earshot": (
        _CONFIGURED,
        lambda: rounds((RELAY, 512, 128), (NODE, 768, 256)),
    ),
    # "it is not necessary to include in every DIO"
    "DIOs without a configuration": (
        _CONFIGURED,
        lambda: rounds((ROOT, 256, 256), (RELAY, 512, None), (NODE, 768, 256)),
    ),
    # RFC 9010 section 9.2.2: the 6LR "indicates one of its" addresses "as the Parent Address" and "sets the External
    # ('E') flag", 0x80
    "a router that is named as the parent of a leaf, by itself": (
        _ABOVE,
        lambda: daos(512, 512, 512, stored=False, named=NODE),
    ),
    "a router that is named as the parent of external targets": (
        _ABOVE,
        lambda: daos(512, 512, 512, stored=False, flags=0x80),
    ),
    "leaves that name a parent which left": (
        _ABOVE,
        lambda: daos(0xFFFF, 0xFFFF, 0xFFFF, parent=0xFFFF, stored=True),
    ),
    # 896 / 128 = 7, 768 / 128 = 6
    "ranks a step of 128 apart": (
        _ABOVE,
        lambda: daos(896, 896, 896, parent=768, increase=128, stored=True),
    ),
    "ranks within a step that nobody was heard to configure": (
        _ABOVE,
        lambda: daos(900, 900, 900, parent=768, stored=True),
    ),
}
