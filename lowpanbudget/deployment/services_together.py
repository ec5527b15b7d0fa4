"""Services of neighbouring hops counted together, where too few messages of each were played to say anything."""

from collections.abc import Iterator, Sequence
from itertools import groupby
from math import sqrt

from lowpanbudget.deployment.service import HopService
from lowpanbudget.errors import plural
from lowpanbudget.values import replace

ENOUGH = 100  # played messages of one kind that say something; our choice
_SURE = 1.96  # standard errors of 95 %


def half_width_of(share: float | None, count: int) -> float:
    """Return how far a share of so many messages may be off (95 %); where all agree, the bound for none in so many."""
    if share is None or not count:
        return 1.0
    return max(_SURE * sqrt(share * (1 - share) / count), 1 - float(0.05 ** (1 / count)))


def judged_services(services: Sequence[HopService]) -> Iterator[tuple[str, HopService]]:
    """Yield what can be judged, with its hops in words: from the deepest on, as many hops together as it takes.

    Nothing is said of what is too rare, nor where queues of slots were played: those count kinds together themselves.
    """
    for group in _groups(services):
        if _is_enough(group):
            yield _hops(group), group[0] if len(group) == 1 else _together(group)


def unjudged(services: Sequence[HopService]) -> Iterator[str]:
    """Yield what is too rare beside the rest to be judged, with its hops and how many were played."""
    for group in _groups(services):
        if not _is_enough(group):
            yield _words(group)


def together(services: Sequence[HopService]) -> Iterator[str]:
    """Yield what is judged for several hops as one, with how many were played of all: one of them may do worse."""
    for group in _groups(services):
        if len(group) > 1 and _is_enough(group):
            yield _words(group)


def bounded_services(services: Sequence[HopService]) -> Iterator[tuple[str, HopService]]:
    """Yield what is too rare to be judged where it would arrive least if nobody else sent: no more can arrive."""
    for group in _groups(services):
        known = [one for one in group if one.quiet is not None]
        if known and not _is_enough(group):
            least = min(known, key=lambda one: one.quiet or 0.0)
            yield plural(least.hop, "hop"), least


def _groups(services: Sequence[HopService]) -> Iterator[list[HopService]]:
    """Yield what is judged together, deepest first, or too rare to be judged at all."""
    for _, kind in groupby(services, key=lambda one: (one.flow, one.message, one.direction)):
        waiting: list[HopService] = []
        for one in sorted(kind, key=lambda one: -one.hop):
            if _is_enough([one]):
                if waiting:
                    yield waiting
                waiting = []
                yield [one]
                continue
            waiting.append(one)
            if _is_enough(waiting):
                yield waiting
                waiting = []
        if waiting:
            yield waiting


def _is_enough(group: Sequence[HopService]) -> bool:
    if len(group) == 1 and group[0].messages is None:
        return True
    return (len(group) == 1 or group[-1].queued is None) and _played(group) >= ENOUGH


def _played(group: Sequence[HopService]) -> int:
    return sum(each.messages or 0 for each in group)


def _words(group: Sequence[HopService]) -> str:
    return f"{group[0].flow} {group[0].message}, {_hops(group)} ({plural(_played(group), 'message')} played)"


def _hops(group: Sequence[HopService]) -> str:
    nearest, furthest = group[-1].hop, group[0].hop
    return plural(nearest, "hop") if nearest == furthest else f"{nearest} to {furthest} hops"


def _together(services: Sequence[HopService]) -> HopService:
    counts = [one.messages or 0 for one in services]
    count = sum(counts)

    def mean(shares: Sequence[float | None]) -> float | None:
        known = [
            (share, each)
            for share, each in zip(shares, counts, strict=True)
            if share is not None and each
        ]
        of = sum(each for _, each in known)
        return sum(share * each for share, each in known) / of if of else None

    delivered = mean([one.delivered for one in services])
    in_runs = mean([one.in_runs for one in services])
    in_time = mean([one.in_time for one in services])
    half = max(
        half_width_of(share, count)
        for share in (delivered, delivered if in_runs is None else in_runs)
    )
    return replace(
        services[0], delivered=delivered, in_runs=in_runs, half_width=half, in_time=in_time, messages=count,
        in_time_half_width=0.0 if in_time is None else half_width_of(in_time, count),
    )  # fmt: skip
