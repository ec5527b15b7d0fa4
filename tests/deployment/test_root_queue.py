"""Places of the root, which has often more memory than its nodes: by hand, and in a network whose root sends most."""

from math import inf
from pathlib import Path

from lowpanbudget import carry, parse_design
from lowpanbudget.deployment.contention_air import Air
from lowpanbudget.deployment.contention_rules import (
    CsmaRules,
    HearingRanges,
    Sending,
    SimulatedFrame,
)
from lowpanbudget.deployment.helps import possible_ladders
from lowpanbudget.deployment.load import loads
from lowpanbudget.deployment.node_queues import node_queues
from lowpanbudget.deployment.slot_run import Arrival, SlotLink, run_slots
from lowpanbudget.deployment.traffic import CarriedFrame, MessageStream, Traffic
from lowpanbudget.design.estimate import Estimate
from lowpanbudget.design.meaning import Design
from lowpanbudget.design.tree import Tree
from lowpanbudget.design.waiting import SendQueue

EXAMPLE = Path(__file__).parents[2] / "examples/footbridge.toml"


def near_the_root(queue: str) -> Design:
    """Ten nodes of the example, all one hop away, each sent a command in 12 s: 0.83 a second over ten links."""
    text = EXAMPLE.read_text("utf-8")
    # the last flow goes a way of its own
    begin, end = text.index("# In non-storing mode the root"), text.index("[[message]]")
    text = text[:begin] + text[end:]
    changes = {
        "nodes = 38": "nodes = 10",
        "by_hop = [4, 4, 4, 4, 3, 3, 3, 3, 3, 3, 2, 2]": "by_hop = [10]",
        "[queue]\nframes = 16": f"[queue]\n{queue}",
        "hops = 12": "hops = 1",
        'messages = ["command"]\n': 'messages = ["command"]\nevery_s = 12\n',
        "beacon_s = 16": "beacon_s = 120",
    }
    for before, after in changes.items():
        assert before in text
        text = text.replace(before, after)
    return parse_design(text)


def lost(design: Design) -> float:
    (down,) = (one for one in carry(design).services if one.direction == "down")
    assert down.queued is not None
    return 1 - down.queued


def test_the_root_has_places_of_its_own() -> None:
    """A message waits half a slotframe of 1.01 s and (1 / 0.95^2 - 1) of one for tries: 0.83 / s x 0.61 s = 0.51.

    Of Poisson's arrivals at a server for each (Erlang's loss formula) two places refuse
    (0.51^2 / 2) / (1 + 0.51 + 0.51^2 / 2) = 7.9 %, three 1.3 %, sixteen none that anybody sees.
    """
    design = near_the_root("frames = 2")
    assert 0.05 < lost(design) < 0.12
    assert lost(near_the_root("frames = 2\nroot_frames = 16")) < 1e-4
    assert 0.005 < lost(near_the_root("frames = 16\nroot_frames = 3")) < 0.03


def test_more_memory_of_the_root_alone_is_a_change_that_is_tried() -> None:
    design = near_the_root("frames = 2")
    assert design.access is not None
    ladders = possible_ladders(design, design.access, carry(design))
    changes = {one.key: one.change(one.rungs[0]) for one in ladders if one.rungs}
    assert changes["queue.root_frames"].design.queue == SendQueue(2, shared=True, root_frames=4)
    assert lost(changes["queue.root_frames"].design) < lost(design) / 4


def test_places_by_hand() -> None:
    """Three frames at once over a link: those beyond its places find none."""
    coming = [Arrival(0.0, (link,)) for link in (0, 0, 0, 1, 1, 1)]
    links = [SlotLink((0,)), SlotLink((1,), places=2)]
    found = run_slots(coming, links, slotframe=2, slot_s=1.0, attempts=1, places=1, seed=1)
    assert found.lost == (None, "queue", "queue", None, None, "queue")
    frame, near = SimulatedFrame(85 * 32, 11 * 32), ((1, 2), (0, 2), (0, 1))
    sendings = [Sending(way, inf, (frame,)) for way in ((0, 1), (1, 0))]
    rules = CsmaRules(3, 5, 4, 3, 320, 128, 192, 864, 640)
    for sending, refused in ((0, 1), (1, 2)):
        queue = SendQueue(1, shared=True, root_frames=2)
        air = Air(rules, HearingRanges(near, near), sendings, queue, 1, None)
        for _ in range(3):
            air.plan(sending, [0.0])
        air.play()
        assert air.log.lost["queue"] == refused


def test_queues_are_calculated_with_the_places_of_their_node() -> None:
    """The root's link is as in a network of nodes like it, the link behind as in one of others; many are as endless."""
    design = parse_design(EXAMPLE.read_text("utf-8"))
    access = design.access
    assert access is not None
    none = Estimate(0.0, 0.0, 0.0)
    frame = CarriedFrame(79, 2720.0, 352.0, 4704.0, 0.05, 0.05, none, none)
    tree = Tree(("root", "1.1", "2.1"), (-1, 0, 1), 1, 2, all_send=True)
    streams = tuple(
        MessageStream("f", "m", "down", 2.5, 1, None, (node,), (frame,), (frame,))
        for node in (1, 2)
    )
    nodes = loads(Traffic(tree, streams, (), ()), 4)
    mixed, few, many, endless = (
        [one.down for one in node_queues(nodes, access, queue)]
        for queue in (
            SendQueue(2, shared=False, root_frames=5),
            SendQueue(2, shared=False),
            SendQueue(5, shared=False),
            SendQueue(100_000, shared=False),
        )
    )
    assert mixed[1:] == [many[1], few[2]]
    assert many[1] != few[1]
    assert endless[1] is not None
    assert endless[1].full < 1e-12
