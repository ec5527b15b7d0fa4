"""Octets with a position, and the spans that say what each run of bits is.

A ``Reader`` walks octets that came from the air, a ``Writer`` makes octets; both leave ``Span``s behind, in wire order
and without gap, so that whoever reads or writes a header explains it by the same act.
"""

from collections.abc import Callable, Iterable, Iterator
from enum import Enum
from typing import Any, Literal, NamedTuple

from lowpanbudget.cites import Cite
from lowpanbudget.declared import hint_for_octets
from lowpanbudget.errors import RequestError, Truncated, WireError, plural
from lowpanbudget.shown import showing, shown_named

_new = tuple.__new__


def as_octets(octets: object, what: str = "octets") -> bytes:
    """Return octets that a caller gave as ``bytes``; ``RequestError`` for what are none, such as hex text."""
    if not isinstance(octets, bytes | bytearray | memoryview):
        said = f"{what} are needed, not {type(octets).__name__}"
        raise RequestError(said, hint=hint_for_octets(octets))
    return bytes(octets)


class Nature(Enum):
    """What a span is, whatever it is called: part of a header, what headers carry, or what nobody could read."""

    HEADER = "header"
    PADDING = "padding"
    PAYLOAD = "payload"
    SEALED = "sealed payload"
    UNREAD = "not decoded"


class Span(NamedTuple):
    """A run of bits with its name, value, meaning, cite, and what would remove it.

    ``offset_bits`` counts from the first bit of the frame. Where ``order`` is "little" (IEEE 802.15.4) bits count from
    the least significant one, as its figures do; elsewhere from the most significant one. ``source`` says what a
    restored field was restored from; ``stand_in`` marks octets of a made frame that only show a size. Who must know
    what a span is asks its ``nature``: names are for readers.
    """

    offset_bits: int
    bits: int
    layer: str
    name: str
    value: Any
    meaning: str
    cite: Cite | None
    removed_by: str = ""
    order: str = "big"
    source: str = ""
    stand_in: bool = False
    nature: Nature = Nature.HEADER

    def __repr__(self) -> str:
        return shown_named(self)


class StandIn(int):
    """A number that only shows a size in a frame made for measuring: its span says so."""

    __slots__ = ()


class StandInOctets(bytes):
    """Octets that only show a size, as ``StandIn``."""

    __slots__ = ()


class Place(NamedTuple):
    """Where a field of whole octets stands: from ``start`` to ``end``, in this order of octets.

    An ``open`` one takes all that is left: there may be any number of octets.
    """

    start: int
    end: int
    order: Literal["big", "little"] = "big"
    open: bool = False

    def number(self, octets: bytes) -> int:
        """Return the number that stands in these octets at the place."""
        return int.from_bytes(octets[self.start : self.end], self.order)


class Reader:
    """Walks ``data`` from octet ``pos`` to ``end`` and collects ``spans``; ``unused`` are those of reserved bits set.

    ``free`` are the places on whose octets no reading depends: others there would have been read alike. Octets that are
    not there raise ``Truncated`` with place and layer; ``missing`` more stood at the end on the air.
    """

    __slots__ = ("data", "end", "free", "layer", "missing", "pos", "spans", "unused")
    __repr__ = showing("layer", "pos", "end", "data")

    def __init__(
        self, data: bytes, pos: int = 0, end: int | None = None, layer: str = "", missing: int = 0
    ) -> None:
        self.data = data
        self.pos = pos
        self.end = len(data) if end is None else end
        self.layer = layer
        self.missing = missing
        self.spans: list[Span] = []
        self.free: list[Place] = []
        self.unused: tuple[Span, ...] = ()

    @property
    def left(self) -> int:
        """Return how many octets are left."""
        return self.end - self.pos

    def need(self, count: int, what: str, cite: Cite | None = None) -> None:
        """Return when ``count`` octets are left; else raise ``Truncated`` naming ``what``."""
        if self.end - self.pos < count:
            here = plural(max(self.left, 0), "octet")
            raise self.fault(Truncated, f"{what} needs {plural(count, 'octet')}, {here} left", cite)

    def fault(
        self,
        kind: type[WireError],
        message: str,
        cite: Cite | None,
        *,
        at: int | None = None,
        hint: str = "",
        about: object = None,
    ) -> WireError:
        """Return the error of this kind that is to be raised about what stands here, or at octet ``at``."""
        offset = self.pos if at is None else at
        return kind(message, offset=offset, layer=self.layer, cite=cite, hint=hint, about=about)

    def peek(self, what: str, cite: Cite | None = None) -> int:
        """Return the next octet as a number without passing it."""
        if self.pos >= self.end:
            self.need(1, what, cite)
        return self.data[self.pos]

    def ahead(self, count: int | None = None) -> bytes:
        """Return the next ``count`` octets, all that are left without it, and do not pass them."""
        stop = self.end if count is None else min(self.pos + count, self.end)
        return self.data[self.pos : stop]

    def tail(self, count: int) -> bytes:
        """Return the last ``count`` octets of what is left, without those that are missing; fewer where fewer are."""
        return self.data[max(self.pos, self.end - max(count - self.missing, 0)) : self.end]

    def passed(self, start: int) -> bytes:
        """Return the octets from ``start`` to here."""
        return self.data[start : self.pos]

    def number(
        self,
        count: int,
        name: str,
        meaning: str = "",
        cite: Cite | None = None,
        removed_by: str = "",
    ) -> int:
        """Return the next ``count`` octets as a number, most significant first, and leave its span."""
        self.need(count, name, cite)
        value = int.from_bytes(self.ahead(count), "big")
        self.octets(count, name, meaning, cite, removed_by, value)
        return value

    def raw(self, count: int, what: str, cite: Cite | None = None) -> bytes:
        """Return the next ``count`` octets and pass them; the caller leaves the span."""
        start = self.pos
        stop = start + count
        if stop > self.end:
            self.need(count, what, cite)
        self.pos = stop
        return self.data[start:stop]

    def octets(
        self,
        count: int,
        name: str,
        meaning: str = "",
        cite: Cite | None = None,
        removed_by: str = "",
        value: Any = None,
        *,
        free: bool = False,
        order: str = "big",
        nature: Nature = Nature.HEADER,
    ) -> bytes:
        """Return the next ``count`` octets and leave a span whose value is ``value`` or the octets."""
        start = self.pos
        stop = start + count
        if stop > self.end:
            self.need(count, name, cite)
        self.pos = stop
        octets = self.data[start:stop]
        if count:
            if free:
                self.free.append(Place(start, stop))
            # by the tuple's own constructor: every frame has some
            told = (
                start * 8, count * 8, self.layer, name, octets if value is None else value, meaning,
                cite, removed_by, order, "", False, nature,
            )  # fmt: skip
            self.spans.append(_new(Span, told))
        return octets

    def rest(
        self,
        name: str,
        meaning: str = "",
        cite: Cite | None = None,
        *,
        free: bool = False,
        nature: Nature = Nature.HEADER,
    ) -> bytes:
        """Return all that is left, with a span."""
        if free and self.end > self.pos:
            self.free.append(_new(Place, (self.pos, self.end, "big", True)))
        return self.octets(self.end - self.pos, name, meaning, cite, nature=nature)


