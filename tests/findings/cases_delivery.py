"""A capture that fires each finding about a network beside its plan, and a near miss.

Readings of the cold store (``simulation.captured``), one each 30 s, over one hop unless said. Shares come from the
binomial: of all 58 between the first and the last 0.05 ** (1/58) = 0.9497 is proved; 8 of 58 allow 0.2351 at most, the
share at which 8 or fewer have a chance of 5 %.
"""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace

from findings import air
from findings.air import FAR_NODE, FAR_ROOT, Capture
from findings.judge import Case, Told
from simulation.captured import PORTS, START_NS, Frames, design, design_text, ip, link, records
from simulation.contention import Packet, Sent

from lowpanbudget.design.load import parse_design

CSMA = """
[access]
method = "csma"
"""
PROMISE = """
[limits]
delivery = {delivery}
latency_s = {latency}
"""


def promise(delivery: float = 0.99, latency: float = 10) -> str:
    return PROMISE.format(delivery=delivery, latency=latency)


def reading(index: int, made: float, node: int = 1) -> Packet:
    return Packet(1000 * node + index, made, node, 79, index)


def over(
    packet: Packet, hops: Sequence[tuple[int, int]], gap: float = 0.05, tries: int = 1
) -> Iterable[Sent]:
    """A reading over some hops, so many seconds apart, each frame tried so often; the last try is acknowledged."""
    for passed, (source, to) in enumerate(hops):
        for attempt in range(tries):
            last = attempt == tries - 1
            at = packet.made + passed * gap + attempt * 0.01
            yield Sent(at, source, to, packet, attempt, 79, heard=last, acked=last)


def readings(
    which: Iterable[int],
    hops: Sequence[tuple[int, int]] = ((1, 0),),
    every: float = 30.0,
    gap: float = 0.05,
) -> list[Sent]:
    node = hops[0][0]
    return [one for index in which for one in over(reading(index, every * index, node), hops, gap)]


def store(
    sent: Sequence[Sent],
    more: str,
    hops: int = 3,
    every_s: float = 30,
    depth: Callable[[int], int] = lambda node: node,
) -> Capture:
    planned = design(more, hops=hops, every_s=every_s)
    heard = records(sent, Frames(planned, hops=depth))
    return Capture(
        [(((one.time_ns or 0) - START_NS) / 1e9, one.octets) for one in heard],
        design=planned,
    )


def limited(limits: str) -> Capture:
    """A reading each half second, and limits of the user's own."""
    return store(readings(range(40), every=0.5), f"[limits]\n{limits}\n", every_s=0.5)


def in_step(apart: float, nodes: int = 5) -> Capture:
    """Senders with 40 readings each, begun so many seconds one after the other."""
    sent = [
        one
        for node in range(1, nodes + 1)
        for index in range(40)
        for one in over(reading(index, 30.0 * index + apart * node, node), ((node, 0),))
    ]
    return store(sent, CSMA)


def clocked(every_s: float, others_s: float = 30.0) -> Capture:
    """Five senders with 40 readings each by a clock; the last has a period of its own."""
    sent = [
        one
        for node in range(1, 6)
        for index in range(40)
        for one in over(
            reading(index, (every_s if node == 5 else others_s) * index + node, node), ((node, 0),)
        )
    ]
    return store(sorted(sent, key=lambda one: one.time), CSMA)


def retried(tries: int) -> Capture:
    sent = readings(range(12))
    sent += over(reading(12, 360.0), ((1, 0),), tries=tries)
    return store(sent, CSMA)


def sent_again(*later_s: float) -> Capture:
    """20 readings over two hops; the one with number 5 once more so many seconds later."""
    hops = ((2, 1), (1, 0))
    more = [one for after in later_s for one in over(reading(5, 150 + after, 2), hops)]
    return store(sorted([*readings(range(20), hops), *more], key=lambda one: one.time), CSMA)


def said_again(*which: int, acked: bool = True) -> Capture:
    """20 readings over two hops, these again 0.4 s later; the first of them is acknowledged or not."""
    hops = ((2, 1), (1, 0))
    first = readings(range(20), hops)
    if not acked:
        first = [replace(one, heard=False, acked=False) for one in first if one.source == 2]
    more = [one for index in which for one in over(reading(index, 30.0 * index + 0.4, 2), hops)]
    return store(sorted([*first, *more], key=lambda one: one.time), CSMA)


