"""What an output can show, and text made fit for it.

Control characters become visible escapes, so that no text from a file or a frame can steer a terminal; characters that
the encoding lacks get a plain stand-in before anything is laid out, so that columns stay straight.
"""

from collections.abc import Callable
from dataclasses import astuple
from io import StringIO
from typing import TYPE_CHECKING

from lowpanbudget.values import dataclass

if TYPE_CHECKING:
    from rich.console import Console

NARROWEST, WIDEST = 40, 160
TABLE_FROM = 120  # columns from which a ledger is a table; below, it is stacked

# a cell of a notebook may be narrower than the text: it is set smaller then, down to 0.7 of the size around it. A
# character is 0.6 of its size wide, a little more in some fonts
_CHARACTER = 0.61
_PAGE = (
    '<div style="container-type:inline-size"><pre style="white-space:pre;overflow-x:auto;line-height:1.3;'
    'font-family:monospace;font-size:clamp(0.7em,{size:.3f}cqi,1em)">{{code}}</pre></div>'
)
_STAND_INS = {
    "§": "section ", "–": "-", "—": "-", "‑": "-", "×": "x", "→": "->", "⇄": "<->", "≥": ">=", "≤": "<=",
    "±": "+/-", "·": ".", "…": "...", "µ": "u", "μ": "u", "°": "deg ", "²": "^2", "³": "^3", "⁻": "^-",
    "‘": "'", "’": "'", "“": '"', "”": '"', "Ω": "ohm", "ü": "ue", "ö": "oe", "ä": "ae",
}  # fmt: skip


def harmless(text: str) -> str:
    """Return the text with every character that does not print as an escape that one can read."""
    if text.isprintable():
        return text
    return "".join(char if char.isprintable() else _escape(char) for char in text)


def _escape(char: str) -> str:
    number = ord(char)
    if number > 0xFFFF:
        return f"\\U{number:08x}"
    return f"\\u{number:04x}" if number > 0xFF else f"\\x{number:02x}"


def encodable(text: str, encoding: str) -> str:
    """Return the text with a stand-in for every character that ``encoding`` lacks."""
    try:
        text.encode(encoding)
    except LookupError:
        return encodable(text, "ascii")
    except UnicodeEncodeError:
        return "".join(_shown(char, encoding) for char in text)
    return text


def _shown(char: str, encoding: str) -> str:
    try:
        char.encode(encoding)
    except UnicodeEncodeError:
        return _STAND_INS.get(char) or _escape(char)
    return char


@dataclass(frozen=True, slots=True)
class Glyphs:
    """The characters that drawing uses: fills of a bar in turn, a line under a heading, heights from low to high.

    ``more_fills`` are for bars of many parts.
    """

    fills: str
    more_fills: str
    payload: str
    unread: str
    free: str
    rule: str
    arrow: str
    heights: str


_BLOCKS = Glyphs("█▒▀▓▄▌", "▐▚▙▞▛▟▜■", "░", "?", "·", "─", "→", "▁▂▃▄▅▆▇█")
_ASCII = Glyphs("#=+%@o", "x*&$~^:|", ".", "?", "_", "-", "->", ".:-=+*#@")


@dataclass(frozen=True, slots=True)
class Screen:
    """Where text goes: ``width`` in columns, ``colour`` or not, and the ``encoding`` it must survive."""

    width: int = 80
    colour: bool = False
    encoding: str = "utf-8"

    @property
    def glyphs(self) -> Glyphs:
        """Return block characters, or ASCII where the encoding cannot do better."""
        every = "".join(astuple(_BLOCKS))
        return _BLOCKS if encodable(every, self.encoding) == every else _ASCII

    @property
    def wide(self) -> bool:
        """Return whether a ledger has room for a table."""
        return self.width >= TABLE_FROM

    def text(self, value: object) -> str:
        """Return a value as text that is harmless and can be encoded here."""
        return encodable(harmless(str(value)), self.encoding)

    def draw(self, paint: "Callable[[Console], None]") -> str:
        """Return what ``paint`` prints on a console of this width; without colour it holds no escape at all."""
        page = StringIO()
        with self._console(page) as console:  # what is printed is written once, not line by line
            paint(console)
        # cells of a table are padded to the right; nobody wants that in a file
        return "\n".join(line.rstrip() for line in page.getvalue().split("\n"))

    def html(self, paint: "Callable[[Console], None]") -> str:
        """Return what ``paint`` prints as a piece of a page: text in a fixed width, coloured, and nothing but text."""
        console = self._console(StringIO(), record=True)
        paint(console)
        page = _PAGE.format(size=100 / (_CHARACTER * console.width))
        return console.export_html(code_format=page, inline_styles=True)

    def _console(self, page: StringIO, *, record: bool = False) -> "Console":
        from rich.console import Console  # noqa: PLC0415  # heavy: only when something is drawn

        return Console(
            file=page,
            record=record,
            width=max(NARROWEST, min(self.width, WIDEST)),
            height=100,
            color_system="standard" if self.colour else None,
            force_terminal=self.colour,
            force_jupyter=False,
            force_interactive=False,
            no_color=False,
            markup=False,
            highlight=False,
            emoji=False,
            legacy_windows=False,
            _environ={},
        )
