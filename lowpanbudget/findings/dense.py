"""Where in a capture something came too often: since which frame, how often and for how long, in constant memory.

Each time counts one, and each second between takes off what is allowed in it: the part of the time with the largest sum
is the densest (Kadane's algorithm for the largest sum of a part). What is allowed at least stays 0, and begins nothing.
"""

from lowpanbudget.findings.memory import Frames
from lowpanbudget.values import dataclass, field

_SHOWN = 8  # frames of a part


@dataclass(slots=True)
class DensePart:
    """A part of the time: its first frame and when it came, the last time, how often, and what that is beyond."""

    since: int
    since_s: float
    last_s: float
    count: int = 0
    beyond: float = 0.0
    frames: Frames = field(default_factory=Frames)

    def copied(self) -> "DensePart":
        """Return the part as it is now."""
        frames = Frames(self.frames)
        return DensePart(self.since, self.since_s, self.last_s, self.count, self.beyond, frames)


@dataclass(slots=True)
class Dense:
    """Times of one thing, and the ``densest`` part of them beside one in ``allowed_s`` seconds."""

    allowed_s: float
    densest: DensePart | None = None
    _now: DensePart | None = None

    def take(self, time_s: float, number: int) -> None:
        """Take the next time; one that is no number, or before the last, begins anew."""
        now = self._now
        if now is not None and time_s >= now.last_s:
            now.beyond -= (time_s - now.last_s) / self.allowed_s
        if now is None or not time_s >= now.last_s or now.beyond <= 0:
            now = self._now = DensePart(number, time_s, time_s)
        now.last_s = time_s
        now.count += 1
        now.beyond += 1
        now.frames.note(number, most=_SHOWN)
        best = self.densest
        if best is None or now.beyond > best.beyond:
            if best is None or best.since != now.since:
                self.densest = now.copied()
            else:
                best.last_s, best.count, best.beyond = now.last_s, now.count, now.beyond
                best.frames.note(number, most=_SHOWN)
