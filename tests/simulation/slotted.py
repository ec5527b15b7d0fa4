"""Slotted access of IEEE 802.15.4 as events: a slotframe, cells of links, tries, queues, a path or a tree of hops.

A link sends the head of its queue in each of its cells; what is not acknowledged is tried again in the next one, up to
a number of retries (IEEE 802.15.4-2015 clause 6.2.6, from memory). Cells of different links never meet: there are
channels enough, and no two in one slot share a node unless a test puts them so.
"""

from collections import Counter, deque
from collections.abc import Sequence
from dataclasses import dataclass, field
from random import Random
from typing import Any

import simpy
from simulation.contention import Events, Packet, Sent


@dataclass(frozen=True)
class Slots:
    """A slotframe of so many slots, and how long each lasts in seconds."""

    slotframe: int = 101
    slot: float = 0.01


def evenly(cells: int, slotframe: int) -> list[int]:
    """Slots that lie evenly in a slotframe, each rounded to the nearest."""
    return [round(index * slotframe / cells) for index in range(cells)]


def in_order(hops: int, first: int = 0, gap: int = 1, slotframe: int = 101) -> list[list[int]]:
    """One cell for each hop, each so many slots after the one before."""
    return [[(first + hop * gap) % slotframe] for hop in range(hops)]


@dataclass(eq=False)
class Link:
    """A sender with its queue, the slots in which it may send, and who receives: None is where packets end."""

    cells: Sequence[int]
    to: int | None
    queue: deque[Packet] = field(default_factory=deque)
    longest: int = 0


