"""Times of a capture that leap on while everybody goes on: a receiver whose clock was set, or a network that rested.

Nobody can tell which; either way nothing is missing, and the time between is none in which something was due. So it is
taken out: what comes behind it is dated as if it had come at once.
"""

from collections.abc import Iterable
from typing import NamedTuple

from lowpanbudget.capture.crossings import HeardFrame
from lowpanbudget.deployment.journeys import SECOND, Journey, Tries
from lowpanbudget.deployment.unheard import Silence
from lowpanbudget.layers.link.control import SEQUENCE_NUMBERS
from lowpanbudget.values import dataclass, field

# our choices: how many times the longest silence before, and senders that tell of it, of which three quarters go on
_TIMES, _ACROSS = 4, 3
# our choices: a quicker rhythm, or one of fewer frames, is that of a transfer, behind which a node rests
_SLOW_NS, _FEW = 5 * SECOND, 6
_MOST_NODES = 4096


class Leap(NamedTuple):
    """A time in which nobody was heard, and behind which all go on, up to frame ``number``."""

    number: int
    silence: Silence


@dataclass(slots=True)
class _Sender:
    """The number and time of a sender's last frame, how many there were, and the longest time between two."""

    sequence: int
    time_ns: int
    longest_ns: int = 0
    frames: int = 1

    def tells(self, silent_ns: int) -> bool:
        """Return whether it has a rhythm, in which a silence is far too long."""
        is_rhythm = self.frames >= _FEW and self.longest_ns >= _SLOW_NS
        return is_rhythm and silent_ns > _TIMES * self.longest_ns


@dataclass(slots=True)
class _Candidate:
    """A leap that may be one: so many senders went on behind it, and others did not."""

    leap: Leap
    before: dict[bytes, _Sender]
    on: int = 0
    other: int = 0

    @property
    def is_proved(self) -> bool:
        """Return whether so many senders went on that no silence of the receiver explains it."""
        return self.on >= _ACROSS and self.on >= 3 * self.other


@dataclass(slots=True)
class Leaps:
    """Looks for the one leap of a capture; one of several silences as long is none, for such a network rests.

    Nor is one that is not far longer than the ``slowest_s`` interval that is planned.
    """

    slowest_s: float = 0.0
    _senders: dict[bytes, _Sender] = field(default_factory=dict)
    _last_ns: int | None = None
    _longest_ns: int = 0
    _found: _Candidate | None = None
    _is_again: bool = False

    def hear(self, frame: HeardFrame) -> None:
        """Take a frame of anybody."""
        now_ns, before_ns = frame.time_ns, self._last_ns
        if now_ns is None:
            return
        self._last_ns = now_ns
        silent_ns = 0 if before_ns is None else now_ns - before_ns
        least_ns = _TIMES * max(self._longest_ns, _SLOW_NS, round(self.slowest_s * SECOND))
        if silent_ns > least_ns and before_ns is not None:
            self._is_again = self._found is not None
            leap = Leap(frame.number, Silence(before_ns, now_ns))
            self._found, self._senders = _Candidate(leap, self._senders), {}
        elif (
            self._found is not None
            and _TIMES * silent_ns >= self._found.leap.silence.seconds * SECOND
        ):
            self._is_again = True
        else:
            self._longest_ns = max(self._longest_ns, silent_ns)
        if frame.sender is not None and frame.numbered and frame.sequence is not None:
            self._number(frame.sender, frame.sequence, now_ns)

    def _number(self, name: bytes, sequence: int, now_ns: int) -> None:
        sender, found = self._senders.get(name), self._found
        if sender is None:
            if len(self._senders) < _MOST_NODES:
                self._senders[name] = _Sender(sequence, now_ns)
            before = None if found is None else found.before.pop(name, None)
            if found is not None and before is not None and before.tells(now_ns - before.time_ns):
                # the same number is a frame that is tried again, across it
                goes_on = (sequence - before.sequence) % SEQUENCE_NUMBERS <= 1
                found.on, found.other = found.on + goes_on, found.other + (not goes_on)
            return
        sender.frames += 1
        sender.longest_ns = max(sender.longest_ns, now_ns - sender.time_ns)
        sender.sequence, sender.time_ns = sequence, now_ns

    @property
    def leap(self) -> Leap | None:
        """Return the leap; None where there is none that is proved."""
        found = self._found
        return None if found is None or self._is_again or not found.is_proved else found.leap


def close(gone: Silence, journeys: Iterable[Journey]) -> None:
    """Take a leap out of the times of datagrams, and of the frames that brought them."""
    frames: dict[int, Tries] = {}
    for one in journeys:
        one.heard_ns, one.seen_ns = _closed(gone, one.heard_ns), _closed(gone, one.seen_ns)
        frames |= {id(tries): tries for tries in (one.left, one.last, *one.parts) if tries}
    for tries in frames.values():
        tries.first_ns, tries.last_ns = _closed(gone, tries.first_ns), _closed(gone, tries.last_ns)
        tries.answered_ns = _closed(gone, tries.answered_ns)


def _closed(gone: Silence, time_ns: int | None) -> int | None:
    return None if time_ns is None else gone.closed(time_ns)
