"""Datagrams in several frames: put together at each hop (RFC 4944), or fragments forwarded one by one (RFC 8931).

Times by hand where nothing is lost; with losses and queues against a simulation of a few lines, cell by cell.
"""

import json
from collections import Counter, deque
from collections.abc import Iterator
from math import inf
from pathlib import Path
from random import Random

import pytest
from contract import entry
from findings.cases_deployment import heard, slotted

from lowpanbudget import parse_design
from lowpanbudget.deployment import carry as carrying
from lowpanbudget.deployment.airtime import airtime
from lowpanbudget.deployment.burst import carry_burst
from lowpanbudget.deployment.carried import LimitCheck, Matter
from lowpanbudget.deployment.carry import carry
from lowpanbudget.deployment.contention_air import Air
from lowpanbudget.deployment.contention_rules import (
    CsmaRules,
    HearingRanges,
    Sending,
    SimulatedFrame,
)
from lowpanbudget.deployment.fragments import burst_doubt, with_acknowledgements
from lowpanbudget.deployment.load import loads
from lowpanbudget.deployment.sent_again import Doubts
from lowpanbudget.deployment.service import HopService
from lowpanbudget.deployment.slot_fragments import fragment_times
from lowpanbudget.deployment.slot_run import Arrival, SlotLink, run_slots
from lowpanbudget.deployment.traffic import traffic_of
from lowpanbudget.design.meaning import Design
from lowpanbudget.report.page.network import network_part

SLOT_S, SLOTFRAME, CELL_S = 0.01, 101, 1.01
TREE = "[tree]\nby_hop = [1, 1, 2]\n[queue]\nframes = 5\n[loss]\nframes = 0.08\n"
RECOVERABLE = ("pan_id = 0x1a2b\n", 'pan_id = 0x1a2b\n[network]\nfragments = "recoverable"\n')


def test_fragments_pass_a_link_each_cell() -> None:
    """Two frames over two links without loss, cells 0 and 1 of four: sent in 0 and 4, on in 1 and 5."""
    links, coming = [SlotLink((0,)), SlotLink((1,))], [Arrival(0.0, (0, 1), 2, apart=True)]
    found = run_slots(coming, links, slotframe=4, slot_s=1.0, attempts=1, places=2, seed=1)
    assert found.arrived_s == (6.0,)  # put together at the first hop it is 10: test_slots
    assert found.transmissions == 4
    # of one place the second finds none, and the first goes on all the same
    found = run_slots(coming, links, slotframe=4, slot_s=1.0, attempts=1, places=1, seed=1)
    assert (found.arrived_s, found.lost, found.lost_at) == ((None,), ("queue",), (0,))
    assert found.transmissions == 2


def test_where_the_first_fragment_did_not_pass_none_does() -> None:
    """RFC 8931 section 6.1.2: without what the first one left there the next ones are not forwarded."""
    links = [SlotLink((0,)), SlotLink((1,), loss=1.0), SlotLink((2,))]
    coming = [Arrival(0.0, (0, 1, 2), 3, apart=True)]
    found = run_slots(coming, links, slotframe=4, slot_s=1.0, attempts=2, places=None, seed=1)
    # each is tried once on the first link and twice on the second, and there they end
    assert found.transmissions == 3 * 3
    assert (found.lost, found.lost_at) == (("link",), (1,))


def test_in_a_mesh_each_goes_on_whatever_became_of_the_first() -> None:
    """Of three frames half are lost on the second link: 1.5 go on; where the first must be there 0.5 + 2 * 0.25."""
    links = [SlotLink((0,)), SlotLink((1,), loss=0.5), SlotLink((2,))]
    for led, going_on in ((False, 1.5), (True, 1.0)):
        coming = [Arrival(0.0, (0, 1, 2), 3, apart=True, led=led)]
        sent = [
            run_slots(
                coming, links, slotframe=4, slot_s=1.0, attempts=1, places=None, seed=seed
            ).transmissions
            for seed in range(1000)
        ]
        assert sum(sent) / len(sent) == pytest.approx(3 + 3 + going_on, abs=0.15)


def air(
    frames: int, forwarded: SimulatedFrame, *, apart: bool, hops: int = 2, led: bool = True
) -> Air:
    """One message over a line, with no backoffs: CCA 128 µs, turnaround 192, frames 1000, acknowledgements 300."""
    near = tuple(
        tuple(other for other in (node - 1, node + 1) if 0 <= other <= hops)
        for node in range(hops + 1)
    )
    rules = CsmaRules(0, 0, 4, 0, 320, 128, 192, 864)
    sending = Sending(
        tuple(range(hops, -1, -1)), inf, (SimulatedFrame(1000, 300),) * frames,
        (forwarded, *[SimulatedFrame(1000, 300)] * (frames - 1)), apart, 5000.0, led,
    )  # fmt: skip
    played = Air(rules, HearingRanges(near, near), [sending], None, 1, None, keeps=True)
    played.plan(0, [0.0])
    played.play(until_us=1e6)
    return played


