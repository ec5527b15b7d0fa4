"""Tables of a layout, and numbers with their names, as plain text: what ``explain`` prints of them."""

from collections.abc import Iterable, Iterator, Mapping
from typing import Any, NamedTuple, Protocol, runtime_checkable

from lowpanbudget.cites import Cite
from lowpanbudget.fields.alternatives import Either, Selection
from lowpanbudget.fields.choice import Bits, Choice
from lowpanbudget.fields.layout import Layout
from lowpanbudget.fields.repeats import Repeat
from lowpanbudget.fields.tagged import Tagged
from lowpanbudget.fields.word import Header
from lowpanbudget.values import dataclass

_LAYOUT = ("field", "size", "meaning")
Line = tuple[str, str, str]


@dataclass(frozen=True, slots=True)
class Listing:
    """A table under its ``name``: ``columns`` and ``rows`` of text; ``about`` says what it belongs to."""

    name: str
    cite: Cite
    columns: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    about: str = ""


class Gloss(NamedTuple):
    """A word of the trade that no table has as its name, in a sentence or two; tables stay where they are.

    ``see`` are terms to go on with, ``also`` other words for it.
    """

    text: str
    cite: Cite | None = None
    see: tuple[str, ...] = ()
    also: tuple[str, ...] = ()


@runtime_checkable
class ListedLayout(Protocol):
    """What has listings beside the tables of the language, to be found in its module."""

    def listings(self) -> Iterator[Listing]:
        """Yield the listings."""


class Contents:
    """What each number of a list of the standard stands for: a content, or a name alone.

    ``about`` says what the list is about; ``number`` what a number in it is called, of ``cite`` where it has no
    content.
    """

    __slots__ = ("about", "cite", "entries", "number")

    def __init__(
        self, about: str, number: str, cite: Cite, entries: Mapping[int, Either | str]
    ) -> None:
        self.about = about
        self.number = number
        self.cite = cite
        self.entries = entries

    def name_of(self, number: int) -> str | None:
        """Return what a number means; None where the list does not have it."""
        known = self.entries.get(number)
        return known.title if isinstance(known, Either) else known

    def content_of(self, number: int) -> Either | None:
        """Return the content behind a number, where it has a layout."""
        known = self.entries.get(number)
        return known if isinstance(known, Either) else None

    def listings(self) -> Iterator[Listing]:
        """Yield what is known of each number."""
        for number, known in self.entries.items():
            shown = f"{self.number} {number:#04x}"
            if isinstance(known, str):
                rows: tuple[Line, ...] = ((shown, "", "content kept as octets"),)
                yield Listing(known, self.cite, _LAYOUT, rows, self.about)
            else:
                rows = tuple(_forms(known))
                first = "the number that stands before the content" if rows else "no content"
                rows = ((shown, "", first), *rows)
                yield Listing(known.title, known.cite, _LAYOUT, rows, self.about)


def _forms(content: Either) -> Iterator[Line]:
    for index, layout in enumerate(content.layouts, 1):
        form = f"form {index}: " if len(content.layouts) > 1 else ""
        for field, size, meaning in _parts(layout):
            yield form + field, size, meaning


def of_layout(
    layout: Layout[Any], *, about: str = "", name: str = "", head: Iterable[Line] = ()
) -> Listing:
    """Return the fields of a layout, behind those of the header around it."""
    return Listing(name or layout.name, layout.cite, _LAYOUT, (*head, *_parts(layout)), about)


def of_tagged(family: Tagged) -> Iterator[Listing]:
    """Yield the members of a family, each once."""
    for layout in dict.fromkeys(family.layouts.values()):
        yield of_layout(layout, about=family.about)


def of_selection(table: Selection) -> Listing:
    """Return which layout each combination of values selects."""
    rows = tuple(
        (
            *(
                field.says(value) if isinstance(field.meaning, Mapping) else str(value)
                for field, value in zip(table.by, values, strict=True)
            ),
            ", ".join(part.name for part in row.layout.parts) or "nothing",
            str(row.layout.least),
        )
        for values, row in sorted(table.rows.items())
        if not row.reserved
    )
    columns = (*(field.name for field in table.by), "carries", "octets")
    return Listing(table.name, table.cite, columns, rows)


def _parts(layout: Layout[Any]) -> Iterator[Line]:
    for part in layout.parts:
        if isinstance(part, Header):
            yield from _word(part)
        elif isinstance(part, Repeat) and isinstance(part.item, Layout):
            yield part.name, "again and again", f"as {part.count.replace('_', ' ')} says"
            yield from _parts(part.item)
        else:
            yield part.name, part.size, part.text


def _word(header: Header) -> Iterator[Line]:
    for field in header.fields:
        size = "1 bit" if field.width == 1 else f"{field.width} bits"
        if isinstance(field, Choice):
            yield field.label, size, "; ".join(f"{row.code}: {row.needs}" for row in field.rows)
        else:
            yield field.name, size, _meaning(field)


def _meaning(field: Bits) -> str:
    if field.fixed is not None:
        return f"always {field.fixed}" + (f": {field.says(field.fixed)}" if field.meaning else "")
    if isinstance(field.meaning, Mapping):
        return "; ".join(f"{value}: {text}" for value, text in field.meaning.items())
    return field.meaning if isinstance(field.meaning, str) else ""
