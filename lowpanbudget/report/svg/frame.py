"""Frames as SVG, to scale: the rows and cells that a page has, each cell with its letter and number."""

from collections.abc import Iterable, Mapping, Sequence
from typing import NamedTuple

from lowpanbudget.errors import plural
from lowpanbudget.report.figure import WIDTH as BITS
from lowpanbudget.report.figure import rows_of, runs_of
from lowpanbudget.report.svg import looks
from lowpanbudget.report.svg.document import MARGIN, document, paragraph
from lowpanbudget.report.svg.paper import CHAR, LINE, SMALL_CHAR, WIDTH, Paper, name_of
from lowpanbudget.report.view import Data

_OFFSETS = 36  # units before the cells, for the number of their first octet
_UNIT = (WIDTH - 2 * MARGIN - _OFFSETS) / BITS
_ROW, _FOLD = 34, 24
_LEFT = MARGIN + _OFFSETS
_SWATCH, _GAP = 26, 22


class FramePicture(NamedTuple):
    """A frame to draw: a title, what it says in a sentence, its fields in order."""

    title: str
    says: str
    fields: Sequence[Data]


def frames_svg(
    pictures: Sequence[FramePicture], title: str, caution: str = "", *, within: bool = False
) -> str:
    """Return the text of an SVG file with these frames, one below the other, under one title and over a caution.

    ``within`` a page that has other pictures it has a name of its own.
    """
    told = [
        f"{one.title}\n{one.says}\n{_described(one.fields)}\n{_order(one.fields)}".rstrip()
        for one in pictures
    ]
    described = "\n\n".join([*told, caution])
    paper = Paper(name_of(f"{title}\n{described}") if within else "")
    y = float(MARGIN + LINE)
    paper.text(MARGIN, y, title, "title")
    for picture in pictures:
        y += 2.2 * LINE
        paper.text(MARGIN, y, picture.title, "head")
        y = paragraph(paper, picture.says, MARGIN, y)
        y = _key(paper, picture.fields, y + 1.4 * LINE)
        y = _cells(paper, picture.fields, y + 1.5 * LINE)
        y = _unnamed(paper, picture.fields, y + LINE / 2)
        if order := _order(picture.fields):
            y = paragraph(paper, order, MARGIN, y + 1.2 * LINE)
    y = paragraph(paper, caution, MARGIN, y + LINE) if caution else y
    used = {field["look"] for picture in pictures for field in picture.fields}
    return document(paper, y, title, described, _STYLE, _colours, _hatches(used, paper))


