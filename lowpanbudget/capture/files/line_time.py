"""Times in the lines of a log: those whose form says what they are, and numbers that may be one.

    2031-05-04T10:20:30.123456Z     a date, anywhere before the octets: nanoseconds since 1970, UTC without a zone
    [10:20:30.123] 10:20:30.123,456     a clock: since midnight, days counted on from line to line (``DayClock``)
    0.004321                        seconds with a point: since whatever the log counts from

A whole number may be milliseconds, ticks or a number of the frame: it is told, and never taken for a time.
"""

import re
from datetime import UTC, datetime, timedelta, timezone

from lowpanbudget.capture.files.pcap import SECOND

FORMS = "a date and a clock, hh:mm:ss.mmm, or seconds with a point at the start of the line"

# behind a point, a comma or a colon (three digits are no octet); a comma before another cell of a table is none, and
# "250,000" stands in brackets
_FRACTION = r"(?:[.](\d{1,9})(?:,(\d{3})(?=[\])]))?|,(\d{1,9})(?![,;\d])|:(\d{3})(?!\w))?"
_CLOCK = rf"(\d\d):(\d\d):(\d\d){_FRACTION}"
_END = r"[\])\"]?(?:[,;]|:?(?=\s))"
_DATE = re.compile(
    rf"[\[(\"]?(\d{{4}})-(\d\d)-(\d\d)[T ]{_CLOCK}(Z|[+-]\d\d:?\d\d)?(?:{_END}|[\])\"}}]*$)"
)
_TIME = re.compile(rf"[\[(\"]?{_CLOCK}{_END}")
_SECONDS = re.compile(rf"[\[(\"]? *(\d{{1,12}})[.](\d{{1,9}}) ?s?{_END}")
_DAY = re.compile(r"(?<![\w.:-])[\[(\"]?\d{4}-\d\d-\d\d[T ]\d\d:")
_TWO_DIGITS = re.compile(r"\b(?:0x)?[0-9a-fA-F]{2}")
_NUMBER = re.compile(
    r"(?:[A-Z] )?[\[(]?\d{3,}[\])]?[:,;]?\s|.*?\b(?:time|timestamp|ts|t)\"?\s?[=:]\s?\"?\d",
    re.IGNORECASE,
)


_DAY_NS, _LATE_NS = 86_400 * SECOND, 60 * SECOND  # a line that is written late; our choice

# before octets: a clock, a number with a point, a number with a unit
_CLOCK_LIKE = re.compile(
    r"(?<![\w:.])(?:\d{1,2}(?::\d\d){1,2}(?:[.,]\d+)?|\d+[.]\d+)(?![\w:.])|(?<!\w)\d+\s?[mu]s\b"
)
_NOON = re.compile(r"\s*([ap])m\b[])]?", re.IGNORECASE)


class DayClock:
    """Counts the days of a log whose lines have a clock alone: one that falls by half a day has passed midnight.

    By less it was set back, or lines stand out of their order, as they may about midnight.
    """

    def __init__(self) -> None:
        self._days = 0
        self._last: int | None = None

    def since_first_midnight(self, clock_ns: int) -> int:
        """Return the time of the next line since the midnight before the first."""
        time_ns = clock_ns + self._days * _DAY_NS
        last = time_ns if self._last is None else self._last
        if time_ns < last - _DAY_NS // 2:
            self._days += 1
            time_ns += _DAY_NS
        elif self._days and 0 <= last - (time_ns - _DAY_NS) < _LATE_NS:
            time_ns -= _DAY_NS
        self._last = time_ns
        return time_ns


def is_clock(text: str) -> bool:
    """Return whether a clock without a date leads a line."""
    return _TIME.match(text) is not None


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
        clock, end = list(match.groups()), match.end()
        if noon := _NOON.match(text, end):
            end = noon.end()
            hour = int(clock[0] or 0)
            clock[0] = str(hour % 12 + 12 * (noon[1] in "pP")) if 1 <= hour <= 12 else "24"
        since = _since_midnight(clock)
        return (None, text) if since is None else (since, text[end:])
    if match := _SECONDS.match(text):
        seconds, fraction = match.groups()
        return int(seconds) * SECOND + int(fraction.ljust(9, "0")), text[match.end() :]
    return None, text


def time_in(text: str) -> tuple[int | None, str]:
    """Return the time stamp that leads a line or, where that is a date, stands behind other words, and the rest."""
    time_ns, rest = leading_time(text)
    if time_ns is None and (match := _DAY.search(text)):
        before = text[: match.start()]
        time_ns, behind = leading_time(text[match.start() :])
        if time_ns is None:
            return None, text
        rest = behind
        if _TWO_DIGITS.search(
            before
        ):  # perhaps the octets: a word stands for the date, in as many columns
            rest = before + "." * (len(text) - len(before) - len(behind)) + behind
    return time_ns, rest


def may_be_time(text: str, label: str) -> bool:
    """Return whether a line without a time has a number that may be one, at its start or before its octets."""
    return _NUMBER.match(text) is not None or _CLOCK_LIKE.search(label) is not None


def _since_midnight(clock: list[str | None]) -> int | None:
    hours, minutes, seconds = (int(part or 0) for part in clock[:3])
    if hours > 23 or minutes > 59 or seconds > 60:
        return None
    fraction = "".join(part or "" for part in clock[3:])[:9]
    return ((hours * 60 + minutes) * 60 + seconds) * SECOND + int(fraction.ljust(9, "0"))


def _zone(text: str | None) -> timezone:
    if text is None or text == "Z":
        return UTC
    offset = timedelta(hours=int(text[1:3]), minutes=int(text[-2:]))
    return timezone(-offset if text[0] == "-" else offset)
