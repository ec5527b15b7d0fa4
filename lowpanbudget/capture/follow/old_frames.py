"""Frames that somebody sent once more long after, number and all: the numbers that their sender goes on with tell.

A sequence number says nothing of age to who receives it: each comes again. What is played again has the octets of an
old frame, its number among them, and its sender goes on behind its newest one. A node that was restarted, or whose
frames nobody heard for a while, goes on from where it is.
"""

from array import array

from lowpanbudget.capture.files.record import Record
from lowpanbudget.capture.follow.parts import ASIDE, REPEAT_NS, Settled, Suspect
from lowpanbudget.layers.link.control import SEQUENCE_NUMBERS
from lowpanbudget.layers.link.stations import Station

_MOST_SENDERS = 512  # whose last frames are remembered, one of each number; more are not looked at
_MOST_ASIDE = 32  # frames: where more come and none besides, they are the sender's own; our choice
# numbers between an old frame and the newest: fewer lie between two restarts of a node that cannot start; our choice
_LEAST_BEHIND = 8
_MOST_AHEAD = 64  # so far ahead a number is one of the next: others were not heard; our choice


class _Numbered:
    """What one sender sent last under each sequence number, the ``newest`` number, and what was set aside.

    Of each frame stands here what its octets hash to, its number in the capture (0: there is none), when it came by the
    clock of the receiver that hears the sender first (``by``), and who it goes to.
    """

    __slots__ = ("aside", "by", "frames", "marks", "newest", "receivers", "times_ns")

    def __init__(self, newest: int, by: str | None) -> None:
        self.newest, self.by = newest, by
        self.marks = array("q", bytes(8 * SEQUENCE_NUMBERS))
        self.receivers = [b""] * SEQUENCE_NUMBERS
        self.frames, self.times_ns = [0] * SEQUENCE_NUMBERS, [0] * SEQUENCE_NUMBERS  # may be large
        self.aside: list[Suspect] = []

    def may_be_old(self, sequence: int, receiver: bytes, time_ns: int) -> bool:
        """Return whether a frame with all octets of one before is no retry, and has none of the next numbers.

        Since that one the numbers went on without a turn, and a frame to the same receiver came: a MAC sends what it
        has for one receiver in its order (common practice, no source).
        """
        behind, frames = (self.newest - sequence) % SEQUENCE_NUMBERS, self.frames
        if not _LEAST_BEHIND <= behind < SEQUENCE_NUMBERS - _MOST_AHEAD:
            return False
        if time_ns - self.times_ns[sequence] <= REPEAT_NS:
            return False
        later = [at for at in range(SEQUENCE_NUMBERS) if frames[at] > frames[sequence]]
        is_straight = all((at - sequence) % SEQUENCE_NUMBERS <= behind for at in later)
        return is_straight and any(self.receivers[at] == receiver for at in later)

    def goes_on(self, sequence: int, time_ns: int) -> bool:
        """Return whether a frame goes on behind the newest number, in less time than half of all numbers take."""
        last, newest_ns = self.aside[-1].sequence, self.times_ns[self.newest]
        if not 0 < (sequence - self.newest) % SEQUENCE_NUMBERS <= _MOST_AHEAD:
            return False
        behind, took_ns = (self.newest - last) % SEQUENCE_NUMBERS, newest_ns - self.times_ns[last]
        return 2 * behind * (time_ns - newest_ns) < SEQUENCE_NUMBERS * took_ns


class OldFrames:
    """Takes the data frames to one node of all senders, retransmissions apart, each before the next."""

    def __init__(self) -> None:
        self._senders: dict[Station, _Numbered] = {}
        self._asking: set[bytes | None] = set()

    def ask(self, node: bytes | None) -> None:
        """Take a command of a node: it may ask for what is held for it, which comes again until it has that."""
        if len(self._asking) < _MOST_SENDERS:
            self._asking.add(node)

    def take(
        self, source: Station, receiver: bytes, sequence: int, octets: bytes, record: Record
    ) -> Settled | None:
        """Return what a frame settles: nothing, as most do, those before it, or that it is set aside itself."""
        number, time_ns, _, _, _, _, by = record
        sender = self._senders.get(source)
        if sender is None:
            if len(self._senders) >= _MOST_SENDERS or time_ns is None:
                return None
            sender = self._senders[source] = _Numbered(sequence, by)
        if time_ns is None or by != sender.by:
            return None  # clocks of other receivers may differ
        mark, first, settled = hash(octets), sender.frames[sequence], None
        if (
            first
            and sender.marks[sequence] == mark
            and self._may_be_old(sender, sequence, receiver, time_ns)
        ):
            past_ns = time_ns - sender.times_ns[sequence]
            sender.aside.append(Suspect(number, first, sequence, past_ns))
            if len(sender.aside) <= _MOST_ASIDE:
                return ASIDE
            settled, sender.aside = Settled(sender.aside[:-1]), []
        elif sender.aside:
            settled, sender.aside = Settled(sender.aside, sender.goes_on(sequence, time_ns)), []
        sender.newest = sequence
        sender.marks[sequence], sender.frames[sequence] = mark, number
        sender.times_ns[sequence], sender.receivers[sequence] = time_ns, receiver
        return settled

    def _may_be_old(self, sender: _Numbered, sequence: int, receiver: bytes, time_ns: int) -> bool:
        return receiver not in self._asking and sender.may_be_old(sequence, receiver, time_ns)
