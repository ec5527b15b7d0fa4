"""What is drawn on: elements of SVG in the order in which they are put down.

A picture of its own file has short ids and a plain style. One that stands in a page of others, as in a notebook, has a
name: all its ids begin with it and each rule of its style holds inside it alone, so that nothing leaks into the page.
"""

from hashlib import sha256
from html import escape

from lowpanbudget.report.chart import Tone
from lowpanbudget.report.screen import harmless

WIDTH = 960
LINE = 18  # units from one line of text to the next
CHAR = 7.25  # units that a character of the usual size takes at most
SMALL_CHAR = CHAR * 11 / 12  # and one of the small size


class Paper:
    """A sheet that collects elements; coordinates are units of the picture, y grows downwards.

    On a ``terse`` one, for a page, only what has no space for its letter is told where somebody points at it, and
    blocks have their pattern by their class: see ``page_chart_style``. Those of one pattern are one element there, and
    so are ticks, at the place of the first of them; texts of one style stand together, over all else.
    """

    def __init__(self, name: str = "", *, terse: bool = False) -> None:
        self.name, self.terse = name, terse
        self._elements: list[str] = []
        self._joined: dict[str, tuple[int, list[str]]] = {}
        self._texts: dict[str, list[str]] = {}

    @property
    def content(self) -> str:
        """Return all elements, one a line."""
        elements = list(self._elements)
        for style, (at, ways) in self._joined.items():
            elements[at] = f'<path class="{style}" d="{"".join(ways)}"/>'
        for style, texts in self._texts.items():
            elements.append(f'<g class="{style}">{"".join(texts)}</g>')
        return "".join(f"{element}\n" for element in elements)

    def id(self, name: str) -> str:
        """Return the id of a part of the picture."""
        return f"{self.name}-{name}" if self.name else name

    def scoped(self, style: str) -> str:
        """Return plain rules as they hold in this picture alone."""
        return scoped(style, f"#{self.name}") if self.name else style

    def text(self, x: float, y: float, text: str, style: str = "") -> None:
        """Put a text with its baseline at y."""
        if self.terse:
            texts = self._texts.setdefault(style, [])
            texts.append(f'<text x="{_at(x)}" y="{_at(y)}">{safe(text)}</text>')
            return
        named = f' class="{style}"' if style else ""
        self._elements.append(f'<text x="{_at(x)}" y="{_at(y)}"{named}>{safe(text)}</text>')

    def rect(
        self,
        x: float,
        y: float,
        width: float,
        height: float,
        pattern: str,
        tone: Tone,
        says: str = "",
    ) -> None:
        """Put a block in a pattern, with an edge of its tone; ``says`` is shown when somebody points at it."""
        title = f"<title>{safe(says)}</title>" if says else ""
        width = max(width, 0.5)
        if self.terse and not says:
            self._join(pattern, f"M{_at(x)} {_at(y)}h{_at(width)}v{_at(height)}h-{_at(width)}z")
            return
        place = f'x="{_at(x)}" y="{_at(y)}" width="{_at(width)}" height="{_at(height)}"'
        look = f'class="e-{tone.value}" fill="url(#{self.id(pattern)})"'
        if self.terse:
            look = f'class="{pattern}"'
        end = f">{title}</rect>" if title else "/>"
        self._elements.append(f"<rect {look} {place}{end}")

    def fill(
        self, x: float, y: float, width: float, height: float, look: str, style: str, says: str = ""
    ) -> None:  # fmt: skip
        """Put a cell with the fill of a look; ``says`` is shown when somebody points at it."""
        title = f"<title>{safe(says)}</title>" if says else ""
        place = f'x="{x:.2f}" y="{y:.1f}" width="{width:.2f}" height="{height:.1f}"'
        self._elements.append(
            f'<rect class="{style}" fill="url(#{self.id(f"{look}-fill")})" {place}>{title}</rect>'
        )

    def line(self, x1: float, y1: float, x2: float, y2: float, style: str = "rule") -> None:
        """Put a straight line."""
        across = f"H{_at(x2)}" if y1 == y2 else f"L{_at(x2)} {_at(y2)}"
        way = f"V{_at(y2)}" if x1 == x2 else across
        if self.terse and style == "tick":
            self._join(style, f"M{_at(x1)} {_at(y1)}{way}")
            return
        self._elements.append(f'<path class="{style}" d="M{_at(x1)} {_at(y1)}{way}"/>')

    def path(self, points: list[tuple[float, float]], style: str) -> None:
        """Put a line through points."""
        if points:
            way = "L".join(f"{_at(x)} {_at(y)}" for x, y in points)
            self._elements.append(f'<path class="{style}" d="M{way}"/>')

    def _join(self, style: str, way: str) -> None:
        if style not in self._joined:
            self._joined[style] = len(self._elements), []
            self._elements.append("")
        self._joined[style][1].append(way)


def _at(place: float) -> str:
    """Return a place to a tenth of a unit, without a tenth that is none."""
    return f"{place:.1f}".removesuffix(".0")


def safe(text: str) -> str:
    """Return a text that is harmless in a file for others, as an element holds it."""
    return escape(harmless(text))


def scoped(style: str, place: str) -> str:
    """Return rules of one selector each as they hold within a place."""
    rules = style.replace("}", "}\n").split("\n")
    return "".join(f"{place} {rule}\n" for rule in map(str.strip, rules) if rule)


def name_of(described: str) -> str:
    """Return a name that no other picture has: the same one whenever it is drawn, so that files do not differ."""
    return f"picture-{sha256(described.encode()).hexdigest()[:12]}"
