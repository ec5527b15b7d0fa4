"""The table engine: a header as rows of its standard, read to decode, encode, size, explain and survey.

A ``Header`` is a word of ``Bits`` (plain fields) and ``Choice``s (fields that select what follows in line).
A ``Choice`` has one ``Row`` for every code; a row says how many octets it carries, when it may be used, how to make
them (``fit``) and how to read them back (``restore``). Nothing else states a layout or a size.

    read:   Header.read -> the rows chosen; Choice.read -> one value, octets and spans consumed
    write:  Choice.best -> the shortest row that fits; Header.write, Choice.write -> octets and spans
    size:   Header.inline(word) -> octets in line, a fact of the rows alone
"""

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from sys import getsizeof
from typing import Any, Literal, NamedTuple

from lowpanbudget.bits import Place, Reader, Span, StandIn, Writer
from lowpanbudget.cites import Cite
from lowpanbudget.errors import RequestError, Reserved, WireError, plural

Fit = Callable[[Any, Any], bytes | None]
Restore = Callable[[bytes, Any], Any]
Meaning = str | Mapping[int, str] | Callable[[int], str]

_new = tuple.__new__
_WORD_KEPT = 2  # octets; longer words (lengths, tags, checksums) hardly ever come again


@dataclass(frozen=True, slots=True)
class Bits:
    """A field of ``width`` bits in a header's word, or a part of a row's in-line octets.

    ``meaning`` is a text, a table of values, or a function of the value. A field with ``fixed`` must hold that value. A
    ``free`` one, of whole octets, may hold any: nothing is read otherwise for it.
    """

    name: str
    width: int
    meaning: Meaning = ""
    fixed: int | None = None
    cite: Cite | None = None
    free: bool = False

    def says(self, value: int) -> str:
        """Return what ``value`` means in words."""
        if isinstance(self.meaning, str):
            return self.meaning
        if callable(self.meaning):
            return self.meaning(value)
        return self.meaning.get(value, "reserved")


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
    """

    code: int
    inline: int
    needs: str
    cite: Cite
    fit: Fit | None = None
    restore: Restore | None = None
    parts: tuple[Bits, ...] = ()
    family: str = ""
    uses: tuple[Use, ...] = ()
    free: Literal["", "big", "little"] = ""

    def takes(self, source: str) -> bool:
        """Return whether a field that this row restores comes from such a source."""
        return any(source in use.sources for use in self.uses)


class Chosen(NamedTuple):
    """What an encoder chose: a row and the octets it carries in line."""

    row: Row
    octets: bytes

    @property
    def cost(self) -> tuple[int, int]:
        """Return the order of preference: fewest octets, then the smallest code."""
        return (self.row.inline, self.row.code)


class Choice:
    """A field of ``width`` bits whose value selects a row; ``rows`` cover all 2**width codes or import fails."""

    __slots__ = ("_removed_by", "carries", "cite", "label", "name", "rows", "width")

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
        self._removed_by = tuple(self._cheaper(row) for row in self.rows)
        for row in self.rows:
            if row.parts and sum(part.width for part in row.parts) != row.inline * 8:
                raise TypeError(f"{name}: parts of row {row.code} do not fill its octets")
            places = self.places(row, 0)
            if any(part not in places for use in row.uses for part in use.parts):
                raise TypeError(f"{name}: row {row.code} uses a part that it does not have")

    def _cheaper(self, row: Row) -> str:
        found: dict[int, list[str]] = {}
        for other in self.rows:
            if other.inline < row.inline and other.restore and other.family == row.family:
                found.setdefault(other.inline, []).append(other.needs)
        return "; ".join(
            f"{plural(inline, 'octet')} if {' or '.join(needs)}"
            for inline, needs in sorted(found.items())
        )

    def removed_by(self, row: Row) -> str:
        """Return which cheaper rows there are, and when they may be used."""
        return self._removed_by[row.code]

    def places(self, row: Row, at: int) -> dict[str, tuple[int, int]]:
        """Return where each part of a row's octets stands, when they start at octet ``at``: (offset, bits), in bits."""
        if not row.parts:
            return {self.carries: (at * 8, row.inline * 8)} if row.inline else {}
        places, offset = {}, at * 8
        for part in row.parts:
            places[part.name] = (offset, part.width)
            offset += part.width
        return places

    def candidates(self, value: Any, env: Any) -> Iterator[Chosen]:
        """Yield every row that can carry ``value`` here, in the order of codes."""
        for row in self.rows:
            if row.fit is not None:
                octets = row.fit(value, env)
                if octets is not None:
                    yield Chosen(row, octets)

    def best(self, value: Any, env: Any = None) -> Chosen:
        """Return the row with the fewest octets, then the smallest code.

        Raises ``RequestError`` when no row can carry the value.
        """
        chosen = min(self.candidates(value, env), key=lambda c: c.cost, default=None)
        if chosen is None:
            raise RequestError(f"no {self.label} can carry {value!r}", cite=self.cite)
        return chosen

    def read(self, reader: Reader, row: Row, env: Any = None) -> Any:
        """Return the value restored from ``row`` and the octets it carries, leaving their spans.

        Raises ``Reserved`` for a code without meaning and ``Truncated`` for octets that are missing.
        """
        start = reader.pos
        if row.restore is None:
            raise self.reserved(row, start, reader.layer)
        octets = reader.raw(row.inline, self.label, row.cite) if row.inline else b""
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
            self._spans(writer.spans, writer.layer, chosen.row, chosen.octets, value, at)
            writer.data += chosen.octets

    def _spans(
        self, spans: list[Span], layer: str, row: Row, octets: bytes, value: Any, at: int
    ) -> None:
        # spans are made by the tuple's own constructor: a frame has dozens, and the named one costs a call more
        removed_by, cite = self._removed_by[row.code], row.cite
        stand_in = type(value) is StandIn
        if not row.parts:
            told = (
                at, row.inline * 8, layer, self.carries, value, row.needs, cite, removed_by,
                "big", "", stand_in,
            )  # fmt: skip
            spans.append(_new(Span, told))
            return
        number = int.from_bytes(octets, "big")
        shift = row.inline * 8
        for part in row.parts:
            width = part.width
            shift -= width
            part_value = number >> shift & ((1 << width) - 1)
            meaning = part.meaning if type(part.meaning) is str else part.says(part_value)
            told = (
                at, width, layer, part.name, part_value, meaning, cite, removed_by, "big", "",
                stand_in,
            )  # fmt: skip
            spans.append(_new(Span, told))
            at += width


