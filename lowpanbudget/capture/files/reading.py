"""``read_capture``: the frames of a capture file, whatever its format, one after the other and in flat memory.

pcap and pcapng are told by their first octets, in both byte orders, compressed or not; text has a frame a line.
"""

import io
from collections.abc import Iterator
from os import PathLike, fspath
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from lowpanbudget.capture.files.link_types import FRAME_TYPE
from lowpanbudget.capture.files.pcap import MAGICS, read_pcap
from lowpanbudget.capture.files.pcapng import SECTION, read_pcapng
from lowpanbudget.capture.files.record import NO_CAPTURE, Notices, ReadingNotice, Record
from lowpanbudget.capture.files.source import GZIP, BinaryFile, Source
from lowpanbudget.capture.files.text_log import is_text, read_text
from lowpanbudget.errors import RequestError

AHEAD = 4096  # octets that tell a capture from lines of hex


class CaptureFile(Iterator[Record]):
    """The frames of one capture, to be iterated once.

    ``notices`` holds what reading noticed so far (the first 1000; ``notice_count`` counts all): a cut file, lengths
    that are wrong, lines without octets. ``format`` is "pcap", "pcapng", "text" or "unknown". Use it in a ``with``
    statement, or read it to its end, to close a file that it opened.
    """

    def __init__(self, source: "str | PathLike[str] | BinaryFile", link_type: int) -> None:
        self._notices = Notices()
        self._opened: Any = None
        if isinstance(source, str | PathLike):
            self._opened = file = _open(source)
        else:
            file = source
        try:
            octets = Source(file)
            self.format, self._records = _recognised(octets, self._notices, link_type)
        except BaseException:
            self.close()
            raise

    @property
    def notices(self) -> list[ReadingNotice]:
        """Return what reading noticed so far."""
        return self._notices.kept

    @property
    def notice_count(self) -> int:
        """Return how many notices there were, those that were not kept included."""
        return self._notices.count

    def __next__(self) -> Record:
        try:
            return next(self._records)
        except BaseException:
            self.close()
            raise

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def close(self) -> None:
        """Close the file, if it was opened here."""
        if self._opened is not None:
            self._opened.close()


def read_capture(
    source: "str | PathLike[str] | BinaryFile", *, link_type: int = FRAME_TYPE
) -> CaptureFile:
    """Return the records of a capture: a path, or a binary file object such as standard input's buffer.

    ``link_type`` is that of text lines, which name none; whether an FCS is there is tested in any case. Raises
    ``RequestError`` when the file cannot be read; octets that are no capture give no record and a notice.
    """
    if not isinstance(source, str | PathLike) and not hasattr(source, "read"):
        raise RequestError(f"{type(source).__name__} is neither a path nor a binary file")
    return CaptureFile(source, link_type)


def _open(path: "str | PathLike[str]") -> BinaryFile:
    try:
        return Path(path).open("rb")
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or error
        raise RequestError(
            f"the capture {fspath(path)!r} cannot be read: {reason}", hint="Check the name"
        ) from None


def _recognised(source: Source, notices: Notices, link_type: int) -> tuple[str, Iterator[Record]]:
    magic = source.peek(4)
    if magic in MAGICS:
        return "pcap", read_pcap(source, notices)
    if magic == SECTION:
        return "pcapng", read_pcapng(source, notices)
    if is_text(source):
        return "text", read_text(source, notices, link_type)
    if magic or source.trouble:
        shown = magic.hex(" ") or "nothing"
        text = source.trouble or f"this is neither pcap, pcapng nor text: it starts with {shown}"
        notices.add(NO_CAPTURE, text, 0, 0)
    else:
        notices.add(NO_CAPTURE, "the file is empty", 0, 0)
    return "unknown", iter(())


def is_capture(path: str) -> bool:
    """Return whether a file holds a capture, or a log with times; not lines of nothing but hex."""
    try:
        if not Path(path).is_file():
            return False
        with Path(path).open("rb") as file:
            return starts_capture(file.read(AHEAD))
    except (OSError, ValueError):
        return False


def starts_capture(octets: bytes) -> bool:
    """Return the same of the first octets of a file."""
    if octets[:4] in MAGICS or octets[:4] == SECTION or octets[:2] == GZIP:
        return True
    with read_capture(io.BytesIO(octets)) as records:
        if records.format != "text":
            return False
        first = next(records, None)
    return first is not None and first.time_ns is not None
