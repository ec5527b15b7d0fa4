"""Fields of a word: plain bits, and choices that select what follows in line.

A ``Choice`` has one ``Row`` for every code; a row says how many octets it carries, when it may be used, how to make
them (``fit``) and how to read them back (``restore``), and what a restored field comes from. Nothing else states it.
"""

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from typing import Any, Literal, NamedTuple

from lowpanbudget.bits import Nature, Place, Reader, Span, StandIn, Writer
from lowpanbudget.cites import Cite
from lowpanbudget.errors import RequestError, Reserved, WireError, plural, repeated
from lowpanbudget.values import dataclass, field

Fit = Callable[[Any, Any], bytes | None]
Restore = Callable[[bytes, Any], Any]
Meaning = str | Mapping[int, str] | Callable[[int], str]
Hint = str | Callable[[int], str]

_new = tuple.__new__
_HEADER = Nature.HEADER


@dataclass(frozen=True, slots=True)
class Bits:
    """A field of ``width`` bits in a header's word, or a part of a row's in-line octets.

    ``meaning`` is a text, a table of values, or a function of the value. A field with ``fixed`` must hold that value. A
    ``free`` one, of whole octets, may hold any: nothing is read otherwise for it. In the value of a layout the field is
    under its name, or under ``key``; it counts in units of ``unit``. A sender leaves an ``unused`` one zero, and a
    receiver ignores it.
    """

    name: str
    width: int
    meaning: Meaning = ""
    fixed: int | None = None
    cite: Cite | None = None
    free: bool = False
    key: str = ""
    unit: int = 1
    unused: bool = False

    def says(self, value: int) -> str:
        """Return what ``value`` means in words."""
        return in_words(self.meaning, value)


def in_words(meaning: Meaning, value: int) -> str:
    """Return what a value means: a value that a table leaves out is reserved."""
    if isinstance(meaning, str):
        return meaning
    return meaning(value) if callable(meaning) else meaning.get(value, "reserved")


LINE, CONTEXT, LINK, RULE = "line", "context", "link", "rule"  # what a restored field comes from


IN_LINE, BY_RULE = "in line", "by the standard"


class Use(NamedTuple):
    """What a row restores a ``field`` from: the ``parts`` of its octets in line, how that is said, and the sources.

    The words may have gaps: ``{context}``, ``{link}``.
    """

    field: str
    parts: tuple[str, ...]
    says: str = IN_LINE
    sources: tuple[str, ...] = (LINE,)


@dataclass(frozen=True, slots=True)
class Row:
    """One code of a ``Choice``.

    ``inline`` octets are carried for it; ``needs`` says in words when it may be used; ``fit`` makes the octets (None:
    cannot be used here; no ``fit`` at all: never chosen); ``restore`` reads them (None: a reserved code). ``parts``
    lays out the octets when they hold more than one field. A row stands in for another one only of its own ``family``.
    ``uses`` tell what each field that it restores comes from. Nothing is read otherwise for what ``free`` octets hold.
    ``shrinks`` tells of a value in line whether a row of fewer octets may ever stand in; None: of any. ``says`` tells
    what a value means where ``needs`` does not say it all.
    """

    code: int
    inline: int
    needs: str
    cite: Cite
    fit: Fit | None = field(default=None, repr=False)
    restore: Restore | None = field(default=None, repr=False)
    parts: tuple[Bits, ...] = ()
    family: str = ""
    uses: tuple[Use, ...] = ()
    free: Literal["", "big", "little"] = ""
    shrinks: Callable[[int], bool] | None = field(default=None, repr=False)
    says: Callable[[Any], str] | None = field(default=None, repr=False)

    def takes(self, source: str) -> bool:
        """Return whether a field that this row restores comes from such a source."""
        return any(source in use.sources for use in self.uses)


class Chosen(NamedTuple):
    """What an encoder chose: a row and the octets it carries in line."""

    row: Row
    octets: bytes


