"""The bar is to scale: what a larger part gets is never less, nothing vanishes, the sum is the line."""

from itertools import pairwise

from hypothesis import given
from hypothesis import strategies as st

from lowpanbudget.bits import Nature
from lowpanbudget.layers.labels import PLACES, place_of
from lowpanbudget.report import strip
from lowpanbudget.report.screen import Screen
from lowpanbudget.report.strip import Part
from lowpanbudget.report.svg.looks import FILLS, LOOKS

PARTS = [Part("link", "link", 9), Part("network", "network", 4), Part("payload", "payload", 13)]


def drawn(parts: list[Part], width: int = 80, encoding: str = "utf-8") -> list[str]:
    screen = Screen(width, encoding=encoding)
    return screen.draw(lambda console: strip.draw(console, screen, parts)).splitlines()


@given(st.lists(st.integers(1, 2000), min_size=1, max_size=30), st.integers(38, 158))
def test_cells_are_to_scale(sizes: list[int], width: int) -> None:
    given_cells = strip.cells(sizes, width)
    assert all(count >= 1 for count in given_cells)
    assert sum(given_cells) <= width
    total = sum(sizes)
    if total <= width:
        each = given_cells[0] // sizes[0]
        assert given_cells == [size * each for size in sizes]
    else:
        assert sum(given_cells) == width
        small = sum(1 for size in sizes if size * width < total)
        for size, count in zip(sizes, given_cells, strict=True):
            # a part is off by the rounding, and by what parts below a cell took
            assert abs(count - size * width / total) <= 1 + small


def test_ruler_bar_and_key() -> None:
    ruler, bar, key = drawn(PARTS)
    assert ruler.split() == ["0", "9", "13", "26"]
    cells = len(bar.strip())
    assert cells % 26 == 0
    kinds = [bar.strip()[at * cells // 26] for at in (0, 9, 13)]
    assert len(set(kinds)) == 3
    assert bar.count(kinds[0]) * 26 == cells * 9
    assert key.split("   ") == [
        f" {kinds[0]} link 9 octets",
        f"{kinds[1]} network 4",
        f"{kinds[2]} payload 13",
    ]


def test_ascii_where_the_encoding_has_no_blocks() -> None:
    for encoding in ("ascii", "latin-1", "no-such-encoding"):
        assert "\n".join(drawn(PARTS, encoding=encoding)).isascii()


def test_a_header_is_drawn_as_one_whatever_it_is_called() -> None:
    for nature in Nature:
        header = Part(nature.value, "", 3)
        looks = strip.fills(
            [header.kind, *(kind for kind in Nature if kind is not Nature.HEADER)], Screen()
        )
        drawn_alike = [kind for kind, look in looks.items() if look == looks[header.kind]]
        assert drawn_alike == [header.kind]


def test_neighbours_never_look_alike() -> None:
    """In black and white only the fill tells two parts apart."""
    parts = [Part(str(number), str(number), 3) for number in range(20)]
    looks = strip.fills([part.kind for part in parts], Screen())
    fills = [looks[part.kind].char for part in parts]
    assert all(a != b for a, b in pairwise(fills))


def test_an_empty_frame_draws_nothing() -> None:
    assert drawn([]) == []
    assert drawn([Part("a", "a", 0)]) == []


@given(st.lists(st.integers(1, 500), min_size=1, max_size=25), st.integers(40, 160))
def test_no_line_is_longer_than_the_screen(sizes: list[int], width: int) -> None:
    parts = [Part(str(at), f"part {at}", size) for at, size in enumerate(sizes)]
    assert max(map(len, drawn(parts, width))) <= width


def test_a_header_looks_alike_in_every_bar_and_never_as_another_does() -> None:
    """Where neither colour nor letters tell them apart the characters do; what comes first in a bar changes nothing."""
    usual = list(PLACES)[:14]
    together = strip.fills([*reversed(usual), Nature.PAYLOAD], Screen())
    for kind in usual:
        assert together[kind] == strip.fills([kind], Screen())[kind]
    natures = [kind for kind in Nature if kind is not Nature.HEADER]
    for encoding in ("utf-8", "ascii"):
        looks = strip.fills([*usual, *natures], Screen(encoding=encoding))
        drawn = {look.char for kind, look in looks.items() if kind in PLACES}
        assert len(drawn) == len(usual)
        assert not drawn & {look.char for kind, look in looks.items() if isinstance(kind, Nature)}


def test_pictures_have_a_look_and_a_letter_of_its_own_for_each_header() -> None:
    assert sorted(PLACES.values()) == list(range(len(PLACES)))
    assert len(PLACES) < LOOKS <= 26  # letters; what has no place of its own takes one behind them
    assert len(set(FILLS.values())) == len(FILLS)  # hatches alone, as in print
    taken: list[int] = []
    for layer in ("a header without a place", "another", *PLACES):
        taken.append(place_of(layer, taken, LOOKS))
    assert taken[2:] == list(PLACES.values())
    assert len(set(taken)) == len(taken)
