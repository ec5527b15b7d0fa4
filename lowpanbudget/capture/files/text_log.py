"""Text with a frame a line: hex octets, with or without a time stamp, with or without other words.

    61 88 01 34 12 ff ff 02 00 7a 33
    2031-05-04T10:20:30.123456Z 6188 0134 12ff ff02 007a 33    # times: line_time
    [10:20:30.123] RX -40 dBm: 61:88:01:34:12:ff:ff            # words beside octets: line_octets

Each line is taken apart once: its time, its octets, what stands before them. A line that is not read, or with a fault,
is noticed with the reason, never dropped in silence; what ``#`` or ``//`` begins is a comment. The rows of a dump, with
offsets (``hex_dump``) or without (``hex_rows``), are one frame together.
"""

import re
from collections.abc import Callable, Iterable, Iterator

from lowpanbudget.capture.files.among_words import told_apart
from lowpanbudget.capture.files.hex_dump import TextLine, joined, without_comment
from lowpanbudget.capture.files.hex_groups import LEAST
from lowpanbudget.capture.files.hex_rows import OctetLine, headed, in_braces, rows_joined
from lowpanbudget.capture.files.hex_text import octets_of
from lowpanbudget.capture.files.leading import without_leading
from lowpanbudget.capture.files.line_octets import LineOctets, leading_in, octets_in, why_none
from lowpanbudget.capture.files.line_time import FORMS, DayClock, is_clock, may_be_time, time_in
from lowpanbudget.capture.files.record import (
    LINE_GARBLED,
    LINE_WRONG,
    TIME_NOT_READ,
    Notices,
    Record,
)
from lowpanbudget.capture.files.source import Source
from lowpanbudget.errors import RequestError

LONGEST_LINE = 1 << 16
_SAMPLE = 1024
_COLOURS = re.compile(r"\x1b\[[0-?]*[ -/]*[@-~]")  # ECMA-48 5.4, control sequences of a terminal


def is_text(source: Source) -> bool:
    """Return whether what comes next reads as text, judged by its first octets."""
    sample = source.some(_SAMPLE)
    control = sum(octet < 32 and octet not in b"\t\r\n\f\x1b\0" for octet in sample)
    printable = sum(32 <= octet < 127 or octet in b"\t\r\n" for octet in sample)
    # boards that start again leave a NUL here and there in what they write
    return (
        bool(sample)
        and not control
        and sample.count(0) * 20 <= len(sample)
        and printable * 10 >= len(sample) * 8
    )


def read_text(source: Source, notices: Notices, link_type: int) -> Iterator[Record]:
    """Yield a record for each line with octets in it; lines with neither octets nor a comment are noticed."""
    number = 0
    is_told = False  # that numbers may be times
    clock = DayClock()
    lines = _lines(source, notices, lambda: number)
    for line, found in octet_lines(lines):
        if not found.octets:
            # what it holds is not shown: a key file may have been given in a capture's place
            name, why = LINE_WRONG, found.why or why_none(line.text)
            if found.slip is not None:
                place = "" if line.is_dump else f"character {line.column + found.slip.column + 1}: "
                name, why = LINE_GARBLED, f"is left out: {place}{found.slip.text}"
            notices.add(name, f"line {line.number} {why}", number, line.start)
            continue
        if (
            not is_told
            and line.time_ns is None
            and not found.is_alone
            and may_be_time(line.text, found.label)
        ):
            is_told = True
            text = f"line {line.number} has a number that may be its time, and none is read: a time is {FORMS}"
            notices.add(TIME_NOT_READ, text, number, line.start)
        number += 1
        time_ns = line.time_ns
        if line.is_clock and time_ns is not None:
            time_ns = clock.since_first_midnight(time_ns)
        yield Record(number, time_ns, link_type, found.octets, len(found.octets), line.start)


def begins_log(source: Source) -> bool:
    """Return whether the first line with octets is read otherwise than hex that somebody typed."""
    lines = list(_lines(source, Notices(), lambda: 0))
    meant = [one for one in octet_lines(lines) if one.octets or one.found.slip is not None]
    first = next((one for one in meant if one.octets), None)
    if first is None:
        return any(one.line.time_ns is not None for one in meant)  # nobody types a time
    typed = {line.number: without_comment(line.text) for line in joined(lines)}
    try:
        octets = octets_of(typed.get(first.line.number, ""))
    except RequestError:
        return True
    return first.line.time_ns is not None or octets != first.octets


def octet_lines(lines: Iterable[TextLine]) -> Iterator[OctetLine]:
    """Yield the lines of a text taken apart, those that are one frame together as one."""
    found = map(_taken_apart, in_braces(joined(map(_timed, lines))))
    return told_apart(without_leading(headed(rows_joined(found))))


def _timed(line: TextLine) -> TextLine:
    """Return a line with its time apart, without a comment."""
    text = line.text
    if _is_plain(text):
        return line
    time_ns, rest = time_in(text)
    if time_ns is not None and rest.lstrip().startswith("# "):
        rest = rest.replace(
            "#", " ", 1
        )  # nothing stands before it: it parts the time from the rest
    column = line.column + len(text) - len(rest)
    is_of_day = time_ns is not None and is_clock(text)
    text = without_comment(rest)
    return line._replace(text=text, time_ns=time_ns, column=column, is_clock=is_of_day)


def _taken_apart(line: TextLine) -> OctetLine:
    text = line.text
    if _is_plain(text):
        octets = bytes.fromhex(text)
        leading = leading_in(text, len(octets)) if " " in text else 0
        return OctetLine(line, LineOctets(octets, is_alone=True, leading=leading))
    label, colon, tail = text.rpartition(": ")
    if colon and "  " not in tail and _is_plain(tail) and _ends_label(label, tail):
        octets = bytes.fromhex(tail)
        return OctetLine(line, LineOctets(octets, label, leading=leading_in(tail, len(octets))))
    return OctetLine(line, octets_in(text))


def _ends_label(label: str, tail: str) -> bool:
    """Return whether a colon before octets ends a label, and no more octets than these can stand in that."""
    *before, last = label.split() or [""]
    between = before and before[-1].endswith(":") and len(last) == 2  # colons between octets
    return 3 * LEAST <= len(tail) >= len(label) and not between


def _is_plain(text: str) -> bool:
    """Return whether a line is nothing but hex in groups of whole octets; not one with a number before one group."""
    if "\t" in text:  # perhaps a table
        return False
    head, _, tail = text.partition(" ")
    if head.isdecimal() and len(tail) >= 16 and " " not in tail.strip():
        return False
    try:
        return bool(bytes.fromhex(text))
    except ValueError:
        return False


def _lines(source: Source, notices: Notices, records: Callable[[], int]) -> Iterator[TextLine]:
    """Yield the lines that hold more than a comment; notices count the ``records`` before them."""
    line_number = 0
    is_apart = False
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
            notices.add(LINE_WRONG, text, records(), start)
            continue
        text = line.removeprefix(b"\xef\xbb\xbf").decode("utf-8", "replace").rstrip()
        if "\0" in text:
            text = text.replace("\0", "\ufffd")
        if "\x1b" in text:
            text = _COLOURS.sub("", text)
        column = len(text) - len(text.lstrip())
        if without_comment(text):
            yield TextLine(line_number, start, text[column:], column=column, is_apart=is_apart)
        is_apart = not text


def _skip(source: Source) -> None:
    line = b"x"
    while line and not line.endswith(b"\n"):
        line = source.line(LONGEST_LINE)
