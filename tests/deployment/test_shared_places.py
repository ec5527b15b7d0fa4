"""Places of a node that its neighbours share, or of which each has so many: by hand, and against a small simulation."""

from collections import Counter, deque
from collections.abc import Iterator
from itertools import product
from math import hypot, inf
from pathlib import Path
from random import Random
from statistics import fmean, stdev
from typing import NamedTuple

import pytest
from findings.cases_deployment import heard, slotted

from lowpanbudget import parse_design, review
from lowpanbudget.deployment.airtime import airtime
from lowpanbudget.deployment.burst_runs import slot_runs
from lowpanbudget.deployment.carry import judged
from lowpanbudget.deployment.confidence import share_of_runs
from lowpanbudget.deployment.contention import simulate_csma
from lowpanbudget.deployment.contention_air import Air
from lowpanbudget.deployment.contention_rules import (
    CsmaRules,
    HearingRanges,
    Sending,
    SimulatedFrame,
)
from lowpanbudget.deployment.load import loads
from lowpanbudget.deployment.node_queues import full_nodes, node_queues
from lowpanbudget.deployment.slot_play import PlayedSlots
from lowpanbudget.deployment.slot_run import Arrival, SlotLink, run_slots
from lowpanbudget.deployment.traffic import CarriedFrame, MessageStream, Traffic
from lowpanbudget.design.access import Access, Slots
from lowpanbudget.design.estimate import Estimate
from lowpanbudget.design.goals import Burst
from lowpanbudget.design.tree import Tree
from lowpanbudget.design.waiting import SendQueue
from lowpanbudget.values import replace

FOOTBRIDGE = parse_design(
    (Path(__file__).parents[2] / "examples/footbridge.toml").read_text("utf-8")
)
PARENTS = (-1, 0, 0, 1, 1)
LOSS, RETRIES, PLACES, UP_S, DOWN_S = 0.05, 3, 2, 7.0, 9.0
SLOTFRAME, SLOT_S = 101, 0.01
NOTHING = Estimate(0.0, 0.0, 0.0)
FRAME = CarriedFrame(79, 2720.0, 352.0, 4704.0, LOSS, LOSS, NOTHING, NOTHING)


def in_slots() -> tuple[Access, Slots]:
    """A slotframe of 1.01 s with one cell each way, anywhere in it."""
    access = FOOTBRIDGE.access
    assert access is not None
    assert access.slots is not None
    slots = replace(access.slots, slotframe=SLOTFRAME, cells=1, cells_down=1, order="random")
    return replace(access, retries=RETRIES, slots=slots), slots


def both_ways(every_s: float = UP_S, down_s: float = DOWN_S) -> Traffic:
    """Two nodes near the root, two behind the first of them; each sends up, and is sent something."""
    tree = Tree(("root", "1", "2", "3", "4"), PARENTS, 1, 2, all_send=True)
    nodes = tuple(range(1, len(PARENTS)))
    streams = (
        MessageStream("up", "report", "up", every_s, 1, every_s, nodes, (FRAME,), (FRAME,)),
        MessageStream("down", "command", "down", down_s, 1, down_s, nodes, (FRAME,), (FRAME,)),
    )
    return Traffic(tree, streams, (), ())


# --- a simulation that knows nothing of ours --------------------------------------------------------------------------


class Item(NamedTuple):
    """A message: which way, of or for which node, when it was made; of the burst its number."""

    up: bool
    node: int
    made: float
    number: int = -1


Step = tuple[bool, int]  # up or down, and the child of the link


