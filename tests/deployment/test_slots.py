"""Cells of their own: latency over paths, queues, bursts, against closed forms and other ways to the same numbers."""

from collections import Counter
from itertools import product
from math import isclose, prod, sqrt

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lowpanbudget.deployment.burst_queues import summed
from lowpanbudget.deployment.delays import Delays
from lowpanbudget.deployment.link_queue import link_queue, poisson
from lowpanbudget.deployment.slot_latency import even_cells, hop_latency, path_latency
from lowpanbudget.deployment.slot_run import Arrival, SlotLink, run_slots

S, T = 101, 0.01  # the slotframe and the slot of the examples of RFC 8180 section 4.2, 10 ms

# success of a try, hops; delivered; mean and quantiles in seconds with cells at random, in order, in reverse: by
# convolution beforehand, 101 slots of 10 ms, four tries
TABLE = [
    (1, 1, 1, (0.51, 0.51, 0.96, 1.00), (0.51, 0.96, 1.00), (0.51, 0.96, 1.00)),
    (1, 12, 1, (6.12, 6.12, 7.78, 8.45), (0.62, 1.07, 1.11), (11.51, 11.96, 12.00)),
    (0.9, 4, 0.999600, (2.49, 2.37, 4.16, 5.15), (0.80, 2.53, 3.48), (3.77, 5.50, 6.45)),
    (0.9, 8, 0.999200, (4.97, 4.86, 7.29, 8.52), (1.29, 3.48, 4.68), (8.22, 10.41, 11.61)),
    (0.9, 12, 0.998801, (7.46, 7.34, 10.25, 11.68), (1.77, 4.27, 5.69), (12.66, 15.16, 16.58)),
    (0.7, 12, 0.907015, (10.92, 10.73, 15.54, 17.77), (5.20, 9.80, 11.95), (16.09, 20.69, 22.84)),
]  # fmt: skip


def quantiles(of: Delays) -> tuple[float, ...]:
    return tuple(round(of.quantile_s(share), 2) for share in (0.5, 0.95, 0.99))


@pytest.mark.parametrize(
    ("succeeds", "hops", "delivered", "anyhow", "in_order", "in_reverse"), TABLE
)
def test_the_order_of_cells_decides(
    succeeds: float, hops: int, delivered: float, anyhow: tuple[float, ...], in_order: tuple[float, ...],
    in_reverse: tuple[float, ...],
) -> None:  # fmt: skip
    found = hop_latency((0,), S, T, succeeds, 4).times(hops)
    assert round(found.delivered, 6) == delivered
    assert (round(found.mean_s, 2), *quantiles(found)) == anyhow
    for step, expected in ((1, in_order), (-1, in_reverse)):
        cells = [(index * step % S,) for index in range(hops)]
        path = path_latency(cells, S, T, [succeeds] * hops, 4)
        assert isclose(path.delivered, found.delivered, rel_tol=1e-12)
        assert quantiles(path) == expected


