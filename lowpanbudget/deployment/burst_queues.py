"""Queues of many runs of a burst as one: what is in them at any time, and on average over stretches of it."""

from bisect import bisect_right
from collections.abc import Iterator, Sequence
from itertools import accumulate, pairwise


def summed(lengths: Sequence[Sequence[tuple[float, int]]]) -> list[tuple[float, int]]:
    """Return the frames in the queues of all runs together, from the first packet on: when they change, and to what."""
    changes: dict[float, int] = {0.0: 0}
    for of_run in lengths:
        before = 0
        for at, length in of_run:
            changes[max(at, 0.0)] = changes.get(max(at, 0.0), 0) + length - before
            before = length
    times = sorted(changes)
    return list(zip(times, accumulate(changes[at] for at in times), strict=True))


def averaged(
    steps: Sequence[tuple[float, int]], end: float, stretches: int
) -> Iterator[tuple[float, float]]:
    """Yield the beginnings of equal stretches of time, and what there is on average in each; the end, and what then is.

    What is in a queue at those times alone would be all or nothing where packets come as regularly as they do.
    """
    times = [at for at, _ in steps]
    edges = [point * end / stretches for point in range(stretches + 1)]
    first = 0
    for at, until in pairwise(edges):
        last = bisect_right(times, until, first) - 1
        inside = [(at, steps[first][1]), *steps[first + 1 : last + 1], (until, 0)]
        start = inside[0][1]
        more = sum((frames - start) * (then - now) for (now, frames), (then, _) in pairwise(inside))
        yield at, start + more / (until - at)
        first = last
    yield end, steps[first][1]
