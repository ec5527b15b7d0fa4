"""Words among the parts of a layout: what their fields are called in its value, and what can be done without names.

A layout of words, and of parts that are always there, gives the octets of a value, and the attributes of octets, at
once: no dictionary in between. Headers that every datagram has are such.
"""

import dataclasses
from collections.abc import Callable, Collection, Iterator, Sequence
from operator import itemgetter
from typing import Any, NamedTuple

from lowpanbudget.cites import Cite
from lowpanbudget.declared import as_whole
from lowpanbudget.errors import repeated
from lowpanbudget.fields.choice import Bits
from lowpanbudget.fields.parts import LayoutPart, Order, Values, key_of
from lowpanbudget.fields.word import Header

Piece = Header | LayoutPart


class Keyed(NamedTuple):
    """A field of a word in a layout: its name, the key of its value, whether that is a ``bool``, its unit."""

    name: str
    key: str
    flag: bool
    unit: int = 1


class KeyedWord(NamedTuple):
    """A word in a layout: its fields, their keys, and those whose value is not the number that stands there."""

    fields: tuple[Keyed, ...]
    keys: tuple[str, ...]
    converted: tuple[Keyed, ...]

    @classmethod
    def of(cls, word: Header, *, mapping: bool) -> "KeyedWord":
        """Return the fields of a word; keys of attributes have small letters, and one bit is a ``bool`` there."""
        fields = []
        for field in word.fields:
            key, unit = key_of(field.name), 1
            if isinstance(field, Bits):
                key, unit = field.key or key, field.unit
            flag = not mapping and field.width == 1
            fields.append(Keyed(field.name, key if mapping else key.lower(), flag, unit))
        keys = tuple(keyed.key for keyed in fields)
        return cls(tuple(fields), keys, tuple(k for k in fields if k.flag or k.unit > 1))

    def misfit(self, values: Values) -> str:
        """Return in words which of these values is no whole number, the first such."""
        held = ((key, values[key]) for key in self.keys if key in values)
        key, wrong = next(
            one for one in held if not isinstance(one[1], bool) and as_whole(one[1]) is None
        )
        return f"{key} is a whole number, not {repeated(wrong)}"


Step = tuple[Piece, KeyedWord | None]


def words(parts: tuple[Bits | Piece, ...], name: str, cite: Cite, order: Order) -> Iterator[Piece]:
    """Yield the parts, bits in a row as one word."""
    row: list[Bits] = []
    for part in parts:
        if isinstance(part, Bits):
            row.append(part)
            continue
        if row:
            yield Header(name, cite, tuple(row), order)
            row = []
        yield part
    if row:
        yield Header(name, cite, tuple(row), order)


# of each part: what makes its octets, and of which attributes
Making = list[tuple[Header | Callable[[Any], bytes], list[str]]]


def octets_at_once(steps: Sequence[Step], attributes: Collection[str]) -> Making | None:
    """Return what makes each part's octets of a value, without a span; None where it is not so plain."""
    making: Making = []
    for part, word in steps:
        if isinstance(part, LayoutPart):
            if part.plain is None:
                return None
            making.append((part.plain, [part.key]))
            continue
        assert word is not None
        free = [
            keyed
            for keyed, field in zip(word.fields, part.fields, strict=True)
            if getattr(field, "fixed", None) is None
        ]
        known = [keyed.key for keyed in free if keyed.key in attributes and keyed.unit == 1]
        if len(known) < max(len(free), 2):
            return None
        making.append((part, known))
    return making


def making_octets(making: Making) -> Callable[[Any], bytes]:
    """Return a function of a value that makes its octets; it names attributes of the class, and names of its own."""
    bound: dict[str, Any] = {}
    lines, terms = [], []
    for part, (make, keys) in enumerate(making):
        names = [f"v{part}_{number}" for number in range(len(keys))]
        lines += [f"{name} = value.{key}" for name, key in zip(names, keys, strict=True)]
        called = f"make{part}"
        if isinstance(make, Header):
            bound[called] = make.refuse
            terms.append(make.packing(called, *names))
        else:
            bound[called] = make
            terms.append(f"{called}({names[0]})")
    lines.append(f"return {' + '.join(terms)}")
    text = "def octets(value):\n" + "".join(f"    {line}\n" for line in lines)
    exec(text, bound)  # noqa: S102 - numbers, and names of fields of our own classes
    made: Callable[[Any], bytes] = bound["octets"]
    return made


def attributes_in_order(
    steps: Sequence[Step], value: type[Any]
) -> Callable[[list[Any]], tuple[Any, ...]] | None:
    """Return what takes a class's attributes, in order, out of all that stands there; None if they have no order."""
    fields = dataclasses.fields(value)
    if len(fields) < 2 or any(field.kw_only for field in fields):
        return None
    keys: list[str] = []
    for part, word in steps:
        keys += [part.key] if isinstance(part, LayoutPart) else word.keys if word else ()
    return itemgetter(*(keys.index(field.name) for field in fields))
