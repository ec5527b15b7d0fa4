"""The flows of a capture from the journeys of their datagrams: what was sent, lost, how often, how far, how long."""

from collections import Counter as Tally
from collections.abc import Collection, Iterator, Mapping, Sequence
from itertools import islice, pairwise
from statistics import median
from typing import NamedTuple

from lowpanbudget.capture.follow.flows import FlowKey
from lowpanbudget.deployment.confidence import MeasuredShare, Spread, share_of, spread_of
from lowpanbudget.deployment.hops_seen import again_after, hops_seen, waits_seen
from lowpanbudget.deployment.journeys import SECOND, Journey, Journeys, Tries
from lowpanbudget.deployment.links_seen import perhaps_acknowledged
from lowpanbudget.deployment.measured import MeasuredFlow
from lowpanbudget.deployment.numbering import (
    LATE_S,
    Numbered,
    NumberedAnew,
    OldMessage,
    counted,
    places,
)
from lowpanbudget.deployment.on_the_way import lost_seen
from lowpanbudget.values import FrozenDict

_MOST_STANDING = 4  # messages in a row with one number, from which it counts nothing; our choice
_MOST_ANEW = 12  # restarts, and old messages, whose frames are told; our choice


class FlowJourneys(NamedTuple):
    """The journeys of one flow and message, in the order in which they were heard, and the number of each.

    ``uncounted`` numbers are missing where nobody listened, as are ``passed`` frames of the sender. ``begun`` are those
    behind the last that counts itself, of which no number was heard: they show that its sender goes on.
    """

    flow: FlowKey
    message: str | None
    journeys: list[Journey]
    arrived: list[bool]
    numbers: list[Numbered] | None
    restarts: int
    uncounted: int = 0
    passed: int = 0
    begun: tuple[Journey, ...] = ()


def numbered(
    flow: FlowKey,
    message: str | None,
    journeys: list[Journey],
    ways: Journeys,
    planned_s: float | None = None,
    slowest_s: float | None = None,
) -> FlowJourneys:
    """Return the journeys of a flow with the places of their own numbers, where all of them have one.

    ``planned_s`` is the quickest interval that the design plans for it, ``slowest_s`` the usual one.
    """
    arrived = [ways.arrived(one) for one in journeys]
    modulus = journeys[0].crossing.modulus
    if modulus is None or any(one.crossing.own_number is None for one in journeys):
        return FlowJourneys(flow, message, journeys, arrived, None, 0)
    heard = [(one.crossing.own_number or 0, _seconds(one.heard_ns)) for one in journeys]
    numbers = places(heard, modulus, planned_s, slowest_s)
    return FlowJourneys(flow, message, journeys, arrived, numbers, numbers[-1].run)


def _seconds(time_ns: int | None) -> float | None:
    return None if time_ns is None else time_ns / SECOND


class Missed(NamedTuple):
    """What may have gone by unheard: a frame is tried ``most_tries`` times, ``frames`` of each node were missed.

    ``reads_sums``: what is needed to judge checksums is known here, for there are right ones. Of those ``heard`` frames
    with numbers came, which tell how many were missed; ``answering`` are heard to acknowledge.
    """

    most_tries: int
    frames: Mapping[bytes, int]
    reads_sums: bool = True
    heard: Collection[bytes] = ()
    answering: Collection[bytes] = ()


def may_have_arrived(
    journeys: Sequence[Journey],
    arrived: Sequence[bool],
    unheard: int,
    missed: Missed,
    passed: int = 0,
) -> int:
    """Return how many more datagrams may have arrived; ``unheard`` ones were sent and heard on no link.

    One that was not heard further on may have come by in frames that were missed here, but for those that ``passed``
    where nothing is counted.
    """
    left = [one for one, is_in in zip(journeys, arrived, strict=True) if not is_in]
    left = [one for one in left if not one.runs_out and not (one.sum_wrong and missed.reads_sums)]
    unsure = sum(one.is_unsure or one.sum_wrong for one in left)
    left = [one for one in left if not one.is_unsure and not one.sum_wrong]
    at_end = [one for one in left if one.at_end and one.last is not None]
    open_now = [one for one in at_end if all(part.is_open for part in one.unanswered)]
    stopped = sum(
        all(part.stopped_before(missed.most_tries) for part in one.unanswered) for one in open_now
    )
    nodes = {
        end
        for one in journeys
        if one.last is not None
        for end in (one.last.sender, one.last.receiver)
    }
    nodes |= {one.left.sender for one in journeys if one.left is not None}
    unseen = max(sum(missed.frames.get(node, 0) for node in nodes) - passed, 0)
    at_last_link = perhaps_acknowledged(stopped, len(open_now) - stopped, unseen)
    # a sender that stops has had its acknowledgement: the next node, not heard here, may have sent on one frame
    taken = [
        one
        for one in left
        if not one.at_end and len(one.parts) == 1 and _was_taken(one.unanswered, missed.most_tries)
    ]
    elsewhere = unheard + len(left) - len(at_end) - len(taken)
    return unsure + at_last_link + len(taken) + min(elsewhere, unseen)


