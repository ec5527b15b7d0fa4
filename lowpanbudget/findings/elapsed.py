"""When frames came, in seconds since the capture began, and the pauses between them."""

from math import nan

from lowpanbudget.capture.follow.sighting import Sighting
from lowpanbudget.findings.surroundings import Surroundings


class Elapsed:
    """Counts the seconds of a capture; what is ``known`` of its first network has the last, and all pauses."""

    def __init__(self, known: Surroundings) -> None:
        self._known = known
        self._first_ns: int | None = None

    def begin(self, time_ns: int | None) -> int:
        """Return when the capture began: with this frame, where it is the first that has a time."""
        if self._first_ns is None:
            self._first_ns = time_ns
        return self._first_ns or 0

    def at(self, sighting: Sighting) -> float:
        """Return when a frame came; not a number where that is unknown. Note how long nobody was heard before."""
        time_ns = sighting.record.time_ns
        if time_ns is None:
            return nan
        time_s, known = (time_ns - self.begin(time_ns)) / 1e9, self._known
        if time_s > known.end_s:
            known.pauses.note(time_s - known.end_s, time_s, sighting.record.number)
            known.end_s = time_s
        return time_s
