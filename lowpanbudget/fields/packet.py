"""A packet read: the heads of its headers in wire order, what is inside each, and the headers restored from them.

A ``Head`` is a header where it stands: its value, its octets, and the layout that it was read with. What a compressed
head stands for hangs on it as ``Restored`` heads, whose spans say for every field what it was restored from; a field
that is not carried has 0 bits.
"""

from collections.abc import Callable, Iterable, Iterator
from types import UnionType
from typing import Any, NamedTuple, TypeVar, overload

from lowpanbudget.arguments import value_of
from lowpanbudget.bits import Reader, Span
from lowpanbudget.cites import Cite
from lowpanbudget.errors import RequestError
from lowpanbudget.fields.choice import Choice, Row, Use
from lowpanbudget.fields.layout import Layout
from lowpanbudget.fields.structure import WholeValue, layout_stated
from lowpanbudget.fields.word import Header
from lowpanbudget.shown import shown_named

Kind = TypeVar("Kind")
_new = tuple.__new__


class Head(NamedTuple):
    """A header in the octets that were read: its ``value``, from octet ``start`` to ``end``."""

    value: Any
    start: int
    end: int

    def __repr__(self) -> str:
        return shown_named(self)

    @property
    def layout(self) -> Layout[Any] | Header | None:
        """Return the layout, or the word of it, that the header was read with; None where code alone states it."""
        return layout_stated(self.value)


def read_head(
    heads: list[Head], reader: Reader, decode: Callable[..., Kind], *arguments: Any
) -> Kind:
    """Return the header that ``decode`` reads next, after adding its head; raises as ``decode``."""
    start = reader.pos
    value = decode(reader, *arguments)
    heads.append(_new(Head, (value, start, reader.pos)))
    return value


class Restored(NamedTuple):
    """A header that is not on the air as it is: ``name``, its ``value``, a span and the width for each field.

    ``depth`` tells which header of this name it is, from 0. A span has the bits that stood in line for the field (0:
    none) and its ``source``; ``widths`` are the bits that the field has in the datagram.
    """

    name: str
    depth: int
    value: Any
    spans: tuple[Span, ...]
    widths: tuple[int, ...]

    def __repr__(self) -> str:
        return shown_named(self)

    def fields(self) -> Iterator[tuple[Span, int]]:
        """Yield each field's span and its width in the datagram."""
        return zip(self.spans, self.widths, strict=True)


class Packet(NamedTuple):
    """Heads in wire order, and the values of the headers that were restored from them, outermost first.

    ``spans`` are those of the octets that were read.
    """

    heads: tuple[Head, ...]
    values: tuple[Any, ...] = ()
    spans: tuple[Span, ...] = ()

    def __repr__(self) -> str:
        return shown_named(self)

    def head(self, kind: type[Any] | UnionType) -> Head | None:
        """Return the first head on the air whose value is of this class, or None."""
        kind = _class(kind)
        return next((head for head in self.heads if isinstance(head.value, kind)), None)

    def inside(self, head: Head) -> tuple[Head, ...]:
        """Return the heads that this one carries, outermost first; one that ends with its own content carries none."""
        if isinstance(value_of(Head, head).value, WholeValue):
            return ()
        return self.heads[self.heads.index(head) + 1 :]

    def spans_of(self, head: Head) -> list[Span]:
        """Return the spans that stand in this head."""
        first, last = value_of(Head, head).start * 8, head.end * 8
        return [span for span in self.spans if first <= span.offset_bits < last]

    @overload
    def all(self, kind: type[Kind]) -> Iterator[Kind]: ...

    @overload
    def all(self, kind: UnionType) -> Iterator[Any]: ...

    def all(self, kind: Any) -> Iterator[Any]:
        """Yield every header of this class: those restored, then those on the air; then the messages in them."""
        kind = _class(kind)
        values: tuple[Any, ...] = (*self.values, *(head.value for head in self.heads))
        while values:
            for value in values:
                if isinstance(value, kind):
                    yield value
            values = tuple(value.message for value in values if hasattr(value, "message"))

    @overload
    def find(self, kind: type[Kind]) -> Kind | None: ...

    @overload
    def find(self, kind: UnionType) -> Any: ...

    def find(self, kind: Any) -> Any:
        """Return the first header or message of this class, or None."""
        return next(self.all(kind), None)

    @overload
    def innermost(self, kind: type[Kind]) -> Kind | None: ...

    @overload
    def innermost(self, kind: UnionType) -> Any: ...

    def innermost(self, kind: Any) -> Any:
        """Return the innermost header of this class on the air, or None."""
        kind, values = _class(kind), (head.value for head in reversed(self.heads))
        return next((value for value in values if isinstance(value, kind)), None)


def _class(kind: Any) -> Any:
    if not isinstance(kind, type | UnionType):
        raise RequestError(f"a class of headers is needed, not {type(kind).__name__}")
    return kind


def restored_fields(
    layer: str,
    choice: Choice,
    row: Row,
    at: int,
    values: Iterable[Any],
    say: Callable[[Use], str] | None = None,
) -> list[Span]:
    """Return a span for each field that a row restores; its octets in line start at octet ``at``.

    ``values`` are those of the fields, in the order of the row's ``uses``; ``say`` puts a source in words where the
    row's own text has gaps to fill.
    """
    places = choice.places(row, at)
    spans = []
    for use, value in zip(row.uses, values, strict=True):
        parts = [places[part] for part in use.parts]
        offset = parts[0][0] if parts else at * 8
        source = say(use) if say is not None else use.says
        bits = sum(width for _, width in parts)
        spans.append(Span(offset, bits, layer, use.field, value, "", row.cite, source=source))
    return spans


def ruled(layer: str, name: str, value: Any, at: int, source: str, cite: Cite | None) -> Span:
    """Return the span of a field of which nothing is carried."""
    return Span(at * 8, 0, layer, name, value, "", cite, source=source)
