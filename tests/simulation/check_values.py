"""What the simulations must give: values that were calculated or simulated before, by others, with their errors.

Where a value comes from is said beside it. Those that were simulated have an error of their own, from as many packets
as they were made of. Every check takes a ``size``: 1 runs in a moment, more makes the errors smaller.
"""

from collections.abc import Callable, Iterator
from functools import partial
from math import sqrt
from typing import NamedTuple

from simulation.contention import Counted, star
from simulation.estimates import Estimate, mean, over_runs, quantile, share
from simulation.queued import geometric, lost_in_runs
from simulation.slotted import evenly, latencies, path


class Check(NamedTuple):
    """A number of a simulation, and the value that it must agree with."""

    name: str
    found: Estimate
    known: Estimate


# --- contention: simulated for the notes of this project by others, from the same standard ------------------------

# nodes, packets a second of each, seconds: share of busy CCAs, of frames that met others, and packets lost of all
STARS = {
    (10, 1.0): (0.044, 0.006, share(3, 12_076)),
    (10, 5.0): (0.207, 0.033, share(154, 60_331)),
    (20, 5.0): (0.409, 0.081, Estimate(0.023, sqrt(0.023 / 20_000))),
}
# at 10 nodes with 5 a second: by backoff stage, and by attempt
STAGES = (0.160, 0.444, 0.297, 0.302, 0.365)
ATTEMPTS = (0.028, 0.163, 0.262)
RUNS = 8


def contention(size: int) -> Iterator[Check]:
    """Stars in which all hear each other. The error of the older values is that of as many packets as they had."""
    for (nodes, rate), (busy, met, lost) in STARS.items():
        before = {(10, 1.0): 1200, (10, 5.0): 1200, (20, 5.0): 200}[nodes, rate]
        seconds = size * before / RUNS / 4
        runs = [star(nodes, rate, seconds, seed) for seed in range(RUNS)]

        def check(
            what: str,
            value: float,
            of: Callable[[Counted], Estimate],
            *,
            runs: list[Counted] = runs,
            name: str = f"{nodes} x {rate:g}/s",
            longer: float = before / (seconds * RUNS),
        ) -> Check:
            found = over_runs([of(run).value for run in runs])
            rounded = 0.0005 / sqrt(3)
            return Check(
                f"{name} {what}",
                found,
                Estimate(value, found.error / sqrt(longer) + rounded),
            )

        yield check("busy", busy, Counted.share_busy)
        yield check("met", met, Counted.share_hit)
        total = sum(len(run.packets) for run in runs)
        yield Check(
            f"{nodes} x {rate:g}/s lost",
            share(sum(bool(one.lost) for run in runs for one in run.packets), total),
            lost,
        )
        if (nodes, rate) == (10, 5.0):
            for stage, value in enumerate(STAGES):
                yield check(
                    f"busy at stage {stage}", value, partial(Counted.share_busy, stage=stage)
                )
            for attempt, value in enumerate(ATTEMPTS):
                yield check(
                    f"met at attempt {attempt}", value, partial(Counted.share_hit, attempt=attempt)
                )


# --- slots: calculated for the notes as convolutions ----------------------------------------------------------------

# cells, success, hops: mean, then median, 95 and 99 % in seconds; 101 slots of 10 ms, four tries
PATHS = {
    ("random", 1.0, 1): (0.51, 0.51, 0.96, 1.00),
    ("random", 1.0, 12): (6.12, 6.12, 7.78, 8.45),
    ("order", 1.0, 12): (0.62, 0.62, 1.07, 1.11),
    ("random", 0.9, 4): (2.49, 2.37, 4.16, 5.15),
    ("random", 0.9, 12): (7.46, 7.34, 10.25, 11.68),
    ("order", 0.9, 12): (None, 1.77, 4.27, 5.69),
    ("reverse", 0.9, 12): (None, 12.66, 15.16, 16.58),
    ("random", 0.7, 12): (10.92, 10.73, 15.54, 17.77),
}
# a hop loses what four tries in a row do; the 12-hop values stand in the notes as well
DELIVERED = {
    (1.0, 1): 1.0,
    (1.0, 12): 1.0,
    (0.9, 4): 0.9996,
    (0.9, 12): 0.998801,
    (0.7, 12): 0.907015,
}
_SLOT_ERROR = 0.01  # a quantile on a grid of slots cannot be told finer


