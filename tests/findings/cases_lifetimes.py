"""Captures in which what holds for a time is used when that is over, and in which routers announce other prefixes."""

import struct
from collections.abc import Callable
from ipaddress import IPv6Address

from findings import air
from findings.air import ALL_NODES, FAR_NODE, NODE, PREFIX, ROOT, Capture
from findings.cases_further import Further
from findings.judge import Case, Told

Timed = tuple[float, bytes]
RELAY = b"\x00\x18"
HOME, AWAY = air.address(PREFIX, NODE), air.address(PREFIX, ROOT)
DAY_S, FOR_EVER = 86_400, 0xFFFF_FFFF


def sent(at: float, number: int, links: tuple[bytes, bytes] = (NODE, ROOT)) -> Timed:
    """A report under a frame number."""
    return at, air.frame(air.datagram(b"report %03d" % number, links=links), number, links)


def at_hand(at: float, number: int, node: bytes = NODE) -> Timed:
    """Something that a node sends to its neighbour alone."""
    links = node, RELAY
    return at, air.frame(air.datagram(b"hello", "fe80::", links), number, links)


# --- registrations ---------------------------------------------------------------------------------------


def option(minutes: int, status: int = 0, *, extended: bool = False) -> bytes:
    """ARO (RFC 6775 section 4.1), or EARO with T and a TID (RFC 8505 section 4.1): a lifetime in units of 60 s."""
    flags = bytes([1, 7]) if extended else bytes(2)
    return bytes([33, 2, status, 0]) + flags + struct.pack(">H", minutes) + FAR_NODE


def asked(
    at: float, number: int, minutes: int, router: bytes = ROOT, *, extended: bool = False
) -> Timed:
    """A registration of NODE; with EARO the target is the address (RFC 8505 section 5.3)."""
    end = air.address("fe80::", router)
    target = HOME if extended else end
    body = bytes(4) + target.packed + air.sllao(NODE) + option(minutes, extended=extended)
    return at, air.frame(air.nd_message(135, body, HOME, end), number, (NODE, router))


def registered_at_it(at: float, number: int) -> Timed:
    """A registration of RELAY at NODE."""
    source, end = air.address(PREFIX, RELAY), air.address("fe80::", NODE)
    aro = bytes([33, 2, 0, 0, 0, 0, 0, 60]) + bytes(7) + b"\x18"
    body = bytes(4) + end.packed + air.sllao(RELAY) + aro
    return at, air.frame(air.nd_message(135, body, source, end), number, (RELAY, NODE))


def over_it(at: float) -> list[Timed]:
    """A report of RELAY to ROOT over NODE."""
    return [
        (
            at + hop,
            air.frame(air.datagram(links=(RELAY, ROOT), hop_limit=64 - hop), 2, link),
        )
        for hop, link in enumerate(((RELAY, NODE), (NODE, ROOT)))
    ]


def granted(at: float, number: int, minutes: int, status: int = 0) -> Timed:
    """The answer to one with EARO."""
    ends = air.address("fe80::", ROOT), HOME
    body = bytes([0x40, 0, 0, 0]) + HOME.packed + option(minutes, status, extended=True)
    return at, air.frame(air.nd_message(136, body, *ends), number, (ROOT, NODE))


def confirmed(at: float, number: int, minutes: int) -> Timed:
    """A duplicate address request of the router (RFC 6775 section 4.4)."""
    body = bytes(2) + struct.pack(">H", minutes) + FAR_NODE + HOME.packed
    packet = air.nd_message(157, body, AWAY, air.address(PREFIX, RELAY), 64)
    return at, air.frame(packet, number, (ROOT, RELAY))


REGISTERED = "frame 1: 2001:db8:1::ff:fe00:17 registered at 0x0001"
UNREGISTERED = "an address is used after its registration for 120 s ran out"

# --- paths -----------------------------------------------------------------------------------------------


