"""Captures that one receiver wrote one after another, read as the one that they are parts of."""

from bisect import bisect_right
from collections.abc import Callable, Iterable, Iterator, Sequence
from os import PathLike

from lowpanbudget.arguments import function_or_none, several, whole_number
from lowpanbudget.capture.files.pcap import SECOND
from lowpanbudget.capture.files.reading import CaptureFile, is_pipe, path_of, read_capture
from lowpanbudget.capture.files.record import Notices, Record
from lowpanbudget.capture.files.unset_clock import Dates
from lowpanbudget.errors import RequestError, plural

OVERLAPPING = "captures-overlap"


class ContinuedCapture(CaptureFile):
    """The records of several files in a row; ``file_of`` tells which of them a frame stands in."""

    __slots__ = ("_begins", "_names")

    def __init__(
        self, names: Sequence[str], parts: Callable[[str], CaptureFile], notices: Notices
    ) -> None:
        self._names = names
        self._begins: list[int] = []
        super().__init__(
            self._joined(parts, notices), "several", notices, given_by="read_continued"
        )

    def file_of(self, number: int) -> str:
        """Return the name of the file that a frame stands in which was read already.

        Raises ``RequestError`` for what is no number of a frame.
        """
        place = bisect_right(self._begins, whole_number(number, "number", 1))
        return self._names[max(place - 1, 0)]

    def _joined(self, parts: Callable[[str], CaptureFile], notices: Notices) -> Iterator[Record]:
        number, latest = 0, None
        for name in self._names:
            self._begins.append(number + 1)
            before = number
            with parts(name) as file:
                for record in file:
                    number += 1
                    time_ns = record.time_ns
                    if number == before + 1 and latest is not None and time_ns is not None:
                        _tell_overlap(notices, name, latest - time_ns, before)
                    if time_ns is not None:
                        latest = time_ns if latest is None else max(latest, time_ns)
                    yield record._replace(number=number)
                for notice in file.notices:
                    text, at = f"{name}: {notice.text}", before + notice.number
                    notices.add(notice.name, text, at, notice.offset)
                notices.count += file.notice_count - len(file.notices)


def _tell_overlap(notices: Notices, name: str, overlap_ns: int, number: int) -> None:
    if overlap_ns > SECOND:  # a clock that was set by less is no other receiver
        text = (
            f"{name} begins {plural(overlap_ns // SECOND, 'second')} before the one before it ended: "
            "captures of several receivers are put together by their times instead"
        )
        notices.add(OVERLAPPING, text, number, 0)


def read_continued(
    captures: "Iterable[str | PathLike[str]]",
    *,
    through: Callable[[CaptureFile, str], None] | None = None,
) -> ContinuedCapture:
    """Return the records of captures that one receiver wrote one after another as those of one capture.

    The files are read in the order of their first frames, those without times in the order given behind them; one file
    is open at a time. Numbers count over all, and so do notices. ``through`` is called with each file and its name when
    it is opened. Raises ``RequestError`` as ``read_capture`` does, for no files, for one that is given twice, and where
    some begin in 1970 and others do not.
    """
    function_or_none(through, "through")
    names = [path_of(capture) for capture in several(captures, "captures")]
    if not names:
        raise RequestError("no capture is given", hint="Give the names of one or more files")
    if len(set(names)) < len(names):
        raise RequestError(
            "captures are continued by others, each given once", hint="Name each file once"
        )
    for name in names:
        if is_pipe(name):
            raise RequestError(
                f"{name} is a pipe, and the order of captures is told before they are read",
                hint="Write it to a file first",
            )
    begins = {name: _begin(name) for name in names}
    dates = Dates()
    for name, begin in begins.items():
        if begin is not None:
            dates.take(name, begin)
    ordered = sorted(names, key=lambda name: (begins[name] is None, begins[name] or 0))

    def opened(name: str) -> CaptureFile:
        file = read_capture(name)
        if through is not None:
            through(file, name)
        return file

    return ContinuedCapture(ordered, opened, Notices())


def _begin(name: str) -> int | None:
    """Return the time of the first frame of a capture."""
    with read_capture(name) as file:
        first = next(file, None)
    return None if first is None else first.time_ns
