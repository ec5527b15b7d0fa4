"""``svg``: pictures below each other in one SVG file, which says in words what each of them shows.

Thin rules, octets and numbers in a fixed width, five tones; kinds differ by pattern as well, and each has a letter.
"""

import re
import textwrap
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import replace
from html import escape

from lowpanbudget.report import chart as charts
from lowpanbudget.report.chart import Chart, ChartBlock, ChartKind, ChartRow, RowChart, Tone
from lowpanbudget.report.screen import harmless
from lowpanbudget.report.svg import looks
from lowpanbudget.report.svg.curves import DASHES, curve_style, curves
from lowpanbudget.report.svg.paper import CHAR, LINE, WIDTH, Paper, name_of, scoped
from lowpanbudget.report.svg.rows import rows

Colours = Callable[
    [Mapping[str, str]], str
]  # the rules that give a picture the colours of these names

MARGIN = 24
_KEY_GAP, _SWATCH = 26, 16
_FILL = re.compile(r'<(?:rect|path) class="?(\w+-\d+)\b')
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


def svg(pictures: Sequence[Chart], title: str, caution: str = "", *, within: bool = False) -> str:
    """Return the text of an SVG file with these pictures, one below the other, under one title and over a caution.

    ``within`` a page that has other pictures it has a name of its own.
    """
    told = [f"{one.title}\n{charts.described(one)}" for one in pictures]
    described = "\n\n".join([*told, caution] if caution else told)
    paper = Paper(name_of(f"{title}\n{described}") if within else "")
    fills: dict[ChartKind, str] = {}
    y = float(MARGIN + LINE)
    paper.text(MARGIN, y, title, "title")
    for picture in pictures:
        y += 2.5 * LINE
        paper.text(MARGIN, y, picture.title, "head")
        y = paragraph(paper, picture.says, MARGIN, y)
        named = _named(picture)
        fills |= named
        y = _draw(paper, picture, named, MARGIN, y + LINE / 2)
    y = paragraph(paper, caution, MARGIN, y + LINE) if caution else y
    return document(paper, y, title, described, _style(), _colours, _defs(fills.values(), paper))


def paragraph(paper: Paper, text: str, x: float, y: float) -> float:
    """Put a text below a line, in lines as long as a picture is wide; return the y of the last."""
    for line in textwrap.wrap(text, int((WIDTH - x - MARGIN) / CHAR)):
        y += LINE
        paper.text(x, y, line, "faint")
    return y


def document(
    paper: Paper, y: float, title: str, described: str, style: str, colours: Colours, defs: str
) -> str:
    """Return what is on a paper down to y as the text of an SVG file, with what it shows in words."""
    height = round(y + MARGIN)
    own = f'id="{paper.name}" ' if paper.name else ""
    fitted = f"#{paper.name}{{display:block;max-width:100%;height:auto}}\n" if paper.name else ""
    rules = paper.scoped(f"{style}{colours(looks.LIGHT)}")
    dark = f"@media (prefers-color-scheme:dark){{\n{paper.scoped(colours(looks.DARK))}}}\n"
    titled, told = paper.id("title"), paper.id("desc")
    return (
        f'<svg {own}xmlns="http://www.w3.org/2000/svg" width="{WIDTH}" height="{height}" '
        f'viewBox="0 0 {WIDTH} {height}" role="img" aria-labelledby="{titled} {told}">\n'
        f'<title id="{titled}">{_safe(title)}</title>\n<desc id="{told}">{_safe(described)}</desc>\n'
        f"<style>\n{fitted}{rules}{dark}</style>\n<defs>\n{defs}</defs>\n"
        f'<rect class="paper" width="{WIDTH}" height="{height}"/>\n{paper.content}</svg>\n'
    )


def inline(picture: Chart) -> str:
    """Return a picture as an element of a page, which has ``page_chart_style`` and ``page_patterns`` for all of them.

    Blocks of one kind that touch are one block: a page has a table with the numbers.
    """
    paper = Paper(terse=True)
    if isinstance(picture, RowChart):
        picture = replace(picture, rows=tuple(map(_joined, picture.rows)))
    height = round(_draw(paper, picture, _named(picture), 0.0, 0.0, WIDTH) + LINE / 2)
    return (
        f'<svg class="chart" viewBox="0 0 {WIDTH} {height}" role="img" '
        f'aria-label="{_safe(f"{picture.title}: {picture.says}")}">\n{paper.content}</svg>\n'
    )


def page_patterns(pictures: Iterable[str]) -> str:
    """Return an element that draws nothing and has the patterns of these pictures of a page, from ``inline``."""
    return f'<svg class="chart patterns" aria-hidden="true"><defs>\n{_defs(_used(pictures), Paper())}</defs></svg>\n'


def _used(pictures: Iterable[str]) -> set[str]:
    return {name for picture in pictures for name in _FILL.findall(picture)}