def configured(at: float, unit_s: int = 60, router: bytes = ROOT) -> Timed:
    """A DIO of ROOT with the configuration, which ends with the lifetime unit (RFC 6550 section 6.7.6)."""
    body = bytes([0, 240, 1, 0, 0x88, 0, 0, 0]) + AWAY.packed
    body += bytes([4, 14, 0, 8, 12, 10, 8, 0, 1, 0, 0, 1, 0, 120]) + struct.pack(">H", unit_s)
    ends = air.address("fe80::", router), IPv6Address("ff02::1a")
    message = air.icmpv6(155, body, *ends, code=1)
    return at, air.frame(air.ip(*ends, 58, message, 255), 1, (router, air.BROADCAST))


def advertised(at: float, number: int, *units: int, sequence: int = 240) -> Timed:
    """A DAO of NODE: target, and a transit option for each path lifetime (sections 6.4, 6.7.7 and 6.7.8)."""
    body = bytes([0, 0, 0, number, 5, 18, 0, 128]) + HOME.packed
    for lifetime in units:
        body += bytes([6, 20, 0, 0, sequence, lifetime]) + AWAY.packed
    message = air.icmpv6(155, body, HOME, AWAY, code=2)
    return at, air.frame(air.ip(HOME, AWAY, 58, message), number, (NODE, ROOT))


def led_down(at: float, number: int, flags: int = 0x80, to: bytes = RELAY) -> Timed:
    """A datagram for NODE with the RPL option, whose flag O says that it goes down (RFC 6553 section 3)."""
    body = bytes([17, 0, 0x63, 4, flags, 0, 1, 0]) + air.udp(b"set %03d" % number, AWAY, HOME)
    return at, air.frame(air.ip(AWAY, HOME, 0, body), number, (ROOT, to))


def passed_on(at: float, number: int) -> Timed:
    """A datagram for NODE that RELAY gets, without a route or an option."""
    return at, air.frame(air.datagram(links=(ROOT, NODE)), number, (ROOT, RELAY))


def routed(at: float, number: int) -> Timed:
    """A datagram to NODE over RELAY by a source route of one address in full (RFC 6554 section 3)."""
    route = bytes([17, 2, 3, 1, 0, 0, 0, 0]) + HOME.packed
    body = route + air.udp(b"set %03d" % number, AWAY, HOME)
    packet = air.ip(AWAY, air.address(PREFIX, RELAY), 43, body)
    return at, air.frame(packet, number, (ROOT, RELAY))


PATH = "datagrams are routed down to an address whose path for 120 s ran out"

# --- prefixes --------------------------------------------------------------------------------------------


def prefix_option(prefix: str = PREFIX, valid_s: int = DAY_S) -> bytes:
    """A prefix of 64 bits with A, not L (RFC 4861 section 4.6.2)."""
    lifetimes = struct.pack(">IIxxxx", valid_s, min(valid_s, 60))
    return bytes([3, 4, 64, 0x40]) + lifetimes + IPv6Address(prefix).packed


def announced(
    at: float, number: int, *options: bytes, router: bytes = ROOT, to: bytes = air.BROADCAST
) -> Timed:
    """A router advertisement to all nodes, or to one that asked."""
    body = bytes([64, 0]) + struct.pack(">HII", 1800, 0, 0) + b"".join(options)
    end = ALL_NODES if to == air.BROADCAST else air.address("fe80::", to)
    packet = air.nd_message(134, body, air.address("fe80::", router), end)
    return at, air.frame(packet, number, (router, to))


def valid(at: float, number: int, valid_s: int, router: bytes = ROOT) -> Timed:
    return announced(at, number, prefix_option(valid_s=valid_s), router=router)


def of_version(
    at: float, router: bytes, *prefixes: str, version: int = 3, border: IPv6Address = AWAY
) -> Timed:
    """An answer to NODE with prefixes and ABRO: the lower 16 bits of the version stand first (RFC 6775 section 4.3)."""
    abro = bytes([35, 3]) + struct.pack(">HHH", version, 0, 1000) + border.packed
    options = [prefix_option(prefix) for prefix in prefixes]
    return announced(at, int(at), *options, abro, router=router, to=NODE)


INVALID = "addresses of 2001:db8:1::/64 are used, which was valid for 120 s"
OTHER, THIRD = "2001:db8:9::", b"\x00\x19"
BORDER = "2001:db8:1::ff:fe00:1"

