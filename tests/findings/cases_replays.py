"""Sealed contents that come a second time, and near misses in which a retry or a proxy explains it.

And what frames that come a second time say of the numbers of messages in them: nothing.
"""

from collections.abc import Callable
from dataclasses import replace
from functools import partial

from findings import air
from findings.air import NODE, ROOT, Capture
from findings.cases_answers import SERVER
from findings.cases_application import ENDS, asked_under, messages
from findings.cases_delivery import (
    DELIVERY_CASES,
    FEW,
    numbered_anew,
    readings,
    registered,
    store,
)
from findings.cases_further import Further
from findings.cases_notified import sealed_notified
from findings.cases_records import CLIENT, DATA, record
from findings.judge import Case, Told

from lowpanbudget import (
    decode_frame,
    encode_frame,
    protect_oscore_request,
    read_coap,
    write_coap,
)
from lowpanbudget.layers.link.auxiliary import Security
from lowpanbudget.layers.link.mac import FrameType

NODE_NAME = "0x0017"
PLAYED = "frames come again with their old numbers, and their sender goes on behind its newest one"
OTHER = "a sealed message comes again, in another message of CoAP"


def renewed(octets: bytes, mid: int = 99) -> bytes:
    """The same ciphertext in another message: another message ID, another token."""
    return write_coap(replace(read_coap(octets), mid=mid, token=b"z"))


def again(every: float = 10.0, *, by_proxy: bool = False) -> Capture:
    """A sealed request, and what it seals once more; a registration (option 6 without octets), as a proxy sends it."""
    (octets,) = asked_under(20)
    if by_proxy:
        asked = air.coap_message(b"\x60\x51a", code=1, kind=1, mid=9, token=b"t")
        octets = bytes(protect_oscore_request(asked, ENDS, sequence=3).message)
    return messages(octets, renewed(octets), every=every)


def notified_again(*, asked: bool = False) -> Capture:
    """A notification twice under one Partial IV, with another number outside; asked for once more in between."""
    whole = sealed_notified((5, 5), (5, 6))
    registration, first, second = whole.air
    if not asked:
        return whole
    plain = air.coap_message(b"\x60\x51a", code=1, kind=1, mid=10, token=b"t")
    anew = bytes(protect_oscore_request(plain, ENDS, sequence=4).message)
    return replace(whole, air=[registration, first, *messages(anew, at=7.0).air, second])


def twice(octets: bytes, apart_s: float, by: bytes = NODE) -> Capture:
    """A UDP payload to the port of DTLS, in two frames of their own."""
    packet = air.datagram(octets, ports=(0xF0B1, 5684))
    return Capture(
        [(1.0 + apart_s * number, air.frame(packet, number, (by, ROOT))) for number in range(2)]
    )


