"""What a command prints for people: text in runs with styles, set line by line to the width of the screen.

A terminal library would take longer to import than most commands to answer. Only what few texts need of one is left to
it: how wide the characters of all the world's scripts are.
"""

import re
from collections.abc import Callable, Iterable, Iterator, Sequence
from functools import lru_cache
from itertools import pairwise

Run = tuple[str, str]  # a text and the words of its style: "bold red"
Line = list[Run]

# Latin, Greek and Cyrillic, dashes and quotation marks, arrows and signs of mathematics, boxes and blocks
_NARROW = (
    (" ", "~"), ("\xa0", "\xac"), ("\xae", "\u02ff"), ("\u0370", "\u0482"), ("\u2010", "\u2027"),
    ("\u2190", "\u2319"), ("\u2500", "\u25fc"),
)  # fmt: skip
_WORD = re.compile(" *[^ ]+ *")
# the numbers of Select Graphic Rendition, ECMA-48 8.3.117; 90 is common practice, no source
_CODES = {
    "bold": 1, "dim": 2, "italic": 3,
    "red": 31, "green": 32, "yellow": 33, "blue": 34, "magenta": 35, "cyan": 36, "bright_black": 90,
}  # fmt: skip


class Console:
    """Sets text in lines of at most ``width`` columns; ``write`` is called with each line, the runs that it has."""

    __slots__ = ("_write", "width")

    def __init__(self, width: int, write: Callable[[Line], object]) -> None:
        self.width = width
        self._write = write

    def print(
        self, text: str | Sequence[Run] = "", style: str = "", *, indent: int = 0, cut: bool = False
    ) -> None:
        """Print a text, or runs, ``indent`` columns from the left: wrapped at blanks, or ``cut`` where a line ends."""
        runs = [(text, style)] if isinstance(text, str) else text
        whole = "".join([run for run, _ in runs])
        for start, end in _lines(whole, self.width - indent, cut=cut):
            line = _part(runs, start, end)
            self._write([(" " * indent, ""), *line] if indent else line)

    def put(self, lines: Iterable[Line]) -> None:
        """Print lines that are set already."""
        for line in lines:
            self._write(line)


def coloured(line: Line) -> str:
    """Return a line with the control sequences that give a terminal its styles."""
    return "".join(
        [
            f"\x1b[{codes}m{text}\x1b[0m" if text and (codes := _codes(style)) else text
            for text, style in line
        ]
    )


@lru_cache(maxsize=64)
def _codes(style: str) -> str:
    return ";".join(map(str, sorted({_CODES[word] for word in style.split()})))


def columns(text: str) -> int:
    """Return how many columns of a terminal a text takes."""
    return len(text) if text.isascii() else _columns(text)


@lru_cache(maxsize=4096)
def _columns(text: str) -> int:
    if all(map(_is_narrow, text)):
        return len(text)
    from rich.cells import cell_len  # noqa: PLC0415  # its tables are large, and few texts need them

    return cell_len(text)


def _is_narrow(char: str) -> bool:
    """Return whether a character takes one column: those of this package do."""
    return any(first <= char <= last for first, last in _NARROW)


def head(text: str, width: int) -> str:
    """Return the longest beginning of a text that fits, one character at least."""
    if columns(text) == len(text):
        return text[: max(width, 1)]
    end = 1
    while end < len(text) and columns(text[: end + 1]) <= width:
        end += 1
    return text[:end]


def _lines(text: str, width: int, *, cut: bool) -> Iterator[tuple[int, int]]:
    """Yield where each line starts and ends."""
    at = 0
    for line in text.split("\n"):
        breaks = () if cut or columns(line) <= width else _breaks(line, width)
        for start, end in pairwise((0, *breaks, len(line))):
            piece = line[start:end]
            over = columns(piece) - width
            if over > 0:  # blanks may hang over
                piece = (
                    head(piece, width)
                    if cut
                    else piece[: max(len(piece.rstrip(" ")), len(piece) - over)]
                )
            yield at + start, at + start + len(piece)
        at += len(line) + 1


def _breaks(line: str, width: int) -> Iterator[int]:
    """Yield where a line goes on in the next one: before words, or inside of one that is longer than a line."""
    used = 0
    for found in _WORD.finditer(line):
        start, word = found.start(), found[0]
        size = columns(word.rstrip(" "))
        if size <= width - used:
            used += columns(word)
            continue
        if start:
            yield start
        if size > width:
            while columns(word) > width:
                piece = head(word, width)
                start += len(piece)
                word = word[len(piece) :]
                yield start
        used = columns(word)


def _part(runs: Sequence[Run], start: int, end: int) -> Line:
    """Return what of the runs lies between two places of their text."""
    line: Line = []
    at = 0
    for text, style in runs:
        piece = text[max(start - at, 0) : max(end - at, 0)]
        if piece:
            line.append((piece, style))
        at += len(text)
    return line
