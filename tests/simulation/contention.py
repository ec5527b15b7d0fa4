"""Unslotted CSMA-CA of IEEE 802.15.4 as events: who waits, who listens, who is on the air, and what meets there.

Written from the standard's algorithm (IEEE 802.15.4-2020 clause 6.2.5.1, from memory) and the notes of this project
alone: a backoff of 0 to 2^BE - 1 units, CCA, turnaround, the frame; after turnaround its acknowledgement; a busy CCA
raises BE and is tried again up to macMaxCSMABackoffs times, a frame without acknowledgement up to macMaxFrameRetries
times, each with BE at its least again. There is no capture effect: what meets at a receiver is lost there.
"""

from collections import Counter, deque
from collections.abc import Callable, Generator, Iterator
from dataclasses import dataclass, field
from random import Random
from typing import Any, TypeAlias

import simpy
from simulation.estimates import Estimate, share

US = 1e-6
_EXACT = 1e-9  # seconds: more than sums of microseconds are off, less than anything lasts
Events: TypeAlias = Generator[simpy.Event, Any, Any]  # what a process of the simulation waits for


@dataclass(frozen=True)
class Timing:
    """What a PHY takes, in microseconds; O-QPSK at 2450 MHz unless said."""

    octet: int = 32
    before: int = 6  # octets of preamble, delimiter and PHY header
    turnaround: int = 192
    cca: int = 128
    unit: int = 320
    ack_wait: int = 864
    ack_octets: int = 5
    spacing: int = 0  # behind a frame, before its sender waits for its next turn

    def airtime(self, octets: int) -> int:
        return (self.before + octets) * self.octet


@dataclass(frozen=True)
class Csma:
    """The attributes of the MAC: macMinBE, macMaxBE, macMaxCSMABackoffs, macMaxFrameRetries."""

    least: int = 3
    most: int = 5
    backoffs: int = 4
    retries: int = 3


@dataclass(eq=False)
class Packet:
    """What a node has to send: the ``index`` of those that it ``made``, and what became of it."""

    number: int
    made: float
    origin: int
    octets: int
    index: int
    arrived: float | None = None
    lost: str = ""
    content: bytes | None = None


@dataclass(eq=False)
class OnAir:
    """A transmission: of a frame or of the acknowledgement of one."""

    source: int
    to: int
    start: float
    end: float
    hit: bool = False


@dataclass(frozen=True)
class Sent:
    """A frame that was sent once: what a receiver that hears all would hear of it."""

    time: float
    source: int
    to: int
    packet: Packet
    attempt: int
    octets: int
    heard: bool
    acked: bool


@dataclass
class Air:
    """Who is on the air. ``hears``: whether a node's transmission is heard by another when that listens for a quiet
    channel; ``disturbs``: whether it spoils what the other receives. All hear and disturb each other unless told.
    """

    env: simpy.Environment
    hears: Callable[[int, int], bool] = lambda _source, _at: True
    disturbs: Callable[[int, int], bool] = lambda _source, _at: True
    now: list[OnAir] = field(default_factory=list)
    owing: dict[int, float] = field(
        default_factory=dict
    )  # until when a node owes an acknowledgement

    def begin(self, source: int, to: int, airtime: float) -> OnAir:
        """Begin a transmission; what meets at the receiver of either is hit."""
        start = self.env.now
        self.now = [one for one in self.now if one.end > start + _EXACT]
        mine = OnAir(source, to, start, start + airtime)
        for other in self.now:
            # a node that sends receives nothing meanwhile
            if self.disturbs(source, other.to) or other.to == source:
                other.hit = True
            if self.disturbs(other.source, to) or other.source == to:
                mine.hit = True
        self.now.append(mine)
        return mine

    def is_busy(self, at: int, since: float) -> bool:
        """Whether a node heard something at any time since then."""
        now = self.env.now
        since += (
            _EXACT  # what ended as the CCA began is no longer heard, however its time was added up
        )
        recent = [one for one in self.now if one.end > since]
        # a radio that sends, or turns round to acknowledge, cannot listen
        return self.owing.get(at, 0.0) > since or any(
            one.start < now - _EXACT and (one.source == at or self.hears(one.source, at))
            for one in recent
        )