def _was_taken(unanswered: Sequence[Tries], most_tries: int) -> bool:
    """Return whether frames without an acknowledgement heard here had one, by what their sender did."""
    return bool(unanswered) and all(
        one.asks and one.stopped_before(most_tries) for one in unanswered
    )


def flow_seen(group: FlowJourneys, missed: Missed, latency_s: float | None = None) -> MeasuredFlow:
    """Return what the journeys of a flow show; ``latency_s`` is the design's limit."""
    journeys, numbers = group.journeys, group.numbers
    sent: int | None = None
    heard: MeasuredShare | None = None
    if numbers is not None:
        all_of = counted(numbers, [True] * len(numbers))
        sent = all_of.sent
        heard = share_of(all_of.inner_heard, all_of.inner_sent)
    unheard = 0 if heard is None else heard.trials - heard.count
    perhaps = may_have_arrived(journeys, group.arrived, unheard, missed, group.passed)
    arrived = _arrived(group, perhaps)
    interval, from_origin = _interval(group)
    hops, assumed = hops_seen(journeys)
    took = [one.took_s for one, is_in in zip(journeys, group.arrived, strict=True) if is_in]
    times = [one for one in took if one is not None and one >= 0]
    within = None
    if latency_s is not None and times:
        within = share_of(sum(one <= latency_s for one in times), len(times))
    steps = [one.crossing.step_s for one in journeys if one.crossing.step_s is not None]
    has_ends = any(group.arrived) or any(_is_judged(one, missed) for one in journeys)
    stuck, stuck_at = _stuck(journeys)
    lost = lost_seen(journeys, group.arrived, missed.answering, missed.most_tries)
    twice = [one for one in journeys if one.said_for_nothing]
    reasons = Tally(one.crossing.unread for one in journeys if one.crossing.unread)
    bare = Tally(one.crossing.unprotected for one in journeys if one.crossing.unprotected)
    other = Tally(one.crossing.otherwise for one in journeys if one.crossing.otherwise)
    return MeasuredFlow(
        name=journeys[0].crossing.flow_name,
        message=group.message,
        flow=group.flow,
        down=journeys[0].crossing.down,
        datagrams=len(journeys),
        octets=max(one.crossing.application for one in journeys),
        again=sum(one.again for one in journeys),
        sent=sent,
        heard=heard,
        arrived=arrived if has_ends else None,
        perhaps=perhaps,
        unsent=_unsent(group, heard, missed),
        restarts=group.restarts,
        interval=interval,
        from_origin=from_origin,
        hops=FrozenDict(hops),
        hops_assumed=assumed,
        took=spread_of(times),
        in_time=within,
        dated=_dated(group),
        dated_step_s=max(steps, default=None),
        unread=reasons.total(),
        unread_why=next((why for why, _ in reasons.most_common(1)), ""),
        unprotected=bare.total(),
        unprotected_by=", ".join(sorted(bare)),
        otherwise=other.total(),
        otherwise_by=", ".join(sorted(other)),
        stopped=sum(one.is_stopped for one in journeys),
        uncounted=group.uncounted,
        first_number=journeys[0].number,
        last_number=journeys[-1].number,
        anew=tuple(islice(_anew(group), _MOST_ANEW)),
        old=tuple(islice(_old(group), _MOST_ANEW)),
        run_out=sum(one.runs_out for one in journeys),
        sum_wrong=sum(one.sum_wrong for one in journeys),
        stuck=stuck,
        stuck_at=stuck_at,
        twice=len(twice),
        twice_after_s=median(later) if (later := [*again_after(twice)]) else None,
        twice_numbers=tuple(one.again_number for one in twice[:_MOST_ANEW]),
        waits=tuple(waits_seen(journeys)),
        lost=tuple(lost) if has_ends else (),
        at_end=sum(one.at_end for one in journeys),
    )


def _is_judged(journey: Journey, missed: Missed) -> bool:
    """Return whether it is known of a datagram if it arrived: at its end, or where it must go on.

    Of who has it frames were heard, by whose numbers is counted what may have gone by unheard.
    """
    last = journey.last
    if journey.at_end or journey.crossing.at_end or journey.runs_out:
        return True
    return journey.goes_on and last is not None and last.receiver in missed.heard