_SPAN = getsizeof(Span(0, 0, "", "", 0, "", None)) + 2 * getsizeof(1 << 16)  # with its two numbers


class _Plan(NamedTuple):
    values: dict[str, int]
    rows: dict[str, Row]
    spans: tuple[Span, ...]
    wrong: Bits | None
    reserved: Choice | None

    @property
    def size(self) -> int:
        """Return about how many octets of memory it takes, texts included though tables share most of them."""
        dictionaries = getsizeof(self.values) + getsizeof(self.rows)
        texts = sum([getsizeof(span.meaning) for span in self.spans])
        return dictionaries + texts + _SPAN * len(self.spans)


_Plans = dict[tuple[int, int], _Plan]


class _Kept:
    """What all headers together remember of the words they have read, bounded in number and in octets.

    A network's frames share a few hundred words, while a hostile capture brings new ones without end: at a bound all
    is forgotten, and learned again.
    """

    __slots__ = ("most", "most_octets", "number", "octets", "users")

    def __init__(self, most: int, most_octets: int) -> None:
        self.most, self.most_octets = most, most_octets
        self.number = self.octets = 0
        self.users: list[_Plans] = []

    def put(self, plans: _Plans, key: tuple[int, int], plan: _Plan) -> None:
        """Remember a plan among a header's ``plans``."""
        size = plan.size
        if self.number >= self.most or self.octets + size > self.most_octets:
            for used in self.users:
                used.clear()
            self.users.clear()
            self.number = self.octets = 0
        if not plans:
            self.users.append(plans)
        plans[key] = plan
        self.number += 1
        self.octets += size


KEPT = _Kept(4096, 4 << 20)  # all published examples together take a fifth of the number


