"""Curves over one axis: each with its letter where it ends, round numbers at both axes."""

from typing import NamedTuple

from lowpanbudget.report import chart as charts
from lowpanbudget.report.chart import ChartKind, Curve, CurveChart
from lowpanbudget.report.svg.paper import CHAR, LINE, SMALL_CHAR, Paper

_HEIGHT = 260
_GAP = 8
_APART = 11
_LETTER = 16  # units behind the plot for letters
_PIXELS_A_TICK, _PIXELS_A_LEVEL = 90, 50

DASHES = ("none", "7 3", "2 3", "9 3 2 3")  # lines that differ without colour


class _End(NamedTuple):
    """Where a curve ends, and its letter."""

    y: float
    x: float
    letter: str


def curve_style(index: int, kind: ChartKind) -> str:
    """Return the style of the curve with this number in its picture."""
    return f"curve s-{kind.tone.value} d{index % len(DASHES)}"


def curves(paper: Paper, chart: CurveChart, x: float, y: float, width: float) -> float:
    """Draw curves from a place on; return the y below the axis and its title."""
    across, up = chart.ends
    levels = charts.ticks(up, _HEIGHT // _PIXELS_A_LEVEL)
    left = x + max(len(charts.number(at)) for at in levels) * CHAR + _GAP
    right, top = x + width - _LETTER, y + LINE
    bottom = top + _HEIGHT
    paper.text(x, y + 10, chart.y_title, "small faint")

    def place(point: tuple[float, float]) -> tuple[float, float]:
        return left + point[0] / across * (right - left), bottom - point[1] / up * _HEIGHT

    for at in levels:
        _, height = place((0, at))
        paper.line(left, height, right, height)
        paper.text(left - _GAP, height + 4, charts.number(at), "small faint end")
    for at in charts.ticks(across, max(int((right - left) // _PIXELS_A_TICK), 1)):
        column, _ = place((at, 0))
        paper.line(column, bottom, column, bottom + 4, "tick")
        paper.text(column, bottom + 16, charts.number(at), "small faint middle")
    paper.text(right, bottom + 30, chart.x_title, "small faint end")
    for mark in chart.marks:
        column, _ = place((mark.at, 0))
        paper.line(column, top, column, bottom, "mark")
    for level in chart.levels:
        _, height = place((0, level.at))
        paper.line(left, height, right, height, "mark")
    ends: list[_End] = []
    for index, kind in enumerate(chart.kinds):
        for curve in chart.curves:
            if curve.kind == kind and curve.points:
                points = [place(point) for point in _stepped(curve)]
                paper.path(points, curve_style(index, kind))
                ends.append(_End(points[-1][1], points[-1][0], charts.letter(index)))
    # words over the lines, whose halo keeps them legible
    for mark in chart.marks:
        column, _ = place((mark.at, 0))
        if column + 4 + len(mark.label) * SMALL_CHAR > x + width:  # no space behind it: before it
            paper.text(column - 4, top + 10, mark.label, "small halo end")
        else:
            paper.text(column + 4, top + 10, mark.label, "small halo")
    for level in chart.levels:
        _, height = place((0, level.at))
        paper.text(left + 4, height - 4, level.label, "small halo")
    for end in _apart(ends, top):
        paper.text(end.x + 4, end.y + 4, end.letter, "small halo")
    return bottom + LINE * 1.7


def _apart(ends: list[_End], top: float) -> list[_End]:
    """Return the ends with the heights of their letters: those that meet stand above each other, none over the top."""
    risen: list[_End] = []
    for end in sorted(ends, reverse=True):
        below = [other.y - _APART for other in risen if abs(other.x - end.x) < _APART]
        risen.append(end._replace(y=min([end.y, *below])))
    placed: list[_End] = []
    for end in reversed(risen):
        above = [other.y + _APART for other in placed if abs(other.x - end.x) < _APART]
        placed.append(end._replace(y=max([end.y, top, *above])))
    return placed


def _stepped(curve: Curve) -> list[tuple[float, float]]:
    """Return the corners of a curve."""
    if not curve.steps:
        return list(curve.points)
    corners: list[tuple[float, float]] = []
    for point in curve.points:
        if corners:
            corners.append((point[0], corners[-1][1]))
        corners.append(point)
    return corners
