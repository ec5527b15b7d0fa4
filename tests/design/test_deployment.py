"""The tables that tell how a network carries its messages: what they mean, and each fault with place and way out."""

import math
from itertools import pairwise

import pytest
from design.designs import SMALL, changed, fault_of, faults_of, place
from hypothesis import given
from hypothesis import strategies as st

from lowpanbudget import Dao, Dio, DodagConfiguration, Ipv6, decode_frame
from lowpanbudget.design.lacking import lacking
from lowpanbudget.design.load import parse_design
from lowpanbudget.design.meaning import Design
from lowpanbudget.design.tree import Tree
from lowpanbudget.design.upkeep import upkeep_frames
from lowpanbudget.values import replace

WHOLE = (
    SMALL
    + """
[access]
method = "slots"
[access.slots]
slotframe = 101
[tree]
by_hop = [4, 3, 2]
[loss]
frames = 0.1
octets = 127
[loss.runs]
good = 0.01
bad = 0.9
bad_ms = 500
[queue]
frames = 16
[sleep]
poll_s = 240
timeout_s = 600
[upkeep]
beacon_s = 16
dio_s = 8389
[radio]
source = "invented for this test"
supply_v = [2.7, 3.0, 3.6]
send_ma = 20
receive_ma = [5, 6, 22]
sleep_ua = 2.5
[battery]
capacity_mah = 1800
usable = [0.6, 0.8, 0.9]
[limits]
duty_cycle = 0.01
delivery = 0.99
[[burst]]
name = "hundred"
flow = "up"
packets = 100
octets = 50
every_s = 0.1
all_in_s = 10
"""
)


def with_text(*pairs: tuple[str, str]) -> str:
    """Return the whole design with each old text, which stands there once, replaced by the new one."""
    text = WHOLE
    for old, new in pairs:
        assert text.count(old) == 1, (old, text.count(old))
        text = text.replace(old, new)
    return text


def design_of(*pairs: tuple[str, str]) -> Design:
    return parse_design(with_text(*pairs))


def test_a_design_without_them_has_none() -> None:
    design = parse_design(SMALL)
    tables = ("access", "tree", "loss", "queue", "sleep", "upkeep", "radio", "battery", "limits")
    assert [getattr(design, table) for table in tables] == [None] * len(tables)
    assert design.bursts == ()


def test_all_tables_that_are_lacking_are_named_at_once_with_lines_to_add() -> None:
    """The lines, added to the design that lacks them, are all that it takes."""
    error = lacking(parse_design(SMALL), "access", "tree")
    assert "no [access] and no [tree]" in error.message
    assert "explain access and lowpanbudget explain tree" in error.hint
    whole = parse_design(SMALL + "\n".join(error.lines))
    assert None not in (whole.access, whole.tree, whole.loss, whole.queue, whole.limits)
    assert str(error).endswith("\n".join(error.lines))
    (slots,) = lacking(
        replace(whole, access=None, link=replace(whole.link, slotted=True)), "access"
    ).lines[2:]
    assert slots == 'method = "slots"'


def test_what_is_left_out_of_access_is_the_standards() -> None:
    """macMinBE, macMaxBE, macMaxCSMABackoffs, macMaxFrameRetries: 3, 5, 4, 3; of shared cells 1, 7 (from memory)."""
    slots = design_of().access
    assert slots is not None
    assert (slots.min_be, slots.max_be, slots.retries) == (1, 7, 3)
    csma = design_of(
        ('method = "slots"\n[access.slots]\nslotframe = 101', 'method = "csma"'),
        ("slotted = true", "slotted = false"),
    ).access
    assert csma is not None
    assert (csma.min_be, csma.max_be, csma.backoffs, csma.slots) == (3, 5, 4, None)