def standing(*numbers: int) -> Capture:
    """Readings with these own numbers, each with contents of its own."""
    packets = [Packet(1000 + at, 30.0 * at, 1, 79, one) for at, one in enumerate(numbers)]
    return store([one for packet in packets for one in over(packet, ((1, 0),))], CSMA)


POSTED = (
    CSMA
    + """
[flow.coap]
code = "POST"
path = "r"
"""
)


def posted_again(later_s: float) -> Capture:
    """20 readings, each a POST of CoAP; the one with number 5 once more so many seconds later."""
    planned = parse_design(design_text(POSTED).replace(f"{PORTS[1]:#06x}", "5683"), "store.toml")
    says, links = Frames(planned, hops=lambda node: node), (link(1), link(0))
    packets = [reading(index, 30.0 * index) for index in range(20)]
    packets.append(replace(packets[5], made=150 + later_s, content=says.message(packets[5])))
    sent = []
    for number, one in enumerate(sorted(packets, key=lambda one: one.made)):
        asked = air.coap_message(b"\xb1r", says.message(one), mid=500 + one.index, token=b"t")
        sent.append((one.made, air.frame(air.coap(asked, links), number, links)))
    return Capture([*sent], design=planned)


def saying_the_same(*indexes: int) -> Capture:
    """Readings each 30 s that differ in their numbers alone, which wrap at 256; these were heard."""
    frames = Frames(design(CSMA), hops=lambda node: node)
    numbered = [frames.message(Packet(number, 0.0, 1, 79, number)) for number in range(256)]
    packets = [
        Packet(index, 30.0 * index, 1, 79, index, content=numbered[index % 256])
        for index in indexes
    ]
    return store([one for packet in packets for one in over(packet, ((1, 0),))], CSMA)


def numbered_anew(after: int) -> Capture:
    """40 readings, whose own number is 0 again behind so many."""
    packets = [Packet(1000 + index, 30.0 * index, 1, 79, index % after) for index in range(40)]
    return store([one for packet in packets for one in over(packet, ((1, 0),))], CSMA)


def registered(capture: Capture, *devices: bytes) -> Capture:
    """The same behind registrations of node 1's address by these devices (RFC 6775 section 4.1: 60 minutes each)."""
    frames: list[tuple[float, bytes]] = []
    for number, eui in enumerate(devices, 1):
        to = air.address("fe80::", link(0))
        option = bytes([33, 2, 0, 0, 0, 0, 0, 60]) + eui
        body = bytes(4) + to.packed + air.sllao(link(1)) + option
        message = air.nd_message(135, body, ip(1), to)
        frames.append((0.1 * number, air.frame(message, 200 + number, (link(1), link(0)))))
    return replace(capture, air=sorted([*capture.timed(), *frames]))


def counted_by_two() -> Capture:
    """40 readings of each of two devices that have one address, in turn: one counts from 0, the other from 100."""
    packets = [
        Packet(1000 * device + index, 30.0 * index + 15 * device, 1, 79, index + 100 * device)
        for index in range(40)
        for device in (0, 1)
    ]
    return store([one for packet in packets for one in over(packet, ((1, 0),))], CSMA)


def stopping(after: int, relays: bool = True) -> Capture:
    """One node reports an hour long, over another or not, which does so for itself for so many times."""
    hops = ((2, 1), (1, 0)) if relays else ((2, 0),)
    sent = [*readings(range(after)), *readings(range(120), hops)]
    return store(sorted(sent, key=lambda one: one.time), "")


def taken_over(first: int) -> Capture:
    """Two nodes report, the one over the other; one of them for half an hour, and then a third one or no one."""
    sent = [*readings(range(60)), *readings(range(120), ((2, 1), (1, 0)))]
    sent += readings(range(first, 120), ((3, 1), (1, 0)))
    return store(sorted(sent, key=lambda one: one.time), "")


def half_heard() -> Capture:
    """A node that reports and sends on what another does, for an hour; of its own the receiver hears 30 minutes.

    It sends its own on the second, and what it sends on 50 ms behind that: its frame numbers have a hole each 30 s.
    """
    whole = stopping(120)
    heard = [one for one in whole.timed() if one[0] < 1800 or one[0] % 30 > 0.04]
    return replace(whole, air=[*heard])


def heard_further_on() -> Capture:
    """Readings of a node whose own frames come by unheard, for half an hour; its router reports to the end."""
    sent = [*readings(range(60), ((3, 2), (2, 0))), *readings(range(120), ((2, 0),))]
    return store(sorted((one for one in sent if one.source != 3), key=lambda one: one.time), "")


