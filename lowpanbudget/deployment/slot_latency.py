"""When a frame arrives over links with cells of their own, queues empty: exact, in whole slots.

A cell is the number of its slot in the slotframe. A frame waits for the next cell of the link; what is not acknowledged
waits for the one after; what arrived in a slot may go on in any later one. The order of the cells along a path decides
more than the loss: in order, a hop takes one slot; in reverse, a slotframe. Where losses come in runs a link is good or
bad, and what waits for its next cell may find it in its other state.
"""

from collections.abc import Sequence
from typing import TYPE_CHECKING, NamedTuple

from lowpanbudget.deployment.delays import Delays, delays
from lowpanbudget.deployment.delivery import LossStates

if TYPE_CHECKING:
    import numpy as np

_NOTHING = 1e-16  # tries that this share reaches change no digit


def even_cells(count: int, slotframe: int, first: int = 0) -> tuple[int, ...]:
    """Return the slots of so many cells, spread evenly over the slotframe from a first one on."""
    return tuple(sorted((first + index * slotframe // count) % slotframe for index in range(count)))


def hop_latency(
    cells: Sequence[int],
    slotframe: int,
    slot_s: float,
    succeeds: float | LossStates,
    attempts: int,
    frames: int = 1,
) -> Delays:
    """Return what one hop takes from any time on: all times in the slotframe are alike, as with cells placed at random.

    ``succeeds`` is the chance that one try delivers the frame, or the good and bad times of the link; ``attempts`` how
    many tries there are. Hops of one schedule
    placed at random are independent of each other, so that ``Delays.times`` gives a path.
    """
    return path_latency([cells], slotframe, slot_s, [succeeds], attempts, frames)


class _Link(NamedTuple):
    """A link: slots from each of its cells to the next, the chance of a try and the part of the time in each state.

    ``keeps`` is the share of its state that it still has at the next cell.
    """

    gaps: list[int]
    succeeds: tuple[float, ...]
    parts: tuple[float, ...]
    keeps: list[float]


def _link(
    cells: Sequence[int], slotframe: int, slot_s: float, succeeds: float | LossStates
) -> _Link:
    gaps = [(cell - cells[index - 1] - 1) % slotframe + 1 for index, cell in enumerate(cells)]
    if not isinstance(succeeds, LossStates):
        return _Link(gaps, (succeeds,), (1.0,), [1.0] * len(gaps))
    return _Link(
        gaps, (1 - succeeds.good, 1 - succeeds.bad), (1 - succeeds.bad_share, succeeds.bad_share),
        [succeeds.memory(gap * slot_s) for gap in gaps],
    )  # fmt: skip


def path_latency(
    cells: Sequence[Sequence[int]],
    slotframe: int,
    slot_s: float,
    succeeds: Sequence[float | LossStates],
    attempts: int,
    frames: int = 1,
) -> Delays:
    """Return what a path takes whose links have these cells, in the order in which they are passed.

    Each link has one chance of success a try in ``succeeds``, or its good and bad times. The message is there at any
    time of the slotframe alike, and finds each link in the mix of all time; one of several ``frames`` sends them one
    after the other, and goes on when all of them have passed a link.
    """
    import numpy as np  # noqa: PLC0415

    links = [
        _link(own, slotframe, slot_s, chance) for own, chance in zip(cells, succeeds, strict=False)
    ]
    # each try is a slotframe at most behind what came before it
    size = 1 + slotframe * frames * sum(_most_tries(link, attempts) for link in links)
    # for each cell of the link: the share that tries there first, by the slots since the beginning
    tries = np.zeros((len(cells[0]), size))
    for index, gap in enumerate(links[0].gaps):
        tries[index, 1 : gap + 1] = 1 / slotframe
    sent = _sent(tries, links[0], attempts, frames)
    for here, own, link in zip(cells, cells[1:], links[1:], strict=False):
        tries = np.zeros((len(own), size))
        for index, cell in enumerate(here):
            gap, to = _next_cell(cell, own, slotframe)
            tries[to, gap:] += sent[index, : size - gap]
        sent = _sent(tries, link, attempts, frames)
    return delays(slot_s, sent.sum(axis=0))


def _most_tries(link: _Link, attempts: int) -> int:
    """Return how many of the attempts have a share that counts."""
    left, count, least = 1.0, 0, min(link.succeeds)
    while count < attempts and left > _NOTHING:
        left *= 1 - least
        count += 1
    return count


def _next_cell(slot: int, cells: Sequence[int], slotframe: int) -> tuple[int, int]:
    """Return the slots to the next cell after a slot, and which of the cells it is."""
    return min(((cell - slot - 1) % slotframe + 1, index) for index, cell in enumerate(cells))


def _sent(tries: "np.ndarray", link: _Link, attempts: int, frames: int) -> "np.ndarray":
    """Return for each cell the share whose last frame is delivered in it, by the slots since the beginning."""
    states = [tries * part for part in link.parts]
    sent = _sent_once(states, link, attempts)
    for _ in range(frames - 1):
        sent = _sent_once(_a_cell_later(sent, link), link, attempts)
    whole = sent[0]
    for other in sent[1:]:
        whole = whole + other
    return whole


def _sent_once(tries: "list[np.ndarray]", link: _Link, attempts: int) -> "list[np.ndarray]":
    """Return what is delivered of the tries, by the state of the link; so are the tries."""
    import numpy as np  # noqa: PLC0415

    sent = [np.zeros_like(one) for one in tries]
    for _ in range(_most_tries(link, attempts)):
        sent = [
            whole + one * chance
            for whole, one, chance in zip(sent, tries, link.succeeds, strict=True)
        ]
        tries = [one * (1 - chance) for one, chance in zip(tries, link.succeeds, strict=True)]
        tries = _a_cell_later(tries, link)
    return sent


def _a_cell_later(states: "list[np.ndarray]", link: _Link) -> "list[np.ndarray]":
    """Return the shares as they come to the next cell of the link, in the state in which they find it."""
    import numpy as np  # noqa: PLC0415

    later = [np.zeros_like(one) for one in states]
    count = len(link.gaps)
    for index in range(count):
        to = (index + 1) % count
        gap, keeps = link.gaps[to], link.keeps[to]
        moved = [one[index, : one.shape[1] - gap] for one in states]
        for place, one, part in zip(later, moved, link.parts, strict=True):
            place[to, gap:] = (
                one if len(moved) == 1 else keeps * one + (1 - keeps) * part * sum(moved)
            )
    return later
