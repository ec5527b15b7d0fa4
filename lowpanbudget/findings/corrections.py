"""Time corrections in acknowledgements: whether a node sets its clock by what it is told."""

from math import nan
from typing import NamedTuple

from lowpanbudget.design.meaning import Design
from lowpanbudget.findings.senders import Station
from lowpanbudget.values import dataclass

_FEWEST = 10  # corrections in a row that grow, to one side; our choice
# in a slot of the default template a receiver listens 1100 us to either side of the time that is due, a macTsRxWait of
# 2200 us (IEEE 802.15.4-2015 table 8-83): who is nearly so far off is lost soon
_FAR_US = 1000
# clocks of 40 ppm each, the most that PHYs allow (from memory), run apart by 80 us in a second; and what a radio
# misjudges: our choice
_DRIFT_US, _ERROR_US = 80, 100


_GUARD_US = (
    1500  # of the longer of the templates that are known; where no design tells the network's
)


class ClockLimits(NamedTuple):
    """How far two clocks run apart in a second, and how far off a frame may come and still be heard."""

    drift_us: float
    guard_us: float


def limits_of(design: Design | None) -> ClockLimits:
    """Return those of a design with slots, else the widest that are usual."""
    slots = None if design is None or design.access is None else design.access.slots
    if slots is None:
        return ClockLimits(_DRIFT_US, _GUARD_US)
    return ClockLimits(2 * slots.drift_ppm, slots.template.guard)


class CorrectionRow(NamedTuple):
    """Corrections one after the other: the first and the last, how many, and the frames of those."""

    first_us: int
    last_us: int
    times: int
    frames: tuple[int, int]


class Uncorrected(NamedTuple):
    """Corrections of whom, by whom, that it does not follow: those that grow, and those beyond the guard."""

    sender: bytes
    receiver: Station
    grown: CorrectionRow | None
    far: CorrectionRow | None
    guard_us: float


class Untimed(NamedTuple):
    """Acknowledgements of one node to another without a time correction; those in the network that have one."""

    sender: bytes
    receiver: Station
    times: int
    timed: int
    first: tuple[int, ...]


@dataclass(slots=True)
class Corrections:
    """The time corrections that one node gets of another, as far as the last of them grow, all to one side.

    ``beyond`` of them in a row are more than two clocks run apart since the one before: who sets its clock by each has
    none of these, whatever the time between. ``told`` is the row that showed it. ``apart`` of them in a row are so, and
    beyond the guard as well, whether they grow or not; ``far`` is the longest such row.
    """

    limits: ClockLimits
    first_us: int = 0
    last_us: int = 0
    last_s: float = nan
    since: int = 0
    grown: int = 0
    beyond: int = 0
    told: CorrectionRow | None = None
    apart: int = 0
    apart_since: int = 0
    apart_us: int = 0
    far: CorrectionRow | None = None

    def take(self, now_us: int, time_s: float, number: int) -> None:
        """Take the next correction."""
        passed_s = time_s - self.last_s
        most_us = _ERROR_US + self.limits.drift_us * passed_s
        is_turned = now_us * self.last_us < 0
        if not self.grown or is_turned or abs(now_us) < abs(self.last_us):
            self.first_us, self.since, self.grown, self.beyond = now_us, number, 0, 0
        self.grown += now_us != self.last_us or not self.grown
        is_beyond = abs(now_us) > most_us
        self.beyond = self.beyond + 1 if is_beyond else 0
        # two clocks may be worse than planned: that is another matter
        by_drift_us = max(most_us, _ERROR_US + _DRIFT_US * passed_s)
        is_apart = abs(now_us) > by_drift_us and abs(now_us) >= self.limits.guard_us
        if is_turned or not is_apart:
            self.apart = 0
        elif not self.apart:
            self.apart, self.apart_since, self.apart_us = 1, number, now_us
        else:
            self.apart += 1
        self.last_us, self.last_s = now_us, time_s
        if min(self.grown, self.beyond) >= _FEWEST and abs(now_us) >= _FAR_US:
            self.told = CorrectionRow(self.first_us, now_us, self.grown, (self.since, number))
        if self.apart >= max(_FEWEST, 0 if self.far is None else self.far.times):
            frames = self.apart_since, number
            self.far = CorrectionRow(self.apart_us, now_us, self.apart, frames)
