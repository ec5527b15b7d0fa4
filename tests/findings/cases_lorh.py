"""Captures with routing headers in 6LoRH (RFC 8138): what each finding says of them, and near misses.

Octets are put together here by the figures of that standard: f1 is page 1, 80 | hops - 1 and 01 an SRH-6LoRH of two
octets an address, a1 06 an IP-in-IP-6LoRH of the root.
"""

import struct
from collections.abc import Callable, Sequence
from dataclasses import replace
from functools import partial
from ipaddress import IPv6Address
from itertools import pairwise

from findings import air
from findings.air import NODE, PREFIX, ROOT, Capture
from findings.cases_compression import paged
from findings.cases_further import Further
from findings.cases_source_routes import (
    FROM_ROOT,
    NEXT,
    TO_NODE,
    WAY,
    Sent,
    source_route,
)
from findings.judge import Case, Told

from lowpanbudget.findings.captures.checksums import COMPUTED

OUTSIDE = IPv6Address("2001:db8:f00d:2::10")
ON_FIRST_HOP = "frame 1: 0x0001 to 2001:db8:1::ff:fe00:18"
PAGE_1 = b"\xf1"
UPWARDS = bytes([0x83, 5, 0])  # an RPI-6LoRH of instance 0 and rank 0 (RFC 8138 section 6.3)
DOWNWARDS = bytes([0x93, 5, 0])  # the same with the O flag
OTHER, FAR_LEAF = b"\x00\x1a", b"\x00\x20"


def srh_lorh(nodes: Sequence[bytes]) -> bytes:
    """RFC 8138 section 5.1, figures 6 and 7."""
    return bytes([0x80 | len(nodes) - 1, 1]) + b"".join(nodes)


def ip_in_ip(limit: int, encapsulator: bytes = b"") -> bytes:
    """RFC 8138 section 7, figure 14: the hop limit, and octets in which the address differs from the root's."""
    return bytes([0xA0 | 1 + len(encapsulator), 6, limit]) + encapsulator


def tunnelled(limits: Sequence[int], *, up: bool = False, times: int = 3) -> Capture:
    """Readings of a node to a host outside, or from there, in a tunnel to or from the root: outer hop limits by hop.

    The inner one stays, be it 61 as it came from outside or the 64 of the node.
    """
    ends, way = ((TO_NODE, OUTSIDE), WAY[::-1]) if up else ((OUTSIDE, TO_NODE), WAY)
    frames: Sent = []
    for number in range(times):
        segment = air.udp(b"reading %d" % number, *ends)
        inner = air.ip(*ends, 17, segment, 64 if up else 61)
        for passed, (limit, links) in enumerate(zip(limits, pairwise(way), strict=True)):
            route = b"" if up else srh_lorh(way[passed + 1 :])
            tunnel = ip_in_ip(limit, NODE if up else b"")
            packed = PAGE_1 + route + tunnel + air.payload(inner, links)
            frames.append((1.0 + 60 * number + passed / 10, air.raw(packed, number, links)))
    return Capture([*frames], root=FROM_ROOT)


def to_other_leaf() -> Capture:
    """Readings of a node to one beside it: to the root as they are, and down from there in a tunnel (RFC 9008 8.3.1).

    The root lowers the hop limit as any router does, and begins with 64 around it (RFC 2473 section 3.1).
    """
    ends, other = (TO_NODE, air.address(PREFIX, OTHER)), (ROOT, NEXT, OTHER)
    frames: Sent = []
    for number in range(3):
        segment = air.udp(b"reading %d" % number, *ends)
        for passed, links in enumerate((*pairwise(WAY[::-1]), *pairwise(other))):
            is_down, at = passed > 2, 1.0 + 60 * number + passed / 10
            inner = air.ip(*ends, 17, segment, 61 if is_down else 64 - passed)
            packed = air.payload(inner, links)
            if is_down:
                tunnel = srh_lorh(other[passed - 2 :]) + ip_in_ip(67 - passed)
                packed = PAGE_1 + tunnel + packed
            frames.append((at, air.raw(packed, number, links)))
    return Capture([*frames], root=FROM_ROOT)


def by_link(encapsulator: bytes, *, root: IPv6Address = FROM_ROOT) -> Capture:
    """Readings of a node to a host outside, whose identifier is elided behind an IP-in-IP-6LoRH (RFC 8138 7)."""
    links, ends = (FAR_LEAF, ROOT), (air.address(PREFIX, FAR_LEAF), OUTSIDE)
    frames = []
    for number in range(3):
        inner = air.payload(air.ip(*ends, 17, air.udp(b"reading %d" % number, *ends)), links)
        frames.append(air.raw(PAGE_1 + UPWARDS + ip_in_ip(64, encapsulator) + inner, number, links))
    return Capture([*frames], root=root)