def _stuck(journeys: Sequence[Journey]) -> tuple[int, int | None]:
    """Return how many messages in a row, of different contents, have one own number, and which; of most (0, None)."""
    most, at, row = 1, None, 1
    for before, now in pairwise(one.crossing for one in journeys):
        number = now.own_number
        stands = number is not None and number == before.own_number and now.mark != before.mark
        row = row + 1 if stands else 1
        if row > most:
            most, at = row, number
    return (most, at) if most >= _MOST_STANDING else (0, None)


def _anew(group: FlowJourneys) -> Iterator[NumberedAnew]:
    """Yield the messages that begin a count anew; one that came late is still of the run in which it was heard."""
    told = zip(group.journeys, group.numbers or (), strict=False)
    for (one, (run, _)), (other, (later, _)) in pairwise(told):
        before, own = one.crossing.own_number, other.crossing.own_number
        if later > run and own is not None and before is not None:
            yield NumberedAnew(other.number, own, before)


def _old(group: FlowJourneys) -> Iterator[OldMessage]:
    """Yield the messages that come again behind newer ones, when they are no more late."""
    first: dict[Numbered, Journey] = {}
    newest: dict[int, int] = {}
    for one, at in zip(group.journeys, group.numbers or (), strict=False):
        before, crossing = first.setdefault(at, one), one.crossing
        newest[at.run] = max(newest.get(at.run, at.place), at.place)
        if at.place == newest[at.run] or before.crossing.mark != crossing.mark:
            continue
        own, now_ns, then_ns = crossing.own_number, one.heard_ns, before.heard_ns
        if own is None or now_ns is None or then_ns is None:
            continue
        past_s = (now_ns - then_ns) / SECOND
        if past_s > LATE_S:
            yield OldMessage(own, before.number, one.number, past_s, 1 + one.left_again)


def _unsent(group: FlowJourneys, heard: MeasuredShare | None, missed: Missed) -> int:
    """Return how many messages never came on the air; none where their first link is not heard."""
    journeys = group.journeys
    senders = {one.left.sender for one in journeys if one.left is not None}
    if (
        heard is None
        or not senders
        or 2 * sum(one.left is not None for one in journeys) <= len(journeys)
    ):
        return 0
    unseen = max(sum(missed.frames.get(sender, 0) for sender in senders) - group.passed, 0)
    return max(heard.trials - heard.count - unseen, 0)


def _arrived(group: FlowJourneys, perhaps: int) -> MeasuredShare | None:
    """Return what arrived of those sent, or without own numbers of those heard on their first link; None of none."""
    if group.numbers is not None:
        seen = counted(group.numbers, group.arrived)
        return share_of(seen.inner_heard, seen.inner_sent, perhaps)
    left = [
        is_in for one, is_in in zip(group.journeys, group.arrived, strict=True) if one.left is not None
    ]  # fmt: skip
    return share_of(sum(left), len(left), perhaps) if left else None


def _interval(group: FlowJourneys) -> tuple[Spread | None, bool]:
    """Return the time between messages that follow each other, and whether it was taken where they left."""
    times, from_origin = starts_of(group)
    return spread_of(intervals(times, group.numbers)), from_origin


def starts_of(group: FlowJourneys) -> tuple[list[int | None], bool]:
    """Return when each message was sent, and whether that was taken where it left.

    What was heard further on has waited on the way: it counts only where most messages were not heard before.
    """
    starts = [None if one.left is None else one.left.first_ns for one in group.journeys]
    from_origin = 2 * sum(one is not None for one in starts) > len(starts)
    return (starts if from_origin else [one.heard_ns for one in group.journeys]), from_origin


def intervals(times_ns: Sequence[int | None], numbers: Sequence[Numbered] | None) -> list[float]:
    """Return the seconds between messages that follow each other by number, or without numbers in the order heard.

    Where the clock of the capture went back, nobody knows how long it was.
    """
    return [seconds for _, seconds in steps(times_ns, numbers)]


def steps(
    times_ns: Sequence[int | None], numbers: Sequence[Numbered] | None
) -> Iterator[tuple[int, float]]:
    """Yield the place of each message that follows another, and the seconds between."""
    for index in range(1, len(times_ns)):
        before, now = times_ns[index - 1], times_ns[index]
        if before is None or now is None or now < before:
            continue
        if numbers is not None:
            last, this = numbers[index - 1], numbers[index]
            if last.run != this.run or this.place != last.place + 1:
                continue
        yield index, (now - before) / SECOND


def _dated(group: FlowJourneys) -> Spread | None:
    """Return the seconds from the time that messages give for themselves to the end of their way."""
    late = []
    for one, is_in in zip(group.journeys, group.arrived, strict=True):
        written = one.crossing.written_s
        end = None if one.last is None or not is_in else one.last.end_ns
        if written is not None and end is not None:
            late.append(end / SECOND - written)
    return spread_of(late)
