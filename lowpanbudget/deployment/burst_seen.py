"""A burst of the design in a capture: which datagrams it was, and how they came in."""

from collections.abc import Sequence
from typing import NamedTuple

from lowpanbudget.deployment.confidence import share_of, spread_of
from lowpanbudget.deployment.flows_seen import FlowJourneys, Missed, intervals, may_have_arrived
from lowpanbudget.deployment.journeys import SECOND, Journey
from lowpanbudget.deployment.measured import MeasuredBurst
from lowpanbudget.deployment.numbering import Numbered
from lowpanbudget.design.goals import Burst

# a burst goes on while no pause is longer than so many of its intervals, or seconds where cells hold it up; our choice
_PAUSE, _PAUSE_S = 5, 10.0


class _Picked(NamedTuple):
    """Datagrams of one flow that lie within the time of a burst: places in the lists of their group."""

    group: FlowJourneys
    places: tuple[int, ...]


def find_burst(groups: Sequence[FlowJourneys], burst: Burst) -> _Picked | None:
    """Return the datagrams that are most like a burst: of its flow and length, as many, as close together; or None.

    On the air a burst may last longer than planned: cells and tries hold it up.
    """
    best: _Picked | None = None
    for group in groups:
        ours = [
            place
            for place, one in enumerate(group.journeys)
            if one.crossing.flow_name == burst.flow and one.crossing.application == burst.octets
        ]
        numbers = None if group.numbers is None else [group.numbers[place] for place in ours]
        picked = _closest([group.journeys[place] for place in ours], numbers, burst)
        if best is None or len(picked) > len(best.places):
            best = _Picked(group, tuple(ours[index] for index in picked))
    return best if best is not None and best.places else None


def _closest(
    journeys: Sequence[Journey], numbers: Sequence[Numbered] | None, burst: Burst
) -> range:
    """Return the places of the most datagrams in a row that a burst can have sent; of equally many the closest.

    By their own numbers those that were lost count as well: a report that followed the burst is none of it.
    """
    times = [(_start_ns(one) or 0) / SECOND for one in journeys]
    pause = _pause_s(burst)
    best, best_s = range(0), 0.0
    start = 0
    for end, now in enumerate(times):
        if end and abs(now - times[end - 1]) > pause:
            start = end
        start = max(start, end + 1 - burst.packets)
        while numbers is not None and numbers[end].place - numbers[start].place >= burst.packets:
            start += 1
        found, lasts = range(start, end + 1), now - times[start]
        if len(found) > len(best) or (len(found) == len(best) and lasts < best_s):
            best, best_s = found, lasts
    return best


def _pause_s(burst: Burst) -> float:
    """Return the longest pause within a burst, in seconds."""
    return max(_PAUSE * burst.every_s, _PAUSE_S)


def _start_ns(journey: Journey) -> int | None:
    """Return when a datagram left, or was heard first."""
    return journey.heard_ns if journey.left is None else journey.left.first_ns


