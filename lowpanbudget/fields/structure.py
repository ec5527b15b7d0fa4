"""A layout as a class: its attributes are the fields, and it becomes a frozen dataclass that they fill.

    @structure("MTU option", rfc(4861, "4.6.4"))
    class Mtu:
        reserved = bits(16)                # no annotation: on the wire alone
        mtu: int = bits(32, "octets")      # one bit is a bool; attributes are given by keyword

``layout_of`` gives its layout. A class that is declared from another one has the fields of that first. Docstrings end
with the section that the layout is from: nobody writes it twice.
"""

import dataclasses
import inspect
from collections.abc import Callable, Collection, Mapping
from typing import Any, NamedTuple, TypeVar, cast, dataclass_transform

from lowpanbudget.cites import Cite
from lowpanbudget.fields.choice import Bits, Meaning
from lowpanbudget.fields.keyed import Piece
from lowpanbudget.fields.layout import Layout
from lowpanbudget.fields.parts import LayoutPart, Order
from lowpanbudget.fields.word import Header
from lowpanbudget.values import FrozenDict, brief, dataclass, fields

T = TypeVar("T")
_NONE: Any = dataclasses.MISSING
_LAYOUTS: dict[type, Layout[Any]] = {}
_Stated = Header | Layout[Any]
_WORDS: dict[type, _Stated | Callable[[Any], _Stated]] = {}


class WireValue:
    """The base of a class with a layout whose values are asked for their octets: ``bytes(value)``."""

    __slots__ = ()

    def __bytes__(self) -> bytes:
        """Return the octets; raises ``RequestError`` for a value that a field cannot hold."""
        layout = _LAYOUTS[type(self)]
        try:
            return layout.octets(self) if layout.making is None else layout.making(self)
        except TypeError:
            return layout.written(self)  # which tells what is wrong


class WholeValue:
    """The base of a class that holds all of its content, such as a record: headers behind it are not inside it."""

    __slots__ = ()


class Sent(NamedTuple):
    """The ``octets`` of a header as they were read, and what they were ``read`` as, where its value does not tell."""

    octets: bytes
    read: Any


class SelectedRows:
    """The base of a class stated by a word that keeps the ``rows`` which the word selected.

    Rows hold functions and belong to their tables: a copy, in another process too, has those of the same codes.
    """

    __slots__ = ()

    def __reduce__(self) -> tuple[Any, ...]:
        """Return how to make a copy."""
        kept = {one.name: getattr(self, one.name) for one in fields(cast("Any", self))}
        codes = {name: row.code for name, row in kept.pop("rows").items()}
        return _with_rows, (type(self), codes, kept)


def _with_rows(kind: Any, codes: dict[str, int], kept: dict[str, Any]) -> Any:
    word = cast("Header", _WORDS[kind])
    choices = {choice.name: choice for choice in word.choices}
    return kind(rows=FrozenDict({name: choices[name].rows[codes[name]] for name in codes}), **kept)


@dataclass(frozen=True, slots=True)
class _Declared:
    """A field as it is declared in a class: what makes the part once name and annotation are known, and its default."""

    part: Callable[[str, bool], Bits | LayoutPart] | None
    default: Any
    metadata: Mapping[str, Any] | None = None
    is_shown: bool = True
    kw_only: bool = False

    def attribute(self, *, kw_only: bool) -> Any:
        """Return the attribute of the class, given by keyword where it or all are."""
        return dataclasses.field(
            default=self.default,
            metadata=self.metadata,
            repr=self.is_shown,
            kw_only=kw_only or self.kw_only,
        )


def bits(
    width: int,
    meaning: Meaning = "",
    *,
    fixed: int | None = None,
    cite: Cite | None = None,
    free: bool = False,
    unit: int = 1,
    default: Any = _NONE,
    name: str = "",
) -> Any:
    """Return a field of ``width`` bits for a class; ``name`` only where the standard's is not the attribute's."""

    def make(key: str, attribute: bool) -> Bits:  # called here alone
        own = key if attribute else ""
        return Bits(name or _spoken(key), width, meaning, fixed, cite, free, own, unit)

    return _Declared(make, default)


