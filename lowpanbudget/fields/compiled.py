"""A layout as a Python function: the straight line that the engine walks, for a word whose codes are known.

Where a word is known its rows fix every offset behind it. What is left to do for other octets is little: cut them, call
the rows' own ``restore``, make the spans. ``FunctionSource`` collects that as lines of numbers and names of its own;
texts, rows, functions and finished spans are bound as constants. ``Compiled`` makes and keeps the functions of words
that come again. Whatever is wrong with octets the engine finds and locates: a function then gives None.
"""

from collections.abc import Callable
from typing import Any

from lowpanbudget.bits import Nature, Place, Reader, Span
from lowpanbudget.cites import Cite
from lowpanbudget.errors import WireError
from lowpanbudget.fields.choice import Choice, Row
from lowpanbudget.fields.parts import Drawing, LayoutPart
from lowpanbudget.fields.word import Header

Function = Callable[[Reader, Any], Any]

SIGHTINGS = 3  # of a word at one place, before a function is made for it: that takes as long as some ten readings
MOST = 512  # functions at a time, about 15 kB each; then all are forgotten, and made again
MOST_SEEN = 4096  # words that are counted at a time: traffic of random words makes no functions
_NAMES = {
    "new": tuple.__new__,
    "Span": Span,
    "number": int.from_bytes,
    "header": Nature.HEADER,
}
_number = int.from_bytes


class FunctionSource:
    """A function of a reader that stands before a header, and of what the header leans on (``env``), line by line.

    The header, ``layer``, stands at octet ``at`` and has so many ``octets``. ``word`` and ``row`` take up what comes
    next in it.
    """

    def __init__(self, name: str, layer: str, at: int, octets: int) -> None:
        self.name = name
        self.layer = layer
        self.at = at
        self.end = at + octets
        self.lines: list[str] = []
        self.spans: list[str] = []
        self.free: list[Place] = []
        self._bound: dict[str, Any] = dict(_NAMES)
        self._known: dict[int, str] = {}

    def bind(self, value: Any) -> str:
        """Return the name of a constant."""
        name = self._known.get(id(value))
        if name is None:
            name = self._known[id(value)] = f"c{len(self._known)}"
            self._bound[name] = value
        return name

    def let(self, expression: str) -> str:
        """Give what an expression makes a name, and return that."""
        name = f"v{len(self.lines)}"
        self.lines.append(f"{name} = {expression}")
        return name

    def take(self, octets: int, *spans: Span) -> None:
        """Take up octets that are known, with their spans."""
        self.spans += map(self.bind, spans)
        self.at += octets

    def word(self, header: Header, word: int) -> None:
        """Take up a word that is known."""
        self.take(header.octets, *header.spans_of(word, self.at))

    def row(self, choice: Choice, row: Row, env: str = "None") -> str:
        """Take up what a row carries; return the value that it restores. ``env`` is what it leans on.

        The function raises what the row's ``restore`` does.
        """
        if not row.inline and env == "None":
            return self.bind(_restore(row)(b"", None))
        octets = self.let(f"data[{self.at}:{self.at + row.inline}]") if row.inline else "b''"
        value = self.let(f"{self.bind(row.restore)}({octets}, {env})")
        if row.parts:
            self._parts(choice, row, octets)
        elif row.inline:
            self.field(
                row.inline, choice.carries, value, row.needs, row.cite, choice.removed_by(row),
                row.free or "big",
            )  # fmt: skip
        if row.free:
            self.free.append(Place(self.at - row.inline, self.at, row.free))
        return value

    def part(self, part: LayoutPart, layout: Drawing) -> str:
        """Take up a part of a layout that has a size of its own; return its value."""
        octets = part.least
        cut = f"data[{self.at}:{self.at + octets}]"
        value = self.let(part.expression(cut, layout.order))
        order = part.order(layout.order)
        self.field(octets, part.name, value, part.text, layout.cite, part.removed_by, order)
        return value

    def field(self, octets: int, name: str, value: str, *told: Any) -> None:
        """Take up a field of whole octets with this value; ``told`` as in ``span``."""
        self.span(self.at * 8, octets * 8, name, value, *told)
        self.at += octets

    def _parts(self, choice: Choice, row: Row, octets: str) -> None:
        whole = self.let(f"number({octets}, 'big')")
        offset, shift = self.at * 8, row.inline * 8
        for part in row.parts:
            shift -= part.width
            field = self.let(f"{whole} >> {shift} & {(1 << part.width) - 1}")
            says: Any = part.meaning if isinstance(part.meaning, str) else part.says
            self.span(offset, part.width, part.name, field, says, row.cite, choice.removed_by(row))
            offset += part.width
        self.at += row.inline

    def span(
        self,
        at: int,
        bits: int,
        name: str,
        value: str,
        meaning: str | Callable[[int], str],
        cite: Cite,
        removed_by: str = "",
        order: str = "big",
    ) -> None:
        """Leave a span whose value has this name; a ``meaning`` that is a function is called with it."""
        says = self.bind(meaning) if isinstance(meaning, str) else f"{self.bind(meaning)}({value})"
        layer, name, cited, removed_by, order = map(
            self.bind, (self.layer, name, cite, removed_by, order)
        )
        self.spans.append(
            f"new(Span, ({at}, {bits}, {layer}, {name}, {value}, {says}, {cited}, {removed_by}, {order}, '', "
            "False, header))"
        )

    def function(self, result: str) -> Function:
        """Return the function: it passes the header and returns the result, or None where octets are missing."""
        lines = [
            f"if reader.end < {self.end}: return None",
            "data = reader.data",
            *self.lines,
            f"result = {result}",
            f"reader.spans += ({', '.join(self.spans)},)",
            *([f"reader.free += {self.bind(tuple(self.free))}"] if self.free else ()),
            f"reader.layer = {self.bind(self.layer)}",
            f"reader.pos = {self.end}",
            "return result",
        ]
        text = f"def {self.name}(reader, env):\n" + "".join(f"    {line}\n" for line in lines)
        exec(compile(text, f"<{self.name}>", "exec"), self._bound)  # noqa: S102 - names and numbers of its own
        made: Function = self._bound[self.name]
        return made