@dataclass(slots=True, eq=False)
class Header:
    """A word of fields, big- or little-endian, as the standard draws it.

    ``order`` "big": fields from the most significant bit; "little": from the least significant bit of a little-endian
    number, as IEEE 802.15.4 draws them. ``free`` are the places of its free fields.
    """

    name: str
    cite: Cite
    fields: tuple[Bits | Choice, ...]
    order: Literal["big", "little"] = "big"
    octets: int = field(init=False)
    _places: tuple[tuple[Bits | Choice, int, int], ...] = field(init=False, repr=False)
    _plans: _Plans = field(init=False, default_factory=dict, repr=False)
    free: tuple[Place, ...] = field(init=False, repr=False)

    def __post_init__(self) -> None:
        bits = sum(part.width for part in self.fields)
        if bits % 8:
            raise TypeError(f"{self.name}: {bits} bits are no whole octets")
        self.octets = bits // 8
        places, passed = [], 0
        for part in self.fields:
            shift = passed if self.order == "little" else bits - passed - part.width
            places.append((part, shift, (1 << part.width) - 1))
            passed += part.width
        self._places = tuple(places)
        self.free = tuple(
            self._place(part, shift if self.order == "little" else bits - shift - part.width)
            for part, shift, _ in places
            if isinstance(part, Bits) and part.free
        )

    def _place(self, part: Bits, at: int) -> Place:
        if at % 8 or part.width % 8:
            raise TypeError(f"{self.name}: the free field {part.name} is no whole octets")
        return Place(at // 8, (at + part.width) // 8, self.order)

    @property
    def choices(self) -> tuple[Choice, ...]:
        """Return the fields that select what follows in line."""
        return tuple(part for part in self.fields if isinstance(part, Choice))

    def split(self, word: int) -> dict[str, int]:
        """Return the value of each field of ``word``."""
        return {part.name: word >> shift & mask for part, shift, mask in self._places}

    def values_at(self, octets: bytes, at: int = 0) -> dict[str, int]:
        """Return the value of each field of the word that stands at an octet; octets that are not there are zero."""
        word = octets[at : at + self.octets].ljust(self.octets, b"\0")
        return self.split(int.from_bytes(word, self.order))

    def starts(self, octets: bytes, at: int = 0) -> bool:
        """Return whether the word that stands at an octet has what the fixed fields must hold."""
        values = self.values_at(octets, at)
        return all(
            field.fixed in (None, values[field.name])
            for field in self.fields
            if isinstance(field, Bits)
        )

    def pack(self, values: Mapping[str, int]) -> bytes:
        """Return the octets of these field values, without spans; raises as ``join``."""
        return self.join(values).to_bytes(self.octets, self.order)

    def join(self, values: Mapping[str, int]) -> int:
        """Return the word of these field values; fixed fields may be left out.

        Raises ``RequestError`` for a value that its field cannot hold.
        """
        word = 0
        for part, shift, mask in self._places:
            fixed = part.fixed if isinstance(part, Bits) else None
            value = values.get(part.name, fixed if fixed is not None else 0)
            if not 0 <= value <= mask:
                raise RequestError(
                    f"{self.name} {part.name} {value} does not fit {part.width} bits",
                    cite=self.cite,
                )
            word |= value << shift
        return word

    def inline(self, word: int) -> int:
        """Return how many octets follow in line for ``word``: a fact of the rows alone."""
        values = self.split(word)
        return sum(choice.rows[values[choice.name]].inline for choice in self.choices)

    def read(self, reader: Reader) -> tuple[dict[str, int], dict[str, Row]]:
        """Return field values and chosen rows of the next word, leaving its spans.

        The dictionaries are shared between calls: read them, do not write. Raises ``Truncated``, or ``Reserved``
        when a fixed field holds another value or a choice a code without meaning.
        """
        reader.layer = self.name
        start = reader.pos
        word = int.from_bytes(
            reader.raw(self.octets, f"the {self.name} header", self.cite), self.order
        )
        plan = self._plan(word, start)
        if plan.wrong is not None:
            reader.pos = start
            raise Reserved(
                f"{plan.wrong.name} is {plan.values[plan.wrong.name]:#x}, "
                f"not {plan.wrong.fixed:#x}",
                offset=start,
                layer=self.name,
                cite=plan.wrong.cite or self.cite,
            )
        reader.spans += plan.spans
        for place in self.free:
            reader.free.append(Place(start + place.start, start + place.end, place.order))
        if plan.reserved is not None:
            raise plan.reserved.reserved(plan.rows[plan.reserved.name], start, self.name)
        return plan.values, plan.rows

    def write(self, writer: Writer, values: Mapping[str, int]) -> None:
        """Append the word of these values and leave its spans."""
        writer.layer = self.name
        word = self.join(values)
        writer.spans += self._plan(word, writer.pos).spans
        writer.data += word.to_bytes(self.octets, self.order)

    def _plan(self, word: int, at: int) -> _Plan:
        """Return what ``word`` means at octet ``at``; short words, which come again, are remembered."""
        if self.octets > _WORD_KEPT:
            return self._explain(word, at * 8)
        key = (word, at)
        plan = self._plans.get(key)
        if plan is None:
            plan = self._explain(word, at * 8)
            KEPT.put(self._plans, key, plan)
        return plan

    def _explain(self, word: int, at: int) -> _Plan:
        values: dict[str, int] = {}
        rows: dict[str, Row] = {}
        spans, layer = [], self.name
        wrong: Bits | None = None
        reserved: Choice | None = None
        for part, shift, mask in self._places:
            value = values[part.name] = word >> shift & mask
            if isinstance(part, Choice):
                row = rows[part.name] = part.rows[value]
                meaning, cite, name = row.needs, row.cite, part.label
                if row.restore is None and reserved is None:
                    reserved = part
            else:
                meaning = part.meaning if type(part.meaning) is str else part.says(value)
                cite, name = part.cite or self.cite, part.name
                if part.fixed is not None and value != part.fixed and wrong is None:
                    wrong = part
            told = (
                at, part.width, layer, name, value, meaning, cite, "", self.order, "", False,
            )  # fmt: skip
            spans.append(_new(Span, told))
            at += part.width
        return _Plan(values, rows, tuple(spans), wrong, reserved)
