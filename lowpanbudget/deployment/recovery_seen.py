"""Datagrams in fragments that are acknowledged one by one: how many were begun, and what became of them."""

from lowpanbudget.capture.crossings import HeardFrame
from lowpanbudget.capture.recent import Recent
from lowpanbudget.deployment.journeys import SECOND, WAY_S, Tries
from lowpanbudget.deployment.measured import MeasuredRecovery
from lowpanbudget.values import dataclass, field

MOST_OPEN = 4096
_MOST_PARTS = 64  # of one datagram, sent again ones among them

_Key = tuple[bytes | None, bytes | None, int]


@dataclass(slots=True, eq=False)
class _Begun:
    """A datagram on one link: the frames that bring it, when the last of them came, and whether all was heard here."""

    last_ns: int | None
    parts: list[Tries] = field(default_factory=list)
    is_whole: bool = False
    is_over: bool = False

    def is_past(self, now_ns: int | None) -> bool:
        """Return whether what comes now is of another datagram."""
        late = now_ns is not None and self.last_ns is not None
        return self.is_over or (late and (now_ns or 0) - (self.last_ns or 0) > WAY_S * SECOND)


class RecoveriesSeen:
    """Follows them by sender, receiver and tag; each link of a way counts."""

    def __init__(self) -> None:
        self._open = Recent[_Key, _Begun](MOST_OPEN)
        self._begun = self._acknowledged = self._aborted = self._unheard = 0
        self.missing: dict[
            bytes, int
        ] = {}  # datagrams that came over and were not heard whole, by their sender

    def hear(self, frame: HeardFrame, tries: Tries | None) -> None:
        """Take a frame, and its tries where it is sent the first time."""
        part = frame.recovery
        if part is None or frame.damaged or frame.repeats is not None:
            return
        if not part.answers:
            self._part(frame, (frame.sender, frame.receiver, part.tag), tries)
            return
        begun = self._open.get((frame.receiver, frame.sender, part.tag))
        if begun is None or begun.is_past(frame.time_ns) or not (part.is_all or part.aborts):
            return
        begun.is_over = True
        if part.aborts:
            self._aborted += 1
            return
        self._acknowledged += 1
        for one in begun.parts:
            one.recovered = True
        if not begun.is_whole and frame.receiver is not None:
            self._unheard += 1
            self.missing[frame.receiver] = self.missing.get(frame.receiver, 0) + 1

    def _part(self, frame: HeardFrame, key: _Key, tries: Tries | None) -> None:
        begun = self._open.get(key)
        if begun is None or begun.is_past(frame.time_ns):
            begun = _Begun(frame.time_ns)
            self._open.renew(key, begun)
            self._begun += 1
        begun.last_ns = frame.time_ns
        begun.is_whole |= frame.crossing is not None
        if tries is not None and len(begun.parts) < _MOST_PARTS:
            begun.parts.append(tries)

    def recovery(self) -> MeasuredRecovery | None:
        """Return what became of them; None where there were none."""
        if not self._begun:
            return None
        return MeasuredRecovery(self._begun, self._acknowledged, self._aborted, self._unheard)
