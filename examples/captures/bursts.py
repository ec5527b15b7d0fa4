"""The bursts that both networks are tried with, as a receiver at the root hears them.

Nothing is planted: each packet has its tries, the last of which comes through. The footbridge has a cell for each link
in a slotframe, so most packets of its burst find the queue of their sender full and never come on the air.
"""

import random
from collections import deque
from dataclasses import dataclass, field

from captures.air import START_S, TAP, WITH_FCS, Air, packet, with_limit
from captures.archive import CLIMATE_PORTS, OFFICE, Archive, archive_ip
from captures.footbridge import bridge_ip, bridge_link, way_up

SLOT_S, SLOTFRAME, TRIES, PLACES = 0.01, 101, 4, 16  # those of the footbridge's design
LATE_S = 30.0  # what goes before the burst: the time at which it is fired


@dataclass
class Hop:
    """A link of a path with its cell: the packets that wait there, each with its tries so far."""

    ends: tuple[bytes, bytes]
    slot: int
    waiting: deque[tuple[int, int, float]] = field(
        default_factory=deque
    )  # number, tries, of the first


def footbridge_burst() -> Air:
    """Return a hundred packets of 50 octets, one each 100 ms, over three hops of the footbridge."""
    air = Air("footbridge", TAP, file="footbridge-burst")
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
            if chance.random() < 0.1 and tries < TRIES:
                hop.waiting.appendleft((number, tries, first))
                continue
            datagram = packet(*ends, (0xF0B1, 0xF0B2), contents[number])
            later = tuple(SLOTFRAME * SLOT_S * again for again in range(1, tries))
            air.datagram(first, *hop.ends, with_limit(datagram, passed), retries=later)
            if passed + 1 < len(hops) and len(hops[passed + 1].waiting) < PLACES:
                hops[passed + 1].waiting.append((number, 0, 0.0))
            air.arrived += passed + 1 == len(hops)
        slotframe += 1
    air.settle()
    return air


def archive_burst() -> Air:
    """Return sixty reports, one each half second, from a logger two hops from the gateway of the archive."""
    archive = Archive()
    archive.air = Air("archive", WITH_FCS, file="archive-burst")
    chance = random.Random(60)  # noqa: S311
    for number in range(60):
        greatest = archive.air.design.message("climate").example("greatest")
        data = archive.air.design.message("climate").pack({**greatest, "sequence": number})
        datagram = packet(archive_ip(0x0104), OFFICE, CLIMATE_PORTS, data)
        tries = 1
        while chance.random() < 0.06 and tries < TRIES:
            tries += 1
        later = tuple(0.005 * again for again in range(1, tries))
        archive.air.arrived += 1
        archive.up(LATE_S + 0.5 * number + 0.002 * chance.random(), 0x0104, datagram, retries=later)
    archive.air.settle()
    return archive.air