class Choice:
    """A field of ``width`` bits whose value selects a row; ``rows`` cover all 2**width codes or import fails."""

    __slots__ = (
        "_carried", "_hints", "_unused", "by_cost", "carries", "cite", "label", "name", "rows", "width",
    )  # fmt: skip

    def __init__(
        self, name: str, label: str, width: int, rows: tuple[Row, ...], carries: str = ""
    ) -> None:
        if [row.code for row in sorted(rows, key=lambda row: row.code)] != list(range(1 << width)):
            raise TypeError(f"{name}: codes do not cover {1 << width} values once each")
        self.name = name
        self.label = label
        self.carries = carries or label  # what the octets in line are called
        self.width = width
        self.rows = tuple(sorted(rows, key=lambda row: row.code))
        self.cite = self.rows[0].cite
        chosen = [row for row in self.rows if row.fit is not None]
        self.by_cost = tuple(sorted(chosen, key=lambda row: (row.inline, row.code)))
        self._hints = tuple(tuple(self._hints_of(row)) for row in self.rows)
        self._carried = tuple(
            _place_of([use.field for use in row.uses if use.parts] or [self.carries])
            for row in self.rows
        )
        self._unused = tuple(map(_unused_bits, self.rows))
        for row in self.rows:
            if row.parts and sum(part.width for part in row.parts) != row.inline * 8:
                raise TypeError(f"{name}: parts of row {row.code} do not fill its octets")
            places = self.places(row, 0)
            if any(part not in places for use in row.uses for part in use.parts):
                raise TypeError(f"{name}: row {row.code} uses a part that it does not have")

    def _hints_of(self, row: Row) -> Iterator[Hint]:
        cheaper = [
            other
            for other in self.rows
            if other.inline < row.inline and other.restore and other.family == row.family
        ]
        if not row.parts:
            yield _hint(row, [(other.inline * 8, other.needs) for other in cheaper])
        for part in row.parts:
            found = [(_left_of(part, other, row), other.needs) for other in cheaper]
            yield _hint(row, [one for one in found if one[0] < part.width])

    def hints(self, row: Row) -> tuple[Hint, ...]:
        """Return of each of a row's parts, or of its octets, by which cheaper rows it gets smaller, and when.

        A hint may be a function of the value.
        """
        return self._hints[row.code]

    def unused_bits(self, row: Row) -> int:
        """Return the bits of a row's octets that a sender leaves zero."""
        return self._unused[row.code]

    def places(self, row: Row, at: int) -> dict[str, tuple[int, int]]:
        """Return where each part of a row's octets stands, when they start at octet ``at``: (offset, bits), in bits."""
        if not row.parts:
            return {self.carries: (at * 8, row.inline * 8)} if row.inline else {}
        places, offset = {}, at * 8
        for part in row.parts:
            places[part.name] = (offset, part.width)
            offset += part.width
        return places

    def best(self, value: Any, env: Any = None) -> Chosen:
        """Return the row with the fewest octets, then the smallest code.

        Raises ``RequestError`` when no row can carry the value.
        """
        chosen = self.best_of(self.by_cost, value, env)
        if chosen is None:
            raise RequestError(f"no {self.label} can carry {repeated(value)}", cite=self.cite)
        return chosen

    def rows_taking(self, source: str) -> tuple[Row, ...]:
        """Return the rows that restore from such a source and can be chosen, those with the fewest octets first."""
        return tuple(row for row in self.by_cost if row.takes(source))

    @staticmethod
    def best_of(rows: Iterable[Row], value: Any, env: Any = None) -> Chosen | None:
        """Return the first of these rows that can carry the value, or None."""
        for row in rows:
            octets = row.fit(value, env)  # type: ignore[misc]
            if octets is not None:
                return _new(Chosen, (row, octets))
        return None

    def read(self, reader: Reader, row: Row, env: Any = None) -> Any:
        """Return the value restored from ``row`` and the octets it carries, leaving their spans.

        Raises ``Reserved`` for a code without meaning and ``Truncated`` for octets that are missing.
        """
        start = reader.pos
        if row.restore is None:
            raise self.reserved(row, start, reader.layer)
        carried = self._carried[row.code]
        octets = reader.raw(row.inline, carried, row.cite) if row.inline else b""
        try:
            value = row.restore(octets, env)
        except WireError as error:
            reader.pos = start
            error.offset, error.layer = start, error.layer or reader.layer
            error.cite = error.cite or row.cite
            error.message = f"{self.carries}: {error.message}"
            raise
        if octets:
            self._spans(reader.spans, reader.layer, row, octets, value, start * 8)
            if row.free:
                reader.free.append(Place(start, reader.pos, row.free))
            if self._unused[row.code] & int.from_bytes(octets, "big"):
                told = zip(row.parts, reader.spans[-len(row.parts) :], strict=True)
                found = [span for part, span in told if part.unused and span.value]
                reader.unused = (*reader.unused, *found)
        return value

    def reserved(self, row: Row, offset: int, layer: str) -> Reserved:
        """Return the error for a code without meaning, found in the header at ``offset``."""
        return Reserved(
            f"{self.label} {row.code:0{self.width}b} is reserved",
            offset=offset,
            layer=layer,
            cite=row.cite,
        )

    def write(self, writer: Writer, chosen: Chosen, value: Any) -> None:
        """Append the chosen row's octets and their spans."""
        if chosen.octets:
            at = len(writer.data) * 8
            writer.later(self._made, writer.layer, chosen.row, chosen.octets, value, at)
            writer.data += chosen.octets

    def _made(self, *told: Any) -> list[Span]:
        spans: list[Span] = []
        self._spans(spans, *told)
        return spans

    def _spans(
        self, spans: list[Span], layer: str, row: Row, octets: bytes, value: Any, at: int
    ) -> None:
        # spans are made by the tuple's own constructor: a frame has dozens, and the named one costs a call more
        hints, cite = self._hints[row.code], row.cite
        stand_in = type(value) is StandIn
        if not row.parts:
            removed_by = hints[0] if isinstance(hints[0], str) else hints[0](value)
            meaning = row.needs if row.says is None else row.says(value)
            told = (
                at, row.inline * 8, layer, self.carries, value, meaning, cite, removed_by,
                row.free or "big", "", stand_in, _HEADER,
            )  # fmt: skip
            spans.append(_new(Span, told))
            return
        number = int.from_bytes(octets, "big")
        shift = row.inline * 8
        for part, hint in zip(row.parts, hints, strict=True):
            width = part.width
            shift -= width
            part_value = number >> shift & ((1 << width) - 1)
            meaning = part.meaning if type(part.meaning) is str else part.says(part_value)
            removed_by = hint if isinstance(hint, str) else hint(part_value)
            told = (
                at, width, layer, part.name, part_value, meaning, cite, removed_by, "big", "",
                stand_in, _HEADER,
            )  # fmt: skip
            spans.append(_new(Span, told))
            at += width


def _unused_bits(row: Row) -> int:
    """Return the bits of a row's octets that a sender leaves zero."""
    bits = 0
    for part in row.parts:
        bits = bits << part.width | (((1 << part.width) - 1) if part.unused else 0)
    return bits


def _place_of(fields: list[str]) -> str:
    """Return what stands in line, as what needs octets."""
    return fields[0] if len(fields) == 1 else f"the place of {' and '.join(fields)}"


def _left_of(part: Bits, other: Row, row: Row) -> int:
    """Return the bits that a part of a row still has in another row."""
    if other.parts or len(row.parts) > 1:
        return sum(one.width for one in other.parts if one.name == part.name)
    return other.inline * 8


def _hint(row: Row, smaller: Sequence[tuple[int, str]]) -> Hint:
    """Return to how many bits something shrinks, and when."""
    found: dict[int, list[str]] = {}
    for width, needs in smaller:
        found.setdefault(width, []).append(needs)
    text = "; ".join(
        f"{plural(width, 'bit') if width % 8 else plural(width // 8, 'octet')} if {' or '.join(needs)}"
        for width, needs in sorted(found.items())
    )
    shrinks = row.shrinks
    return text if shrinks is None else lambda value: text if shrinks(value) else ""
