"""How pictures and pages look: colours for light and dark, and hatches that tell fills apart without colour."""

from collections.abc import Collection
from typing import NamedTuple

# dim text stands on paper, soft text on fills
LIGHT = {
    "paper": "#fdfdfb", "ink": "#1b1d21", "dim": "#55595f", "soft": "#3a3e44", "rule": "#b9bcc0",
    "mark": "#0b5394", "bad": "#8f1d14",
    "k0": "#dde7f0", "k1": "#f2e4c9", "k2": "#e3dcee", "k3": "#d9ecd9", "k4": "#f5dbd6", "k5": "#d8ecec",
    "k6": "#ebe6da", "k7": "#e6e3f5", "thread": "rgba(27, 29, 33, .16)",
    "quiet": "#c4bfb3", "main": "#0f6b6f", "second": "#a8740f", "third": "#7a4b8c", "alarm": "#b23a24",
}  # fmt: skip
DARK = {
    "paper": "#16181b", "ink": "#e9e9e6", "dim": "#aeb1b5", "soft": "#d3d5d8", "rule": "#54585e",
    "mark": "#8ec1f5", "bad": "#f2a49b",
    "k0": "#26384a", "k1": "#473a1d", "k2": "#3a304c", "k3": "#24422a", "k4": "#4d2c28", "k5": "#1f4344",
    "k6": "#3d392c", "k7": "#312f52", "thread": "rgba(233, 233, 230, .13)",
    "quiet": "#5b5e63", "main": "#55b8b4", "second": "#d9a441", "third": "#b78bcb", "alarm": "#e8765c",
}  # fmt: skip
# in print hatches alone tell fills apart: tints would be dots beneath small text, and a shade over whole sheets
PRINT = LIGHT | dict.fromkeys(("paper", *(f"k{number}" for number in range(8))), "#ffffff") | {
    "thread": "rgba(27, 29, 33, .2)"
}  # fmt: skip


class Hatch(NamedTuple):
    """Threads over a fill: turned by degrees to the right from lying, so wide, one each ``gap`` units."""

    turn: int
    width: int
    gap: int


# the looks of layers by their places, of fields in turn, and of what is no header; colours come again, hatches do not
FILLS: dict[str, tuple[Hatch, ...]] = {
    "k0": (), "k1": (Hatch(0, 1, 5),), "k2": (Hatch(90, 1, 5),), "k3": (Hatch(45, 1, 6),), "k4": (Hatch(-45, 1, 6),),
    "k5": (Hatch(0, 2, 10),), "k6": (Hatch(90, 2, 10),), "k7": (Hatch(45, 2, 12),), "k8": (Hatch(-45, 2, 12),),
    "k9": (Hatch(0, 4, 8),), "k10": (Hatch(90, 4, 8),), "k11": (Hatch(45, 4, 8),), "k12": (Hatch(-45, 4, 8),),
    "k13": (Hatch(20, 1, 6),), "k14": (Hatch(-20, 1, 6),), "k15": (Hatch(70, 1, 6),), "k16": (Hatch(-70, 1, 6),),
    "k17": (Hatch(0, 6, 24),), "k18": (Hatch(90, 6, 24),), "k19": (Hatch(20, 3, 12),), "k20": (Hatch(-20, 3, 12),),
    "k21": (Hatch(70, 3, 12),), "k22": (Hatch(-70, 3, 12),), "k23": (Hatch(45, 6, 24),),
    "room": (Hatch(-45, 1, 9), Hatch(45, 1, 9)),
}  # fmt: skip
LOOKS = len(FILLS) - 1
_COLOURS = 8


def page_style(used: Collection[str]) -> str:
    """Return colours as variables of a page's style sheet, and a class for each fill that is ``used``."""
    light, dark, print_ = (
        "".join(f"--{name}:{colour};" for name, colour in of.items()) for of in (LIGHT, DARK, PRINT)
    )
    fills = "".join(f".{name}{{background:{_background(name)}}}" for name in FILLS if name in used)
    return (
        f":root{{{light}}}@media print{{:root{{{print_}}}}}"
        f"@media screen and (prefers-color-scheme:dark){{:root{{{dark}}}}}{fills}"
    )


def _background(name: str) -> str:
    threads = (
        f"repeating-linear-gradient({hatch.turn}deg,var(--thread) 0 {hatch.width}px,transparent {hatch.width}px "
        f"{hatch.gap}px)"
        for hatch in FILLS[name]
    )
    return f"{','.join(threads)} var(--{colour_of(name)})".strip()


def colour_of(fill: str) -> str:
    """Return the name of the colour beneath the threads of a fill."""
    return "paper" if fill == "room" else f"k{int(fill[1:]) % _COLOURS}"