@pytest.mark.parametrize(
    ("template", "ends_us", "guard_us"),
    # macTsTxOffset + macTsMaxTx + macTsTxAckDelay + macTsMaxAck; the smaller side of the window around macTsTxOffset
    [("10ms", 9776, 1100), ("15ms", 11336, 1500), ("sun-fsk-50", 30960, 1100)],
)
def test_templates_hold_their_longest_frame(template: str, ends_us: int, guard_us: int) -> None:
    """Sums by hand of the attributes as published; all close within the slot."""
    access = design_of(("slotframe = 101", f'template = "{template}"')).access
    assert access is not None
    assert access.slots is not None
    times = access.slots.template
    assert times.tx_offset + times.max_tx + times.tx_ack_delay + times.max_ack == ends_us
    assert ends_us <= times.length
    assert times.guard == guard_us


@pytest.mark.parametrize(
    ("guard_us", "ppm", "seconds"),
    # RFC 7554 appendix B.3: "with a 10 ppm clock and a 1 ms guard time, this period can be 100 s", the drift of both
    # clocks together; 1.1 ms at 80 ppm together are 13.75 s
    [(1000, 5, 100), (1100, 40, 13.75)],
)
def test_clocks_stay_within_the_guard_for_guard_over_drift(
    guard_us: int, ppm: float, seconds: float
) -> None:
    keys = f"guard_us = {guard_us}\ndrift_ppm = {ppm}"
    access = design_of(("slotframe = 101", keys)).access
    assert access is not None
    assert access.slots is not None
    assert access.slots.synchronised_s == pytest.approx(seconds, rel=1e-12)
    assert access.slots.template.rx_wait == 2 * guard_us


def test_a_tree_by_hop_gives_every_parent_its_share() -> None:
    tree = design_of().tree
    assert tree is not None
    assert tree.hops == (0, 1, 1, 1, 1, 2, 2, 2, 3, 3)
    assert tree.names[:3] == ("gate", "1.1", "1.2")
    assert [len(children) for children in tree.children()[:5]] == [4, 1, 1, 1, 0]
    assert [tree.names[node] for node in tree.way(9)] == ["3.2", "2.2", "1.2", "gate"]


@given(st.lists(st.integers(1, 9), min_size=1, max_size=9))
def test_trees_by_hop_hold_every_node_once(counts: list[int]) -> None:
    """Each node's parent stands one hop nearer, and the parents of a hop differ by one child at most."""
    text = SMALL.replace("hops = 3", "hops = 9") + f"[tree]\nby_hop = {counts}\n"
    tree = parse_design(text).tree
    assert tree is not None
    hops = tree.hops
    assert [hops.count(hop) for hop in range(len(counts) + 1)] == [1, *counts]
    for node, parent in enumerate(tree.parents[1:], 1):
        assert parent < node
        assert hops[parent] == hops[node] - 1
    children = tree.children()
    for hop in range(len(counts)):
        sizes = [len(children[node]) for node, at in enumerate(hops) if at == hop]
        assert max(sizes) - min(sizes) <= 1


def test_stations_that_name_their_parents_make_a_tree() -> None:
    text = changed(
        ('role = "node"', 'role = "node"\nparent = "sink"'),
        ('role = "collector"', 'role = "collector"\nparent = "gate"'),
    )
    tree = parse_design(text + '[tree]\nsenders = "named"\n').tree
    assert tree == Tree(("gate", "sink", "probe"), (-1, 0, 1), 1, 2, all_send=False)
    assert tree is not None
    assert [tree.apart(2, other) for other in (0, 1, 2)] == [2, 1, 0]


def test_losses_grow_with_the_length_as_bit_errors_make_them() -> None:
    """1 - (1 - BER)^(8 octets), with the BER that the measured frames had."""
    loss = design_of().loss
    assert loss is not None
    ber = 1 - (1 - 0.1) ** (1 / (8 * 127))
    for octets in (5, 50, 127, 200):
        assert math.isclose(loss.of(octets), 1 - (1 - ber) ** (8 * octets), rel_tol=1e-12)
    assert all(loss.of(short) < loss.of(long) for short, long in pairwise((5, 50, 127, 200)))
    assert loss.runs is not None
    share = loss.runs.bad_share
    assert math.isclose(share * 0.9 + (1 - share) * 0.01, 0.1, rel_tol=1e-12)


