"""What is planned against what is played here: two programs that nobody wrote who had read the other.

Both play or calculate the same network; they must agree within four standard errors. ``simulation`` says what it plays.
"""

from collections.abc import Callable, Sequence
from functools import cache
from itertools import pairwise
from math import log
from typing import Any

import pytest
from simulation import slotted
from simulation.captured import design
from simulation.contention import Counted, Network, Packet, Timing
from simulation.estimates import Estimate, mean, quantile, share
from simulation.queued import geometric, lost_in_runs
from simulation.slotted import evenly, latencies

from lowpanbudget.bits import StandInOctets

pytestmark = pytest.mark.long

carry = pytest.importorskip("lowpanbudget.deployment.carry")
contention = pytest.importorskip("lowpanbudget.deployment.contention")
rules = pytest.importorskip("lowpanbudget.deployment.contention_rules")
slot_run = pytest.importorskip("lowpanbudget.deployment.slot_run")
slot_latency = pytest.importorskip("lowpanbudget.deployment.slot_latency")
delivery = pytest.importorskip("lowpanbudget.deployment.delivery")
link_queue = pytest.importorskip("lowpanbudget.deployment.link_queue")

# O-QPSK at 2450 MHz: a unit of 20 symbols, CCA of 8, turnaround of 12, an acknowledgement within 54, each of 16 µs;
# 79 and 5 octets with 6 before them
CSMA = (3, 5, 4, 3, 320, 128, 192, 864)
DATA_US, ACK_US = (79 + 6) * 32, (5 + 6) * 32
RUNS = 8
Near = Callable[[int, int], bool]


def agree(one: Estimate, other: Estimate | float) -> None:
    assert one.agrees(other), (one, other)


def planned(
    nodes: int,
    ways: Sequence[tuple[int, ...]],
    every_s: float,
    hears: Near,
    disturbs: Near,
    *,
    seconds: float,
    loss: tuple[float, float] = (0.0, 0.0),
    places: int | None = None,
) -> list[Any]:
    """Several runs of the product's own simulation."""
    near = (
        tuple(tuple(at for at in range(nodes) if at != node and is_near(node, at)) for node in range(nodes))
        for is_near in (hears, disturbs)
    )  # fmt: skip
    ranges = rules.HearingRanges(*near)
    frame = rules.SimulatedFrame(DATA_US, ACK_US, *loss)
    sendings = [rules.Sending(way, every_s, (frame,)) for way in ways]
    csma = rules.CsmaRules(*CSMA)
    return [
        contention.simulate_csma(csma, ranges, sendings, places=places, seed=seed, seconds=seconds)
        for seed in range(RUNS)
    ]  # fmt: skip


def lost(packets: Sequence[Packet], why: str) -> float:
    return sum(one.lost == why for one in packets) / len(packets)


def took(packets: Sequence[Packet]) -> float:
    times = [one.arrived - one.made for one in packets if one.arrived is not None]
    return sum(times) / len(times)


def latency(result: Any) -> float:
    return float(sum(result.latencies_s) / len(result.latencies_s))


@pytest.mark.parametrize("hidden", [False, True])
def test_nodes_around_a_root(hidden: bool) -> None:
    """Ten nodes with four packets a second each; hidden: the odd ones do not hear the even ones, and send less."""

    def hears(node: int, at: int) -> bool:
        return not hidden or 0 in {node, at} or node % 2 == at % 2

    def everywhere(_node: int, _at: int) -> bool:
        return True

    every_s, seconds = (1.0, 120.0) if hidden else (0.25, 60.0)
    ours: list[Counted] = []
    for seed in range(RUNS):
        network = Network(dict.fromkeys(range(1, 11), 0), seed, hears=hears, acks_meet=True)
        for node in range(1, 11):
            network.poisson(node, 1 / every_s, 79, seconds)
        ours.append(network.run(seconds))
    theirs = planned(
        11, [(node, 0) for node in range(1, 11)], every_s, hears, everywhere, seconds=seconds
    )
    agree(mean([one.share_busy().value for one in ours]), mean([one.busy for one in theirs]))
    agree(mean([one.share_hit().value for one in ours]), mean([one.collided for one in theirs]))
    agree(
        mean([took(one.packets) for one in ours]),
        mean([sum(map(latency, one.by_sending)) / len(one.by_sending) for one in theirs]),
    )
    for why in ("access", "retries"):
        generated = [sum(each.generated for each in one.by_sending) for one in theirs]
        shares = [one.lost.get(why, 0) / made for one, made in zip(theirs, generated, strict=True)]
        counts = [round(lost(one.packets, why) * len(one.packets)) for one in ours]
        made = sum(len(one.packets) for one in ours)
        # rare losses are counted over all runs, where none is seen as one
        agree(
            share(sum(counts), made),
            share(round(sum(shares) / RUNS * sum(generated)), sum(generated)),
        )


