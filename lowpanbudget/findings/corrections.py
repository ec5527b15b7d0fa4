"""Time corrections in acknowledgements: whether a node sets its clock by what it is told."""

from math import nan
from typing import NamedTuple

from lowpanbudget.findings.senders import Station
from lowpanbudget.values import dataclass

_FEWEST = 10  # corrections in a row that grow, to one side; our choice
# in a slot of the default template a receiver listens 1100 us to either side of the time that is due, a macTsRxWait of
# 2200 us (IEEE 802.15.4-2015 table 8-83): who is nearly so far off is lost soon
_FAR_US = 1000
# clocks of 40 ppm each, the most that PHYs allow (from memory), run apart by 80 us in a second; and what a radio
# misjudges: our choice
_DRIFT_US, _ERROR_US = 80, 100


class Uncorrected(NamedTuple):
    """Corrections that grow: of whom, by whom, the first and the last of the row, how many, and the frames of those."""

    sender: bytes
    receiver: Station
    first_us: int
    last_us: int
    times: int
    frames: tuple[int, int]


@dataclass(slots=True)
class Corrections:
    """The time corrections that one node gets of another, as far as the last of them grow, all to one side.

    ``beyond`` of them in a row are more than two clocks run apart since the one before: who sets its clock by each has
    none of these, whatever the time between. ``told`` is the row that showed it: first, last, how many, and the frames.
    """

    first_us: int = 0
    last_us: int = 0
    last_s: float = nan
    since: int = 0
    grown: int = 0
    beyond: int = 0
    told: tuple[int, int, int, tuple[int, int]] | None = None

    def take(self, now_us: int, time_s: float, number: int) -> None:
        """Take the next correction."""
        most_us = _ERROR_US + _DRIFT_US * (time_s - self.last_s)
        if not self.grown or now_us * self.last_us < 0 or abs(now_us) < abs(self.last_us):
            self.first_us, self.since, self.grown, self.beyond = now_us, number, 0, 0
        self.grown += now_us != self.last_us or not self.grown
        self.beyond = self.beyond + 1 if abs(now_us) > most_us else 0
        self.last_us, self.last_s = now_us, time_s
        if min(self.grown, self.beyond) >= _FEWEST and abs(now_us) >= _FAR_US:
            self.told = self.first_us, now_us, self.grown, (self.since, number)
