"""Formulas of a plan against closed forms, in networks so small that a pencil gives their numbers."""

from collections.abc import Sequence
from itertools import product
from math import comb, exp, hypot, inf, isclose, sqrt
from pathlib import Path
from random import Random
from statistics import NormalDist

import pytest
from findings.cases_deployment import slotted
from hypothesis import given
from hypothesis import strategies as st
from simulation.slotted import path

from lowpanbudget import parse_design
from lowpanbudget.deployment.airtime import airtime
from lowpanbudget.deployment.burst import carry_burst
from lowpanbudget.deployment.carry import carry, judged
from lowpanbudget.deployment.confidence import mean_of_runs, share_of, share_of_runs
from lowpanbudget.deployment.contention import simulate_csma
from lowpanbudget.deployment.contention_messages import MessageLog, MovingMessage
from lowpanbudget.deployment.contention_rules import (
    CsmaRules,
    HearingRanges,
    Sending,
    SimulatedFrame,
)
from lowpanbudget.deployment.delays import delays
from lowpanbudget.deployment.delivery import LossStates, delivered_in_runs
from lowpanbudget.deployment.family import tails
from lowpanbudget.deployment.link_checks import link_checks
from lowpanbudget.deployment.link_queue import link_queue, poisson
from lowpanbudget.deployment.load import loads
from lowpanbudget.deployment.measured import MeasuredLink, MeasuredNode, PlanVerdict
from lowpanbudget.deployment.node_queues import node_queues
from lowpanbudget.deployment.plan_checks import delivery, node_checks
from lowpanbudget.deployment.slot_latency import path_latency
from lowpanbudget.deployment.slot_play import PlayedSlots, PlayedStream
from lowpanbudget.deployment.slot_run import Arrival, SlotLink, run_slots
from lowpanbudget.deployment.slot_service import in_time_least, slot_services
from lowpanbudget.deployment.traffic import CarriedFrame, MessageStream, Traffic, traffic_of
from lowpanbudget.design.access import Access, Slots
from lowpanbudget.design.estimate import Estimate
from lowpanbudget.design.tree import Tree
from lowpanbudget.design.waiting import SendQueue
from lowpanbudget.values import replace

EXAMPLES = Path(__file__).parents[2] / "examples"
FOOTBRIDGE, ARCHIVE = (
    parse_design((EXAMPLES / f"{name}.toml").read_text("utf-8")) for name in ("footbridge", "archive")
)  # fmt: skip
NOTHING = Estimate(0.0, 0.0, 0.0)
CHAIN = Tree(("root", "1", "2"), (-1, 0, 1), 1, 2, all_send=True)


def in_slots(retries: int) -> tuple[Access, Slots]:
    """A slotframe of 1.01 s with one cell each way, and so many retries."""
    access = FOOTBRIDGE.access
    assert access is not None
    assert access.slots is not None
    slots = replace(access.slots, cells=1, cells_down=1)
    return replace(access, retries=retries, slots=slots), slots


def carried(
    senders: Sequence[int], every_s: float, *, frames: int = 1, loss: float = 0.0, answer_loss: float = 0.0
) -> Traffic:  # fmt: skip
    frame = CarriedFrame(79, 2720.0, 352.0, 4704.0, loss, answer_loss, NOTHING, NOTHING)
    sent = (frame,) * frames
    stream = MessageStream("up", "report", "up", every_s, 1, every_s, tuple(senders), sent, sent)
    return Traffic(CHAIN, (stream,), (), ())


def test_what_links_carry_downward_by_hand() -> None:
    """Over two hops, both nodes a message each 10 s; the first link has it as it begins, the second as it is passed on.

    A quarter of the frames is lost: two attempts are 1 + 1/4 tries, of which 1 - 1/16 come and are acknowledged.
    """
    begins, passed_on = (
        CarriedFrame(79, air_us, answer_us, 0.0, 0.25, 0.0, NOTHING, NOTHING)
        for air_us, answer_us in ((1000.0, 100.0), (3000.0, 500.0))
    )
    stream = MessageStream(
        "down", "command", "down", 10.0, 1, 10.0, (1, 2), (begins,), (passed_on,)
    )
    near, far = (node.down for node in loads(Traffic(CHAIN, (stream,), (), ()), 2)[1:])
    assert near.tries_per_s == pytest.approx(2 * 1.25 / 10)
    assert near.air == pytest.approx(2 * 1.25 * 1000e-6 / 10)
    assert near.answer_air == pytest.approx(2 * (1 - 1 / 16) * 100e-6 / 10)
    assert far.tries_per_s == pytest.approx(1.25 / 10)
    assert far.air == pytest.approx(1.25 * 3000e-6 / 10)
    assert far.answer_air == pytest.approx((1 - 1 / 16) * 500e-6 / 10)


@pytest.mark.parametrize("attempts", [1, 3])
def test_tries_end_after_so_many(attempts: int) -> None:
    """All frames lost, then all acknowledgements alone: each time so many tries, in the second case it is there."""
    for link, arrived, lost in (
        (SlotLink((0,), 1.0), None, "link"),
        (SlotLink((0,), 0.0, 1.0), 1.0, None),
    ):
        found = run_slots(
            [Arrival(0.0, (0,))], [link], slotframe=1, slot_s=1.0, attempts=attempts, places=1, seed=1
        )  # fmt: skip
        assert (found.transmissions, found.arrived_s, found.lost) == (attempts, (arrived,), (lost,))


