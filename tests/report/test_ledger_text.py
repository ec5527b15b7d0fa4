"""A ledger at every width: every text of every row comes out whole."""

from hypothesis import given
from hypothesis import strategies as st

from lowpanbudget import decode_frame
from lowpanbudget.bits import Span
from lowpanbudget.cites import Cite, rfc
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


def narrow(spans: list[Span], octets: bytes) -> list[str]:
    screen = Screen(80)
    shown = screen.draw(
        lambda console: ledger_text.draw(
            console, screen, view.rows(spans, octets), view.segments(spans)
        )
    )
    return shown.splitlines()


def test_what_is_told_is_not_told_again() -> None:
    """The clause of a bit where the entry before it has the same; of a header that comes again all but its value."""
    cite, other = Cite("rules of a store", "7"), Cite("rules of a store", "8")
    bits = [Span(0, 1, "a", "one", 1, "", cite), Span(1, 1, "a", "two", 0, "no", cite)]
    bits += [Span(2, 1, "a", "three", 1, "", other), Span(3, 5, "a", "rest", 9, "", other)]
    links = [Span(8, 8, "b", "slot", 4, "", cite), Span(16, 8, "c", "end", 0, "", cite)]
    links += [Span(24, 8, "b", "slot", 5, "", cite)]
    lines = narrow(bits + links, bytes([0xA9, 4, 0, 5]))
    assert sum("rules of a store" in line for line in lines) == 5
    (two,) = (line for line in lines if "two = 0: no" in line)
    assert "rules" not in lines[lines.index(two) + 1]
    assert lines[-1].split() == ["octet", "3", "slot", "=", "5,", "sent", "05"]
    assert "next b  1 octet" in lines[-2]


def test_only_a_datagram_in_a_datagram_is_the_inner_one() -> None:
    """RFC 6282 section 5 is about the first field of its header; elements and links stand beside each other."""
    for cite, label in ((rfc(6282, "5"), "inner a"), (Cite("rules of a store"), "next a")):
        spans = [Span(8 * at, 8, "aba"[at], "x", 1, "", cite) for at in range(3)]
        assert [run["label"] for run in view.segments(spans)] == ["a", "b", label]


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


def test_bits_that_are_counted_from_the_other_end_are_not_written_as_sent() -> None:
    """IEEE 802.15.4 sends the least significant bit first: of frame type 1 the one, then two zeros."""
    frame = decode_frame(bytes.fromhex("619807412c310004017cf7013ff3345c531207d50b3a0a88"))
    rows, runs = view.rows(frame.spans, bytes(24)), view.segments(frame.spans)
    told = Screen(80).draw(lambda console: ledger_text.draw(console, Screen(80), rows, runs))
    assert "MAC  9 octets, bits counted from the least significant one" in told
    assert "binary 001, 3 bits" in told
    assert "sent 011, 3 bits, RFC 6282" in told  # the dispatch of IPHC
