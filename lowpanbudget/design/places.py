"""Line and column of every key and value of a TOML text.

``tomllib`` says where for syntax faults only, libraries that keep the layout say it of nothing. The text is known to be
valid TOML when it comes here, so one pass over its tokens finds all places; only faults pay for it.
"""

import re
from bisect import bisect_right
from contextlib import suppress
from typing import NamedTuple

Path = tuple[str | int, ...]

_BLANK = re.compile(r"(?:[ \t\r\n]++|#[^\n]*+)*+")
# the long forms may end with one or two quotes more (TOML 1.0, "String")
_STRINGS = (
    re.compile(r'"""(?:\\.|"{1,2}(?!")|[^"\\]++)*+"{3,5}', re.DOTALL),
    re.compile(r"'''(?:'{1,2}(?!')|[^']++)*+'{3,5}", re.DOTALL),
    re.compile(r'"(?:\\.|[^"\\]++)*+"'),
    re.compile(r"'[^']*+'"),
)
# a number, a truth, a date with time behind one blank
_BARE = re.compile(r"[^\s,\]}#]+(?: \d[^\s,\]}#]*)?")
_BARE_KEY = re.compile(r"[A-Za-z0-9_-]+")


class _Place(NamedTuple):
    """Offsets of a key (of an element, of a table's header) and of its value."""

    key: int
    value: int


class Places:
    """Finds places in ``text``, which must be valid TOML."""

    def __init__(self, text: str) -> None:
        self._text = text
        self._lines = [0, *(match.end() for match in re.finditer("\n", text))]
        self._at = 0
        self._places: dict[Path, _Place] = {}
        self._counts: dict[Path, int] = {}  # of arrays of tables
        # nested too deep, or text that is no TOML after all: what was found so far serves
        with suppress(RecursionError, LookupError):
            self._document()

    def of(self, path: Path, *, key: bool = False) -> tuple[int, int]:
        """Return line and column, from 1, of the value (or the ``key``) at a path.

        What is missing has the place of the table that should hold it.
        """
        while path:
            place = self._places.get(path)
            if place is not None:
                return self._line_column(place.key if key else place.value)
            path = path[:-1]
        return 1, 1

    def _line_column(self, offset: int) -> tuple[int, int]:
        line = bisect_right(self._lines, offset)
        return line, offset - self._lines[line - 1] + 1

    def _document(self) -> None:
        table: Path = ()
        while self._skip():
            if self._text[self._at] == "[":
                table = self._header()
            else:
                self._pair(table)

    def _header(self) -> Path:
        """Pass ``[table]`` or ``[[table]]``; return the path of the table it opens."""
        start = self._at
        width = 2 if self._text.startswith("[[", start) else 1
        self._at += width
        path: Path = ()
        parts = self._key()
        for last, part in ((index == len(parts) - 1, part) for index, part in enumerate(parts)):
            path = (*path, part)
            if last and width == 2:
                self._counts[path] = self._counts.get(path, 0) + 1
            self._places.setdefault(path, _Place(start, start))
            if path in self._counts:
                path = (*path, self._counts[path] - 1)
                self._places.setdefault(path, _Place(start, start))
        self._places[path] = _Place(start, start)  # its own header, not a sub-table's before it
        self._at += width
        return path

    def _pair(self, table: Path) -> None:
        """Pass ``key = value``."""
        start = self._at
        path = table
        for part in self._key():
            path = (*path, part)
            self._places.setdefault(path, _Place(start, start))
        self._at += 1  # the equals sign
        self._skip()
        self._places[path] = _Place(start, self._at)
        self._value(path)

    def _key(self) -> list[str]:
        """Pass a key, bare, quoted or dotted, and the blanks behind it; return its parts."""
        parts = []
        while True:
            self._skip()
            if self._text[self._at] in "\"'":
                parts.append(_unquoted(self._string()))
            else:
                parts.append(self._token(_BARE_KEY))
            self._skip()
            if not self._text.startswith(".", self._at):
                return parts
            self._at += 1

    def _value(self, path: Path) -> None:
        sign = self._text[self._at]
        if sign in "\"'":
            self._string()
        elif sign == "[":
            self._members(path, "]")
        elif sign == "{":
            self._members(path, "}")
        else:
            self._token(_BARE)

    def _members(self, path: Path, end: str) -> None:
        """Pass an array, or an inline table, from its opening sign to its ``end``."""
        self._at += 1
        index = 0
        while self._skip() and self._text[self._at] != end:
            if end == "}":
                self._pair(path)
            else:
                self._places[(*path, index)] = _Place(self._at, self._at)
                self._value((*path, index))
            index += 1
            self._skip()
            self._at += self._text.startswith(",", self._at)
        self._at += 1

    def _string(self) -> str:
        forms = (form for form in _STRINGS if form.match(self._text, self._at))
        return self._token(next(forms, _BARE_KEY))

    def _token(self, form: re.Pattern[str]) -> str:
        match = form.match(self._text, self._at)
        if match is None:
            raise LookupError
        self._at = match.end()
        return match[0]

    def _skip(self) -> bool:
        """Pass blanks, line ends and comments; return whether anything is left."""
        self._token(_BLANK)
        return self._at < len(self._text)


def _unquoted(quoted: str) -> str:
    """Return what a quoted key says, its escapes resolved."""
    import tomllib  # noqa: PLC0415  # rare: it knows the escapes

    return next(iter(tomllib.loads(f"{quoted} = 0")))
