"""A queue with one server, slot by slot, and a link that loses frames in runs, try by try."""

from random import Random

import simpy
from simulation.contention import Events
from simulation.estimates import Estimate, mean


def geometric(arrival: float, service: float, slots: int, seed: int) -> tuple[Estimate, Estimate]:
    """The mean number in the system at the end of a slot, and the mean slots that one waits and is served.

    In each slot the one in front leaves with the chance ``service``, then one comes with the chance ``arrival``. Errors
    are those of 50 parts: neighbours in a queue are not independent.
    """
    env, random = simpy.Environment(), Random(seed)
    came: list[int] = []
    lengths: list[int] = []
    waits: list[int] = []

    def line() -> Events:
        while True:
            now = round(env.now)
            if came and random.random() < service:
                waits.append(now - came.pop(0))
            if random.random() < arrival:
                came.append(now)
            lengths.append(len(came))
            yield env.timeout(1)

    env.process(line())
    env.run(slots)
    return _by_parts(lengths), _by_parts(waits)


def _by_parts(values: list[int], parts: int = 50) -> Estimate:
    size = len(values) // parts
    return mean([sum(values[n * size : (n + 1) * size]) / size for n in range(parts)])


def lost_in_runs(
    memory: float,
    frames: int,
    seed: int,
    *,
    good: float = 0.01,
    bad: float = 0.9,
    mean_loss: float = 0.1,
) -> int:
    """How many of the frames lose all of four tries made back to back, each by a chain that is good or bad.

    From try to try the link keeps its state with the chance ``memory``, else it is bad as often as it is at all
    (Gilbert and Elliott). Frames lie far apart.
    """
    random = Random(seed)
    bad_share = (mean_loss - good) / (bad - good)
    gone = 0
    for _ in range(frames):
        is_bad = random.random() < bad_share
        for _ in range(4):
            if random.random() >= (bad if is_bad else good):
                break
            if random.random() >= memory:
                is_bad = random.random() < bad_share
        else:
            gone += 1
    return gone
