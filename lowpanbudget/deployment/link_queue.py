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

_TAIL = 1e-12  # arrivals rarer than this between two cells are counted with those before


@dataclass(frozen=True, slots=True)
class LinkQueue:
    """The queue of a link in the long run; times in cells.

    ``mean_frames`` are waiting, the one being tried included; ``mean_wait`` is from joining to the end of the last try.
    ``full`` is the share of frames that find no place, ``given_up`` that of those inside whose tries are used up.
    """

    mean_frames: float
    mean_wait: float
    full: float
    given_up: float
    empty: float


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


def link_queue(
    arrivals: Sequence[float], succeeds: float, attempts: int | None, places: int
) -> LinkQueue:
    """Return the long run of a link: ``arrivals`` are the chances of 0, 1, 2 ... frames between two cells.

    ``attempts`` is how often a frame is tried (None: without end), ``places`` how many the queue holds.
    """
    import numpy as np  # noqa: PLC0415

    tries = 1 if attempts is None else attempts
    served = _service(succeeds, tries, places, endless=attempts is None)
    joined, refused = _joining(arrivals, tries, places)
    step = served @ joined
    size = len(step)
    equations = np.vstack(((step.T - np.eye(size))[:-1], np.ones(size)))
    state = np.linalg.solve(equations, np.append(np.zeros(size - 1), 1.0))
    mean_arrivals = sum(index * chance for index, chance in enumerate(arrivals))
    waiting = np.array([0, *(q for q in range(1, places + 1) for _ in range(tries))])
    mean = float(state @ waiting)
    full = float((state @ served) @ refused) / mean_arrivals if mean_arrivals else 0.0
    accepted = mean_arrivals * (1 - full)
    last = state[tries::tries].sum() if attempts is not None else 0.0
    given_up = float(last) * (1 - succeeds) / accepted if accepted else 0.0
    wait = mean / accepted if accepted else 0.0
    return LinkQueue(mean, wait, full, given_up, float(state[0]))


def _service(succeeds: float, tries: int, places: int, *, endless: bool) -> "np.ndarray":
    """Return how the state changes in a cell. State 0 is empty; then come the tries of the first frame, by frames."""
    import numpy as np  # noqa: PLC0415

    step = np.zeros((1 + places * tries,) * 2)
    step[0, 0] = 1.0
    for frames in range(1, places + 1):
        gone = 0 if frames == 1 else 1 + (frames - 2) * tries
        for tried in range(tries):
            state = 1 + (frames - 1) * tries + tried
            step[state, gone] += succeeds
            if tried + 1 < tries:
                step[state, state + 1] += 1 - succeeds
            else:
                step[state, state if endless else gone] += 1 - succeeds
    return step


def _joining(
    arrivals: Sequence[float], tries: int, places: int
) -> "tuple[np.ndarray, np.ndarray]":
    """Return how the state changes by arrivals, and how many of them each state refuses on average."""
    import numpy as np  # noqa: PLC0415

    size = 1 + places * tries
    step, refused = np.zeros((size, size)), np.zeros(size)
    for state in range(size):
        frames, tried = (0, 0) if state == 0 else ((state - 1) // tries + 1, (state - 1) % tries)
        for coming, chance in enumerate(arrivals):
            then = min(frames + coming, places)
            refused[state] += chance * (frames + coming - then)
            step[state, 0 if then == 0 else 1 + (then - 1) * tries + tried] += chance
    return step, refused