def test_fragments_on_a_channel_by_hand() -> None:
    """A frame is 128 + 192 + 1000 µs, with its acknowledgement 192 + 300 more; the second begins after 5000."""
    frame = SimulatedFrame(1000, 300)
    assert air(2, frame, apart=True).log.end(0)[0] == 5000 + 2 * 1320 + 492
    # put together: two frames and their answers, then the first with its answer and the second
    assert air(2, frame, apart=False).log.end(0)[0] == 4 * 1320 + 3 * 492


def test_a_first_fragment_that_is_lost_leaves_no_way_on_a_channel() -> None:
    """The first one is lost on the second of three hops: the other one is sent as far, and not on."""
    lossy = air(2, SimulatedFrame(1000, 300, 1.0), apart=True, hops=3)
    assert lossy.log.lost["retries"] == 1
    assert lossy.transmissions == 4
    meshed = air(2, SimulatedFrame(1000, 300, 1.0), apart=True, hops=3, led=False)
    assert (meshed.log.lost["retries"], meshed.transmissions) == (1, 5)


def line(seed: int, loss: float, frames: int, hops: int) -> float | None:
    """When the last frame of a message is in over cells at random, from any time on: frame by frame, hop by hop.

    A frame goes over a link behind the one before it and behind itself on the link before.
    """
    random = Random(seed)
    phases = [random.randrange(SLOTFRAME) for _ in range(hops)]
    free, begins = [0] * hops, random.random() * SLOTFRAME
    last: float = 0
    for number in range(frames):
        there = begins
        for hop, phase in enumerate(phases):
            slot = max(there, free[hop])
            slot += (phase - slot) % SLOTFRAME
            received = None
            for _ in range(4):
                is_received = random.random() >= loss
                if is_received and received is None:
                    received = slot + 1
                slot += SLOTFRAME
                if is_received and random.random() >= loss:
                    break
            free[hop] = int(slot - SLOTFRAME) + 1
            if received is None:
                return None
            there = received
        last = there
        assert number < frames
    return (last - begins) * SLOT_S


@pytest.mark.parametrize(("loss", "frames", "hops"), [(0.0, 2, 2), (0.08, 4, 4), (0.3, 3, 3)])
def test_one_message_is_there_when_its_fragments_are(loss: float, frames: int, hops: int) -> None:
    found = fragment_times(
        ((loss, loss),) * hops, 1, None, SLOTFRAME, SLOT_S, None, 4, frames
    ).delays  # fmt: skip
    times = [line(seed, loss, frames, hops) for seed in range(4000)]
    there = sorted(one for one in times if one is not None)
    assert found.delivered == pytest.approx(len(there) / len(times), abs=0.015)
    assert found.mean_s == pytest.approx(sum(there) / len(there), rel=0.02)
    assert found.quantile_s(0.95) == pytest.approx(there[int(0.95 * len(there))], rel=0.04)


def design(*pairs: tuple[str, str], flow: str = "every_s = 60", octets: int = 350) -> Design:
    """The store in slots, a report of four frames each minute, over three hops."""
    text = slotted("", TREE, f"{flow}\nmost_frames = 8", octets)
    for old, new in pairs:
        assert old in text, old
        text = text.replace(old, new)
    return parse_design(text)


class _Fragment:
    def __init__(self, message: tuple[int, float], number: int) -> None:
        self.message, self.number, self.tries, self.passed = message, number, 0, False


def tree(
    seed: int, seconds: float, every_s: float, frames: int
) -> Iterator[tuple[int, float, float | None]]:
    """Yield node, begin and arrival of messages in the tree of ``design``: one cell after the other, nothing ahead.

    Fragments go on one by one, behind the first one.
    """
    random = Random(seed)
    parents = {1: 0, 2: 1, 3: 2, 4: 2}
    cells = {node: random.randrange(SLOTFRAME) for node in parents}
    queues: dict[int, deque[_Fragment]] = {node: deque() for node in parents}
    begin = {node: random.expovariate(1 / every_s) for node in parents}
    known: set[tuple[int, tuple[int, float]]] = set()
    there: Counter[tuple[int, float]] = Counter()
    found: dict[tuple[int, float], float | None] = {}
    in_turn = sorted(parents, key=lambda node: cells[node])
    for slotframe in range(int(seconds / CELL_S)):
        for node in in_turn:
            now = slotframe * CELL_S + cells[node] * SLOT_S
            while begin[node] <= now:
                message = node, begin[node]
                found[message] = None
                known.add((node, message))
                for number in range(min(frames, 5 - len(queues[node]))):
                    queues[node].append(_Fragment(message, number))
                begin[node] += random.expovariate(1 / every_s)
            if not queues[node]:
                continue
            head, to = queues[node][0], parents[node]
            head.tries += 1
            received = random.random() >= 0.08
            is_known = received and random.random() >= 0.08
            if received and not head.passed:
                head.passed = True
                if not to:
                    there[head.message] += 1
                    if there[head.message] == frames:
                        found[head.message] = now + SLOT_S
                else:
                    if not head.number:
                        known.add((to, head.message))
                    if (to, head.message) in known and len(queues[to]) < 5:
                        queues[to].append(_Fragment(head.message, head.number))
            if is_known or head.tries == 4:
                queues[node].popleft()
    yield from ((node, at, arrived) for (node, at), arrived in found.items())