# lifetimes of 2 units of 60 s: 120 s; granted at 1 s, used at 124 s, 123 s later
LIFETIME_CASES: dict[str, Case] = {
    "registration-used-too-late": Case(
        lambda: Capture([asked(1, 1, 2), sent(60, 2), sent(124, 3)]),
        lambda: Capture([asked(1, 1, 2), asked(60, 2, 2), sent(124, 3)]),
        Told(
            "risk",
            "0x0017",
            UNREGISTERED,
            (f"{REGISTERED}; frame 3: sent from it 123 s later, 3 s too late",),
            (1, 3),
        ),
    ),
    "path-used-too-late": Case(
        lambda: Capture(
            [configured(0.5), advertised(1, 1, 2), led_down(60, 2), led_down(124, 3), sent(125, 2)]
        ),
        lambda: Capture(
            [configured(0.5), advertised(1, 1, 2), advertised(60, 2, 2), routed(124, 3)]
        ),
        Told(
            "risk",
            "2001:db8:1::ff:fe00:17",
            PATH,
            ("frame 2: DAO; frame 4: 0x0001 routes 123 s later, 3 s too late",),
            (2, 4),
        ),
    ),
    "prefix-used-too-late": Case(
        lambda: Capture([valid(1, 1, 120), sent(60, 1), sent(124, 2), at_hand(125, 2, ROOT)]),
        lambda: Capture([valid(1, 1, 120), valid(60, 2, 120), sent(124, 2), at_hand(125, 3, ROOT)]),
        Told(
            "risk",
            "2001:db8:1::ff:fe00:17",
            INVALID,
            (
                "frame 1: 0x0001 announces it; frame 3: 2001:db8:1::ff:fe00:17 sends 123 s later, 3 s too late",
            ),
            (1, 3),
        ),
    ),
    # the border router is 0x0001 itself
    "prefix-announced-otherwise": Case(
        lambda: Capture([of_version(1, RELAY, OTHER), of_version(2, ROOT, PREFIX)]),
        lambda: Capture([of_version(1, RELAY, OTHER, version=4), of_version(2, ROOT, PREFIX)]),
        Told(
            "risk",
            "fe80::ff:fe00:18",
            f"a router announces other prefixes in version 3 of {BORDER} than that has",
            (
                "frame 1: 2001:db8:9::/64 by fe80::ff:fe00:18",
                "frame 2: 2001:db8:1::/64 by fe80::ff:fe00:1",
            ),
            (1, 2),
        ),
    ),
}

