"""The own sequence numbers of messages, which wrap: how many were sent, which are missing, where it began anew."""

from collections.abc import Sequence
from typing import NamedTuple

from lowpanbudget.values import dataclass

LATE = 16  # a number so far behind came late; one further behind is of a sender that began anew
GAP = 64  # more missing than expected are no loss but a sender that began anew
_KNOWN = 3  # intervals that tell a rhythm


class Numbered(NamedTuple):
    """A message in the count of its run: ``place`` counts on where the number wraps."""

    run: int
    place: int


@dataclass(slots=True)
class Counter:
    """Unwraps the numbers of one sender, modulo ``modulus``.

    Where a number could have wrapped, the time since the last decides: at the slowest rhythm so far the sender has sent
    so many at least. A burst is quicker, and tells nothing about what follows it.
    """

    modulus: int
    run: int = 0
    place: int | None = None
    time_s: float | None = None
    restarts: int = 0
    _slowest_s: float = 0.0
    _intervals: int = 0

    def take(self, number: int, time_s: float | None) -> Numbered:
        """Return where a number stands."""
        if self.place is None:
            self.place, self.time_s = number, time_s
            return Numbered(self.run, number)
        ahead = (number - self.place) % self.modulus
        expected = self._expected(time_s)
        if expected is not None:
            ahead += self.modulus * round((expected - ahead) / self.modulus)
        if ahead > max(GAP, 2 * (expected or 0)) and ahead - self.modulus >= -LATE:
            ahead -= self.modulus
        if -LATE <= ahead <= 0:
            return Numbered(self.run, self.place + ahead)
        if ahead < 0 or ahead > max(GAP, 2 * (expected or 0)):
            self.run, self.restarts = self.run + 1, self.restarts + 1
            self.place, self.time_s = number, time_s
            return Numbered(self.run, number)
        if time_s is not None and self.time_s is not None:
            self._slowest_s = max(self._slowest_s, (time_s - self.time_s) / ahead)
            self._intervals += 1
        self.place, self.time_s = self.place + ahead, time_s
        return Numbered(self.run, self.place)

    def _expected(self, time_s: float | None) -> float | None:
        """Return how many messages the time since the last has room for at least; None while no rhythm is known."""
        if time_s is None or self.time_s is None or self._intervals < _KNOWN:
            return None
        return (time_s - self.time_s) / self._slowest_s if self._slowest_s > 0 else None


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