def unused(width: int, *, default: int, kw_only: bool = False) -> Any:
    """Return a field of ``width`` bits that a sender leaves zero and a receiver ignores; it is kept, and not shown.

    ``default`` is 0, of one bit False, and ``kw_only`` True where the class is not: checkers of types look for both.
    """

    def make(key: str, _attribute: bool) -> Bits:  # called here alone
        return Bits(_spoken(key), width, key=key, unused=True)

    return _Declared(make, default, is_shown=False, kw_only=kw_only)


def part(
    kind: Callable[..., LayoutPart],
    *values: Any,
    default: Any = _NONE,
    name: str = "",
    metadata: Mapping[str, Any] | None = None,
    **keys: Any,
) -> Any:
    """Return a field for a class that is a part of this ``kind``, made with its name and these values."""

    def make(key: str, _attribute: bool) -> LayoutPart:  # called here alone
        made = kind(name or key, *values, **keys)
        made.key = key
        return made

    return _Declared(make, default, metadata)


def outer(*, default: Any = _NONE) -> Any:
    """Return a field for a class that stands in the header around."""
    return _Declared(None, default)


def _spoken(key: str) -> str:
    return key.replace("_", " ")


@dataclass_transform(
    kw_only_default=True, frozen_default=True, field_specifiers=(bits, part, outer, unused)
)
def structure(
    name: str,
    cite: Cite,
    *,
    order: Order = "big",
    sizes: Collection[int] = (),
    sent: Collection[int] = (),
    padded: bool = False,
    tag: str = "",
    kw_only: bool = True,
) -> Callable[[type[T]], type[T]]:
    """Return what makes a class of declared fields a frozen dataclass with a layout.

    Its attributes are given by keyword; without ``kw_only`` also in the order of the wire.
    """

    def make(declared: type[T]) -> type[T]:
        parts: list[Bits | Piece] = []
        around: list[str] = []
        for base in declared.__mro__[1:]:
            if base in _LAYOUTS:
                parts += _LAYOUTS[base].flat()
                around += _LAYOUTS[base].around
        for key, field in list(vars(declared).items()):
            if not isinstance(field, _Declared):
                continue
            if field.part is not None:
                parts.append(field.part(key, key in declared.__annotations__))
            else:
                around.append(key)
            if key in declared.__annotations__:
                setattr(declared, key, field.attribute(kw_only=kw_only))
            else:
                delattr(declared, key)
        value = _brief(dataclass(frozen=True, slots=True, kw_only=kw_only)(declared))
        _LAYOUTS[value] = Layout(
            name, cite, *parts, value=value, order=order, sizes=sizes, sent=sent, padded=padded,
            around=tuple(around), tag=tag,
        )  # fmt: skip
        return _told(value, cite)

    return make


def _told(value: type[T], cite: Cite) -> type[T]:
    """Return the class, whose docstring (which ``python -OO`` takes away) now ends with its source."""
    if value.__doc__:
        memory = "" if cite.link else ", from memory"  # an RFC has a link
        value.__doc__ = f"{inspect.cleandoc(value.__doc__)}\n\nSource: {cite}{memory}."
    return value


def _brief(value: type[T]) -> type[T]:
    """Return a class whose values leave out what is as by default where they show themselves, or its own way to."""
    is_own = value.__repr__.__qualname__ == f"{value.__qualname__}.__repr__"
    if dataclasses.is_dataclass(value) and not is_own:
        cast("Any", value).__repr__ = brief
    return value


def layout_of(value: type[T]) -> Layout[T]:
    """Return the layout that a class was declared with."""
    return _LAYOUTS[value]


def stated_by(
    word: _Stated | Callable[[Any], _Stated],
) -> Callable[[type[T]], type[T]]:
    """Return what notes with which word or layout a class's values are read, or how to tell for a value."""

    def note(value: type[T]) -> type[T]:
        _WORDS[_brief(value)] = word
        return value if callable(word) else _told(value, word.cite)

    return note


def layout_stated(value: object) -> _Stated | None:
    """Return the layout of a value's class, or the word that states its beginning; None for another value."""
    stated = _LAYOUTS.get(type(value)) or _WORDS.get(type(value))
    return stated(value) if callable(stated) else stated


def has_layout(value: type) -> bool:
    """Return whether a class was declared with a layout."""
    return value in _LAYOUTS