def in_two(packed: bytes, size: int, cut: int, tag: int) -> list[bytes]:
    """The fragments of a datagram of so many octets, of which the last ``cut`` come apart (RFC 4944 section 5.3)."""
    first = struct.pack(">HH", 0xC000 | size, tag)
    last = bytes([first[0] | 0x20]) + first[1:] + bytes([(size - cut) // 8])
    return [first + packed[:-cut], last + packed[-cut:]]


def with_information() -> Capture:
    """Readings with an RPI-6LoRH in two fragments each, whose sizes count the 8 octets that it stands for."""
    frames = []
    for number in range(6):
        packed = PAGE_1 + UPWARDS + air.payload(air.datagram(bytes([number]) * 64))
        parts = in_two(packed, 40 + 8 + 8 + 64, 16, number)
        frames += [air.raw(part, 2 * number + place) for place, part in enumerate(parts)]
    return Capture([*frames], root=FROM_ROOT)


def without_checksum() -> Capture:
    """UDP with a checksum of zero behind an RPI-6LoRH, which stands for a hop-by-hop header; a router sends it on."""
    ends, frames = (air.address(PREFIX, NODE), air.address(PREFIX, ROOT)), []
    for hop, links in enumerate(((NODE, OTHER), (OTHER, ROOT))):
        packet = air.ip(*ends, 17, air.udp(b"data", *ends, checksum=0), 64 - hop)
        packed = PAGE_1 + UPWARDS + air.payload(packet, links)
        frames.append((1 + hop / 50, air.raw(packed, 1 + hop, links)))
    return Capture([*frames], root=FROM_ROOT)


def as_option() -> Capture:
    """Readings with the option itself, in two fragments each."""
    packets = [air.with_option(bytes([number]) * 120) for number in range(5)]
    parts = [air.pieces(one, tag=tag, start=2 * tag) for tag, one in enumerate(packets)]
    return Capture([part for pair in parts for part in pair])


def routed(*, keeps: bool, times: int = 1, cut: int = 0) -> Capture:
    """Readings of the root to a node by SRH-6LoRH; with ``keeps`` no router pops its own entry (RFC 8138 section 5.5).

    Of 64 octets of data the last ``cut`` come in a second fragment.
    """
    ends = FROM_ROOT, TO_NODE
    frames: Sent = []
    for number in range(times):
        segment = air.udp(bytes([number]) * 64, *ends)
        for passed, links in enumerate(pairwise(WAY)):
            at, ahead = 1.0 + 60 * number + passed / 10, WAY[1:] if keeps else WAY[passed + 1 :]
            inner = air.payload(air.ip(*ends, 17, segment, 64 - passed), links)
            parts = [PAGE_1 + srh_lorh(ahead) + inner]
            if cut:
                # the first is the destination; 8 octets and 16 for each further one (RFC 6554 section 3)
                headers = 40 + (8 + 16 * (len(ahead) - 1) if len(ahead) > 1 else 0) + 8
                parts = in_two(parts[0], headers + 64, cut, 10 * number + passed)
            for place, part in enumerate(parts):
                sequence = 10 * number + 2 * passed + place
                frames.append((at + place / 100, air.raw(part, sequence, links)))
    return Capture([*frames], root=FROM_ROOT)


def in_own_tunnel(limit: int = 64, encapsulator: bytes = FAR_LEAF) -> Capture:
    """Readings of a node to a host outside, in its own tunnel, whose source goes in line as that of no link does."""
    links, ends = (FAR_LEAF, ROOT), (air.address(PREFIX, FAR_LEAF), OUTSIDE)
    frames = []
    for number in range(5):
        segment = air.udp(b"reading %d" % number, *ends)
        inner = air.payload(air.ip(*ends, 17, segment, limit), (OTHER, ROOT))
        packed = PAGE_1 + UPWARDS + ip_in_ip(64, encapsulator) + inner
        frames.append(air.raw(packed, number, links))
    return Capture([*frames], root=FROM_ROOT)


def through_its_source(packed: bool) -> Capture:
    """Readings of a node to one behind it, as they come down through it from the root in a tunnel (RFC 9008 8.3.1)."""
    ends = TO_NODE, air.address(PREFIX, OTHER)
    frames = []
    for number in range(6):
        inner = air.ip(*ends, 17, air.udp(b"reading %d" % number, *ends), 63)
        links = NODE, OTHER
        if packed:
            # identifiers are those of the outer header (RFC 8138 section 5.2.3)
            within = air.payload(inner, (ROOT, OTHER))
            octets = PAGE_1 + srh_lorh([OTHER]) + ip_in_ip(63) + within
            frames.append(air.raw(octets, number, links))
        else:
            frames.append(air.frame(air.ip(FROM_ROOT, ends[1], 41, inner, 63), number, links))
    return Capture([*frames], root=FROM_ROOT)


LORH_CASES: dict[str, Case] = {
    # "elided if it is the root"; else it is "compressed against" the root's address (RFC 8138 sections 4.3.2 and 7)
    "root-unknown": Case(
        lambda: replace(tunnelled((64, 63, 62), times=1), root=None),
        lambda: tunnelled((64, 63, 62), times=1),
        Told(
            "remark",
            "root",
            "the encapsulator's address is compressed against the root's, which is not known",
            ("octet 10, 6LoRH",),  # behind 9 octets of the MAC header and the page switch
            (1, 2, 3),
            3,
        ),
    ),
    # 0x0020 is 0x001f more than 0x0001; an outer header and its option, 48 octets, and 0 for 17 would be as much more
    "identifier-not-of-outer-header": Case(
        lambda: by_link(b""),
        lambda: by_link(FAR_LEAF),
        Told(
            "failure",
            "0x0020: the identifier is that of the link address, not of the outer header",
            "the checksum is right when the source is 2001:db8:1::ff:fe00:20 (the identifier is that of the link "
            "address, not of the outer header)",
            # that, two with the PAN ID, the bit, 2 prefixes, no length
            (
                "checksum carried 0xff5b, computed here 0xff7a; 7 readings tried",
                "checksum carried 0xfe5b, computed here 0xfe7a; 7 readings tried",
                "checksum carried 0xfd5b, computed here 0xfd7a; 7 readings tried",
            ),
            (1, 2, 3),
            3,
        ),
    ),
}

LORH_FURTHER = (
    # all of the encapsulator is carried: going up the tunnel ends at the root, which is not known either (section 7)
    Further(
        "root-unknown",
        lambda: replace(in_own_tunnel(encapsulator=TO_NODE.packed), root=None),
        Told(
            "remark",
            "root",
            "the tunnel going up ends at the root, which is not known",
            ("octet 10, 6LoRH",),
            (1, 2, 3, 4, 5),
            5,
        ),
    ),
    # "IPv6 nodes must discard" it whatever headers stand before UDP (RFC 8200 section 8.1); 8 + 4 octets
    Further(
        "checksum-wrong",
        without_checksum,
        Told(
            "failure",
            "0x0017",
            "the UDP checksum is zero",
            ("f0 b1 f0 b2 00 0c 00 00",),
            (1,),
            advice=COMPUTED,
        ),
    ),
    # the outer source is that of the node as well: SAM 11 instead of 10 (RFC 8138 section 5.2.3)
    Further(
        "header-not-shortest",
        in_own_tunnel,
        Told(
            "waste",
            "0x0020: source address 2",
            "2 octets could be left out: source address 2",
            (),
            (1, 2, 3, 4, 5),
            5,
        ),
    ),
    # the hop limit inside is the node's own choice, and takes its octet in a tunnel too
    Further(
        "hop-limit-in-line",
        partial(in_own_tunnel, 60),
        Told(
            "waste",
            "0x0020",
            "datagrams start with hop limit 60, in line",
            (),
            (1, 2, 3, 4, 5),
            5,
        ),
    ),
    # as an option in fragments it takes what it takes in one frame; the first of two tells
    Further(
        "rpl-information-as-option",
        as_option,
        Told(
            "remark",
            "0x0017",
            "the RPL option takes 8 octets of the datagram, 4 would do with 6LoRH and its page switch",
            ("63 04 00 00 02 00",),
            (2, 4, 6, 8, 10),
            5,
        ),
    ),
    # "a Hop Limit (HL) that is decremented at each hop" (RFC 8138 section 7)
    *(
        Further(
            "hop-limit-not-lowered",
            partial(tunnelled, (64, 64, 63), up=up, times=1),
            Told(
                "failure",
                router,
                "datagrams are forwarded with the hop limit that they came with, 64",
                (f"frame 1: {first} with hop limit 64, frame 2: {router} with hop limit 64",),
                (1, 2),
            ),
        )
        for up, first, router in ((False, "0x0001", "0x0018"), (True, "0x0017", "0x0019"))
    ),
    # only the first router stands first among the entries; the others would drop what is not theirs (section 5.6)
    *(
        Further(
            "segments-left-not-lowered",
            partial(routed, keeps=True, cut=cut),
            Told(
                "failure",
                "0x0018",
                "datagrams come with 3 entries of their route in SRH-6LoRH and are forwarded with 3",
                (f"{ON_FIRST_HOP}, frame {frames[1]}: 0x0018 to 2001:db8:1::ff:fe00:18",),
                frames,
                advice="Let the router take the first entry, its own address, off the first SRH-6LoRH before it "
                "forwards, and lower Size by one; with its last entry that header goes, or the next one takes over "
                "what it left out.",
                cite="RFC 8138 §5.5",
            ),
        )
        for cut, frames in ((0, (1, 2)), (16, (1, 3)))
    ),
)


def down_in_tunnel(*, routed: bool) -> Capture:
    """Readings of a host outside in a tunnel down, whose inner destination has 16 bits in line (RFC 6282 3.2.2).

    ``routed``: a source route with all its octets stands in it, and the outer destination is the next router; else the
    O flag tells of an outer header that ends where the inner one leads (RFC 8138 section 7).
    """
    ends, links = (OUTSIDE, TO_NODE), (ROOT, NEXT)
    frames = []
    for number in range(4):
        inner = air.ip(*ends, 17, air.udp(b"reading %d" % number, *ends), 61)
        if routed:
            route = bytes([41]) + source_route(1, NODE)[1:]
            packet = air.ip(FROM_ROOT, air.address(PREFIX, NEXT), 43, route + inner, 64)
            frames.append(air.frame(packet, number, links))
        else:
            packed = PAGE_1 + DOWNWARDS + ip_in_ip(64) + air.payload(inner, links)
            frames.append(air.raw(packed, number, links))
    return Capture([*frames], root=FROM_ROOT)


def tunnelled_in_two(root: IPv6Address | None) -> Capture:
    """Datagrams of a host outside in the root's tunnel, in two fragments each; a source route of two nodes leads them.

    Their sizes count an outer header of 40 octets and a routing header of 24 (RFC 6554 section 3).
    """
    ends, links, frames = (OUTSIDE, TO_NODE), (ROOT, NEXT), []
    for number in range(4):
        inner = air.payload(air.ip(*ends, 17, air.udp(bytes([number]) * 64, *ends), 61), links)
        packed = PAGE_1 + srh_lorh([NEXT, NODE]) + ip_in_ip(64) + inner
        parts = in_two(packed, 40 + 24 + 40 + 8 + 64, 16, number)
        frames += [air.raw(part, 2 * number + place, links) for place, part in enumerate(parts)]
    return Capture([*frames], root=root)


LORH_NEAR: dict[str, tuple[str, Callable[[], Capture]]] = (
    # nobody here reads the first fragment: what was sent is whole all the same
    {
        f"a tunnel in fragments whose root is {'known' if root else 'not known'}": (
            "fragments-unfinished",
            partial(tunnelled_in_two, root),
        )
        for root in (FROM_ROOT, None)
    }
    | {
        f"a tunnel in 6LoRH {way} whose outer hop limit falls": (
            "hop-limit-not-lowered",
            partial(tunnelled, (64, 63, 62), up=way == "up"),
        )
        for way in ("down", "up")
    }
    | {
        f"readings that the root puts into a tunnel: {name}": (name, to_other_leaf)
        for name in ("hop-limit-not-lowered", "datagram-in-a-loop")
    }
    | {
        f"a source route in SRH-6LoRH that is popped, the last {cut} octets apart": (
            "segments-left-not-lowered",
            partial(routed, keeps=False, cut=cut),
        )
        for cut in (0, 16)
    }
    # the node began with 64, and the root lowered that (RFC 8200 section 3) before it put its own header around
    | {
        f"a datagram that comes down through its own source, {form}": (
            "hop-limit-in-line",
            partial(through_its_source, packed),
        )
        for form, packed in (("in 6LoRH", True), ("in headers of IPv6", False))
    }
    # the root's identifier is that of the outer header, which the node's is not (RFC 6282 section 3.2.2)
    | {
        "an address in line behind a tunnel whose encapsulator is elided": (
            "header-not-shortest",
            partial(in_own_tunnel, encapsulator=b""),
        )
    }
    | {
        f"a destination in line behind a tunnel {way}": (
            "header-not-shortest",
            partial(down_in_tunnel, routed=routed),
        )
        for way, routed in (("with a source route", True), ("downwards", False))
    }
    # from fe80::/10 nothing goes further than a link (RFC 4291 section 2.5.6)
    | {
        "a root that itself sends to neighbours alone": (
            "page-one-not-answered",
            lambda: paged(answered=False, prefix="fe80::"),
        )
    }
    | {"an RPI-6LoRH before fragments": ("rpl-information-as-option", with_information)}
)
