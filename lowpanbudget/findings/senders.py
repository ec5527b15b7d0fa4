"""Who sends data frames: what rules want to know of each node is noted in one go, once for every frame."""

from collections import deque
from collections.abc import Iterator
from math import nan
from typing import NamedTuple

from lowpanbudget.capture.recent import Recent
from lowpanbudget.capture.sequences import MOST_MISSING
from lowpanbudget.findings.levels import LevelUses
from lowpanbudget.findings.memory import FirstNamed, Frames
from lowpanbudget.findings.silences import LongSilence, needed
from lowpanbudget.layers.link.mac import BROADCAST, Mac
from lowpanbudget.values import dataclass, field

SHOWN = 5  # frames that a finding about a node names
MOST_RECEIVERS = 8
_TELLING = 3  # frames of a node from which it counts as one of its PAN; our choice
TIMES_MORE = 4  # how many times more frames the others of a network must have; our choice

_MOST_HOLES = 32  # of one sender that are remembered; our choice

Station = tuple[int | None, bytes]  # a PAN, and a link address in it


def pan_of(mac: Mac) -> int | None:
    """Return the PAN that a frame goes to; that of its source where it names no other."""
    return mac.source_pan if mac.destination_pan is None else mac.destination_pan


class Hole(NamedTuple):
    """So many frame numbers of a sender that nobody heard: behind its frame ``before``, and ahead of ``after``."""

    before: int
    before_s: float
    after: int
    after_s: float
    missing: int = 1


@dataclass(slots=True)
class HeardSender:
    """Data frames of a node, to some receivers: all, those under link security, and those without; the first of each.

    ``levels`` are the security levels of those under link security.

    ``sequence`` is the last number, ``row`` how many frames in a row had it with other contents than the one before,
    which ``mark`` stands for and which came at ``time_s``; the first of them is frame ``since``.
    ``other`` is the number before that one, with the mark of its last frame; ``swings`` counts how often in a row the
    number went back to it, which began at frame ``swung_since``. ``heard_s`` is when something of its own was heard
    last, in frame ``heard``, ``longest_s`` the longest silence before, and ``alike`` how many were about as long; there
    were so many ``gaps`` of ``gaps_s`` together; ``made_s`` is when a datagram with its address came by last, an answer
    or on a later hop alone. ``seen_s`` is when it sent a frame last, be it a beacon, or acknowledged one, in or behind
    frame ``shown``.
    ``counted`` is the number of its last frame that counts data and commands, which was frame ``sent`` at ``sent_s``;
    ``holes`` are the last in these numbers, and frame ``jumped`` was the last whose number is none of the next ones.
    ``pause`` is the longest between signs of it since something of its own was heard.
    ``widest`` is the longest time of all between two frames that it counts, where it is longer than any silence before.
    ``silence`` is one that may be over, with ``resumed`` silences behind it that are as short as those before;
    ``silent`` is the longest that was one, of ``silences`` in all. ``stopped``: a flow of it that is planned came to an
    end. So many DAOs of it are told to have no answer: ``daos_in_vain``. So often they named other parents: ``moves``.
    """

    frames: int = 0
    sealed: int = 0
    bare: int = 0
    to: set[bytes] = field(default_factory=set)
    first: Frames = field(default_factory=Frames)
    first_bare: Frames = field(default_factory=Frames)
    levels: LevelUses = field(default_factory=LevelUses)
    sequence: int | None = None
    row: int = 0
    other: tuple[int | None, int] = (None, 0)
    swings: int = 0
    swung_since: int = 0
    mark: int = 0
    time_s: float = 0.0
    since: int = 0
    heard_s: float = nan
    heard: int = 0
    longest_s: float = 0.0
    alike: int = 0
    gaps: int = 0
    gaps_s: float = 0.0
    made_s: float = 0.0
    sent_s: float = nan
    seen_s: float = nan
    shown: int = 0
    counted: int | None = None
    sent: int = 0
    holes: deque[Hole] | None = None
    jumped: int = 0
    pause: LongSilence | None = None
    widest: LongSilence | None = None
    silence: LongSilence | None = None
    resumed: int = 0
    silent: LongSilence | None = None
    silences: int = 0
    stopped: bool = False
    daos_in_vain: int = 0
    moves: int = 0

    def count(self, sequence: int | None, number: int, time_s: float) -> None:
        """Take the number of a data or command frame, which count in one sequence."""
        before, pause, missing = self.counted, self.pause, None
        if before is not None and sequence is not None:
            missing = (sequence - before - 1) & 0xFF
        if pause is not None and pause.before == self.sent and pause.after != number:
            # an acknowledgement ended it, which has no number of its own
            self.pause = pause._replace(missing=missing)
            self.widest = self.pause if self.widest is pause else self.widest
        self._show(time_s, number, missing)
        if missing:
            if missing <= MOST_MISSING:
                if self.holes is None:
                    self.holes = deque(maxlen=_MOST_HOLES)
                self.holes.append(Hole(self.sent, self.sent_s, number, time_s, missing))
            elif sequence != before:  # the same one again leaves no place between
                self.jumped = number
        self.counted, self.sent, self.sent_s = sequence, number, time_s

    def acknowledge(self, time_s: float, number: int) -> None:
        """Take an acknowledgement: a relay that is back gives some before it sends anything."""
        self._show(time_s, number, None)

    def _show(self, time_s: float, number: int, missing: int | None) -> None:
        """Take a sign that it is there."""
        seconds, self.seen_s, self.shown = time_s - self.seen_s, time_s, number
        if seconds > self.longest_s and (self.pause is None or seconds > self.pause.seconds):
            self.pause = LongSilence(seconds, self.longest_s, self.sent, number, missing)
            if self.widest is None or seconds > self.widest.seconds:
                self.widest = self.pause

    def was_away(self, number: int) -> bool:
        """Return whether it may have sent this frame elsewhere: behind its last, or in a hole of its numbers."""
        holes = self.holes or ()
        return number > self.sent or any(one.before < number < one.after for one in holes)

    def was_gone(self, first: int, last: int) -> bool:
        """Return whether nothing was heard of it between two frames: in its longest silence, or to the end."""
        silent = self.silent
        if silent is not None and silent.before < first and last < silent.after:
            return True
        return self.shown < first

    def hear(self, time_s: float, number: int) -> None:
        """Take something of its own; a silence of twice the longest so far begins another rhythm."""
        gap, longest_s = time_s - self.heard_s, self.longest_s
        if self.heard:
            self.gaps += 1
            self.gaps_s += gap
        if 2 * gap >= longest_s:
            self.alike = self.alike + 1 if gap <= 2 * longest_s else 1
        if gap > longest_s:
            self.longest_s = gap
        self.heard_s, self.heard, self.pause = time_s, number, None
        if self.silence is not None:
            self._resume(self.silence, gap)

    def _resume(self, silence: LongSilence, gap: float) -> None:
        """Take a silence behind a long one: as many as before show that its rhythm is as it was."""
        self.resumed += 1
        if not self.resumed:
            return  # the silence itself
        if gap > 2 * silence.rhythm_s:
            self.silence = None  # it has another rhythm now
        elif self.resumed >= needed(silence.rhythm_s):
            self.silence, self.silences = None, self.silences + 1
            if self.silent is None or silence.seconds > self.silent.seconds:
                self.silent = silence
            self.longest_s, self.alike = max(silence.rhythm_s, gap), self.resumed


