"""What was sent while nobody listened: silences of all senders at once, and leaps of a sender's frame numbers.

Messages whose own numbers are missing there were neither lost nor kept back, as far as anybody can tell: a count is
taken on both sides, and not across.
"""

from bisect import bisect_left, bisect_right
from collections.abc import Iterable, Iterator, Sequence
from heapq import heappush, heappushpop
from itertools import accumulate, pairwise
from operator import itemgetter
from statistics import median
from typing import NamedTuple

from lowpanbudget.deployment.flows_seen import FlowJourneys, intervals, starts_of, steps
from lowpanbudget.deployment.journeys import SECOND, Journey
from lowpanbudget.deployment.numbering import Numbered
from lowpanbudget.deployment.rhythm import RhythmPart, TimedInterval, rhythm

MOST_SILENCES = 64
# our choices: messages that all together, and that each of so many senders would have sent in a silence
_MESSAGES, _OF_EACH, _SENDERS = 10, 3, 2


class Silence(NamedTuple):
    """A time in which no frame of anybody was heard."""

    begin_ns: int
    end_ns: int

    @property
    def seconds(self) -> float:
        """Return how long it was."""
        return (self.end_ns - self.begin_ns) / SECOND

    def closed(self, time_ns: int) -> int:
        """Return a time as it is where this silence is taken out of the clock."""
        return time_ns if time_ns < self.end_ns else time_ns - (self.end_ns - self.begin_ns)


class Silences:
    """Collects the longest silences of a capture."""

    def __init__(self) -> None:
        self._last_ns: int | None = None
        self._longest: list[tuple[int, Silence]] = []

    def hear(self, time_ns: int | None) -> None:
        """Take the time of a frame, of any sender."""
        before, self._last_ns = self._last_ns, time_ns
        if before is None or time_ns is None or time_ns <= before:
            return
        found = time_ns - before, Silence(before, time_ns)
        if len(self._longest) < MOST_SILENCES:
            heappush(self._longest, found)
        elif found > self._longest[0]:
            heappushpop(self._longest, found)

    def take_out(self, gone: Silence) -> None:
        """Take one out of the clock, and out of those that were collected."""
        left = [one for _, one in self._longest if one != gone]
        moved = [Silence(gone.closed(one.begin_ns), gone.closed(one.end_ns)) for one in left]
        self._longest = [(one.end_ns - one.begin_ns, one) for one in moved]

    def of_receiver(self, groups: Sequence[FlowJourneys]) -> list[Silence]:
        """Return the silences in which several senders would have sent again and again: nobody listened.

        Whose numbers, its messages' own or its frames', go on from one to the next over a silence was silent itself.
        """
        rhythms = list(_rhythms(groups, [silence for _, silence in self._longest]))
        found = []
        for _, silence in self._longest:
            sent: dict[object, float] = {}
            for one in rhythms:
                if one.may_have_sent(silence):
                    sent[one.source] = sent.get(one.source, 0.0) + silence.seconds / one.usual_s
            senders = sum(one >= _OF_EACH for one in sent.values())
            if senders >= _SENDERS and sum(sent.values()) >= _MESSAGES:
                found.append(silence)
        return sorted(found)


class _Rhythm(NamedTuple):
    """A sender's messages by the time at which they were heard, with their numbers, and the usual seconds between."""

    source: object
    times_ns: list[int]
    journeys: list[tuple[Journey, Numbered | None]]
    usual_s: float

    def may_have_sent(self, silence: Silence) -> bool:
        """Return whether it may have sent in a silence, between two messages that were heard."""
        behind = bisect_left(self.times_ns, silence.end_ns)
        before = bisect_right(self.times_ns, silence.begin_ns) - 1
        if before < 0 or behind == len(self.times_ns):
            return False
        (one, number), (other, following) = self.journeys[before], self.journeys[behind]
        if number is not None and following == number._replace(place=number.place + 1):
            return False
        return _may_miss(one, other, (silence,))

    def lasting_s(self, silences: Iterable[Silence]) -> float:
        """Return the seconds between messages for most of the time, without silences in which it may have sent.

        Of blocks that follow each other most steps are short, and most of the time passes between transfers.
        """
        steps_ns = [now - before for before, now in pairwise(self.times_ns)]
        for silence in silences:
            if self.may_have_sent(silence):
                before = bisect_right(self.times_ns, silence.begin_ns) - 1
                left_ns = steps_ns[before] - (silence.end_ns - silence.begin_ns)
                steps_ns[before] = max(left_ns, 0)  # the clock of the capture may go back
        return _middle(steps_ns) / SECOND


def _middle(steps: Sequence[float]) -> float:
    """Return the step in which the middle of all of them, one behind the other by length, lies."""
    ordered = sorted(steps)
    ends = list(accumulate(ordered))
    return ordered[bisect_left(ends, ends[-1] / 2)]


