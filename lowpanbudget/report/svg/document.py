"""``svg``: pictures below each other in one SVG file, which says in words what each of them shows.

Thin rules, octets and numbers in a fixed width, five tones; kinds of one tone differ by pattern, and each has a letter.
"""

import textwrap
from collections.abc import Sequence
from html import escape

from lowpanbudget.report import chart as charts
from lowpanbudget.report.chart import Chart, ChartKind, RowChart, Tone
from lowpanbudget.report.screen import harmless
from lowpanbudget.report.svg.curves import DASHES, curve_style, curves
from lowpanbudget.report.svg.paper import CHAR, LINE, WIDTH, Paper
from lowpanbudget.report.svg.rows import rows

_MARGIN = 24
_KEY_GAP, _SWATCH = 26, 16
_LIGHT = {
    "paper": "#fbfaf7", "ink": "#22211f", "faint": "#6b6862", "rule": "#c9c5bb", "quiet": "#c4bfb3",
    "main": "#0f6b6f", "second": "#a8740f", "third": "#7a4b8c", "alarm": "#b23a24",
}  # fmt: skip
_DARK = {
    "paper": "#181a1b", "ink": "#e9e6df", "faint": "#a29e95", "rule": "#45464a", "quiet": "#5b5e63",
    "main": "#55b8b4", "second": "#d9a441", "third": "#b78bcb", "alarm": "#e8765c",
}  # fmt: skip
_TONES = [tone.value for tone in Tone]
# what fills a tile of 6 units in each pattern: a path to stroke, none for a solid tile
_PATTERNS = (
    "",
    "M-1 7 7 -1M-1 1 1 -1M5 7 7 5",
    "M0 3H6",
    "M3 0V6",
    "M2 3H4",
    "M-1 -1 7 7M-1 7 7 -1",
)


def svg(pictures: Sequence[Chart], title: str, caution: str = "") -> str:
    """Return the text of an SVG file with these pictures, one below the other, under one title and over a caution."""
    paper = Paper()
    looks: dict[ChartKind, str] = {}
    y = float(_MARGIN + LINE)
    paper.text(_MARGIN, y, title, "title")
    for picture in pictures:
        named = _named(picture)
        looks |= named
        y += 2.5 * LINE
        paper.text(_MARGIN, y, picture.title, "head")
        for line in textwrap.wrap(picture.says, int((WIDTH - 2 * _MARGIN) / CHAR)):
            y += LINE
            paper.text(_MARGIN, y, line, "faint")
        y += LINE / 2
        if isinstance(picture, RowChart):
            y = rows(paper, picture, named, _MARGIN, y, WIDTH - 2 * _MARGIN)
        else:
            y = curves(paper, picture, _MARGIN, y, WIDTH - 2 * _MARGIN)
        y = _key(paper, picture, named, y + LINE)
    y += LINE if caution else 0
    for line in textwrap.wrap(caution, int((WIDTH - 2 * _MARGIN) / CHAR)):
        y += LINE
        paper.text(_MARGIN, y, line, "faint")
    height = round(y + _MARGIN)
    told = [f"{one.title}\n{charts.described(one)}" for one in pictures]
    described = "\n\n".join([*told, caution] if caution else told)
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{WIDTH}" height="{height}" '
        f'viewBox="0 0 {WIDTH} {height}" role="img" aria-labelledby="title desc">\n'
        f'<title id="title">{_safe(title)}</title>\n<desc id="desc">{_safe(described)}</desc>\n'
        f"<style>\n{_style()}</style>\n<defs>\n{_defs(looks)}</defs>\n"
        f'<rect class="paper" width="{WIDTH}" height="{height}"/>\n{paper.content}</svg>\n'
    )


def _safe(text: str) -> str:
    return escape("\n".join(harmless(line) for line in text.split("\n")))


def _named(picture: Chart) -> dict[ChartKind, str]:
    """Return the id of the pattern of each kind; kinds of one tone get patterns in turn."""
    turns = dict.fromkeys(Tone, 0)
    found = {}
    for kind in picture.kinds:
        found[kind] = f"{kind.tone.value}-{turns[kind.tone] % len(_PATTERNS)}"
        turns[kind.tone] += 1
    return found


def _defs(looks: dict[ChartKind, str]) -> str:
    lines = []
    for name in sorted(set(looks.values())):
        tone, turn = name.split("-")
        path = _PATTERNS[int(turn)]
        inner = f'<rect class="f-{tone}" width="6" height="6"/>'
        if path:
            inner = f'<rect class="paper" width="6" height="6"/><path class="s-{tone}" d="{path}"/>'
        lines.append(
            f'<pattern id="{name}" width="6" height="6" patternUnits="userSpaceOnUse">{inner}</pattern>\n'
        )
    return "".join(lines)


def _style() -> str:
    """Return the style sheet: light by default, dark where the reader prefers that."""
    lines = [
        "text{white-space:pre;font:12px ui-monospace,'DejaVu Sans Mono',Menlo,Consolas,monospace}",
        ".title{font-size:17px;font-weight:600}.head{font-size:13px;font-weight:600}.small{font-size:11px}",
        ".end{text-anchor:end}.middle{text-anchor:middle}.curve{fill:none;stroke-width:1.75}",
        ".rule,.tick{fill:none;stroke-width:.75}.mark{fill:none;stroke-width:1;stroke-dasharray:3 3}",
        *(f".d{turn}{{stroke-dasharray:{dash}}}" for turn, dash in enumerate(DASHES)),
        *_colours(_LIGHT),
        "@media (prefers-color-scheme:dark){",
        *_colours(_DARK),
        "}",
    ]
    return "\n".join(lines) + "\n"


def _colours(of: dict[str, str]) -> list[str]:
    return [
        f".paper{{fill:{of['paper']}}}text{{fill:{of['ink']}}}.faint{{fill:{of['faint']}}}",
        f".rule,.tick{{stroke:{of['rule']}}}.mark{{stroke:{of['ink']}}}",
        f".halo{{stroke:{of['paper']};stroke-width:3;paint-order:stroke;stroke-linejoin:round}}",
        *(
            f".f-{tone}{{fill:{of[tone]}}}.e-{tone}{{stroke:{of[tone]};stroke-width:.75}}"
            f".s-{tone}{{fill:none;stroke:{of[tone]};stroke-width:1.5}}"
            for tone in _TONES
        ),
    ]


def _key(paper: Paper, picture: Chart, looks: dict[ChartKind, str], y: float) -> float:
    """Draw letter, pattern or line, and name of each kind; return the y of the last line."""
    x = float(_MARGIN)
    for index, kind in enumerate(picture.kinds):
        name = f"{charts.letter(index)}  {kind.name}"
        wide = _SWATCH + 6 + len(name) * CHAR
        if x > _MARGIN and x + wide > WIDTH - _MARGIN:
            x, y = float(_MARGIN), y + LINE
        if isinstance(picture, RowChart):
            paper.rect(x, y - 10, _SWATCH, 11, looks[kind], kind.tone)
        else:
            paper.line(x, y - 4, x + _SWATCH, y - 4, curve_style(index, kind))
        paper.text(x + _SWATCH + 6, y, name)
        x += wide + _KEY_GAP
    return y
