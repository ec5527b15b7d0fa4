"""Pictures as data, and the writer for the terminal: round numbers, nothing over the edge, no kind by colour alone."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lowpanbudget.report import chart_text
from lowpanbudget.report.chart import (
    Chart,
    ChartBlock,
    ChartKind,
    ChartMark,
    ChartRow,
    Curve,
    CurveChart,
    RowChart,
    Tone,
    cells_of,
    described,
    number,
    ticks,
)
from lowpanbudget.report.screen import Screen

SENT, AGAIN, GONE = ChartKind("sent"), ChartKind("sent again"), ChartKind("lost", Tone.ALARM)
REST = ChartKind("waits", Tone.QUIET)
ROWS = RowChart(
    "Load by node",
    "What each node sends, by hop.",
    "frames/s",
    (
        ChartRow(
            "root", (ChartBlock(0, 3, SENT), ChartBlock(3, 4, AGAIN, "once more")), "4", (3, 5)
        ),
        ChartRow("  leaf", (ChartBlock(0, 1, SENT), ChartBlock(1, 1.5, GONE)), "1.5"),
        ChartRow("  idle", (ChartBlock(0, 2, REST),)),
    ),
    (ChartMark(4.5, "what the link can"),),
)
CURVES = CurveChart(
    "Share in by time",
    "How many of the packets are in.",
    "seconds",
    "share",
    (
        Curve(SENT, ((0, 0), (5, 0.5), (10, 1.0))),
        Curve(GONE, ((0, 0), (4, 0.8)), steps=True),
    ),
    (ChartMark(8, "asked for"),),
    (ChartMark(0.95, "95 %"),),
)


def drawn(chart: Chart, width: int, encoding: str = "utf-8") -> str:
    screen = Screen(width, encoding=encoding)
    return screen.draw(lambda console: chart_text.draw(console, screen, chart))


@pytest.mark.parametrize(
    ("value", "text"),
    [(0, "0"), (2592, "2592"), (10_400, "10400"), (0.5, "0.5"), (1 / 3, "0.333"), (24.19, "24.2"),
     (0.00432, "0.00432"), (99.96, "100"), (0.9999, "1"), (7.5600000000000005, "7.56")],
)  # fmt: skip
def test_numbers_are_written_without_powers_of_ten(value: float, text: str) -> None:
    assert number(value) == text


@given(st.floats(1e-6, 1e9), st.integers(1, 20))
def test_ticks_are_round_and_few(end: float, most: int) -> None:
    found = ticks(end, most)
    assert found[0] == 0
    assert len(found) <= most + 1
    assert found[-1] <= end * (1 + 1e-9)
    step = found[1] if len(found) > 1 else None
    if step is not None:
        mantissa = step / 10 ** math.floor(math.log10(step) + 1e-9)
        assert min(abs(mantissa - unit) for unit in (1, 2, 5, 10)) < 1e-6


@given(st.floats(0, 100), st.floats(0, 100), st.integers(1, 200))
def test_cells_stay_inside_and_nothing_vanishes(one: float, other: float, width: int) -> None:
    start, end = sorted((one, other))
    first, last = cells_of(start, end, 100, width)
    assert 0 <= first <= last <= width
    assert (last > first) == (end > start)


@pytest.mark.parametrize("width", [40, 80, 120])
@pytest.mark.parametrize("encoding", ["utf-8", "ascii"])
@pytest.mark.parametrize("chart", [ROWS, CURVES], ids=["rows", "curves"])
def test_nothing_is_over_the_edge(chart: Chart, width: int, encoding: str) -> None:
    text = drawn(chart, width, encoding)
    assert max(map(len, text.split("\n"))) <= width
    text.encode(encoding)
    assert chart.title in text
    for kind in chart.kinds:
        assert kind.name in text
    for mark in chart.marks:
        assert mark.label in text


def test_bars_are_to_scale_and_kinds_differ_without_colour() -> None:
    lines = drawn(ROWS, 81).split("\n")
    root, leaf, idle = (
        next(line for line in lines if line.lstrip().startswith(n))
        for n in ("root", "leaf", "idle")
    )
    sent, again, gone = "█", "▒", "▀"
    # the axis ends at 5
    wide = root.count(sent)
    assert abs(root.count(again) - wide / 3) <= 1
    assert abs(leaf.count(sent) - wide / 3) <= 1
    assert abs(leaf.count(gone) - wide / 6) <= 1
    assert sent not in idle
    assert abs(idle.count("·") - 2 * wide / 3) <= 1


def test_words_say_what_the_picture_says() -> None:
    assert described(ROWS).split("\n") == [
        "What each node sends, by hop.",
        "root (4): sent 3 frames/s from 0, once more 1 frames/s from 3.",
        "  leaf (1.5): sent 1 frames/s from 0, lost 0.5 frames/s from 1.",
        "  idle: waits 2 frames/s from 0.",
        "Marked at 4.5: what the link can.",
    ]
    assert "lost: from 0 at 0 to 0.8 at 4, at most 0.8 at 4." in described(CURVES)


def test_a_curve_ends_where_its_points_end() -> None:
    """Letters B, of a curve that ends at 4 of 10, stand in the left part alone."""
    lines = [line for line in drawn(CURVES, 82).split("\n") if "|" in line]
    assert max(line.rfind("A") for line in lines) > 70
    steps = "".join(line[3:] for line in lines)
    assert "B" in steps