LIFETIME_FURTHER = [
    Further(
        "registration-used-too-late",
        lambda: Capture(
            [
                asked(1, 1, 2, extended=True),
                sent(60, 2),
                sent(124, 3, (ROOT, NODE)),
                at_hand(125, 3),
            ]
        ),
        Told(
            "risk",
            "0x0017",
            UNREGISTERED,
            (f"{REGISTERED}; frame 3: sent to it 123 s later, 3 s too late",),
            (1, 3),
        ),
    ),
    # numbers 3 and 4 of the node are missing: 482 s later, more than four times 120 s, it is a remark
    Further(
        "registration-used-too-late",
        lambda: Capture([asked(1, 1, 2), sent(60, 2), sent(400, 5), sent(483, 6)]),
        Told(
            "remark",
            "0x0017",
            UNREGISTERED,
            (f"{REGISTERED}; frame 4: sent from it 482 s later, 362 s too late",),
            (1, 4),
        ),
    ),
    # of two paths the one that holds longest counts: 120 s of 60 s and 120 s
    Further(
        "path-used-too-late",
        lambda: Capture(
            [configured(0.5), advertised(1, 1, 1, 2), routed(100, 2), routed(124, 3), sent(125, 2)]
        ),
        Told(
            "risk",
            "2001:db8:1::ff:fe00:17",
            PATH,
            ("frame 2: DAO; frame 4: 0x0001 routes 123 s later, 3 s too late",),
            (2, 4),
        ),
    ),
    # "Otherwise, reset the valid lifetime of the corresponding address to 2 hours" (RFC 4862 section 5.5.3)
    Further(
        "prefix-used-too-late",
        lambda: Capture(
            [
                valid(1, 1, DAY_S),
                valid(2, 2, 60),
                sent(3500, 1),
                sent(7000, 2),
                sent(7204, 3),
                at_hand(7205, 3, ROOT),
            ]
        ),
        Told(
            "risk",
            "2001:db8:1::ff:fe00:17",
            "addresses of 2001:db8:1::/64 are used, which was valid for 7200 s",
            (
                "frame 2: 0x0001 announces it; frame 5: 2001:db8:1::ff:fe00:17 sends 7202 s later, 2 s too late",
            ),
            (2, 5),
        ),
    ),
    Further(
        "prefix-announced-otherwise",
        lambda: Capture([of_version(1, RELAY, PREFIX), of_version(2, RELAY, OTHER)]),
        Told(
            "risk",
            "fe80::ff:fe00:18",
            "a router changes its prefixes, and the version of its border router stays 3",
            (
                "frame 1: 2001:db8:1::/64 by fe80::ff:fe00:18",
                "frame 2: 2001:db8:9::/64 by fe80::ff:fe00:18",
            ),
            (1, 2),
        ),
    ),
    # neither is the border router, and each is alone: nobody knows who is right
    Further(
        "prefix-announced-otherwise",
        lambda: Capture([of_version(1, RELAY, PREFIX), of_version(2, THIRD, OTHER)]),
        Told(
            "risk",
            BORDER,
            f"routers announce different prefixes in version 3 of {BORDER}",
            (
                "frame 2: 2001:db8:9::/64 by fe80::ff:fe00:19",
                "frame 1: 2001:db8:1::/64 by fe80::ff:fe00:18",
            ),
            (2, 1),
        ),
    ),
]

