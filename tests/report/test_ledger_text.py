"""A ledger at every width: every text of every row comes out whole."""

from hypothesis import given
from hypothesis import strategies as st

from lowpanbudget.bits import Span
from lowpanbudget.cites import Cite
from lowpanbudget.report import ledger_text, view
from lowpanbudget.report.screen import TABLE_FROM, Screen
from lowpanbudget.stack.frame import unread

TEXT = st.lists(st.integers(1, 30), min_size=1, max_size=6)


def words(letter: str, lengths: list[int]) -> str:
    return " ".join(letter * length for length in lengths)


@given(TEXT, TEXT, TEXT, TEXT, st.integers(40, 160))
def test_nothing_is_cut_at_any_width(
    name: list[int], meaning: list[int], cite: list[int], removed: list[int], width: int
) -> None:
    """Each text has a capital letter of its own that stands nowhere else."""
    texts = [words(*pair) for pair in zip("QXZK", (name, meaning, cite, removed), strict=True)]
    span = Span(0, 8, "layer", texts[0], 7, texts[1], Cite(texts[2]), texts[3])
    screen = Screen(width)
    rows, segments = view.rows([span], b"\7"), view.segments([span])
    shown = screen.draw(lambda console: ledger_text.draw(console, screen, rows, segments))
    for letter, text in zip("QXZK", texts, strict=True):
        assert shown.count(letter) == text.count(letter)
    assert all(len(line) <= width for line in shown.splitlines())
    assert ("value and meaning" in shown) == (width >= TABLE_FROM)


def test_a_long_payload_is_shown_whole() -> None:
    octets = bytes(range(100))
    span = Span(0, 800, "payload", "payload", octets, "", None)
    for width in (40, 80, 120, 160):
        screen = Screen(width)
        shown = screen.draw(
            lambda console, screen=screen: ledger_text.draw(  # type: ignore[misc]
                console, screen, view.rows([span], octets), view.segments([span])
            )
        )
        for octet in octets[32:]:
            assert f"{octet:02x}" in shown


def test_what_cannot_be_read_is_a_part_of_its_own() -> None:
    spans = [
        Span(0, 8, "a", "x", 1, "", None),
        unread(8, 8, "a", b"\1"),
        Span(16, 8, "a", "check", b"\2", "", None),
    ]
    assert [run["label"] for run in view.segments(spans)] == ["a", "not decoded (a)", "a (check)"]


def test_a_layer_that_comes_back_names_each_part_once_within_the_width() -> None:
    """Forty addresses of one name, and twelve fields of long names."""
    first, between = Span(0, 8, "a", "x", 1, "", None), Span(8, 8, "b", "y", 1, "", None)
    same = [Span(16 + 8 * at, 8, "a", "pending address", at, "", None) for at in range(40)]
    assert view.segments([first, between, *same])[2]["label"] == "a (pending address)"
    other = [Span(16 + 8 * at, 8, "a", f"address number {at}", at, "", None) for at in range(12)]
    for width in (40, 80, 120):
        screen, spans = Screen(width), [first, between, *other]
        shown = screen.draw(
            lambda console, screen=screen, spans=spans: ledger_text.draw(  # type: ignore[misc]
                console, screen, view.rows(spans), view.segments(spans)
            )
        )
        assert all(len(line) <= width for line in shown.splitlines())
        assert shown.count("number 11") >= 1
