"""SVG: well formed, told in words as well, to scale, inside its edges, light and dark, and nothing in it that acts."""

import re
from itertools import pairwise
from xml.etree import ElementTree as ET

import pytest
from report.test_chart import CURVES, ROWS

from lowpanbudget.report.chart import (
    Chart,
    ChartBlock,
    ChartKind,
    ChartRow,
    Curve,
    CurveChart,
    RowChart,
    Tone,
)
from lowpanbudget.report.svg.document import inline, page_chart_style, page_patterns, svg
from lowpanbudget.report.svg.paper import CHAR

SPACE = "{http://www.w3.org/2000/svg}"
NASTY = '<script>alert(1)</script> "&\x1b[31m\u202e'
CAUTION = "An estimate: measure before you rely on it."
MAY_STAND = {
    "svg", "title", "desc", "style", "defs", "pattern", "rect", "path", "text",
}  # fmt: skip


def tree(*charts: Chart, title: str = "A picture") -> ET.Element:
    return ET.fromstring(svg(charts, title, CAUTION))


def elements(root: ET.Element, name: str) -> list[ET.Element]:
    return list(root.iter(f"{SPACE}{name}"))


def test_it_is_told_in_words() -> None:
    root = tree(ROWS, CURVES)
    assert root.get("role") == "img"
    ids = (root.get("aria-labelledby") or "").split()
    named = {each.get("id"): each.text or "" for each in root if each.get("id")}
    title, told = (named[each] for each in ids)
    assert title == "A picture"
    for text in ("Load by node", "once more 1 frames/s from 3", "at most 1 at 10", CAUTION):
        assert text in told
    shown = " ".join(each.text or "" for each in elements(root, "text"))
    for text in ("root", "4", "frames/s", "what the link can", "95 %", "seconds", CAUTION):
        assert text in shown


def test_nothing_in_it_acts_or_comes_from_elsewhere() -> None:
    evil = ChartKind(NASTY)
    chart = RowChart(
        NASTY, NASTY, NASTY, (ChartRow(NASTY, (ChartBlock(0, 1, evil, NASTY),), NASTY),)
    )
    text = svg([chart], NASTY, NASTY)
    root = ET.fromstring(text)
    assert {each.tag.removeprefix(SPACE) for each in root.iter()} <= MAY_STAND
    for each in root.iter():
        for name, value in each.attrib.items():
            assert not name.startswith("on")
            assert "href" not in name
            assert "url(" not in value or re.fullmatch(r"url\(#[a-z]+-\d\)", value)
    assert "\x1b" not in text
    assert "\u202e" not in text
    assert "@import" not in text
    assert "http" not in text.replace("http://www.w3.org/2000/svg", "")


def test_both_schemes_colour_the_same_things() -> None:
    (style,) = elements(tree(ROWS, CURVES), "style")
    light, dark = (style.text or "").split("@media (prefers-color-scheme:dark){")
    names = re.findall(r"\.([efs]-\w+)\{", dark)
    assert {f"{letter}-{tone.value}" for letter in "efs" for tone in Tone} == set(names)
    assert re.findall(r"\.([efs]-\w+)\{", light) == names
    for scheme in (light, dark):
        paper = re.search(r"\.paper\{fill:(#\w+)", scheme)
        ink = re.search(r"text\{fill:(#\w+)", scheme)
        assert paper is not None
        assert ink is not None
        for tone in ("main", "second", "third", "alarm"):
            colour = re.search(rf"\.f-{tone}\{{fill:(#\w+)", scheme)
            assert colour is not None
            assert contrast(colour[1], paper[1]) >= 3  # WCAG 2.1, 1.4.11: graphical objects
        assert contrast(ink[1], paper[1]) >= 7  # 1.4.6
        faint = re.search(r"\.faint\{fill:(#\w+)", scheme)
        assert faint is not None
        assert contrast(faint[1], paper[1]) >= 4.5  # 1.4.3


