"""The source of a function that reads a header as the engine does: the straight line through its layout.

Lines hold numbers and names made here alone; texts, rows, functions and finished spans are bound as constants, so that
nothing that a layout or a design says becomes source.
"""

import dataclasses
from collections.abc import Callable, Sequence
from functools import lru_cache
from ipaddress import IPv6Address
from types import CodeType, FunctionType
from typing import Any

from lowpanbudget.bits import Nature, Place, Reader, Span
from lowpanbudget.cites import Cite
from lowpanbudget.fields.choice import Bits, Choice, Row
from lowpanbudget.fields.parts import Drawing, LayoutPart, Order
from lowpanbudget.fields.word import Header
from lowpanbudget.values import filling

Function = Callable[[Reader, Any], Any]
_NAMES = {
    "new": tuple.__new__,
    "blank": object.__new__,
    "Span": Span,
    "Place": Place,
    "number": int.from_bytes,
    "address": IPv6Address,
    "header": Nature.HEADER,
}


class FunctionSource:
    """A function of a reader that stands before a header, and of what the header leans on (``env``), line by line.

    The header, ``layer``, stands at octet ``at``; without that it may stand anywhere. ``take``, ``word``, ``row``,
    ``part`` and ``field`` take up what comes next in it.
    """

    def __init__(self, name: str, layer: str, at: int | None = None) -> None:
        self.name = name
        self.layer = layer
        self.octets = 0  # taken up so far
        self.spans: list[str] = []
        self.lines: list[str] = []
        self._free: list[str] = []
        self._passed: list[str] | None = None  # the lines before those behind what was passed
        self._tail = ""
        self._last = 0
        self._start = at
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
        name = f"v{len(self._passed or ()) + len(self.lines)}"
        self.lines.append(f"{name} = {expression}")
        return name

    def octet(self, behind: int = 0) -> str:
        """Return the place of the octet that comes next, or so many behind it."""
        at = self.octets + behind
        return f"at + {at}" if self._start is None else str(self._start + at)

    def cut(self, octets: int) -> str:
        """Return the octets that come next."""
        return f"data[{self.octet()}:{self.octet(octets)}]"

    def last(self, octets: int) -> str:
        """Return the last octets there are; the function gives None where they are not all behind the header."""
        self._last = octets
        return self.let(f"data[end - {octets}:end]")

    def value(self, kind: type, /, **values: object) -> str:
        """Return a value of a class of values, of these expressions by attribute; the others have their defaults."""
        made = self.let(f"blank({self.bind(filling(kind))})")
        for attribute in dataclasses.fields(kind):
            value = values.pop(attribute.name, None)
            told = self.bind(attribute.default) if value is None else value
            self.lines.append(f"{made}.{attribute.name} = {told}")
        assert not values, f"{kind.__name__} has no {', '.join(values)}"
        self.lines.append(f"{made}.__class__ = {self.bind(kind)}")
        return made

    def take(self, octets: int, *spans: Span) -> None:
        """Take up octets that are known, with their spans."""
        self.spans += map(self.bind, spans)
        self.octets += octets

    def word(self, header: Header, word: int) -> None:
        """Take up a word that is known, at a place that is."""
        assert self._start is not None
        assert not word & header.unused, "a word with reserved bits set has no function"
        self.take(header.octets, *header.spans_of(word, self._start + self.octets))

    def fields(self, header: Header) -> list[str]:
        """Take up a word of plain fields that is not known; return their values.

        The function gives None where a fixed field holds another value.
        """
        word = self.let(f"number({self.cut(header.octets)}, {header.order!r})")
        values, offset = [], 0
        if header.unused:
            self.lines.append(f"if {word} & {header.unused}: return None")  # the engine tells it
        for field, shift, mask in header.places:
            assert isinstance(field, Bits)
            value = self.let(f"{word} >> {shift} & {mask}")
            if field.fixed is not None:
                self.lines.append(f"if {value} != {field.fixed}: return None")
            cite = field.cite or header.cite
            self.spans.append(
                self._span(
                    offset, field.width, field.name, value, _meaning(field), cite, "", header.order
                )
            )
            values.append(value)
            offset += field.width
        for place in header.free:
            self._leave_free(place.start, place.end, place.order)
        self.octets += header.octets
        return values

    def row(self, choice: Choice, row: Row, env: str = "None") -> str:
        """Take up what a row carries; return the value that it restores. ``env`` is what it leans on.

        The function raises what the row's ``restore`` does.
        """
        assert row.restore is not None, "a word with a reserved code has no function"
        if not row.inline and env == "None":
            return self.bind(row.restore(b"", None))
        octets = self.let(self.cut(row.inline)) if row.inline else "b''"
        value = self.let(f"{self.bind(row.restore)}({octets}, {env})")
        if row.free:
            self._leave_free(0, row.inline, row.free)
        hints = choice.hints(row)
        if row.inline and not row.parts:
            told = row.cite, hints[0], row.free or "big"
            self.field(row.inline, choice.carries, value, row.needs, *told)
            return value
        whole = self.let(f"number({octets}, 'big')") if row.parts else ""
        if unused := choice.unused_bits(row):
            self.lines.append(f"if {whole} & {unused}: return None")  # the engine tells it
        offset, left = 0, row.inline * 8
        for part, hint in zip(row.parts, hints, strict=False):
            left -= part.width
            is_whole = part.width == row.inline * 8
            field = whole if is_whole else self.let(f"{whole} >> {left} & {(1 << part.width) - 1}")
            self.spans.append(
                self._span(offset, part.width, part.name, field, _meaning(part), row.cite, hint)
            )
            offset += part.width
        self.octets += row.inline
        return value

    def part(self, part: LayoutPart, layout: Drawing) -> str:
        """Take up a ``straight`` part of a layout; return its value."""
        octets, order = part.least, part.order(layout.order)
        value = self.let(part.expression(self.cut(octets), layout.order))
        told = (_meaning(part), layout.cite, part.removed_by, order)
        self.field(octets, part.name, value, *told)
        return value

    def rest(self, part: LayoutPart, layout: Drawing) -> str:
        """Take up a last part that has all octets that are left; return its value."""
        value = self.let(f"data[{self.octet()}:end]")
        told = (part.name, value, _meaning(part), layout.cite, part.removed_by)
        self._tail = f"if {value}: reader.spans.append({self._span(0, f'len({value}) * 8', *told)})"
        return value

    def read(self, part: LayoutPart, layout: Drawing) -> str:
        """Let a last part read what is left, once all before it is passed; return its value."""
        self._passed, self.lines = self.lines, []
        return self.let(f"{self.bind(part)}.read(reader, {{}}, {self.bind(layout)})")

    def field(
        self,
        octets: int,
        name: str,
        value: str,
        meaning: str | Callable[[Any], str],
        cite: Cite,
        removed_by: str | Callable[[Any], str] = "",
        order: str = "big",
        *,
        free: bool = False,
    ) -> None:
        """Take up a field of whole octets with this value, leaving its span."""
        self.spans.append(self._span(0, octets * 8, name, value, meaning, cite, removed_by, order))
        if free:
            self._leave_free(0, octets, "big")
        self.octets += octets

    def _span(
        self,
        offset: int,
        bits: int | str,
        name: str,
        value: str,
        meaning: str | Callable[[Any], str],
        cite: Cite,
        removed_by: str | Callable[[Any], str] = "",
        order: str = "big",
    ) -> str:
        """Return a span some bits behind the octet that comes next; its texts may be functions of the value."""
        says, smaller = (
            self.bind(text) if isinstance(text, str) else f"{self.bind(text)}({value})"
            for text in (meaning, removed_by)
        )
        at = self.octets * 8 + offset
        where = f"bit + {at}" if self._start is None else str(self._start * 8 + at)
        layer, name, cited, order = map(self.bind, (self.layer, name, cite, order))
        return (
            f"new(Span, ({where}, {bits}, {layer}, {name}, {value}, {says}, {cited}, {smaller}, {order}, '', "
            "False, header))"
        )

    def _leave_free(self, start: int, end: int, order: Order) -> None:
        if self._start is None:
            self._free.append(f"Place({self.octet(start)}, {self.octet(end)}, {order!r})")
        else:
            at = self._start + self.octets
            self._free.append(self.bind(Place(at + start, at + end, order)))

    def function(self, result: str) -> Function:
        """Return the function: it passes the header and returns the result, or None where octets are missing."""
        anywhere = self._start is None
        straight, behind = (self.lines, []) if self._passed is None else (self._passed, self.lines)
        lines = [
            *(("at = reader.pos", "bit = at * 8") if anywhere else ()),
            "data, end = reader.data, reader.end",
            f"if end < {self.octet(self._last)}: return None",
            *straight,
            *([f"reader.spans += ({', '.join(self.spans)},)"] if self.spans else ()),
            *([f"reader.free += ({', '.join(self._free)},)"] if self._free else ()),
            *([self._tail] if self._tail else ()),
            f"reader.layer = {self.bind(self.layer)}",
            f"reader.pos = {'end' if self._tail else self.octet()}",
            *behind,
            f"return {result}",
        ]
        return self._compiled("reader, env", lines)

    def headers(self, arguments: str, *results: str) -> Callable[..., Any]:
        """Return the function of ``data``, ``end`` and more ``arguments``: it gives the results, spans and free places.

        None where octets are missing; nothing else is told, and no reader moved.
        """
        told = [*results, f"({''.join(f'{span}, ' for span in self.spans)})"]
        told.append(f"({''.join(f'{place}, ' for place in self._free)})")
        lines = [
            f"if end < {self.octet()}: return None",
            *self.lines,
            f"return {', '.join(told)}",
        ]
        return self._compiled(f"data, end, {arguments}", lines)

    def _compiled(self, arguments: str, lines: Sequence[str]) -> Function:
        text = f"def {self.name}({arguments}):\n" + "".join(f"    {line}\n" for line in lines)
        # a copy: what the interpreter notes in a code while it runs is about the constants of one function
        return FunctionType(_code(self.name, text).replace(), self._bound)


@lru_cache(256)  # functions that differ in constants alone; compiling takes most of the time
def _code(name: str, text: str) -> CodeType:
    (code,) = (
        part for part in compile(text, f"<{name}>", "exec").co_consts if isinstance(part, CodeType)
    )
    return code


def _meaning(part: Bits | LayoutPart) -> str | Callable[[Any], str]:
    if isinstance(part.meaning, str) or callable(part.meaning):
        return part.meaning
    return part.says if isinstance(part, Bits) else part.in_words