def test_a_tree_forwards_fragments_as_it_does_cell_by_cell() -> None:
    """What is played of a whole design, with queues that overflow, beside the few lines above."""
    (service,) = (one for one in carry(design(RECOVERABLE)).services if one.hop == 3)
    assert service.frames == 4
    assert service.latency is not None
    assert service.queued is not None
    counted, times = 0, []
    for seed in range(40):
        for node, at, arrived in tree(seed, 4000, 60, 4):
            if node > 2 and 100 < at < 3900:
                counted += 1
                times += [arrived - at] if arrived is not None else []
    times.sort()
    assert 0.6 < len(times) / counted < 0.97  # queues do refuse
    assert service.delivered is not None
    share = service.delivered * service.queued
    assert share == pytest.approx(len(times) / counted, abs=0.02 + service.half_width)
    assert service.latency.median_s == pytest.approx(times[len(times) // 2], rel=0.05)
    assert service.latency.most_s == pytest.approx(times[int(0.95 * len(times))], rel=0.05)
    # plain fragments wait for each other at each hop
    (plain,) = (one for one in carry(design()).services if one.hop == 3)
    assert plain.latency is not None
    assert plain.latency.median_s > 1.3 * service.latency.median_s


def test_each_datagram_is_acknowledged_once() -> None:
    """RFC 8931 section 5.2: six octets, one frame a datagram the other way (section 6)."""
    given = design(RECOVERABLE)
    traffic = with_acknowledgements(given, traffic_of(given, airtime(given)))
    (stream,) = (one for one in traffic.streams if one.apart)
    (back,) = (one for one in traffic.streams if one.is_upkeep)
    assert (stream.way, len(stream.first), len(stream.forwarded)) == ("up", 4, 4)
    assert (back.way, back.every_s, back.senders) == ("down", stream.every_s, stream.senders)
    path = given.paths(given.flow("up"))[0]
    empty = given.link.frame(path.hop.destination, path.hop.source, b"")
    assert [frame.octets for frame in back.first] == [len(empty.octets) + 6]
    # two nodes stand behind the second one: three datagrams a minute
    assert loads(traffic, 4)[2].down.frames_per_s == pytest.approx(3 / 60)
    # what is one frame is none of it, and plain fragments are not acknowledged
    for other in (design(RECOVERABLE, octets=20), design()):
        sent = traffic_of(other, airtime(other))
        assert with_acknowledgements(other, sent) is sent


def test_what_is_sent_again_leaves_open_what_it_may_decide(monkeypatch: pytest.MonkeyPatch) -> None:
    """RFC 8931 section 7.1: what was lost is sent again, which no timer of a design tells."""
    monkeypatch.setattr(carrying, "_TRANSMISSIONS", 20_000)
    limits = "[limits]\ndelivery = 0.99\nlatency_s = {}\n"
    open_all = parse_design(_text(limits.format(60)))
    found = {one.matter: one for one in carry(open_all).checks}
    assert [found[name].is_close for name in ("delivery", "latency", "queue")] == [True] * 3
    assert "what is sent again from end to end is not played" in found["delivery"].text
    assert found["cells"].holds
    # what is too late once it is sent is not sooner with more load: half of it takes over six seconds
    late = next(
        one
        for one in carry(parse_design(_text(limits.format(4)))).checks
        if one.matter == "latency"
    )
    assert not late.holds
    assert not late.is_close
    # plain fragments are sent once: no
    plain = carry(parse_design(_text(limits.format(60), plain=True)))
    assert not plain.is_close
    assert not plain.holds


def _text(limits: str, *, plain: bool = False) -> str:
    text = slotted("", TREE + limits, "every_s = 60\nmost_frames = 8", 350)
    return text if plain else text.replace(*RECOVERABLE)


def checked(matter: Matter, about: str, measured: float, allowed: float) -> LimitCheck:
    return LimitCheck(
        matter, about, "so", measured, allowed, "share", measured / allowed, measured <= allowed
    )


@pytest.mark.parametrize(
    ("matter", "about", "measured", "verdict"),
    [
        # 10 % are lost, and sent again: what has less room than that left is open
        ("duty", "node 1.1", 0.85, "yes"), ("duty", "node 1.1", 0.95, "open"), ("duty", "node 1.1", 1.05, "no"),
        ("cells", "link", 0.95, "open"), ("relay", "node", 0.95, "yes"), ("battery", "node", 0.95, "open"),
        # more of what is sent again arrives; nobody sends that of another flow again
        ("delivery", "up reading, 2 hops", 0.95, "yes"), ("delivery", "up reading, 2 hops", 1.5, "open"),
        ("delivery", "other reading, 2 hops", 0.95, "open"), ("delivery", "other reading, 2 hops", 1.5, "no"),
        ("latency", "up reading, 2 hops", 0.95, "open"), ("queue", "node", 1.5, "open"), ("held", "node", 1.5, "open"),
    ],
)  # fmt: skip
def test_doubts(matter: Matter, about: str, measured: float, verdict: str) -> None:
    given = design(RECOVERABLE)
    traffic = traffic_of(given, airtime(given))
    service = HopService("up", "reading", "up", 2, 4, 0.9, None, 0.0, None, 0.9)
    told = Doubts(traffic, [service]).of(checked(matter, about, measured, 1.0))
    assert ("yes" if told.holds else "open" if told.is_close else "no") == verdict


def test_a_burst_of_fragments() -> None:
    """Twelve packets of four frames into five places: those that are lost would be sent again."""
    burst = '[[burst]]\nname = "all"\nflow = "up"\npackets = 12\noctets = 350\nevery_s = 5\nall_in_s = {}\n'
    several = parse_design(
        _text("").replace("every_s = 60\n", "every_s = 6000\n") + burst.format(100)
    )
    plan = carry_burst(several, "all", runs=40)
    assert not plan.holds
    assert plan.is_close
    assert "is acknowledged (section 6) is not played" in plan.taken[0]
    plain = carry_burst(parse_design(_text("", plain=True) + burst.format(100)), "all", runs=40)
    assert not plain.is_close
    assert "put together at each hop" in plain.taken[0]
    assert plain.arrived < plan.arrived
    # too late, though it is sent once and arrives: no
    soon = carry_burst(parse_design(_text("") + burst.format(56)), "all", runs=40)
    assert not soon.is_close
    # the channel carries its acknowledgements as well, cells do not
    yes = checked("latency", "burst all", 0.01, 0.05)
    assert burst_doubt(yes, None, in_cells=True).holds
    assert burst_doubt(yes, None, in_cells=False).is_close


def test_a_channel_waits_between_fragments() -> None:
    """RFC 8931 section 6: "let a frame progress a few hops and avoid hidden terminal issues"; without, most are hit."""
    text = heard("[tree]\nby_hop = [1, 1, 1]\n", "every_s = 60\nmost_frames = 8", 350).replace(
        *RECOVERABLE
    )
    found = carry(parse_design(text))
    last = next(one for one in found.services if one.hop == 3)
    assert last.delivered is not None
    assert last.delivered > 0.95
    assert any("lets up to 8 transmissions pass" in one for one in found.taken)
    assert last.quiet_latency is not None
    assert last.latency is not None
    # three messages in a minute meet hardly anything, and their senders wait all the same: 6 transmissions
    assert last.quiet_latency.median_s < last.latency.median_s
    assert last.quiet_latency.median_s == pytest.approx(last.latency.median_s, rel=0.05)


def test_what_is_taken_is_told_everywhere(tmp_path: Path) -> None:
    for plain, words in (
        (True, "are put together at each hop"),
        (False, "are forwarded one by one"),
    ):
        file = tmp_path / "several.toml"
        text = _text("", plain=plain).replace("every_s = 60\n", "every_s = 6000\n")
        file.write_text(text, encoding="utf-8")
        screen = entry.invoke("carry", str(file)).stdout
        assert words in " ".join(screen.split())
        told = json.loads(entry.invoke("carry", str(file), "--json").stdout)
        assert any(words in one for one in told["carry"]["taken"])
        burst = '[[burst]]\nname = "all"\nflow = "up"\npackets = 2\noctets = 350\nevery_s = 5\n'
        page, _ = network_part(parse_design(text + burst))
        assert page is not None
        assert (
            sum(words in one for one in page["cautions"]) == 2
        )  # of the network, and of its burst
