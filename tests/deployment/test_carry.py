"""Whole networks: loads along trees, what decides, what would help. Numbers by hand, or from the frames alone."""

import json
from collections.abc import Iterator
from math import exp
from pathlib import Path
from random import Random

import pytest
from contract.entry import invoke
from findings.air import names
from findings.cases_deployment import CSMA, heard
from findings.cases_planning import collected, store
from hypothesis import given
from hypothesis import strategies as st

from lowpanbudget import airtime, fit, load_design, parse_design, review
from lowpanbudget.deployment.burst import carry_burst
from lowpanbudget.deployment.carried import CarriedNetwork, LimitCheck
from lowpanbudget.deployment.carry import carry, judged
from lowpanbudget.deployment.checks import checks_of
from lowpanbudget.deployment.digits import days_text
from lowpanbudget.deployment.load import loads
from lowpanbudget.deployment.ranges import reception_of
from lowpanbudget.deployment.slot_latency import even_cells
from lowpanbudget.deployment.slot_run import Arrival, SlotLink, run_slots
from lowpanbudget.deployment.traffic import CarriedFrame, MessageStream, Traffic, traffic_of
from lowpanbudget.design.estimate import Estimate
from lowpanbudget.design.meaning import Design
from lowpanbudget.design.tree import Tree
from lowpanbudget.errors import RequestError
from lowpanbudget.findings.helps import changes_that_help
from lowpanbudget.report import carry_text
from lowpanbudget.report.screen import Screen
from lowpanbudget.values import replace

EXAMPLES = Path(__file__).parents[2] / "examples"
FOOTBRIDGE, ARCHIVE = (
    (EXAMPLES / f"{name}.toml").read_text("utf-8") for name in ("footbridge", "archive")
)
NOTHING = Estimate(0.0, 0.0, 0.0)
BY_HOP = (4, 4, 4, 4, 3, 3, 3, 3, 3, 3, 2, 2)