def enumerated(
    cells: list[tuple[int, ...]], slotframe: int, chances: list[float], attempts: int, frames: int
) -> dict[int, float]:
    """The shares by slots until the message is there, every beginning and every number of tries taken by itself."""
    found: dict[int, float] = {}
    tries = range(1, attempts + 1)
    for begin in range(slotframe):
        for counts in product(tries, repeat=len(cells) * frames):
            weight, now = 1 / slotframe, begin
            for index, count in enumerate(counts):
                link, chance = cells[index // frames], chances[index // frames]
                weight *= (1 - chance) ** (count - 1) * chance
                for _ in range(count):
                    while now % slotframe not in link:
                        now += 1
                    now += 1
            found[now - begin] = found.get(now - begin, 0.0) + weight
    return found


@given(
    st.integers(2, 6),
    st.lists(st.sets(st.integers(0, 5), min_size=1, max_size=3), min_size=1, max_size=2),
    st.floats(0.2, 1), st.floats(0.2, 1), st.integers(1, 3), st.integers(1, 2),
)  # fmt: skip
def test_latency_is_the_sum_over_every_case(
    slotframe: int, cells: list[set[int]], one: float, other: float, attempts: int, frames: int
) -> None:
    ways = [tuple(sorted({cell % slotframe for cell in link})) for link in cells]
    chances = [one, other][: len(ways)]
    found = path_latency(ways, slotframe, 1.0, chances, attempts, frames)
    expected = enumerated(ways, slotframe, chances, attempts, frames)
    for steps in range(len(found.shares)):
        assert isclose(found.shares[steps], expected.get(steps, 0.0), abs_tol=1e-12)
    assert isclose(sum(expected.values()), found.delivered, rel_tol=1e-12)


def test_the_last_slot_is_that_of_the_last_try() -> None:
    """There just behind a cell, which one in five is; two frames over two links, three tries each: 12 slotframes.

    In the same slot of the slotframe again and again all tries but the last of each frame fail.
    """
    found = path_latency([(2,), (2,)], 5, 1.0, [0.6, 0.7], 3, 2)
    assert len(found.shares) == 1 + 12 * 5
    expected = (0.4**2 * 0.6) ** 2 * (0.3**2 * 0.7) ** 2 / 5
    assert isclose(found.shares[-1], expected, rel_tol=1e-12)


@pytest.mark.parametrize(
    ("arrives", "frames", "wait"), [(0.3, 0.35, 7 / 6), (0.5, 0.625, 1.25), (0.8, 1.6, 2.0)]
)
def test_a_queue_without_end_is_geo_geo_1(arrives: float, frames: float, wait: float) -> None:
    """L = a (1 - a) / (s - a) and W = (1 - a) / (s - a), the last frame leaving before the next one comes; s = 0.9.

    One frame in 10^20 is tried more than twenty times, and fewer find sixty others before them.
    """
    found = link_queue((1 - arrives, arrives), 0.9, 20, 60)
    assert isclose(found.mean_frames, frames, rel_tol=1e-9)
    assert isclose(found.mean_wait, wait, rel_tol=1e-9)


def test_a_queue_to_which_a_frame_comes_in_every_cell_stays_as_it_is() -> None:
    """By hand: each is sent in the cell behind that in which it came, and the next one is there by then."""
    found = link_queue((0.0, 1.0), 1.0, 4, 60)
    told = (found.mean_frames, found.mean_wait, found.full, found.empty)
    assert told == pytest.approx((1, 1, 0, 0), abs=1e-6)


@given(
    st.lists(st.floats(0.05, 1), min_size=2, max_size=4), st.floats(0.1, 1), st.integers(1, 3),
    st.integers(1, 4),
)  # fmt: skip
def test_a_queue_is_what_its_chain_comes_to(
    weights: list[float], succeeds: float, attempts: int, places: int
) -> None:
    """The chain of (frames, tries of the first) stepped until it stands still: another way to the same numbers."""
    arrivals = [weight / sum(weights) for weight in weights]
    state = {(0, 0): 1.0}
    full = 0.0
    for _ in range(3000):
        served: dict[tuple[int, int], float] = {}
        for (frames, tried), chance in state.items():
            ends = [((0, 0), 1.0)]
            if frames:
                last = tried + 1 == attempts
                ends = [((frames - 1, 0), succeeds)]
                ends.append(((frames - 1, 0) if last else (frames, tried + 1), 1 - succeeds))
            for end, share in ends:
                served[end] = served.get(end, 0.0) + chance * share
        before, state, full = state, {}, 0.0
        for (frames, tried), chance in served.items():
            for coming, share in enumerate(arrivals):
                then = min(frames + coming, places)
                full += chance * share * (frames + coming - then)
                state[then, tried] = state.get((then, tried), 0.0) + chance * share
        if all(abs(chance - before.get(key, 0.0)) < 1e-13 for key, chance in state.items()):
            break
    found = link_queue(arrivals, succeeds, attempts, places)
    mean = sum(waiting * chance for (waiting, _), chance in state.items())
    rate = sum(count * share for count, share in enumerate(arrivals))
    assert isclose(found.mean_frames, mean, rel_tol=1e-6, abs_tol=1e-9)
    for length, share in enumerate(found.lengths):
        chances = [chance for (frames, _), chance in state.items() if frames == length]
        assert isclose(share, sum(chances), rel_tol=1e-6, abs_tol=1e-9)
    assert isclose(found.full, full / rate, rel_tol=1e-6, abs_tol=1e-9)
    assert isclose(found.mean_wait * rate * (1 - found.full), mean, rel_tol=1e-6, abs_tol=1e-9)
    assert isclose(found.given_up, (1 - succeeds) ** attempts, rel_tol=1e-12)


def test_arrivals_add_up() -> None:
    """e^-2 of no message, 2 e^-2 of one, in threes."""
    found = poisson(2.0, 3)
    assert isclose(sum(found), 1, rel_tol=1e-12)
    assert isclose(found[3] / found[0], 2, rel_tol=1e-12)
    assert found[1] == found[2] == 0


# cells, success of a try, places; packets lost to the full queue and arrived, highest mean queue: stepped beforehand by
# another program, 100 packets each 100 ms, 101 slots of 10 ms, four tries, cells evenly spread
BURSTS = [
    (1, 1, 8, 82, 18, 8),
    (1, 1, 16, 74, 26, 16),
    (1, 1, 128, 0, 100, 90),
    (1, 0.9, 128, 0, 99.99, 91),
    (5, 0.9, 16, 39.90, 60.10, 16),
    (10, 1, 8, 0, 100, 1),
    (10, 0.9, 8, 3.90, 96.09, 7.7),
    (10, 0.9, 16, 0.13, 99.86, 10.8),
    (11, 0.9, 8, 0.19, 99.80, 4.4),
    (12, 0.9, 8, 0.00, 99.99, 1.8),
]


@pytest.mark.parametrize(("cells", "succeeds", "places", "full", "arrived", "highest"), BURSTS)
def test_a_burst_of_a_hundred_over_one_link(
    cells: int, succeeds: float, places: int, full: float, arrived: float, highest: float
) -> None:
    """Where in the slotframe the first cell stands moves the last digits; the highest queue by up to one frame.

    Means of 100 runs, within four standard errors, at fixed seeds; those of a queue by half a frame more.
    """
    first, count = 1 if succeeds < 1 and cells > 1 else 0, 100
    link = SlotLink(even_cells(cells, S, first), 1 - succeeds)
    runs = [
        run_slots(
            [Arrival(number * 0.1, (0,)) for number in range(100)], [link], slotframe=S, slot_s=T, attempts=4,
            places=places, seed=seed, trace=(0,),
        )
        for seed in range(count)
    ]  # fmt: skip
    refused = [run.lost.count("queue") for run in runs]
    there = [100 - run.arrived_s.count(None) for run in runs]
    for values, expected in ((refused, full), (there, arrived)):
        mean = sum(values) / count
        error = (sum((one - mean) ** 2 for one in values) / count / count) ** 0.5
        assert abs(mean - expected) <= 4 * error + 0.05  # what is rare is not seen in so few
    waiting = max(frames for _, frames in summed([run.lengths[0] for run in runs])) / count
    assert waiting == pytest.approx(highest, abs=1.5)


def every_burst(
    packets: int, received: float, acknowledged: float, attempts: int
) -> dict[tuple[int | None, ...], float]:
    """When each packet is in (None: never) and the chance of it: a cell each second, all waiting, every case by itself.

    A try is lost, received, or received and acknowledged as well; the next packet follows what is acknowledged or given
    up.
    """
    tries = {
        "lost": 1 - received,
        "silent": received * (1 - acknowledged),
        "known": received * acknowledged,
    }
    # of one packet: cells taken, the cell of the first try that was received, chance
    one: list[tuple[int, int | None, float]] = []
    for count in range(1, attempts + 1):
        for before in product(("lost", "silent"), repeat=count - 1):
            for last in tries if count == attempts else ("known",):
                case = (*before, last)
                first = next((cell for cell, what in enumerate(case, 1) if what != "lost"), None)
                one.append((count, first, prod(tries[what] for what in case)))
    found: dict[tuple[int | None, ...], float] = {}
    for ways in product(one, repeat=packets):
        begin, ends = 0, []
        for count, first, _ in ways:
            ends.append(None if first is None else begin + first)
            begin += count
        key = tuple(ends)
        found[key] = found.get(key, 0.0) + prod(chance for _, _, chance in ways)
    return found


@pytest.mark.parametrize(
    ("packets", "received", "acknowledged", "attempts"),
    [(3, 0.5, 1.0, 2), (2, 0.5, 0.5, 2), (3, 0.7, 0.6, 3), (1, 0.2, 0.3, 4)],
)
def test_a_burst_is_every_case_as_often_as_it_is(
    packets: int, received: float, acknowledged: float, attempts: int
) -> None:
    """All times of all packets together, 4000 times at fixed seeds: each case within four standard errors and a run."""
    cases, count = every_burst(packets, received, acknowledged, attempts), 4000
    assert isclose(sum(cases.values()), 1)
    link, seen = SlotLink((0,), 1 - received, 1 - acknowledged), Counter[tuple[float | None, ...]]()
    for seed in range(count):
        found = run_slots(
            [Arrival(0.0, (0,))] * packets, [link], slotframe=1, slot_s=1.0, attempts=attempts, places=packets,
            seed=seed,
        )  # fmt: skip
        seen[found.arrived_s] += 1
    assert set(seen) <= set(cases)
    for ends, chance in cases.items():
        assert abs(seen[ends] - count * chance) <= 4 * sqrt(count * chance * (1 - chance)) + 1


def test_queues_are_traced_frame_by_frame() -> None:
    """Two messages at once over two links, a cell of each in four slots, the second place taken: by hand."""
    coming = [Arrival(0.0, (0, 1)), Arrival(0.0, (0, 1)), Arrival(0.0, (0, 1))]
    found = run_slots(
        coming, [SlotLink((1,)), SlotLink((2,))], slotframe=4, slot_s=1.0, attempts=1, places=2, seed=1, trace=(0, 1)
    )  # fmt: skip
    # cell 1 ends at 2, cell 5 at 6; those of the second link at 3 and 7
    assert found.lengths[0] == ((0, 1), (0, 2), (0, 2), (2, 1), (6, 0))
    assert found.lengths[1] == ((2, 1), (3, 0), (6, 1), (7, 0))
    assert (found.arrived_s, found.lost) == ((3, 7, None), (None, None, "queue"))
    assert (found.lost_at, found.transmissions) == ((None, None, 0), 4)
    untraced = run_slots(
        coming,
        [SlotLink((1,)), SlotLink((2,))],
        slotframe=4,
        slot_s=1.0,
        attempts=1,
        places=2,
        seed=1,
    )
    assert untraced.lengths == ((), ())


def test_cells_side_by_side_are_both_used() -> None:
    """Two messages at once, two cells one behind the other: the second goes in the slot behind the first."""
    found = run_slots(
        [Arrival(0.0, (0,))] * 2, [SlotLink((0, 1))], slotframe=4, slot_s=1.0, attempts=1, places=2, seed=1
    )  # fmt: skip
    assert found.arrived_s == (1, 2)


def test_frames_of_a_message_go_on_together() -> None:
    """Two frames over two links without loss, one cell of four slots each: 2 + 2 cells, and nothing before."""
    links, coming = [SlotLink((0,)), SlotLink((1,))], [Arrival(0.0, (0, 1), 2)]
    found = run_slots(coming, links, slotframe=4, slot_s=1.0, attempts=1, places=1, seed=1)
    assert found.lost == ("queue",)
    found = run_slots(coming, links, slotframe=4, slot_s=1.0, attempts=1, places=2, seed=1)
    # sent in slots 0 and 4, on in 5 and 9
    assert found.arrived_s == (10.0,)
    assert found.transmissions == 4
