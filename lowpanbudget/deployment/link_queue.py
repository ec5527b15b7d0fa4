"""The queue of one link in the long run: exact, a chain of frames waiting and tries of the first of them.

Time counts in cells of the link: in each one the first frame is tried, then what came since the last cell joins the
queue. Where the arrivals are one frame or none and tries have no end, this is the queue Geo/Geo/1 of the textbooks.
"""

from collections.abc import Sequence
from math import exp
from typing import TYPE_CHECKING

from lowpanbudget.values import dataclass

if TYPE_CHECKING:
    import numpy as np

_RESTARTS = 1e-9  # how often a chain of several long runs begins anew
_TAIL = 1e-12  # arrivals rarer than this between two cells are counted with those before


@dataclass(frozen=True, slots=True)
class LinkQueue:
    """The queue of a link in the long run; times in cells.

    ``mean_frames`` are waiting, the one being tried included; ``mean_wait`` is from joining to the end of the last try.
    ``full`` is the share of frames that find no place, ``given_up`` that of those inside whose tries are used up.
    ``lengths`` are the chances of 0, 1, 2 ... frames waiting, up to all places.
    """

    mean_frames: float
    mean_wait: float
    full: float
    given_up: float
    empty: float
    lengths: tuple[float, ...]


def poisson(messages: float, frames: int = 1) -> tuple[float, ...]:
    """Return the chances of 0, 1, 2 ... frames where ``messages`` of so many frames each come on average."""
    chances, chance, count, left = [], exp(-messages), 0, 1.0
    while left > _TAIL and count < 10_000:
        chances += [chance, *[0.0] * (frames - 1)]
        left -= chance
        count += 1
        chance *= messages / count
    chances[-frames] += max(left, 0.0)
    return tuple(chances)


def link_queue(arrivals: Sequence[float], succeeds: float, attempts: int, places: int) -> LinkQueue:
    """Return the long run of a link: ``arrivals`` are the chances of 0, 1, 2 ... frames between two cells.

    ``attempts`` is how often a frame is tried, ``places`` how many the queue holds.
    """
    import numpy as np  # noqa: PLC0415

    # looked at where a frame begins to be tried, or a cell finds nothing to send: what lies between is one step
    joins, refuses = _joining(arrivals, places)
    leaves = np.eye(places + 1, k=-1)
    levels = np.arange(places + 1.0)
    busy = (levels > 0).astype(float)
    waits = np.eye(
        places + 1
    )  # how the queue changes in the cells so far, the first frame still in it
    step = np.zeros_like(waits)
    cells, refused = np.zeros(places + 1), np.zeros(places + 1)
    left = 1.0  # the chance that the frame is still there to be tried
    for number in range(1, attempts + 1):
        gone = left if number == attempts else left * succeeds
        cells += left * busy
        refused += gone * (waits @ leaves @ refuses) + (left - gone) * (waits @ refuses)
        step += gone * (waits @ leaves @ joins)
        left -= gone
        waits = waits @ joins
    step[0], cells[0], refused[0] = joins[0], 1.0, refuses[0]
    size = places + 1
    equations = np.vstack(((step.T - np.eye(size))[:-1], np.ones(size)))
    try:
        state = np.linalg.solve(equations, np.append(np.zeros(places), 1.0))
    except np.linalg.LinAlgError:
        # where a frame comes and goes in every cell the queue stays as it is: the long run of one that begins empty
        begins = np.append(_RESTARTS, np.zeros(places))
        state = np.linalg.solve(np.eye(size) - (1 - _RESTARTS) * step.T, begins)
    time = float(state @ cells)
    mean_arrivals = sum(count * chance for count, chance in enumerate(arrivals))
    full = float(state @ refused) / time / mean_arrivals if mean_arrivals else 0.0
    chances = _lengths(state, joins, succeeds, attempts) / time
    mean = float(chances @ levels)
    accepted = mean_arrivals * (1 - full)
    given_up = (1 - succeeds) ** attempts
    return LinkQueue(
        mean, mean / accepted if accepted else 0.0, max(full, 0.0), given_up, float(state[0]) / time,
        tuple(map(float, chances)),
    )  # fmt: skip


def _lengths(
    state: "np.ndarray", joins: "np.ndarray", succeeds: float, attempts: int
) -> "np.ndarray":
    """Return in how many cells 0, 1, 2 ... frames wait, of those that a step takes on average."""
    import numpy as np  # noqa: PLC0415

    idle = np.zeros_like(state)
    idle[0] = state[0]
    found, waiting = idle, state - idle
    for _ in range(attempts):
        found = found + waiting
        waiting = (1 - succeeds) * (waiting @ joins)
    return found


def _joining(arrivals: Sequence[float], places: int) -> "tuple[np.ndarray, np.ndarray]":
    """Return how the frames waiting change by arrivals, and how many of them are refused on average."""
    import numpy as np  # noqa: PLC0415

    chances = np.asarray(arrivals)
    counts = np.arange(len(chances))
    step, refused = np.zeros((places + 1, places + 1)), np.zeros(places + 1)
    for frames in range(places + 1):
        free = places - frames
        fitting = min(free, len(chances))
        step[frames, frames : frames + fitting] = chances[:fitting]
        step[frames, places] += chances[fitting:].sum()
        refused[frames] = chances[free + 1 :] @ (counts[free + 1 :] - free)
    return step, refused