def burst_seen(
    picked: _Picked | None,
    burst: Burst,
    first_ns: int | None,
    missed: Missed,
    last_ns: int | None = None,
) -> MeasuredBurst:
    """Return how a burst came in; ``first_ns`` and ``last_ns`` are the times of the capture's first and last frame."""
    if picked is None:
        return MeasuredBurst(
            name=burst.name, flow=burst.flow, source="", packets=burst.packets, every_s=burst.every_s,
            all_in_s=burst.all_in_s, seen=0, arrived=share_of(0, burst.packets), perhaps=0, began_s=None, every=None,
            arrivals_s=(), took=None, missing=(), due=burst.packets,
        )  # fmt: skip
    group = picked.group
    journeys = [group.journeys[place] for place in picked.places]
    arrived = [group.arrived[place] for place in picked.places]
    numbers = None if group.numbers is None else [group.numbers[place] for place in picked.places]
    starts = [_start_ns(one) for one in journeys]
    began = min((one for one in starts if one is not None), default=None)
    ends = [
        one.last.end_ns
        for one, is_in in zip(journeys, arrived, strict=True)
        if is_in and one.last is not None
    ]
    times = (
        []
        if began is None
        else [(end - began) / SECOND for end in ends if end is not None and end >= began]
    )
    took = [
        one.took_s
        for one, is_in in zip(journeys, arrived, strict=True)
        if is_in and one.took_s is not None and one.took_s >= 0
    ]
    here = _places(journeys, picked, burst)
    due = _due(starts, max([len(journeys), *here]), burst, first_ns, last_ns)
    perhaps = may_have_arrived(journeys, arrived, due - len(journeys), missed)
    return MeasuredBurst(
        burst.name,
        burst.flow,
        str(group.flow.source),
        burst.packets,
        burst.every_s,
        burst.all_in_s,
        len(journeys),
        share_of(sum(arrived), due, perhaps),
        perhaps,
        None if began is None or first_ns is None else (began - first_ns) / SECOND,
        spread_of(intervals(starts, numbers)),
        tuple(sorted(times)),
        spread_of(took),
        tuple(place for place in range(1, max(here, default=0) + 1) if place not in here),
        due,
    )


def _due(
    starts: Sequence[int | None],
    place: int,
    burst: Burst,
    first_ns: int | None,
    last_ns: int | None,
) -> int:
    """Return how many packets fell into the time of the capture, where the last one heard stands at a ``place``.

    On the air a burst may be slower than planned, so the time behind that one counts at the pace of those before it.
    """
    known = [one for one in starts if one is not None]
    if not known or first_ns is None or last_ns is None:
        return burst.packets
    pace_s = max(burst.every_s, (max(known) - min(known)) / SECOND / max(place - 1, 1))
    before_s, behind_s = (min(known) - first_ns) / SECOND, (last_ns - max(known)) / SECOND
    if before_s < pace_s:  # those that are missing may have come before the capture
        return min(place, burst.packets)
    if behind_s > _pause_s(burst):
        return burst.packets
    return min(place + max(int(behind_s / pace_s) - 1, 0), burst.packets)


def _places(journeys: Sequence[Journey], picked: _Picked, burst: Burst) -> set[int]:
    """Return the places in a burst, from 1, that were heard: by own numbers, else by the times of leaving."""
    numbers = picked.group.numbers
    if numbers is not None:
        own = [numbers[place].place for place in picked.places]
        return {number - min(own) + 1 for number in own}
    if all(one.left is not None for one in journeys):
        starts = [_start_ns(one) or 0 for one in journeys]
        step = burst.every_s * SECOND
        return {round((start - min(starts)) / step) + 1 for start in starts}
    return set()


def without(groups: Sequence[FlowJourneys], picked: _Picked | None) -> list[FlowJourneys]:
    """Return the flows without the datagrams of a burst, which is no rhythm of theirs; their numbers close up."""
    if picked is None:
        return list(groups)
    return [one for group in groups for one in _left_over(group, picked)]


def _left_over(group: FlowJourneys, picked: _Picked) -> Sequence[FlowJourneys]:
    """Return a flow itself, or what the burst in it leaves over, if anything."""
    if group is not picked.group:
        return (group,)
    out = set(picked.places)
    keep = [place for place in range(len(group.journeys)) if place not in out]
    if not keep:
        return ()
    numbers = None
    if group.numbers is not None:
        own = [group.numbers[place] for place in picked.places]
        last = max(own)
        length = last.place - min(own).place + 1
        numbers = [
            Numbered(one.run, one.place - length if one.run == last.run and one > last else one.place)
            for one in (group.numbers[place] for place in keep)
        ]  # fmt: skip
    journeys = [group.journeys[place] for place in keep]
    arrived = [group.arrived[place] for place in keep]
    return (group._replace(journeys=journeys, arrived=arrived, numbers=numbers),)
