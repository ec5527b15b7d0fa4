"""The table engine: a header as rows of its standard, read to decode, encode, size, explain and survey.

A ``Header`` is a word of ``Bits`` (plain fields) and ``Choice``s (fields that select what follows in line). Nothing
else states a layout or a size.

    read:   Header.read -> the rows chosen; Choice.read -> one value, octets and spans consumed
    write:  Choice.best -> the shortest row that fits; Header.write, Choice.write -> octets and spans
    size:   Header.inline(word) -> octets in line, a fact of the rows alone
"""

from collections.abc import Mapping
from operator import index
from sys import getsizeof
from typing import Any, Literal, NamedTuple

from lowpanbudget.bits import Nature, Place, Reader, Span, Writer
from lowpanbudget.cites import Cite
from lowpanbudget.errors import RequestError, Reserved, plural, repeated
from lowpanbudget.fields.choice import Bits, Choice, Row
from lowpanbudget.values import FrozenDict, dataclass, field

_new = tuple.__new__
_HEADER = Nature.HEADER
_WORD_KEPT = 2  # octets; longer words (lengths, tags, checksums) hardly ever come again

_SPAN = getsizeof(Span(0, 0, "", "", 0, "", None)) + 2 * getsizeof(1 << 16)  # with its two numbers
_TEXT = getsizeof("§") + 8  # a text beside its signs, which may take two octets each


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
        signs = sum([len(span.meaning) for span in self.spans])
        return dictionaries + 2 * signs + (_SPAN + _TEXT) * len(self.spans)


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
            self.forget()
        if not plans:
            self.users.append(plans)
        plans[key] = plan
        self.number += 1
        self.octets += size

    def forget(self) -> None:
        """Forget all; it is learned again."""
        for used in self.users:
            used.clear()
        self.users.clear()
        self.number = self.octets = 0


KEPT = _Kept(4096, 4 << 20)  # all published examples together take a fifth of the number


