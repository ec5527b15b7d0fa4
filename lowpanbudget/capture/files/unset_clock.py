"""Frames dated from 1970 on, as by a receiver whose clock was not set: their times put them beside no others."""

from lowpanbudget.capture.files.pcap import SECOND
from lowpanbudget.errors import RequestError

_FIRST_NS = (
    1_041_379_200 * SECOND
)  # 2003, the year of the first IEEE 802.15.4, from memory: no frame is older


class Dates:
    """Which captures have frames that a clock dated which was set, and which have others."""

    def __init__(self) -> None:
        self._names: dict[bool, str] = {}

    def take(self, name: str, time_ns: int) -> None:
        """Take the time of a frame of a capture; raises ``RequestError`` where both kinds are to be put in order."""
        is_set = time_ns >= _FIRST_NS
        if is_set in self._names:
            return
        self._names[is_set] = name
        if len(self._names) > 1:
            raise RequestError(
                f"{self._names[False]} has frames dated from 1970 on, as by a receiver whose clock was not set, and "
                f"{self._names[True]} has later ones: their times do not put them in order",
                hint="Read what each clock dated by itself; set the clock before the receiver captures",
            )
