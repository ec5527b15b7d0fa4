"""Dumps of octets behind a column of offsets, as programs that show files write them: lines that belong together.

    000000  41 88 2a cd ab 01 00 17 00 7e 77 f3 12 9c 5b 68     offsets of 4 digits or more, in hex, octal or decimal
    000010  65 6c 6c 6f 00 00                                   with a colon, 0x and groups of 2 octets too
    *                                                           rows that are equal to the one above
    000016                                                      at the end perhaps an offset alone
    radio0: 00000000: 41 88 2a cd ab 01 00 17                   behind a label that all rows have
    radio: 0x3ffb4280   41 88 2a cd ab 01 00 17                 or addresses that go on
    0000000 8841 cd2a 01ab 1700 7e00                            7 digits before words: octets of each exchanged
    0000000 104101 146452 000653 013400                         the same in octal

That a column counts is proved by the first line whose offset is the number of octets before it, or told by a colon or
a gap behind it: lines before that are left as they are. An offset of 0 begins the next frame. Where offsets prove that
a row is missing, ``??`` stands for it: the frame then has a fault. Programs that show words of two octets behind an
offset of 7 digits read them as numbers of a little-endian machine (common practice, no source): their second octet came
first, and of an odd number of octets the last word has one more, which the offset at the end leaves out.
"""

import re
from collections.abc import Iterable, Iterator
from typing import NamedTuple

_LONGEST = 1 << 17  # digits that are put together; twice as many as any frame has octets
_MISSING = " ?? "  # stands for rows that a dump lacks
_BEGIN = re.compile(  # an offset of 0, or an address, at the start or behind a label
    r"(?:^|(?<=[])>#:|] )|(?<=[])>#:|]  )) *(?=\[?(?:(?:0[xX])?0000|00: |0[xX][0-9a-fA-F]{8}[: ] ))"
)
_LATER = re.compile(
    r"0+[0-7]?[0-9a-fA-F]0(?::|  )"
)  # an offset of a row that is not the first, at most 0x7f0
_WIDEST = 16  # octets of such a row
_OFFSET = re.compile(r"\[?(?:0[xX])?([0-9a-fA-F]{4,16}|[0-9a-fA-F]{2}(?=:))\]?(:?)(?:(\s+)(.*))?")
_WORDS = re.compile(r"(?:\s+[0-9a-fA-F]{4})+\s*")
_OCTAL_WORDS = re.compile(r"(?:\s+[01][0-7]{5})+\s*")
_OFFSET_OF_WORDS = 7  # digits
_OCTETS = re.compile(r"(?:[0-9a-fA-F]{2}){1,2}(?:\s|$)\s*")


_GARBLED = re.compile(r"(?<=\S\s)(?=[^\s.|]?[0-9a-fA-F?])[0-9a-zA-Z?*]{2}(?:\s|$)\s*")
_COMMENT = re.compile(r"(?:^|\s)(?:#|//).*")


class TextLine(NamedTuple):
    """A line without its comment: its number, where it starts in octets, its text, and the time that stood before.

    ``column`` is where the text begins in the line, ``is_apart`` whether nothing but blanks stands in the line before,
    ``is_dump`` whether the text has been put together of the rows of a dump. ``is_clock``: the time is that of a day.
    """

    number: int
    start: int
    text: str
    time_ns: int | None = None
    column: int = 0
    is_apart: bool = False
    is_dump: bool = False
    is_clock: bool = False


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
    """A row of a dump: its offset as it is written, the hex digits of its octets, whether the offset stands apart.

    In one of ``words`` the octets of each have been exchanged.
    """

    offset: str
    digits: str
    is_apart: bool
    words: bool = False

    def counts(self) -> dict[int, int]:
        """Return the offset as it may be meant, by its base: in hex, octal or decimal."""
        bases = (16, 8, 10)
        return {
            base: int(self.offset, base)
            for base in bases
            if all(int(digit, 16) < base for digit in self.offset)
        }

    def begins(self) -> bool:
        """Return whether it may be the first row: at 0, or at an address."""
        return bool(self.digits) and (not self.offset.strip("0") or len(self.offset) == 8)


