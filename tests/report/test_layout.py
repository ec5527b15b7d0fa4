"""Columns are wrapped and never cut: every character of every cell comes out, in order, within the width."""

from collections.abc import Iterator
from io import StringIO
from weakref import WeakSet

import pytest
from hypothesis import given
from hypothesis import strategies as st
from rich.console import Console

from lowpanbudget.report import layout

WORDS = st.lists(st.text("abcdefgh", min_size=1, max_size=30), max_size=12).map(" ".join)


def flat(lines: list[layout.Line]) -> list[str]:
    return ["".join(text for text, _ in line) for line in lines]


@given(WORDS, st.integers(1, 60))
def test_wrap_keeps_every_character(text: str, width: int) -> None:
    lines = flat(layout.wrap([(text, "")], width))
    assert all(len(line) <= width for line in lines)
    assert "".join(lines).replace(" ", "") == text.replace(" ", "")


@given(WORDS, st.integers(31, 60))
def test_wrap_breaks_at_spaces_when_words_are_shorter_than_the_line(text: str, width: int) -> None:
    assert " ".join(flat(layout.wrap([(text, "")], width))).split() == text.split()


def test_wrap_counts_wide_characters_as_the_terminal_does() -> None:
    """East Asian wide characters take two columns (Unicode Standard Annex 11)."""
    assert flat(layout.wrap([("橋橋橋", "")], 4)) == ["橋橋", "橋"]


def test_break_starts_a_line() -> None:
    assert flat(layout.wrap([("a", ""), layout.BREAK, ("b", "")], 9)) == ["a", "b"]


@pytest.mark.long
@given(
    st.lists(
        st.tuples(*(st.lists(st.text(letter, min_size=1, max_size=40), max_size=9).map(" ".join) for letter in "abc")),
        max_size=5,
    ),
    st.integers(24, 120),
)  # fmt: skip
def test_a_table_keeps_every_character_of_every_column(
    rows: list[tuple[str, ...]], width: int
) -> None:
    """Each column has a letter of its own, so what a column lost would be missed."""
    lines = flat(list(layout.table(("X", "Y", "Z"), rows, width)))
    assert all(len(line) <= width for line in lines)
    for index, letter in enumerate("abc"):
        sent = sum(row[index].count(letter) for row in rows)
        assert "".join(lines).count(letter) == sent


def test_a_table_that_cannot_stand_is_stacked() -> None:
    titles = ("first title", "second title", "third title")
    row = ("a" * 12, "b" * 12, "c" * 12)
    assert len(flat(list(layout.table(titles, [row], 60)))) == 2
    stacked = flat(list(layout.table(titles, [row], 30)))
    assert stacked[0].split() == ["first", "title", "a" * 12]
    assert stacked[1].split() == ["second", "title", "b" * 12]


def test_rows_that_differ_in_their_first_cell_alone_stand_together() -> None:
    rows = [["north", "fits", "3"], ["south", "fits", "4"], ["west", "fits", "3"]]
    assert layout.first_together(rows) == [["north, west", "fits", "3"], ["south", "fits", "4"]]


def test_numbers_stand_to_the_right() -> None:
    lines = flat(list(layout.table(("n", "x"), [("1", "p"), ("100", "q")], 40, right=(0,))))
    assert lines[1:] == ["    1  p", "  100  q"]


def test_a_long_name_stands_above_its_row() -> None:
    """Addresses are not broken while a line has room for them; where no word is long, all stands in the row."""
    name = "readings from [2001:db8:77:5:0:ff:fe00:10]:61617"
    rows = [(name, "1" * 12, "2" * 12), ("brief", "3", "4")]
    titles = ("message", "arrived", "hops")
    assert flat(list(layout.table(titles, rows, 60, right=(1, 2), names=True))) == [
        "  message       arrived          hops",
        f"  {name}",
        "           111111111111  222222222222",
        "  brief",
        "                      3             4",
    ]
    assert flat(list(layout.table(titles, rows[1:], 60, right=(1, 2), names=True))) == [
        "  message  arrived  hops",
        "  brief          3     4",
    ]


class Row(list[str]):
    """A row that can be watched."""

    __hash__ = object.__hash__  # type: ignore[assignment]  # two of them are two


@pytest.mark.parametrize("width", [80, 30])
def test_rows_of_a_long_table_are_not_kept(width: int) -> None:
    """A list may have hundreds of thousands of lines: what is made of a row is gone when the row is printed."""
    alive: WeakSet[Row] = WeakSet()
    most = 0

    class Rows:
        def __iter__(self) -> Iterator[Row]:
            nonlocal most
            for number in range(20_000):
                alive.add(row := Row(["x" * 20, "y" * 20, str(number)]))
                most = max(most, len(alive))
                yield row

    class Printed(StringIO):
        largest = 0

        def write(self, text: str) -> int:
            self.largest = max(self.largest, len(text))
            return len(text)

    page = Printed()
    console = Console(file=page, width=width, color_system=None, _environ={})
    layout.put(console, layout.table(("one", "two", "three"), Rows(), width))
    assert most < 10
    assert 0 < page.largest < 1_000_000  # characters, of some 1.4 million or more
