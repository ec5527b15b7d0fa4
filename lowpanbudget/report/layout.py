"""Styled text in columns, wrapped and never cut: how a ledger of thousands of lines is set.

A cell is a list of runs, each a text with the name of a style; the run ``BREAK`` starts a new line. The general tables
of the terminal library cost ten times as much, and cut what does not fit.
"""

from collections.abc import Callable, Collection, Iterable, Iterator, Sequence
from itertools import zip_longest

from rich.cells import cell_len
from rich.console import Console
from rich.segment import Segment, Segments

Run = tuple[str, str]
Line = list[Run]
Cell = str | Sequence[Run]
BREAK: Run = ("\n", "")
_BELOW = 7  # columns that a line below a row stands further in
_AT_ONCE = 1 << 14  # runs that are printed together: a list may have hundreds of thousands of lines
_NARROWEST = 12  # columns that a column of words may be squeezed to


def first_together(rows: Iterable[Sequence[Cell]]) -> list[list[Cell]]:
    """Return rows with those as one that differ in their first cell alone, such as of many nodes that say the same."""
    alike: dict[str, tuple[list[str], Sequence[Cell]]] = {}
    for first, *rest in rows:
        firsts, _ = alike.setdefault(repr(rest), ([], rest))
        firsts.append(str(first))
    return [[", ".join(firsts), *rest] for firsts, rest in alike.values()]


def wrap(runs: Iterable[Run], width: int) -> list[Line]:
    """Return the runs as lines of at most ``width`` columns, broken at spaces, or inside what is longer than a line."""
    lines: list[Line] = [[]]
    used = 0
    space = False
    for text, style in runs:
        if text == "\n":
            lines.append([])
            used, space = 0, False
            continue
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
    cells: Sequence[Iterable[Run]],
    widths: Sequence[int],
    *,
    gap: int = 2,
    indent: int = 0,
    right: Collection[int] = (),
) -> Iterator[Line]:
    """Yield the lines of cells set side by side in columns of these widths, those in ``right`` to the right."""
    wrapped = [wrap(cell, width) for cell, width in zip(cells, widths, strict=True)]
    for pieces in zip_longest(*wrapped, fillvalue=()):
        line: Line = []
        column, place = 0, indent
        for index, (piece, width) in enumerate(zip(pieces, widths, strict=True)):
            if piece:
                size = sum(_size(text) for text, _ in piece)
                start = place + (width - size if index in right else 0)
                line.append((" " * (start - column), ""))
                line += piece
                column = start + size
            place += width + gap
        yield line


def table(
    titles: Sequence[str],
    rows: Iterable[Sequence[Cell]],
    width: int,
    *,
    gap: int = 2,
    indent: int = 2,
    right: Collection[int] = (),
    below: Iterable[Sequence[Run]] = (),
    names: bool = False,
) -> Iterator[Line]:
    """Yield the lines of a table with a line of titles; where it cannot stand, each row as titles and cells stacked.

    ``below`` is what belongs to each row and may be long: behind its last cell where that leaves every row on a line,
    else on lines of its own below the row. Both are iterated several times, so that rows of a long table may be made
    when they are wanted. With ``names`` the first cell of a row, which may be long, stands on a line of its own above
    the others where one of its words would be broken beside them.
    """
    room = width - indent - gap * (len(titles) - 1)
    cells, joined = _Cells(rows), _Cells(rows, below)
    if below and sum(_full_widths(titles, joined)) <= room:  # every row stands on one line
        cells, below = joined, ()
    widths = _widths(titles, cells, room)
    if names and (
        widths is None or widths[0] < max((_longest_word(row[0]) for row in cells), default=0)
    ):
        widths = _widths(titles, _Cells([["", *row[1:]] for row in rows]), room)
    else:
        names = False
    if widths is None:
        yield from _stacked(titles, joined, width, indent)
        return
    if any(titles):
        heads = [[(title, "dim")] for title in titles]
        yield from beside(heads, widths, gap=gap, indent=indent, right=right)
    margin = indent + _BELOW
    for row, more in zip_longest(cells, below, fillvalue=()):
        if names:
            all_of_it = list(row)
            yield from beside(all_of_it[:1], [width - indent], indent=indent)
            row = [[], *all_of_it[1:]]  # noqa: PLW2901  # the name is told
        yield from beside(row, widths, gap=gap, indent=indent, right=right)
        if more:
            yield from beside([more], [width - margin], indent=margin)


class _Cells:
    """Rows as runs, made anew whenever they are iterated: those of long tables are not kept."""

    __slots__ = ("_below", "_rows")

    def __init__(self, rows: Iterable[Sequence[Cell]], below: Iterable[Sequence[Run]] = ()) -> None:
        self._rows, self._below = rows, below

    def __iter__(self) -> Iterator[list[Sequence[Run]]]:
        for row, more in zip_longest(self._rows, self._below, fillvalue=()):
            cells = [[(cell, "")] if isinstance(cell, str) else cell for cell in row]
            if more:
                cells[-1] = [*cells[-1], (" ", ""), *more]
            yield cells


def _full_widths(titles: Sequence[str], rows: Iterable[Sequence[Sequence[Run]]]) -> list[int]:
    return _greatest(map(_size, titles), rows, _longest)


def _greatest(
    least: Iterable[int],
    rows: Iterable[Sequence[Sequence[Run]]],
    size: Callable[[Sequence[Run]], int],
) -> list[int]:
    """Return the greatest size of the cells of each column, ``least`` where none is greater."""
    greatest = list(least)
    for row in rows:
        greatest = list(map(max, greatest, map(size, row)))
    return greatest


def _widths(
    titles: Sequence[str], rows: Iterable[Sequence[Sequence[Run]]], room: int
) -> list[int] | None:
    """Return the width of each column, None when the room is too small for them to be read."""
    full_widths = _full_widths(titles, rows)
    if sum(full_widths) <= room:
        return full_widths
    least = [
        min(full, max(_NARROWEST, *(_size(word) for word in title.split() or [""])))
        for full, title in zip(full_widths, titles, strict=True)
    ]
    if sum(least) > room:
        return None
    whole = _greatest(least, rows, _longest_word)
    if sum(whole) <= room:  # no word is broken where there is space
        least = whole
    spare = room - sum(least)
    # what is spare goes in equal shares, and what a column does not need to those that lack more
    order = sorted(range(len(full_widths)), key=lambda at: full_widths[at] - least[at])
    for done, index in enumerate(order):
        more = min(spare // (len(order) - done), full_widths[index] - least[index])
        least[index] += more
        spare -= more
    return least


def _longest(cell: Sequence[Run]) -> int:
    """Return the columns of a cell's longest line when nothing is wrapped."""
    longest = used = 0
    for text, _ in cell:
        used = 0 if text == "\n" else used + _size(text)
        longest = max(longest, used)
    return longest


def _longest_word(cell: Sequence[Run]) -> int:
    return max((_size(word) for text, _ in cell for word in text.split()), default=0)


def _stacked(
    titles: Sequence[str], rows: Iterable[Sequence[Sequence[Run]]], width: int, indent: int
) -> Iterator[Line]:
    margin = max(map(_size, titles))
    for row in rows:
        for title, cell in zip(titles, row, strict=True):
            if cell and any(text.strip() for text, _ in cell):
                widths = (margin, max(width - margin - 2 - indent, 1))
                yield from beside([[(title, "dim")], cell], widths, gap=2, indent=indent)
        yield []


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
        if len(segments) >= _AT_ONCE:
            console.print(Segments(segments), crop=False, end="")
            segments = []
    console.print(Segments(segments), crop=False, end="")