class _Dump:
    """The rows of a dump up to here."""

    def __init__(self, line: TextLine, label: str, row: _Row) -> None:
        """Begin with the first row."""
        self.line, self.label = line, label
        self.digits = row.digits
        self._width = len(row.digits) // 2
        self._start = int(row.offset, 16)
        self._bases = {16} if self._start else {16, 8, 10}
        self.is_zero = len(row.offset) > 2 and not self._start
        self.is_sure = self.is_zero and row.is_apart
        self.is_joined = False
        self._has_equal = False
        self._words = row.words

    def goes_on(self, text: str) -> bool:
        """Return whether a line is the next row, which is taken."""
        if text.strip() == "*" and (self.is_sure or self.is_joined):
            self._has_equal = True
            return True
        if not text.startswith(self.label) or len(self.digits) >= _LONGEST:
            return False
        row = _row(text[len(self.label) :])
        if row is None or (row.digits and row.words != self._words):
            return False
        count = len(self.digits) // 2
        if self._words and not row.digits and count - 1 in row.counts().values():
            self.digits, count = self.digits[:-2], count - 1  # the last word had one octet
        counts = {
            base: at - self._start for base, at in row.counts().items() if base in self._bases
        }
        at = next(
            (base for base, value in counts.items() if value == count and not self._has_equal), 0
        )
        if self._has_equal:
            at = next((base for base, value in counts.items() if self._is_equal(value - count)), 0)
        elif not at and self.is_sure and row.is_apart and row.digits:
            at = next((base for base, value in counts.items() if count < value < _LONGEST), 0)
        if not at:
            return False
        missing = counts[at] - count
        if self._has_equal:
            self.digits += self.digits[-2 * self._width :] * (missing // self._width)
        elif missing:
            self.digits += _MISSING
        self.digits += row.digits
        self._has_equal = False
        self._bases &= {base for base, value in counts.items() if value == counts[at]}
        self.is_joined = True
        return True

    def _is_equal(self, more: int) -> bool:
        return 0 <= more < _LONGEST // 2 and more % self._width == 0

    def whole(self, *, proved: bool) -> TextLine:
        """Return the first line with all octets, or as it was where nothing proves that it has an offset."""
        if not (self.is_joined or (proved and self.is_zero)):
            return self.line
        return self.line._replace(text=self.digits + _MISSING * self._has_equal, is_dump=True)


def _row(text: str) -> _Row | None:
    """Return a row of a dump, without the characters beside its octets; None of other lines."""
    match = _OFFSET.fullmatch(text.strip())
    if match is None:
        return None
    offset, colon, gap, rest = match.groups()
    if len(offset) == _OFFSET_OF_WORDS and not colon:
        words = _words_of(f" {rest or ''}")
        if words:
            return _Row(offset, words, is_apart=True, words=True)
    rest = (rest or "").partition("|")[0]
    if colon:
        rest = rest.partition("  ")[0]
    digits, at = "", 0
    # what is like an octet right behind another is kept: the frame then has a fault, instead of an end
    while group := _OCTETS.match(rest, at) or (digits and _GARBLED.match(rest, at)):
        digits, at = digits + group[0].strip(), group.end()
    return _Row(offset, digits, bool(colon) or gap not in {None, " "})


def _words_of(text: str) -> str:
    """Return the hex digits of words with their octets exchanged; nothing of a text that is no row of these."""
    words: list[int] = []
    for form, base in ((_WORDS, 16), (_OCTAL_WORDS, 8)):
        if form.fullmatch(text):
            words = [int(word, base) for word in text.split()]
    return b"".join(word.to_bytes(2, "little") for word in words).hex()


def joined(lines: Iterable[TextLine]) -> Iterator[TextLine]:
    """Yield lines as they are, and the rows of a dump as one line without offsets, where its first row was."""
    dump: _Dump | None = None
    proved = False  # by any row: of those behind it each has an offset
    for line in lines:
        if dump is not None:
            if dump.goes_on(line.text):
                continue
            proved = proved or (dump.is_zero and dump.is_joined)
            yield dump.whole(proved=proved)
        dump = _begun(line)
        if dump is None:
            yield _without_first(line)
        else:
            proved = proved or dump.is_sure
    if dump is not None:
        yield dump.whole(proved=proved)


def _begun(line: TextLine) -> _Dump | None:
    """Return the dump that a line begins."""
    match = _BEGIN.search(line.text)
    row = _row(line.text[match.end() :]) if match else None
    if match is None or row is None or not row.begins() or (match.end() and not row.is_apart):
        return None
    return _Dump(line, line.text[: match.end()], row)


def _without_first(line: TextLine) -> TextLine:
    """Return a row of a dump whose first one is missing with what stands for that; other lines as they are."""
    row = _row(line.text) if _LATER.match(line.text) else None
    if row is None or len(row.offset) < 4 or not 0 < len(row.digits) <= 2 * _WIDEST:
        return line
    return line._replace(text=_MISSING + row.digits, is_dump=True)