def line(*counts: int) -> Tree:
    """A tree with so many nodes at each hop."""
    names, parents = ["root"], [-1]
    above = [0]
    for hop, count in enumerate(counts, 1):
        first = len(names)
        names += [f"{hop}.{number + 1}" for number in range(count)]
        parents += [
            above[number * len(above) // count] if count > len(above) else above[number]
            for number in range(count)
        ]
        above = list(range(first, first + count))
    return Tree(tuple(names), tuple(parents), 1, 2, all_send=True)


def frame(loss: float = 0.0) -> CarriedFrame:
    return CarriedFrame(79, 2720.0, 352.0, 4704.0, loss, 0.0, NOTHING, NOTHING)


def reports(tree: Tree, every_s: float, loss: float = 0.0, frames: int = 1) -> Traffic:
    nodes = tuple(range(1, len(tree.parents)))
    sent = (frame(loss),) * frames
    stream = MessageStream("up", "report", "up", every_s, 1, every_s, nodes, sent, sent)
    return Traffic(tree, (stream,), (), ())


def changed(text: str, *pairs: tuple[str, str]) -> Design:
    for old, new in pairs:
        assert old in text, old
        text = text.replace(old, new)
    return parse_design(text)


def check(network: CarriedNetwork, matter: str) -> LimitCheck:
    return next(one for one in network.checks if one.matter == matter)


def test_a_tree_of_38_nodes_sends_221_frames_a_round() -> None:
    """Carried over hop 1 to 12: sums of the counts by hand."""
    carried = loads(reports(line(*BY_HOP), 1.0), 1)
    by_hop = [
        round(sum(node.up.frames_per_s for node in carried if node.hop == hop))
        for hop in range(1, 13)
    ]
    assert by_hop == [38, 34, 30, 26, 22, 19, 16, 13, 10, 7, 4, 2]
    assert round(sum(node.up.tries_per_s for node in carried)) == 221


@pytest.mark.parametrize(
    ("every_s", "slotframe_s", "cells"), [(30, 1.01, 2), (5, 1.01, 9), (30, 3.97, 6), (30, 0.5, 1)]
)
def test_cells_that_carry_38_reports(every_s: float, slotframe_s: float, cells: int) -> None:
    """38/30 a second x 1.111 tries = 1.407: x 1.01 s = 1.42, x 3.97 = 5.59, x 0.5 = 0.7; 38/5 x 1.01 x 1.111 = 8.53."""
    chain = line(*[1] * 38)
    first = loads(reports(chain, every_s, 0.1), 4)[1]
    assert first.behind == 37
    assert first.up.tries_a_frame == pytest.approx(1.111, abs=1e-12)
    assert first.up.cells_needed(slotframe_s) == cells


TREES = st.lists(st.integers(1, 4), min_size=1, max_size=5)


@given(TREES, st.floats(1, 1000), st.floats(0, 0.9), st.integers(1, 5), st.integers(1, 3))
def test_half_as_often_never_loads_more_and_what_comes_goes(
    counts: list[int], every_s: float, loss: float, attempts: int, frames: int
) -> None:
    tree = line(*counts)
    often = loads(reports(tree, every_s, loss, frames), attempts)
    seldom = loads(reports(tree, 2 * every_s, loss, frames), attempts)
    children = tree.children()
    for node, calmer in zip(often, seldom, strict=True):
        assert calmer.up.tries_per_s <= node.up.tries_per_s
        assert calmer.up.cells_needed(1.0) <= node.up.cells_needed(1.0)
        below = sum(often[child].up.frames_per_s for child in children[node.node])
        if node.node:
            assert node.up.frames_per_s == pytest.approx(below + frames / every_s, rel=1e-9)
            assert 1 <= node.up.tries_a_frame <= attempts + 1e-9


@given(TREES, st.integers(0, 4), st.integers(0, 4))
def test_ranges_are_the_hops_apart_of_the_tree(
    counts: list[int], hears: int, disturbs: int
) -> None:
    tree = replace(line(*counts), hears=hears, disturbs=disturbs)
    ranges = reception_of(tree)
    nodes = range(len(tree.parents))
    for node in nodes:
        for far, found in ((hears, ranges.hears), (disturbs, ranges.disturbs)):
            assert found[node] == tuple(
                o for o in nodes if o != node and tree.apart(node, o) <= far
            )


@pytest.mark.usefixtures("played_once")
def test_the_footbridge_carries_its_messages() -> None:
    """Airtimes are those of ``airtime``; a cell each 1.01 s listens 2.2 ms at 11 + 2 mA, half of the day's charge."""
    design = parse_design(FOOTBRIDGE)
    network = carry(design)
    assert network.holds
    assert {one.matter for one in network.checks} == {
        "cells", "relay", "shared", "queue", "delivery", "latency", "battery",
    }  # fmt: skip
    relay = next(node for node in network.nodes if node.name == "1.1")
    # 1 cell of its one child, 1 from its parent, 2 shared: 4 each 1.01 s, 300 + 1020 µs at 2 mA and 2.2 ms at 13 mA
    waits = dict(relay.parts_ua)["listens in vain"]
    comes = sum(node.tries_per_s for node in network.nodes if node.parent == "1.1")
    assert waits == pytest.approx((4 / 1.01 - comes) * (1.32 * 2 + 2.2 * 13), rel=1e-9)
    # the collector answers 4 + 4 cells and has 2 shared ones
    assert check(network, "relay").measured == 10
    assert set(network.unknown) >= {"snapshot snapshot", "command command"}
    readings = next(one for one in network.rhythms if one.message == "readings")
    assert readings.reading_every_s is not None
    assert readings.sends_every_s == readings.readings * readings.reading_every_s


@pytest.mark.usefixtures("played_once")
def test_too_few_cells_and_what_would_help() -> None:
    """A report each 3 s: 12 behind node 1.1 with DAOs and keep-alives need 5 cells of 101 slots."""
    short = (("every_s = 600", "every_s = 3"), ("battery_days = 365", "battery_days = 50"))
    design = changed(FOOTBRIDGE, *short)
    network = carry(design)
    assert not network.holds
    decides = network.decides
    assert decides is not None
    assert (decides.matter, decides.about) == ("cells", "link 1.1 to collector")
    needed = next(node.cells_needed for node in network.nodes if node.name == "1.1")
    assert needed == 5
    assert f"needs {needed} cells a slotframe and has 1" in decides.text
    found = changes_that_help(design, network)
    best = found[0]
    assert best.key == "access.slots.cells"
    # made in the file it does what was said: nothing else is in the way then
    then = carry(changed(FOOTBRIDGE, *short, ("cells = 1\n", f"cells = {needed}\n")))
    assert check(then, "cells").holds
    assert best.holds == then.holds
    assert {"flow[features].every_s", "access.slots.slotframe", "message features"} <= {
        one.key for one in found
    }


# what is changed in the footbridge, what then decides
SHORT = [
    ((("latency_s = 60", "latency_s = 0.5"),), "latency"),
    ((("battery_days = 365", "battery_days = 3650"),), "battery"),
    ((("cells = 1\n", "cells = 25\n"),), "relay"),
    ((("retries = 3", "retries = 0"),), "delivery"),
    ((("beacon_s = 16", "beacon_s = 4"),), "shared"),
    ((("shared_cells = 2", "shared_cells = 0"),), "shared"),
    ((("delivery = 0.99\n", "delivery = 0.99\nduty_cycle = 0.0004\n"),), "duty"),
    # a beacon of 58 octets tells times of its own in 24 more: 88 with what stands before them take 2816 µs
    ((('template = "10ms"', 'template = "10ms"\nmax_frame_us = 2600'),), "frame"),
    ((('template = "10ms"', 'template = "10ms"\nmax_ack_us = 100'),), "acknowledgement"),
]  # fmt: skip


@pytest.mark.parametrize(("pairs", "matter"), SHORT)
def test_what_decides(pairs: tuple[tuple[str, str], ...], matter: str) -> None:
    design = changed(FOOTBRIDGE, *pairs)
    assert design.access is not None
    network = judged(design, design.access, airtime(design), 1, transmissions=3000)
    assert not network.holds
    assert network.decides is not None
    assert network.decides.matter == matter
    assert not network.decides.holds


IN_SLOTS = """[access]
method = "slots"
[access.slots]
slotframe = 101
[upkeep]
keep_alive_s = 10
[tree]
by_hop = [1, 1, 1]
[queue]
frames = 4
[loss]
frames = 0
"""


@pytest.mark.parametrize(
    ("every_s", "marked", "is_made"),
    # 0, 600 ... 3000 s are six readings, 0, 500 ... 3000 seven; without the mark they are elements of one reading
    [(600, "true", False), (501, "true", False), (500, "true", True), (600, "false", True)],
)
def test_a_message_that_cannot_be_made_is_not_carried(
    every_s: int, marked: str, *, is_made: bool
) -> None:
    """Where ``fit`` says that no message can be made, ``airtime`` and ``carry`` say no as well, and why."""
    text = collected(every_s, marked, IN_SLOTS)
    design = parse_design(text.replace("frame_version = 1", "frame_version = 2\nslotted = true"))
    assert {one.fits for one in fit(design)} == {is_made}
    sent = [one for one in airtime(design) if one.flow == "up"]
    assert {one.fits for one in sent} == {is_made}
    network = carry(design)
    assert network.holds is is_made
    assert [name for name in names(list(review(design))) if "spanned" in name] == (
        [] if is_made else ["fewest-readings-not-spanned"]
    )
    if is_made:
        return
    assert {one.over for one in sent} == {
        ("readings[].at does not span 7 of readings, the fewest of a message",)
    }
    found = check(network, "readings")
    assert (found.about, found.measured, found.allowed) == ("up reading", 7, 6)
    (help_,) = (one for one in changes_that_help(design, network) if one.holds)
    assert (help_.key, help_.text) == ("flow[up].every_s", "readings of up each 500 s")


def test_what_cannot_be_made_ends_commands_with_no(tmp_path: Path) -> None:
    file = tmp_path / "store.toml"
    for every_s, code in ((600, 1), (500, 0)):
        text = collected(every_s, deployment=IN_SLOTS)
        slotted = text.replace("frame_version = 1", "frame_version = 2\nslotted = true")
        file.write_text(slotted, encoding="utf-8")
        for command in ("fit", "airtime", "carry"):
            done = invoke(command, str(file), "--json")
            assert done.exit_code == code, command
            told = json.loads(done.stdout)
            found = [one["name"] for one in told["findings"]]
            assert ("fewest-readings-not-spanned" in found) is bool(code)


def test_a_frame_that_is_too_long_for_its_slot_hides_no_acknowledgement_that_is() -> None:
    design = changed(
        FOOTBRIDGE,
        ('template = "10ms"', 'template = "10ms"\nmax_frame_us = 2600\nmax_ack_us = 100'),
    )
    assert design.access is not None
    network = judged(design, design.access, airtime(design), 1, transmissions=2000)
    frame, answer = (check(network, matter) for matter in ("frame", "acknowledgement"))
    assert (frame.holds, frame.allowed, answer.holds, answer.allowed) == (False, 2600, False, 100)


@pytest.mark.usefixtures("played_once")
def test_where_the_design_asks_for_nothing_most_messages_are_to_arrive() -> None:
    """A frame in 33 lost over 12 hops without a second try leaves 0.97^12 = 69 %: nobody calls that carried."""
    asks = ("delivery = 0.99\n", "")
    assert carry(changed(FOOTBRIDGE, asks)).holds
    network = carry(changed(FOOTBRIDGE, asks, ("retries = 3", "retries = 0")))
    found = check(network, "delivery")
    assert not found.holds
    assert found.allowed == pytest.approx(0.05)  # our choice, and the text says so
    assert "95 % are taken to be enough" in found.text


def test_relays_that_listen_all_the_time_empty_their_batteries() -> None:
    """2 400 mAh x 0.75 at 20 + 2.. mA is 3.3 days; a sleeping leaf lasts for years."""
    design = parse_design(ARCHIVE)
    assert design.access is not None
    network = judged(design, design.access, airtime(design), 1, transmissions=6000)
    assert not network.holds
    found = check(network, "battery")
    assert not found.holds
    relay = next(node for node in network.nodes if node.name == "1.1")
    leaf = next(node for node in network.nodes if node.name == "3.1")
    assert relay.always_listens
    assert not leaf.always_listens
    assert relay.battery_days is not None
    assert relay.battery_days.typical == pytest.approx(2400 * 0.75 / (20 + 3) / 24, rel=0.01)
    assert leaf.battery_days is not None
    assert leaf.battery_days.least > 1000
    least, most = relay.battery_days.least, relay.battery_days.most
    assert f"lasts {least:.1f} to {most:.1f} days" in found.text
    assert days_text(Estimate(4.51, 4.52, 4.54)) == days_text(Estimate(4.5, 4.5, 4.5)) == "4.5"
    assert network.played is not None
    assert network.played_in_runs is not None
    assert network.played_in_runs.delivery < network.played.delivery
    assert network.sleep is not None
    assert (network.sleep.mean_s, network.sleep.most_s) == (60, 114)


def test_a_burst_that_rests_on_a_mac_of_no_standard_says_so(tmp_path: Path) -> None:
    """macMaxCSMABackoffs is 0 to 5 (IEEE 802.15.4-2020 table 8-94, from memory)."""
    burst = '[[burst]]\nname = "two"\nflow = "up"\npackets = 2\noctets = 20\nevery_s = 1\n'
    file = tmp_path / "store.toml"
    for backoffs in (5, 6):
        text = heard("[tree]\nby_hop = [1]\n", "every_s = 600").replace(
            CSMA, f"{CSMA}backoffs = {backoffs}\n"
        )
        file.write_text(text + burst, encoding="utf-8")
        told = json.loads(invoke("carry", str(file), "--burst", "two", "--json").stdout)
        found = [one["name"] for one in told["findings"]]
        assert ("access-beyond-the-standard" in found) == (backoffs > 5)
        screen = invoke("carry", str(file), "--burst", "two").stdout
        assert ("macMaxCSMABackoffs 0 to 5" in screen) == (backoffs > 5)


POLLS = """[access]
method = "csma"
[tree]
by_hop = [1]
[sleep]
poll_s = 10
KEYS
[radio]
source = "invented"
supply_v = 3
send_ma = 20
receive_ma = 20
sleep_ua = 2
"""


# macMinBE 3 draws of 0 to 7 units of 320 µs, 3.5 on average; CCA 128, turnaround 192 (IEEE 802.15.4-2020 6.2.5.1 and
# 11.3, from memory)
BEGUN_MS = 3.5 * 0.32 + 0.128 + 0.192


@pytest.mark.parametrize(
    ("keys", "link", "flow", "listens_ms"),
    [
        # nothing is ever sent to it: each acknowledgement says so, and it sleeps
        ("", "", ("every_s = 60", "sink"), 0.0),
        # the bit is always set, or no acknowledgement has it: 20 ms each 10 s
        ("always_pending = true", "", ("every_s = 60", "sink"), 20),
        ("", "acknowledged = false\n", ("every_s = 60", "sink"), 20),
        # a message each 20 s, which comes behind every second poll: until it begins
        ("", "", ("every_s = 20", "probe"), BEGUN_MS / 2),
        # at random moments: in 10 s none with a chance of exp(-1/2)
        ("always_pending = true", "", ("every_s = 20", "probe"), BEGUN_MS / 2 + 20 * exp(-0.5)),
        ("", "acknowledged = false\n", ("every_s = 20", "probe"), BEGUN_MS / 2 + 20 * exp(-0.5)),
        # who listens for 1 ms listens no longer, and not behind polls that find nothing
        ("listen_ms = 1", "", ("every_s = 20", "probe"), 1 - exp(-0.5)),
    ],
)
def test_sleeping_nodes_listen_behind_polls_until_what_waits_has_come(
    keys: str, link: str, flow: tuple[str, str], listens_ms: float
) -> None:
    """IEEE 802.15.4-2015 clause 6.7.3 (from memory): the frame pending bit of the acknowledgement says what waits.

    A frame whose own bit is 0 has nothing behind it: its receiver sleeps again.
    """
    every, to = flow
    polls = POLLS.replace("KEYS", keys if "listen_ms" in keys else f"listen_ms = 20\n{keys}")
    design = parse_design(store(link, every, hops=1, to=to) + polls)
    assert design.access is not None
    network = judged(design, design.access, airtime(design), 1, transmissions=300)
    parts = dict(network.nodes[1].parts_ua)
    # 20 mA in each of these of 10000 ms
    assert parts.get("listens in vain", 0.0) == pytest.approx(20_000 * listens_ms / 10_000)
    said = [one for one in network.taken if "sleep.listen_ms" in one]
    if "always_pending" in keys:
        assert not said
    else:
        (words,) = said
        assert ("link.acknowledged" if link else "sleep.always_pending") in words
        assert ("behind each poll" if link else "only where something waits") in words
        assert "until a frame has come with nothing more pending" in words


@pytest.mark.usefixtures("played_once")
def test_days_are_rounded_alike_wherever_they_are_told() -> None:
    """610.501 is nearer to 611: in two steps, over 610.5 to the even one, it would be 610."""
    design = parse_design(FOOTBRIDGE)
    network = carry(design)
    lasts = Estimate(610.501, 610.501, 610.501)
    nodes = tuple(replace(one, battery_days=one.battery_days and lasts) for one in network.nodes)
    found = checks_of(design, (), traffic_of(design, airtime(design)), nodes, (), None)
    assert " 611 days" in next(one.text for one in found if one.matter == "battery")
    shown = replace(network, nodes=nodes, checks=found)
    told = Screen().draw(lambda console: carry_text.carry(console, Screen(), shown, None))
    (loads,) = [part for part in told.split("\n\n") if part.startswith("Along the tree")]
    assert [line.split()[-1] for line in loads.splitlines()[2:14]] == ["611"] * 12


def arrivals(tree: Tree, every_s: float, until_s: float) -> Iterator[Arrival]:
    random = Random(4)
    for node in range(1, len(tree.parents)):
        at = random.expovariate(1 / every_s)
        while at < until_s:
            yield Arrival(at, tree.way(node)[:-1])
            at += random.expovariate(1 / every_s)


@pytest.mark.long
def test_what_queues_add_is_what_a_whole_tree_does() -> None:
    """The footbridge with reports alone, six tenths of the last cells used: means of another, longer run."""
    text = FOOTBRIDGE.replace("every_s = 600", "every_s = 20")
    text = text.replace('messages = ["features", "readings"]', 'messages = ["features"]')
    start, end = text.index("[upkeep]"), text.index("[radio]")
    design = parse_design(text[:start] + text[end:])
    assert design.tree is not None
    network = carry(design)
    tree = design.tree
    sent = traffic_of(design, airtime(design)).streams[0].forwarded[0]
    links = [
        SlotLink(even_cells(1, 101, tree.depth - hop), sent.loss, sent.answer_loss)
        for hop in tree.hops
    ]
    coming = list(arrivals(tree, 20, 20_000))
    found = run_slots(coming, links, slotframe=101, slot_s=0.01, attempts=4, places=16, seed=1)
    for service in network.services:
        if service.hop not in (1, 6, 12):
            continue
        late = [at - one.at_s for at, one in zip(found.arrived_s, coming, strict=True)
                if at is not None and len(one.way) == service.hop]  # fmt: skip
        assert service.delays is not None
        assert service.queue_s is not None
        assert sum(late) / len(late) == pytest.approx(
            service.delays.mean_s + service.queue_s, rel=0.12
        )


@pytest.mark.usefixtures("played_once")
def test_a_burst_is_judged_packet_by_packet_and_as_a_whole() -> None:
    design = parse_design(FOOTBRIDGE)
    plan = carry_burst(design, "hundred", runs=20)
    assert not plan.holds
    assert plan.way[0].startswith("12.")
    assert plan.arrived + plan.lost_queue + plan.lost_link == pytest.approx(100)
    # one cell each 1.01 s: 16 places and what goes meanwhile
    assert 20 <= plan.arrived <= 30
    assert plan.plans[0].arrives == 1
    assert plan.plans[-1].in_time == 0
    assert plan.queues[0].highest == 16
    assert plan.queues[0].lost_queue == pytest.approx(plan.lost_queue)
    # what the README says: twelve cells a link and some seconds more
    more = changed(FOOTBRIDGE, ("cells = 1\n", "cells = 12\n"), ("all_in_s = 10", "all_in_s = 14"))
    assert carry_burst(more, "hundred", runs=120).holds
    # wide enough over one link as well
    wide = changed(
        FOOTBRIDGE, ("cells = 1\n", "cells = 12\n"), ("all_in_s = 10", "all_in_s = 12\nhops = 1")
    )
    near = carry_burst(wide, "hundred")
    assert near.holds
    assert near.arrived == pytest.approx(100, abs=0.05)


@pytest.mark.usefixtures("played_once")
def test_what_the_design_does_not_say_is_told_as_taken() -> None:
    """RFC 6550 section 9.1: in non-storing mode DAOs go to the root, in storing mode to parents."""
    design = load_design(EXAMPLES / "footbridge.toml")
    (routes,) = carry(design).taken
    assert "to the root, since a flow down carries a route" in routes
    flows = tuple(one for one in design.flows if not one.routing.route)
    bare = replace(design, flows=flows, bursts=(), loss=None, queue=None)
    assert bare.access is not None
    some = judged(bare, bare.access, airtime(bare), 1, transmissions=2000).taken
    assert [text.split()[-1] for text in some] == ["([loss])", "([queue])", "mode)"]
    assert "to the parent, since no flow down carries a route" in some[-1]


def test_a_tree_with_fewer_hops_than_a_flow_is_told() -> None:
    """The store's flow of 3 hops, in trees of 2 and of 3: what is checked over 2 says nothing of 3."""
    few, enough = (
        carry(parse_design(heard(f"[tree]\nby_hop = {counts}\n", "every_s = 600"))).taken
        for counts in ([1, 1], [1, 1, 1])
    )
    assert any("up (3, checked over 2)" in one for one in few)
    assert not any("checked over" in one for one in enough)


def test_what_is_lacking_is_said() -> None:
    design = load_design(EXAMPLES / "footbridge.toml")
    with pytest.raises(RequestError, match=r"\[access\]"):
        carry(replace(design, access=None))
    with pytest.raises(RequestError, match=r"\[tree\]"):
        carry(replace(design, tree=None))
    with pytest.raises(RequestError, match="no burst"):
        carry_burst(design, "thousand")
    with pytest.raises(RequestError, match="down"):
        carry_burst(changed(FOOTBRIDGE, ('flow = "features"', 'flow = "command"')), "hundred")
    with pytest.raises(RequestError, match="from 20 to 100000"):
        carry_burst(design, "hundred", runs=3)
    for lacking in ("link", 3):
        with pytest.raises(RequestError, match="a design is needed"):
            carry(lacking)  # type: ignore[arg-type]
