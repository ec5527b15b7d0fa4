"""Who sends data frames: what rules want to know of each node is noted in one go, once for every frame."""

from math import nan

from lowpanbudget.findings.memory import FirstNamed, Frames
from lowpanbudget.values import dataclass, field

SHOWN = 5  # frames that a finding about a node names
MOST_RECEIVERS = 8


@dataclass(slots=True)
class HeardSender:
    """Data frames of a node, to some receivers: all, those under link security, and those without; the first of each.

    ``sequence`` is the last number, ``row`` how many frames in a row had it with other contents than the one before,
    which ``mark`` stands for and which came at ``time_s``; the first of them is frame ``since``. ``heard_s`` is when
    something of its own was heard last, in frame ``heard``, ``longest_s`` the longest silence before, and ``alike`` how
    many were about as long.
    """

    frames: int = 0
    sealed: int = 0
    bare: int = 0
    to: set[bytes] = field(default_factory=set)
    first: Frames = field(default_factory=Frames)
    first_bare: Frames = field(default_factory=Frames)
    sequence: int | None = None
    row: int = 0
    mark: int = 0
    time_s: float = 0.0
    since: int = 0
    heard_s: float = nan
    heard: int = 0
    longest_s: float = 0.0
    alike: int = 0

    def hear(self, time_s: float, number: int) -> None:
        """Take something of its own; a silence of twice the longest so far begins another rhythm."""
        gap = time_s - self.heard_s
        if gap > 2 * self.longest_s:
            self.alike = 0
        if 2 * gap >= self.longest_s:
            self.alike += 1
        self.longest_s = max(self.longest_s, gap)
        self.heard_s, self.heard = time_s, number


# by link source, and by the PAN that the frames go to
Senders = FirstNamed[tuple[int | None, bytes], HeardSender]
