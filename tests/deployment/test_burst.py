"""Bursts as they are told: what hand-made runs add up to, and played ones so simple that a pencil follows them."""

import json
from collections.abc import Callable, Iterable
from functools import partial
from math import isclose
from pathlib import Path
from random import Random
from typing import Any

import pytest
from contract import entry
from findings.cases_deployment import slotted
from simulation.captured import design

from lowpanbudget import carry, load_design, parse_design
from lowpanbudget.deployment import burst
from lowpanbudget.deployment.burst import PlayedBurst, carry_burst
from lowpanbudget.deployment.burst_ladders import burst_ladders
from lowpanbudget.deployment.burst_plan import BurstPlan
from lowpanbudget.deployment.burst_runs import BurstRun, slot_runs
from lowpanbudget.deployment.digits import rounded_up
from lowpanbudget.design.meaning import Design
from lowpanbudget.errors import RequestError
from lowpanbudget.findings.burst_helps import burst_changes_that_help
from lowpanbudget.report import burst_text
from lowpanbudget.report.burst_answer import burst_answer as answer
from lowpanbudget.report.carries import timeline_chart
from lowpanbudget.report.carry_answer import help_words
from lowpanbudget.report.screen import Screen
from lowpanbudget.values import replace

SLOTS = '[access]\nmethod = "slots"\n[access.slots]\nchannels = 1\n'
THREE = '[[burst]]\nname = "three"\nflow = "up"\npackets = 3\noctets = 20\nevery_s = 0.4\nall_in_s = 12\n'
CSMA = '[access]\nmethod = "csma"\n'


def volley(
    access: str, packets: int, hops: int, *, every_s: float = 1.0, more: str = "", all_in_s: float | None = None,
    octets: int = 19,
) -> Design:  # fmt: skip
    """The cold store as a line of nodes, with a burst; its own readings are a century apart."""
    text = (
        f'[tree]\nby_hop = {[1] * hops}\n{more}[[burst]]\nname = "volley"\nflow = "readings"\n'
        f"packets = {packets}\noctets = {octets}\nevery_s = {every_s}\n"
    )
    text += "" if all_in_s is None else f"all_in_s = {all_in_s}\n"
    return design(access + text, hops=hops, every_s=86_400)


def played(monkeypatch: pytest.MonkeyPatch, plan: Design, runs: list[BurstRun]) -> BurstPlan:
    """The plan from runs that are given."""
    given: Callable[..., list[BurstRun]] = lambda *_, **__: runs  # noqa: E731
    monkeypatch.setattr(burst, "slot_runs", given)
    return carry_burst(plan, "volley", runs=len(runs))


def test_runs_by_hand_are_told_as_they_were(monkeypatch: pytest.MonkeyPatch) -> None:
    """Two packets, a second apart, in 200 runs: the first takes 1 to 200 s, the second ten more.

    Of the second 50 are refused by the first queue and 30 lost on the second link, those that took longest.
    """
    runs = []
    for number in range(1, 201):
        lost, at = ("queue", 0) if number > 150 else ("link", 1) if number > 120 else ("", -1)
        second = None if lost else number + 11.0
        curve = ((0.0, 1), (100.0, 2), (200.0, 0)) if number <= 50 else ((0.0, 1), (200.0, 0))
        runs.append(BurstRun((float(number), second), ("", lost), (-1, at), (curve, ((0.0, 3),))))
    plan = played(monkeypatch, volley(SLOTS, 2, 2, all_in_s=60), runs)
    assert (plan.runs, plan.packets, plan.lasts_s, plan.frames) == (200, 2, 1, 1)
    assert plan.way == ("2.1", "1.1", "root")
    first, last = plan.plans
    assert (first.number, first.sent_s, last.number, last.sent_s) == (1, 0, 2, 1)
    assert (first.arrives, first.lost_queue, first.lost_link) == (1, 0, 0)
    assert (last.arrives, last.lost_queue, last.lost_link) == (0.6, 0.25, 0.15)
    # half of 1 to 200, and 95 % of them: between the 100th and the 101st, the 190th and the 191st
    assert first.median_s is not None
    assert first.most_s is not None
    assert 100 <= first.median_s <= 101
    assert 190 <= first.most_s <= 191
    # the second took 11 to 130 s from its own second on, 120 of them
    assert last.median_s is not None
    assert last.most_s is not None
    assert 70 <= last.median_s <= 71
    assert 124 <= last.most_s <= 125
    assert isclose(first.in_time or 0, 60 / 200)
    assert isclose(last.in_time or 0, 49 / 200)  # 49 + 11 = 60
    assert (plan.arrived, plan.lost_queue, plan.lost_link) == (1.6, 0.25, 0.15)
    assert plan.all_in == 49 / 200
    # 95 % are wanted, so the upper end counts: the root p of (0.245 - p)^2 = 1.96^2 p (1 - p) / 200 is 0.3091
    assert plan.half_width == pytest.approx(0.3091 - 0.245, abs=1e-4)
    # the last that arrives: 12 to 131 of those whose second came, else the first, 121 to 200
    ends = sorted([n + 11 for n in range(1, 121)] + list(range(121, 201)))
    assert plan.done_s is not None
    assert plan.done_most_s is not None
    assert ends[99] <= plan.done_s <= ends[100]
    assert ends[189] <= plan.done_most_s <= ends[190]
    near, far = plan.queues
    assert (near.node, near.highest, near.lost_queue, near.lost_link) == ("2.1", 2, 0.25, 0)
    assert (far.node, far.highest, far.lost_queue, far.lost_link) == ("1.1", 3, 0, 0.15)
    # of the first queue one frame is in it in all runs, and from 100 s on two in a quarter of them
    assert near.points[0] == (0, 1)
    assert near.points[-1] == (200, 0)
    assert {mean for at, mean in near.points if at < 100} == {1}
    assert {mean for at, mean in near.points if 100 <= at < 200} == {1.25}
    assert near.highest_mean == 1.25
    gaps = {
        round(then[0] - at[0], 6) for at, then in zip(near.points, near.points[1:], strict=False)
    }
    assert len(gaps) == 1
    # what ends before the burst does is told up to its end
    assert (far.points[-1], far.highest_mean) == ((1, 3), 3)


