"""Messages that no format of their flow reads: where they stand among the numbers of those that are read."""

from bisect import bisect
from collections.abc import Sequence

from lowpanbudget.capture.follow.flows import FlowKey
from lowpanbudget.deployment.flows_seen import FlowJourneys
from lowpanbudget.deployment.journeys import Journey
from lowpanbudget.deployment.numbering import Numbered


def in_their_places(groups: Sequence[FlowJourneys]) -> list[FlowJourneys]:
    """Return the flows with each unread message in the place of a number that is missing where it was heard.

    It came, and nobody can tell what it counts: that it was lost must not be said. Of a flow with several counts nobody
    knows which it belongs to: there, and where no number is missing, unread messages stay apart.
    """
    counts: dict[FlowKey, list[FlowJourneys]] = {}
    for group in groups:
        if group.numbers is not None:
            counts.setdefault(group.flow, []).append(group)
    settled: dict[int, FlowJourneys | None] = {}
    for group in groups:
        counted = counts.get(group.flow, [])
        if group.numbers is None and group.message is None and len(counted) == 1:
            whole, left = filled(counted[0], group)
            settled[id(counted[0])], settled[id(group)] = whole, left
    found = (settled.get(id(group), group) for group in groups)
    return [group for group in found if group is not None]


def filled(counted: FlowJourneys, unread: FlowJourneys) -> tuple[FlowJourneys, FlowJourneys | None]:
    """Return a count with the messages, unread or not whole, that fill its gaps, and what is left of them."""
    journeys, arrived = list(counted.journeys), list(counted.arrived)
    numbers = list(counted.numbers or ())
    taken = set(numbers)
    left: list[int] = []
    for place, one in enumerate(unread.journeys):
        at = bisect(journeys, one.number, key=_number_of)
        here = None
        if 0 < at < len(numbers) and (one.crossing.unread or one.is_stopped):
            others = bisect(unread.journeys, journeys[at].number, key=_number_of) - place - 1
            here = _gap(numbers[at - 1 : at + 1], (journeys[at - 1], one, journeys[at]), others)
        if here is None or here in taken:
            left.append(place)
            continue
        taken.add(here)
        journeys.insert(at, one)
        arrived.insert(at, unread.arrived[place])
        numbers.insert(at, here)
    whole = counted._replace(journeys=journeys, arrived=arrived, numbers=numbers)
    if not left:
        return whole, None
    rest = [unread.journeys[place] for place in left]
    return whole, unread._replace(journeys=rest, arrived=[unread.arrived[place] for place in left])


def _number_of(journey: Journey) -> int:
    return journey.number


def _gap(
    around: Sequence[Numbered], heard: tuple[Journey, Journey, Journey], others: int
) -> Numbered | None:
    """Return the missing number between two that the time between tells, with room for ``others``; None: none is."""
    before, behind = around
    missing = behind.place - before.place - 1
    if before.run != behind.run or missing < 1:
        return None
    place = 1
    start_ns, now_ns, end_ns = (one.heard_ns for one in heard)
    if start_ns is not None and now_ns is not None and end_ns is not None and end_ns > start_ns:
        place = round((missing + 1) * (now_ns - start_ns) / (end_ns - start_ns))
    return Numbered(before.run, before.place + max(min(place, missing - others), 1))