_REGISTRATION, _PATH = "registration-used-too-late", "path-used-too-late"
_PREFIX, _OTHERWISE = "prefix-used-too-late", "prefix-announced-otherwise"
LIFETIME_NEAR: dict[str, tuple[str, Callable[[], Capture]]] = {
    "a registration that may have been renewed unheard": (
        _REGISTRATION,
        lambda: Capture([asked(1, 1, 2), sent(60, 2), sent(124, 4), sent(480, 5)]),
    ),
    "a registration that ends as it is used": (
        _REGISTRATION,
        lambda: Capture([asked(1, 1, 2), sent(122, 2)]),
    ),
    "a registration whose answer alone was heard": (
        _REGISTRATION,
        lambda: Capture([asked(1, 1, 2), granted(60, 1, 2), sent(124, 2)]),
    ),
    "a registration that its router takes further": (
        _REGISTRATION,
        lambda: Capture([asked(1, 1, 2), confirmed(60, 1, 2), sent(124, 2)]),
    ),
    "a registration that a router refuses": (
        _REGISTRATION,
        lambda: Capture([asked(1, 1, 2, extended=True), granted(2, 1, 2, 2), sent(124, 2)]),
    ),
    # without the 9000 s in which nobody is heard 100 s have gone by
    "a registration behind a leap of the clock": (
        _REGISTRATION,
        lambda: Capture([asked(1, 1, 2), sent(60, 2), sent(9060, 3), sent(9100, 4)]),
    ),
    "an address that is given up": (
        _REGISTRATION,
        lambda: Capture([asked(1, 1, 2), asked(60, 2, 0), sent(124, 3)]),
    ),
    "a registration that another router has for longer": (
        _REGISTRATION,
        lambda: Capture([asked(1, 1, 60), asked(2, 2, 2, RELAY), sent(124, 3)]),
    ),
    # "there is no need for the routers to use the ARO between each other" (RFC 6775 section 6.5.5)
    "a router that registered as it came up": (
        _REGISTRATION,
        lambda: Capture([asked(1, 0, 2), (2, configured(2, router=NODE)[1]), sent(124, 2)]),
    ),
    "a node at which others register": (
        _REGISTRATION,
        lambda: Capture([asked(1, 1, 2), registered_at_it(60, 2), sent(124, 2)]),
    ),
    "a node that sends on what others sent": (
        _REGISTRATION,
        lambda: Capture([asked(1, 1, 2), *over_it(60), sent(124, 3)]),
    ),
    "what others send": (
        _REGISTRATION,
        lambda: Capture([asked(1, 1, 2), sent(60, 2), sent(124, 1, (RELAY, ROOT))]),
    ),
    # the DAO may be its next frame: 2 is free until another has it
    "a path whose node is not heard again": (
        _PATH,
        lambda: Capture([configured(0.5), advertised(1, 1, 2), routed(124, 3), sent(125, 3)]),
    ),
    "a path whose node starts its numbers anew": (
        _PATH,
        lambda: Capture([configured(0.5), advertised(1, 1, 2), routed(124, 3), sent(125, 201)]),
    ),
    # "A value of all one bits (0xFF) represents infinity"
    "a path for ever": (
        _PATH,
        lambda: Capture(
            [configured(0.5), advertised(1, 1, 255), led_down(99_999, 2), sent(100_000, 2)]
        ),
    ),
    "a path of a unit that is not known": (
        _PATH,
        lambda: Capture([advertised(1, 1, 2), led_down(124, 2), sent(125, 2)]),
    ),
    "a path in units of an hour": (
        _PATH,
        lambda: Capture(
            [configured(0.5, 3600), advertised(1, 1, 2), led_down(7200, 2), sent(7201, 2)]
        ),
    ),
    "what goes over another node by no path of RPL": (
        _PATH,
        lambda: Capture([configured(0.5), advertised(1, 1, 2), passed_on(124, 2), sent(125, 2)]),
    ),
    "a neighbour that registered": (
        _PATH,
        lambda: Capture(
            [configured(0.5), advertised(1, 1, 2), led_down(124, 2, to=NODE), sent(125, 2)]
        ),
    ),
    "a router with an address of its own prefix": (
        _PREFIX,
        lambda: Capture([valid(1, 1, 120), sent(124, 2, (ROOT, NODE)), at_hand(125, 3, ROOT)]),
    ),
    "a path that was taken back, and a datagram over nobody knows whom": (
        _PATH,
        lambda: Capture(
            [
                configured(0.5),
                advertised(1, 1, 2),
                advertised(2, 2, 0),
                led_down(124, 3),
                sent(125, 3),
            ]
        ),
    ),
    "a prefix that is valid for ever": (
        _PREFIX,
        lambda: Capture([valid(1, 1, FOR_EVER), sent(99_999, 1), at_hand(100_000, 2, ROOT)]),
    ),
    "a prefix whose time was cut short": (
        _PREFIX,
        lambda: Capture(
            [
                valid(1, 1, DAY_S),
                valid(2, 2, 60),
                *[sent(2400 * at, at) for at in (1, 2, 3)],
                at_hand(7201, 3, ROOT),
            ]
        ),
    ),
    "a prefix that a second router may have announced unheard": (
        _PREFIX,
        lambda: Capture(
            [
                valid(1, 1, 120, RELAY),
                valid(2, 1, 120),
                at_hand(60, 3, RELAY),
                sent(125, 1),
                at_hand(126, 2, ROOT),
                at_hand(127, 4, RELAY),
            ]
        ),
    ),
    "a router that lacks a prefix": (
        _OTHERWISE,
        lambda: Capture([of_version(1, RELAY, PREFIX), of_version(2, ROOT, PREFIX, OTHER)]),
    ),
    "routers that tell of two border routers": (
        _OTHERWISE,
        lambda: Capture([of_version(1, RELAY, OTHER, border=HOME), of_version(2, ROOT, PREFIX)]),
    ),
    "advertisements to all that leave options out": (
        _OTHERWISE,
        lambda: Capture(
            [
                announced(
                    1, 1, prefix_option(OTHER), bytes([35, 3, 0, 3, 0, 0, 3, 232]) + AWAY.packed
                ),
                of_version(2, RELAY, PREFIX),
            ]
        ),
    ),
}