def test_what_comes_at_the_end_of_a_time_is_counted_in_the_next() -> None:
    """Messages at 0, 10 and 20 s: one in each 10 s, whichever part of a run is counted."""
    arrivals = [Arrival(at_s, (0,)) for at_s in (0.0, 10.0, 20.0)]
    for counted_s, came in (((0.0, 10.0), 1), ((10.0, 20.0), 1), ((0.0, inf), 3)):
        found = run_slots(
            arrivals, [SlotLink((0,))], slotframe=1, slot_s=1.0, attempts=1, places=4, seed=1, counted_s=counted_s
        )  # fmt: skip
        assert found.queues[0].came == came


def test_a_node_passes_on_what_comes_one_frame_a_cell_at_most() -> None:
    """One frame in 4.04 s, a cell each 1.01 s: in a quarter of the cells one comes, and is gone with the next.

    Poisson's process would bring two at once now and then; a cell of the child does not. With losses the first frame is
    tried again: then the queue is that of its link alone, which is tested against its chain.
    """
    for loss, retries, places in ((0.0, 3, 16), (0.3, 1, 16), (0.3, 1, 2)):
        access, slots = in_slots(retries)
        nodes = loads(carried((2,), 4 * slots.slotframe_s, loss=loss), retries + 1)
        one, two = (
            queues.up for queues in node_queues(nodes, access, SendQueue(places, shared=False))[1:]
        )
        assert one is not None
        assert two is not None
        for found, arrivals in ((one, (0.75, 0.25)), (two, poisson(0.25))):
            link = link_queue(arrivals, 1 - loss, retries + 1, places)
            # what comes between two cells comes half a cell before the next one on average
            wait = link.mean_wait - 0.5
            assert isclose(found.frames, link.mean_frames * wait / link.mean_wait, rel_tol=1e-6)
            assert isclose(found.wait_s, wait * slots.slotframe_s, rel_tol=1e-6)
            assert isclose(found.full, link.full, rel_tol=1e-6, abs_tol=1e-12)
        if not loss:
            assert isclose(one.frames, 0.25 / 2, rel_tol=1e-9)
            assert isclose(one.wait_s, slots.slotframe_s / 2, rel_tol=1e-9)
            assert isclose(one.adds_s, 0.0, abs_tol=1e-9)


def test_what_ends_at_a_parent_is_not_passed_on() -> None:
    """Keep-alives go one hop: relay and leaf have queues alike; of readings beside them the relay passes on its share.

    A link that tries once succeeds with 0.95 (frame) x 0.95 (its acknowledgement). Cells come each 1.01 s, Poisson's
    arrivals 0.5 a cell: at a cell 0.5 (1 - 0.5 / 2) / (0.95^2 - 0.5) frames wait in the long run, by hand from the
    balance of first and second moments (common practice, no source), and half of the 0.5 were not there from the last
    cell on.
    """
    access, slots = in_slots(7)
    traffic = carried((1, 2), 2 * slots.slotframe_s, loss=0.05, answer_loss=0.05)
    alone = replace(traffic, streams=tuple(replace(one, way="parent") for one in traffic.streams))
    nodes = loads(alone, 8)
    queues = [one.up for one in node_queues(nodes, access, SendQueue(64, shared=False))[1:]]
    assert [one.behind for one in nodes[1:]] == [1, 0]
    frames = 0.5 * (1 - 0.5 / 2) / (0.95**2 - 0.5) - 0.25
    for queue in queues:
        assert queue is not None
        assert isclose(queue.frames, frames, rel_tol=0.01)
    played = PlayedSlots(
        alone, nodes, access, slots, None, SendQueue(16, shared=False), None, 1, 20_000
    )
    played.play()
    for node in played.queues()[1:]:
        assert node.up is not None
        assert isclose(node.up.frames, frames, rel_tol=0.15)


def test_what_waits_as_a_run_begins_goes_where_its_link_sends() -> None:
    """A leaf sends ten keep-alives to its parent for each reading to the root."""
    access, slots = in_slots(3)
    traffic = carried((1, 2), 2 * slots.slotframe_s)
    (usual,) = traffic.streams
    streams = (replace(usual, way="parent"), replace(usual, every_s=usual.every_s * 10))
    both = replace(traffic, streams=streams)
    played = PlayedSlots(
        both, loads(both, 4), access, slots, None, SendQueue(16, shared=False), None, 1, 20_000
    )
    begun = (one for seed in range(200) for one in played.waiting(Random(seed)))
    ways = [one.way for one in begun if one.way[0] == 2]
    assert set(ways) == {(2,), (2, 1)}
    assert 0.85 < ways.count((2,)) / len(ways) < 0.96  # 10 / 11


def test_several_frames_wait_for_each_others_acknowledgements() -> None:
    """A try succeeds with 0.9 x 0.8 = 0.72; two tries for each of two frames: (1 - 0.28^2)^2 over one hop."""
    access, slots = in_slots(1)
    traffic = carried((1,), 60.0, frames=2, loss=0.1, answer_loss=0.2)
    queues = node_queues(loads(traffic, 2), access, SendQueue(4, shared=False))
    (service,) = slot_services(traffic, access, slots, None, None, queues, {})
    assert service.delays is not None
    assert isclose(service.delays.delivered, (1 - 0.28**2) ** 2, rel_tol=1e-9)
    # what is there without an acknowledgement is there: (1 - 0.1^2)^2
    assert isclose(service.delivered or 0, 0.99**2, rel_tol=1e-9)


