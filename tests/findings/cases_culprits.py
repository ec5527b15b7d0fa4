"""One node among others that does what they do not: it is named, and what it does has its weight."""

from collections.abc import Callable
from functools import partial
from itertools import accumulate, pairwise

from findings import air
from findings.air import FAR_NODE, KEY, NODE, ROOT, Capture
from findings.cases_application import DATA, DESIGN, SMALL, STATE, VERSION
from findings.cases_delivery import promise, reading, store
from findings.cases_further import Further
from findings.cases_mesh import PLAN_ROUTED
from findings.cases_nodes import RELAY, acknowledgement
from findings.judge import Told
from simulation.contention import Sent

from lowpanbudget import Key, encode_frame
from lowpanbudget.layers.link.auxiliary import Security

A, B, C = (bytes.fromhex("025e1000000000") + bytes([last]) for last in (0x21, 0x22, 0x23))
_WANTED = "no key for this frame: key id mode 1, index 2"


def one_index(last: int = 2, *, asked: int = 1, given: int = 1, both: bool = False) -> Capture:
    """Two nodes under key index 1 and one under ``last``, six frames of each; the third is asked as often or not.

    A key stands in the key file under the index ``given``. The third has a frame under index 1 before, with ``both``.
    """
    frames = [air.secured(b"data", 80, 80, links=(C, A))] * both
    for number in range(1, 7):
        frames += [air.secured(b"data", number, number, links=(A, B))]
        frames += [air.secured(b"data", number, number, links=(B, A))]
        frames += [air.secured(b"data", number, number, links=(C, A), key_index=last)]
        frames += [air.secured(b"more", 90 + number, 90 + number, links=(A, C))] * asked
    return Capture([*frames], keys=(Key(KEY, key_id_mode=1, index=given),))


def of_a_context(*lost: bytes, planned: bool = True) -> Capture:
    """Three nodes that send to the root; context 1, which ``lost`` ones use, is none of those known."""
    frames = []
    for number in range(1, 4):
        for link in (b"\x00\x21", b"\x00\x22", b"\x00\x23"):
            prefix = "2001:db8:2::" if link in lost else "2001:db8:1::"
            packet = air.datagram(prefix=prefix, links=(link, ROOT))
            frames.append(air.frame(packet, number, (link, ROOT)))
    return Capture([*frames], SMALL, air.design(DESIGN.format(link="")) if planned else None)


def turned(*messages: str) -> Capture:
    """Messages whose first octet is a version, 1 by the design, as they came."""
    plan = air.design(DESIGN.format(link="").replace(STATE, VERSION))
    packets = [air.datagram(bytes.fromhex(one)) for one in messages]
    frames = [(60.0 * n + 1, air.frame(one, n + 1)) for n, one in enumerate(packets)]
    return Capture([*frames], SMALL, plan)


def ended_early(tries: int, *, answered: bool = False) -> Capture:
    """Four datagrams of four fragments, three of which end behind the first; the others are acknowledged.

    That fragment is sent so often, and acknowledged in the end or not.
    """
    frames: list[tuple[float, bytes]] = []
    number = 0
    for tag in range(4):
        parts = air.pieces(air.datagram(bytes(range(250)) + bytes(50)), tag=tag, start=number + 1)
        for part in parts if tag == 3 else parts[:1]:
            number += 1
            at, is_last = 100.0 * tag + 0.1 * number, tag == 3
            frames += [(at + 0.01 * one, part) for one in range(1 if is_last else tries)]
            if is_last or answered:
                end = at if is_last else at + 0.01 * (tries - 1)
                frames.append((end + 0.004, acknowledgement(number)))
    return Capture([*frames, (900.0, air.frame(air.datagram(), number + 1))])


def ending(*limits: int) -> Capture:
    """Readings of node 0x23 over two relays, which have these hop limits on their way."""
    relays, frames = (b"\x00\x21", b"\x00\x22", b"\x00\x25"), []
    for number in range(1, 4):
        way = (b"\x00\x23", *relays)
        for passed, link in enumerate(pairwise(way)):
            data = b"reading %d" % number
            whole = air.datagram(data, links=(way[0], ROOT), hop_limit=limits[passed])
            frames.append((60.0 * number + passed, air.frame(whole, number, link)))
    return Capture([*frames])