def slotted(size: int) -> Iterator[Check]:
    """Lone packets over paths."""
    for number, ((cells, success, hops), (average, *parts)) in enumerate(PATHS.items()):
        count = 250 * size
        took, lost = latencies(cells, hops, success, count, 11 + number)
        name = f"{cells} cells, {success:g}, {hops} hops"
        if average is not None:
            yield Check(f"{name}: mean", mean(took), Estimate(average, 0.005))
        for part, value in zip((0.5, 0.95, 0.99), parts, strict=True):
            found = quantile(took, part)
            yield Check(
                f"{name}: {part:g}", found._replace(error=max(found.error, _SLOT_ERROR / 2)),
                Estimate(value, _SLOT_ERROR / 2),
            )  # fmt: skip
        arrived = share(count - lost, count)
        yield Check(f"{name}: arrived", arrived, Estimate(DELIVERED[success, hops], 5e-7))


# --- queues -----------------------------------------------------------------------------------------------------------

# Geo/Geo/1 with departures before arrivals, from the closed form: L = a (1 - a) / (s - a), W = (1 - a) / (s - a)
ARRIVALS, SERVICE = (0.3, 0.5, 0.8), 0.9

# cells, success, places: packets lost to a full queue, and packets that arrived, of 100 each 100 ms; 101 slots of
# 10 ms. An exact chain calculated for the notes.
BURSTS = {
    (1, 1.0, 8): (82.0, 18.0),
    (1, 1.0, 16): (74.0, 26.0),
    (1, 1.0, 128): (0.0, 100.0),
    (5, 0.9, 16): (39.90, 60.10),
    (10, 1.0, 8): (0.0, 100.0),
    (10, 0.9, 8): (3.90, 96.09),
    (10, 0.9, 16): (0.13, 99.86),
    (11, 0.9, 8): (0.19, 99.80),
}


def queued(size: int) -> Iterator[Check]:
    """One queue with one server, and bursts into a queue over one link."""
    for arrival in ARRIVALS:
        length, wait = geometric(arrival, SERVICE, 20_000 * size, 1)
        rest = (1 - arrival) / (SERVICE - arrival)
        yield Check(f"queue at {arrival}: length", length, Estimate(arrival * rest, 0))
        yield Check(f"queue at {arrival}: slots", wait, Estimate(rest, 0))
    for (cells, success, places), (full, arrived) in BURSTS.items():
        lost, came = [], []
        for seed in range(2 if success == 1 else 40 * size):
            network = path([evenly(cells, 101)], seed, success=success, places=places)
            network.burst(0, 100, 0.1)
            packets = network.run(150)
            lost.append(float(sum(one.lost == "queue" for one in packets)))
            came.append(float(sum(one.arrived is not None for one in packets)))
        name = f"burst over {cells} cells, {success:g}, {places} places"
        yield Check(f"{name}: queue full", mean(lost), Estimate(full, 0.0025))
        yield Check(f"{name}: arrived", mean(came), Estimate(arrived, 0.0025))


# memory from try to try: share of frames that lose four tries, good 0.01, bad 0.9, mean 0.1; calculated for the notes
IN_RUNS = {0.0: 1.0e-4, 0.9: 0.0501, 0.99: 0.0646}


def runs(size: int) -> Iterator[Check]:
    """Losses in runs: the mean says nothing about what retries help."""
    for memory, known in IN_RUNS.items():
        frames = 20_000 * size
        gone = lost_in_runs(memory, frames, 5)
        yield Check(
            f"memory {memory}: lost", share(gone, frames), Estimate(known, 5e-5 if memory else 5e-6)
        )


EVERY: dict[str, Callable[[int], Iterator[Check]]] = {
    "contention": contention,
    "slotted": slotted,
    "queued": queued,
    "runs": runs,
}