def played(
    traffic: Traffic, access: Access, slots: Slots, places: int, transmissions: int, *, seed: int = 1,
    within_s: float | None = None,
) -> PlayedSlots:  # fmt: skip
    """One round of a tree in slots."""
    nodes = loads(traffic, access.retries + 1)
    play = PlayedSlots(
        traffic, nodes, access, slots, None, SendQueue(places, shared=False), within_s, seed, transmissions
    )  # fmt: skip
    play.play()
    return play


def test_a_played_queue_tries_as_often_as_is_planned() -> None:
    """No retries, half of the frames lost, whichever gaps are before them: M/D/1 and half a slotframe to the cell."""
    access, slots = in_slots(0)
    traffic = carried((1,), 8 * slots.slotframe_s, loss=0.5)
    found = played(traffic, access, slots, 16, 20_000).streams()["up", "report", "up", 1]
    assert found.queued == 1
    # one frame in eight slotframes: behind others for 1/8 / (2 - 2/8) of a slotframe
    waits = 0.5 + 0.125 / (2 * (1 - 0.125))
    slot_s = slots.template.length / 1e6
    assert found.mean_s == pytest.approx(waits * slots.slotframe_s + slot_s, rel=0.05)


def test_a_hundred_messages_of_a_queue_say_something() -> None:
    """What is told was met by a hundred or more, and by as many as came behind the beginning."""
    access, slots = in_slots(0)
    traffic = carried((1,), 8 * slots.slotframe_s)
    told = [played(traffic, access, slots, 16, count, seed=5).streams() for count in range(90, 140)]
    counts = [one.messages for streams in told for one in streams.values()]
    assert {len(streams) for streams in told} == {0, 1}
    assert 100 <= min(counts) <= 102


def test_what_is_rare_goes_by_what_finds_the_same_queues() -> None:
    """One alarm in a thousand reports over the same hop is told as the reports are; one of two frames is not."""
    access, slots = in_slots(0)
    (report,) = carried((1,), 4 * slots.slotframe_s).streams
    rare = [replace(report, message=f"rare {frames}", every_s=1000 * report.every_s, first=report.first * frames)
            for frames in (1, 2)]  # fmt: skip
    traffic = Traffic(CHAIN, (report, *rare), (), ())
    told = played(traffic, access, slots, 16, 4000).streams()
    assert {key[1] for key in told} == {"report", "rare 1"}
    often, seldom = (told["up", name, "up", 1] for name in ("report", "rare 1"))
    assert seldom.messages >= often.messages
    assert seldom.mean_s == pytest.approx(often.mean_s, rel=0.01)


def test_tries_of_which_the_acknowledgement_alone_is_lost() -> None:
    """A quarter of the frames is lost, then a third of the acknowledgements: a quarter and a quarter of one try."""
    nodes = loads(carried((1,), 10.0, loss=0.25, answer_loss=1 / 3), 1)
    assert nodes[1].up.lost_per_s == pytest.approx(0.25 / 10)
    assert nodes[1].up.silent_per_s == pytest.approx(0.25 / 10)
    assert nodes[1].up.answer_loss == pytest.approx(1 / 3)


def test_a_kind_of_which_ten_were_refused_goes_by_itself() -> None:
    """Ten tell something of their kind: our choice. Of nine the queues say it, which one report an hour never fills."""
    access, slots = in_slots(0)
    traffic = carried((1,), 3600.0)
    queues = node_queues(loads(traffic, 1), access, SendQueue(4, shared=False))
    shares = []
    for refused in (9, 10):
        told = PlayedStream(20, refused, 0.5, 0.2, None, 1.0, 0.1, None, 0.0, (), 0.5, 0.2)
        (service,) = slot_services(
            traffic, access, slots, None, None, queues, {("up", "report", "up", 1): told}
        )
        shares.append(service.queued)
    assert shares == [pytest.approx(1.0, abs=1e-6), 0.5]


def test_no_more_is_in_time_than_arrives() -> None:
    """None of 200 that were played was lost, of a link that loses 1 % for good: 99 % can be in time, and no more."""
    access, slots = in_slots(0)
    traffic = carried((1,), 60.0, loss=0.01)
    queues = node_queues(loads(traffic, 1), access, SendQueue(4, shared=False))
    told = PlayedStream(200, 0, 1.0, 0.0, None, 1.0, 0.1, 1.0, 0.01, (), 1.0, 0.0)
    key = ("up", "report", "up", 1)
    (service,) = slot_services(traffic, access, slots, None, 10.0, queues, {key: told})
    assert service.in_time == pytest.approx(0.99, abs=1e-4)