def test_more_time_on_the_air_than_a_burst_lasts_is_told_as_it_is(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """By hand: 2.5 s on the air of two packets a second apart are 250 %, of eleven of ten seconds 25 %."""
    for packets, share, words in (
        (2, 2.5, "250 % of its time (of all nodes together: several send at once, or still do behind the last"),
        (11, 0.25, "25.0 % of its time; up to 2.5 s in 95 %"),
    ):  # fmt: skip
        run = BurstRun((1.0,) * packets, ("",) * packets, (-1,) * packets, ((), ()), 2.5)
        plan = played(monkeypatch, volley(SLOTS, packets, 2), [run] * 20)
        assert (plan.air_s, plan.air_share) == (2.5, share)
        told = Screen(300).draw(partial(burst_text.burst, screen=Screen(300), plan=plan))
        assert words in " ".join(told.split())


def test_queues_of_packets_as_regular_as_the_picture_are_told_as_full_as_they_are(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """By hand: 60 packets, one each 0.5 s, in the queue for 10 ms each: 0.01/0.5 of the time, at most one at a time.

    30 s in 60 stretches have a packet in each; looked at where they begin alone they had one in the queue all the time.
    """
    lengths = [(at / 2 + late, 1 - late * 100) for at in range(60) for late in (0, 0.01)]
    steps = tuple((at, round(length)) for at, length in [*lengths, (30.0, 0)])
    late = tuple(
        (at + 0.25, length) for at, length in steps[:-1]
    )  # of a relay, in half of the runs a little later
    runs = [
        BurstRun((1.0,) * 60, ("",) * 60, (-1,) * 60, (steps, relay))
        for relay in (steps, late) * 10
    ]
    near, far = played(monkeypatch, volley(SLOTS, 60, 2, every_s=0.5, all_in_s=60), runs).queues
    assert [mean for _, mean in near.points[:-1]] == pytest.approx([0.02] * 60)
    assert [mean for _, mean in far.points[:-2]] == pytest.approx([0.02] * 59, rel=0.03)
    assert (near.highest_mean, far.highest_mean) == (1, 0.5)
    assert (near.highest, far.highest) == (1, 1)


def test_what_a_busy_channel_costs_is_told_from_what_retries_do(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """By hand: of 20 runs with two packets one is never sent in 12, and has used its tries up in 4.

    More backoffs help against the one (macMaxCSMABackoffs), more retries against the other (macMaxFrameRetries; IEEE
    802.15.4-2015 table 8-81, from memory).
    """
    runs = [
        BurstRun((1.0, None), ("", "access" if number < 12 else "link"), (-1, number % 2), ((), ()))
        for number in range(16)
    ] + [BurstRun((1.0, 2.0), ("", ""), (-1, -1), ((), ()))] * 4
    plan = played(monkeypatch, volley(SLOTS, 2, 2), runs)
    assert (
        plan.lost_link,
        plan.lost_access,
        plan.plans[1].lost_link,
        plan.plans[1].lost_access,
    ) == (pytest.approx((16 / 20, 12 / 20, 16 / 20, 12 / 20)))
    assert [(one.lost_link, one.lost_access) for one in plan.queues] == [(8 / 20, 6 / 20)] * 2
    told = Screen(200).draw(lambda console: burst_text.burst(console, Screen(200), plan))
    assert (
        "0.8 are lost on links: 0.6 for want of a free channel, 0.2 after the last retry." in told
    )


def test_a_channel_that_is_busy_is_not_a_link_that_loses() -> None:
    """Nothing is lost on the links of two hops; who finds the channel busy once gives up.

    The sender and its relay hear each other. With four more CCAs hardly any is given up, and where a busy channel
    counts as a try that failed no frame is (IEEE 802.15.4-2015 section 6.2.5.1, from memory).
    """
    quick = CSMA.replace("\n", "\nretries = 0\n", 1)

    def lost(keys: str) -> tuple[float, float]:
        plan = carry_burst(volley(quick + keys, 20, 2, every_s=0.006), "volley", runs=40)
        return plan.lost_link, plan.lost_access

    link, access = lost("backoffs = 0\n")
    assert 1 < access <= link
    assert lost("backoffs = 4\n")[1] < access / 4
    assert lost('backoffs = 0\nbusy = "tries-again"\n')[1] == 0


def test_a_burst_is_played_until_none_of_its_frames_waits() -> None:
    """A packet of many frames, half of the tries lost: what is left of it when it is lost is sent all the same.

    Each frame is sent once, as nobody tries again: the time on the air is that of all frames, and no queue is left with
    any, though the packet is lost for good long before.
    """
    once = CSMA.replace("\n", "\nretries = 0\n", 1)
    lossy = "[loss]\nframes = 0.5\n"
    whole = carry_burst(volley(once, 1, 1, every_s=0.03, octets=1200), "volley", runs=20)
    assert whole.frames > 10
    assert whole.arrived == 1
    plan = carry_burst(volley(once, 1, 1, every_s=0.03, octets=1200, more=lossy), "volley", runs=20)
    assert plan.arrived < 1
    assert plan.queues[0].points[-1][1] == 0
    # half of the frames are acknowledged: 5 octets and 6 before them, 32 µs each
    answers_s = plan.frames * 352e-6
    assert plan.air_s == pytest.approx(whole.air_s - answers_s / 2, abs=answers_s / 6)


def test_a_burst_of_which_nothing_comes(monkeypatch: pytest.MonkeyPatch) -> None:
    """None of 20 runs is whole: z^2 / (20 + z^2) may be all the same (Wilson); and no packet has a time."""
    run = BurstRun((None, None), ("link", "link"), (0, 0), ((), ()))
    plan = played(monkeypatch, volley(SLOTS, 2, 2, all_in_s=60), [run] * 20)
    assert (plan.all_in, plan.arrived, plan.lost_link) == (0, 0, 2)
    assert plan.half_width == pytest.approx(0.16112, abs=1e-5)
    assert [(one.median_s, one.most_s, one.in_time) for one in plan.plans] == [(None, None, 0)] * 2
    assert (plan.done_s, plan.queues[0].highest, plan.queues[0].highest_mean) == (0, 0, 0)
    assert plan.queues[0].lost_link == 2


@pytest.mark.parametrize("access", [SLOTS, CSMA])
def test_a_look_is_the_begin_of_a_longer_one(access: str) -> None:
    """A burst that is played on comes to what it does at once; without its queues where nobody reads them."""
    plan = volley(access, 3, 2, all_in_s=3.0, more="[queue]\nframes = 1\n[loss]\nframes = 0.7\n")
    looked = PlayedBurst(plan, "volley", 1)
    for runs in (20, 50, 30):
        told = carry_burst(plan, "volley", runs=runs)
        assert told.lost_link
        assert len(told.queues) == 2
        assert looked.plan(runs) == replace(told, queues=())


@pytest.mark.parametrize("hops", [1, 2])
def test_a_packet_a_second_where_nodes_listen_first(hops: int) -> None:
    """A hop takes 0 to 7 backoffs of 320 µs, 128 of CCA, 192 of turnaround, and the frame; then its acknowledgement.

    (IEEE 802.15.4-2020 6.2.5.1 and 11.3, from memory.) Packets a second apart are never in each other's way; a relay
    that owes an acknowledgement finds the channel busy, and may draw of 16 backoffs, then of 32.
    """
    packets = 20
    plan = carry_burst(volley(CSMA, packets, hops, all_in_s=60), "volley", runs=20)
    assert len(plan.way) == hops + 1
    # 11 of MAC header and check, IPHC 2, of two hops an end that is not the link's own 2 and behind the first hop a hop
    # limit (RFC 6282 section 3.1.1), UDP 4 (section 4.3.3), data, and 6 before them; an acknowledgement has 5 and 6
    inline = [0] if hops == 1 else [2, 3]
    air_us = [(11 + 2 + more + 4 + 19 + 6) * 32 for more in inline]
    assert plan.air_s == pytest.approx(packets * sum(us + 352 for us in air_us) / 1e6)
    least = hops * (128e-6 + 192e-6) + sum(air_us) / 1e6
    most = least + hops * 7 * 320e-6 + (hops - 1) * (31 * 320e-6 + 576e-6)
    assert (plan.arrived, plan.all_in) == (packets, 1)
    assert plan.half_width == pytest.approx(0.16112, abs=1e-5)  # of 20 in 20: z^2 / (20 + z^2)
    for number, one in enumerate(plan.plans):
        assert (one.number, one.sent_s) == (number + 1, number)
        assert one.median_s is not None
        assert one.most_s is not None
        assert least - 1e-9 <= one.median_s <= one.most_s <= most + 1e-9
    assert plan.done_s is not None
    assert least - 1e-9 <= plan.done_s - plan.lasts_s <= most + 1e-9
    for queue in plan.queues:
        assert (queue.highest, queue.lost_queue, queue.lost_link) == (1, 0, 0)
        # the curve ends when the last frame is acknowledged
        ends_s = queue.points[-1][0] - plan.lasts_s
        assert least / 2 <= ends_s <= most + 192e-6 + 352e-6 + 1e-9
    # frames, acknowledgements and nothing else, in 19 s
    assert plan.air_share == pytest.approx(plan.air_s / 19)


def test_a_burst_is_played_to_its_end() -> None:
    """70 packets in 690 s: longer than is waited for what is on its way behind the last."""
    plan = carry_burst(volley(CSMA, 70, 1, every_s=10.0), "volley", runs=20)
    assert plan.arrived == 70
    assert plan.plans[-1].arrives == 1


def test_what_is_too_close_to_tell_is_played_longer() -> None:
    """One packet, tried once, of which 3.5 % are lost: 96.5 % are in, 95 % are asked for.

    In 200 runs that is known to about 1.96 sqrt(0.965 x 0.035 / 200) = 2.5 %, in 800 to 1.3 %. A number asked for is
    kept.
    """
    once = volley(CSMA + "retries = 0\n", 1, 1, more="[loss]\nframes = 0.035\n", all_in_s=1)
    short = carry_burst(once, "volley", runs=200)
    assert (short.runs, short.is_close) == (200, True)
    told: list[tuple[int, int]] = []
    plan = carry_burst(once, "volley", tell=lambda done, of: told.append((done, of)))
    assert (plan.holds, plan.is_close) == (True, False)
    assert plan.runs in {400, 800}
    assert plan.all_in == pytest.approx(0.965, abs=2 * plan.half_width)
    assert told[-1] == (plan.runs, plan.runs)
    assert [done for done, _ in told] == sorted(done for done, _ in told)
    # the first 200 are those that a short look has
    assert carry_burst(once, "volley", runs=plan.runs).plans == plan.plans


def test_time_on_the_air_of_a_burst_counts_every_try() -> None:
    """Frames of 1344 µs and acknowledgements of 352, four tries, a tenth of both lost: 1 - 0.19^4 over 0.81 tries.

    Nine tenths of them are answered.
    """
    lossy = "[loss]\nframes = 0.1\n"
    tries = (1 - 0.19**4) / 0.81
    plan = carry_burst(volley(CSMA, 10, 1, more=lossy), "volley", runs=400)
    assert plan.air_s == pytest.approx(10 * tries * (1344 + 0.9 * 352) / 1e6, rel=0.03)
    assert plan.air_most_s is not None
    assert plan.air_most_s > plan.air_s


@pytest.mark.parametrize(
    ("access", "every_s", "window_s", "relayed"),
    [(CSMA, 1.0, 4.5, 5), (CSMA, 1.0, 360, 10), (SLOTS, 1.0, 4.5, 5), (SLOTS, 0.1, 10.1, 10), (SLOTS, 0.1, 360, 10)],
)  # fmt: skip
def test_the_duty_cycle_of_a_burst_is_that_of_its_worst_window(
    access: str, every_s: float, window_s: float, relayed: int
) -> None:
    """Ten packets over a relay, which sends each and answers the sender: five in 4.5 s, or one in each cell of 1.01 s.

    Octets of 32 µs as above; in slots an acknowledgement has 15, with addresses, PAN and the correction of time. Beside
    them each of both nodes sends a reading a day, which is less than a part in 300.
    """
    first_us, later_us, answer_us = (
        octets * 32
        for octets in (
            6 + 11 + 2 + 2 + 4 + 19,
            6 + 11 + 2 + 3 + 4 + 19,
            6 + (5 if access == CSMA else 15),
        )
    )
    assert first_us < later_us
    share = relayed * (later_us + answer_us) / 1e6 / window_s
    for allowed, holds in ((share * 1.01, True), (share * 0.99, False)):
        limits = f"[limits]\nduty_cycle = {allowed:.12f}\nwindow_s = {window_s}\n"
        plan = carry_burst(volley(access, 10, 2, every_s=every_s, more=limits), "volley", runs=20)
        (duty,) = (one for one in plan.checks if one.matter == "duty")
        assert duty.about == "node 1.1"
        assert duty.allowed == pytest.approx(allowed)
        assert duty.measured == pytest.approx(share, rel=0.003)
        assert (duty.holds, plan.holds) == (holds, holds)
        assert f"of the worst {window_s:g} s, limits.duty_cycle is " in duty.text
        said = "Yes: 10 of 10 packets" if holds else f"No. node 1.1: {duty.text}. 10 of 10 packets"
        assert answer(plan).startswith(said)


def test_a_packet_that_breaks_a_limit_by_itself() -> None:
    """44 octets of 32 µs are 1.408 ms, and 19 more of them on either hop are."""
    plan = carry_burst(volley(CSMA, 2, 1, more="[limits]\nframe_ms = 1.3\n"), "volley", runs=20)
    assert [one.matter for one in plan.checks if not one.holds] == ["frame"]
    assert answer(plan).startswith(
        "No. readings volley, first hop: a frame takes 1.344 ms, limits.frame_ms is 1.3. 2 "
    )


def test_each_kind_of_broken_limit_is_named_once() -> None:
    """Two hops, each frame over 1 ms; two packets, passed on and answered, take more than 3.6 ms of an hour."""
    limits = "[limits]\nframe_ms = 1\nduty_cycle = 0.000001\n"
    plan = carry_burst(volley(CSMA, 2, 2, more=limits), "volley", runs=20)
    broken = [one for one in plan.checks if not one.holds]
    assert [one.matter for one in broken] == ["frame", "frame", "duty"]
    assert len({(one.about, one.text) for one in broken}) == 3
    frame, _, duty = (f"{one.about}: {one.text}" for one in broken)
    assert answer(plan).startswith(
        f"No. {frame}. {duty}. 2 of 2 packets of volley arrive over 2 hops"
    )


@pytest.mark.parametrize(
    ("whole", "holds", "is_close"), [(197, True, False), (195, False, True), (184, False, True), (183, False, False)]
)  # fmt: skip
def test_a_burst_whose_luck_decides_is_told_so(
    monkeypatch: pytest.MonkeyPatch, whole: int, holds: bool, is_close: bool
) -> None:
    """Of 200 runs, 95 % asked for: Wilson's interval begins at 95.7 % for 197 and 94.3 for 195, ends at 95.0 for 184.

    For 183 that is 94.6 %. Wald's for 195 begins at 95.3.
    """
    runs = [
        BurstRun((1.0, 2.0 if number < whole else None), ("", ""), (-1, -1), ((), ()))
        for number in range(200)
    ]
    plan = played(monkeypatch, volley(SLOTS, 2, 2, all_in_s=60), runs)
    assert [(one.holds, one.is_close) for one in plan.checks] == [(holds, is_close)]
    assert plan.holds == holds
    assert answer(plan).endswith(": too close to tell") == is_close
    assert answer(plan).startswith("Yes: " if holds else "Open: " if is_close else "No: ")


def test_what_is_lost_and_what_arrives_are_all_packets(monkeypatch: pytest.MonkeyPatch) -> None:
    """One of two packets is lost in one of 200 runs, 0.005 of a packet: 1.96 (1/200)^1/2 / 200^1/2 of it are open."""
    runs = [
        BurstRun((1.0, 2.0 if number else None), ("", "" if number else "link"), (-1, -1 if number else 1), ((), ()))
        for number in range(200)
    ]  # fmt: skip
    plan = played(monkeypatch, volley(SLOTS, 2, 2), runs)
    assert answer(plan).startswith("Yes: 1.995 (give or take 0.0098) of 2 packets of volley arrive")
    plan = played(monkeypatch, volley(SLOTS, 2, 2, all_in_s=60), runs)
    # what is not all is not told as all
    assert [row.value for row in timeline_chart(plan).rows] == ["100 %", "99.5 %"]
    screen = Screen(200)
    told = screen.draw(lambda console: burst_text.burst(console, screen, plan))
    arrive = "1.995 (give or take 0.0098) packets arrive on average"
    assert f"{arrive}, 0 find a queue full, 0.005 are lost on links." in told


def test_shares_of_one_column_are_told_with_the_same_digits(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Lost in none, 1, 2 and 100 of 200 runs: 100, 99.5, 99 and 50 %; where one needs a digit all have it."""
    lost_in = (0, 1, 2, 100)
    runs = [
        BurstRun(
            tuple(None if number < count else 1.0 for count in lost_in),
            tuple("link" if number < count else "" for count in lost_in),
            tuple(1 if number < count else -1 for count in lost_in), ((), ()),
        )
        for number in range(200)
    ]  # fmt: skip
    plan = played(monkeypatch, volley(SLOTS, 4, 2, all_in_s=60), runs)
    values = [row.value for row in timeline_chart(plan).rows]
    assert values == ["100 %", "99.5 %", "99.0 %", "50.0 %"]


def test_what_meets_is_on_the_air_again() -> None:
    """Nodes that hear nobody: two frames in a row meet on the way, and each try of them counts."""
    plan = carry_burst(
        volley(CSMA, 30, 4, every_s=0.005, more="hears = 1\ndisturbs = 2\n"), "volley", runs=20
    )
    # frames of the first hop and of three later ones, each once and answered, if nothing meets
    least = 30 * 4 * (1344 + 352) / 1e6
    assert plan.air_s > 1.1 * least * plan.arrived / 30
    # from runs of at most 30 packets each: their spread is 15 at most
    assert 0 < plan.arrived_half_width < 1.96 * 15 / 20**0.5


def test_a_burst_among_more_messages_than_can_be_played_is_refused() -> None:
    """Nine nodes that send a thousand a second each, for the 30 s in which they settle and 9 more."""
    burst = '[[burst]]\nname = "volley"\nflow = "readings"\npackets = 9\noctets = 19\nevery_s = 1\n'
    crowd = design(f"{CSMA}[tree]\nby_hop = [9]\n{burst}", hops=1, every_s=0.001)
    said = "351000 in each run: 9000 a second are readings reading"
    with pytest.raises(RequestError, match=said) as told:
        carry_burst(crowd, "volley")
    assert "raise every_s" in told.value.hint


def test_one_packet_is_told_as_one() -> None:
    plan = carry_burst(volley(SLOTS, 1, 1, all_in_s=60), "volley")
    assert answer(plan).startswith("Yes: the one packet of volley is in after 60 s over 1 hop")


def test_curves_of_queues_have_so_many_points() -> None:
    """61 at equal times, over one link as over two."""
    for hops in (1, 2):
        plan = carry_burst(volley(SLOTS, 5, hops), "volley", runs=20)
        assert [len(one.points) for one in plan.queues] == [61] * hops


def test_what_would_help_a_burst_is_tried(tmp_path: Path) -> None:
    """Four packets come between two cells, into two places: two go, and all four where there are four places.

    A cell lies among them in 3 of 101 slots at most, and one more goes.
    """
    four = '[[burst]]\nname = "four"\nflow = "up"\npackets = 4\noctets = 20\nevery_s = 0.01\n'
    text = slotted("", "[tree]\nby_hop = [1]\n[queue]\nframes = 2\n" + four, "every_s = 6000")
    small = parse_design(text)
    plan = carry_burst(small, "four")
    assert plan.arrived == pytest.approx(2, abs=0.1)
    found = {one.key: one for one in burst_changes_that_help(small, plan)}
    longer = found["queue.frames"]
    assert longer.holds
    assert longer.after is not None
    assert (longer.before.measured, longer.after.measured) == pytest.approx((0.5, 0.0), abs=0.025)
    assert longer.text == "4 places in each queue"
    assert "access.retries" not in found  # no link loses any
    file = tmp_path / "four.toml"
    file.write_text(text, encoding="utf-8")
    screen = " ".join(entry.invoke("carry", file, "--burst", "four").stdout.split())
    assert "What would help" in screen
    assert "4 places" in screen
    told = json.loads(entry.invoke("carry", file, "--burst", "four", "--json").stdout)["burst"]
    assert {one["key"] for one in told["helps"]} == set(found)
    # with them it is in, and nothing is tried
    enough = parse_design(text.replace("frames = 2", "frames = 4"))
    assert burst_changes_that_help(enough, carry_burst(enough, "four")) == ()
    # one burst in six hours breaks its limit by every packet: no change of what carries it is asked for
    limited = parse_design(text.replace("frames = 2", "frames = 4") + "[limits]\nframe_ms = 0.1\n")
    over = carry_burst(limited, "four")
    assert not over.holds
    assert burst_changes_that_help(limited, over) == ()


def test_a_slotframe_that_is_enough_by_luck_alone_is_not_told_as_enough(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """By hand: of 81 slots 12 of 400 runs are late, and of as many others 24; of 79 and fewer 8; 95 % are wanted.

    3 % +- 1.7 would be enough, 6 % are not. Of two cells 7 of the first 100 are late, and 2.5 % of all others.
    """

    def runs_of(then: Design, *place: object, **_: object) -> list[BurstRun]:
        numbers, seed = place[-2:]
        assert then.access is not None
        assert then.access.slots is not None
        assert isinstance(numbers, Iterable)
        assert isinstance(seed, int)
        slots = then.access.slots
        of_400 = 400 if slots.slotframe > 81 else 8 if slots.slotframe < 81 else 12 * seed
        if slots.cells == 2:
            of_400 = 10

        def is_late(run: int) -> bool:
            if slots.cells == 2 and run < 100:
                return run % 16 == 0
            return (run * of_400) % 400 < of_400

        return [
            BurstRun((61.0 if is_late(run) else 1.0,), ("",), (-1,), ((), ())) for run in numbers
        ]

    monkeypatch.setattr(burst, "slot_runs", runs_of)
    plan = volley(SLOTS + "slotframe = 151\ncells = 1\n", 1, 2, all_in_s=60)
    found = {one.key: one for one in burst_changes_that_help(plan, carry_burst(plan, "volley"))}
    slotframe, cells = found["access.slots.slotframe"], found["access.slots.cells"]
    assert (slotframe.text, slotframe.holds) == ("a slotframe of 79 slots", True)
    assert (cells.text, cells.holds) == ("2 cells to each parent", True)


def test_what_brings_a_burst_in_may_be_more_than_the_batteries_have() -> None:
    """Four packets within 0.6 s and one cell each 1.01 s: the last goes 3 s or more after the first, 2.9 are allowed.

    With two cells two go in each slotframe: the last leaves within 2.02 s and is over the second link half a slotframe
    later, 2.53 s. The relay listens in each cell: of days between those that it lasts with one and with two the network
    keeps those with one alone.
    """
    burst = '[[burst]]\nname = "four"\nflow = "up"\npackets = 4\noctets = 20\nevery_s = 0.2\nall_in_s = 2.9\n'
    radio = (
        '[radio]\nsource = "invented"\nsupply_v = 3\nsend_ma = 20\nreceive_ma = 20\nprocessor_ma = 1\nsleep_ua = 1\n'
        "wake_up_us = 1\n[battery]\ncapacity_mah = 2400\n"
    )

    def text(cells: int, days: float) -> str:
        limits = f"[limits]\nbattery_days = {days:.1f}\n"
        tables = "[tree]\nby_hop = [1, 1]\n" + radio + limits + burst
        return slotted(f"cells = {cells}", tables, "every_s = 6000")

    (one, two) = (
        min(
            node.battery_days.least
            for node in carry(parse_design(text(cells, 1))).nodes
            if node.battery_days
        )
        for cells in (1, 2)
    )
    assert two < one
    for days, is_enough in ((two / 2, True), ((one + two) / 2, False)):
        small = parse_design(text(1, days))
        assert carry(small).holds
        plan = carry_burst(small, "four")
        assert not plan.holds
        cells = {change.key: change for change in burst_changes_that_help(small, plan)}[
            "access.slots.cells"
        ]
        assert cells.after is not None
        assert cells.after.holds
        assert cells.text == "2 cells to each parent"
        assert cells.holds == is_enough
        assert ("its battery lasts" in cells.caution) != is_enough
        assert help_words(cells)[2] == (
            "then it carries" if is_enough else "next in the way: battery"
        )
        wider = parse_design(text(2, days))
        assert carry_burst(wider, "four").holds
        assert carry(wider).holds == is_enough


def test_a_burst_is_not_in_where_the_network_does_not_work(tmp_path: Path) -> None:
    """Two clocks of 40 ppm are 1280 µs apart after 16 s, the guard is 1100 µs (RFC 7554 appendix B.3 for the like)."""
    burst = '[[burst]]\nname = "four"\nflow = "up"\npackets = 4\noctets = 20\nevery_s = 2\nall_in_s = 60\n'
    for keep_alive_s, works in ((10, True), (16, False)):
        tables = f"[tree]\nby_hop = [1]\n[upkeep]\nkeep_alive_s = {keep_alive_s}\n{burst}"
        file = tmp_path / "drift.toml"
        file.write_text(slotted("drift_ppm = 40", tables, "every_s = 6000"), encoding="utf-8")
        done = entry.invoke("carry", file, "--burst", "four")
        assert done.exit_code == (0 if works else 1)
        said = " ".join(done.stdout.split())
        assert said.startswith("Yes: all 4 packets") == works
        assert ("No. This network does not work as it is designed. Clocks drift" in said) != works
        told = json.loads(entry.invoke("carry", file, "--burst", "four", "--json").stdout)["burst"]
        assert (told["answer"], told["holds"], bool(told["fails"])) == (
            ("yes", True, False) if works else ("no", False, True)
        )


def test_as_many_cells_as_bring_a_burst_in_are_told_and_no_more() -> None:
    """Twenty packets within a second over one link, all in 10 s: one cell a slotframe of 1.01 s takes 20 s and more.

    With two the last goes in the tenth slotframe, up to one late; with three in the seventh, 7.07 s.
    """
    twenty = '[[burst]]\nname = "b"\nflow = "up"\npackets = 20\noctets = 20\nevery_s = 0.05\nall_in_s = 9\n'
    tables = f"[tree]\nby_hop = [1]\n[queue]\nframes = 32\n{twenty}"
    text = slotted("cells = 1", tables, "every_s = 6000")
    plan = carry_burst(parse_design(text), "b")
    found = {one.text: one for one in burst_changes_that_help(parse_design(text), plan)}
    assert found["3 cells to each parent"].holds
    # by when one cell a slotframe has them in is told with a margin: a design that says so carries it for sure
    assert plan.enough_s is not None
    assert 20 * 1.01 - 1.01 <= plan.enough_s <= 21 * 1.01 + 0.01
    later = parse_design(text.replace("all_in_s = 9", f"all_in_s = {rounded_up(plan.enough_s):g}"))
    assert carry_burst(later, "b").holds


@pytest.mark.parametrize(
    ("value", "told"), [(21.84, 21.9), (21.8, 21.8), (0.101, 0.101), (1004.0, 1010.0), (3.0, 3.0)]
)
def test_three_digits_that_are_no_smaller(value: float, told: float) -> None:
    assert rounded_up(value) == told


def test_packets_one_a_second_over_cells_in_order() -> None:
    """A cell each 1.01 s, cells of later hops a slot behind: no packet waits but for its cell, and none is lost."""
    slots = SLOTS + 'order = "up"\n'
    plan = carry_burst(volley(slots, 5, 3, every_s=1.01, all_in_s=6), "volley", runs=20)
    assert (plan.arrived, plan.all_in, plan.lost_queue, plan.lost_link) == (5, 1, 0, 0)
    for one in plan.plans:
        assert one.median_s is not None
        assert one.most_s is not None
        # up to a slotframe until the first cell; three slots of 10 ms
        assert 0.03 - 1e-9 <= one.median_s <= one.most_s <= 1.01 + 0.03 + 1e-9
    # each packet meets the same phase of the slotframe as the first
    assert plan.plans[4].median_s == pytest.approx(plan.plans[0].median_s, abs=1e-9)
    assert [queue.highest for queue in plan.queues] == [1, 1, 1]


def test_packets_that_nobody_acknowledges_are_sent_once() -> None:
    """One link, one packet in five lost, and no second try."""
    made = volley(SLOTS, 4, 1, more="[loss]\nframes = 0.2\n", every_s=2)
    plan = carry_burst(replace(made, link=replace(made.link, acknowledged=False)), "volley")
    # of 800 packets; four standard errors
    assert plan.arrived / 4 == pytest.approx(0.8, abs=4 * (0.8 * 0.2 / 800) ** 0.5)


def test_one_link_by_hand() -> None:
    """Cells each 1.01 s, no losses, packets each 0.505 s: packet n is in with cell n, up to n x 1.01 s from the first.

    The first cell may come at once: half of the bursts begin in the half of the slotframe before it.
    """
    plan = carry_burst(volley(SLOTS, 4, 1, every_s=0.505, all_in_s=3.5), "volley")
    assert plan.arrived == 4
    waited = [
        one.median_s + one.sent_s - 1.01 * number
        for number, one in enumerate(plan.plans)
        if one.median_s is not None
    ]
    # all wait as long as the first for its cell: half a slotframe on average, and a slot of 10 ms
    assert waited == pytest.approx([waited[0]] * 4, abs=0.011)
    assert 0.4 < waited[0] < 0.62
    # the last one is in after 3.03 s and that wait: in time where it is 0.47 s or less, as in 46 of 101 bursts
    assert plan.all_in == pytest.approx(46 / 101, abs=4 * (0.46 * 0.54 / 200) ** 0.5)
    (queue,) = plan.queues
    assert (queue.highest, queue.lost_queue, queue.lost_link) == (3, 0, 0)


@pytest.mark.parametrize(("every_s", "usual"), [(3, True), (86_400, False)])
def test_over_one_link_a_burst_meets_what_its_node_sends_beside_it(
    every_s: float, usual: bool
) -> None:
    """Three places, a cell each 1.01 s, three packets each 0.4 s: alone all are in, beside a report each 3 s many not.

    The same stepped here: what waits as the burst begins, and what comes meanwhile, takes places.
    """
    text = slotted(
        "", f"[tree]\nby_hop = [1]\n[queue]\nframes = 3\n{THREE}", f"every_s = {every_s}"
    )
    plan = carry_burst(parse_design(text), "three", runs=400)
    whole, count = 0, 4000
    random = Random(1)
    for _ in range(count):
        begins = 30 + random.random() * 1.01
        coming = [begins, begins + 0.4, begins + 0.8]
        at = random.expovariate(1 / every_s)
        while at < begins + 2:
            coming.append(at)
            at += random.expovariate(1 / every_s)
        waiting, refused, cell = 0, False, 0
        for at in sorted(coming):
            while (cell := cell + 1) * 1.01 < at:
                waiting = max(waiting - 1, 0)
            cell -= 1
            refused |= (
                waiting == 3 and at >= begins and any(at == begins + 0.4 * n for n in range(3))
            )
            waiting = min(waiting + 1, 3)
        whole += not refused
    share = whole / count
    assert plan.all_in == pytest.approx(share, abs=4 * (share * (1 - share) / 400) ** 0.5 + 0.005)
    assert plan.holds is not usual
    assert (share < 0.9) is usual


@pytest.mark.parametrize(
    ("access", "hops", "all_in_s", "can_be"),
    [
        # the last of four packets goes after 0.3 s and takes three slots of 10 ms, or two where the first one begins
        (SLOTS + "cells = 40\n", 3, 0.33, True),
        (SLOTS + "cells = 40\n", 3, 0.31, False),
        # in any 1.01 s there are as many cells as a slotframe has: three packets of four, or all
        (SLOTS + "cells = 3\n", 1, 1.0, False),
        (SLOTS + "cells = 3\n", 1, 1.02, True),
        (SLOTS + "cells = 4\n", 1, 1.0, True),
        # 11 of MAC, IPHC 4, UDP 4, data and 6 before them, at 32 us an octet, over each of three hops: 4.224 ms or more
        (CSMA, 3, 0.3043, True),
        (CSMA, 3, 0.3042, False),
    ],
)
def test_a_burst_that_cannot_be_in_is_known_without_playing_it(
    access: str, hops: int, all_in_s: float, *, can_be: bool
) -> None:
    """By hand; and of what cannot be in no run is."""
    plan = volley(access, 4, hops, every_s=0.1, all_in_s=all_in_s)
    burst_ = PlayedBurst(plan, "volley", 1)
    assert burst_.can_be_in == can_be
    if not can_be:
        assert burst_.plan(50).all_in == 0


def test_what_cannot_bring_a_burst_in_is_not_played(monkeypatch: pytest.MonkeyPatch) -> None:
    """The footbridge's last packet has 0.1 s for twelve slots of 10 ms, whatever is changed; 0.005 of 100 are lost.

    So no change is sought further, none of the links is sent over more often, and no order or length of the slotframe
    is tried that is later: cells, a shorter slotframe and places are, 100 runs each, 200 of what helps.
    """
    played = []

    def counted(*given: Any, **named: Any) -> list[BurstRun]:
        found = slot_runs(*given, **named)
        played.append(len(found))
        return found

    monkeypatch.setattr(burst, "slot_runs", counted)
    footbridge = load_design(Path(__file__).parents[2] / "examples" / "footbridge.toml")
    plan = carry_burst(footbridge, "hundred")
    assert sum(played) == plan.runs == 200
    found = burst_changes_that_help(footbridge, plan)
    assert [one.key for one in found] == ["access.slots.cells", "access.slots.slotframe"]
    assert sum(played) - 200 == 500


def test_a_longer_slotframe_is_tried_where_it_may_outlast_bad_times() -> None:
    text = "[loss]\nframes = 0.2\n"
    for more, keys in (("", set()), ("[loss.runs]\ngood = 0.1\nbad = 0.9\nbad_ms = 500\n", {103})):
        plan = volley(SLOTS + "slotframe = 51\n", 9, 2, all_in_s=9, more=text + more)
        fired = carry_burst(plan, "volley", runs=20)
        assert plan.access is not None
        ladders = burst_ladders(plan, plan.access, fired)
        longer = {one.rungs[0] for one in ladders if one.key == "access.slots.slotframe"}
        assert {one for one in longer if one > 51} == keys