@dataclass
class Counted:
    """What was seen of all nodes; by backoff stage and by attempt where that tells more."""

    cca: Counter[int] = field(default_factory=Counter)
    busy: Counter[int] = field(default_factory=Counter)
    frames: Counter[int] = field(default_factory=Counter)
    hit: Counter[int] = field(default_factory=Counter)
    packets: list[Packet] = field(default_factory=list)
    sent: list[Sent] = field(default_factory=list)

    def share_busy(self, stage: int | None = None) -> Estimate:
        if stage is not None:
            return share(self.busy[stage], self.cca[stage])
        return share(self.busy.total(), self.cca.total())

    def share_hit(self, attempt: int | None = None) -> Estimate:
        if attempt is not None:
            return share(self.hit[attempt], self.frames[attempt])
        return share(self.hit.total(), self.frames.total())

    def share_lost(self, why: str = "") -> Estimate:
        over = [one for one in self.packets if one.arrived is not None or one.lost]
        return share(sum(why in one.lost for one in over if one.lost), len(over))


class Network:
    """Nodes that send to their parents, or each to ``to``; node 0 is the root and receives alone.

    ``loss`` is the share of frames and ``ack_loss`` of acknowledgements that a link loses beside what meets on the air;
    ``places`` how many packets a queue holds, the one that is tried included. With ``acks_meet`` acknowledgements can
    be hit as well. A router waits for its turn once its acknowledgement is over, ``at_once`` when the frame is: a CCA
    while it acknowledges is busy then. ``forwarded`` is the octets of frames behind the first hop, where they differ.
    """

    def __init__(
        self,
        parents: dict[int, int],
        seed: int,
        *,
        timing: Timing | None = None,
        csma: Csma | None = None,
        loss: float = 0.0,
        ack_loss: float | None = None,
        places: int | None = None,
        hears: Callable[[int, int], bool] = lambda _source, _at: True,
        disturbs: Callable[[int, int], bool] = lambda _source, _at: True,
        acks_meet: bool = False,
        at_once: bool = False,
        forwarded: int | None = None,
        keep: bool = False,
    ) -> None:
        self.env = simpy.Environment()
        self.random = Random(seed)
        self.parents, self.timing, self.csma = parents, timing or Timing(), csma or Csma()
        self.loss, self.ack_loss = loss, loss if ack_loss is None else ack_loss
        self.places, self.acks_meet, self.keep = places, acks_meet, keep
        self.at_once, self.forwarded = at_once, forwarded
        self.air = Air(self.env, hears, disturbs)
        self.seen = Counted()
        self.queues: dict[int, deque[Packet]] = {node: deque() for node in parents}
        self.idle: dict[int, simpy.Event | None] = dict.fromkeys(parents)
        self.made: Counter[int] = Counter()
        self.free: dict[int, float] = {}  # when the pause behind a node's last frame is over
        self.known: dict[int, set[int]] = {}  # packets that a node has got, by its number
        for node in parents:
            self.env.process(self.sender(node))

    # --- what is to be sent ---------------------------------------------------------------------------

    def poisson(self, node: int, rate: float, octets: int, until: float) -> None:
        self.env.process(self._arrivals(node, octets, until, lambda: self.random.expovariate(rate)))

    def periodic(
        self, node: int, every: float, octets: int, until: float, *, first: float = 0.0, jitter: float = 0.0
    ) -> None:  # fmt: skip
        def gaps() -> Iterator[float]:
            at = 0.0
            number = 0
            while True:
                due = first + number * every + self.random.uniform(0, jitter)
                yield due - at
                at, number = due, number + 1

        coming = gaps()
        self.env.process(self._arrivals(node, octets, until, lambda: next(coming)))

    def _arrivals(self, node: int, octets: int, until: float, gap: Callable[[], float]) -> Events:
        while True:
            yield self.env.timeout(gap())
            if self.env.now > until:
                return
            packet = Packet(len(self.seen.packets), self.env.now, node, octets, self.made[node])
            self.made[node] += 1
            self.seen.packets.append(packet)
            self.offer(node, packet)

    def offer(self, node: int, packet: Packet) -> None:
        """Give a node a packet to send on."""
        queue = self.queues[node]
        if self.places is not None and len(queue) >= self.places:
            packet.lost = packet.lost or "queue"
            return
        queue.append(packet)
        waiting = self.idle[node]
        if waiting is not None and not waiting.triggered:
            waiting.succeed()

    # --- sending --------------------------------------------------------------------------------------

    def sender(self, node: int) -> Events:
        queue = self.queues[node]
        while True:
            if not queue:
                coming = self.idle[node] = self.env.event()
                yield coming
            packet = queue[0]
            if self.free.get(node, 0.0) > self.env.now:
                yield self.env.timeout(self.free[node] - self.env.now)
            lost = yield from self.send(node, self.parents[node], packet)
            queue.popleft()
            self.free[node] = self.env.now + self.timing.spacing * US
            # a receiver that has it already sends it on whatever its last sender believes
            if lost and packet.number not in self.known.get(self.parents[node], ()):
                packet.lost = packet.lost or lost

    def send(self, node: int, to: int, packet: Packet) -> Events:
        """Try until it is acknowledged; return why it was given up, or nothing."""
        timing, csma = self.timing, self.csma
        for attempt in range(csma.retries + 1):
            if not (yield from self.wait_for_quiet(node)):
                return "access"
            yield self.env.timeout(timing.turnaround * US)
            if (yield from self.transmit(node, to, packet, attempt)):
                return ""
        return "retries"

    def wait_for_quiet(self, node: int) -> Events:
        """Back off and listen; return whether the air was quiet at last."""
        timing, csma = self.timing, self.csma
        exponent = csma.least
        for stage in range(csma.backoffs + 1):
            yield self.env.timeout(self.random.randrange(2**exponent) * timing.unit * US)
            began = self.env.now
            yield self.env.timeout(timing.cca * US)
            self.seen.cca[stage] += 1
            if not self.air.is_busy(node, began):
                return True
            self.seen.busy[stage] += 1
            exponent = min(exponent + 1, csma.most)
        return False

    def transmit(self, node: int, to: int, packet: Packet, attempt: int) -> Events:
        """Send once and wait for the acknowledgement; return whether it came."""
        timing = self.timing
        octets = packet.octets if node == packet.origin else self.forwarded or packet.octets
        airtime = timing.airtime(octets) * US
        mine = self.air.begin(node, to, airtime)
        yield self.env.timeout(airtime)
        self.seen.frames[attempt] += 1
        self.seen.hit[attempt] += mine.hit
        heard = not mine.hit and self.random.random() >= self.loss
        acked = False
        if heard:
            ack = timing.airtime(timing.ack_octets) * US
            self.air.owing[to] = self.env.now + timing.turnaround * US + ack
            self.receive(to, packet, timing.turnaround * US + ack)
            yield self.env.timeout(timing.turnaround * US)
            answer = self.air.begin(to, node, ack)
            yield self.env.timeout(ack)
            acked = self.random.random() >= self.ack_loss and not (self.acks_meet and answer.hit)
        if self.keep:
            self.seen.sent.append(
                Sent(mine.start, node, to, packet, attempt, packet.octets, heard, heard)
            )
        if not acked:
            spent = timing.turnaround + timing.airtime(timing.ack_octets) if heard else 0
            yield self.env.timeout(max(timing.ack_wait - spent, 0) * US)
        return acked

    def receive(self, node: int, packet: Packet, owes: float) -> None:
        """Take a packet: sent on the first time, nothing where it came before; ``owes`` until it is acknowledged."""
        known = self.known.setdefault(node, set())
        if packet.number in known:
            return
        known.add(packet.number)
        if node not in self.parents:
            packet.arrived = self.env.now
        elif self.at_once:
            self.offer(node, packet)
        else:
            self.env.process(self._hand_on(node, packet, owes))

    def _hand_on(self, node: int, packet: Packet, owes: float) -> Events:
        yield self.env.timeout(owes)
        self.offer(node, packet)

    def run(self, until: float) -> Counted:
        """Let so many seconds pass; a last one lets what is on its way arrive."""
        self.env.run(until + 1.0)
        return self.seen


def star(nodes: int, rate: float, seconds: float, seed: int, **more: Any) -> Counted:
    """Nodes around a root that all hear each other, each with packets of 79 octets at random times."""
    network = Network(dict.fromkeys(range(1, nodes + 1), 0), seed, **more)
    for node in range(1, nodes + 1):
        network.poisson(node, rate, 79, seconds)
    return network.run(seconds)