def _restore(row: Row) -> Callable[[bytes, Any], Any]:
    assert row.restore is not None, "a word with a reserved code has no function"
    return row.restore


class Compiled:
    """Functions for the words of one kind of header, by place.

    ``make(word, at)`` gives one, or None where the word can have none.
    """

    __slots__ = ("functions", "header", "make", "seen")

    def __init__(self, header: Header, make: Callable[[int, int], Function | None]) -> None:
        self.header = header
        self.make = make
        self.functions: dict[int, Function | None] = {}
        self.seen: dict[int, int] = {}
        _KINDS.append(self)

    def read(self, reader: Reader, env: Any = None) -> Any:
        """Return what the function for the word that comes next reads, and pass it.

        None, with nothing passed, where there is no function yet or something is wrong: the engine locates that.
        """
        at, header = reader.pos, self.header
        word = _number(reader.data[at : at + header.octets], header.order)
        try:
            function = self.functions[at << 16 | word]
        except KeyError:
            function = self._sighted(word, at)
        if function is None:
            return None
        try:
            return function(reader, env)
        except WireError:
            return None

    def _sighted(self, word: int, at: int) -> Function | None:
        key = at << 16 | word
        sightings = self.seen.get(key, 0) + 1
        if sightings < SIGHTINGS:
            if len(self.seen) >= MOST_SEEN:
                self.seen.clear()
            self.seen[key] = sightings
            return None
        if sum(len(kind.functions) for kind in _KINDS) >= MOST:
            forget()
        made = self.functions[key] = self.make(word, at)
        return made


_KINDS: list[Compiled] = []


def forget() -> None:
    """Drop all functions, and what was counted."""
    for kind in _KINDS:
        kind.functions.clear()
        kind.seen.clear()
