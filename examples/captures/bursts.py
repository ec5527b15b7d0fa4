"""The bursts that both networks are tried with, as a receiver at the root hears them.

Nothing is planted: cells, queues, losses and tries alone decide what comes through, with the numbers of the designs.
The footbridge has a cell for each link in a slotframe, so most packets of its burst find the queue of their sender
full; the archive's links lose in runs, in which now and then all tries of a packet fall: of 400 such bursts 58.8 of 60
packets came in on average, and this is one in which the usual 59 did.
"""

import random
from collections import deque
from dataclasses import dataclass, field

from captures.air import ALL_NODES, START_S, TAP, WITH_FCS, Air, control, local, packet, with_limit
from captures.archive import CLIMATE_PORTS, GATEWAY, OFFICE, archive_ip, short
from captures.footbridge import bridge_ip, bridge_link, way_up
from lowpanbudget.layers.internet.nd import messages as nd
from lowpanbudget.layers.link.mac import BROADCAST

SLOT_S, SLOTFRAME, TRIES, PLACES, LOSS = 0.01, 101, 4, 16, 0.05  # those of the footbridge's design
TRY_S = 0.005  # from a try to the next, and from hop to hop, where nodes listen first
LATE_S = 30.0  # what goes before the burst: the time at which it is fired


@dataclass
class Hop:
    """A link of a path with its cell: the packets that wait there, each with its tries so far."""

    ends: tuple[bytes, bytes]
    slot: int
    waiting: deque[tuple[int, int, float]] = field(
        default_factory=deque
    )  # number, tries, of the first


def listen(air: Air, router: bytes) -> None:
    """Let a router advertise itself before the burst: the receiver was there when its first packet came."""
    message = nd.RouterAdvertisement(cur_hop_limit=64, router_lifetime=3600)
    air.datagram(LATE_S - 10, router, BROADCAST, control(local(router), ALL_NODES, message))


def footbridge_burst() -> Air:
    """Return a hundred packets of 50 octets, one each 100 ms, over three hops of the footbridge."""
    air = Air("footbridge", TAP, file="footbridge-burst")
    listen(air, bridge_link(1))
    chance = random.Random(100)  # noqa: S311  # the same each time is what is wanted
    ends = bridge_ip(0x17), bridge_ip(1)
    # neighbours listen and send in cells of their own, in the order of the way up
    hops = [
        Hop((bridge_link(start), bridge_link(end)), 20 + 25 * place)
        for place, (start, end) in enumerate(way_up(0x17))
    ]
    message = air.design.message("readings")
    start = message.example("typical")
    (reading, *_) = message.example("greatest")["reading"]
    plain = {name: value for name, value in reading.items() if name != "peak"}
    now = START_S + int(LATE_S)
    eight = [{**one, "at": now} for one in [reading] * 3 + [plain] * 5]  # 50 octets in all
    contents = [
        message.pack({**start, "sequence": number, "time": now, "reading": eight})
        for number in range(100)
    ]
    assert {len(one) for one in contents} == {50}
    coming = deque((LATE_S + 0.1 * number, number) for number in range(100))
    slotframe = int(LATE_S / SLOT_S) // SLOTFRAME
    while coming or any(hop.waiting for hop in hops):
        for passed, hop in enumerate(hops):
            at = (slotframe * SLOTFRAME + hop.slot) * SLOT_S
            while coming and coming[0][0] <= at:
                _, number = coming.popleft()
                if len(hops[0].waiting) < PLACES:
                    hops[0].waiting.append((number, 0, 0.0))
            if not hop.waiting:
                continue
            number, tries, first = hop.waiting.popleft()
            first = first if tries else at
            tries += 1
            answered = chance.random() >= LOSS
            if not answered and tries < TRIES:
                hop.waiting.appendleft((number, tries, first))
                continue
            datagram = packet(*ends, (0xF0B1, 0xF0B2), contents[number])
            later = tuple(SLOTFRAME * SLOT_S * again for again in range(1, tries))
            air.datagram(
                first, *hop.ends, with_limit(datagram, passed), retries=later, answered=answered
            )
            air.fired += not passed
            if not answered:
                continue
            air.arrived += passed + 1 == len(hops)
            if passed + 1 < len(hops) and len(hops[passed + 1].waiting) < PLACES:
                hops[passed + 1].waiting.append((number, 0, 0.0))
        slotframe += 1
    air.settle()
    return air


@dataclass
class RunsOfLoss:
    """A link that loses little for a while, and then nearly all: [loss] and [loss.runs] of the archive."""

    chance: random.Random
    share: float = 0.03
    good: float = 0.01
    bad: float = 0.8
    bad_s: float = 0.04
    until_s: float = 0.0
    is_bad: bool = True

    def loses(self, at_s: float) -> bool:
        """Return whether a try at this time is lost; times rise."""
        of_time = (self.share - self.good) / (self.bad - self.good)  # in which it is bad
        while self.until_s <= at_s:
            self.is_bad = not self.is_bad
            mean = self.bad_s if self.is_bad else self.bad_s * (1 - of_time) / of_time
            self.until_s += self.chance.expovariate(1 / mean)
        return self.chance.random() < (self.bad if self.is_bad else self.good)


def archive_burst() -> Air:
    """Return sixty reports, one each half second, from a logger three hops from the gateway of the archive."""
    air = Air("archive", WITH_FCS, file="archive-burst")
    listen(air, GATEWAY)
    message = air.design.message("climate")
    way = [(0x0104, 0x0102), (0x0102, 0x0101), (0x0101, 0)]
    links = [RunsOfLoss(random.Random(33 + passed)) for passed in range(len(way))]  # noqa: S311
    for number in range(60):
        data = message.pack({**message.example("greatest"), "sequence": number})
        datagram = packet(archive_ip(0x0104), OFFICE, CLIMATE_PORTS, data)
        at = LATE_S + 0.5 * number
        air.fired += 1
        for passed, ((start, end), link) in enumerate(zip(way, links, strict=True)):
            lost = [link.loses(at)]
            while lost[-1] and len(lost) < TRIES:
                lost.append(link.loses(at + TRY_S * len(lost)))
            later = tuple(TRY_S * again for again in range(1, len(lost)))
            air.datagram(
                at, short(start), short(end), with_limit(datagram, passed), retries=later, answered=not lost[-1]
            )  # fmt: skip
            if lost[-1]:
                break
            at += TRY_S * len(lost)
        else:
            air.arrived += 1
    air.settle()
    return air