def test_what_is_not_known_exactly_has_three_values() -> None:
    design = design_of()
    assert design.radio is not None
    assert design.radio.supply_v == (2.7, 3.0, 3.6)
    assert design.radio.send_ma == (20, 20, 20)
    assert design.radio.processor_ma == (0, 0, 0)
    assert design.burst("hundred").every_s == 0.1


# old, new, key, mark of the place, a part of the message, a part of the hint
WRONG = [
    ('method = "slots"', 'method = "tdma"', "access.method", '"tdma"', "'csma' or 'slots'", "TSCH"),
    ("slotted = true", "slotted = false", "access.method", '"slots"', "slotted = true", "Change one"),
    ("slotframe = 101", "slotframe = 101\ncells = 102", "access.slots.cells", "102", "more than the 101", "one cell"),
    ("slotframe = 101", "slot_us = 10", "access.slots.slot_us", "10\n[tree]", "1000 or more, not 10", "microseconds"),
    ("slotframe = 101", "guard_us = 2500", "access.slots.guard_us", "2500", "2120 µs into the slot", "shorter"),
    ('method = "slots"', 'method = "slots"\nmin_be = 8', "access.min_be", "8\n[access.slots]", "above the greatest, 7",
     "up to max_be"),
    ("by_hop = [4, 3, 2]", "by_hop = [4, 3, 2, 1]", "tree.by_hop", "[4, 3, 2, 1]", "4 hops deep", "Raise hops"),
    ("by_hop = [4, 3, 2]", "by_hop = []", "tree", "[tree]", "no nodes in it", "by_hop"),
    ("by_hop = [4, 3, 2]", "by_hop = [4, 0]", "tree.by_hop[2]", "0]\n[loss]", "1 or more, not 0", ""),
    ("by_hop = [4, 3, 2]", 'by_hop = [4]\nsenders = "named"', "tree.senders", '"named"', "no names", "all"),
    ("frames = 0.1", "frames = 1", "loss.frames", "1\noctets = 127", "below 1, not 1", "0.05 is 5 %"),
    ("frames = 0.1", "frames = 5", "loss.frames", "5\noctets", "below 1, not 5", "0.05 is 5 %"),
    ("frames = 0.1", "frames = 0.95", "loss.runs", "[loss.runs]", "does not lie between", "mean"),
    ("good = 0.01", "good = 0.95", "loss.runs.good", "0.95", "the bad one 0.9", "loses less"),
    ("frames = 16", "frames = 0", "queue.frames", "0\n[sleep]", "1 or more, not 0", "fragment"),
    ("poll_s = 240", "poll_s = 0.01", "sleep.listen_ms", "[sleep]", "never sleeps", "poll_s seconds"),
    ("poll_s = 240", "poll_s = 240\nretry_s = 900", "sleep.retry_s", "900", "later than the next poll", "Leave it out"),
    ("capacity_mah = 1800", "capacity_mah = 0", "battery.capacity_mah", "0\nusable", "above 0, not 0", "Capacity"),
    ("send_ma = 20", "send_ma = 20000", "radio.send_ma", "20000", "5000 at most", "Milliamperes"),
    ("send_ma = 20", "send_ma = [20, 22]", "radio.send_ma", "[20, 22]", "three", "least, typical, most"),
    ("send_ma = 20", "send_ma = [22, 20, 21]", "radio.send_ma", "[22, 20, 21]", "rise", ""),
    ('source = "invented for this test"', "", "radio.source", "[radio]", "missing", "data sheet"),
    ("delivery = 0.99", "delivery = 99", "limits.delivery", "99\n[[burst]]", "1 at most", "0.99 is 99 %"),
    ("duty_cycle = 0.01", "duty_cycle = 36", "limits.duty_cycle", "36", "1 at most", "0.01 is 1 %"),
    ("duty_cycle = 0.01", "window_s = 86", "limits.window_s", "86", "the window of duty_cycle", "Add duty_cycle"),
    ('flow = "up"', 'flow = "upp"', "burst[1].flow", '"upp"', "no flow 'upp'", "Did you mean up?"),
    ("all_in_s = 10", "all_in_s = 9.9", "burst[1].all_in_s", "9.9", "the last packet is sent 9.9 s", "burst lasts"),
    ("every_s = 0.1", "every_s = 0.1\nhops = 4", "burst[1].hops", "4\nall_in_s", "3 hops at most", "fewer"),
    # 40 octets of IPv6 (RFC 8200 section 3) and 8 of UDP (RFC 768) before them
    ("octets = 50", "octets = 1233", "burst[1].octets", "1233", "has 1281 octets, the MTU is 1280",
     "Up to 1232 go in one datagram of flow 'up'"),
    ("slotted = true", "slotted = true\ndata_rate = 100", "link.data_rate", "100\n\n[link", "o-qpsk-2450 at 100 kb/s",
     "Known: 250 kb/s"),
    ("slotted = true", "slotted = true\npreamble = 8", "link.preamble", "8\n\n[link", "fixed length", "sun-fsk"),
    ("by_hop = [4, 3, 2]", "by_hop = [4, 3, 100000]", "tree.by_hop[3]", "100000", "2000 at most",
     "who hears whom is held of every two"),
    ("by_hop = [4, 3, 2]", "by_hop = [4, 1999]", "tree.by_hop", "[4, 1999]",
     "2003 nodes beside its root, 2000 are the most", "part by part"),
    ("mtu = 1280", "mtu = 1280\nnodes = 10", "tree.by_hop", "[4, 3, 2]", "9 nodes beside its root", "Change one"),
]  # fmt: skip