def test_queues_of_a_path_are_what_a_simulation_gives_that_knows_nothing_of_them() -> None:
    """A chain of three, 85 % of the last cells used, four places: what is refused, where, and what is there in time.

    Each queue by itself is too kind: what a queue sends comes in rows. Within the half-widths of both, at fixed seeds.
    """
    access, slots = in_slots(3)
    chain = Tree(("root", "1", "2", "3"), (-1, 0, 1, 2), 1, 2, all_send=True)
    every_s, places, within_s = 4.4, 4, 3.0
    stream = carried((1, 2, 3), every_s, loss=0.1, answer_loss=0.1).streams[0]
    traffic = Traffic(chain, (stream,), (), ())
    play = played(traffic, access, slots, places, 60_000, within_s=within_s)
    streams, queues = play.streams(), play.queues()

    seconds, hops = 1500.0, (1, 2, 3)
    full: list[tuple[float, int]] = []
    refused, late = ({hop: list[tuple[float, int]]() for hop in hops} for _ in range(2))
    came = {hop: list[list[float]]() for hop in hops}
    for seed in range(8):
        network = path([[1], [2], [3]], seed, success=0.9, ack_loss=0.1, places=places)
        for node in range(3):
            network.poisson(node, every_s, seconds)
        packets = network.run(seconds + 300)
        for hop in hops:
            mine = [one for one in packets if one.origin == 3 - hop]
            refused[hop].append((sum(one.lost == "queue" for one in mine), len(mine)))
            there = [one.arrived - one.made for one in mine if one.arrived is not None]
            late[hop].append((sum(one <= within_s for one in there), len(mine)))
            came[hop].append(there)
        full.append((network.refused[2], network.offered[2]))
    for hop in hops:
        told = streams["up", "report", "up", hop]
        share, half = share_of_runs(refused[hop])
        assert abs(1 - told.queued - share) < 2 * hypot(half, told.half_width)
        share, half = share_of_runs(late[hop])
        assert told.in_time is not None
        assert abs(told.in_time - share) < 2 * hypot(half, told.in_time_half_width)
        # of the simulation's times so many lie before each end of a range that the quantile lies between them
        for known in told.ranges:
            assert known.most_s is not None
            for end_s, sign in ((known.least_s, 1), (known.most_s, -1)):
                before = [(sum(one <= end_s for one in there), len(there)) for there in came[hop]]
                share, half = share_of_runs(before)
                assert sign * (share - known.part) < half
    share, half = share_of_runs(full)
    found = queues[1].up
    assert found is not None
    assert abs(found.full - share) < 2 * hypot(half, found.half_width)
    alone = node_queues(loads(traffic, 4), access, SendQueue(places, shared=False))[1].up
    assert alone is not None
    assert alone.full + found.half_width < found.full


SLOTS_KEY = "[access]\n"


def line(nodes: int) -> Tree:
    names = ("root", *(f"{node}.1" for node in range(1, nodes)))
    return Tree(names, tuple(range(-1, nodes - 1)), 1, 2, all_send=True)


def test_where_more_comes_than_cells_carry_as_much_arrives_as_they_carry() -> None:
    """Four nodes, a message each 2 s of each, one cell in 1.01 s and no loss: 1 / 1.01 of the 2 a second arrive.

    The queue of the last node has no more frames than places, and is full of others nine times in ten and more.
    """
    access, slots = in_slots(3)
    traffic = replace_tree(carried((1, 2, 3, 4), 2.0), line(5))
    play = played(traffic, access, slots, 8, 20_000)
    told = play.streams()
    share = sum(one.queued for one in told.values()) / 4
    half = max(one.half_width for one in told.values())
    assert share == pytest.approx(1 / slots.slotframe_s / 2, abs=half)
    assert half < 0.1
    last = play.queues()[1].up
    assert last is not None
    assert 7 < last.frames <= 8
    # however short, and full all the time: what is counted are whole slots
    traffic = replace_tree(carried((1, 2, 3, 4), 0.01), line(5))
    for count in (20, 21, 23):
        for one in played(traffic, access, slots, 2, count).queues():
            assert one.up is None or one.up.frames <= 2 + 1e-9


def replace_tree(traffic: Traffic, tree: Tree) -> Traffic:
    return Traffic(tree, traffic.streams, (), ())


def test_a_queue_that_only_grows_brings_nothing_in_time() -> None:
    """Without an end, and a message each 2 s of two nodes for one cell in 2.02 s: what waits waits ever longer."""
    text = slotted(
        "slotframe = 202", "[tree]\nby_hop = [1, 1]\n[limits]\nlatency_s = 900\n", "every_s = 2.5"
    )
    network = carry(parse_design(text.replace("hops = 3", "hops = 2")))
    near, far = sorted(network.services, key=lambda one: one.hop)
    for one in (near, far):
        assert (one.latency, one.in_time) == (None, 0)
    shares = [(one.queued or 0) for one in (near, far)]
    half = max(near.half_width, far.half_width)
    assert sum(shares) / 2 == pytest.approx(2.5 / 2.02 / 2, abs=half)
    first = next(node for node in network.nodes if node.name == "1.1")
    assert (first.queue_frames, first.queue_full) == (None, None)


@pytest.mark.parametrize(("within_s", "in_time"), [(900, 0), (150_000, None)])
def test_places_that_only_days_fill_hold_up_nothing(within_s: int, in_time: float | None) -> None:
    """As above, with 50 000 places: what waits when they are full waits for 50 000 cells of 2.02 s, 28 hours.

    In the long run no more goes than there are cells, 1 in 2.02 s of what comes 2 in 2.5 s, however many places.
    """
    text = slotted(
        "slotframe = 202",
        f"[tree]\nby_hop = [1, 1]\n[limits]\nlatency_s = {within_s}\n[queue]\nframes = 50000\n",
        "every_s = 2.5",
    )
    network = carry(parse_design(text.replace("hops = 3", "hops = 2")))
    near, far = sorted(network.services, key=lambda one: one.hop)
    assert {(one.latency, one.in_time, one.queue_s) for one in (near, far)} == {
        (None, in_time, None)
    }
    shares = [(one.queued or 0) for one in (near, far)]
    assert sum(shares) / 2 == pytest.approx(
        2.5 / 2.02 / 2, abs=max(near.half_width, far.half_width)
    )
    late = [check for check in network.checks if check.matter == "latency"]
    assert [check.half_width for check in late] == [0] * (in_time is not None)
    assert all("waits ever longer" in check.text for check in late)


