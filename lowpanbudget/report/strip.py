"""A frame drawn to scale as one bar: a ruler of offsets above, a key of its parts beneath.

    0        9 11    17           30
    █████████▒▒▀▀▀▀▀▀░░░░░░░░░░░░░██
    █ link 9  ▒ network 2  ▀ transport 6  ░ payload 13  █ link (check) 2

Each part has its own fill besides its colour, so the bar reads in black and white and in plain ASCII.
"""

from collections.abc import Sequence

from rich.console import Console
from rich.text import Text

from lowpanbudget.bits import Nature
from lowpanbudget.errors import plural
from lowpanbudget.layers.labels import PLACES, place_of
from lowpanbudget.report.screen import Screen
from lowpanbudget.values import dataclass

COLOURS = ("cyan", "yellow", "magenta", "green", "blue", "bright_black")
_MARGIN = 1
_MOST_CELLS = 4  # cells a unit at most: a frame of few octets needs no whole line


@dataclass(frozen=True, slots=True)
class Part:
    """A piece of the bar: ``size`` in its unit, ``kind`` chooses the fill, ``label`` stands in the key.

    What is no header has its nature for a kind; headers have any text, and those of one text are filled alike.
    """

    kind: str | Nature
    label: str
    size: int


@dataclass(frozen=True, slots=True)
class Fill:
    """How a part looks: one character and a colour."""

    char: str
    style: str


def fills(kinds: Sequence[str | Nature], screen: Screen) -> dict[str | Nature, Fill]:
    """Return the look of each kind: of a header that has a place of its own that one, of others the next in turn."""
    glyphs = screen.glyphs
    unread = Fill(glyphs.unread, "red")
    fixed = {
        Nature.PAYLOAD: Fill(glyphs.payload, ""),
        Nature.PADDING: Fill(glyphs.free, "dim"),
        Nature.UNREAD: unread,
        Nature.SEALED: unread,
    }
    chars = glyphs.fills + glyphs.more_fills
    headers = [kind for kind in dict.fromkeys(kinds) if not isinstance(kind, Nature)]
    taken: dict[str | Nature, int] = {}
    for kind in sorted(headers, key=lambda kind: PLACES.get(kind, len(chars)) >= len(chars)):
        taken[kind] = place_of(kind, taken.values(), len(chars))
    return {
        kind: fixed[kind] if isinstance(kind, Nature) else _fill(chars, taken[kind])
        for kind in dict.fromkeys(kinds)
    }


def _fill(chars: str, place: int) -> Fill:
    return Fill(chars[place], COLOURS[(place + place // len(COLOURS)) % len(COLOURS)])


def cells(sizes: Sequence[int], width: int) -> list[int]:
    """Return how many cells each size gets of ``width``: to scale, and one at least.

    Where a whole number of cells a unit fits, the scale is exact; else shares are rounded so that they add up.
    """
    total = sum(sizes)
    if total == 0:
        return []
    each = min(width // total, _MOST_CELLS)
    if each:
        return [size * each for size in sizes]
    shares = [size * width / total for size in sizes]
    counts = [max(1, int(share)) for share in shares]
    by_need = sorted(range(len(sizes)), key=lambda at: counts[at] - shares[at])
    for at in by_need[: max(0, width - sum(counts))]:
        counts[at] += 1
    while sum(counts) > width and max(counts) > 1:  # the ones below a cell took from the largest
        counts[counts.index(max(counts))] -= 1
    return counts


def draw(console: Console, screen: Screen, parts: Sequence[Part], unit: str = "octet") -> None:
    """Print ruler, bar and key of the parts."""
    shown = [part for part in parts if part.size > 0]
    if not shown:
        return
    looks = fills([part.kind for part in shown], screen)
    widths = cells([part.size for part in shown], console.width - 2 * _MARGIN)
    indent = " " * _MARGIN
    bar = Text(indent)
    for part, width in zip(shown, widths, strict=True):
        look = looks[part.kind]
        bar.append(look.char * width, look.style)
    console.print(Text(indent + _ruler(shown, widths), "dim"), no_wrap=True, crop=False)
    console.print(bar, no_wrap=True, crop=False)
    console.print(_key(screen, shown, looks, console.width - 2 * _MARGIN, unit))


def _ruler(parts: Sequence[Part], widths: Sequence[int]) -> str:
    """Return the offsets at which parts start, and the total at the end, where they do not run into each other."""
    total = str(sum(part.size for part in parts))
    end = max(sum(widths) - len(total), 0)
    line = ""
    column = at = 0
    for part, width in zip(parts, widths, strict=True):
        mark = str(at)
        if len(line) <= column and (not line or column + len(mark) < end):
            line = line.ljust(column) + mark + " "
        column, at = column + width, at + part.size
    return line.ljust(end) + total


def _key(
    screen: Screen, parts: Sequence[Part], looks: dict[str | Nature, Fill], width: int, unit: str
) -> Text:
    """Return fill, label and size of each part, broken between parts when the line is full."""
    key = Text()
    column = 0
    for index, part in enumerate(parts):
        look = looks[part.kind]
        count = f"{part.size}" if index else plural(part.size, unit)
        label = f" {screen.text(part.label)} {count}"
        if column and column + len(label) + 4 > width:
            key.append("\n")
            column = 0
        key.append("   " if column else " " * _MARGIN)
        key.append(look.char, look.style)
        key.append(label)
        column += len(label) + 4
    return key
