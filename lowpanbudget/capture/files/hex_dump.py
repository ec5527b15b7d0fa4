"""Dumps of octets behind a column of offsets, as programs that show files write them: lines that belong together.

    000000  41 88 2a cd ab 01 00 17 00 7e 77 f3 12 9c 5b 68     offsets of 4 digits or more, in hex, octal or decimal
    000010  65 6c 6c 6f 00 00                                   with a colon, 0x and groups of 2 octets too
    000016                                                      at the end perhaps an offset alone

That a column counts is proved by the first line whose offset is the number of octets before it, or told by a colon or
a gap behind it: lines before that are left as they are. An offset of 0 begins the next frame.
"""

import re
from collections.abc import Iterable, Iterator
from typing import NamedTuple

_LONGEST = 1 << 17  # digits that are put together; twice as many as any frame has octets
_ZERO = ("0000", "0x0000", "0X0000")  # how an offset of 0 begins
_OFFSET = re.compile(r"(?:0[xX])?([0-9a-fA-F]{4,16})(:?)(?:(\s+)(.*))?")
_OCTETS = re.compile(r"(?:[0-9a-fA-F]{2}){1,2}(?:\s|$)\s*")


_GARBLED = re.compile(r"(?<=\S\s)(?=[^\s.|]?[0-9a-fA-F?])[0-9a-zA-Z?*]{2}(?:\s|$)\s*")
_COMMENT = re.compile(r"(?:^|\s)(?:#|//).*")


class TextLine(NamedTuple):
    """A line without its comment: its number, where it starts in octets, its text, and the time that stood before.

    ``column`` is where the text begins in the line, ``is_apart`` whether nothing but blanks stands in the line before,
    ``is_dump`` whether the text has been put together of the rows of a dump.
    """

    number: int
    start: int
    text: str
    time_ns: int | None = None
    column: int = 0
    is_apart: bool = False
    is_dump: bool = False


def without_comment(text: str) -> str:
    """Return a line without what ``#`` or ``//`` begins, and what stands between ``/*`` and ``*/``."""
    if "#" not in text and "/" not in text:
        return text.rstrip()
    parts, at = [], 0
    while (start := text.find("/*", at)) >= 0 and (end := text.find("*/", start + 2)) >= 0:
        parts.append(text[at:start])
        at = end + 2
    return _COMMENT.sub("", "".join([*parts, text[at:]])).rstrip()


class _Row(NamedTuple):
    """A row of a dump: its offset as it is written, the hex digits of its octets, whether the offset stands apart."""

    offset: str
    digits: str
    is_apart: bool

    def is_at(self, count: int) -> bool:
        """Return whether its offset is this count, in hex, octal or decimal."""
        return (self.offset.lstrip("0").lower() or "0") in {f"{count:x}", f"{count:o}", str(count)}


def _row(text: str) -> _Row | None:
    """Return a row of a dump, without the characters beside its octets; None of other lines."""
    match = _OFFSET.fullmatch(text.strip())
    if match is None:
        return None
    offset, colon, gap, rest = match.groups()
    rest = (rest or "").partition("|")[0]
    if colon:
        rest = rest.partition("  ")[0]
    digits, at = "", 0
    # what is like an octet right behind another is kept: the frame then has a fault, instead of an end
    while group := _OCTETS.match(rest, at) or (digits and _GARBLED.match(rest, at)):
        digits, at = digits + group[0].strip(), group.end()
    return _Row(offset, digits, bool(colon) or gap not in {None, " "})


def joined(lines: Iterable[TextLine]) -> Iterator[TextLine]:
    """Yield lines as they are, and the rows of a dump as one line without offsets, where its first row was."""
    first: TextLine | None = None
    digits = ""
    proved = False  # by any row: of those behind it each has an offset
    for line in lines:
        if first is None and not line.text.lstrip().startswith(_ZERO):
            yield line
            continue
        row = _row(line.text)
        if first is not None:
            if row is not None and len(digits) < _LONGEST and row.is_at(len(digits) // 2):
                proved = True
                digits += row.digits
                continue
            yield first._replace(text=digits, is_dump=True) if proved else first
            first = None
        if row is not None and row.digits and row.is_at(0):
            first, digits = line, row.digits
            proved = proved or row.is_apart
        else:
            yield line
    if first is not None:
        yield first._replace(text=digits, is_dump=True) if proved else first
