"""Captures of several receivers of one network, put together by the times of their frames."""

from collections.abc import Iterable, Iterator
from heapq import merge
from itertools import chain, islice
from operator import itemgetter
from os import PathLike, fspath

from lowpanbudget.arguments import several
from lowpanbudget.capture.files.reading import CaptureFile, read_capture
from lowpanbudget.capture.files.receiver_clocks import ReceiverClocks
from lowpanbudget.capture.files.record import CLOCK_DIFFERS, FRAME_CUT, Notices, Record
from lowpanbudget.capture.files.source import BinaryFile
from lowpanbudget.capture.files.unset_clock import Dates
from lowpanbudget.errors import RequestError

_LOOKED_AT = 4096  # records of each receiver, in which frames are looked for that several heard
_MOST_CUT = 1 << 16


def read_together(
    captures: "Iterable[str | PathLike[str] | BinaryFile | CaptureFile]",
) -> CaptureFile:
    """Return the records of captures taken at the same time as those of one, in the order of their times.

    Each record tells its receiver: the name of its capture, and the interface where that has several. Numbers count
    over all; the notices, once all is read, those of all. Where the clocks of the receivers do not agree, the frames
    that several heard tell by how much: times are moved by that, and a notice says so. Raises ``RequestError`` as
    ``read_capture`` does, for frames without times, and where some are dated from 1970 on.
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
    return CaptureFile(_merged(files, notices), "several", notices, given_by="read_together")


def _merged(files: list[tuple[str, CaptureFile]], notices: Notices) -> Iterator[Record]:
    cut: dict[
        tuple[int, int], int
    ] = {}  # frames whose front alone was captured, of which notices tell
    try:
        dates = Dates()
        heard = [_of_receiver(name, file, dates) for name, file in files]
        begun = [_begun(records, file) for records, (_, file) in zip(heard, files, strict=True)]
        clocks = ReceiverClocks(begun)
        streams = [
            _by_clock(clocks, place, chain(begun[place], records))
            for place, records in enumerate(heard)
        ]
        for number, (time_ns, place, record) in enumerate(merge(*streams, key=itemgetter(0)), 1):
            if len(record.octets) < record.original_length and len(cut) < _MOST_CUT:
                cut[place, record.number] = number
            yield record._replace(number=number, time_ns=clocks.hear(place, record, time_ns))
        _tell_clocks(files, clocks, notices)
    finally:
        for place, (name, file) in enumerate(files):
            for notice in file.notices:
                own = notice.number
                told = cut.get((place, own), own) if notice.name == FRAME_CUT else own
                notices.add(notice.name, f"{name}: {notice.text}", told, notice.offset)
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


def _begun(records: Iterator[Record], file: CaptureFile) -> list[Record]:
    """Return the first records of a receiver, fewer of a pipe that has no more for now."""
    begun = []
    for record in islice(records, _LOOKED_AT):
        begun.append(record)
        if file.is_quiet:
            break
    return begun


def _by_clock(
    clocks: ReceiverClocks, place: int, records: Iterable[Record]
) -> Iterator[tuple[int, int, Record]]:
    """Yield records with their times as the first receiver would tell them; none is put back by that."""
    raw_ns = time_ns = -1
    for record in records:
        own_ns = record.time_ns or 0
        moved_ns = clocks.moved(place, own_ns)
        time_ns = max(time_ns, moved_ns) if own_ns >= raw_ns else moved_ns
        raw_ns = own_ns
        yield time_ns, place, record


def _tell_clocks(
    files: list[tuple[str, CaptureFile]], clocks: ReceiverClocks, notices: Notices
) -> None:
    for (name, _), clock in zip(files, clocks.clocks, strict=True):
        if clock.is_off:
            notices.add(CLOCK_DIFFERS, f"{name}: {clock}", 0, 0)