def simulated(
    shared: bool, seed: int, seconds: float, burst: tuple[int, float, float] = (0, 1.0, 0.0)
) -> Iterator[tuple[Item, bool, bool]]:
    """Yield each message, whether it arrived, and whether it found no place. ``burst``: packets of node 3, gap, begin.

    One cell of each link after the other, in the order of the slotframe.
    """
    random = Random(seed)
    nodes = range(1, len(PARENTS))
    queues: dict[Step, deque[Item]] = {step: deque() for step in product((True, False), nodes)}
    cells = sorted((random.randrange(SLOTFRAME) * SLOT_S, step) for step in queues)
    coming = [
        Item(up, node, at)
        for up, node in product((True, False), nodes)
        for at in poisson(random, UP_S if up else DOWN_S, seconds)
    ]
    packets, gap, begin = burst
    begin += random.random() * SLOTFRAME * SLOT_S
    coming += [Item(True, 3, begin + number * gap, number) for number in range(packets)]
    coming.sort(key=lambda one: -one.made)
    tries: Counter[Step] = Counter()
    had: set[Step] = set()

    def sender(step: Step) -> int:
        return step[1] if step[0] else PARENTS[step[1]]

    def joins(item: Item, step: Step) -> bool:
        alike = [one for one in queues if sender(one) == sender(step)] if shared else [step]
        if sum(len(queues[one]) for one in alike) >= PLACES:
            return False
        queues[step].append(item)
        return True

    def next_of(item: Item, at: int) -> Step | None:
        """Return the link that a message takes from a node, None where it is there."""
        if item.up:
            return (True, at) if at else None
        node = item.node
        if node == at:
            return None
        while PARENTS[node] != at:
            node = PARENTS[node]
        return False, node

    begins = 0.0
    while coming or any(queues.values()):
        for after, step in cells:
            now = begins + after
            while coming and coming[-1].made <= now:
                item = coming.pop()
                first = next_of(item, item.node if item.up else 0)
                assert first is not None
                if not joins(item, first):
                    yield item, False, True
            queue = queues[step]
            if not queue:
                continue
            item = queue[0]
            tries[step] += 1
            received = random.random() >= LOSS
            known = received and random.random() >= LOSS
            is_new = received and step not in had
            if is_new:
                had.add(step)
            if known or tries[step] > RETRIES:
                queue.popleft()
                if step not in had:
                    yield item, False, False
                tries[step] = 0
                had.discard(step)
            if is_new:
                then = next_of(item, PARENTS[step[1]] if step[0] else step[1])
                if then is None:
                    yield item, True, False
                elif not joins(item, then):
                    yield item, False, True
        begins += SLOTFRAME * SLOT_S


def poisson(random: Random, every_s: float, until_s: float) -> Iterator[float]:
    at = random.expovariate(1 / every_s)
    while at < until_s:
        yield at
        at += random.expovariate(1 / every_s)


# --- slots ------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("shared", [True, False])
def test_usual_messages_find_the_places_that_a_simulation_leaves_them(shared: bool) -> None:
    """Two places in each node, messages both ways: what is refused over each number of hops, within both half-widths.

    Where all neighbours of a node share its places, what goes up takes them from what goes down: more is refused than
    where each neighbour has so many.
    """
    access, slots = in_slots()
    traffic = both_ways()
    nodes = loads(traffic, RETRIES + 1)
    play = PlayedSlots(
        traffic, nodes, access, slots, None, SendQueue(PLACES, shared), None, 1, 30_000
    )
    for _ in range(4):
        play.play()  # cells are others in each run, of which twenty are a round
    streams = play.streams()
    counts: dict[tuple[bool, int], list[tuple[int, int]]] = {}
    for seed in range(80):
        found: dict[tuple[bool, int], list[bool]] = {}
        for item, _, refused in simulated(shared, seed, 1000.0):
            hop = 1 if PARENTS[item.node] == 0 else 2
            found.setdefault((item.up, hop), []).append(refused)
        for key, each in found.items():
            counts.setdefault(key, []).append((sum(each), len(each)))
    for (up, hop), runs in counts.items():
        share, half = share_of_runs(runs)
        way = ("up", "report", "up") if up else ("down", "command", "down")
        told = streams[(*way, hop)]
        assert abs(1 - told.queued - share) < 1.3 * hypot(half, told.half_width)
        assert hypot(half, told.half_width) < 0.015


