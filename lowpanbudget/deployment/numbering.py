"""The own sequence numbers of messages, which wrap: how many were sent, which are missing, where it began anew."""

from collections.abc import Sequence
from itertools import pairwise
from statistics import median
from typing import NamedTuple

from lowpanbudget.values import dataclass, field

LATE = 16  # a number so far behind may have come late; one further behind is of a sender that began anew
GAP = 64  # more missing than expected are no loss but a sender that began anew
LATE_S = 60.0  # that a message may come behind its time; our choice
# our choices: numbers next to the last, as many at most, and in a turn of so many times as many
_NEXT, _NEXT_OF = 16, 64
_KNOWN = 3  # intervals that tell a rhythm
# our choice: how much quicker than its rhythm a sender may be over a while, and what a message may wait in a queue
_QUICKER, _QUEUE_S = 1.5, 5.0

OwnNumber = tuple[int, float | None]  # of a message, and when it was heard, in seconds


class NumberedAnew(NamedTuple):
    """A message that begins a count anew: in which frame, its own number, and that of the message before it."""

    frame: int
    own: int
    before: int


class OldMessage(NamedTuple):
    """A message that its sender sends once more behind newer ones, in the same octets.

    It has its own number, came first in one frame and again in another, so many seconds later, ``times`` at least.
    """

    own: int
    first: int
    frame: int
    past_s: float
    times: int


class Numbered(NamedTuple):
    """A message in the count of its run: ``place`` counts on where the number wraps."""

    run: int
    place: int


class Pace(NamedTuple):
    """How a sender sends: ``usual_s`` seconds from one message to the next, ``quickest_s`` at most as quick."""

    usual_s: float
    quickest_s: float

    def holds(self, count: int, past_s: float) -> bool:
        """Return whether so many messages can have been sent in that time."""
        return count <= 1 + (_QUICKER * past_s + _QUEUE_S) / self.quickest_s

    def is_hasty(self, past_s: float) -> bool:
        """Return whether a message comes out of the rhythm, as in a burst that nobody planned."""
        return past_s < self.usual_s / 2


def places(
    heard: Sequence[OwnNumber],
    modulus: int,
    planned_s: float | None = None,
    slowest_s: float | None = None,
) -> list[Numbered]:
    """Return where the numbers of one sender stand, in the order heard.

    ``planned_s`` is its quickest interval by the design, ``slowest_s`` the one that it usually keeps.
    """
    counter = Counter(modulus, pace_of(heard, modulus, planned_s), _slowest_s=slowest_s or 0.0)
    followed = [*heard[1:], None]
    return [counter.take(*one, behind) for one, behind in zip(heard, followed, strict=True)]


def pace_of(
    heard: Sequence[OwnNumber], modulus: int, planned_s: float | None = None
) -> Pace | None:
    """Return the rhythm of a sender from numbers in a row; None without those and without a plan.

    The quickest is planned, usual, or told by three in a row: two alone may have waited together.
    """
    steps = [
        end - begin
        if (later - number) % modulus == 1 and begin is not None and end is not None and end > begin
        else None
        for (number, begin), (later, end) in pairwise(heard)
    ]
    in_row = [
        (one + two) / 2 for one, two in pairwise(steps) if one is not None and two is not None
    ]
    known = [one for one in steps if one is not None]
    usual = median(known) if known else planned_s
    if usual is None:
        return None
    return Pace(usual, min([usual, *in_row] if planned_s is None else [usual, planned_s, *in_row]))


