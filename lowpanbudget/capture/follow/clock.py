"""The clock of a capture, where it goes back: a receiver that was set right, or captures joined out of order."""

from typing import NamedTuple

from lowpanbudget.capture.files.pcap import SECOND
from lowpanbudget.capture.files.record import Record
from lowpanbudget.errors import plural
from lowpanbudget.values import dataclass, field

MOST_CLOCKS = 256  # receivers that are told apart
LEAP_S = 365 * 86400  # a step so wide is that of a clock that was set, or lost; our choice
_UNITS = (
    ("y", LEAP_S), ("d", 86400), ("h", 3600), ("min", 60), ("s", 1), ("ms", 1e-3), ("µs", 1e-6), ("ns", 1e-9),
)  # fmt: skip


def duration(seconds: float) -> str:
    """Return a time with three digits, in the largest unit of which it has one or more."""
    rounded = float(f"{seconds:.3g}")
    unit, size = next((one for one in _UNITS if rounded >= one[1]), _UNITS[-1])
    return f"{seconds / size:.3g} {unit}"


@dataclass(slots=True)
class Clocks:
    """The time of the last record of each receiver: those of different ones need not agree."""

    _last_ns: dict[str | None, int] = field(default_factory=dict)

    def back_ns(self, record: Record) -> int:
        """Return how far the time of a record is before that of the last of its receiver; 0 where it is not."""
        now, last = record.time_ns, self._last_ns.get(record.receiver)
        if now is None or (last is None and len(self._last_ns) >= MOST_CLOCKS):
            return 0
        self._last_ns[record.receiver] = now
        return last - now if last is not None and now < last else 0


class ClockPutBack(NamedTuple):
    """Where the times of a capture go back first: in frame ``number``, by so many ``seconds``.

    It does so ``times`` times in all, by ``most_s`` seconds at most.
    """

    number: int
    seconds: float
    times: int
    most_s: float

    def __str__(self) -> str:
        """Return where, and by how much."""
        return f"the times go back in frame {self.number}, by {duration(self.seconds)}"

    def again(self, back_ns: int) -> "ClockPutBack":
        """Return the same with another step back."""
        return self._replace(times=self.times + 1, most_s=max(self.most_s, back_ns / SECOND))


class ClockLeap(NamedTuple):
    """Where the times of a capture leap: in frame ``number``, by so many ``seconds``, on or back.

    By less than a year it is one behind which all senders go on where they were; that time is counted nowhere.

    ``left_out`` frames stand on the other side of such leaps than those that are told of.
    """

    number: int
    seconds: float
    left_out: int

    def __str__(self) -> str:
        """Return where, how far, and what is left out."""
        if abs(self.seconds) < LEAP_S:
            return (
                f"the times leap on by {duration(self.seconds)} in frame {self.number}, or nobody sent anything for so "
                "long: nothing is missing there, and that time is not counted"
            )
        years = abs(self.seconds) / LEAP_S
        return (
            f"the times leap {'on' if self.seconds > 0 else 'back'} by {years:.3g} years in frame {self.number}, as "
            f"where a receiver has no clock: {plural(self.left_out, 'frame')} on the other side "
            f"{'is' if self.left_out == 1 else 'are'} left out"
        )


def put_back(before: ClockPutBack | None, number: int, back_ns: int) -> ClockPutBack | None:
    """Return what is known of steps back with one more record, which is back by so many nanoseconds."""
    if not back_ns:
        return before
    if before is not None:
        return before.again(back_ns)
    return ClockPutBack(number, back_ns / SECOND, 1, back_ns / SECOND)