def _cells(paper: Paper, fields: Sequence[Data], y: float) -> float:
    """Draw the rows from a place on; return the y of their end."""
    for bit in range(0, BITS, 8):
        paper.text(_LEFT + bit * _UNIT, y - 5, str(bit), "small faint")
    for row in rows_of(list(fields)):
        high = _FOLD if "fold" in row else _ROW
        paper.text(_LEFT - 8, y + 15, str(row["at"] // 8), "small faint end")
        if "fold" in row:
            paper.fill(_LEFT, y, BITS * _UNIT, high, row["look"], "cell fold")
            says = f"{row['fold']['name']}: {plural(row['bits'] // 8, 'octet')} more"
            paper.text(_LEFT + BITS / 2 * _UNIT, y + 16, says, "small middle halo")
        else:
            for piece in row["pieces"]:
                _cell(paper, piece, y)
        y += high
    return y


def _cell(paper: Paper, piece: Data, y: float) -> None:
    field, x, wide = piece["field"], _LEFT + piece["column"] * _UNIT, piece["bits"] * _UNIT
    paper.fill(x, y, wide, _ROW, piece["look"], "cell", field["name"])
    style = "small soft" if piece["comes"] else "small"
    paper.text(
        x + 4,
        y + 13,
        f"{field['letter']}{field['number']}",
        style if piece["comes"] else "small bold",
    )
    if _has_name(piece):
        paper.text(x + 4, y + 27, field["name"], style)
        after = len(field["name"]) + 2
        if not piece["comes"] and _letters(piece) >= after + len(field["says"]):
            paper.text(x + 4 + after * SMALL_CHAR, y + 27, field["says"], "small soft")


def _letters(piece: Data) -> int:
    return int((piece["bits"] * _UNIT - 6) / SMALL_CHAR)


def _has_name(piece: Data) -> bool:
    return len(piece["field"]["name"]) <= _letters(piece)


def _key(paper: Paper, fields: Sequence[Data], y: float) -> float:
    """Draw the fill, letter, name and size of each run of fields; return the y of the last line."""
    x = float(MARGIN)
    for run in runs_of(list(fields)):
        name = f"{run['label']} {run['size']}"
        wide = _SWATCH + 6 + len(name) * CHAR
        if x > MARGIN and x + wide > WIDTH - MARGIN:
            x, y = float(MARGIN), y + 1.3 * LINE
        paper.fill(x, y - 13, _SWATCH, 17, run["look"], "cell")
        paper.text(x + _SWATCH / 2, y, run["letter"], "small middle bold")
        paper.text(x + _SWATCH + 6, y, name)
        x += wide + _GAP
    return y


def _unnamed(paper: Paper, fields: Sequence[Data], y: float) -> float:
    """Write the names and values of fields whose cells have no space for them; return the y of the last line."""
    named = {
        piece["field"]["number"]
        for row in rows_of(list(fields)) for piece in row.get("pieces", ()) if _has_name(piece)
    }  # fmt: skip
    line, most = "", int((WIDTH - _LEFT - MARGIN) / SMALL_CHAR)
    for field in fields:
        if field["number"] in named:
            continue
        text = f"{field['letter']}{field['number']} {field['name']} {field['says']}".strip()
        if line and len(line) + 3 + len(text) > most:
            y += LINE
            paper.text(_LEFT, y, line, "small")
            line = ""
        line = f"{line}   {text}" if line else text
    if line:
        y += LINE
        paper.text(_LEFT, y, line, "small")
    return y


def _order(fields: Iterable[Data]) -> str:
    """Return in which parts bits are drawn from the least significant one on, where there are some."""
    in_bits = [field for field in fields if field["offset"] % 8 or field["bits"] % 8]
    little = list(dict.fromkeys(field["letter"] for field in in_bits if field["little"]))
    if not little:
        return ""
    where = f"In {' and '.join(little)}"
    others = {field["letter"] for field in in_bits} - set(little)
    told = f"{where} the bits of an octet stand from the least significant one on, as in the standard's figures"
    return f"{told}; elsewhere from the most significant one on." if others else f"{told}."


def _described(fields: Iterable[Data]) -> str:
    return "\n".join(
        f"{field['letter']}{field['number']} {field['label']}, {field['name']}, {field['place']}: {field['words']}."
        for field in fields
    )


_STYLE = """text{white-space:pre;font:12px ui-monospace,'DejaVu Sans Mono',Menlo,Consolas,monospace}
.title{font-size:17px;font-weight:600}.head{font-size:13px;font-weight:600}.small{font-size:11px}.bold{font-weight:700}
.end{text-anchor:end}.middle{text-anchor:middle}.fold{stroke-dasharray:4 3}
"""


def _colours(of: Mapping[str, str]) -> str:
    fills = "".join(f".{name}{{fill:{of[looks.colour_of(name)]}}}" for name in looks.FILLS)
    return (
        f".paper{{fill:{of['paper']}}}text{{fill:{of['ink']}}}.faint{{fill:{of['dim']}}}.soft{{fill:{of['soft']}}}.cell{{stroke:{of['ink']}}}\n"
        f".thread{{fill:{of['thread']}}}.halo{{stroke:{of['paper']};stroke-width:3;paint-order:stroke}}\n{fills}\n"
    )


def _hatches(used: set[str], paper: Paper) -> str:
    """Return a pattern for each fill: its colour, and its threads, the second ones across the first."""
    lines = []
    for name in sorted(used):
        hatches = looks.FILLS[name]
        gap = hatches[0].gap if hatches else 10
        turn = f' patternTransform="rotate({hatches[0].turn})"' if hatches else ""
        threads = "".join(
            f'<rect class="thread" width="{gap}" height="{hatch.width}"/>' if not across
            else f'<rect class="thread" width="{hatch.width}" height="{gap}"/>'
            for across, hatch in enumerate(hatches)
        )  # fmt: skip
        own = paper.id(f"{name}-fill")
        lines.append(
            f'<pattern id="{own}" width="{gap}" height="{gap}" patternUnits="userSpaceOnUse"{turn}>'
            f'<rect class="{name}" width="{gap}" height="{gap}"/>{threads}</pattern>\n'
        )
    return "".join(lines)
