"""What IPv6 forbids among headers that can be read: addresses, ways of source routes, a header out of place.

A MAC header has 9 octets. Behind it stand a dispatch (0x41, RFC 4944 section 5.1) and the IPv6 header as it is, from
octet 10, extension headers from octet 50; or LOWPAN_IPHC, which for a node and the root under context 0, traffic class
and flow label 0 and hop limit 64 has 2 octets: what is compressed with LOWPAN_NHC follows at octet 11.
"""

from collections.abc import Callable
from functools import partial
from ipaddress import IPv6Address

from findings import air
from findings.air import ALL_NODES, NODE, PREFIX, ROOT, Capture
from findings.cases_further import Further
from findings.cases_source_routes import FROM_ROOT, LAST, NEXT, source_route
from findings.judge import Case, Told

FROM_NODE = air.address(PREFIX, NODE)
FROM_FAR = IPv6Address("2001:db8:f00d:2::10")  # of another network
NOBODY, ITSELF = IPv6Address("::"), IPv6Address("::1")
BLANK = bytes(
    [0, 1, 4, 0, 0, 0, 0]
)  # of 8 octets behind the next header: 4 of padding, in 6 (RFC 8200 section 4.2)


def between(source: IPv6Address, destination: IPv6Address, *, packed: bool = False) -> Capture:
    """A datagram without a next header, as it is or compressed."""
    whole = air.ip(source, destination, 59, b"")
    return Capture([air.frame(whole) if packed else air.raw(b"\x41" + whole)])


def tunnelled(source: IPv6Address) -> Capture:
    """One from this source in a tunnel of the node."""
    inner = air.ip(source, FROM_ROOT, 59, b"")
    return Capture([air.raw(b"\x41" + air.ip(FROM_NODE, FROM_ROOT, 41, inner))])


def options(*kinds: int, packed: bool = False, data: int = 0) -> Capture:
    """Options headers of these kinds, hop-by-hop (0) and destination options (60), and a UDP segment behind them."""
    follow = (*kinds[1:], 17)
    headers = b"".join(bytes([kind]) + BLANK for kind in follow)
    segment = air.udp(bytes(data), FROM_NODE, FROM_ROOT)
    whole = air.ip(FROM_NODE, FROM_ROOT, kinds[0], headers + segment)
    if data:
        # what is not compressed is not read in the first fragment: the number of the next header stands in IPHC
        parts = [
            b"\xc0" + bytes([len(whole), 0, 7, 0x41]) + whole[:96],
            b"\xe0" + bytes([len(whole), 0, 7, 12]) + whole[96:],
        ]
        return Capture([air.raw(part, n) for n, part in enumerate(parts)])
    return Capture([air.frame(whole) if packed else air.raw(b"\x41" + whole)])


def in_tunnel() -> Capture:
    """A hop-by-hop header behind each of two IPv6 headers."""
    inner = air.ip(FROM_NODE, FROM_ROOT, 0, bytes([59]) + BLANK)
    outer = air.ip(FROM_NODE, FROM_ROOT, 0, bytes([41]) + BLANK + inner)
    return Capture([air.raw(b"\x41" + outer)])


def way(left: int, *nodes: bytes, to: bytes = NEXT, packed: bool = False) -> Capture:
    """A source route of the root with so many segments left, now at ``to`` (RFC 6554 section 3)."""
    route = bytes([59]) + source_route(left, *nodes)[1:]
    whole = air.ip(FROM_ROOT, air.address(PREFIX, to), 43, route)
    links = (ROOT, NEXT)
    return Capture([air.frame(whole, 1, links) if packed else air.raw(b"\x41" + whole, 1, links)])


def whole_way(*addresses: IPv6Address) -> Capture:
    """A source route with whole addresses: 8 octets and 16 for each."""
    count = len(addresses)
    route = bytes([59, 2 * count, 3, count, 0, 0, 0, 0]) + b"".join(one.packed for one in addresses)
    whole = air.ip(FROM_ROOT, air.address(PREFIX, NEXT), 43, route)
    return Capture([air.raw(b"\x41" + whole, 1, (ROOT, NEXT))])


