"""The ways of datagrams over their hops: how many there are, how long a datagram waits in who sends it on."""

from collections import Counter as Tally
from collections.abc import Iterator, Sequence
from statistics import median

from lowpanbudget.deployment.journeys import SECOND, Journey
from lowpanbudget.deployment.on_the_way import RelayWait

_USUAL_LIMITS = (64, 128, 255)


def hops_of(journey: Journey, usual_limit: int | None) -> tuple[int, bool] | None:
    """Return over how many links a datagram came to its end, and whether its first hop limit was only assumed.

    ``usual_limit`` is what its sender was heard to begin with. Else the next of 64, 128 and 255 (common practice, no
    source); None for a datagram that was not heard at its end, and where no one hop limit counts the whole way.
    """
    if not journey.at_end or len(journey.headers) > 1:
        return None
    if journey.crossing.mesh_left is not None:
        # hop limits count none of its hops, and what is left in it counts those of one mesh
        if journey.left_mesh is None or len({one[:2] for one in journey.limits}) > 1:
            return None
        return journey.left_mesh - journey.last_left[2] + 1, False
    first = journey.left_limit if journey.left_limit is not None else usual_limit
    last = journey.last_left[1]
    if first is not None and first >= last:
        return first - last + 1, False
    return next(one for one in _USUAL_LIMITS if one >= last) - last + 1, True


def hops_seen(journeys: Sequence[Journey]) -> tuple[dict[int, int], bool]:
    """Return how many datagrams came over so many links, and whether a first hop limit was assumed for some."""
    limits = Tally(one.left_limit for one in journeys if one.left_limit is not None)
    usual = limits.most_common(1)[0][0] if limits else None
    found = [one for one in (hops_of(journey, usual) for journey in journeys) if one is not None]
    hops = Tally(links for links, _ in found)
    return dict(sorted(hops.items())), any(assumed for _, assumed in found)


def again_after(journeys: Sequence[Journey]) -> Iterator[float]:
    """Yield the seconds from messages to when they were said again."""
    for one in journeys:
        if one.again_ns is not None and one.heard_ns is not None and one.again_ns >= one.heard_ns:
            yield (one.again_ns - one.heard_ns) / SECOND


def waits_seen(journeys: Sequence[Journey]) -> list[RelayWait]:
    """Return how long messages waited in each node on their way, the longest first."""
    waits: dict[bytes, list[int]] = {}
    for node, wait_ns in (wait for one in journeys for wait in one.waits):
        waits.setdefault(node, []).append(wait_ns)
    told = (RelayWait(node, median(of) / SECOND, len(of)) for node, of in waits.items())
    return sorted(told, key=lambda one: (-one.median_s, one.node))
