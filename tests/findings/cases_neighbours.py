"""What neighbour discovery proves in further branches, and near misses that stay silent."""

import struct
from collections.abc import Callable
from ipaddress import IPv6Address

from findings import air
from findings.air import BROADCAST, FAR_NODE, NODE, ROOT, Capture
from findings.cases_further import Further
from findings.cases_joining import EUI, PARENT, RELAY, UNREADABLE, answered
from findings.judge import Case, Told


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
        ask = air.nd_message(135, bytes(4) + to.packed + SLLAO + asks, source, to)
        told = air.nd_message(136, bytes([0x40, 0, 0, 0]) + back[0].packed + said, *back)
        frames.append(air.frame(ask, number, (FAR_NODE, ROOT)))
        frames.append(air.frame(told, number, (router, FAR_NODE)))
    return Capture([*frames])


def passed_on(*steps: tuple[bytes, int | None, bool, int], by: bytes | None = None) -> Capture:
    """What routers say of a context, 10 s apart: who, in which version, whether with C = 1, for how many minutes.

    Each says it to FAR_NODE, with the version of the border router (RFC 6775 section 4.3): type 35, three units, the
    lower half of the version, the upper one, lifetime, address. 10 s later a node may compress with it: then it is
    context 1, which is given, else 3.
    """
    frames: list[bytes | tuple[float, bytes]] = []
    for n, (router, version, compress, minutes) in enumerate(steps):
        ends = air.address("fe80::", router), air.address("fe80::", FAR_NODE)
        context = air.context_option(
            3 if by is None else 1, HELD, compress=compress, minutes=minutes
        )
        border = b""
        if version is not None:
            border = struct.pack(">BBHHH", 35, 3, version, 0, 0) + ROOT_ADDRESS.packed
        body = bytes([64, 0]) + struct.pack(">HII", 1800, 0, 0) + context + border
        packet = air.nd_message(134, body, *ends)
        frames.append((1 + 10.0 * n, air.frame(packet, n, (router, FAR_NODE))))
    if by is not None:
        links = by, ROOT
        used = air.frame(air.datagram(prefix=HELD.removesuffix("/64"), links=links), 99, links)
        frames.append((1 + 10.0 * len(steps), used))
    return Capture(frames)


SLLAO = air.sllao(FAR_NODE)


def registers(
    status: int = 0,
    *,
    source: IPv6Address | None = None,
    sllao: bytes = SLLAO,
    to: bytes = ROOT,
    number: int = 1,
) -> bytes:
    """A registration of FAR_NODE: type 33, two units, status, three octets, 60 minutes, EUI-64 (RFC 6775, 4.1)."""
    router = air.address("fe80::", to)
    asks = bytes([33, 2, status, 0, 0, 0, 0, 60]) + FAR_NODE
    packet = air.nd_message(
        135,
        bytes(4) + router.packed + sllao + asks,
        source or air.address(air.PREFIX, FAR_NODE),
        router,
    )
    return air.frame(packet, number, (FAR_NODE, to), ack_request=True)


def solicits(kind: int = 133, to: IPv6Address = air.ALL_NODES) -> bytes:
    """A router solicitation of FAR_NODE, or an advertisement of the root (RFC 4861 sections 4.1, 4.2)."""
    link, number = (FAR_NODE, 1) if kind == 133 else (ROOT, 1)
    body = bytes(4) + SLLAO if kind == 133 else bytes([64, 0]) + struct.pack(">HII", 1800, 0, 0)
    packet = air.nd_message(kind, body, air.address("fe80::", link), to)
    return air.frame(packet, number, (link, BROADCAST))


def asks_for_another(status: int = 0, kind: int = 157) -> bytes:
    """A duplicate address request of NODE, or its confirmation: status, 0, 60 minutes, EUI-64, address (4.4)."""
    ends = [air.address(air.PREFIX, one) for one in (NODE, ROOT)]
    links = (NODE, ROOT) if kind == 157 else (ROOT, NODE)
    body = bytes([status, 0, 0, 60]) + FAR_NODE + air.address(air.PREFIX, FAR_NODE).packed
    source, to = ends if kind == 157 else ends[::-1]
    return air.frame(air.nd_message(kind, body, source, to, hop_limit=64), 1, links)


