"""Styled text in columns, wrapped and never cut: what a ledger of thousands of lines is set with.

A cell is a list of runs, each a text with the name of a style. The general tables of the terminal library do the same
at ten times the cost; they set the short tables.
"""

from collections.abc import Iterable, Iterator, Sequence
from itertools import zip_longest

from rich.cells import cell_len
from rich.console import Console
from rich.segment import Segment, Segments

Run = tuple[str, str]
Line = list[Run]


def wrap(runs: Iterable[Run], width: int) -> list[Line]:
    """Return the runs as lines of at most ``width`` columns, broken at spaces, or inside what is longer than a line."""
    lines: list[Line] = [[]]
    used = 0
    space = False
    for text, style in runs:
        for index, word in enumerate(text.split(" ")):
            space = space or index > 0
            if not word:
                continue
            size = _size(word)
            if used and used + space + size > width:
                lines.append([])
                used = 0
            elif space and used:
                word, size = f" {word}", size + 1  # noqa: PLW2901  # the space belongs to the word it precedes
            space = False
            while size > width - used:
                head = _head(word, width - used)
                lines[-1].append((head, style))
                word = word[len(head) :]  # noqa: PLW2901
                size = _size(word)
                lines.append([])
                used = 0
            lines[-1].append((word, style))
            used += size
    return lines


def _size(text: str) -> int:
    return len(text) if text.isascii() else cell_len(text)


def _head(text: str, width: int) -> str:
    """Return the longest beginning of a text that fits, one character at least."""
    if text.isascii():
        return text[: max(width, 1)]
    end = 1
    while end < len(text) and cell_len(text[: end + 1]) <= width:
        end += 1
    return text[:end]


def beside(
    cells: Sequence[Iterable[Run]], widths: Sequence[int], *, gap: int = 2, indent: int = 0
) -> Iterator[Line]:
    """Yield the lines of cells set side by side in columns of these widths."""
    wrapped = [wrap(cell, width) for cell, width in zip(cells, widths, strict=True)]
    for pieces in zip_longest(*wrapped, fillvalue=()):
        line: Line = []
        column, place = 0, indent
        for piece, width in zip(pieces, widths, strict=True):
            if piece:
                line.append((" " * (place - column), ""))
                line += piece
                column = place + sum(_size(text) for text, _ in piece)
            place += width + gap
        yield line


def put(console: Console, lines: Iterable[Line]) -> None:
    """Print lines that are set already."""
    styles = {"": None}
    segments: list[Segment] = []
    for line in lines:
        for text, style in line:
            if style not in styles:
                styles[style] = console.get_style(style)  # type: ignore[assignment]  # None stands for plain
            segments.append(Segment(text, styles[style]))
        segments.append(Segment.line())
    console.print(Segments(segments), crop=False, end="")