class SlottedNetwork:
    """Links that send in their cells. ``success`` is the chance that a frame and its acknowledgement arrive.

    ``ack_loss``, where it is given, is that of the acknowledgement alone, and ``success`` that of the frame.
    """

    def __init__(
        self,
        links: dict[int, Link],
        seed: int,
        *,
        success: float = 1.0,
        ack_loss: float = 0.0,
        retries: int = 3,
        places: int | None = None,
        slots: Slots | None = None,
        keep: bool = False,
    ) -> None:
        self.env = simpy.Environment()
        self.random = Random(seed)
        self.links, self.success, self.ack_loss = links, success, ack_loss
        self.retries, self.places, self.slots = retries, places, slots or Slots()
        self.keep = keep
        self.packets: list[Packet] = []
        self.sent: list[Sent] = []
        self.made: Counter[int] = Counter()
        self.attempts = 0
        self.offered: Counter[int] = (
            Counter()
        )  # packets that came to each link, and that its queue refused
        self.refused: Counter[int] = Counter()
        self.known: dict[int, set[int]] = {}
        self.waiting: dict[int, simpy.Event | None] = {}
        for node in links:
            self.env.process(self._serve(node))

    # --- packets in -----------------------------------------------------------------------------------

    def burst(self, node: int, packets: int, every: float, *, at: float = 0.0) -> None:
        self.env.process(self._burst(node, packets, every, at))

    def _burst(self, node: int, packets: int, every: float, at: float) -> Events:
        for number in range(packets):
            # packets of a burst stay in step with its beginning: sums of gaps would drift away
            yield self.env.timeout(max(at + number * every - self.env.now, 0))
            self.make(node)

    def periodic(self, node: int, every: float, until: float, first: float, jitter: float) -> None:
        self.env.process(self._periodic(node, every, until, first, jitter))

    def _periodic(
        self, node: int, every: float, until: float, first: float, jitter: float
    ) -> Events:
        number = 0
        while (due := first + number * every + self.random.uniform(0, jitter)) < until:
            yield self.env.timeout(max(due - self.env.now, 0))
            self.make(node)
            number += 1

    def poisson(self, node: int, every: float, until: float) -> None:
        self.env.process(self._poisson(node, every, until))

    def _poisson(self, node: int, every: float, until: float) -> Events:
        while (at := self.env.now + self.random.expovariate(1 / every)) < until:
            yield self.env.timeout(at - self.env.now)
            self.make(node)

    def make(self, node: int) -> Packet:
        packet = Packet(len(self.packets), self.env.now, node, 79, self.made[node])
        self.made[node] += 1
        self.packets.append(packet)
        self._offer(node, packet)
        return packet

    def _offer(self, node: int, packet: Packet) -> None:
        link = self.links[node]
        self.offered[node] += 1
        if self.places is not None and len(link.queue) >= self.places:
            self.refused[node] += 1
            packet.lost = packet.lost or "queue"
            return
        link.queue.append(packet)
        link.longest = max(link.longest, len(link.queue))
        waiting = self.waiting.get(node)
        if waiting is not None and not waiting.triggered:
            waiting.succeed()

    # --- cells ----------------------------------------------------------------------------------------

    def _next(self, cells: Sequence[int], after: int) -> int:
        """The absolute number of a link's first cell from this one on."""
        frame, at = divmod(after, self.slots.slotframe)
        coming = [cell for cell in sorted(cells) if cell >= at]
        start = frame * self.slots.slotframe
        return start + (coming[0] if coming else self.slots.slotframe + min(cells))

    def _serve(self, node: int) -> Events:
        link, slot = self.links[node], self.slots.slot
        number = 0  # the first slot that may still be used
        attempt = 0
        while True:
            if not link.queue:
                coming = self.waiting[node] = self.env.event()
                yield coming
            # what comes while a slot is under way waits for the next; a hair's breadth makes up for binary fractions
            now = int(-(-(self.env.now - slot * 1e-6) // slot))
            number = self._next(link.cells, max(number, now))
            begin = number * slot
            # a queue takes what comes at the beginning of a slot first: sending ends within the slot
            yield self.env.timeout(max(begin + slot / 2 - self.env.now, 0))
            attempt = self._try(node, link, attempt, begin)
            number += 1

    def _try(self, node: int, link: Link, attempt: int, begin: float) -> int:
        """Send the head of the queue once; return which attempt comes next."""
        packet = link.queue[0]
        self.attempts += 1
        heard = self.random.random() < self.success
        acked = heard and (not self.ack_loss or self.random.random() >= self.ack_loss)
        if self.keep:
            to = -1 if link.to is None else link.to
            self.sent.append(Sent(begin, node, to, packet, attempt, packet.octets, heard, acked))
        if heard:
            self._receive(node, link.to, packet)
        if acked:
            link.queue.popleft()
            return 0
        if attempt < self.retries:
            return attempt + 1
        link.queue.popleft()
        if packet.number not in self.known.get(node, ()):
            packet.lost = packet.lost or "retries"
        return 0

    def _receive(self, node: int, to: int | None, packet: Packet) -> None:
        known = self.known.setdefault(node, set())  # what the receiver of this link has
        if packet.number in known:
            return
        known.add(packet.number)
        if to is None or to not in self.links:
            packet.arrived = self.env.now + self.slots.slot / 2
        else:
            self.env.process(self._hand_on(to, packet))

    def _hand_on(self, to: int, packet: Packet) -> Events:
        """What comes in a slot can be sent in the next one."""
        yield self.env.timeout(self.slots.slot / 2)
        self._offer(to, packet)

    def run(self, until: float) -> list[Packet]:
        self.env.run(until)
        return self.packets


def path(cells: Sequence[Sequence[int]], seed: int, **more: Any) -> SlottedNetwork:
    """A chain: link 0 begins, the last one ends; ``cells`` of each hop."""
    links = {
        hop: Link(own, hop + 1 if hop + 1 < len(cells) else None) for hop, own in enumerate(cells)
    }
    return SlottedNetwork(links, seed, **more)


def latencies(
    cells: str, hops: int, success: float, packets: int, seed: int
) -> tuple[list[float], int]:
    """Times that lone packets take over a path, each at a time of its own, and how many were lost.

    ``cells``: in "order", in "reverse", or "random": then each packet meets other cells.
    """
    random = Random(seed)
    gap = {"order": 1, "reverse": 100}.get(cells)
    took, lost = [], 0
    for _ in range(packets):
        if gap is None:
            own = [[random.randrange(101)] for _ in range(hops)]
        else:
            own = in_order(hops, random.randrange(101), gap)
        network = path(own, random.getrandbits(32), success=success)
        network.make(0)
        (packet,) = network.run(hops * 4 * 1.01 + 2)
        if packet.arrived is None:
            lost += 1
        else:
            took.append(packet.arrived - packet.made)
    return took, lost