@pytest.mark.parametrize(
    ("old", "new", "key", "mark", "said", "hint"),
    WRONG,
    ids=[f"{row[2]} {row[1]}" for row in WRONG],
)
def test_what_is_wrong_is_said_once(
    old: str, new: str, key: str, mark: str, said: str, hint: str
) -> None:
    text = with_text((old, new))
    fault = fault_of(text)
    assert fault.key == key
    assert (fault.line, fault.column) == place(text, mark)
    assert said in fault.message
    assert hint in fault.hint


def test_a_share_of_nothing_is_refused() -> None:
    """Which share is to be in after how long: without the time nothing can be held to it, but the runs of a burst."""
    text = with_text(("delivery = 0.99", "latency_share = 0.99"))
    limits = parse_design(text).limits
    assert limits is not None
    assert limits.latency_share == 0.99
    fault = fault_of(text[: text.index("[[burst]]")])
    assert fault.key == "limits.latency_share"
    assert "share that is to arrive in latency_s" in fault.message
    assert "Add latency_s" in fault.hint
    limits = parse_design(with_text(("delivery = 0.99", "latency_s = 9"))).limits
    assert limits is not None
    assert (limits.latency_share, limits.window_s) == (0.95, 3600)


# parent of probe, of sink, of gate; key, part of the message
TREES = [
    ("gate", "", "", "station[2]", "'sink' has no parent"),
    ("sink", "probe", "", "station[1].parent", "a loop: probe to sink to probe"),
    ("probe", "gate", "", "station[1].parent", "a loop: probe to probe"),
    ("sikn", "gate", "", "station[1].parent", "no station 'sikn'"),
    ("sink", "gate", "sink", "station[3].parent", "is the root"),
]