def in_vain(
    asks: bytes,
    *answers: bytes,
    count: int = 3,
    skips: int = 0,
    until: float = 40.0,
    more: bytes = b"",
    skipping: int | None = None,
) -> Capture:
    """What asks, each 10 s; 5 s behind each the root answers, or sends a datagram whose number may skip some.

    Numbers are skipped in each turn, or in the one that is ``skipping``.
    """
    frames: list[bytes | tuple[float, bytes]] = [(0.5, more)] if more else []
    links, number = (ROOT, NODE), 1
    for turn in range(count):
        number += 1 + (skips if skipping in {None, turn} else 0)
        behind = answers[turn] if turn < len(answers) else air.datagram(links=links)
        numbered = behind if turn < len(answers) else air.frame(behind, number, links)
        frames += [(1 + 10.0 * turn, asks), (6 + 10.0 * turn, numbered)]
    return Capture([*frames, (until, air.frame(air.datagram(links=links), number + 1, links))])


HELD = "2001:db8:2::/64"
ROOT_ADDRESS = air.address(air.PREFIX, ROOT)
IGNORED = "routers ignore a registration"
MOVED = "status 3, moved: a more recent registration exists"

NO_PLACE = "the frame numbers of whoever would answer leave no place for one"
UNANSWERED = f"no neighbour advertisement with its registration comes from {PARENT}"

NEIGHBOUR_CASES: dict[str, Case] = {
    # "A unicast NA is then sent in response to the NS" (RFC 6775 section 6.5.3); at 1, 11 and 21 s of 40
    "registration-never-answered": Case(
        lambda: in_vain(registers()),
        lambda: in_vain(registers(), count=2),
        Told(
            "failure",
            EUI,
            UNANSWERED,
            ("asked for 3 times, first 39 s before the capture ends", NO_PLACE),
            (1, 3, 5),
            3,
        ),
    ),
    # "If ... the Status field is not zero, then the NS is silently ignored" (section 6.5)
    "registration-ignored": Case(
        lambda: Capture([registers(3)]),
        lambda: Capture([registers()]),
        Told("failure", EUI, "routers ignore a registration: its status is 3, and not 0", (), (1,)),
    ),
}

NEIGHBOUR_FURTHER = (
    *(
        Further(
            "registration-ignored", capture, Told("failure", EUI, f"{IGNORED}: {why}", (), (1,))
        )
        # "if no SLLAO is included, then any included ARO is ignored"
        for capture, why in (
            (
                lambda: Capture([registers(sllao=b"")]),
                "it comes without the link-layer address of its source",
            ),
            (
                lambda: Capture([registers(source=IPv6Address(0))]),
                "it comes from the unspecified address",
            ),
        )
    ),
    # a hole 6 to 16 s may hold an answer to what was asked at 1 and 11 s; 21, 31 and 41 s have none: all 5 are named
    Further(
        "registration-never-answered",
        lambda: in_vain(registers(), count=5, skips=1, skipping=1, until=60.0),
        Told(
            "failure",
            EUI,
            UNANSWERED,
            ("asked for 5 times, first 59 s before the capture ends", f"{NO_PLACE} to 3 of them"),
            (1, 3, 5, 7, 9),
            5,
        ),
    ),
    # "The DAC is sent back to the 6LR" (section 8.2.4)
    Further(
        "registration-never-answered",
        lambda: in_vain(asks_for_another()),
        Told(
            "failure",
            "2001:db8:1::ff:fe00:17 for 2001:db8:1:0:5e:1000:0:17",
            "no duplicate address confirmation comes from 2001:db8:1::ff:fe00:1",
            ("asked for 3 times, first 39 s before the capture ends", NO_PLACE),
            (1, 3, 5),
            3,
        ),
    ),
    # "always unicasting RAs in response to RSs" (section 6.3)
    Further(
        "registration-never-answered",
        lambda: in_vain(solicits(), more=solicits(134)),
        Told(
            "risk",
            "fe80::5e:1000:0:17",
            "no router advertisement comes from any router",
            ("asked for 3 times, first 39 s before the capture ends", NO_PLACE),
            (2, 4, 6),
            3,
        ),
    ),
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
    # "Otherwise, the recorded information and version number are updated" (RFC 6775 section 8.1.3), and the router that
    # says so in frame 2 compresses with the context 10 s later
    Further(
        "context-used-too-soon",
        lambda: passed_on((ROOT, 1, True, 60), (RELAY, 2, False, 60), by=RELAY),
        Told(
            "failure",
            "0x0018: context 1",
            f"context 1 ({HELD}) is announced for expanding only (C = 0), and headers are compressed with it",
            ("frame 2: announcement; frame 3: used 10.0 s later",),
            (3,),
        ),
    ),
    # "since an old version number will be ..." (section 8.1.1): it is kept "in stable storage"
    Further(
        "context-announced-otherwise",
        lambda: passed_on((ROOT, 2, True, 60), (ROOT, 1, True, 60)),
        Told(
            "risk",
            f"{PARENT}: versions",
            "a router goes back to an older version of its border router, which all others ignore",
            (f"{ROOT_ADDRESS}: version 2 in frame 1, 1 in frame 2",),
            (1, 2),
            advice="Let the border router keep its version over restarts, and let other routers forget what an older "
            "version said.",
            cite="RFC 6775 §8.1.3",
        ),
    ),
    # what is older stays so, however often it is said: "the information in the RA is silently ignored" (section 8.1.3)
    Further(
        "context-announced-otherwise",
        lambda: passed_on(*((ROOT, version, True, 60) for version in (3, 1, 1, 2))),
        Told(
            "risk",
            f"{PARENT}: versions",
            "a router goes back to an older version of its border router, which all others ignore",
            (
                f"{ROOT_ADDRESS}: version 3 in frame 1, 1 in frame 2",
                f"{ROOT_ADDRESS}: version 3 in frame 1, 1 in frame 3",
                f"{ROOT_ADDRESS}: version 3 in frame 1, 2 in frame 4",
            ),
            (1, 2, 3, 4),
            3,
            advice="Let the border router keep its version over restarts, and let other routers forget what an older "
            "version said.",
            cite="RFC 6775 §8.1.3",
        ),
    ),
    # "If a received RA does not contain an ABRO, then the RA MUST be silently ignored" (section 8.1.3)
    Further(
        "context-announced-otherwise",
        lambda: passed_on((ROOT, 1, True, 60), (ROOT, None, True, 60)),
        Told(
            "risk",
            f"{PARENT}: contexts of no border router",
            "contexts are announced without their border router, and other routers ignore them",
            (f"{PARENT} announces others with {ROOT_ADDRESS} in frame 1",),
            (2,),
            advice="Let routers pass prefixes and contexts on together with the border router option that they came "
            "with.",
            cite="RFC 6775 §8.1.3",
        ),
    ),
    # the same version cannot say both: "The version number ... increases this version number each time"
    Further(
        "context-announced-otherwise",
        lambda: passed_on((ROOT, 2, True, 60), (RELAY, 2, True, 0)),
        Told(
            "risk",
            "0x0018",
            "contexts are announced otherwise than they hold",
            (f"context 3 is {HELD} by fe80::ff:fe00:1, and withdrawn by fe80::ff:fe00:18",),
            (2,),
        ),
    ),
)

