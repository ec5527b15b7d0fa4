"""Pictures for the terminal: rows of blocks, and curves of letters; every kind has a character or letter of its own."""

from collections.abc import Sequence

from rich.console import Console
from rich.text import Text

from lowpanbudget.report import chart as charts
from lowpanbudget.report.chart import Chart, ChartKind, CurveChart, RowChart, Tone
from lowpanbudget.report.screen import Screen

_STYLES = {
    Tone.QUIET: "bright_black",
    Tone.MAIN: "cyan",
    Tone.SECOND: "yellow",
    Tone.THIRD: "magenta",
    Tone.ALARM: "red",
}
_MARGIN, _GAP = 1, 2
_LEAST_BAR = 12
_HEIGHT = 12  # lines of a plot of curves
_COLUMNS_A_TICK = 14


def draw(console: Console, screen: Screen, chart: Chart) -> None:
    """Print a picture: its title, the picture, the key of its kinds."""
    console.print(Text(screen.text(chart.title), "bold"))
    if isinstance(chart, RowChart):
        _rows(console, screen, chart)
    else:
        _curves(console, screen, chart)


def _looks(screen: Screen, kinds: Sequence[ChartKind]) -> dict[ChartKind, tuple[str, str]]:
    """Return character and style of each kind: what is quiet is thin, the others have fills and then letters."""
    glyphs = screen.glyphs
    quiet, loud = iter(glyphs.free), iter(glyphs.fills + glyphs.payload)
    looks = {}
    for index, kind in enumerate(kinds):
        source = quiet if kind.tone is Tone.QUIET else loud
        looks[kind] = (next(source, charts.letter(index)), _STYLES[kind.tone])
    return looks


def _rows(console: Console, screen: Screen, chart: RowChart) -> None:
    labels = [screen.text(row.label) for row in chart.rows]
    values = [screen.text(row.value) for row in chart.rows]
    left = max(map(len, [screen.text(chart.unit), *labels]))
    right = max(map(len, values), default=0)
    width = console.width - 2 * _MARGIN - left - right - 2 * _GAP
    if width < _LEAST_BAR:  # the values stand beneath their bars
        width, right = max(console.width - 2 * _MARGIN - left - _GAP, _LEAST_BAR), 0
    looks = _looks(screen, chart.kinds)
    indent = " " * (_MARGIN + left + _GAP)
    unit = " " * _MARGIN + screen.text(chart.unit).rjust(left) + " " * _GAP
    console.print(Text(unit + _ruler(chart, width), "dim"), no_wrap=True, crop=False)
    for row, label, value in zip(chart.rows, labels, values, strict=True):
        line = Text(" " * _MARGIN + label.ljust(left + _GAP))
        bar = [(" ", "")] * width
        for block in row.blocks:
            first, last = charts.cells_of(block.start, block.end, chart.end, width)
            bar[first:last] = [looks[block.kind]] * (last - first)
        for char, style in bar:
            line.append(char, style)
        if right:
            line.append("  " + value.rjust(right))
        console.print(line, no_wrap=True, crop=False)
        if value and not right:
            console.print(Text(indent + value))
    for mark in chart.marks:
        said = f"{mark.label}: {charts.number(mark.at)} {chart.unit}"
        console.print(Text(indent + screen.text(said)))
    _key(console, screen, chart.kinds, looks)


def _ruler(chart: RowChart, width: int) -> str:
    """Return round numbers above the places where they lie."""
    line = ""
    for at in charts.ticks(chart.end, max(width // _COLUMNS_A_TICK, 1)):
        text, column = charts.number(at), round(at / chart.end * width)
        if column >= len(line) + bool(line) and column + len(text) <= width:
            line = line.ljust(column) + text
    return line


def _key(
    console: Console,
    screen: Screen,
    kinds: Sequence[ChartKind],
    looks: dict[ChartKind, tuple[str, str]],
) -> None:
    """Print character and name of each kind, broken between kinds when a line is full."""
    key, column = Text(" " * _MARGIN), _MARGIN
    for kind in kinds:
        char, style = looks[kind]
        name = f" {screen.text(kind.name)}"
        if column > _MARGIN and column + len(name) + 4 > console.width:
            key.append("\n" + " " * _MARGIN)
            column = _MARGIN
        elif column > _MARGIN:
            key.append("   ")
            column += 3
        key.append(char, style)
        key.append(name)
        column += len(name) + 1
    console.print(key)


def _curves(console: Console, screen: Screen, chart: CurveChart) -> None:
    right, top = chart.ends
    steps = charts.ticks(top, 4)
    names = {round(at / top * (_HEIGHT - 1)): screen.text(charts.number(at)) for at in steps}
    left = max(map(len, names.values()))
    width = max(console.width - 2 * _MARGIN - left - 1, _LEAST_BAR)
    grid = [[(" ", "")] * width for _ in range(_HEIGHT)]
    for level in chart.levels:
        row = grid[round(level.at / top * (_HEIGHT - 1))]
        row[:] = [(screen.glyphs.rule, "dim")] * width
    for mark in chart.marks:
        for row in grid:
            row[min(round(mark.at / right * (width - 1)), width - 1)] = ("|", "dim")
    letters = {
        kind: (charts.letter(index), _STYLES[kind.tone]) for index, kind in enumerate(chart.kinds)
    }
    for curve in chart.curves:
        for column in range(width):
            at = _height(curve, column / (width - 1) * right)
            if at is not None and 0 <= at <= top:
                grid[round(at / top * (_HEIGHT - 1))][column] = letters[curve.kind]
    console.print(Text(" " * _MARGIN + screen.text(chart.y_title), "dim"))
    for height in reversed(range(_HEIGHT)):
        line = Text(" " * _MARGIN + names.get(height, "").rjust(left) + "|", "dim")
        for char, style in grid[height]:
            line.append(char, style or "none")
        console.print(line, no_wrap=True, crop=False)
    axis = ""
    for at in charts.ticks(right, max(width // _COLUMNS_A_TICK, 1)):
        column, text = round(at / right * (width - 1)), charts.number(at)
        if column + len(text) <= width:
            axis = axis.ljust(column) + text
    indent = " " * (_MARGIN + left + 1)
    console.print(Text(screen.text(indent + axis), "dim"), no_wrap=True, crop=False)
    console.print(Text(screen.text(indent + chart.x_title), "dim"))
    for mark in (*chart.marks, *chart.levels):
        console.print(
            Text(f"{indent}{screen.text(mark.label)}: {screen.text(charts.number(mark.at))}")
        )
    _key(console, screen, chart.kinds, letters)


def _height(curve: charts.Curve, x: float) -> float | None:
    """Return the value of a curve at a place, None outside of its points."""
    before = None
    for point in curve.points:
        if point[0] > x:
            if before is None:
                return None
            if curve.steps:
                return before[1]
            share = (x - before[0]) / (point[0] - before[0])
            return before[1] + share * (point[1] - before[1])
        before = point
    return None if before is None or (before[0] < x and not curve.steps) else before[1]
