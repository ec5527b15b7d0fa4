"""RPL: a version or an instance that one node alone has, and packets without RPL information that is planned."""

from collections.abc import Callable

from findings import air
from findings.air import NODE, PREFIX, ROOT, Capture
from findings.cases_application import DATA, DESIGN, SMALL
from findings.cases_further import Further
from findings.cases_nodes import RELAY
from findings.cases_routing import dio, dios
from findings.judge import Case, Told

A, B, C, D = b"\x00\x21", b"\x00\x22", b"\x00\x23", b"\x00\x24"
_RPI = """[flow.routing]
rpi = true
form = "extension-headers"
[[message]]
"""
PLAN = air.design(DESIGN.format(link="").replace("[[message]]\n", _RPI, 1))


def versions(*rounds: tuple[int, int, int], first: int = 512) -> Capture:
    """The versions that three nodes announce, round by round; the rank of the first of them."""
    return dios(*(
        dio(node, first if node == A else 512, version)
        for each in rounds
        for node, version in zip((A, B, C), each, strict=True)
    ))  # fmt: skip


def packet(link: bytes, instance: int) -> bytes:
    """A reading with the RPL option (RFC 6553 section 3): up, this instance, rank 512."""
    source, to = air.address(PREFIX, link), air.address(PREFIX, ROOT)
    option = bytes([17, 0, 0x63, 4, 0, instance, 2, 0])
    return air.ip(source, to, 0, option + air.udp(b"reading", source, to))


def instances(*of_c: int, announced: int = 0) -> Capture:
    """Packets of three nodes whose DIOs have instance 0, and one ``announced`` more; of C these instances."""
    told = [dio(A, 512), dio(B, 512), dio(C, 512), dio(ROOT, 256, instance=announced)]
    frames = [air.frame(one, n, (one[22:24], air.BROADCAST)) for n, one in enumerate(told, 1)]
    for number, instance in enumerate(of_c, 10):
        frames += [
            air.frame(packet(link, instance if link == C else 0), number, (link, ROOT))
            for link in (A, B, C)
        ]
    return Capture([*frames])


def forwarded(*, sent: bool) -> Capture:
    """Three readings without RPL information at their first hop; or one hop on, where it was there before."""
    frames: list[tuple[float, bytes]] = []
    for number in range(3):
        data, at = DATA[:2] + bytes([number]), 60.0 * number
        if sent:
            frames.append((at + 1, air.frame(air.with_option(data), number, (NODE, RELAY))))
        hop = (RELAY, ROOT) if sent else (NODE, ROOT)
        whole = air.datagram(data, hop_limit=63 if sent else 64)
        frames.append((at + 2, air.frame(whole, number, hop)))
    return Capture([*frames], SMALL, PLAN)


INSTANCES_CASES: dict[str, Case] = {
    # C's DIOs are frames 3, 6, 9 and 12
    "dodag-version-of-one-node": Case(
        lambda: versions(*[(240, 240, 241)] * 4),
        lambda: versions(*[(240, 240, 241)] * 2, (240, 241, 241), (240, 240, 241)),
        Told(
            "risk",
            "fe80::ff:fe00:23",
            "fe80::ff:fe00:23 announces version 241 of DODAG 2001:db8:1::ff:fe00:1, 2 others have 240",
            ("4 DIOs in a row, while no other node has that version",),
            (3, 6, 9, 12),
            4,
        ),
    ),
    "rpl-instance-unknown": Case(
        lambda: instances(5, 5),
        lambda: instances(5, 5, announced=5),
        Told(
            "risk",
            "0x0023",
            "packets of 0x0023 name instance 5, which no DIO announces",
            ("announced: 0",),
            (7,),
        ),
    ),
}
INSTANCES_NEAR: dict[str, tuple[str, Callable[[], Capture]]] = {
    "a root that raises the version before others follow": (
        "dodag-version-of-one-node",
        lambda: versions(*[(241, 240, 240)] * 4, first=256),
    ),
    "nodes of which nobody else is heard after the version was raised": (
        "dodag-version-of-one-node",
        lambda: dios(dio(A, 512), dio(B, 512), *[dio(C, 512, 241)] * 6),
    ),
    "two nodes with an instance whose DIOs were not heard": (
        "rpl-instance-unknown",
        lambda: Capture([
            *instances(5).air,
            air.frame(packet(B, 5), 20, (B, ROOT)),
            air.frame(packet(D, 0), 20, (D, ROOT)),
        ]),
    ),
    # its first 128 numbers are global instances, 0x85 is a local one (RFC 6550 section 5.1)
    "a local instance, which nobody else has": ("rpl-instance-unknown", lambda: instances(0x85, 0x85)),
    "RPL information that is planned and there": (
        "headers-not-as-planned",
        lambda: Capture([air.frame(air.with_option(DATA))], SMALL, PLAN),
    ),
}  # fmt: skip
_SEND = (
    "Let the node send it, or its first router insert it; where nobody is meant to, set rpi = false in the routing of "
    "the flow: it takes octets in the plan."
)
_INSERT = (
    "Let the router insert what is missing: without it nobody finds a loop by ranks, nor the instance of a packet. "
    "Where the network goes without, set rpi = false in the routing of the flow."
)
INSTANCES_FURTHER = (
    Further(
        "headers-not-as-planned",
        lambda: forwarded(sent=False),
        Told(
            "remark",
            "0x0017: RPL information",
            "datagrams carry no RPL information, which the design has",
            ("flow readings",),
            (1, 2, 3),
            3,
            _SEND,
            "RFC 6550 §11.2.2.1",
        ),
    ),
    Further(
        "headers-not-as-planned",
        lambda: forwarded(sent=True),
        Told(
            "risk",
            "0x0018: RPL information",
            "datagrams are forwarded without RPL information, and none is inserted",
            ("flow readings",),
            (2, 4, 6),
            3,
            _INSERT,
            "RFC 6550 §11.2.2.1",
        ),
    ),
)
