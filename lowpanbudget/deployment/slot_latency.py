"""When a frame arrives over links with cells of their own, queues empty: exact, in whole slots.

A cell is the number of its slot in the slotframe. A frame waits for the next cell of the link; what is not acknowledged
waits for the one after; what arrived in a slot may go on in any later one. The order of the cells along a path decides
more than the loss: in order, a hop takes one slot; in reverse, a slotframe.
"""

from collections.abc import Sequence
from typing import TYPE_CHECKING

from lowpanbudget.deployment.delays import Delays, delays

if TYPE_CHECKING:
    import numpy as np

_NOTHING = 1e-16  # tries that this share reaches change no digit


def even_cells(count: int, slotframe: int, first: int = 0) -> tuple[int, ...]:
    """Return the slots of so many cells, spread evenly over the slotframe from a first one on."""
    return tuple(sorted((first + index * slotframe // count) % slotframe for index in range(count)))


def _gaps(cells: Sequence[int], slotframe: int) -> list[int]:
    """Return for each cell the slots since the one before it."""
    return [(cell - cells[index - 1] - 1) % slotframe + 1 for index, cell in enumerate(cells)]


def hop_latency(
    cells: Sequence[int],
    slotframe: int,
    slot_s: float,
    succeeds: float,
    attempts: int,
    frames: int = 1,
) -> Delays:
    """Return what one hop takes from any time on: all times in the slotframe are alike, as with cells placed at random.

    ``succeeds`` is the chance that one try delivers the frame, ``attempts`` how many there are. Hops of one schedule
    placed at random are independent of each other, so that ``Delays.times`` gives a path.
    """
    return path_latency([cells], slotframe, slot_s, [succeeds], attempts, frames)


def path_latency(
    cells: Sequence[Sequence[int]],
    slotframe: int,
    slot_s: float,
    succeeds: Sequence[float],
    attempts: int,
    frames: int = 1,
) -> Delays:
    """Return what a path takes whose links have these cells, in the order in which they are passed.

    Each link has one chance of success a try in ``succeeds``. The message is there at any time of the slotframe alike;
    one of several ``frames`` sends them one after the other, and goes on when all of them have passed a link.
    """
    import numpy as np  # noqa: PLC0415

    # each try is a slotframe at most behind what came before it
    size = 1 + slotframe * frames * sum(_most_tries(one, attempts) for one in succeeds)
    first = cells[0]
    # for each cell of the link: the share that tries there first, by the slots since the beginning
    tries = np.zeros((len(first), size))
    for index, gap in enumerate(_gaps(first, slotframe)):
        tries[index, 1 : gap + 1] = 1 / slotframe
    sent = _sent(tries, first, slotframe, succeeds[0], attempts, frames)
    for here, link, chance in zip(cells, cells[1:], succeeds[1:], strict=False):
        tries = np.zeros((len(link), size))
        for index, cell in enumerate(here):
            gap, to = _next_cell(cell, link, slotframe)
            tries[to, gap:] += sent[index, : size - gap]
        sent = _sent(tries, link, slotframe, chance, attempts, frames)
    return delays(slot_s, sent.sum(axis=0))


def _most_tries(succeeds: float, attempts: int) -> int:
    """Return how many of the attempts have a share that counts."""
    left, count = 1.0, 0
    while count < attempts and left > _NOTHING:
        left *= 1 - succeeds
        count += 1
    return count


def _next_cell(slot: int, cells: Sequence[int], slotframe: int) -> tuple[int, int]:
    """Return the slots to the next cell after a slot, and which of the cells it is."""
    return min(((cell - slot - 1) % slotframe + 1, index) for index, cell in enumerate(cells))


def _sent(
    tries: "np.ndarray",
    cells: Sequence[int],
    slotframe: int,
    succeeds: float,
    attempts: int,
    frames: int,
) -> "np.ndarray":
    """Return for each cell the share whose last frame is delivered in it, by the slots since the beginning."""
    gaps = _gaps(cells, slotframe)
    sent = _sent_once(tries, gaps, succeeds, attempts)
    for _ in range(frames - 1):
        sent = _sent_once(_a_cell_later(sent, gaps), gaps, succeeds, attempts)
    return sent


def _sent_once(
    tries: "np.ndarray", gaps: Sequence[int], succeeds: float, attempts: int
) -> "np.ndarray":
    import numpy as np  # noqa: PLC0415

    sent = np.zeros_like(tries)
    for _ in range(_most_tries(succeeds, attempts)):
        sent += tries * succeeds
        tries = _a_cell_later(tries * (1 - succeeds), gaps)
    return sent


def _a_cell_later(shares: "np.ndarray", gaps: Sequence[int]) -> "np.ndarray":
    """Return the shares as they come to the next cell of the link."""
    import numpy as np  # noqa: PLC0415

    later = np.zeros_like(shares)
    for index in range(len(gaps)):
        to = (index + 1) % len(gaps)
        later[to, gaps[to] :] = shares[index, : shares.shape[1] - gaps[to]]
    return later
