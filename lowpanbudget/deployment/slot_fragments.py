"""When all frames are there of messages whose frames go on one by one, over cells of their own and empty queues.

Played: one frame after the other is under way on several links at once, and no sum of delays is that.
"""

from collections.abc import Sequence
from functools import lru_cache
from random import Random
from typing import NamedTuple

from lowpanbudget.deployment.delays import Delays, delays
from lowpanbudget.deployment.delivery import LossStates
from lowpanbudget.deployment.service import QuantileRange, ranges_of
from lowpanbudget.deployment.slot_latency import even_cells
from lowpanbudget.deployment.slot_run import Arrival, SlotLink, run_slots

_EACH = 20  # messages over cells that then are placed anew
_SCHEDULES, _FRAMES = 200, 10_000  # so often, or until so many frames passed so many hops


class FragmentTimes(NamedTuple):
    """How long messages took: their delays, how far the quantiles of these may be off, and how many there were."""

    delays: Delays
    ranges: tuple[QuantileRange, ...]
    messages: int


@lru_cache(maxsize=256)  # streams of frames alike, and designs with one change
def fragment_times(
    losses: Sequence[tuple[float, float]],
    cells: int,
    step: int | None,
    slotframe: int,
    slot_s: float,
    runs: LossStates | None,
    attempts: int,
    frames: int,
) -> FragmentTimes:
    """Return what a path takes whose links lose such shares of frames and of acknowledgements, from any time on.

    The cells of each link come ``step`` slots behind those of the link before; None: anywhere.
    """
    import numpy as np  # noqa: PLC0415

    random = Random(1)  # noqa: S311  # no secret: a run that can be repeated
    way = tuple(range(len(losses)))
    # behind this nothing of a message is left
    apart_s = (len(way) + frames) * (attempts + 1) * slotframe * slot_s
    counts = np.zeros(1 + round(apart_s / slot_s))
    schedules = min(_SCHEDULES, max(_SCHEDULES // 10, _FRAMES // (len(way) * frames)))
    times = []
    for _ in range(schedules):
        links = [
            SlotLink(
                even_cells(cells, slotframe, random.randrange(slotframe) if step is None else index * step),
                *loses,
            )
            for index, loses in enumerate(losses)
        ]  # fmt: skip
        coming = [
            Arrival((number + random.random()) * apart_s, way, frames, apart=True)
            for number in range(0, 2 * _EACH, 2)
        ]
        run = run_slots(
            coming, links, slotframe=slotframe, slot_s=slot_s, attempts=attempts, places=None,
            seed=random.getrandbits(64), runs=runs,
        )  # fmt: skip
        pairs = zip(coming, run.arrived_s, strict=True)
        times.append([at - one.at_s for one, at in pairs if at is not None])
        for late_s in times[-1]:
            counts[min(round(late_s / slot_s + 0.5), len(counts) - 1)] += 1
    played = schedules * _EACH
    return FragmentTimes(delays(slot_s, counts / played), ranges_of(times), played)