def test_no_node_sends_more_often_than_it_has_cells() -> None:
    """Reports each half second of three nodes in a line, a cell each 1.01 s: a try in each, and answers in others."""
    text = slotted("", "[tree]\nby_hop = [1, 1, 1]\n[queue]\nframes = 4\n", "every_s = 0.5")
    design = parse_design(text)
    nodes = {node.name: node for node in carry(design).nodes}
    frames = {one.hop: one.frames[0].times for one in airtime(design) if one.flow == "up"}
    sent, answer = frames["forwarded"].on_air_us, frames["forwarded"].acknowledgement_us
    most = (sent + answer) / 1e6 / 1.01
    assert most * 0.97 < nodes["1.1"].duty_cycle <= most
    assert nodes["3.1"].duty_cycle <= frames["first"].on_air_us / 1e6 / 1.01


def test_all_frames_of_a_message_want_places_at_once() -> None:
    """Five frames and four places: none arrives, however rarely it is sent."""
    tables = "[tree]\nby_hop = [1, 1, 1]\n[queue]\nframes = {0}\n"
    for places, queued in ((4, 0.0), (5, 1.0)):
        text = slotted("", tables.format(places), "every_s = 86400\nmost_frames = 5", octets=480)
        for one in carry(parse_design(text)).services:
            assert one.frames == 5
            assert one.queued == pytest.approx(queued, abs=0.01)
            assert one.half_width < 0.01


def test_messages_over_many_hops_are_played_with_what_queues_add() -> None:
    """Thirty nodes in a line, a report each 38 s, eight tenths of the last cells used: as with every number of hops.

    Half a slotframe a hop is 15 s, and queues add some seconds.
    """
    tables = f"[tree]\nby_hop = {[1] * 30}\n[limits]\nlatency_s = 18\n"
    network = carry(
        parse_design(slotted("", tables, "every_s = 38").replace("hops = 3", "hops = 30"))
    )
    far = max(network.services, key=lambda one: one.hop)
    assert min(one.messages or 0 for one in network.services) >= 100
    assert far.delays is not None
    assert far.in_time is not None
    assert far.in_time + far.in_time_half_width < far.delays.within(18)
    assert "with empty queues" not in " ".join(check.text for check in network.checks)


