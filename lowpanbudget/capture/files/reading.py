"""``read_capture``: the frames of a capture file, whatever its format, one after the other and in flat memory.

pcap and pcapng are told by their first octets, in both byte orders, compressed by gzip or not; text has a frame a line.
"""

import io
from collections.abc import Callable, Generator, Iterable, Iterator
from os import PathLike, fspath
from pathlib import Path
from types import TracebackType
from typing import Any, Self, TypeAlias

from lowpanbudget.arguments import (
    as_declared,
    function,
    open_for_octets,
    whole_number,
    with_flags,
)
from lowpanbudget.capture.files.link_types import FRAME_TYPE
from lowpanbudget.capture.files.pcap import MAGICS, read_pcap
from lowpanbudget.capture.files.pcapng import SECTION, read_pcapng
from lowpanbudget.capture.files.record import (
    FILE_EMPTY,
    NO_CAPTURE,
    RECORDS_TWICE,
    TWICE,
    Notices,
    ReadingNotice,
    Record,
)
from lowpanbudget.capture.files.single_pass import read_before
from lowpanbudget.capture.files.source import GZIP, BinaryFile, Source
from lowpanbudget.capture.files.text_log import begins_log, is_text, read_text
from lowpanbudget.errors import RequestError

AHEAD = 4096  # octets that tell a capture from lines of hex


class CaptureFile(Iterator[Record]):
    """The records of one capture, to be iterated once: ``read_capture`` opens one.

    Use it in a ``with`` statement, or read it to its end, to close a file that it opened. To iterate it once more then
    raises ``RequestError``: it would look like a capture without frames.
    """

    __slots__ = (
        "_format",
        "_given_by",
        "_is_over",
        "_live",
        "_notices",
        "_opened",
        "_records",
        "_source",
    )

    def __init__(
        self,
        records: Iterable[Record],
        form: str,
        notices: Notices | None = None,
        opened: Any = None,
        source: Source | None = None,
        *,
        live: bool = False,
        given_by: str = "read_capture",
    ) -> None:
        self._records = iter(records)
        self._format = form
        self._notices = Notices() if notices is None else notices
        self._opened = opened
        self._source = source
        self._live = source if live else None
        self._is_over = False
        self._given_by = given_by

    def __repr__(self) -> str:
        return f"CaptureFile(format={self._format!r}{', read to its end' * self._is_over})"

    @classmethod
    def of(cls, capture: "Capture") -> "CaptureFile":
        """Return ``capture`` itself when it is one already, what ``read_capture`` gives, or one over given records."""
        if isinstance(capture, cls):
            return iter(capture)
        if isinstance(capture, str | PathLike) or hasattr(capture, "read"):
            return read_capture(capture)  # type: ignore[arg-type]  # what has read is a file
        if isinstance(capture, bytes | bytearray) or not isinstance(capture, Iterable):
            raise RequestError(
                f"{type(capture).__name__} is no capture",
                hint="Give a path, a binary file such as io.BytesIO(octets), what read_capture returns, or Records",
            )
        return cls(_only_records(capture), "records")

    @property
    def format(self) -> str:
        """Return what the file is: "pcap", "pcapng", "text", "unknown"; "records" or "several" where it is not one."""
        return self._format

    @property
    def notices(self) -> tuple[ReadingNotice, ...]:
        """Return what reading noticed so far, the first 1000: a cut file, wrong lengths, lines without octets."""
        return tuple(self._notices.kept)

    @property
    def notice_count(self) -> int:
        """Return how many notices there were, those that were not kept included."""
        return max(self._notices.count, 0)  # of given records nothing is noticed

    def notice_twice(self) -> None:
        """Notice that nearly all of its records come twice."""
        self._notices.add(RECORDS_TWICE, TWICE, 1, 0)

    def forget_cut(self, number: int) -> None:
        """Notice nothing of the cut frame that came last: nobody asked for it."""
        self._notices.forget_cut(number)

    @property
    def source(self) -> Source | None:
        """Return what the records are taken from, where others may look ahead; None where they come from elsewhere."""
        return self._source

    @property
    def is_quiet(self) -> bool:
        """Return whether the next record is still to come: all are taken that a pipe has had for a while."""
        return self._live is not None and self._live.is_quiet

    def __iter__(self) -> Self:
        if self._is_over:
            raise read_before(self._given_by)
        return self

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

    def through(self, passing: Callable[[Iterator[Record]], Iterator[Record]]) -> None:
        """Let the records that are still to come pass through a generator, such as one that shows progress."""
        self._records = function(passing, "passing")(self._records)

    def close(self) -> None:
        """Close the file, if it was opened here."""
        self._is_over = True
        if isinstance(self._records, Generator):
            self._records.close()
        if self._opened is not None:
            self._opened.close()


# what can be followed: a path, a binary file, what is read already, or records
Capture: TypeAlias = str | PathLike[str] | BinaryFile | CaptureFile | Iterable[Record]


