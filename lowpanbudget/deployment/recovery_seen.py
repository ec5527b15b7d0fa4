"""Datagrams in fragments that are acknowledged one by one: how many were begun, and what became of them."""

from collections.abc import Hashable

from lowpanbudget.capture.beginnings import Piece
from lowpanbudget.capture.crossings import HeardFrame
from lowpanbudget.capture.recent import Recent
from lowpanbudget.capture.recovery_parts import RecoveryPart
from lowpanbudget.deployment.journeys import Tries
from lowpanbudget.deployment.measured import MeasuredRecovery
from lowpanbudget.deployment.stopped_seen import BegunDatagram, StoppedSeen
from lowpanbudget.values import dataclass, field

MOST_OPEN = 4096

_Key = tuple[bytes | None, bytes | None, int, Hashable]


@dataclass(slots=True, eq=False)
class _Begun:
    """A datagram on one link, and whether it was acknowledged as whole or aborted."""

    datagram: BegunDatagram = field(default_factory=BegunDatagram)
    is_over: bool = False
    unread: bool = False  # its headers: whether it came whole is not known

    def is_past(self, now_ns: int | None) -> bool:
        """Return whether what comes now is of another datagram."""
        return self.is_over or self.datagram.is_past(now_ns)

    def is_other(self, piece: Piece | None) -> bool:
        """Return whether a part begins another datagram, to which its sender gave the tag of this one."""
        own, new = self.datagram.crossing, None if piece is None else piece.begins
        return own is not None and new is not None and (own.flow, own.size) != (new.flow, new.size)


class RecoveriesSeen:
    """Follows them by sender, receiver and tag; each link of a way counts. Those not heard whole go to ``stopped``."""

    def __init__(self, stopped: StoppedSeen) -> None:
        self._stopped = stopped
        self._open = Recent[_Key, _Begun](MOST_OPEN)
        self._begun = self._acknowledged = self._aborted = self._unheard = 0
        self.missing: dict[
            bytes, int
        ] = {}  # datagrams that came over and were not heard whole, by their sender

    def hear(self, frame: HeardFrame, piece: Piece | None, tries: Tries | None) -> None:
        """Take a frame, what it brings of a datagram, and its tries where it is sent the first time."""
        part = frame.recovery
        if part is None or frame.damaged or frame.repeats is not None:
            return
        if not part.answers:
            self._part(frame, part, piece, tries)
            return
        begun = self._open.get((frame.receiver, frame.sender, part.tag, part.passed))
        if begun is None or begun.is_past(frame.time_ns) or not (part.is_all or part.aborts):
            return
        begun.is_over = True
        begun.datagram.is_told = part.is_all
        self._stopped.end(begun.datagram)
        if part.aborts:
            self._aborted += 1
            return
        self._acknowledged += 1
        for one in begun.datagram.parts:
            one.recovered = True
        if not (begun.datagram.is_whole or begun.unread) and frame.receiver is not None:
            self._unheard += 1
            self.missing[frame.receiver] = self.missing.get(frame.receiver, 0) + 1

    def _part(
        self, frame: HeardFrame, part: RecoveryPart, piece: Piece | None, tries: Tries | None
    ) -> None:
        key = frame.sender, frame.receiver, part.tag, part.passed
        begun = self._open.get(key)
        if begun is None or begun.is_past(frame.time_ns) or begun.is_other(piece):
            if begun is not None:
                self._end(begun)
            begun = _Begun()
            self._open.renew(key, begun)
            self._begun += 1
        begun.datagram.hear(frame, piece, tries)
        begun.unread |= part.unread

    def _end(self, begun: _Begun) -> None:
        """Hand on a datagram that was neither acknowledged as whole nor aborted."""
        if not begun.is_over:
            self._stopped.end(begun.datagram)

    def finish(self, last_ns: int | None) -> None:
        """Hand on those of which nothing more came before ``last_ns``."""
        for begun in self._open.values():
            if begun.datagram.is_past(last_ns):
                self._end(begun)

    def recovery(self) -> MeasuredRecovery | None:
        """Return what became of them; None where there were none."""
        if not self._begun:
            return None
        return MeasuredRecovery(self._begun, self._acknowledged, self._aborted, self._unheard)
