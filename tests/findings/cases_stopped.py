"""A planned flow that stops, beside senders that are heard, or are not."""

from dataclasses import replace

from findings.air import NODE, ROOT, Capture
from findings.cases_delivery import (
    FAR_READING,
    READING,
    in_step,
    over,
    reading,
    readings,
    store,
    taken_over,
)
from findings.cases_further import Further
from findings.cases_nodes import FOURTH, RELAY, THIRD
from findings.cases_nodes import reading as reading_of
from findings.judge import Told

COMMON_SERVER = (
    "Look at what they have in common before the application of each: a server or root that they wait for, a command "
    "or an update that all got, a clock or counter that came to its end for all."
)
COMMON_SUPPLY = (
    "Look at what they have in common before the battery of each: a supply, a router that all are behind, a key or a "
    "channel that changed. Or the receiver of the capture was moved."
)


def stopped_at(*after: int) -> Capture:
    """Nodes that report each 30 s for so many times, 5 s one behind the other, and send on for others for an hour."""
    sent = [
        one
        for node, times in enumerate(after, 1)
        for index in range(120)
        for source, hops in ((node, ((node, 0),)), (node + 3, ((node + 3, node), (node, 0))))
        if source > 3 or index < times
        for one in over(reading(index, 30.0 * index + 5.0 * source, source), hops)
    ]
    return store(sorted(sent, key=lambda one: one.time), "", depth=lambda node: 1 + (node > 3))


def hardly_heard() -> Capture:
    """A node that reports each 30 s for half an hour, and each 300 s sends on what another has, for an hour.

    The receiver of the capture misses every other of these: the node's numbers have a hole of one, all the time.
    """
    sent = [
        *readings(range(60)),
        *readings([index for index in range(120) if index % 10 != 9], ((2, 0),)),
        *readings(range(9, 120, 10), ((2, 1), (1, 0))),
    ]
    whole = store(sorted(sent, key=lambda one: one.time), "")
    heard = [one for one in whole.timed() if not 0.04 < (one[0] - 270) % 600 < 0.06]
    return replace(whole, air=[*heard])


def gone_at(*after: int) -> Capture:
    """A reading every 30 s of the root, and 5 s behind each other those of nodes that fall silent after so many."""
    frames: list[tuple[float, bytes]] = []
    for n in range(60):
        frames.append((1 + 30.0 * n, reading_of(n, (ROOT, FOURTH))))
        frames += [
            (6 + 5.0 * place + 30.0 * n, reading_of(n, (node, ROOT)))
            for place, (node, times) in enumerate(zip((NODE, RELAY, THIRD), after, strict=True))
            if n < times
        ]
    return Capture([*frames])


STOPPED_FURTHER = (
    Further(
        "flow-stopped",
        lambda: taken_over(30),
        Told(
            "risk",
            READING,
            "no message of flow readings for the last 30.0 minutes, planned are 30 s",
            (
                "59 intervals before, 30 s in the middle",
                "its sender was heard last 0.00163 s before the end",
            ),
            (471,),  # 30 times 6 frames as above, 29 times 10 with those of the third
        ),
    ),
    # 1 % of 30 s; by chance 1 - exp(-2 * 0.3 * 24 / 30) = 0.38 of them would: four times as many are more than all
    Further(
        "reports-in-phase",
        lambda: in_step(0.02, 25),
        Told(
            "risk",
            "reading",
            "1000 of 1000 reports began within 0.3 s of another sender's",
            ("25 senders; by chance 38% would",),
        ),
    ),
    # each hole makes place for one of 20 that were due. Frame 243: 59 readings before and 54 of the second node that go
    # straight, each with its acknowledgement, and five over the first, 2 frames of three and 4 of two
    Further(
        "flow-stopped",
        hardly_heard,
        Told(
            "risk",
            READING,
            "no message of flow readings for the last 30.0 minutes, planned are 30 s",
            (
                "59 intervals before, 30 s in the middle",
                "its sender was heard last 0.00163 s before the end",
            ),
            (241,),
        ),
    ),
    # the last of 60 readings come 5 s one behind the other, in rounds of three over one hop and three over two, each
    # frame acknowledged; the first node sends on until 10 s before the end
    Further(
        "flow-stopped",
        lambda: stopped_at(60, 60, 60),
        Told(
            "risk",
            f"{READING}, {FAR_READING.rpartition(' ')[2]}, {FAR_READING.rpartition(' ')[2][:-1]}3",
            "no message of flow readings for the last 30.3 minutes, planned are 30 s: 3 senders stopped within 10 s",
            ("each sender was heard 10 s before the end or later",),
            (1063, 1065, 1067),
            3,
            COMMON_SERVER,
        ),
    ),
    # the last of twelve readings come 336, 341 and 346 s behind the first frame but one, the last frame at 1771 s
    Further(
        "node-fell-silent",
        lambda: gone_at(12, 12, 12),
        Told(
            "risk",
            "0x0017, 0x0018, 0x0019",
            "3 nodes fell silent within 10 s, for the last 1425 s; before, none was for more than 30 s",
            ("11 silences about as long as the longest",),
            (46, 47, 48),
            3,
            COMMON_SUPPLY,
        ),
    ),
)
