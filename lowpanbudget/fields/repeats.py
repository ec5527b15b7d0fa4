"""The part of a layout that comes again and again."""

from collections.abc import Callable, Mapping
from typing import Any, Protocol

from lowpanbudget.bits import Reader, Writer
from lowpanbudget.fields.parts import Drawing, LayoutPart, Values


class Repeatable(Protocol):
    """What a repeat can hold: a layout."""

    def read(self, reader: Reader) -> Any:
        """Return the value that comes next."""

    def write(self, writer: Writer, value: Any) -> None:
        """Append the value."""


class Repeat(LayoutPart):
    """The same part or layout again and again: as often as the field ``count`` says, else up to the end, once at least.

    ``into`` is the kind of sequence that it gives; ``empty``: a sender may leave it out. ``units``: what the items are
    called where all must be there before the first is read.
    """

    __slots__ = ("count", "empty", "into", "item", "units")

    def __init__(
        self,
        name: str,
        item: LayoutPart | Repeatable,
        *,
        count: str = "",
        units: str = "",
        empty: bool = False,
        into: Callable[[list[Any]], Any] = tuple,
    ) -> None:
        super().__init__(name, item.meaning if isinstance(item, LayoutPart) else "")
        self.item = item
        self.count = count
        self.units = units
        self.empty = empty
        self.into = into

    @property
    def refers(self) -> tuple[str, ...]:
        """Return the keys of the fields before it that decide about the part."""
        return (self.count,) if self.count else ()

    @property
    def needed(self) -> bool:
        """Return whether there is no layout without it."""
        return not self.empty

    def expected(self, values: Values) -> bool:
        """Return whether the part must be there, after the values before it."""
        return super().expected(values) and not self.empty

    def there(self, _reader: Reader, _values: Values) -> bool:
        """Return whether the part comes next: the count may be 0."""
        return True

    @property
    def hides(self) -> str:
        """Return the key of the count, which is no value of its own."""
        return self.count

    @property
    def least(self) -> int:
        """Return the fewest octets that it has."""
        return 0 if self.count else getattr(self.item, "least", 0)

    @property
    def size(self) -> str:
        """Return its octets in words."""
        return (
            f"{self.item.size} each"
            if isinstance(self.item, LayoutPart)
            else "as fields before tell"
        )

    def implied(self, value: Any) -> Mapping[str, int]:
        """Return what fields before it hold for this value."""
        return {self.count: len(value or ())} if self.count else {}

    def read(self, reader: Reader, values: Values, layout: Drawing) -> Any:
        """Return the values."""
        if not self.count:
            items = [self._read(reader, layout)]
            while reader.left:
                items.append(self._read(reader, layout))
            return self.into(items)
        count = int(values[self.count])
        if self.units and isinstance(self.item, LayoutPart):
            what = f"a {self.name} of {count} {self.units}"
            reader.need(self.item.least * count, what, layout.cite)
        return self.into([self._read(reader, layout) for _ in range(count)])

    def _read(self, reader: Reader, layout: Drawing) -> Any:
        if isinstance(self.item, LayoutPart):
            return self.item.read(reader, {}, layout)
        return self.item.read(reader)

    def write(self, writer: Writer, value: Any, _values: Values, layout: Drawing) -> None:
        """Append the values."""
        for item in value:
            if isinstance(self.item, LayoutPart):
                self.item.write(writer, item, {}, layout)
            else:
                self.item.write(writer, item)
