"""A receiver that writes each record twice: what comes twice so soon was sent once.

Who sends again waits for an acknowledgement before: the shortest frame and the turnaround behind it take half a
millisecond at 2.4 GHz, and more at lower rates (IEEE 802.15.4-2020 clauses 6.7.4.3 and 10.2.4, from memory). In no
network do nearly all frames, acknowledgements too, come again within a fifth of that.
"""

from collections.abc import Iterable, Sequence

from lowpanbudget.capture.files.reading import CaptureFile
from lowpanbudget.capture.files.record import Record

_SOON_NS = 100_000
_FEWEST, _MOST_ALONE = (
    8,
    0.1,
)  # pairs that tell, and the share of records without another; our choice


class Twins:
    """Tells which records say again what the one before them says; ``are_there`` once nearly all of them do."""

    __slots__ = ("_before", "are_there")

    def __init__(self) -> None:
        self.are_there = False
        self._before: tuple[Record, bool] | None = None

    def test(self, window: Sequence[Record], records: Iterable[Record]) -> None:
        """Look at the first records; a file whose records come twice notices it."""
        pairs, at = 0, 1
        while at < len(window):
            found = _are_one(window[at - 1], window[at])
            pairs, at = pairs + found, at + 1 + found
        self.are_there = pairs >= _FEWEST and len(window) - 2 * pairs <= _MOST_ALONE * len(window)
        if self.are_there and isinstance(records, CaptureFile):
            records.notice_twice()

    def first_of(self, record: Record) -> int | None:
        """Return the number of the record that this one says again; None of a first one."""
        before, self._before = self._before, (record, False)
        if before is None or before[1] or not _are_one(before[0], record):
            return None
        self._before = record, True
        return before[0].number


def _are_one(before: Record, record: Record) -> bool:
    if before.octets != record.octets or before.receiver != record.receiver:
        return False
    times = before.time_ns, record.time_ns
    return None not in times and 0 <= (times[1] or 0) - (times[0] or 0) <= _SOON_NS