class Writer:
    """Collects octets in ``data`` and their ``spans``, which are made when they are asked for."""

    __slots__ = ("_later", "_spans", "data", "layer")
    __repr__ = showing("layer", "data")

    def __init__(self, layer: str = "") -> None:
        self.data = bytearray()
        self.layer = layer
        self._spans: list[Span] = []
        self._later: list[tuple[Any, ...]] = []

    @property
    def spans(self) -> list[Span]:
        """Return the spans of what was written, to add to."""
        if self._later:
            later, self._later = self._later, []
            for make, *arguments in later:
                self._spans += make(*arguments)
        return self._spans

    @spans.setter
    def spans(self, spans: list[Span]) -> None:
        self._later, self._spans = [], spans

    def later(self, make: Callable[..., Iterable[Span]], *arguments: Any) -> None:
        """Leave the spans that ``make`` will give for these arguments."""
        self._later.append((make, *arguments))

    @property
    def pos(self) -> int:
        """Return how many octets have been written."""
        return len(self.data)

    def octets(
        self,
        octets: bytes,
        name: str,
        meaning: str = "",
        cite: Cite | None = None,
        removed_by: str = "",
        value: Any = None,
        *,
        order: str = "big",
        nature: Nature = Nature.HEADER,
    ) -> None:
        """Append ``octets`` and leave a span whose value is ``value`` or the octets."""
        if not octets:
            return
        told = (
            len(self.data) * 8, len(octets) * 8, self.layer, name, octets if value is None else value, meaning,
            cite, removed_by, order, "", isinstance(octets, StandInOctets) or isinstance(value, StandIn), nature,
        )  # fmt: skip
        self._later.append((_alone, told))
        self.data += octets

    def number(
        self, count: int, value: int, name: str, meaning: str = "", cite: Cite | None = None, removed_by: str = ""
    ) -> None:  # fmt: skip
        """Append a number in ``count`` octets, most significant first, and leave its span."""
        self.octets(value.to_bytes(count, "big"), name, meaning, cite, removed_by, value)

    def append(self, other: "Writer") -> None:
        """Append what another writer holds, its spans moved to their new place."""
        self._later.append((_moved, other, len(self.data) * 8))
        self.data += other.data

    def slice(self, start: int, stop: int) -> "Writer":
        """Return octets ``start`` to ``stop`` with their spans, those at the edges cut short."""
        part = Writer(self.layer)
        part.data += self.data[start:stop]
        part.later(_cut, self, start * 8, min(stop, len(self.data)) * 8)
        return part


def _cut(writer: Writer, first: int, last: int) -> Iterator[Span]:
    for span in writer.spans:
        begin = max(span.offset_bits, first)
        bits = min(span.offset_bits + span.bits, last) - begin
        if bits <= 0:
            continue
        value = span.value
        if isinstance(value, bytes) and bits < span.bits == len(value) * 8:
            cut = (begin - span.offset_bits) // 8
            value = value[cut : cut + bits // 8]
        yield span._replace(offset_bits=begin - first, bits=bits, value=value)


def _alone(told: tuple[Any, ...]) -> tuple[Span]:
    return (_new(Span, told),)


def _moved(writer: Writer, shift: int) -> list[Span]:
    # by the tuple's own constructor, which takes a third of the time
    return [_new(Span, (span[0] + shift, *span[1:])) for span in writer.spans]


def tiles(spans: "list[Span] | tuple[Span, ...]", bits: int) -> bool:
    """Return whether the spans cover ``bits`` bits from 0 with no gap and no overlap."""
    at = 0
    for span in spans:
        if span.offset_bits != at or span.bits <= 0:
            return False
        at += span.bits
    return at == bits
