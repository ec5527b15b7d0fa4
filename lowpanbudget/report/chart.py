"""A picture as plain data: rows of blocks on one axis, or curves. Two writers draw it: ``chart_text`` and ``svg``.

Nothing here is a colour or a character: a kind has a tone, and each writer gives kinds patterns that tell them apart
without colour, and a letter.
"""

from collections.abc import Iterable, Iterator
from enum import Enum
from math import floor, log10
from typing import NamedTuple

from lowpanbudget.values import dataclass

_STEPS = (1, 2, 5, 10)


class Tone(Enum):
    """What a kind of block or a curve stands for in the eye of the reader."""

    QUIET = "quiet"  # nothing happens, or what is only context
    MAIN = "main"
    SECOND = "second"
    THIRD = "third"
    ALARM = "alarm"  # what is lost, or over a limit


class ChartKind(NamedTuple):
    """What blocks or a curve are of: the name in the key."""

    name: str
    tone: Tone = Tone.MAIN


class ChartBlock(NamedTuple):
    """A block of a row from ``start`` to ``end`` on the axis; ``label`` says what it is, beside its kind."""

    start: float
    end: float
    kind: ChartKind
    label: str = ""


class ChartMark(NamedTuple):
    """A place on the axis that is marked through all rows, such as a limit."""

    at: float
    label: str


@dataclass(frozen=True, slots=True)
class ChartRow:
    """A row: what stands before it, its blocks from left to right, what stands behind it.

    ``span`` is where the end of the last block may lie, from the least to the most. ``named``: the labels of blocks
    are written above them, where a picture has space.
    """

    label: str
    blocks: tuple[ChartBlock, ...]
    value: str = ""
    span: tuple[float, float] | None = None
    named: bool = False


@dataclass(frozen=True, slots=True)
class RowChart:
    """Rows of blocks on one axis that begins at 0; ``unit`` is that of the axis, ``says`` the picture in words."""

    title: str
    says: str
    unit: str
    rows: tuple[ChartRow, ...]
    marks: tuple[ChartMark, ...] = ()

    @property
    def kinds(self) -> tuple[ChartKind, ...]:
        """Return the kinds in the order in which they first appear."""
        return tuple(dict.fromkeys(block.kind for row in self.rows for block in row.blocks))

    @property
    def end(self) -> float:
        """Return where the axis must end for all that is on it."""
        ends = [block.end for row in self.rows for block in row.blocks]
        spans = [row.span[1] for row in self.rows if row.span is not None]
        return max([*ends, *spans, *(mark.at for mark in self.marks)], default=0.0) or 1.0


class Curve(NamedTuple):
    """A curve: its kind, and its points by rising x; ``steps``: a value holds until the next point."""

    kind: ChartKind
    points: tuple[tuple[float, float], ...]
    steps: bool = False


@dataclass(frozen=True, slots=True)
class CurveChart:
    """Curves over one axis; both axes begin at 0. ``marks`` stand on the x axis, ``levels`` on the y axis."""

    title: str
    says: str
    x_title: str
    y_title: str
    curves: tuple[Curve, ...]
    marks: tuple[ChartMark, ...] = ()
    levels: tuple[ChartMark, ...] = ()
    y_end: float | None = None

    @property
    def kinds(self) -> tuple[ChartKind, ...]:
        """Return the kinds of the curves."""
        return tuple(dict.fromkeys(curve.kind for curve in self.curves))

    @property
    def ends(self) -> tuple[float, float]:
        """Return where the two axes must end for all that is on them."""
        across = [x for curve in self.curves for x, _ in curve.points]
        up = [y for curve in self.curves for _, y in curve.points]
        right = max([*across, *(mark.at for mark in self.marks)], default=0.0) or 1.0
        top = max([*up, *(level.at for level in self.levels)], default=0.0) or 1.0
        return right, self.y_end or top


Chart = RowChart | CurveChart


def letter(index: int) -> str:
    """Return the letter of the kind of this number: A to Z, then from A again."""
    return chr(ord("A") + index % 26)


def ticks(end: float, most: int) -> list[float]:
    """Return round numbers from 0 to ``end``, at most ``most`` beside 0, in steps of 1, 2 or 5 of some ten's power."""
    rough = end / max(most, 1)
    power = 10.0 ** floor(log10(rough))
    # the rounding of a quotient is no reason for a longer step
    step = next(unit * power for unit in _STEPS if unit * power >= rough * (1 - 1e-9))
    return [index * step for index in range(floor(end / step * (1 + 1e-9)) + 1)]


def number(value: float) -> str:
    """Return a number as people write it: three digits that count at least, and no power of ten."""
    if value == 0:
        return "0"
    digits = max(0, 2 - floor(log10(abs(value))))
    text = f"{value:.{digits}f}"
    return text.rstrip("0").rstrip(".") if digits else text


def described(chart: Chart) -> str:
    """Return a picture in words: what it says, then every row or curve with its values."""
    return "\n".join([chart.says, *_sentences(chart)])


def _sentences(chart: Chart) -> Iterator[str]:
    if isinstance(chart, RowChart):
        for row in chart.rows:
            parts = ", ".join(_block_text(row.blocks, chart.unit))
            value = f" ({row.value})" if row.value else ""
            yield f"{row.label}{value}: {parts or 'nothing'}."
    else:
        for curve in chart.curves:
            yield f"{curve.kind.name}: {_ends_text(curve)}."
    for mark in chart.marks:
        yield f"Marked at {number(mark.at)}: {mark.label}."


def _block_text(blocks: Iterable[ChartBlock], unit: str) -> Iterator[str]:
    for block in blocks:
        name = block.label or block.kind.name
        yield f"{name} {number(block.end - block.start)} {unit} from {number(block.start)}"


def _ends_text(curve: Curve) -> str:
    if not curve.points:
        return "no points"
    (first_x, first_y), (last_x, last_y) = curve.points[0], curve.points[-1]
    top_x, top_y = max(curve.points, key=lambda point: point[1])
    return (
        f"from {number(first_y)} at {number(first_x)} to {number(last_y)} at {number(last_x)}, "
        f"at most {number(top_y)} at {number(top_x)}"
    )


def runs(blocks: Iterable[ChartBlock]) -> Iterator[tuple[ChartKind, float, float]]:
    """Yield kind, start and end of blocks of one kind that touch each other."""
    run: tuple[ChartKind, float, float] | None = None
    for block in blocks:
        if (
            run is not None
            and run[0] == block.kind
            and abs(run[2] - block.start) < 1e-9 * block.end
        ):
            run = (run[0], run[1], block.end)
            continue
        if run is not None:
            yield run
        run = (block.kind, block.start, block.end)
    if run is not None:
        yield run


def cells_of(start: float, end: float, whole: float, width: int) -> tuple[int, int]:
    """Return the columns that a block covers of ``width`` for ``whole``, from and to; one at least where it is any."""
    first = min(round(start / whole * width), width - 1)
    return first, first if end <= start else min(max(round(end / whole * width), first + 1), width)