class CounterUse(NamedTuple):
    """The frame that used a frame counter first: ``octets`` of ``length`` without its FCS, of a long one a digest."""

    octets: bytes
    length: int
    number: int
    time_s: float
    destination: bytes | None
    sequence: int | None = None


class Senders(FirstNamed[Station, HeardSender]):
    """Those who send, by the PAN that their frames go to, and link source; ``origins``: who sent first, by address."""

    def __init__(self) -> None:
        super().__init__()
        self.origins = Recent[int, Station]()


class Refusal(NamedTuple):
    """What a receiver refused of a sender: ``tries``, and ``lost`` of the ``asked`` frames; ``first`` say so."""

    sender: bytes
    receiver: Station
    tries: int
    asked: int
    lost: int
    first: tuple[int, ...]


class Givers(FirstNamed[Station, float]):
    """Who acknowledged frames, and when last: an acknowledgement names nobody, but the frame that it answers does."""

    def note(self, station: Station, time_s: float) -> None:
        """Take an acknowledgement."""
        if station in self or len(self) < self.MOST:
            self[station] = time_s


class Stranger(NamedTuple):
    """A node that sends in another PAN than those it sends to: ``to`` are those, in the network's PAN ``most``.

    That PAN has so many ``frames``; ``others`` is how many more nodes send in the node's own.
    """

    pan: int
    source: bytes
    sender: HeardSender
    to: tuple[bytes, ...]
    most: int
    frames: int
    others: int


def strangers(senders: Senders, givers: Givers) -> Iterator[Stranger]:
    """Yield the nodes whose receivers are heard in the PAN of most frames, and never in the node's own.

    A receiver is heard where it sends or acknowledges; where it does neither, frames of several nodes that go to it
    tell its PAN.
    """
    frames: dict[int | None, int] = {}
    asked: dict[Station, int] = {}
    for (pan, _), sender in senders.items():
        frames[pan] = frames.get(pan, 0) + sender.frames
        for to in sender.to:
            asked[pan, to] = asked.get((pan, to), 0) + 1
    most = max(frames, key=lambda pan: frames[pan], default=None)
    for (pan, source), sender in senders.items():
        if pan is None or most is None or pan == most or sender.frames < _TELLING:
            continue
        if frames[pan] * TIMES_MORE > frames[most]:
            continue
        alone = sorted(to for to in sender.to if to != BROADCAST)
        here = [to for to in alone if (pan, to) in senders or (pan, to) in givers]
        there = [
            to
            for to in alone
            if (most, to) in senders or (most, to) in givers or asked.get((most, to), 0) > 1
        ]
        if there and not here:
            others = sum(one == pan for one, _ in senders) - 1
            yield Stranger(pan, source, sender, tuple(there), most, frames[most], others)