@with_flags
def read_capture(
    source: "str | PathLike[str] | BinaryFile", *, link_type: int = FRAME_TYPE, live: bool = False
) -> CaptureFile:
    """Return the records of a capture: a path, or a binary file object such as standard input's buffer.

    They come once: call it again to read them again. ``link_type`` is that of text lines, which name none; whether an
    FCS is there is tested in any case. With ``live`` who follows the records of a pipe need not wait for as many as
    that test would like to have. Raises ``RequestError`` when the file cannot be read, and for a link type that is no
    number; octets that are no capture give no record and a notice.
    """
    if not isinstance(source, str | PathLike) and not hasattr(source, "read"):
        raise RequestError(f"{type(source).__name__} is neither a path nor a binary file")
    link_type = whole_number(link_type, "link_type")
    opened = None
    file = source
    if isinstance(file, str | PathLike):
        file = opened = _open(file)
    else:
        open_for_octets(file, "read")
    notices = Notices()
    try:
        octets = Source(file)
        form, records = _recognised(octets, notices, link_type)
    except BaseException:
        if opened is not None:
            opened.close()
        raise
    return CaptureFile(records, form, notices, opened, octets, live=live)


def path_of(name: object) -> str:
    """Return the name of a capture as text; ``RequestError`` for what is no path, such as an open file."""
    if not isinstance(name, str | PathLike):
        raise RequestError(f"{type(name).__name__} is no path", hint="Give the name of a file")
    return fspath(name)


_OCTETS = Record._fields.index("octets")


def _only_records(given: Iterable[object]) -> Iterator[Record]:
    declared = set()  # kinds of attributes: those of most records agree
    for number, record in enumerate(given, 1):
        if not isinstance(record, Record):
            raise RequestError(
                f"item {number} is no Record but {type(record).__name__}",
                hint="read_capture(path) gives Records of a file",
            )
        kinds = tuple(map(type, record))
        if kinds not in declared:
            as_declared(record)
            declared.add(kinds)
        # octets of other kinds may change while what was read of them is remembered
        yield record if kinds[_OCTETS] is bytes else record._replace(octets=bytes(record.octets))


def _open(path: "str | PathLike[str]") -> Any:
    try:
        return Path(path).open("rb")
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or error
        raise RequestError(
            f"the capture {fspath(path)!r} cannot be read: {reason}", hint="Check the name"
        ) from None


def check_readable(path: str) -> None:
    """Raise ``RequestError`` where a capture cannot be read; a pipe, which is opened once, is not looked at."""
    if not is_pipe(path):
        _open(path).close()


def is_pipe(path: str) -> bool:
    """Return whether a path leads to what is neither a file nor a folder, and can be read once."""
    try:
        there = Path(path)
        return there.exists() and not there.is_file() and not there.is_dir()
    except (OSError, ValueError):  # whoever opens it says why
        return False


_KNOWN = (  # files that are often given; byte order marks as RFC 2781 section 3.2 has them, the others from memory
    (b"\xff\xfe", "it is text in UTF-16; write it as UTF-8"),
    (b"\xfe\xff", "it is text in UTF-16; write it as UTF-8"),
    (b"BZh", "it is compressed by bzip2; unpack it, or use gzip"),
    (b"\xfd7zX", "it is compressed by xz; unpack it, or use gzip"),
    (b"\x28\xb5\x2f\xfd", "it is compressed by zstd; unpack it, or use gzip"),
    (b"PK\x03\x04", "it is a zip archive; unpack it"),
)


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
        what = next(
            (of for start, of in _KNOWN if magic.startswith(start)), f"it starts with {shown}"
        )
        text = source.trouble or f"this is neither pcap, pcapng nor text: {what}"
        notices.add(NO_CAPTURE, text, 0, 0)
    else:
        notices.add(FILE_EMPTY, "the file is empty", 0, 0)
    return "unknown", iter(())


def is_log(path: str) -> bool:
    """Return whether a file holds a capture, or a text with more in its lines than hex; see ``starts_log``."""
    try:
        if not Path(path).is_file():
            return False
        with Path(path).open("rb") as file:
            return starts_log(file.read(AHEAD))
    except (OSError, ValueError):
        return False


def has_magic(octets: bytes) -> bool:
    """Return whether the first octets of a file are those of a format of captures, or of a compressed file."""
    return octets[:4] in MAGICS or octets[:4] == SECTION or octets[:2] == GZIP


def starts_capture(octets: bytes) -> bool:
    """Return whether the first octets of a file are those of a capture, or of a log with times."""
    if has_magic(octets):
        return True
    with read_capture(io.BytesIO(octets)) as records:
        if records.format != "text":
            return False
        first = next(records, None)
    return first is not None and first.time_ns is not None


def starts_log(octets: bytes) -> bool:
    """Return whether the first octets of a file are those of a capture, or of a text with more in it than hex."""
    if has_magic(octets):
        return True
    source = Source(io.BytesIO(octets))
    return is_text(source) and begins_log(source)