def _joined(row: ChartRow) -> ChartRow:
    blocks = tuple(ChartBlock(start, end, kind) for kind, start, end in charts.runs(row.blocks))
    return replace(row, blocks=blocks)


def page_chart_style(pictures: Iterable[str]) -> str:
    """Return the style of these pictures of a page, from ``inline``; colours are variables there."""
    of = {name: f"var(--{name})" for name in looks.LIGHT}
    blocks = (
        f".{name}{{fill:url(#{name});stroke:{of[name.split('-')[0]]};stroke-width:.75}}"
        for name in sorted(_used(pictures))
    )
    texts = f".small text{{font-size:11px}}.faint text{{fill:{of['dim']}}}"
    return scoped(f"{_style()}{_colours(of)}{texts}{''.join(blocks)}", ".chart")


def _draw(
    paper: Paper, picture: Chart, fills: dict[ChartKind, str], x: float, y: float, width: float = WIDTH - 2 * MARGIN
) -> float:  # fmt: skip
    """Draw a picture and its key from a place on; return the y of the last line."""
    if isinstance(picture, RowChart):
        y = rows(paper, picture, fills, x, y, width)
    else:
        y = curves(paper, picture, x, y, width)
    return _key(paper, picture, fills, x, y + LINE)


def _safe(text: str) -> str:
    return escape("\n".join(harmless(line) for line in text.split("\n")))


def _named(picture: Chart) -> dict[ChartKind, str]:
    """Return the id of the pattern of each kind; all get patterns in turn, as tones are alike in black and white.

    What is quiet is a thin line, and needs none.
    """
    loud = [kind for kind in picture.kinds if kind.tone is not Tone.QUIET]
    turns = {kind: turn % len(_PATTERNS) for turn, kind in enumerate(loud)}
    return {kind: f"{kind.tone.value}-{turns.get(kind, 0)}" for kind in picture.kinds}


def _defs(fills: Iterable[str], paper: Paper) -> str:
    lines = []
    for name in sorted(set(fills)):
        tone, turn = name.split("-")
        path = _PATTERNS[int(turn)]
        inner = f'<rect class="f-{tone}" width="6" height="6"/>'
        if path:
            inner = f'<rect class="paper" width="6" height="6"/><path class="s-{tone}" d="{path}"/>'
        lines.append(
            f'<pattern id="{paper.id(name)}" width="6" height="6" patternUnits="userSpaceOnUse">{inner}</pattern>\n'
        )
    return "".join(lines)


def _style() -> str:
    """Return the style of a picture, but for its colours."""
    lines = [
        "text{white-space:pre;font:12px ui-monospace,'DejaVu Sans Mono',Menlo,Consolas,monospace}",
        ".title{font-size:17px;font-weight:600}.head{font-size:13px;font-weight:600}.small{font-size:11px}",
        ".end{text-anchor:end}.middle{text-anchor:middle}.curve{fill:none;stroke-width:1.75}",
        ".rule{fill:none;stroke-width:.75}.tick{fill:none;stroke-width:.75}",
        ".mark{fill:none;stroke-width:1;stroke-dasharray:3 3}",
        *(f".d{turn}{{stroke-dasharray:{dash}}}" for turn, dash in enumerate(DASHES)),
    ]
    return "\n".join(lines) + "\n"


def _colours(of: Mapping[str, str]) -> str:
    lines = [
        f".paper{{fill:{of['paper']}}}text{{fill:{of['ink']}}}.faint{{fill:{of['dim']}}}",
        f".rule{{stroke:{of['rule']}}}.tick{{stroke:{of['rule']}}}.mark{{stroke:{of['ink']}}}",
        f".halo{{stroke:{of['paper']};stroke-width:3;paint-order:stroke;stroke-linejoin:round}}",
        *(
            f".f-{tone}{{fill:{of[tone]}}}.e-{tone}{{stroke:{of[tone]};stroke-width:.75}}"
            f".s-{tone}{{fill:none;stroke:{of[tone]};stroke-width:1.5}}"
            for tone in _TONES
        ),
    ]
    return "\n".join(lines) + "\n"


def _key(paper: Paper, picture: Chart, fills: dict[ChartKind, str], left: float, y: float) -> float:
    """Draw letter, pattern or line, and name of each kind; return the y of the last line."""
    x = left
    for index, kind in enumerate(picture.kinds):
        name = f"{charts.letter(index)}  {kind.name}"
        wide = _SWATCH + 6 + len(name) * CHAR
        if x > left and x + wide > WIDTH - MARGIN:
            x, y = left, y + LINE
        if isinstance(picture, RowChart):
            paper.rect(x, y - 10, _SWATCH, 11, fills[kind], kind.tone)
        else:
            paper.line(x, y - 4, x + _SWATCH, y - 4, curve_style(index, kind))
        paper.text(x + _SWATCH + 6, y, name)
        x += wide + _KEY_GAP
    return y