def few_unanswered(*tries: int) -> Capture:
    """Five acknowledged readings, and frames to a leaf that are tried so often and never acknowledged."""
    frames: list[tuple[float, bytes]] = []
    for number in range(1, 6):
        frames += [
            (number, air.frame(air.datagram(), number)),
            (number + 0.004, acknowledgement(number)),
        ]
    links = (b"\x00\x21", b"\x00\x22")
    for number, times in enumerate(tries, 1):
        one = air.frame(air.datagram(links=links), 100 + number, links)
        frames += [(100.0 * number + 0.01 * each, one) for each in range(times)]
    return Capture([*frames])


def of_other_link(link: bytes = FAR_NODE) -> Capture:
    """Readings whose addresses are made of short link addresses, elided in frames with another source."""
    frames = []
    for number in range(1, 5):
        packed = air.payload(air.datagram(b"reading %d" % number))
        frames.append(air.raw(packed, number, (link, ROOT)))
    return Capture([*frames])


def under_another_prefix() -> Capture:
    """Readings from an extended address, summed up under 2001:db8:4::/64."""
    source, to = (air.address(air.PREFIX, link) for link in (FAR_NODE, ROOT))
    other, there = (air.address("2001:db8:4::", link) for link in (FAR_NODE, ROOT))
    sums = [air.udp(b"reading %d" % number, other, there) for number in range(1, 5)]
    packets = [air.ip(source, to, 17, one) for one in sums]
    return Capture([*air.frames(packets, (FAR_NODE, ROOT))])


def held(*gaps_s: float) -> Capture:
    """60 readings over three hops, which the relays on the way hold so long: nodes 2 and 1."""
    sent = [
        Sent(30.0 * index + at, source, source - 1, packet, 0, 79, heard=True, acked=True)
        for index in range(60)
        for packet in (reading(index, 30.0 * index, 3),)
        for source, at in zip((3, 2, 1), accumulate((0.0, *gaps_s)), strict=True)
    ]
    return store(sent, promise(0.5, 1))


def with_turned_header(pan: int = air.PAN, to: bytes = ROOT) -> Capture:
    """Four readings of one node, and three of another whose MAC header has each field most significant octet first."""
    frames = [air.frame(air.datagram(links=(ROOT, NODE)), 1, (ROOT, NODE))]
    frames += [air.frame(air.datagram(), number) for number in range(2, 5)]
    for number in range(60, 63):
        links = (b"\x00\x23", to)
        octets = air.frame(air.datagram(links=links), number, links, destination_pan=pan)
        ends = (0, 2, 3, 5, 7, 9)  # frame control, number, PAN ID, destination and source address
        fields = [octets[begin:end][::-1] for begin, end in pairwise(ends)]
        frames.append(air.mended(b"".join(fields) + octets[9:]))
    return Capture([*frames])


def of_turned_device(known: int = 0x2100) -> Capture:
    """Sealed frames of the short address 0x0021, and a key file with one other device."""
    links = (b"\x00\x21", air.FAR_ROOT)
    frames = []
    for number in range(1, 4):
        header = air.mac(number, links, security=Security(5, 1, number, key_index=1))
        octets = encode_frame(header, b"\x41" + bytes(20), key=KEY, devices={0x21: A}).octets
        frames.append(octets)
    return Capture([*frames], keys=(KEY,), devices={known: A})


_COMPARE = (
    "Compare the key index and key source of 02:5e:10:00:00:00:00:23 with those of the others: who has no key by that "
    "name drops its frames. If it rightly has a key of its own, give that in the key file (--keys)."
)
_CONTEXT = (
    "Compare what that node has under its context numbers with what the others have: nobody expands what it sends. Let "
    "it take contexts from advertisements (RFC 6775 section 5.4.2). If the network has this context, give its prefix "
    "in the design."
)
_OTHER_VERSION = (
    "Bring node and design together. While nodes send another version as well, write that as a message of its own, and "
    "name both in the messages of the flow."
)
_TURNED = (
    "Let the node put the first octet of the format on the air first: it may write the message as one number, from its "
    "end in memory. Code that lowpanbudget generate writes has the order of the format."
)
_ALONE = (
    "02:5e:10:00:00:00:00:23 alone names it, first in frame 3; 2 others: key id mode 1, index 1"
)
_OF_C = (3, 7, 11, 15, 19, 23)  # each third of four frames
_IMPLAUSIBLE = "reading from 2001:db8:1::ff:fe00:17"