@pytest.mark.parametrize(
    ("probe", "sink", "gate", "key", "said"), TREES, ids=[row[4] for row in TREES]
)
def test_loops_and_orphans(probe: str, sink: str, gate: str, key: str, said: str) -> None:
    roles = zip(("node", "collector", "border"), (probe, sink, gate), strict=True)
    text = changed(
        *[(f'role = "{role}"', f'role = "{role}"\nparent = "{to}"') for role, to in roles if to]
    )
    assert (key, True) in [(fault.key, said in fault.message) for fault in faults_of(text)]


def test_a_named_tree_may_not_be_deeper_than_the_flows() -> None:
    text = changed(
        ('role = "node"', 'role = "node"\nparent = "sink"'),
        ('role = "collector"', 'role = "collector"\nparent = "gate"'),
        ("hops = 3", "hops = 1"),
        ("hops = 2", "hops = 1"),
    )
    fault = fault_of(text)
    assert (fault.key, "2 hops deep" in fault.message) == ("station[1].parent", True)


def test_what_nodes_send_for_the_network_says_what_standards_have_for_it() -> None:
    """The border router is the root. DEFAULT_ values are those of RFC 6550 section 17, 240 that of section 7.2.

    The one shared cell of an enhanced beacon has slot and channel offset 0 and all four options (RFC 8180 section 4.5.1
    with IEEE 802.15.4-2015 clause 7.4.4.3, from memory), OF 1 is that of RFC 6719, and ff02::1a is all-RPL-nodes.
    """
    design = design_of(
        ("[link.security]\nlevel = 5\n", ""),
        ("dio_s = 8389", "dio_s = 8389\ndao_s = 600\nkeep_alive_s = 30"),
    )
    node, root = b"\x02\0\0\0\0\0\0\5", b"\x02\0\0\0\0\0\0\7"
    sent = {one.name: one for one in upkeep_frames(design)}
    assert list(sent) == ["beacon", "DIO", "DAO", "keep-alive", "data request"]
    read, macs = {}, {}
    for name, one in sent.items():
        frame = decode_frame(one.frames[0].octets, contexts=dict(design.contexts))
        assert frame.fault is None
        assert frame.mac is not None
        near = b"\xff\xff" if one.to == "all" else root
        assert (frame.mac.source, frame.mac.destination) == (node, near)
        read[name], macs[name] = frame, frame.mac
        assert (one.acknowledgement is None) == (one.to == "all")
        if one.acknowledgement is not None:
            answer = decode_frame(one.acknowledgement.octets).mac
            assert answer is not None
            assert (answer.source, answer.destination) == (root, node)
            (correction,) = answer.header_ies
            assert correction.fields == {"time_correction": 0, "nack": 0}
    dio, dao = read["DIO"].packet.find(Dio), read["DAO"].packet.find(Dao)
    assert dio is not None
    assert dao is not None
    (configuration,) = dio.options
    assert isinstance(configuration, DodagConfiguration)
    defaults = {
        "dio_interval_min": 3,
        "dio_interval_doublings": 20,
        "dio_redundancy_constant": 10,
        "min_hop_rank_increase": 256,
        "path_control_size": 0,
        "objective_code_point": 1,
    }
    assert {name: getattr(configuration, name) for name in defaults} == defaults
    assert (dio.rpl_instance_id, dio.version, dao.rpl_instance_id, dao.sequence) == (0, 240, 0, 240)
    header = read["DIO"].packet.find(Ipv6)
    assert header is not None
    assert str(header.destination) == "ff02::1a"
    (outer,) = macs["beacon"].payload_ies
    fields = {one.name: one.fields for one in outer.nested}
    assert fields["TSCH synchronization IE"] == {"asn": 0, "join_metric": 0}
    (frame,) = fields["TSCH slotframe and link IE"]["slotframes"]
    assert frame["slotframe_size"] == 101
    every = ("tx", "rx", "shared", "timekeeping")
    (cell,) = frame["links"]
    assert {"timeslot": 0, "channel_offset": 0, **dict.fromkeys(every, 1)}.items() <= cell.items()