NEIGHBOUR_NEAR: dict[str, tuple[str, Callable[[], Capture]]] = {
    **{
        what: ("registration-never-answered", capture)
        for what, capture in {
            "registrations of which one is answered": lambda: in_vain(
                registers(), *answered(0), count=4
            ),
            "registrations for whose answers frame numbers leave a place": lambda: in_vain(
                registers(), skips=1
            ),
            "registrations of which the last had no time": lambda: in_vain(registers(), until=30.0),
            "registrations beside a frame that cannot be read": lambda: in_vain(
                registers(), UNREADABLE
            ),
            "a refusal, which is an answer": lambda: in_vain(registers(), *answered(2, 2), count=3),
            "solicitations where no router is heard": lambda: in_vain(solicits()),
            "solicitations that one to all answers": lambda: in_vain(
                solicits(), solicits(134), count=3
            ),
            "requests of which one is confirmed": lambda: in_vain(
                asks_for_another(), asks_for_another(kind=158), count=3
            ),
        }.items()
    },
    "a later version of the border router that another router passes on": (
        "context-announced-otherwise",
        lambda: passed_on((ROOT, 1, True, 60), (RELAY, 2, True, 0)),
    ),
    # "less than the stored version number, then the information in the RA is silently ignored" (section 8.1.3)
    "an older version of the border router": (
        "context-announced-otherwise",
        lambda: passed_on((ROOT, 2, True, 60), (RELAY, 1, True, 0)),
    ),
    # "If multihop distribution is not done using RA messages ... nothing in Section 8.1 applies" (section 8.1.3)
    "contexts in a network without border router options": (
        "context-announced-otherwise",
        lambda: passed_on((ROOT, None, True, 60), (RELAY, None, True, 60)),
    ),
    "versions that count up": (
        "context-announced-otherwise",
        lambda: passed_on((ROOT, 1, True, 60), (ROOT, 2, True, 60), (RELAY, 2, True, 60)),
    ),
    # it may not have heard of it yet: MIN_CONTEXT_CHANGE_DELAY is 300 s (section 9)
    "a node that goes on while a change is spread": (
        "context-used-too-soon",
        lambda: passed_on((ROOT, 1, True, 60), (RELAY, 2, False, 60), by=NODE),
    ),
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
