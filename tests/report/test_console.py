"""Text is set as the terminal library rich sets it: it wrapped and coloured all that is printed before."""

from io import StringIO

import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from rich.cells import cell_len
from rich.console import Console as Library
from rich.padding import Padding
from rich.text import Text

from lowpanbudget.report import console as module
from lowpanbudget.report.console import Console, Line, Run, coloured, columns

STYLES = (
    "",
    "bold",
    "dim",
    "bold red",
    "bold yellow",
    "cyan",
    "bright_black",
    "dim green",
    "italic",
)
TEXTS = st.lists(
    st.sampled_from(["a", "fits", "readings", "§3.2", "4095", "-", "µε", "→", "x" * 23, "橋橋", " ", "  ", "\n"]),
    max_size=14,
).map(" ".join)  # fmt: skip
RUNS = st.lists(st.tuples(TEXTS, st.sampled_from(STYLES)), min_size=1, max_size=4)


def printed(runs: list[Run], width: int, *, indent: int = 0, cut: bool = False) -> list[str]:
    lines: list[Line] = []
    Console(width, lines.append).print(runs, indent=indent, cut=cut)
    return [coloured(line).rstrip() for line in lines]


def by_library(runs: list[Run], width: int, *, indent: int = 0, cut: bool = False) -> list[str]:
    page = StringIO()
    console = Library(
        file=page, width=width, color_system="standard", force_terminal=True, markup=False,
        highlight=False, emoji=False, legacy_windows=False, _environ={},
    )  # fmt: skip
    text = Text()
    for run, style in runs:
        text.append(run, style)
    if cut:
        console.print(text, no_wrap=True, crop=False)
    else:
        console.print(Padding(text, (0, 0, 0, indent)))
    return [line.rstrip() for line in page.getvalue().removesuffix("\n").split("\n")]


@given(RUNS, st.integers(12, 50), st.integers(0, 5))
@example([("x" * 23 + " a", "bold")], 23, 0)
@example([("a " + "x" * 23 + "    b", "bold")], 12, 2)
@example([("", "")], 12, 0)
def test_text_is_wrapped_as_by_the_library(runs: list[Run], width: int, indent: int) -> None:
    assert printed(runs, width, indent=indent) == by_library(runs, width, indent=indent)


@given(
    RUNS.map(lambda runs: [(text.replace("橋橋", "=="), style) for text, style in runs]),
    st.integers(12, 50),
)
def test_a_line_is_cut_as_by_the_library(runs: list[Run], width: int) -> None:
    assert printed(runs, width, cut=True) == by_library(runs, width, cut=True)


@pytest.mark.parametrize(("first", "last"), module._NARROW)
def test_what_is_held_for_narrow_takes_one_column(first: str, last: str) -> None:
    assert {code for code in range(ord(first), ord(last) + 1) if cell_len(chr(code)) != 1} == set()


def test_wide_characters_take_two_columns() -> None:
    """East Asian wide characters (Unicode Standard Annex 11)."""
    assert columns("橋 3") == 4
    assert columns("µε → 3 · §") == 10
