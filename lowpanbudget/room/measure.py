"""Measuring by encoding: frames of a payload, the room of a path, the cliffs behind it."""

from functools import lru_cache

from lowpanbudget.design.path import MOST_ROUTERS, FlowPath
from lowpanbudget.errors import DoesNotFit


def frames_of(path: FlowPath, octets: int) -> int | None:
    """Return how many frames a payload of so many octets takes, or None when it cannot be sent."""
    try:
        return path.count(octets)
    except DoesNotFit:
        return None


@lru_cache(
    maxsize=8192
)  # changes of one flow leave most paths as they are, and each is asked for again
def room_of(path: FlowPath) -> int:
    """Return the largest payload that one frame carries; below 0, by how many octets the headers alone are over.

    Below 0 it comes from the headers really encoded in a frame without a greatest length. Else guessed from an empty
    frame, then proved: it fills the frame to the last octet, so that one octet more does not fit. A guess that does not
    (a payload brings octets of its own, or fills up what was padding; the largest datagram ends sooner than the frame)
    is mended, in the end by bisection.
    """
    rest = path.rest
    if rest < 0:
        return rest
    full, guess = path.link_room, rest
    for _ in range(3):
        alone = path.alone(guess)
        if alone == full and (
            # each octet costs one, or asked: the first ones may fill up what was padding
            0 < rest == guess or path.alone(guess + 1) is None
        ):
            return guess
        guess += -1 if alone is None else full - alone
    return _largest(path, 0, path.link.largest_sent, 1)


def cliffs(path: FlowPath, room: int, frames: int) -> list[tuple[int, int]]:
    """Return where one octet more costs another frame: (largest payload, frames)."""
    steps = [(room, 1)] if room >= 0 and frames_of(path, room) == 1 else []
    while len(steps) < frames:
        start = steps[-1][0] if steps else -1
        count = frames_of(path, start + 1)
        if count is None:
            break
        # the last frame may be filled up to its end; the guess is proved like any other
        guess = start + 1 + path.link_room - path.lengths(start + 1)[-1]
        steps.append((_largest(path, start + 1, path.link.mtu, count, guess), count))
    return steps


def _largest(path: FlowPath, low: int, high: int, frames: int, guess: int | None = None) -> int:
    """Return the largest payload from ``low`` (which fits) to ``high`` that takes at most ``frames`` frames.

    A ``guess`` is tried first, and the next octet behind it; the rest is bisection.
    """
    near = [] if guess is None else [guess + 1, guess]
    while low < high:
        middle = near.pop() if near else (low + high + 1) // 2
        if not low < middle <= high:
            continue
        count = frames_of(path, middle)
        if count is not None and count <= frames:
            low = middle
        else:
            high = middle - 1
    return low


def deepest(path: FlowPath, octets: int) -> int | None:
    """Return the longest source route with which one frame still carries ``octets`` octets; None without a route.

    Found by building frames: a longer route leaves less, so they are halved. -1: not even the shortest leaves enough.
    """
    if path.with_route(1) is None:
        return None
    fits, too_long = 0, MOST_ROUTERS + 1
    while too_long - fits > 1:
        # routes are short: the first steps double
        route = (
            (fits + too_long) // 2 if too_long <= MOST_ROUTERS else min(2 * fits + 1, MOST_ROUTERS)
        )
        longer = path.with_route(route)
        if longer is not None and frames_of(longer, octets) == 1:
            fits = route
        else:
            too_long = route
    return fits or -1