def test_a_chain_with_hidden_nodes_losses_and_short_queues() -> None:
    """Four hops; a node hears one hop and disturbs two, frames and acknowledgements are lost, queues hold four."""

    def within(hops: int) -> Near:
        return lambda node, at: abs(node - at) <= hops

    every_s, seconds = 0.25, 40.0
    ours = []
    for seed in range(RUNS):
        network = Network(
            {1: 0, 2: 1, 3: 2, 4: 3}, seed, loss=0.1, ack_loss=0.05, places=4, acks_meet=True,
            hears=within(1), disturbs=within(2),
        )  # fmt: skip
        for node in range(1, 5):
            network.poisson(node, 1 / every_s, 79, seconds)
        ours.append(network.run(seconds))
    ways = [tuple(range(node, -1, -1)) for node in range(1, 5)]
    theirs = planned(
        5, ways, every_s, within(1), within(2), seconds=seconds, loss=(0.1, 0.05), places=4
    )
    agree(mean([one.share_busy().value for one in ours]), mean([one.busy for one in theirs]))
    agree(mean([one.share_hit().value for one in ours]), mean([one.collided for one in theirs]))
    for node in range(1, 5):
        mine = [[packet for packet in one.packets if packet.origin == node] for one in ours]
        other = [one.by_sending[node - 1] for one in theirs]
        agree(
            mean([sum(one.arrived is not None for one in packets) / len(packets) for packets in mine]),
            mean([one.delivered / one.generated for one in other]),
        )  # fmt: skip
        agree(mean([took(packets) for packets in mine]), mean([latency(one) for one in other]))


@pytest.mark.parametrize(("cells", "success", "hops"), [("order", 0.9, 12), ("reverse", 0.7, 4)])
def test_lone_packets_over_a_path(cells: str, success: float, hops: int) -> None:
    gap = 1 if cells == "order" else 100
    times, missing = latencies(cells, hops, success, 1500, 3)
    exact = slot_latency.path_latency(
        [[hop * gap % 101] for hop in range(hops)], 101, 0.01, [success] * hops, 4
    )
    agree(mean(times), exact.mean_s)
    agree(share(1500 - missing, 1500), exact.delivered)
    for part in (0.5, 0.95):
        agree(quantile(times, part), Estimate(exact.quantile_s(part), 0.005))


@cache
def over_random_cells() -> tuple[list[float], int]:
    """The times of 1500 packets over eight hops, and how many were lost."""
    return latencies("random", 8, 0.9, 1500, 4)


def test_cells_at_random_are_independent_hops() -> None:
    times, missing = over_random_cells()
    exact = slot_latency.hop_latency([0], 101, 0.01, 0.9, 4).times(8)
    agree(mean(times), exact.mean_s)
    agree(share(1500 - missing, 1500), exact.delivered)
    agree(quantile(times, 0.95), Estimate(exact.quantile_s(0.95), 0.005))


def burst(
    cells: Sequence[Sequence[int]], success: float, ack_loss: float, places: int, runs: int
) -> list[list[Packet]]:
    """100 packets, one each 100 ms, over a path."""
    found = []
    for seed in range(runs):
        network = slotted.path(cells, seed, success=success, ack_loss=ack_loss, places=places)
        network.burst(0, 100, 0.1)
        found.append(network.run(60))
    return found


@pytest.mark.parametrize(
    ("cells", "places", "ack_loss"), [(5, 16, 0.0), (10, 8, 0.0), (10, 8, 0.3)]
)
def test_a_burst_over_one_link(cells: int, places: int, ack_loss: float) -> None:
    own = evenly(cells, 101)
    runs = burst([own], 0.9, ack_loss, places, 60)
    link = slot_run.SlotLink(tuple(own), 0.1, ack_loss)
    theirs = [
        slot_run.run_slots(
            [slot_run.Arrival(number * 0.1, (0,)) for number in range(100)], [link], slotframe=101, slot_s=0.01,
            attempts=4, places=places, seed=seed,
        )
        for seed in range(400)
    ]  # fmt: skip
    agree(
        mean([100 * lost(packets, "queue") for packets in runs]),
        mean([float(one.lost.count("queue")) for one in theirs]),
    )
    agree(
        mean([float(sum(one.arrived is not None for one in packets)) for packets in runs]),
        mean([float(sum(at is not None for at in one.arrived_s)) for one in theirs]),
    )
    # the 50th packet 1 s after it was made
    soon = sum(packets[49].arrived is not None and packets[49].arrived <= 5.9 for packets in runs)
    others = sum((one.arrived_s[49] or 9.0) <= 5.9 for one in theirs)
    agree(share(soon, len(runs)), share(others, len(theirs)))