@dataclass(slots=True)
class Counter:
    """Unwraps the numbers of one sender, modulo ``modulus``, who sends at a ``pace``, as far as that is known.

    The time since the last decides how many it can have sent: where a number could have wrapped, as many at least as
    at the slowest rhythm so far or planned, and no more than at the quickest. One that is next, or nearly, has not
    wrapped. A number further on, or one that comes too late, is of a sender that began anew.
    """

    modulus: int
    pace: Pace | None = None
    run: int = 0
    place: int = -1
    time_s: float | None = None
    _slowest_s: float = 0.0
    _intervals: int = 0
    _first: int = 0  # of this run
    _heard: set[int] = field(default_factory=set)  # places of this run

    def take(
        self, number: int, time_s: float | None, following: OwnNumber | None = None
    ) -> Numbered:
        """Return where a number stands; ``following`` is the next that was heard."""
        if self.place < 0:
            return self._begin(number, time_s)
        ahead, past = self._ahead(number, time_s), self._past(time_s)
        behind, can_be = (self.place - number) % self.modulus, self._holds(ahead, past)
        if not (ahead and can_be) and self._is_old(number, behind, following):
            return Numbered(self.run, self.place - behind)
        if ahead and (can_be or not self._is_new(number, time_s, following)):
            if past is not None:
                self._slowest_s = max(self._slowest_s, past / ahead)
                self._intervals += 1
            return self._stand(self.place + ahead, time_s)
        if behind <= LATE and self._is_late(behind, time_s, following):
            self._heard.add(self.place - behind)
            return Numbered(self.run, self.place - behind)
        self.run += 1
        return self._begin(number, time_s)

    def _begin(self, number: int, time_s: float | None) -> Numbered:
        """Count from a first number."""
        self._first = number
        self._heard.clear()
        return self._stand(number, time_s)

    def _stand(self, place: int, time_s: float | None) -> Numbered:
        """Count on from a place."""
        self.place, self.time_s = place, time_s
        self._heard.add(place)
        return Numbered(self.run, place)

    def _past(self, time_s: float | None) -> float | None:
        """Return the time since the last; None where nobody knows, or where the clock was put back."""
        return _between(self.time_s, time_s)

    def _ahead(self, number: int, time_s: float | None) -> int:
        """Return how far a number is ahead of the last; 0 where it is further than may be lost."""
        ahead = (number - self.place) % self.modulus
        past, most = self._past(time_s), float(GAP)
        if 0 < ahead <= min(_NEXT, self.modulus // _NEXT_OF):
            return ahead  # a pause: a whole turn between would end just here by chance alone
        if past is not None and self._intervals >= _KNOWN and self._slowest_s > 0:
            expected = past / self._slowest_s
            ahead += self.modulus * round((expected - ahead) / self.modulus)
            most = max(most, 2 * expected)
        return ahead if 0 < ahead <= most else 0

    def _holds(self, ahead: int, past: float | None) -> bool:
        """Return whether so many messages can have been sent since the last, as far as anybody knows."""
        return past is None or self.pace is None or self.pace.holds(ahead, past)

    def _is_new(self, number: int, time_s: float | None, following: OwnNumber | None) -> bool:
        """Return whether a number that is too far ahead begins anew: the next goes on from it, in its rhythm."""
        past = self._past(time_s)
        hasty = past is not None and self.pace is not None and self.pace.is_hasty(past)
        if hasty and number > self.place % self.modulus:
            return False
        if following is None:
            return not hasty
        then = _between(time_s, following[1])
        if hasty and then is not None and self.pace is not None and self.pace.is_hasty(then):
            return False
        return self._holds((following[0] - number) % self.modulus, then)

    def _is_old(self, number: int, behind: int, following: OwnNumber | None) -> bool:
        """Return whether a message was sent once more by somebody, however late: the next is nearer to the last."""
        if following is None or self.place - behind not in self._heard:
            return False
        ahead = self._ahead(*following)
        is_nearer = 0 < ahead < (following[0] - number) % self.modulus
        return is_nearer and self._holds(ahead, self._past(following[1]))

    def _is_late(self, behind: int, time_s: float | None, following: OwnNumber | None) -> bool:
        """Return whether a number so far behind is an old one that came late, or once more.

        Then the next goes on from the last. Where that came late as well, both are places that were left open.
        """
        past = self._past(time_s)
        if not behind or (past is None and time_s is not None and self.time_s is not None):
            return True  # said again, or heard before by a clock that was put back
        goes_on = False
        if following is not None:
            ahead = self._ahead(*following)
            goes_on = ahead > 0 and self._holds(ahead, self._past(following[1]))
        timed, in_time = False, True
        if past is not None and self.pace is not None:
            timed, in_time = True, past + behind * self.pace.quickest_s <= LATE_S
        if not self._is_open(behind, timed=timed):
            return goes_on and in_time
        if goes_on or following is None:
            return goes_on or in_time
        return in_time and self._is_open((self.place - following[0]) % self.modulus, timed=timed)

    def _is_open(self, behind: int, *, timed: bool) -> bool:
        """Return whether a place so far behind was not heard; before the first of a run no clock leaves one open."""
        place = self.place - behind
        return place not in self._heard and not (timed and place < self._first)


def _between(before_s: float | None, after_s: float | None) -> float | None:
    """Return the time from one to the other; None where one is unknown, or the clock was put back between them."""
    if before_s is None or after_s is None or after_s < before_s:
        return None
    return after_s - before_s


class NumbersSeen(NamedTuple):
    """What numbers of a sender were: from the first heard to the last, how many there were and how many were heard.

    ``inner`` of them lie between: the first and the last of a run are heard in any case, and prove nothing.
    """

    sent: int
    heard: int
    inner_sent: int
    inner_heard: int


def counted(numbers: Sequence[Numbered], taken: Sequence[bool]) -> NumbersSeen:
    """Count the numbers of all runs; ``taken`` tells which of them are to count as heard."""
    sent = heard = inner_sent = inner_heard = 0
    for run in sorted({one.run for one in numbers}):
        here = {one.place for one in numbers if one.run == run}
        good = {
            one.place for one, is_in in zip(numbers, taken, strict=True) if one.run == run and is_in
        }
        first, last = min(here), max(here)
        sent += last - first + 1
        heard += len(good)
        if last > first:
            inner_sent += last - first - 1
            inner_heard += len(good - {first, last})
    return NumbersSeen(sent, heard, inner_sent, inner_heard)