_ONE_WORD, _THREE = "with one word other than in 2001:db8:1::/64:", "2001:db8:1:3::/64"
_ALONE_ONE = "the same in one address alone:"
_OTHER_PORT = "with one port other than in the header"
_UNFINISHED = "3 of 4 datagrams in fragments were not completed"
_LINK = (
    "Look at the link: the sender used up its tries of one fragment, and leaves the others out then. Compare links "
    "with lowpanbudget measure; make the datagram smaller."
)
_SENDER = (
    "Look at the sender: the link took what it sent, and by its numbers it sent no more. Its queue may be too short "
    "for all fragments, or it gives a datagram up for another; make the datagram smaller."
)

CULPRITS_NEAR: dict[str, tuple[str, Callable[[], Capture]]] = {
    # a try less: its sender may have had the acknowledgement
    "three frames to a leaf that is not heard, one of them tried three times": (
        "frames-not-acknowledged",
        lambda: few_unanswered(4, 3, 4),
    ),
    "two frames that were given up": ("frames-not-acknowledged", lambda: few_unanswered(4, 4)),
}


def classed(*hops: int) -> Capture:
    """A datagram with traffic class 0xb8 and a flow label, on these hops of two: from node to router, to root."""
    frames = []
    for number, hop in enumerate(hops, 1):
        links = ((NODE, RELAY), (RELAY, ROOT))[hop]
        packet = (0x6B812345).to_bytes(4, "big") + air.datagram(DATA, hop_limit=64 - hop)[4:]
        frames.append((0.01 * number, air.frame(packet, number + 100 * hop, links)))
    return Capture([*frames], design=PLAN_ROUTED)


def elided_over_relay(*hops: int) -> Capture:
    """A datagram without its UDP checksum, on these hops of two."""
    frames = []
    for number, hop in enumerate(hops, 1):
        links = ((NODE, RELAY), (RELAY, ROOT))[hop]
        packed = air.payload(air.datagram(DATA, hop_limit=64 - hop), links, elide_udp_checksum=True)
        frames.append((0.01 * number, air.encoded(air.mac(number, links), packed)))
    return Capture([*frames])


_CLASSED = "IPHC ECN, IPHC DSCP, IPHC pad, IPHC flow label"
# TF 00: 2 + 6 + 4 + 20 bits (RFC 6282 section 3.2.1)
_TRAFFIC = (
    "IPHC flow label: 20 bits, planned none",
    "IPHC DSCP: 6 bits, planned none",
    "IPHC pad: 4 bits, planned none",
    "IPHC ECN: 2 bits, planned none",
)


def from_ports(*ports: int) -> Capture:
    """Readings of one node to the port of a flow, from these; each goes on over a router."""
    frames = []
    for number, port in enumerate(ports, 1):
        for hop, links in enumerate(((NODE, RELAY), (RELAY, ROOT))):
            packet = air.datagram(DATA, hop_limit=64 - hop, ports=(port, 0xF0B2))
            frames.append((number + 0.01 * hop, air.frame(packet, number + 100 * hop, links)))
    return Capture([*frames], design=PLAN_ROUTED)


