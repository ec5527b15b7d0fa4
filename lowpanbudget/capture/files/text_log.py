"""Text with a frame a line: hex octets, with or without a time stamp, with or without other words.

    61 88 01 34 12 ff ff 02 00 7a 33
    2031-05-04T10:20:30.123456Z 6188 0134 12ff ff02 007a 33    # a date: nanoseconds since 1970, UTC without a zone
    [10:20:30.123] RX -40 dBm: 61:88:01:34:12:ff:ff            # a clock: since midnight
    0.004321 618801 from the second radio     # seconds with a point: since whatever the log counts from

The octets of a line are its longest run of hex groups, the last one of equal runs. Beside other words at least three
octets are wanted, since "add" and "be" are words as well. A line without octets is noticed, never dropped in silence.
The rows of a dump behind a column of offsets (``hex_dump``) are one frame together.
"""

import re
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta, timezone

from lowpanbudget.capture.files.hex_dump import TextLine, joined
from lowpanbudget.capture.files.pcap import SECOND
from lowpanbudget.capture.files.record import Notices, Record
from lowpanbudget.capture.files.source import Source

LONGEST_LINE = 1 << 16
LEAST = 3  # octets beside other words: the shortest frame, an acknowledgement without FCS
_SAMPLE = 1024
_CLOCK = r"(\d\d):(\d\d):(\d\d)(?:[.,](\d{1,9}))?"
_DATE = re.compile(rf"\[?(\d{{4}})-(\d\d)-(\d\d)[T ]{_CLOCK}(Z|[+-]\d\d:?\d\d)?\]?:?(?=\s|$)")
_TIME = re.compile(rf"\[?{_CLOCK}\]?:?(?=\s)")
_SECONDS = re.compile(r"\[?(\d{1,12})[.](\d{1,9}) ?s?\]?:?(?=\s)")
_GROUP = re.compile(r"\S+")
_HEX = re.compile(r"(?:0[xX])?[0-9a-fA-F]+(?:[:,-](?:0[xX])?[0-9a-fA-F]+)*[:,]?")
_COMMENT = re.compile(r"(?:^|\s)#.*")


def is_text(source: Source) -> bool:
    """Return whether what comes next reads as text, judged by its first octets."""
    sample = source.some(_SAMPLE)
    control = sum(octet < 32 and octet not in b"\t\r\n\f\x1b" for octet in sample)
    printable = sum(32 <= octet < 127 or octet in b"\t\r\n" for octet in sample)
    return bool(sample) and not control and printable * 10 >= len(sample) * 8


def read_text(source: Source, notices: Notices, link_type: int) -> Iterator[Record]:
    """Yield a record for each line with octets in it; lines with neither octets nor a comment are noticed."""
    number = 0
    for line in joined(_lines(source, notices, lambda: number)):  # noqa: B023 - it is asked while the loop runs
        time_ns, rest = leading_time(line.text)
        octets = _octets(rest)
        if not octets:
            # what it holds is not shown: a key file may have been given in a capture's place
            notices.add("line-wrong", f"line {line.number} {_why(rest)}", number, line.start)
            continue
        number += 1
        yield Record(number, time_ns, link_type, octets, len(octets), line.start)


def _lines(source: Source, notices: Notices, records: Callable[[], int]) -> Iterator[TextLine]:
    """Yield the lines that hold more than a comment; notices count the ``records`` before them."""
    line_number = 0
    while True:
        start = source.offset
        line = source.line(LONGEST_LINE)
        if not line:
            if source.trouble:
                notices.add("file-cut", source.trouble, records(), start)
            return
        line_number += 1
        if len(line) == LONGEST_LINE and not line.endswith(b"\n"):
            _skip(source)
            text = f"line {line_number} has {LONGEST_LINE} characters or more: left out"
            notices.add("line-wrong", text, records(), start)
            continue
        text = line.removeprefix(b"\xef\xbb\xbf").decode("utf-8", "replace")
        text = _COMMENT.sub("", text).strip()
        if text:
            yield TextLine(line_number, start, text)


def _skip(source: Source) -> None:
    line = b"x"
    while line and not line.endswith(b"\n"):
        line = source.line(LONGEST_LINE)


def leading_time(text: str) -> tuple[int | None, str]:
    """Return the time stamp that leads a line, and the rest."""
    if match := _DATE.match(text):
        year, month, day, *clock, zone = match.groups()
        try:
            date = datetime(int(year), int(month), int(day), tzinfo=_zone(zone))
            # whole days are counted exactly; a clock of 24 hours or more is refused by _since_midnight
            days_s = int((date - datetime(1970, 1, 1, tzinfo=UTC)).total_seconds())
        except (ValueError, OverflowError):
            return None, text
        since = _since_midnight(clock)
        return (None, text) if since is None else (days_s * SECOND + since, text[match.end() :])
    if match := _TIME.match(text):
        since = _since_midnight(list(match.groups()))
        return (None, text) if since is None else (since, text[match.end() :])
    if match := _SECONDS.match(text):
        seconds, fraction = match.groups()
        return int(seconds) * SECOND + int(fraction.ljust(9, "0")), text[match.end() :]
    return None, text


def _since_midnight(clock: list[str]) -> int | None:
    hours, minutes, seconds = (int(part) for part in clock[:3])
    if hours > 23 or minutes > 59 or seconds > 60:
        return None
    return ((hours * 60 + minutes) * 60 + seconds) * SECOND + int((clock[3] or "0").ljust(9, "0"))


def _zone(text: str | None) -> timezone:
    if text is None or text == "Z":
        return UTC
    offset = timedelta(hours=int(text[1:3]), minutes=int(text[-2:]))
    return timezone(-offset if text[0] == "-" else offset)


def _octets(text: str) -> bytes:
    """Return the octets of the longest run of hex groups, or none."""
    best = run = b""
    words = False
    for match in _GROUP.finditer(text):
        octets = _group(match[0])
        if octets is None:
            words = True
            run = b""
            continue
        run += octets
        if len(run) >= len(best):
            best = run
    return best if not words or len(best) >= LEAST else b""


def _why(text: str) -> str:
    """Return what is wrong with a line without octets: a digit was lost, or there is no hex in it."""
    digits = _digits(text.strip())
    if len(digits) > 2 * LEAST:
        return f"has {len(digits)} hex digits, half an octet too many"
    return "has no octets in hex"


def _group(text: str) -> bytes | None:
    digits = _digits(text)
    return bytes.fromhex(digits) if digits and len(digits) % 2 == 0 else None


def _digits(text: str) -> str:
    """Return the digits of a group of hex; none of anything else."""
    if not _HEX.fullmatch(text):
        return ""
    return re.sub(r"0[xX](?=[0-9a-fA-F])|[:,-]", "", text)