def in_lorh(*nodes: bytes) -> Capture:
    """The same in SRH-6LoRH: 100|size - 1|type 1, two octets of each address (RFC 8138 section 5.1), behind page 1.

    Then IPHC: source and destination under context 0, from the link addresses: 0x0017 is the end.
    """
    head = bytes([0xF1, 0x80 | len(nodes) - 1, 1])
    octets = head + b"".join(nodes) + b"\x7a\x77\x3b"
    return Capture([air.raw(octets, 1, (ROOT, NODE))], root=FROM_ROOT)


def in_nhc(route: bytes) -> Capture:
    """A routing header in NHC, whose length counts octets, behind a header with addresses as in ``in_lorh``."""
    octets = b"\x7e\x77\xe2\x3b" + bytes([len(route) - 2]) + route[2:]
    return Capture([air.raw(octets, 1, (ROOT, NEXT))])


TWICE = "the source route visits an address more than once"
GROUP = "a multicast address stands in the source route"
BEHIND = "a hop-by-hop header stands behind another than the IPv6 header"
BY_ROOT, BY_NODE = f"from {FROM_ROOT}", f"from {FROM_NODE}"

MISPLACED_CASES: dict[str, Case] = {
    # RFC 4291 section 2.7: "Multicast addresses must not be used as source addresses in IPv6 packets"
    "address-forbidden": Case(
        lambda: between(ALL_NODES, FROM_ROOT),
        lambda: between(NOBODY, ALL_NODES),
        Told(
            "failure",
            "0x0017",
            "the source address ff02::1 is multicast, which no source may be",
            ("octet 10",),
            (1,),
            cite="RFC 4291 §2.7",
        ),
    ),
    # RFC 8200 section 4.1: "restricted to appear immediately after an IPv6 header only"
    "hop-by-hop-misplaced": Case(
        lambda: options(60, 0),
        lambda: options(0, 60),
        Told("failure", BY_NODE, BEHIND, ("octet 58",), (1,)),
    ),
    # RFC 6554 section 3: "MUST NOT specify a path that visits a node more than once"
    "source-route-visits-twice": Case(
        lambda: way(3, LAST, NEXT, NODE),
        lambda: way(2, LAST, NODE),
        Told("failure", BY_ROOT, TWICE, ("octet 50",), (1,)),
    ),
    # RFC 6554 section 3: "Multicast addresses MUST NOT appear in an SRH"
    "source-route-address-forbidden": Case(
        lambda: whole_way(ALL_NODES, FROM_NODE),
        lambda: whole_way(air.address(PREFIX, LAST), FROM_NODE),
        Told("failure", BY_ROOT, GROUP, ("octet 50",), (1,)),
    ),
}


def _address(cause: str, section: str, fires: Callable[[], Capture], octet: int = 10) -> Further:
    told = Told("failure", "0x0017", cause, (f"octet {octet}",), (1,), cite=f"RFC 4291 §{section}")
    return Further("address-forbidden", fires, told)