CULPRITS_FURTHER = (
    # a port of its own each time is one mistake of one node
    Further(
        "port-not-in-design",
        lambda: from_ports(0xC001, 0xC002, 0xC003),
        Told(
            "risk",
            "0x0017: ports to 0xf0b2",
            "UDP to port 0xf0b2, which a flow has, comes from a port that none has",
            ("from port 0xc001", "from port 0xc002", "from port 0xc003"),
            (1, 2, 3, 4, 5, 6),
            count=6,
        ),
    ),
    # a router sends on the class that it was given; where the first hop is not heard nobody knows whose it is
    *(
        Further(
            "longer-than-budgeted",
            partial(classed, *hops),
            Told(
                "risk",
                f"flow readings, {who}: {_CLASSED}",
                f"headers take 4 octets more than budgeted for the {hop} hop",
                _TRAFFIC,
                tuple(range(1, len(hops) + 1)),
                count=len(hops),
            ),
        )
        for hops, who, hop in (
            ((0, 1), "0x0017", "first"),
            ((1,), "0x0018 on the forwarded hop", "forwarded"),
        )
    ),
    *(
        Further(
            "checksum-elided-without-cover",
            partial(elided_over_relay, *hops),
            Told(
                "failure",
                who,
                "C is set and the frame has no integrity code",
                (),
                tuple(range(1, len(hops) + 1)),
                count=len(hops),
            ),
        )
        for hops, who in (((0, 1), "0x0017"), ((1,), "0x0018"))
    ),
    # 0x9861 turned is 61 98: frame version 1, both addresses short, one PAN ID; as it stands it has source mode 1
    Further(
        "reserved-code-used",
        with_turned_header,
        Told(
            "failure",
            "0x0023",
            "each field of the MAC header has its most significant octet first: with the octets turned it is of 0x0023 "
            "in PAN 0xabcd",
            tuple(f"octet 0, MAC; octets from 0: 98 61 {at} ab cd 00" for at in ("3c", "3d", "3e")),
            (5, 6, 7),
            3,
            "Write frame control, PAN IDs and addresses of the MAC header with their least significant octet first: "
            "nobody takes the frames of a node that turns them.",
            "IEEE 802.15.4-2006 §7.2, from memory",
        ),
    ),
    # the third word of the prefix is 4 there: 3 more in each of two addresses, which no other link address adds
    Further(
        "prefix-of-context-differs",
        under_another_prefix,
        Told(
            "failure",
            "02:5e:10:00:00:00:00:17",
            "the words of the prefix of context 0 sum up to 0x0003 more at the sender than here, or to 0x0006 more in "
            "one address alone",
            (
                "all 4 wrong sums differ by +0x0006",
                f"{_ONE_WORD} 2004:db8:1::/64 or 2001:dbb:1::/64 or 2001:db8:4::/64 or {_THREE}",
                f"{_ALONE_ONE} 2007:db8:1::/64 or 2001:dbe:1::/64 or 2001:db8:7::/64 or 2001:db8:1:6::/64",
                f"{_OTHER_PORT}: source 61623 in place of 61617 or destination 61624 in place of 61618",
            ),
            (1, 2, 3, 4),
            4,
        ),
    ),
    # it started with more than any node starts with by mistake
    Further(
        "hop-limit-runs-out",
        lambda: ending(40, 39, 1),
        Told(
            "failure",
            "0x0022",
            "datagrams to 2001:db8:1::ff:fe00:1 come to 0x0025 with hop limit 1, which must discard them",
            ("sent by 2001:db8:1::ff:fe00:23",),
            (3, 6, 9),
            3,
        ),
    ),
    # it has both keys, and the other one may be for something else
    Further(
        "key-missing",
        lambda: one_index(both=True),
        Told(
            "remark",
            _WANTED,
            _WANTED,
            (_ALONE.replace("frame 3", "frame 4"),),
            tuple(one + 1 for one in _OF_C),
            6,
        ),
    ),
    # the longer of two waits, and both together 2.5 s
    *(
        Further(
            "later-than-planned",
            partial(held, *gaps),
            Told(
                "risk",
                "reading from 2001:db8:1::ff:fe00:3",
                f"0 of 60 arrived within 1 s; in the middle they wait in {relay} for 2 s of 2.5 s",
                ("95.0% planned to",),
            ),
        )
        for gaps, relay in (((0.5, 2.0), "0x0001"), ((2.0, 0.5), "0x0002"))
    ),
    # whom it is for is not heard
    Further(
        "reserved-code-used",
        lambda: with_turned_header(to=b"\x00\x44"),
        Told(
            "failure",
            "an unnamed node",
            "address mode 1 is reserved",
            tuple(f"octet 0, MAC; octets from 0: 98 61 {at} ab cd 00" for at in ("3c", "3d", "3e")),
            (5, 6, 7),
            3,
            "See which code the evidence names, and what the table there allows (lowpanbudget explain MAC).",
            "IEEE 802.15.4-2015 table 7-2",
        ),
    ),
    # nobody else is heard in that PAN
    Further(
        "reserved-code-used",
        lambda: with_turned_header(0x1234),
        Told(
            "failure",
            "an unnamed node",
            "address mode 1 is reserved",
            tuple(f"octet 0, MAC; octets from 0: 98 61 {at} 12 34 00" for at in ("3c", "3d", "3e")),
            (5, 6, 7),
            3,
            "See which code the evidence names, and what the table there allows (lowpanbudget explain MAC).",
            "IEEE 802.15.4-2015 table 7-2",
        ),
    ),
    Further(
        "extended-address-unknown",
        lambda: of_turned_device(0x2200),
        Told(
            "remark",
            "0x0021",
            "the nonce needs the EUI-64 of the sender, and the short address is all that is known",
            (),
            (1, 2, 3),
            3,
        ),
    ),
    Further(
        "extended-address-unknown",
        of_turned_device,
        Told(
            "remark",
            "0x0021",
            "the nonce needs the EUI-64 of the sender, and the short address is all that is known",
            ("the key file has 0x2100, whose octets these are in reverse",),
            (1, 2, 3),
            3,
            "Look whether the node writes its addresses with the most significant octet first: in the MAC header the "
            'least significant one is. Where it is another node, add a line "0xSHORT" = "EUI-64" under [devices] of '
            "the key file.",
        ),
    ),
    # words of 0000:00ff:fe00:0017 are 0xff16, of 005e:1000:0000:0017 0x1075: 0xeea1 more, which is 0x115e less
    Further(
        "prefix-of-context-differs",
        of_other_link,
        Told(
            "failure",
            "02:5e:10:00:00:00:00:17",
            "it makes the identifier of its address of 0x0017, not of the address in its frames",
            (
                "all 4 wrong sums differ by -0x115e",
                "2001:db8:1::ff:fe00:17 in place of 2001:db8:1:0:5e:1000:0:17",
            ),
            (1, 2, 3, 4),
            4,
            "Let the node make its address of the link address that the frame carries, or carry the identifier in "
            "line: who elides it has it made of that (RFC 6282 section 3.2.2).",
            "RFC 6282 §3.2.2",
        ),
    ),
    Further(
        "frames-not-acknowledged",
        lambda: few_unanswered(4, 4, 4),
        Told(
            "risk",
            "0x0021 to 0x0022",
            "none of 3 frames was acknowledged, tried up to 4 times",
            (),
            (11, 15, 19),
            3,
        ),
    ),
    # on the third hop the limit is 1, and the datagram is for none of those on the way
    Further(
        "hop-limit-runs-out",
        lambda: ending(3, 2, 1),
        Told(
            "failure",
            "0x0023",
            "datagrams to 2001:db8:1::ff:fe00:1 come to 0x0025 with hop limit 1, which must discard them",
            (
                "sent by 2001:db8:1::ff:fe00:23",
                "it starts with hop limit 3",
            ),
            (1, 3, 4, 6, 7, 9),
            3,
            advice="Let this node start with a hop limit above the depth of the network: 64 costs no octet.",
        ),
    ),
    # macMaxFrameRetries is 3 by default: four tries (IEEE 802.15.4-2020 table 8-94, from memory)
    Further(
        "fragments-unfinished",
        lambda: ended_early(4),
        Told(
            "risk",
            "0x0017 to 0x0001",
            _UNFINISHED,
            ("of 3 only one fragment was seen, 3 of them given up by its sender",),
            (1, 5, 9),
            3,
            advice=_LINK,
        ),
    ),
    Further(
        "fragments-unfinished",
        lambda: ended_early(1, answered=True),
        Told(
            "risk",
            "0x0017 to 0x0001",
            _UNFINISHED,
            ("of 3 only one fragment was seen, which was acknowledged: its sender sent no more",),
            (1, 3, 5),
            3,
            advice=_SENDER,
        ),
    ),
    # tried twice, and no acknowledgement heard: it may have been missed here
    Further(
        "fragments-unfinished",
        lambda: ended_early(2),
        Told(
            "risk",
            "0x0017 to 0x0001",
            _UNFINISHED,
            ("of 3 only one fragment was seen",),
            (1, 3, 5),
            3,
        ),
    ),
    # what A and B send opens, and both speak to C: it is not one that nobody listens to
    Further(
        "key-missing",
        one_index,
        Told("risk", _WANTED, _WANTED, (_ALONE,), _OF_C, 6, advice=_COMPARE),
    ),
    # the key of the others is not given either: nobody knows which the network has
    Further(
        "key-missing",
        lambda: one_index(given=2),
        Told(
            "remark",
            "no key for this frame: key id mode 1, index 1",
            "no key for this frame: key id mode 1, index 1",
            (),
            (1, 2, 4, 5, 6, 8, 9, 10, 12, 13, 14, 16),
            18,
        ),
    ),
    # key-named-by-one-node has its weight
    Further(
        "key-missing",
        lambda: one_index(asked=0),
        Told("remark", _WANTED, _WANTED, (_ALONE,), (3, 6, 9, 12, 15, 18), 6),
    ),
    Further(
        "context-unknown",
        lambda: of_a_context(b"\x00\x23"),
        Told(
            "failure",
            "context 1",
            "context 1 has no prefix, and is none of the design's",
            (
                "octet 12, IPHC",
                "0x0023 alone compresses with it, first in frame 3; 2 others with context 0",
            ),
            (3, 6, 9),
            3,
            advice=_CONTEXT,
        ),
    ),
    Further(
        "context-unknown",
        lambda: of_a_context(b"\x00\x23", planned=False),
        Told(
            "remark",
            "context 1",
            "context 1 has no prefix",
            (
                "octet 12, IPHC",
                "0x0023 alone compresses with it, first in frame 3; 2 others with context 0",
            ),
            (3, 6, 9),
            3,
        ),
    ),
    # two that have it are no single node gone wrong: the design may be old
    Further(
        "context-unknown",
        lambda: of_a_context(b"\x00\x22", b"\x00\x23"),
        Told(
            "remark",
            "context 1",
            "context 1 has no prefix",
            ("octet 12, IPHC",),
            (2, 3, 5, 6, 8, 9),
            6,
        ),
    ),
    # 01 00 c8 (version 1, 200) and the next two, from the last octet to the first: version 0xc8 is 200
    Further(
        "message-values-implausible",
        lambda: turned("c80001", "c90001", "ca0001"),
        Told(
            "failure",
            _IMPLAUSIBLE,
            "reading cannot be read as designed; it can when its octets are read from the last to the first: the "
            "sender writes the whole message in reverse",
            (
                "data c8 00 01",
                "field version is 201, and this format has 1",
                "data c9 00 01",
                "field version is 202, and this format has 1",
            ),
            (1, 2, 3),
            3,
            advice=_TURNED,
        ),
    ),
    # two that differ prove nothing
    Further(
        "message-values-implausible",
        lambda: turned("c80001", "c90001", "c80001"),
        Told(
            "failure",
            _IMPLAUSIBLE,
            "reading cannot be read as designed: field version is 200, and this format has 1",
            ("data c8 00 01", "field version is 201, and this format has 1", "data c9 00 01"),
            (1, 2, 3),
            3,
            advice=_OTHER_VERSION,
        ),
    ),
    # nor does it when one was right as it came
    Further(
        "message-values-implausible",
        lambda: turned("0100c8", "c80001", "c90001", "ca0001"),
        Told(
            "failure",
            _IMPLAUSIBLE,
            "reading cannot be read as designed: field version is 200, and this format has 1; it began with frame 2, "
            "and 1 message before could be read",
            (
                "data c8 00 01",
                "field version is 201, and this format has 1",
                "data c9 00 01",
                "field version is 202, and this format has 1",
            ),
            (2, 3, 4),
            3,
            advice=_OTHER_VERSION,
        ),
    ),
)
