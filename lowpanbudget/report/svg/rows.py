"""Rows of blocks: labels before them, values behind, a ruler beneath."""

from lowpanbudget.report import chart as charts
from lowpanbudget.report.chart import ChartKind, ChartRow, RowChart, Tone
from lowpanbudget.report.svg.paper import CHAR, LINE, SMALL_CHAR, Paper

_ROW, _BAR, _THIN = 24, 14, 3
_NAMES = 12  # units more for the names of blocks
_LETTER = 11  # units of a block that its letter needs
_GAP = 12
_LABEL = 40  # characters of a label at most
_PIXELS_A_TICK = 90


def rows(
    paper: Paper, chart: RowChart, looks: dict[ChartKind, str], x: float, y: float, width: float
) -> float:
    """Draw the rows of a picture from a place on; return the y below its ruler."""
    labels = [chart.unit, *(_short(row.label) for row in chart.rows)]
    left = x + max(map(len, labels)) * CHAR + _GAP
    behind = max((len(row.value) for row in chart.rows), default=0)
    right = x + width - (behind * CHAR + _GAP if behind else 0)
    scale = (right - left) / chart.end
    letters = {kind: charts.letter(index) for index, kind in enumerate(chart.kinds)}
    bottom = y + sum(map(_high, chart.rows)) + 6
    for at in charts.ticks(chart.end, max(int((right - left) // _PIXELS_A_TICK), 1)):
        paper.line(left + at * scale, y + 2, left + at * scale, bottom + 4, "tick")
        style = "small faint middle" if at else "small faint"
        paper.text(left + at * scale, bottom + 16, charts.number(at), style)
    paper.text(left - _GAP, bottom + 16, chart.unit, "small faint end")
    top = y
    for row in chart.rows:
        top += _high(row)
        if row.named:
            _names(paper, row, left, top - _ROW, scale)
        _row(paper, row, looks, letters, left, top - _ROW + 6, scale)
        paper.text(x, top - 7, _short(row.label))
        if row.value:
            paper.text(x + width, top - 7, row.value, "end")
    paper.line(left, bottom, right, bottom)
    for mark in chart.marks:
        place = left + mark.at * scale
        paper.line(place, y, place, bottom, "mark")
        paper.text(place, bottom + 30, mark.label, "small middle halo")
    return bottom + LINE * (1.7 if chart.marks else 1)


def _short(label: str) -> str:
    """Return a label, the middle of a long one left out: blocks need the space, and the words beside have it whole."""
    return label if len(label) <= _LABEL else f"{label[: _LABEL // 2]}…{label[1 - _LABEL // 2 :]}"


def _high(row: ChartRow) -> float:
    return _ROW + (_NAMES if row.named else 0)


def _names(paper: Paper, row: ChartRow, left: float, y: float, scale: float) -> None:
    """Write the names of blocks above them, where they have space."""
    for block in row.blocks:
        if len(block.label) * SMALL_CHAR <= (block.end - block.start) * scale:
            middle = left + (block.start + block.end) / 2 * scale
            paper.text(middle, y + 2, block.label, "small faint middle halo")


def _row(
    paper: Paper,
    row: ChartRow,
    looks: dict[ChartKind, str],
    letters: dict[ChartKind, str],
    left: float,
    y: float,
    scale: float,
) -> None:
    for block in row.blocks:
        place, wide = left + block.start * scale, (block.end - block.start) * scale
        # what is not there to be looked at is a thin line
        high = float(_THIN if block.kind.tone is Tone.QUIET else _BAR)
        top = y + (_BAR - high) / 2
        name = block.label or block.kind.name
        says = "" if paper.terse and wide >= _LETTER else name
        paper.rect(place, top, wide, high, looks[block.kind], block.kind.tone, says)
    for kind, start, end in charts.runs(row.blocks):
        if (end - start) * scale >= _LETTER and kind.tone is not Tone.QUIET:
            middle = left + (start + end) / 2 * scale
            paper.text(middle, y + 11, letters[kind], "small middle halo")
    if row.span is not None:
        low, high = (left + end * scale for end in row.span)
        paper.line(low, y + _BAR / 2, high, y + _BAR / 2, "mark")
        for end in (low, high):
            paper.line(end, y + 3, end, y + _BAR - 3, "mark")