_LOOPBACK = "address is the loopback address ::1, which stays within its node"
MISPLACED_FURTHER = (
    _address(
        "the source address ff02::1 is multicast, which no source may be",
        "2.7",
        lambda: between(ALL_NODES, FROM_ROOT, packed=True),
        9,
    ),
    _address(f"the source {_LOOPBACK}", "2.5.3", lambda: between(ITSELF, FROM_ROOT)),
    _address(
        f"the source {_LOOPBACK}", "2.5.3", lambda: between(ITSELF, FROM_ROOT, packed=True), 9
    ),
    _address(f"the destination {_LOOPBACK}", "2.5.3", lambda: between(FROM_NODE, ITSELF)),
    # "must not be used as the destination address of IPv6 packets"
    _address(
        "the destination address is the unspecified address ::, which nobody has",
        "2.5.2",
        lambda: between(FROM_NODE, NOBODY, packed=True),
        9,
    ),
    _address(
        "the source address ff02::1 is multicast, which no source may be",
        "2.7",
        lambda: tunnelled(ALL_NODES),
        50,
    ),
    # NHC octet, length and what follows it of the first, whose padding is left out: 3 octets
    *(
        Further("hop-by-hop-misplaced", fires, Told("failure", BY_NODE, BEHIND, (where,), (1,)))
        for fires, where in (
            (lambda: options(0, 0), "octet 58"),
            (lambda: options(60, 0, packed=True), "octet 13"),
        )
    ),
    # told where it stands, in the first fragment, behind the 4 octets of that
    Further(
        "hop-by-hop-misplaced",
        lambda: options(60, 0, data=80),
        Told("failure", BY_NODE, BEHIND, ("octet 62",), (1,)),
    ),
    # RFC 8138 section 6: an RPI-6LoRH, here with a rank of one octet, stands for a hop-by-hop header; one more as NHC,
    # of padding that is left out
    Further(
        "hop-by-hop-misplaced",
        lambda: Capture([air.raw(bytes.fromhex("f1 830502 7e77 e03b00"))], root=FROM_ROOT),
        Told(
            "remark",
            BY_NODE,
            "a second hop-by-hop header stands behind the one of the RPL information",
            ("octet 10",),
            (1,),
        ),
    ),
    *(
        Further("source-route-visits-twice", fires, Told("failure", BY_ROOT, cause, (where,), (1,)))
        for fires, cause, where in (
            (lambda: way(2, NEXT, NODE), TWICE, "octet 50"),
            (lambda: way(3, LAST, NEXT, NODE, packed=True), TWICE, "octet 12"),
            # a hop later: 0x0018 and 0x0019 have changed places
            (lambda: way(2, NEXT, NEXT, NODE, to=LAST), TWICE, "octet 50"),
            (lambda: in_lorh(NEXT, LAST, NEXT), TWICE, "octet 10"),
            # "the IPv6 Source and Destination addresses of the encapsulating datagram do not appear in the SRH"
            (
                lambda: way(2, ROOT, NODE),
                "the source route leads through the source of its datagram",
                "octet 50",
            ),
        )
    ),
    # RFC 6554 section 4.2: "if Segments Left is greater than n"; as it is, and compressed: EID 1, next header 59, 14
    # octets (RFC 6282 section 4.2)
    *(
        Further(
            "contents-unreadable",
            fires,
            Told(
                "failure",
                "0x0001: 3 segments left of 2",
                "3 segments left of 2",
                (where,),
                (1,),
                cite="RFC 6554 §4.2",
            ),
        )
        for fires, where in (
            (partial(way, 3, LAST, NODE), "octet 53"),
            (lambda: in_nhc(source_route(3, LAST, NODE)), "octet 11"),
        )
    ),
    # RFC 4291 section 2.5.3: "must be dropped" by the router that gets it as its destination
    Further(
        "source-route-address-forbidden",
        lambda: whole_way(ITSELF, FROM_NODE),
        Told(
            "failure",
            BY_ROOT,
            "the loopback address stands in the source route",
            ("octet 50",),
            (1,),
            cite="RFC 4291 §2.5.3",
        ),
    ),
    # RFC 4291 section 2.5.2: "or in IPv6 Routing headers"
    Further(
        "source-route-address-forbidden",
        lambda: whole_way(NOBODY, FROM_NODE),
        Told(
            "failure",
            BY_ROOT,
            "the unspecified address stands in the source route",
            ("octet 50",),
            (1,),
            cite="RFC 4291 §2.5.2",
        ),
    ),
)

MISPLACED_NEAR: dict[str, tuple[str, Callable[[], Capture]]] = {
    "addresses that begin with a zero octet": (
        "address-forbidden",
        partial(between, IPv6Address("64:ff9b::1"), IPv6Address("64:ff9b::2")),
    ),
    "a hop-by-hop header behind each IPv6 header of a tunnel": ("hop-by-hop-misplaced", in_tunnel),
    # no more than its first octets came: nothing is there to be judged, and the audit goes on
    "a route that is cut off": (
        "source-route-visits-twice",
        lambda: Capture([air.raw(b"\x41" + air.ip(FROM_FAR, FROM_NODE, 43, b"\x3b\x02"))]),
    ),
    "a way in NHC of which all is left": (
        "contents-unreadable",
        lambda: in_nhc(source_route(2, LAST, NODE)),
    ),
    "a way of which some was gone": (
        "source-route-visits-twice",
        lambda: way(1, NEXT, NODE, to=LAST),
    ),
    "a way in 6LoRH whose last entry is the destination": (
        "source-route-visits-twice",
        lambda: in_lorh(NEXT, LAST, NODE),
    ),
}