def _rhythms(groups: Sequence[FlowJourneys], silences: Sequence[Silence]) -> Iterator[_Rhythm]:
    """Yield the senders that have a rhythm: those of bursts as often as these come."""
    for group in groups:
        gaps = [
            gap
            for gap in intervals([one.heard_ns for one in group.journeys], group.numbers)
            if gap > 0
        ]
        if gaps:
            numbers: Sequence[Numbered | None] = group.numbers or [None] * len(group.journeys)
            known = [
                (one.heard_ns, (one, number))
                for one, number in zip(group.journeys, numbers, strict=True)
                if one.heard_ns is not None
            ]
            known.sort(key=itemgetter(0))
            times, journeys = zip(*known, strict=True)
            one = _Rhythm(group.flow.source, list(times), list(journeys), median(gaps))
            lasting_s = _middle(gaps) if group.numbers else one.lasting_s(silences)
            yield one._replace(usual_s=max(one.usual_s, lasting_s))


def apart(group: FlowJourneys, silences: Sequence[Silence]) -> FlowJourneys:
    """Return a flow whose numbers are counted on each side of what nobody can tell of, and not across."""
    if group.numbers is None:
        return group
    order = sorted(range(len(group.numbers)), key=lambda place: group.numbers[place])  # type: ignore[index]
    numbers, shift, uncounted, passed = list(group.numbers), 0, 0, 0
    for at, here in enumerate(order):
        now = group.numbers[here]
        if at:
            there = order[at - 1]
            before = group.numbers[there]
            missing = now.place - before.place - 1 if now.run == before.run else 0
            frames = _unknown(group.journeys[there], group.journeys[here], missing, silences)
            if missing > 0 and frames is not None:
                shift += 1
                uncounted += missing
                passed += frames
        numbers[here] = Numbered(now.run + shift, now.place)
    return group._replace(numbers=numbers, uncounted=uncounted, passed=passed)


def _unknown(
    before: Journey, now: Journey, missing: int, silences: Sequence[Silence]
) -> int | None:
    """Return how many frames of the sender are missing between two where nobody knows of its messages; else None."""
    frames: int | None = None
    one, other = before.left, now.left
    if one is not None and other is not None and one.sender == other.sender:
        if other.leaps != one.leaps:
            return 0
        if other.sequence is not None:
            frames = max(other.missing - one.missing, 0)
    if frames is not None and frames < missing:
        return None  # there was no frame for some of them: those never came on the air
    start, end = before.heard_ns, now.heard_ns
    if start is None or end is None:
        return None
    if any(start <= silence.begin_ns and silence.end_ns <= end for silence in silences):
        return frames or 0
    return None


def rhythm_of(
    group: FlowJourneys, silences: Sequence[Silence], last_ns: int | None
) -> tuple[RhythmPart, ...]:
    """Return how often messages came over the time, up to ``last_ns``; None: nobody knows who sent what behind them.

    Times in which some may have been missed are left out.
    """
    times, _ = starts_of(group)
    known = [one for one in times if one is not None]
    first = min(known, default=0)
    timed = []
    for at, seconds in steps(times, group.numbers):
        before, now = group.journeys[at - 1], group.journeys[at]
        start = times[at - 1]
        if start is None or (group.numbers is None and _may_miss(before, now, silences)):
            continue
        timed.append(TimedInterval((start - first) / SECOND, seconds))
    parts = rhythm(timed)
    if not parts or last_ns is None:
        return tuple(parts)
    last_whole_ns = max(known)
    known += [one.heard_ns for one in group.begun if one.heard_ns is not None]
    quiet = Silence(max(known), last_ns)
    if paused_s := _longest_pause(group, silences):
        since_s, all_s = (last_whole_ns - first) / SECOND, (quiet.begin_ns - last_whole_ns) / SECOND
        parts.append(RhythmPart(since_s, all_s, 0, None, longest_s=paused_s))
    unheard_s = sum(one.seconds for one in silences if one.begin_ns >= quiet.begin_ns)
    quiet_s = max(quiet.seconds - unheard_s, 0.0)
    since_s = (quiet.begin_ns - first) / SECOND
    return (*parts, RhythmPart(since_s, quiet_s, 0, None, longest_s=quiet_s))


def _longest_pause(group: FlowJourneys, silences: Sequence[Silence]) -> float:
    """Return the longest time behind the last number in which nothing was sent, as far as anybody can tell."""
    pauses = (
        now.heard_ns - before.heard_ns
        for before, now in pairwise((group.journeys[-1], *group.begun))
        if before.heard_ns is not None and now.heard_ns is not None
        if not _may_miss(before, now, silences)
    )
    return max(pauses, default=0) / SECOND


def _may_miss(before: Journey, now: Journey, silences: Sequence[Silence]) -> bool:
    """Return whether messages may have been sent unheard between two that have no numbers."""
    one, other = before.left, now.left
    if one is not None and other is not None and other.sequence is not None:
        return (one.missing, one.leaps) != (other.missing, other.leaps)
    start, end = before.heard_ns, now.heard_ns
    return (
        start is not None
        and end is not None
        and any(start <= silence.begin_ns and silence.end_ns <= end for silence in silences)
    )