@dataclass(slots=True, eq=False)
class Header:
    """A word of fields, big- or little-endian, as the standard draws it.

    ``order`` "big": fields from the most significant bit; "little": from the least significant bit of a little-endian
    number, as IEEE 802.15.4 draws them. ``free`` are the places of its free fields, ``unused`` the bits that a sender
    leaves zero.
    """

    name: str
    cite: Cite
    fields: tuple[Bits | Choice, ...]
    order: Literal["big", "little"] = "big"
    octets: int = field(init=False)
    places: tuple[tuple[Bits | Choice, int, int], ...] = field(init=False, repr=False)
    # of each field all that is the same for every word; its meaning, where that is
    _told: tuple[tuple[Any, str, int, int, int, str, Cite, str | None], ...] = field(
        init=False, repr=False
    )
    _base: int = field(init=False, repr=False)  # the word when all fields are zero that may differ
    _fixed: int = field(init=False, repr=False)  # the bits of the fields that may not
    _open: tuple[tuple[int, int], ...] = field(init=False, repr=False)  # where those stand
    _plans: _Plans = field(init=False, default_factory=dict, repr=False)
    free: tuple[Place, ...] = field(init=False, repr=False)
    unused: int = field(init=False, repr=False)

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
        self.places = tuple(places)
        self._told = tuple(
            (
                part, part.name, shift, mask, part.width, part.label if isinstance(part, Choice) else part.name,
                part.cite or self.cite, self._text(part),
            )
            for part, shift, mask in places
        )  # fmt: skip
        fixed = {part.name: part.fixed for part in self.fields if isinstance(part, Bits)}
        self._base = sum((fixed.get(part.name) or 0) << shift for part, shift, _ in places)
        self._fixed = sum(
            mask << shift for part, shift, mask in places if fixed.get(part.name) is not None
        )
        self._open = tuple(
            (shift, mask) for part, shift, mask in places if fixed.get(part.name) is None
        )
        self.unused = sum(
            mask << shift for part, shift, mask in places if isinstance(part, Bits) and part.unused
        )
        self.free = tuple(
            self._place(part, shift if self.order == "little" else bits - shift - part.width)
            for part, shift, _ in places
            if isinstance(part, Bits) and part.free
        )

    @staticmethod
    def _text(part: Bits | Choice) -> str | None:
        return part.meaning if isinstance(part, Bits) and isinstance(part.meaning, str) else None

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
        return {part.name: word >> shift & mask for part, shift, mask in self.places}

    def values_at(self, octets: bytes, at: int = 0) -> dict[str, int]:
        """Return the value of each field of the word that stands at an octet; octets that are not there are zero."""
        return self.split(self._word_at(octets, at))

    def _word_at(self, octets: bytes, at: int) -> int:
        word = octets[at : at + self.octets].ljust(self.octets, b"\0")
        return int.from_bytes(word, self.order)

    def starts(self, octets: bytes, at: int = 0) -> bool:
        """Return whether the word that stands at an octet has what the fixed fields must hold."""
        return self._word_at(octets, at) & self._fixed == self._base

    def pack(self, values: Mapping[str, int]) -> bytes:
        """Return the octets of these field values, without spans; raises as ``join``."""
        return self.join(values).to_bytes(self.octets, self.order)

    def packing(self, wrong: str, *values: str) -> str:
        """Return in Python the octets of values by these names, in order and without the fixed ones.

        ``wrong`` is the name of ``refuse``, which is called where a value does not fit.
        """
        fits = " and ".join(
            f"0 <= {value} <= {mask}" for value, (_, mask) in zip(values, self._open, strict=True)
        )
        word = " | ".join(
            f"{value} << {shift}" for value, (shift, _) in zip(values, self._open, strict=True)
        )
        octets = f"({self._base} | {word}).to_bytes({self.octets}, {self.order!r})"
        return f"({octets} if {fits} else {wrong}({', '.join(values)}))"

    def refuse(self, *values: int) -> bytes:
        """Raise what is wrong with values, in order and without the fixed ones."""
        names = [part.name for part in self.fields if getattr(part, "fixed", None) is None]
        return self.pack(dict(zip(names, values, strict=True)))

    def join(self, values: Mapping[str, int]) -> int:
        """Return the word of these field values; fixed fields may be left out.

        Raises ``RequestError`` for a value that its field cannot hold.
        """
        try:
            word: int | None = self._join(values)
        except OverflowError:
            word = None
        if type(word) is int:
            return word
        # of numpy, whose numbers may have too few bits to be shifted
        return self._join({name: index(value) for name, value in values.items()})

    def _join(self, values: Mapping[str, int]) -> int:
        word = 0
        for part, shift, mask in self.places:
            fixed = part.fixed if isinstance(part, Bits) else None
            value = values.get(part.name, fixed if fixed is not None else 0)
            if not 0 <= value <= mask:
                raise RequestError(
                    f"{self.name} {part.name} {repeated(value)} does not fit {plural(part.width, 'bit')}",
                    cite=part.cite or self.cite,
                    hint=f"Give 0 to {mask}" if fixed is None else f"It is always {fixed:#x}",
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
            reader.raw(self.octets, f"the {self.name.removesuffix(' header')} header", self.cite),
            self.order,
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
        if word & self.unused:
            fields = zip(self.fields, plan.spans, strict=True)
            told = [span for part, span in fields if getattr(part, "unused", False) and span.value]
            reader.unused = (*reader.unused, *told)
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
        writer.later(self.spans_of, word, writer.pos)
        writer.data += word.to_bytes(self.octets, self.order)

    def explain(self, word: int) -> tuple[dict[str, int], tuple[Span, ...]]:
        """Return the value of each field of a word, and its spans at octet 0; nothing is remembered of it."""
        plan = self._explain(word, 0)
        return plan.values, plan.spans

    def spans_of(self, word: int, at: int) -> tuple[Span, ...]:
        """Return the spans of a word at octet ``at``."""
        return self._plan(word, at).spans

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
        spans, layer, order = [], self.name, self.order
        wrong: Bits | None = None
        reserved: Choice | None = None
        for part, key, shift, mask, width, name, cite, text in self._told:
            value = values[key] = word >> shift & mask
            source = cite
            if type(part) is Choice:
                row = rows[key] = part.rows[value]
                meaning, source = row.needs, row.cite
                if row.restore is None and reserved is None:
                    reserved = part
            else:
                meaning = part.says(value) if text is None else text
                if part.fixed is not None and value != part.fixed and wrong is None:
                    wrong = part
            told = (at, width, layer, name, value, meaning, source, "", order, "", False, _HEADER)
            spans.append(_new(Span, told))
            at += width
        return _Plan(FrozenDict(values), FrozenDict(rows), tuple(spans), wrong, reserved)
