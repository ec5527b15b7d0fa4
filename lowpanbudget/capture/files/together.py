"""Captures of several receivers of one network, put together by the times of their frames."""

from collections.abc import Iterable, Iterator
from heapq import merge
from os import PathLike, fspath

from lowpanbudget.arguments import several
from lowpanbudget.capture.files.reading import CaptureFile, read_capture
from lowpanbudget.capture.files.record import Notices, Record
from lowpanbudget.capture.files.source import BinaryFile
from lowpanbudget.capture.files.unset_clock import Dates
from lowpanbudget.errors import RequestError


def read_together(
    captures: "Iterable[str | PathLike[str] | BinaryFile | CaptureFile]",
) -> CaptureFile:
    """Return the records of captures taken at the same time as those of one, in the order of their times.

    Each record tells its receiver: the name of its capture, and the interface where that has several. Numbers count
    over all; the notices, once all is read, those of all. The clocks of the receivers must agree. Raises
    ``RequestError`` as ``read_capture`` does, for frames without times, and where some are dated from 1970 on.
    """
    files: list[tuple[str, CaptureFile]] = []
    try:
        for number, capture in enumerate(several(captures, "captures"), 1):
            name = fspath(capture) if isinstance(capture, str | PathLike) else f"capture {number}"
            names = [other for other, _ in files]
            name = f"{name} ({number})" if name in names else name
            opened = capture if isinstance(capture, CaptureFile) else read_capture(capture)
            files.append((name, opened))
    except BaseException:
        for _, file in files:
            file.close()
        raise
    notices = Notices()
    return CaptureFile(_merged(files, notices), "several", notices)


def _merged(files: list[tuple[str, CaptureFile]], notices: Notices) -> Iterator[Record]:
    try:
        dates = Dates()
        streams = [_of_receiver(name, file, dates) for name, file in files]
        for number, record in enumerate(merge(*streams, key=_time), 1):
            yield record._replace(number=number)
    finally:
        for name, file in files:
            for notice in file.notices:
                notices.add(notice.name, f"{name}: {notice.text}", notice.number, notice.offset)
            notices.count += file.notice_count - len(file.notices)
            file.close()


def _of_receiver(name: str, file: CaptureFile, dates: Dates) -> Iterator[Record]:
    for record in file:
        if record.time_ns is None:
            raise RequestError(
                f"{name} has frames without times: it cannot be put together with others",
                hint="Read it alone",
            )
        dates.take(name, record.time_ns)
        own = name if record.receiver is None else f"{name}, {record.receiver}"
        yield record._replace(receiver=own)


def _time(record: Record) -> int:
    return record.time_ns or 0