def test_a_burst_over_three_links() -> None:
    """Ten cells each, three slots one after the other; frames and acknowledgements are lost."""
    cells = [[(cell + 3 * hop) % 101 for cell in evenly(10, 101)] for hop in range(3)]
    ours = burst(cells, 0.9, 0.05, 8, 40)
    links = [slot_run.SlotLink(tuple(own), 0.1, 0.05) for own in cells]
    arrivals = [slot_run.Arrival(number * 0.1, (0, 1, 2)) for number in range(100)]
    theirs = [
        slot_run.run_slots(
            arrivals, links, slotframe=101, slot_s=0.01, attempts=4, places=8, seed=seed
        )
        for seed in range(40)
    ]
    agree(
        mean([float(sum(one.arrived is not None for one in packets)) for packets in ours]),
        mean([float(sum(at is not None for at in one.arrived_s)) for one in theirs]),
    )
    agree(
        mean([max(one.arrived or 0.0 for one in packets) for packets in ours]),
        mean([max(at or 0.0 for at in one.arrived_s) for one in theirs]),
    )


def test_a_link_in_the_long_run() -> None:
    """Geo/Geo/1: a frame comes in half of the cells; the chance of a try is 0.9, and tries have no end."""
    length, wait = geometric(0.5, 0.9, 40_000, 2)
    exact = link_queue.link_queue([0.5, 0.5], 0.9, 20, 60)
    agree(length, exact.mean_frames)
    agree(wait, exact.mean_wait)


def test_losses_in_runs() -> None:
    """Tries are a slotframe of 1.01 s apart; a link keeps its state from one to the next with a chance of 0.9."""
    memory, frames = 0.9, 8000
    bad_share = (0.1 - 0.01) / (0.9 - 0.01)
    bad_s = -1.01 / log(memory) / (1 - bad_share)
    states = delivery.LossStates(0.01, 0.9, bad_s, bad_share)
    arrivals = [slot_run.Arrival(1000.0 * number, (0,)) for number in range(frames)]
    theirs = slot_run.run_slots(
        arrivals, [slot_run.SlotLink((0,))], slotframe=101, slot_s=0.01, attempts=4, places=None, seed=1, runs=states
    )  # fmt: skip
    gone = sum(at is None for at in theirs.arrived_s)
    agree(share(lost_in_runs(memory, frames, 2), frames), share(gone, frames))


def test_an_error_of_one_hop_would_be_seen() -> None:
    """The exact path against one of nine hops: their means differ by more than four standard errors."""
    times, _ = over_random_cells()
    means = [slot_latency.hop_latency([0], 101, 0.01, 0.9, 4).times(hops).mean_s for hops in (8, 9)]
    assert [mean(times).agrees(one) for one in means] == [True, False]
    assert all(before < after for before, after in pairwise(means))


@pytest.mark.parametrize(
    ("by_hop", "every_s", "loss", "places"), [((2, 2, 2), 0.3, 0.1, 4), ((6, 3, 3), 1.0, 0.05, 8)]
)
def test_a_whole_design(by_hop: tuple[int, ...], every_s: float, loss: float, places: int) -> None:
    """A tree of a design, from its file to the share delivered at each hop and the time that half of it takes."""
    planned_network = design(
        f'[access]\nmethod = "csma"\n[tree]\nby_hop = {list(by_hop)}\n[loss]\nframes = {loss}\n'
        f"[queue]\nframes = {places}\n",
        hops=len(by_hop),
        every_s=every_s,
    )
    tree = planned_network.tree
    assert tree is not None
    apart = cache(tree.apart)
    parents = {node: parent for node, parent in enumerate(tree.parents) if parent >= 0}
    first, forwarded = (
        len(next(iter(path.frames(StandInOctets(19)))).octets)
        for path in planned_network.paths(planned_network.flows[0])
    )
    ours = []
    for seed in range(RUNS):
        network = Network(
            parents, seed, timing=Timing(spacing=640), loss=loss, places=places, acks_meet=True,
            forwarded=forwarded, hears=lambda one, other: apart(one, other) <= 1,
            disturbs=lambda one, other: apart(one, other) <= 2,
        )  # fmt: skip
        for node in parents:
            network.poisson(node, 1 / every_s, first, 60 * every_s)
        ours.append(network.run(60 * every_s))
    carried = carry.carry(planned_network, seed=1)
    for service in carried.services:
        mine = [
            [packet for packet in one.packets if tree.hops[packet.origin] == service.hop] for one in ours
        ]  # fmt: skip
        shares = [
            sum(one.arrived is not None for one in packets) / len(packets) for packets in mine
        ]
        # its half-width holds 95 %, 1.96 standard errors
        agree(mean(shares), Estimate(service.delivered, service.half_width / 1.96))
        times = [
            one.arrived - one.made for packets in mine for one in packets if one.arrived is not None
        ]
        half = quantile(times, 0.5)
        agree(half._replace(error=max(half.error, 320e-6)), service.latency.median_s)