FEW = [*range(5), *range(55, 60)]  # 8 readings between the first and the last
LATE = [
    one
    for index in range(60)
    for one in over(
        reading(index, 30.0 * index, 2), ((2, 1), (1, 0)), gap=0.5 if index < 10 else 2.0
    )
]
CHAIN = ((3, 2), (2, 1), (1, 0))
SLOTS = """
[access]
method = "slots"
[access.slots]
slotframe = 101
"""
READING = "reading from 2001:db8:1::ff:fe00:1"
FAR_READING = "reading from 2001:db8:1::ff:fe00:2"

DELIVERY_CASES: dict[str, Case] = {
    "loss-over-plan": Case(
        lambda: store(readings(FEW), promise(0.9)),
        lambda: store(readings(range(60)), promise(0.9)),
        Told(
            "risk",
            READING,
            "8 of 58 arrived, so the share is 0.2352 or less (one-sided 95 %)",
            ("90.0% planned to arrive",),
        ),
        also=frozenset({"messages-never-sent"}),
    ),
    "too-few-packets-to-say": Case(
        lambda: store(readings(range(60)), promise(0.99)),
        lambda: store(readings(range(60)), promise(0.9)),
        Told(
            "remark",
            READING,
            "58 of 58 arrived, so the share is 0.9496 or more (one-sided 95 %); 299 without a loss would prove 0.99",
            ("99.0% planned to arrive",),
        ),
    ),
    "later-than-planned": Case(
        lambda: store(LATE, promise(0.5, 1)),
        lambda: store(LATE, promise(0.5, 3)),
        Told(
            "risk",
            FAR_READING,
            "10 of 60 arrived within 1 s; in the middle they wait in 0x0001 for 2 s of 2 s",
            ("95.0% planned to",),
        ),
    ),
    # the same numbers of frames, and 50 messages that are missing; one that is not sent now and then is no fault. The
    # design plans nothing of the network: that its message counts itself is enough
    "messages-never-sent": Case(
        lambda: store(readings(FEW), ""),
        lambda: store(readings([*range(20), *range(21, 40), *range(41, 60)]), CSMA),
        Told(
            "risk",
            READING,
            "50 of 58 messages never came on the air; the frame numbers of their sender leave no place for them",
        ),
    ),
    "messages-numbered-anew": Case(
        lambda: numbered_anew(20),
        lambda: numbered_anew(40),
        Told(
            "remark",
            "2001:db8:1::ff:fe00:1",
            "the numbers of its messages begin anew, once: 0 follows 19",
            ("of reading",),
            (41,),  # each is acknowledged
        ),
    ),
    # two of them within a minute; of what comes a minute late at most nobody says that it was sent again
    "old-message-sent-again": Case(
        lambda: sent_again(195, 235, 345),
        lambda: sent_again(45),
        Told(
            "remark",
            "reading from 2001:db8:1::ff:fe00:2",
            "it sends old messages again in new frames, behind newer ones: number 5 comes again",
            (
                "number 5 in frames 21 and 49, 195 s apart",
                "number 5 in frames 21 and 77, 345 s apart",
            ),
            (21, 49, 77),
            3,
        ),
    ),
    # of the 20 in frames 1, 5, 9 ... on the first hop; each comes again 0.4 s later, over both hops
    "messages-said-twice": Case(
        lambda: said_again(*range(0, 20, 2)),
        lambda: said_again(*range(0, 20, 3)),
        Told(
            "waste",
            "reading from 2001:db8:1::ff:fe00:2",
            "10 of 20 messages come again in frames of other numbers, although the first was acknowledged or asks for "
            "no acknowledgement",
            ("0.4 s after the first, in the middle",),
            tuple(range(5, 125, 12)),
            10,
        ),
    ),
    "message-number-stands-still": Case(
        lambda: standing(5, 6, 7, 7, 7, 7, 8),
        lambda: standing(5, 6, 7, 7, 7, 8, 9),
        Told(
            "risk",
            READING,
            "messages that differ have one number, 7, 4 in a row",
            (),
            (1,),
            4,
        ),
    ),
    # cells one slot before those of the hop before: 100 of 101 slots of 10 ms to wait, twice
    "hops-wait-a-slotframe": Case(
        lambda: store(readings(range(60), CHAIN, gap=1.0), SLOTS),
        lambda: store(readings(range(60), CHAIN, gap=0.75), SLOTS),
        Told(
            "risk",
            "reading from 2001:db8:1::ff:fe00:3",
            "the quickest of 60 messages took 2 s over 3 hops",
            ("a slotframe lasts 1.01 s",),
        ),
    ),
    "more-tries-than-planned": Case(
        lambda: retried(6),
        lambda: retried(4),
        Told(
            "risk", "0x0001 to 0x0100", "a frame was sent 6 times; with 3 retries it is 4 at most"
        ),
    ),
    "ways-longer-than-planned": Case(
        lambda: store(readings(range(30), ((2, 1), (1, 0))), CSMA, hops=1),
        lambda: store(readings(range(30), ((2, 1), (1, 0))), CSMA, hops=2),
        Told(
            "risk",
            FAR_READING,
            "30 of 30 came over more links than planned",
            ("up to 2 hops, 1 planned",),
        ),
        also=frozenset({"longer-than-budgeted"}),  # the hop limit of a second hop goes in line
    ),
    # 9 octets of MAC header, 2 of LOWPAN_IPHC, 4 of UDP, 19 of the message, 2 of check sequence, and 6 before them:
    # 42 octets of 32 µs, 1344 µs; the worst 10 s hold 20 frames: 26.88 ms, 0.2688 %
    "on-air-over-limit": Case(
        lambda: limited("duty_cycle = 0.001\nwindow_s = 10"),
        lambda: limited("duty_cycle = 0.003\nwindow_s = 10"),
        Told(
            "risk",
            "0x0001",
            "on the air for 0.27 % of the time, 0.1 % allowed by the design",
            ("in the worst window of 10 s",),
        ),
    ),
    # 1 % of 30 s; by chance 1 - exp(-2 * 0.3 * 4 / 30) = 0.077
    "reports-in-phase": Case(
        lambda: in_step(0.02),
        lambda: in_step(6.0),
        Told(
            "risk",
            "reading",
            "200 of 200 reports began within 0.3 s of another sender's",
            ("5 senders; by chance 8% would",),
        ),
    ),
    # 30 / 29.4 = 1.02. Five frames and their acknowledgements a round: the first of node 5 is frame 9. When its last
    # comes, at 5 + 39 * 29.4 = 1151.6 s, the others have sent 39 each: 4 * 39 + 40 = 196, so it is frame 2 * 196 - 1
    "clock-off": Case(
        lambda: clocked(29.4),
        lambda: clocked(29.97),
        Told(
            "remark",
            "2001:db8:1::ff:fe00:5",
            "its period is 2 % ± 0.01 shorter than planned, and than that of others",
            (
                "reading from 2001:db8:1::ff:fe00:5: each 29.4 s over 39 intervals, planned 30 s; 4 others: 30 s",
            ),
            (9, 391),
        ),
    ),
    # 60 of 120 readings, one each 30 s: the last of the other comes 60 times 30 s behind the last of these, with frame
    # 355: before it 59 times its own frame and two of the other, on two links, each acknowledged. It sends the last of
    # all that is not an acknowledgement
    "flow-stopped": Case(
        lambda: stopping(60),
        lambda: stopping(100),
        Told(
            "risk",
            READING,
            "no message of flow readings for the last 30.0 minutes, planned are 30 s",
            (
                "59 intervals before, 30 s in the middle",
                "its sender was heard last 0.00163 s before the end",
            ),
            (355,),
        ),
    ),
}
DELIVERY_NEAR: dict[str, tuple[str, Callable[[], Capture]]] = {
    # request-repeated tells: a message ID is known for 247 s (RFC 7252 section 4.8.2)
    "a request of CoAP that comes again within the time of its message ID": (
        "old-message-sent-again",
        lambda: posted_again(195),
    ),
    # 273 is 17 again, and 276 goes on from 19 as well as from 17: the time tells that a turn is over
    "numbers that come again after a turn of which little was heard": (
        "old-message-sent-again",
        lambda: saying_the_same(*range(20), 273, *range(276, 296)),
    ),
    "messages that are said again where the first was not acknowledged": (
        "messages-said-twice",
        lambda: said_again(*range(20), acked=False),
    ),
    # address-of-two-devices tells why
    "two counts of two devices under one address": (
        "messages-numbered-anew",
        lambda: registered(counted_by_two(), FAR_NODE, FAR_ROOT),
    ),
    "a node that is gone altogether": ("flow-stopped", lambda: stopping(60, relays=False)),
    "a node that is heard further on alone: nobody knows whether it is there": (
        "flow-stopped",
        heard_further_on,
    ),
    "a node whose messages the receiver misses since some time": ("flow-stopped", half_heard),
    "a node whose place another takes, or who takes another address": (
        "flow-stopped",
        lambda: taken_over(61),
    ),
}