def test_a_burst_finds_the_places_that_a_simulation_leaves_it() -> None:
    """Four packets of a node at hop 2, one a second, among messages both ways: how many arrive, within four errors."""
    access, _ = in_slots()
    traffic, burst = both_ways(), Burst("b", "up", 4, 30, 1.0, None, None)
    means = {}
    for shared in (True, False):
        design = replace(
            FOOTBRIDGE, access=access, loss=None, queue=SendQueue(PLACES, shared), tree=traffic.tree
        )
        frames = ((FRAME,), (FRAME,))
        ours = [
            sum(at is not None for at in run.arrived_s)
            for run in slot_runs(
                design, traffic, (3, 1, 0), frames, burst, range(400), 1, keeps_queues=False
            )
        ]
        theirs = [
            sum(there for item, there, _ in simulated(shared, seed, 40.0, (4, 1.0, 30.0)) if item.number >= 0)
            for seed in range(400)
        ]  # fmt: skip
        error = hypot(stdev(ours), stdev(theirs)) / 20
        assert abs(fmean(ours) - fmean(theirs)) < 4 * error
        means[shared] = fmean(ours)
    assert means[True] < means[False] - 0.2


def test_places_that_two_links_share_by_hand() -> None:
    """One place, a frame for each of two links at once: the second finds none; each with its own, both go.

    What comes to a link whose holder has no place is refused though nothing waits for that link, and what comes when
    the other frame is gone finds the place again.
    """
    coming = [Arrival(at_s, (link,)) for at_s, link in ((0.0, 0), (0.0, 1), (2.0, 1))]
    for holder, lost in ((7, (None, "queue", None)), (None, (None, None, None))):
        links = [SlotLink((cell,), holder=holder) for cell in (1, 3)]
        found = run_slots(coming, links, slotframe=4, slot_s=1.0, attempts=1, places=1, seed=1)
        assert found.lost == (lost if holder else (None, None, "queue"))
    # two frames of a message take two places, of which one is taken
    coming = [Arrival(0.0, (0,)), Arrival(0.0, (1,), frames=2)]
    links = [SlotLink((1,), holder=0), SlotLink((3,), holder=0)]
    for places, second in ((2, "queue"), (3, None)):
        found = run_slots(coming, links, slotframe=4, slot_s=1.0, attempts=1, places=places, seed=1)
        assert found.lost == (None, second)


def test_a_tree_is_idle_where_no_node_is_full() -> None:
    """A message in 100 slotframes of each link is 1 %; the root sends over two, of which one carries three.

    With one place 1.01 s * 4 / 101 s, about 4 % of the time, the place of the root is taken: too often to be as good
    as empty, though each link by itself is. With places of their own the links are idle at a tenth of it.
    """
    access, slots = in_slots()
    traffic = both_ways(1e6, 101.0)
    nodes = loads(traffic, RETRIES + 1)
    full = full_nodes(
        nodes, node_queues(nodes, access, SendQueue(1, shared=True)), SendQueue(1, shared=True)
    )
    # 4 frames in 101 s, each there for half a slotframe and 1 / 0.95^2 - 1 tries more
    waits_s = (0.5 + 1 / 0.95**2 - 1) * slots.slotframe_s
    assert full[0] == pytest.approx(4 * waits_s / 101, rel=0.8)
    for (places, shared), is_idle in {
        (1, True): False,
        (16, True): True,
        (16, False): True,
    }.items():
        rare = both_ways(1e6, 505.0)
        play = PlayedSlots(
            rare, loads(rare, RETRIES + 1), access, slots, None, SendQueue(places, shared), None, 1, 1000
        )  # fmt: skip
        assert play.is_idle is is_idle


DOWN = """
[[flow]]
name = "down"
source = "gate"
destination = "probe"
hops = 3
source_port = 0xf0b1
destination_port = 0xf0b2
messages = ["reading"]
every_s = {0}
"""