def contrast(one: str, other: str) -> float:
    """WCAG 2.1: contrast ratio of two colours, by their relative luminances."""

    def luminance(colour: str) -> float:
        parts = [int(colour[at : at + 2], 16) / 255 for at in (1, 3, 5)]
        linear = [p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts]
        return sum(w * p for w, p in zip((0.2126, 0.7152, 0.0722), linear, strict=True))

    low, high = sorted((luminance(one), luminance(other)))
    return (high + 0.05) / (low + 0.05)


@pytest.mark.parametrize("chart", [ROWS, CURVES], ids=["rows", "curves"])
def test_everything_stands_inside(chart: Chart) -> None:
    root = tree(chart)
    width, height = float(root.get("width") or 0), float(root.get("height") or 0)
    for each in elements(root, "text"):
        x, y = float(each.get("x") or 0), float(each.get("y") or 0)
        long = len(each.text or "") * CHAR
        style = each.get("class") or ""
        left = x - (
            long if "end" in style.split() else long / 2 if "middle" in style.split() else 0
        )
        assert left >= 0
        assert left + long <= width
        assert 0 < y < height


def test_letters_at_the_ends_of_curves_stand_inside_and_apart() -> None:
    """Curves that all end at the top: each letter keeps its own line, and none rises over the picture."""
    kinds = [ChartKind(f"kind {number}") for number in range(5)]
    ends = CurveChart(
        "Ends", "All arrive.", "s", "%", tuple(Curve(kind, ((0, 0), (4, 100))) for kind in kinds), y_end=100
    )  # fmt: skip
    root = ET.fromstring(inline(ends).strip())
    shown = [each for each in root.iter("text") if (each.text or "") in set("ABCDE")]
    heights = sorted(float(each.get("y") or 0) for each in shown)
    assert len(heights) == 5
    assert all(height >= 11 for height in heights)  # as high as the letters themselves are
    assert all(more - less >= 11 for less, more in pairwise(heights))
    words = next(each for each in root.iter("text") if each.text == "%")
    assert float(words.get("y") or 0) >= 10


def test_letters_of_ends_that_do_not_meet_stay_at_them() -> None:
    two = CurveChart(
        "Ends", "Both end at nothing.", "s", "frames",
        (Curve(ChartKind("one"), ((0, 5), (5, 0))), Curve(ChartKind("other"), ((0, 5), (10, 0)))),
    )  # fmt: skip
    root = ET.fromstring(inline(two).strip())
    heights = {each.get("y") for each in root.iter("text") if each.text in ("A", "B")}
    assert len(heights) == 1


def test_blocks_are_to_scale_and_their_kinds_differ_without_colour() -> None:
    blocks = {(each[0].text or ""): each for each in elements(tree(ROWS), "rect") if len(each)}
    wide = {name: float(each.get("width") or 0) for name, each in blocks.items()}
    # widths go to a tenth of a unit
    assert wide["once more"] * 2 == pytest.approx(wide["lost"] * 4, abs=0.05 * 6)
    assert wide["waits"] == pytest.approx(2 * wide["once more"], abs=0.05 * 3)
    fills = [blocks[name].get("fill") for name in ("sent", "once more", "lost", "waits")]
    assert len(set(fills)) == 4
    # kinds of different tones are alike in black and white: their patterns differ as well, but for the thin quiet line
    assert len({(fill or "").split("-")[1] for fill in fills[:3]}) == 3


def test_blocks_in_a_page_have_their_patterns_by_a_rule_for_each() -> None:
    """SVG 1.1 section 11.3: ``fill`` is a property, which a style sheet may set as an attribute does."""
    picture = inline(ROWS)
    root = ET.fromstring(picture.strip())
    shapes = [*root.iter("rect"), *root.iter("path")]  # those of a kind are one path
    used = {name for each in shapes if re.fullmatch(r"\w+-\d+", name := each.get("class") or "")}
    style, patterns = page_chart_style([picture]), ET.fromstring(page_patterns([picture]).strip())
    assert {each.get("id") for each in patterns.iter("pattern")} == used
    for name in used:
        assert f".chart .{name}{{fill:url(#{name});" in style
    assert len(used) == len(ROWS.kinds)
