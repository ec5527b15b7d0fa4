"""Losses in runs where nodes have cells of their own: what arrives and what is there in time is of one play."""

from collections import deque
from collections.abc import Iterator
from itertools import count
from math import exp
from random import Random

import pytest
from deployment.test_formulas import carried, in_slots
from simulation.estimates import Estimate, mean

from lowpanbudget.deployment.load import loads
from lowpanbudget.deployment.service import HopService
from lowpanbudget.deployment.slot_play import PlayedSlots
from lowpanbudget.deployment.slot_service import slot_services
from lowpanbudget.design.loss import FrameLoss, LossRuns
from lowpanbudget.design.waiting import SendQueue

LONG_S = 1000.0  # nothing is later
PLACES, RETRIES, CELL_S = 4, 3, 1.01
HELD = SendQueue(PLACES, shared=True)


def service(every_s: float, bad_s: float, transmissions: int) -> HopService:
    """One node and its reports, over a link that is dead in a fifth of all time, and loses nothing in the rest."""
    access, slots = in_slots(RETRIES)
    loss = FrameLoss(0.2, None, LossRuns(0.0, 1.0, bad_s * 1000, 0.2))
    traffic = carried((1,), every_s, loss=0.2, answer_loss=0.2)
    nodes = loads(traffic, RETRIES + 1)
    play = PlayedSlots(traffic, nodes, access, slots, loss, HELD, LONG_S, 1, transmissions)
    play.play()
    (found,) = slot_services(traffic, access, slots, loss, LONG_S, play.queues(), play.streams())
    return found


def good_cells(bad_s: float, random: Random) -> Iterator[bool]:
    """Yield for each cell whether the link is good: bad times last so long on average, good ones four times that."""
    is_good, until = True, random.expovariate(1 / (4 * bad_s))
    for cell in count(1):
        while until < cell * CELL_S:
            is_good = not is_good
            until += random.expovariate(1 / (4 * bad_s if is_good else bad_s))
        yield is_good


def arriving(every_s: float, bad_s: float, seed: int) -> float:
    """Play the same by hand: a queue of four, a cell each 1.01 s, four tries; what share of the reports comes."""
    random = Random(seed)
    coming, waiting, tries = random.expovariate(1 / every_s), deque[float](), 0
    made = arrived = 0
    for cell, is_good in enumerate(good_cells(bad_s, random), 1):
        while coming < cell * CELL_S:
            made += 1
            if len(waiting) < PLACES:
                waiting.append(coming)
            coming += random.expovariate(1 / every_s)
        if made > 4000:
            break
        if not waiting:
            continue
        tries += 1
        arrived += is_good
        if is_good or tries > RETRIES:
            waiting.popleft()
            tries = 0
    return arrived / made


def test_what_arrives_with_losses_in_runs_is_what_a_simulation_gives_that_knows_nothing_of_it() -> (
    None
):
    """Queues fill in dead times, in which as much is lost as it is: a full queue and a dead link are not two chances.

    A report meets a dead link in a fifth of all time, and outlasts it with three cells more: the closed form, which is
    too low by all that the queue refuses in place of the link.
    """
    every_s, bad_s = 4.0, 20.0
    found = service(every_s, bad_s, 40_000)
    assert found.queued is not None
    assert found.in_runs is not None
    told = found.in_runs * found.queued
    by_hand = mean([arriving(every_s, bad_s, seed) for seed in range(20)])
    # a half-width is two standard errors
    assert by_hand.agrees(Estimate(told, found.half_width / 1.96), errors=3)
    closed = 1 - 0.2 * exp(-RETRIES * CELL_S / bad_s)
    assert not by_hand.agrees(Estimate(closed * found.queued, found.half_width / 1.96), errors=3)


def test_no_more_is_in_time_than_arrives() -> None:
    """Where time has no end, as much is in time as arrives, and both are known as well."""
    found = service(4.0, 20.0, 4000)
    assert found.in_runs is not None
    assert found.queued is not None
    assert found.in_time == pytest.approx(found.in_runs * found.queued)
    assert found.half_width == pytest.approx(found.in_time_half_width)


def test_where_hardly_a_report_waits_links_stay_exact() -> None:
    """A report in ten minutes of 1.01 s each: so few find one waiting that a hundred played ones tell less."""
    bad_s = 4.0
    found = service(600.0, bad_s, 400)
    assert found.messages is not None
    # a state fades with 1 / (1 / 4 + 1 / 16) s; the first of four cells finds the link as it is on average
    stays = 0.2 + 0.8 * exp(-CELL_S * (1 / bad_s + 1 / (4 * bad_s)))
    assert found.in_runs == pytest.approx(1 - 0.2 * stays**RETRIES, rel=1e-9)
    assert 0 < found.half_width < 0.02