def asked_for_twice() -> Capture:
    """A solicitation twice, its target behind 2001:db8::/32, under the link's security; a new key in between."""
    links = (air.FAR_NODE, air.FAR_ROOT)
    source, target = (air.address(air.PREFIX, link) for link in links)
    body = bytes(4) + target.packed + air.sllao(air.FAR_NODE)
    packed = air.payload(air.nd_message(135, body, source, target), links)
    return Capture(
        [
            (1.0 + 60 * n, air.secured(b"", n, n + 1, packed=packed, key_index=1 + n // 9))
            for n in range(18)
        ],
        keys=(air.KEY,),
    )


def told_at(number: int, at: float, contents: int, to: bytes = ROOT) -> tuple[float, bytes]:
    """A reading of the node in the clear, under a sequence number, at a time."""
    packet = air.datagram(b"reading %03d" % contents)
    return at, air.frame(packet, number % 256, (NODE, to))


def every_30_s(
    *numbers: int, since: float = 1.0, of: Callable[[int], int] = lambda number: number
) -> list[tuple[float, bytes]]:
    return [told_at(number, since + 30 * place, of(number)) for place, number in enumerate(numbers)]


def played_in_clear(*places: int, later_s: float = 465.0, upto: int = 30) -> Capture:
    """So many readings, and those at these places once more, later, octet for octet."""
    frames = every_30_s(*range(upto))
    more = [(frames[place][0] + later_s, frames[place][1]) for place in places]
    return Capture(sorted([*frames, *more]))


def begun_anew(upto: int) -> Capture:
    """So many readings, then a restart: the first ten come again as they were, and other ones behind them."""
    whole = [*range(upto), *range(10)]
    end = 1 + 30 * len(whole)
    return Capture(
        [
            *every_30_s(*whole),
            *every_30_s(*range(10, 40), since=end, of=lambda number: 100 + number),
        ]
    )


def one_reading(upto: int, unheard: range) -> Capture:
    """The same reading under all numbers, of which some were not heard; the last ones read something else."""
    numbers = [number for number in range(upto) if number not in unheard]
    return Capture([told_at(number, 1 + 30 * number, number > upto - 5) for number in numbers])


def for_two(asking: bool) -> Capture:
    """A reading that comes again behind those to another neighbour; or behind others to the same, which asks for it."""
    other = ROOT if asking else b"\x00\x18"
    frames = [
        told_at(0, 1.0, 0),
        *(told_at(number, 1 + 30.0 * number, number, other) for number in range(1, 40)),
    ]
    frames.append(told_at(0, 616.0, 0))
    if asking:
        frames.append((615.9, air.raw(b"\x04", 9, (ROOT, NODE), frame_type=FrameType.COMMAND)))
    return Capture(sorted(frames))


SEALED = record(DATA, bytes(24), 1, 5)
# 001, no C, S and L, epoch 3, a number, and ciphertext to the end (RFC 9147 figure 3)
UNIFIED = b"\x27" + bytes(20)

REPLAYS_CASES: dict[str, Case] = {
    # the number of the frame that follows the newest: a restarted node goes on from where it is
    "open-frame-replayed": Case(
        lambda: played_in_clear(5),
        lambda: begun_anew(30),
        Told(
            "risk",
            NODE_NAME,
            PLAYED,
            (
                "sequence number 5 in frames 6 and 22, 465 s apart: equal octet for octet",
                "frame 23 of its sender goes on with sequence number 21",
            ),
            (6, 22),
        ),
    ),
    # "A server SHALL verify that the Sender Sequence Number [...] has not been received before" (RFC 8613 section 7.4)
    "sealed-content-replayed": Case(
        again,
        lambda: messages(*asked_under(20) * 2),
        Told(
            "risk",
            CLIENT,
            OTHER,
            ("Partial IV 20 with one tag in frames 1 and 2, 10 s apart",),
            (1, 2),
        ),
    ),
}


def of_records(cite: str) -> Told:
    return Told(
        "remark",
        CLIENT,
        "a sealed record comes again",
        ("one DTLS record, octet for octet, in frames 1 and 2, 60 s apart",),
        (1, 2),
        advice="Look whether the other end drops it: DTLS may look for replays and need not. Find out who sends: a "
        "node seals anew what it says again, so this is another, or a stack that sends on what it kept.",
        cite=cite,
    )


def again_in_clear(count: int, later_s: float, sooner_s: float = 0.0) -> Capture:
    """60 readings of the cold store, and so many of them in a row once more, each second one sooner than the first."""
    whole = store(readings(range(60)), "")
    data = [one for one in whole.timed() if len(one[1]) > 11]
    more = [
        (at + later_s - sooner_s * (place % 2), octets)
        for place, (at, octets) in enumerate(data[10 : 10 + count])
    ]
    return replace(whole, air=sorted([*whole.timed(), *more]))


EUI = bytes.fromhex("025e100000000001")


def played_again(capture: Capture, *places: int, later_s: float = 600.05) -> Capture:
    """The frames of node 1, sealed under counters that go up by one; those at these places once more, later."""
    sealed: list[tuple[float, bytes]] = []
    for at, octets in capture.timed():
        frame = decode_frame(octets)
        if frame.mac is None or frame.payload is None or frame.mac.source is None:
            continue
        mac = replace(frame.mac, security=Security(5, 1, 100 + len(sealed), key_index=1))
        sealed.append((at, encode_frame(mac, frame.payload, key=air.KEY, devices={1: EUI}).octets))
    more = [(sealed[place][0] + later_s, sealed[place][1]) for place in places]
    return replace(capture, air=sorted([*sealed, *more]), keys=(air.KEY,), devices={1: EUI})


REPLAYS_FURTHER = tuple(
    Further("sealed-content-replayed", fires, told)
    for fires, told in (
        (lambda: twice(SEALED, 60.0), of_records("RFC 6347 §4.1.2.6")),
        (lambda: twice(UNIFIED, 60.0), of_records("RFC 9147 §4.5.1")),
        # EXCHANGE_LIFETIME is 247 s (RFC 7252 section 4.8.2)
        (
            lambda: messages(*asked_under(20) * 2, every=250.0),
            Told(
                "risk",
                CLIENT,
                "a sealed message comes again, long behind its lifetime",
                ("Partial IV 20 with one tag in frames 1 and 2, 250 s apart",),
                (1, 2),
            ),
        ),
        (
            notified_again,
            Told(
                "risk",
                SERVER,
                OTHER,
                ("Partial IV 5 with one tag in frames 2 and 3, 10 s apart",),
                (2, 3),
                cite="RFC 8613 §7.4.1",
            ),
        ),
    )
)
REPLAYS_FURTHER += (
    # one device that registers twice is one
    Further(
        "messages-numbered-anew",
        lambda: registered(numbered_anew(20), air.FAR_NODE, air.FAR_NODE),
        replace(DELIVERY_CASES["messages-numbered-anew"].told, frames=(43,)),
    ),
    # the node was reset all the same
    Further(
        "messages-numbered-anew",
        lambda: played_again(numbered_anew(20), 10, 11),
        replace(DELIVERY_CASES["messages-numbered-anew"].told, frames=(21,)),  # none acknowledged
    ),
    Further(
        "messages-never-sent",
        lambda: played_again(store(readings(FEW), ""), 2),
        DELIVERY_CASES["messages-never-sent"].told,
    ),
)

REPLAYS_NEAR: dict[str, tuple[str, Callable[[], Capture]]] = {
    what: ("sealed-content-replayed", capture)
    for what, capture in {
        # RFC 8613 section 4.1.3.5.1: "If an OSCORE-unaware proxy resends an old registration message"
        "a registration that a proxy sends again": lambda: again(by_proxy=True),
        # the same section: "a server MAY respond to a replayed registration request with a replay of a cached
        # notification"
        "a notification that answers a registration again": lambda: notified_again(asked=True),
        "what two receivers heard, whose clocks differ": lambda: again(0.4),
        # MAX_TRANSMIT_SPAN is 45 s: for so long what asks for an answer may come again
        "a record that comes again within a retry": lambda: twice(SEALED, 44.0),
        "a record that another node sends on": lambda: twice(SEALED, 60.0, by=b"\x00\x18"),
        # of epoch 0, in the clear
        "a record that nothing seals": lambda: twice(
            record(22, b"\x0e\x00\x00\x00" + bytes(8), 0, 5), 60.0
        ),
        "two records": lambda: Capture(
            [
                *twice(SEALED, 60.0).air[:1],
                *twice(record(DATA, bytes(23) + b"\1", 1, 6), 60.0).air[1:],
            ]
        ),
        # RFC 4861 section 4.3: an ICMPv6 message, whose target stands where a record would behind a UDP header
        "a solicitation that comes again under the link's security": asked_for_twice,
        "two requests": lambda: messages(*asked_under(20, 21)),
    }.items()
}
REPLAYS_NEAR |= {
    # frame-replayed tells of them: the node was not reset, and sent all of its messages
    "a message that somebody sends again ten minutes later": (
        "messages-numbered-anew",
        lambda: played_again(store(readings(range(60)), ""), 10),
    ),
    "messages that somebody sends again ten minutes later": (
        "messages-never-sent",
        lambda: played_again(store(readings(range(60)), ""), 2, 3, 4, 5, 6, 7, 8),
    ),
}
REPLAYS_NEAR |= {
    what: ("open-frame-replayed", capture)
    for what, capture in {
        # 20 frames of the node before it began anew, 200, and 250, behind which 9 is 15 numbers on
        "a node that begins anew behind few numbers": lambda: begun_anew(20),
        "a node that begins anew behind many numbers": lambda: begun_anew(200),
        "a node that begins anew where its numbers wrap": lambda: begun_anew(250),
        # each number comes again after 256 frames; 100 or 200 were not heard, then it reads something else
        "one reading under all numbers": lambda: one_reading(300, range(0)),
        "one reading, of which 100 frames were not heard": lambda: one_reading(
            500, range(300, 400)
        ),
        "one reading, of which 200 frames were not heard": lambda: one_reading(
            500, range(280, 480)
        ),
        "a frame that waited behind others to another neighbour": lambda: for_two(asking=False),
        "a frame that a node asks for again": lambda: for_two(asking=True),
        "a retry": lambda: played_in_clear(5, later_s=7.0),
        "the last frame once more, and nothing behind it": lambda: played_in_clear(
            5, later_s=900.0
        ),
    }.items()
}
REPLAYS_NEAR |= {
    # open-frame-replayed tells of them; two of the last come between two of the node
    f"{count} messages in the clear that somebody sends again, {times[0]:g} s later": (
        "messages-numbered-anew",
        partial(again_in_clear, count, *times),
    )
    for count, times in ((1, (450.05,)), (10, (460.0,)), (10, (451.0, 2.0)))
}
