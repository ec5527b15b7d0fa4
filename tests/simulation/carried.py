"""What the package plays, beside the simulation written without it: contention, and bursts over paths of cells.

``size`` 1 runs in a moment, more makes the errors smaller. The simulation here lets acknowledgements be hit, and a
router wait for its turn as soon as a frame is there: as the package does it.
"""

from collections.abc import Callable, Iterator, Sequence
from typing import NamedTuple

from simulation.check_values import Check
from simulation.contention import Network
from simulation.estimates import over_runs
from simulation.slotted import path

from lowpanbudget.deployment.contention import simulate_csma
from lowpanbudget.deployment.contention_rules import (
    CsmaRules,
    HearingRanges,
    Sending,
    SimulatedFrame,
)
from lowpanbudget.deployment.slot_latency import even_cells
from lowpanbudget.deployment.slot_run import Arrival, SlotLink, run_slots

RULES = CsmaRules(3, 5, 4, 3, 320, 128, 192, 864)
RUNS = 6
Found = dict[str, float]


def everywhere(_source: int, _at: int) -> bool:
    return True


def within(hops: int) -> Callable[[int, int], bool]:
    return lambda source, at: abs(source - at) <= hops


def own_half(source: int, at: int) -> bool:
    """Nodes of even and odd numbers do not hear each other; the root is heard by all and hears all."""
    return 0 in {source, at} or source % 2 == at % 2


class Channel(NamedTuple):
    """Nodes with their parents, packets a second of each, seconds of a run; who hears whom, losses, places."""

    name: str
    parents: dict[int, int]
    rate: float
    seconds: float
    hears: Callable[[int, int], bool] = everywhere
    disturbs: Callable[[int, int], bool] = everywhere
    loss: float = 0.0
    ack_loss: float = 0.0
    places: int | None = None


CHANNELS = (
    Channel("a room of 10", dict.fromkeys(range(1, 11), 0), 5, 20),
    Channel("a chain of 6", {n: n - 1 for n in range(1, 7)}, 1.5, 40, within(1), within(2), 0.1, 0.02, 6),
    Channel("two halves of 10", dict.fromkeys(range(1, 21), 0), 2, 12, own_half),
)  # fmt: skip


def beside(channel: Channel, seconds: float, seed: int) -> Found:
    """Play a channel with the simulation of the tests."""
    network = Network(
        channel.parents, seed, loss=channel.loss, ack_loss=channel.ack_loss, places=channel.places,
        hears=channel.hears, disturbs=channel.disturbs, acks_meet=True,
    )  # fmt: skip
    for node in channel.parents:
        network.poisson(node, channel.rate, 79, seconds)
    seen = network.run(seconds)
    late = [one.arrived - one.made for one in seen.packets if one.arrived is not None]
    lost = len(seen.packets) - len(late)
    return {
        "busy": seen.share_busy().value, "met": seen.share_hit().value, "lost": lost / len(seen.packets),
        "seconds": sum(late) / len(late),
    }  # fmt: skip


def ours(channel: Channel, seconds: float, seed: int) -> Found:
    """Play it with the package."""
    nodes = range(len(channel.parents) + 1)
    hears, disturbs = (
        tuple(tuple(at for at in nodes if at != node and reaches(node, at)) for node in nodes)
        for reaches in (channel.hears, channel.disturbs)
    )
    frame = SimulatedFrame(85 * 32, 11 * 32, channel.loss, channel.ack_loss)
    sendings = []
    for node in channel.parents:
        way = [node]
        while way[-1]:
            way.append(channel.parents[way[-1]])
        sendings.append(Sending(tuple(way), 1 / channel.rate, (frame,)))
    found = simulate_csma(
        RULES, HearingRanges(hears, disturbs), sendings, places=channel.places, seed=seed, seconds=seconds
    )  # fmt: skip
    late = [one for sending in found.by_sending for one in sending.latencies_s]
    return {
        "busy": found.busy, "met": found.collided, "lost": 1 - found.delivery, "seconds": sum(late) / len(late),
    }  # fmt: skip


def contention(size: int) -> Iterator[Check]:
    """Channels where all hear each other, where some do not, and where frames are passed on."""
    for channel in CHANNELS:
        seconds = channel.seconds * size
        theirs = [beside(channel, seconds, seed) for seed in range(RUNS)]
        mine = [ours(channel, seconds, seed) for seed in range(RUNS)]
        yield from _compared(channel.name, theirs, mine)


# cells a link, slots from one hop to the next, places of each queue
PATHS = ((1, 1, 16), (10, 1, 8), (10, -1, 8), (5, 1, 16))
HOPS, PACKETS, EVERY_S, LOSS, ACK_LOSS = 6, 100, 0.1, 0.12, 0.03


def bursts(size: int) -> Iterator[Check]:
    """Bursts over six hops in slots: how many packets arrive, and when the last of them is in."""
    for count, step, places in PATHS:
        cells = [even_cells(count, 101, (3 + step * hop) % 101) for hop in range(HOPS)]
        theirs, mine = [], []
        for seed in range(RUNS * size):
            network = path(
                [list(own) for own in cells], seed, success=1 - LOSS, ack_loss=ACK_LOSS, places=places
            )  # fmt: skip
            network.burst(0, PACKETS, EVERY_S)
            theirs.append(_of([one.arrived for one in network.run(300)]))
            coming = [Arrival(number * EVERY_S, tuple(range(HOPS))) for number in range(PACKETS)]
            links = [SlotLink(own, LOSS, ACK_LOSS) for own in cells]
            found = run_slots(
                coming, links, slotframe=101, slot_s=0.01, attempts=4, places=places, seed=seed
            )
            mine.append(_of(found.arrived_s))
        yield from _compared(f"{count} cells, step {step}", theirs, mine)


def _of(arrived: Sequence[float | None]) -> Found:
    there = [at for at in arrived if at is not None]
    return {"arrived": float(len(there)), "last in": max(there)}


def _compared(name: str, theirs: list[Found], mine: list[Found]) -> Iterator[Check]:
    for what in theirs[0]:
        one, other = (over_runs([run[what] for run in runs]) for runs in (theirs, mine))
        yield Check(f"{name}: {what}", one, other)


EVERY: dict[str, Callable[[int], Iterator[Check]]] = {"contention": contention, "bursts": bursts}
