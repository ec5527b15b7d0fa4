"""The time that nodes were on the air in a capture: altogether, and in the worst window of the design's limits."""

from collections import deque

from lowpanbudget.capture.crossings import HeardFrame
from lowpanbudget.deployment.journeys import SECOND
from lowpanbudget.deployment.measured import MeasuredNode
from lowpanbudget.layers.link.phy import PhyTiming
from lowpanbudget.values import dataclass, field

MOST_NODES = 4096
_WRAP = 256  # sequence numbers of frames
_GAP = 64  # more missing numbers are no loss but a node that started anew, or one that was out of reach


@dataclass(slots=True, eq=False)
class NodeOnAir:
    """What one node sent so far; ``_window`` are its frames in the window that ends now: time, and time on the air."""

    frames: int = 0
    acknowledgements: int = 0
    octets: int = 0
    on_air_us: float = 0.0
    longest_us: float = 0.0
    worst_us: float = 0.0
    missing: int = 0
    numbers: int = 0
    last: int | None = None
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

    def number(self, sequence: int) -> None:
        """Take the number of a frame that is sent the first time."""
        ahead = 1 if self.last is None else (sequence - self.last) % _WRAP
        if not ahead:
            return  # sent again
        ahead = ahead if ahead <= _GAP else 1
        self.numbers += ahead
        self.missing += ahead - 1
        self.last = sequence


class OnAir:
    """Adds up what nodes send. ``timing`` is the PHY's, None where no design tells it."""

    def __init__(self, timing: PhyTiming | None, window_s: float | None) -> None:
        self._timing, self._window_s = timing, window_s
        self._window_ns = int((window_s or 0.0) * SECOND)
        self._nodes: dict[bytes, NodeOnAir] = {}
        self._us: dict[
            int, float
        ] = {}  # of frames of so many octets: few lengths come again and again

    def heard(self, frame: HeardFrame, acknowledger: bytes | None) -> None:
        """Take a frame; ``acknowledger`` sends it where it is an acknowledgement that names nobody."""
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
        if frame.numbered and frame.sequence is not None and frame.repeats is None:
            node.number(frame.sequence)

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