def test_what_is_too_rare_to_be_played_is_open_where_queues_may_add_too_much(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Two frames once a day beside readings that take eight tenths of the last cells: yes or open by their limit.

    With empty queues six cells are enough without loss, 6.06 s; what queues add on average is some seconds more. No
    number of rounds would bring a hundred of them.
    """
    rounds: list[int] = []
    play = PlayedSlots.play

    def counted(self: PlayedSlots) -> None:
        rounds.append(1)
        play(self)

    monkeypatch.setattr(PlayedSlots, "play", counted)
    for latency_s, is_open in ((9, True), (900, False)):
        text = slotted("", f"[tree]\nby_hop = [1, 1, 1]\n[limits]\nlatency_s = {latency_s}\nlatency_share = 0.5\n",
                       "every_s = 3.8")  # fmt: skip
        flow = text[text.index("[[flow]]") : text.index("[[message]]")]
        message = text[text.index("[[message]]") : text.index(SLOTS_KEY)]
        rare = flow.replace('"up"', '"log"').replace("3.8", "86400\nmost_frames = 2")
        rare += message.replace("length = 19", "length = 150")
        text += rare.replace('"reading"', '"blob"')
        rounds.clear()
        network = carry(parse_design(text))
        seldom = [one for one in network.services if one.flow == "log"]
        assert {(one.messages, one.frames) for one in seldom} == {(None, 2)}
        assert (network.is_close, network.holds) == (is_open, not is_open)
        assert len(rounds) <= 2


def test_upkeep_that_nobody_asks_about_is_not_played_for() -> None:
    """Keep-alives of the node in the middle fill silences of 15 s: 0.4 / (e^6 - 1) a second, 33 in 33000 s of a round.

    In four rounds they would be a hundred, but all messages of the design are after one.
    """
    text = slotted("", "[tree]\nby_hop = [1, 1, 1]\n[upkeep]\nkeep_alive_s = 15\n", "every_s = 5")
    design = parse_design(text)
    assert design.access is not None
    assert design.access.slots is not None
    traffic = traffic_of(design, airtime(design))
    play = PlayedSlots(
        traffic, loads(traffic, 4), design.access, design.access.slots, None, None, None, 1, 40_000
    )
    play.play()
    kept = "upkeep", "keep-alive", "parent"
    assert {key for key in play.streams() if key[:3] == kept} == {(*kept, 3)}
    assert not play.tells_soon


SHARES = st.lists(st.floats(0.01, 1), min_size=1, max_size=6)


@given(SHARES, SHARES, st.integers(1, 12))
def test_what_is_in_time_at_least_whatever_queues_do(
    empty: list[float], queues: list[float], steps: int
) -> None:
    """Every wait in queues with its own chance: no fewer are in time than the bound says, which knows their mean."""
    import numpy as np

    shares, waits = np.array(empty) / sum(empty), np.array(queues) / sum(queues)
    together = np.convolve(shares, waits)[: steps + 1].sum()
    mean_s = float(waits @ np.arange(len(waits)))
    assert in_time_least(delays(1.0, shares), float(steps), mean_s) <= together + 1e-9
    assert in_time_least(delays(1.0, shares), 50.0, 0.0) == pytest.approx(1)


def test_a_mean_is_as_sure_as_runs_are_alike() -> None:
    """Student's t for 20 runs is 2.093 (tables): ten runs of ones, ten of threes, 2 +- 1.026 / sqrt(20) * 2.093."""
    mean, half = mean_of_runs([[1.0] * 7, [3.0] * 7] * 10)
    assert mean == 2
    assert half == pytest.approx(2.093 * sqrt(20 / 19) / sqrt(20), rel=1e-3)
    assert mean_of_runs([[]] * 20) == (0, 0)


def test_runs_of_a_simulation_are_as_sure_as_they_are_alike() -> None:
    """Student's t for 20 runs is 2.093 (tables): 10 runs without a loss, 10 with 20 of 1000, 10 +- 10.26 each."""
    share, half = share_of_runs([(0, 1000), (20, 1000)] * 10)
    assert share == 0.01
    assert half == pytest.approx(2.093 * (10 * sqrt(20 / 19)) / sqrt(20) / 1000, rel=1e-3)
    # all alike: what independent trials would leave open; none at all: the bound for none in so many
    assert share_of_runs([(10, 1000)] * 20)[1] == pytest.approx(
        1.96 * sqrt(0.01 * 0.99 / 20_000), rel=1e-3
    )
    assert share_of_runs([(0, 50)] * 20)[1] == pytest.approx(1 - 0.05 ** (1 / 1000))
    assert share_of_runs([(0, 0)] * 20) == (0.0, 1.0)


@pytest.mark.parametrize(("frames", "attempts"), [(1, 3), (2, 2)])
def test_latency_with_losses_in_runs_is_the_sum_over_every_case(frames: int, attempts: int) -> None:
    """Two links, unequal gaps between cells, each link's states step by step in every case; and what arrives at all."""
    states = LossStates(0.1, 0.7, 4.0, 0.3)
    cells, slotframe = ((0, 2), (3,)), 5
    found = path_latency(cells, slotframe, 1.0, [states, states], attempts, frames)
    expected: dict[int, float] = {}
    for begin in range(slotframe):
        for counts in product(range(1, attempts + 1), repeat=2 * frames):
            now, weight = begin, 1 / slotframe
            for link, own in enumerate(cells):
                mix, last = [0.7, 0.3], None
                for count in counts[link * frames : (link + 1) * frames]:
                    for number in range(1, count + 1):
                        while now % slotframe not in own:
                            now += 1
                        if last is not None:
                            keeps, whole = exp((last - now) / (4.0 * 0.7)), sum(mix)
                            mix = [
                                keeps * one + (1 - keeps) * part * whole
                                for one, part in zip(mix, (0.7, 0.3), strict=True)
                            ]
                        chances = (0.9, 0.3) if number == count else (0.1, 0.7)
                        mix = [one * chance for one, chance in zip(mix, chances, strict=True)]
                        last, now = now, now + 1
                weight *= sum(mix)
            expected[now - begin] = expected.get(now - begin, 0.0) + weight
    for steps, share in enumerate(found.shares):
        assert isclose(share, expected.get(steps, 0.0), abs_tol=1e-12)
    even = path_latency([(0,), (1,)], slotframe, 1.0, [states, states], attempts, frames)
    assert even.delivered == pytest.approx(delivered_in_runs(states, 5.0, attempts, frames) ** 2)


def test_where_none_is_lost_the_bound_is_that_of_none_in_so_many() -> None:
    """0 of n lost: less than 1 - 0.05^(1/n) of all, with 95 %."""
    near = HearingRanges(((1,), (0,)), ((1,), (0,)))
    rules = CsmaRules(3, 5, 4, 3, 320, 128, 192, 864, 640)
    sendings = [Sending((1, 0), 10.0, (SimulatedFrame(2720, 352),))]
    found = simulate_csma(rules, near, sendings, places=None, seed=1, seconds=3000)
    assert found.delivery == 1
    # each frame that is sent has a backoff, a CCA, an end
    assert found.events >= 3 * found.transmissions > 0
    assert found.half_width == pytest.approx(1 - 0.05 ** (1 / found.messages), rel=0.02)


def test_a_quiet_channel_delays_by_backoff_cca_turnaround_and_frame() -> None:
    """Half are there after the fifth of eight equal backoffs of 320 µs, 128 µs of CCA, 192 µs of turnaround.

    (IEEE 802.15.4-2020 6.2.5.1, 11.3, from memory.) Four eighths times what is not lost is below one half.
    """
    assert ARCHIVE.access is not None
    messages = airtime(ARCHIVE)
    network = judged(ARCHIVE, ARCHIVE.access, messages, 1, transmissions=300)
    stream = next(one for one in traffic_of(ARCHIVE, messages).streams if one.message == "climate")
    found = next(one for one in network.services if (one.message, one.hop) == ("climate", 1))
    assert found.quiet_latency is not None
    expected = (4 * 320 + 128 + 192 + stream.first[0].air_us) / 1e6
    assert found.quiet_latency.median_s == pytest.approx(expected, abs=1e-9)
    assert found.quiet == pytest.approx(1 - stream.first[0].loss ** 4, rel=1e-12)
    # what is there within the limit has arrived at all
    for one in network.services:
        assert (
            0
            <= (one.in_time or 0)
            <= ((one.delivered if one.in_runs is None else one.in_runs) or 0)
        )
    # sleeping children poll, and nobody else: those without children of their own
    polls = next(
        one for one in traffic_of(ARCHIVE, messages).streams if one.message == "data request"
    )
    children = traffic_of(ARCHIVE, messages).tree.children()
    assert polls.senders == tuple(node for node in range(1, len(children)) if not children[node])


@pytest.mark.parametrize("every_s", [10, 58, 600])
def test_keep_alives_fill_the_silences_of_messages_at_random(every_s: float) -> None:
    """A clock that every frame sets back, counted over 20 000 messages; of rare ones it sends one each 30 s."""
    random, silent_s, sent, last = Random(7), 30.0, 0, 0.0
    for _ in range(20_000):
        gap = random.expovariate(1 / every_s)
        sent, last = sent + int(gap / silent_s), last + gap
    tables = f"[tree]\nby_hop = [1, 1, 1]\n[upkeep]\nkeep_alive_s = {silent_s}\n"
    design = parse_design(slotted("", tables, f"every_s = {every_s}"))
    furthest = loads(traffic_of(design, airtime(design)), 4)[-1]
    assert furthest.fills_per_s == pytest.approx(sent / last, rel=0.05)


def test_what_a_parent_cannot_hold_counts_as_lost() -> None:
    """The share without a place is judged by the share that may be lost at all: 1 - 0.98."""
    assert ARCHIVE.access is not None
    assert ARCHIVE.limits is not None
    assert ARCHIVE.limits.delivery == 0.98
    down = ((f, replace(f, every_s=300.0)) for f in ARCHIVE.flows if f.name == "settings")
    design = ARCHIVE.with_flow(next(down)[1])
    network = judged(design, ARCHIVE.access, airtime(design), 1, transmissions=300)
    held = next(one for one in network.checks if one.matter == "held")
    assert held.allowed == pytest.approx(0.02)
    assert held.holds == (held.measured <= 0.02)


def test_ends_of_messages_are_kept_where_they_are_asked_for() -> None:
    for keeps, end in ((True, (None, "queue", 3)), (False, (None, "", -1))):
        log = MessageLog(1, keeps=keeps)
        message = MovingMessage(log.begin(), 0, 0.0)
        log.lose(message, "queue", 3)
        log.lose(message, "retries", 4)
        assert log.end(0) == end
        assert log.lost == {"access": 0, "retries": 0, "queue": 1}
        assert log.is_settled(0)


@pytest.mark.parametrize(
    ("count", "trials", "perhaps", "verdict", "unheard", "least"),
    [
        (299, 299, 0, PlanVerdict.WITHIN, "", 0.99),  # 0.99^299 is the first power below 0.05
        (298, 298, 0, PlanVerdict.OPEN, "", 0.99),
        (299, 299, 1, PlanVerdict.WITHIN, "", 0.99),
        (95, 100, 4, PlanVerdict.OPEN, "4 more perhaps unheard here", 0.99),
        (
            50,
            50,
            0,
            PlanVerdict.OPEN,
            "",
            1.0,
        ),  # no number of trials proves that all arrive, nor do these refute it
        (90, 100, 0, PlanVerdict.OUTSIDE, "", 0.99),
        (80, 100, 2, PlanVerdict.OUTSIDE, "2 more perhaps unheard here", 0.99),
    ],
)
def test_a_share_that_is_to_arrive(
    count: int, trials: int, perhaps: int, verdict: PlanVerdict, unheard: str, least: float
) -> None:
    found = delivery("readings", share_of(count, trials, perhaps), perhaps, least)
    assert found.verdict == verdict
    assert ("unheard" in found.why) == bool(unheard)
    assert unheard in found.why
    # where it is open, and so many more could tell
    needs = verdict is PlanVerdict.OPEN and least < 1
    assert ("299 without a loss would prove 0.99" in found.why) == needs


def test_flows_are_held_to_the_plan_together() -> None:
    """Of 300 messages 2 % are 6, and 11 or more are lost with a chance of 4 %: of twenty flows in every second capture.

    Holm's steps by hand: a twentieth of 5 % is 0.25 %, and 15 or more are lost with less.
    """

    def chance(lost: int) -> float:
        return sum(comb(300, k) * 0.02**k * 0.98 ** (300 - k) for k in range(lost, 301))

    def outside(*lost: int) -> list[str]:
        held = tails([chance(one) for one in lost])
        shares = [share_of(300 - one, 300) for one in lost]
        checks = [
            delivery("readings", share, 0, 0.98, tail, len(lost))
            for share, tail in zip(shares, held, strict=True)
        ]
        return [one.why for one in checks if one.verdict is PlanVerdict.OUTSIDE]

    assert 0.05 > chance(11) > 0.0025 > chance(15)
    assert len(outside(11)) == 1
    assert outside(11, *[6] * 19) == []
    (worst,) = outside(15, 11, *[6] * 18)
    assert "one-sided, 95 % for all 20 flows together" in worst


@pytest.mark.parametrize(
    ("answered", "trials", "verdict"),
    [(100, 100, PlanVerdict.WITHIN), (97, 100, PlanVerdict.OPEN), (80, 100, PlanVerdict.OUTSIDE)],
)
def test_what_a_link_loses(answered: int, trials: int, verdict: PlanVerdict) -> None:
    """Of 0 in 100 at most 1 - 0.025^(1/100) = 3.6 % are lost, of 100 in 100 none need be: Clopper and Pearson."""
    share = share_of(answered, trials)
    link = MeasuredLink(b"\0\1", b"\0\0", trials, 79.0, trials, 1, share, share, 0, share, 5, 0)
    design = FOOTBRIDGE
    assert design.loss is not None
    there, back = design.loss.of(79), design.loss.of(5)  # an immediate acknowledgement has 5 octets
    (found,) = link_checks(design, (link,))
    assert found.verdict == verdict
    assert found.planned == pytest.approx(there + back - there * back)
    if answered == trials:
        assert "0.0% to 3.6% fail" in found.why


def test_frames_that_meet_others_are_planned_where_the_channel_is_shared() -> None:
    """A third of a percent of 100,000 tries more than losses explain: four standard errors, and half of what is hit.

    In slots nobody is met. The archive's channel is played, as the second simulation in tests/simulation plays such.
    """
    for plan, verdict in ((ARCHIVE, PlanVerdict.WITHIN), (FOOTBRIDGE, PlanVerdict.OUTSIDE)):
        assert plan.loss is not None
        there, back = plan.loss.of(79), plan.loss.of(5)
        lost = there + back - there * back
        share = share_of(round(100_000 * (1 - lost - 0.0033)), 100_000)
        link = MeasuredLink(b"\0\1", b"\0\0", 1, 79.0, 100_000, 1, share, share, 0, share, 5, 0)
        (found,) = link_checks(plan, (link,))
        assert found.verdict is verdict
        if plan is ARCHIVE:
            assert lost + 0.003 < found.planned < lost + 0.02
            assert "that others hit" in found.why


def test_how_sure_a_played_burst_is() -> None:
    """Towards what is wanted the true share is no further off than 1.96 of the standard errors that it would have.

    Wilson, J. Am. Stat. Assoc. 22 (1927), from memory: the end of the interval is where the normal quantile is reached.
    """
    bursts = tuple(replace(one, all_in_s=14.0) for one in FOOTBRIDGE.bursts)
    assert FOOTBRIDGE.access is not None
    assert FOOTBRIDGE.access.slots is not None
    slots = replace(FOOTBRIDGE.access.slots, cells=12)
    design = replace(FOOTBRIDGE, bursts=bursts, access=replace(FOOTBRIDGE.access, slots=slots))
    runs = 20
    plan = carry_burst(design, "hundred", runs=runs)
    assert plan.all_in is not None
    towards = 1 if plan.all_in < plan.wanted else -1
    end = plan.all_in + towards * plan.half_width
    assert 0 < end < 1
    error = (end * (1 - end) / runs) ** 0.5
    assert plan.half_width == pytest.approx(NormalDist().inv_cdf(0.975) * error, rel=1e-4)


def test_frames_to_all_meet_as_in_slotted_aloha() -> None:
    """The share that meets another one is 1 - e^-G at G frames a cell (Roberts, 1972; any textbook on networks).

    G e^-G come through, most of them where one comes a cell.
    """
    assert FOOTBRIDGE.access is not None
    messages = airtime(FOOTBRIDGE)
    network = judged(FOOTBRIDGE, FOOTBRIDGE.access, messages, 1, transmissions=1000)
    shared = next(one for one in network.checks if one.matter == "shared")
    said = float(shared.text.partition(": ")[2].split()[0])
    assert said == pytest.approx(100 * (1 - exp(-shared.measured / shared.allowed)), rel=0.02)
    assert shared.text.endswith("; 1 a cell is allowed")
    assert FOOTBRIDGE.access.slots is not None
    assert shared.allowed == FOOTBRIDGE.access.slots.shared_cells


def test_the_longest_transmission_is_told_in_milliseconds() -> None:
    """133 octets at 250 kb/s take 4.256 ms (IEEE 802.15.4-2020 12.1, from memory): too long where 4 ms are allowed."""
    assert FOOTBRIDGE.limits is not None
    limits = replace(FOOTBRIDGE.limits, frame_ms=4.0, duty_cycle=None)
    node = MeasuredNode(b"\0\1", 1, 0, 127, 0.004256, 0.004256, None, None, 0, 0)
    (found,) = node_checks(limits, (node,))
    assert found.verdict == PlanVerdict.OUTSIDE
    assert found.seen == pytest.approx(4.256, rel=1e-9)
    assert "4.256 ms" in found.why
    assert not list(node_checks(replace(limits, frame_ms=4.256), (node,)))


@pytest.mark.parametrize("cells", [1, 4])
def test_what_a_node_uses_of_its_cells(cells: int) -> None:
    """Tries a second times the seconds of a slotframe, over its cells."""
    access = FOOTBRIDGE.access
    assert access is not None
    assert access.slots is not None
    access = replace(access, slots=replace(access.slots, cells=cells))
    design = replace(FOOTBRIDGE, access=access)
    network = judged(design, access, airtime(FOOTBRIDGE), 1, transmissions=1000)
    for node in network.nodes[1:]:
        assert node.used == pytest.approx(node.tries_per_s * 1.01 / cells, rel=1e-9)


@pytest.mark.parametrize(("bad_s", "share"), [(1.0, 1.0), (0.0, 0.5)])
def test_a_link_that_is_always_bad_or_never_for_long_forgets(bad_s: float, share: float) -> None:
    """Two tries apart from each other, each lost with the mean of both states: 1 - 0.5^2 where half is lost."""
    states = LossStates(0.0, 0.5 / share, bad_s, share)
    assert states.memory(0.25) == 0
    assert delivered_in_runs(states, 0.25, 2, 1) == pytest.approx(0.75)