def test_a_design_says_who_shares_places() -> None:
    """Readings up and down, two places in each node: more is refused where all its neighbours share them."""
    tables = "[tree]\nby_hop = [2, 2, 2]\n[queue]\nframes = 2\nshared = {0}\n"
    for text, every_s in (
        (slotted("cells_down = 1", tables, "every_s = 12", to="gate"), 12),
        (heard(tables, "every_s = 0.3", to="gate"), 0.3),
    ):
        shared, own = (
            places_found(text.replace("{0}", flag) + DOWN.format(every_s))
            for flag in ("true", "false")
        )
        assert len(shared) == 6
        assert fmean(shared) < fmean(own) - 0.002


def places_found(text: str) -> list[float]:
    """Return what arrives of each kind, in slots that of it which finds a place in every queue."""
    design = parse_design(text)
    assert design.access is not None
    found = judged(design, design.access, airtime(design), 1, 20_000).services
    return [(one.delivered if one.queued is None else one.queued) or 0.0 for one in found]


def test_a_node_that_others_fill_is_found_out() -> None:
    """One place, a reading of nine nodes each 300 s, and one to each of them in 12 s: commands that wait for a cell.

    A reading in 33 s by itself finds the place taken once in sixty times: 0.5 s of 33 s. The root brings up to one
    frame a cell, of which each waits for about half a slotframe: a quarter of the readings finds a shared place taken.
    """
    tables = (
        "[tree]\nby_hop = [1, 8]\n[queue]\nframes = 1\nshared = {0}\n[limits]\ndelivery = 0.85\n"
    )
    text = slotted("cells_down = 1", tables, "every_s = 300", to="gate") + DOWN.format(12)
    for flag, told in (("true", True), ("false", False)):
        found = review(parse_design(text.replace("{0}", flag).replace("hops = 3", "hops = 2")))
        assert any(one.name == "queue-overflows" for one in found) is told


# --- nodes that listen first ------------------------------------------------------------------------------------------

RULES = CsmaRules(3, 5, 4, 3, 320, 128, 192, 864, 640)  # as in test_contention


def test_each_receiver_has_places_of_its_own_on_the_air() -> None:
    """One place, two messages at once to two receivers, then one more to the first: by hand.

    Shared, the first alone has a place. Else one for each receiver has, and the third finds that of its receiver taken.
    """
    near = ((1, 2), (0, 2), (0, 1))
    frame = SimulatedFrame(85 * 32, 11 * 32)
    sendings = [Sending((0, to), inf, (frame,)) for to in (1, 2)]
    for shared, refused in ((True, 2), (False, 1)):
        air = Air(RULES, HearingRanges(near, near), sendings, SendQueue(1, shared), 1, None)
        air.plan(0, [0.0])
        air.plan(1, [0.0])
        air.plan(0, [0.0])
        air.play()
        assert air.log.lost["queue"] == refused
        # what is gone leaves its place
        air.plan(0, [0.0])
        air.play()
        assert air.log.lost["queue"] == refused


def test_two_receivers_lose_less_with_places_of_their_own() -> None:
    """Frames to two receivers, a place each or one for both, on a channel that nobody else uses.

    A frame is there for a while of which 20 % is used: with one place for both at least as much is refused as of
    Erlang's loss formula for one server (B = a / (1 + a)), with a place each less.
    """
    near = ((1, 2), (0, 2), (0, 1))
    frame = SimulatedFrame(85 * 32, 11 * 32)
    # backoff on average, CCA, turnaround, frame, turnaround, acknowledgement
    there_s = (3.5 * 320 + 128 + 192 + 2720 + 192 + 352) / 1e6
    sendings = [Sending((0, to), there_s / 0.1, (frame,)) for to in (1, 2)]
    shares = {}
    for shared in (True, False):
        found = simulate_csma(
            RULES, HearingRanges(near, near), sendings, places=1, shared=shared, seed=3, seconds=400.0
        )  # fmt: skip
        shares[shared] = found.lost["queue"] / found.messages
    assert shares[True] == pytest.approx(0.2 / 1.2, rel=0.05)
    assert shares[False] < shares[True] * 0.8
