"""Several receivers of one network: a frame that more than one of them heard is one sighting.

What one transmission brings to several receivers has the same octets at nearly the same time, and each receiver hears a
transmission once: what a receiver hears again was sent again. A frame that one receiver missed at first and another
missed when it was sent again is taken for one sending; only the air could tell.

What came with a wrong FCS is damaged. The same octets with a right one, or without any, are not: two receivers do not
damage a frame alike, so the damage was to the FCS alone. Only where they are proved to be wrong both are one sighting.
"""

from collections.abc import Callable
from typing import NamedTuple

from lowpanbudget.capture.files.receiver_clocks import TOGETHER_NS
from lowpanbudget.capture.recent import Recent
from lowpanbudget.values import dataclass

_MOST_HELD = 4096
_MOST_SENT = 16  # times that one frame is sent within that time
MOST_RECEIVERS = 256


class Reception(NamedTuple):
    """What a receiver heard: ``frames`` in all, and how many of them others heard as ``well``."""

    receiver: str
    frames: int
    well: int

    @property
    def heard_by_others(self) -> int:
        """Return ``well`` by a name that says what it counts."""
        return self.well


@dataclass(slots=True, eq=False)
class _Sending:
    """A frame that was sent once: its number and time where it was first heard, who heard it, and whether damaged."""

    number: int
    time_ns: int
    heard_by: list[str]
    is_damaged: bool


class Receivers:
    """Remembers what receivers heard last, in bounded memory, and counts it."""

    def __init__(self) -> None:
        self._sent = Recent[bytes, list[_Sending]](_MOST_HELD)
        self._frames: dict[str, int] = {}
        self._well: dict[str, int] = {}

    def heard(
        self,
        receiver: str,
        number: int,
        time_ns: int | None,
        octets: bytes,
        fcs_ok: bool | None = None,
        is_wrong: Callable[[], bool] = lambda: False,
    ) -> int | None:
        """Return the number of the frame that another receiver heard of the same sending; None for one heard first.

        ``octets`` are those before what stands for its FCS. ``is_wrong`` is asked of some without one whether anything
        else in them proves damage.
        """
        if receiver not in self._frames and len(self._frames) >= MOST_RECEIVERS:
            return None
        self._frames[receiver] = self._frames.get(receiver, 0) + 1
        if time_ns is None:
            return None
        lately = [
            sent
            for sent in self._sent.pop(octets, ())
            if abs(time_ns - sent.time_ns) <= TOGETHER_NS
        ]
        self._sent[octets] = lately
        for sent in lately:
            if sent.is_damaged and (fcs_ok or (fcs_ok is None and not is_wrong())):
                continue
            if receiver not in sent.heard_by:
                if len(sent.heard_by) == 1:
                    self._share(sent.heard_by[0])
                self._share(receiver)
                sent.heard_by.append(receiver)
                return sent.number
        del lately[: 1 - _MOST_SENT]
        lately.append(_Sending(number, time_ns, [receiver], fcs_ok is False))
        return None

    def _share(self, receiver: str) -> None:
        self._well[receiver] = self._well.get(receiver, 0) + 1

    @property
    def receptions(self) -> tuple[Reception, ...]:
        """Return what each receiver heard; nothing where there is only one."""
        if len(self._frames) < 2:
            return ()
        return tuple(
            Reception(name, count, self._well.get(name, 0)) for name, count in self._frames.items()
        )
