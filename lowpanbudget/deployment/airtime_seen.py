"""The time that nodes were on the air in a capture: altogether, and in the worst window of the design's limits."""

from collections import deque

from lowpanbudget.capture.crossings import HeardFrame
from lowpanbudget.deployment.journeys import SECOND
from lowpanbudget.deployment.measured import MeasuredNode
from lowpanbudget.layers.link.control import SEQUENCE_NUMBERS
from lowpanbudget.layers.link.phy import PhyTiming
from lowpanbudget.values import dataclass, field

MOST_NODES = 4096
_GAP = 64  # more than these, and than twice as many as expected, are no loss but a node that started anew
_KNOWN = 4  # numbers that tell how often a node sends
_LATE = 16  # a counter so far behind may have come late, from another receiver


@dataclass(slots=True, eq=False)
class NodeOnAir:
    """What one node sent so far; ``_window`` are its frames in the window that ends now: time, and time on the air.

    Where its numbers leap nobody knows how many were ``missing``. A frame that is further ahead stands ``_aside`` until
    the next follows it: somebody may have sent an old one once more.
    """

    frames: int = 0
    acknowledgements: int = 0
    octets: int = 0
    on_air_us: float = 0.0
    longest_us: float = 0.0
    worst_us: float = 0.0
    missing: int = 0
    numbers: int = 0
    leaps: int = 0
    _last: HeardFrame | None = None
    _aside: HeardFrame | None = None
    _leapt: int | None = None
    _first_ns: int | None = None
    _window: deque[tuple[int, float]] = field(default_factory=deque)
    _window_us: float = 0.0

    def send(self, time_ns: int | None, octets: int, us: float, window_ns: int) -> None:
        """Take a frame."""
        self.octets += octets
        self.on_air_us += us
        self.longest_us = max(self.longest_us, us)
        if time_ns is None or not us or not window_ns:
            return
        if self._window and time_ns < self._window[-1][0]:  # the clock was put back
            self._window.clear()
            self._window_us = 0.0
        self._window.append((time_ns, us))
        self._window_us += us
        while self._window[0][0] <= time_ns - window_ns:
            self._window_us -= self._window.popleft()[1]
        self.worst_us = max(self.worst_us, self._window_us)

    def number(self, frame: HeardFrame) -> None:
        """Take the number of a frame that is sent the first time."""
        last, aside, self._aside = self._last, self._aside, None
        ahead: int | None = 1
        if last is None:
            self._first_ns = frame.time_ns
        else:
            ahead = self._ahead(last, frame)
        if aside is not None:
            behind = self._ahead(aside, frame)
            if behind == 0:
                self._aside = aside
                return
            if behind is not None and (ahead is None or behind < ahead):
                ahead = behind
            else:
                self._count(self._leapt, back=True)
        if ahead == 0:
            return  # sent again, or late
        self._count(ahead)
        if ahead is None or ahead > _LATE:
            self._aside, self._leapt = frame, ahead
        else:
            self._last = frame

    def _count(self, ahead: int | None, *, back: bool = False) -> None:
        """Count a number that is so far ahead, None where it leaps; or take it back."""
        way, numbers = -1 if back else 1, ahead or 1
        self.leaps += way * (ahead is None)
        self.numbers += way * numbers
        self.missing += way * (numbers - 1)

    def _ahead(self, last: HeardFrame, frame: HeardFrame) -> int | None:
        """Return how many numbers a frame is ahead of the last; None where that leaps.

        Frame counter and sequence number each go up by one with a secured frame (IEEE 802.15.4-2020 clauses 9.4.2 and
        7.2.3, from memory): together they tell of any number, a sequence number alone of those within its eight bits.
        """
        ahead = ((frame.sequence or 0) - (last.sequence or 0)) % SEQUENCE_NUMBERS
        if frame.counter is not None and last.counter is not None and frame.key == last.key:
            counted = frame.counter - last.counter
            if counted < -_LATE:
                return None  # another device, or one that lost its counter
            if counted % SEQUENCE_NUMBERS == ahead:
                return max(counted, 0)
        expected = self._expected(last, frame)
        could_wrap = 2 * expected >= SEQUENCE_NUMBERS
        return None if could_wrap or ahead > max(_GAP, 2 * expected) else ahead

    def _expected(self, last: HeardFrame, frame: HeardFrame) -> float:
        """Return how many frames the node sends on average in the time between two; 0 where nobody knows."""
        if self._first_ns is None or last.time_ns is None or frame.time_ns is None:
            return 0.0
        so_far, past = last.time_ns - self._first_ns, frame.time_ns - last.time_ns
        if self.numbers < _KNOWN or so_far <= 0 or past <= 0:
            return 0.0
        return (self.numbers - 1) * past / so_far


class OnAir:
    """Adds up what nodes send. ``timing`` is the PHY's, None where no design tells it."""

    def __init__(self, timing: PhyTiming | None, window_s: float | None) -> None:
        self._timing, self._window_s = timing, window_s
        self._window_ns = int((window_s or 0.0) * SECOND)
        self._nodes: dict[bytes, NodeOnAir] = {}
        self._us: dict[
            int, float
        ] = {}  # of frames of so many octets: few lengths come again and again

    def heard(
        self, frame: HeardFrame, acknowledger: bytes | None, *, is_aside: bool = False
    ) -> None:
        """Take a frame; ``acknowledger`` sends it where it is an acknowledgement that names nobody.

        One that ``is_aside`` may have the number of an old one: where it has not, ``number`` takes that later.
        """
        sender = frame.sender or (acknowledger if frame.answers else None)
        if sender is None:
            return
        node = self._nodes.get(sender)
        if node is None:
            if len(self._nodes) >= MOST_NODES:
                return
            node = self._nodes[sender] = NodeOnAir()
        us = self.lasts_us(frame.octets)
        node.send(frame.time_ns, frame.octets, us, self._window_ns)
        if frame.answers:
            node.acknowledgements += 1
            return
        node.frames += 1
        if not is_aside:
            self.number(frame)

    def number(self, frame: HeardFrame) -> None:
        """Take the number of a frame that is sent the first time."""
        node = None if frame.sender is None else self._nodes.get(frame.sender)
        if (
            node is not None
            and frame.numbered
            and frame.sequence is not None
            and frame.repeats is None
        ):
            node.number(frame)

    def unheard(self, sender: bytes) -> tuple[int, int]:
        """Return how many numbers of a sender are missing so far, and how often they leap."""
        node = self._nodes.get(sender)
        return (0, 0) if node is None else (node.missing, node.leaps)

    def lasts_us(self, octets: int) -> float:
        """Return how long a frame of so many octets is on the air, in microseconds; 0 where nobody knows."""
        us = self._us.get(octets)
        if us is None:
            us = 0.0 if self._timing is None else float(self._timing.airtime(octets))
            self._us[octets] = us
        return us

    def nodes(self, seconds: float | None) -> tuple[MeasuredNode, ...]:
        """Return what each node sent in a capture of so many seconds, who was longest on the air first."""
        known = self._timing is not None
        window = self._window_s
        long_enough = window is not None and seconds is not None and seconds >= window
        found = [
            MeasuredNode(
                name,
                node.frames,
                node.acknowledgements,
                node.octets,
                node.on_air_us / 1e6 if known else None,
                node.longest_us / 1e6 if known else None,
                node.on_air_us / 1e6 / seconds if known and seconds else None,
                node.worst_us / 1e6 / window if known and long_enough and window else None,
                node.missing,
                node.numbers,
            )
            for name, node in self._nodes.items()
        ]
        return tuple(sorted(found, key=lambda one: (-one.octets, one.node)))
