"""Parts of whole octets: numbers, and octets as they are."""

from collections.abc import Callable, Mapping
from typing import Any

from lowpanbudget.bits import Reader, Writer
from lowpanbudget.declared import as_whole
from lowpanbudget.errors import RequestError, plural, repeated
from lowpanbudget.fields.choice import Meaning, in_words
from lowpanbudget.fields.parts import Drawing, LayoutPart, Order, Values

Count = int | str | Callable[[Values], int] | None


class Unsigned(LayoutPart):
    """A number of ``octets`` octets, in the order of the layout."""

    __slots__ = ("octets",)

    def __init__(
        self,
        name: str,
        octets: int,
        meaning: Meaning = "",
        *,
        when: str = "",
        removed_by: str = "",
    ) -> None:
        super().__init__(name, meaning, when=when, removed_by=removed_by)
        self.octets = octets

    @property
    def least(self) -> int:
        """Return the fewest octets that it has."""
        return 0 if self.when else self.octets

    @property
    def more(self) -> bool:
        """Return whether it may have more octets than the fewest."""
        return bool(self.when)

    @property
    def size(self) -> str:
        """Return its octets in words."""
        return plural(self.octets, "octet")

    @property
    def straight(self) -> bool:
        """Return whether it is always there."""
        return not self.when

    def expression(self, octets: str, order: Order) -> str:
        """Return in Python the number of its octets."""
        return f"number({octets}, {order!r})"

    def read(self, reader: Reader, _values: Values, layout: Drawing) -> int:
        """Return the number."""
        reader.need(self.octets, f"the {self.name}", layout.cite)
        value = int.from_bytes(reader.data[reader.pos : reader.pos + self.octets], layout.order)
        reader.octets(
            self.octets, self.name, self.in_words(value), layout.cite, self.removed_by, value,
            order=layout.order,
        )  # fmt: skip
        return value

    def in_words(self, value: int) -> str:
        """Return what a value means in words."""
        return in_words(self.meaning, value)

    def write(self, writer: Writer, value: Any, _values: Values, layout: Drawing) -> None:
        """Append the number."""
        number = value if isinstance(value, int) else as_whole(value)
        if number is None or not 0 <= number < 1 << 8 * self.octets:
            raise _unfit(
                self.key, value, f"a number from 0 to {(1 << 8 * self.octets) - 1}", layout
            )
        octets = int(number).to_bytes(self.octets, layout.order)
        writer.octets(
            octets, self.name, self.in_words(number), layout.cite, self.removed_by, number,
            order=layout.order,
        )  # fmt: skip


def _unfit(key: str, value: Any, allowed: str, layout: Drawing) -> RequestError:
    shown = repeated(value) if isinstance(value, int) else type(value).__name__
    return RequestError(f"{key} is {shown}, not {allowed}", cite=layout.cite)


class OctetString(LayoutPart):
    """Octets: ``count`` of them, as many as a field before counts (its key, or a function of the values), or the rest.

    ``reverse``: the value is most significant octet first, as identifiers are written, whatever the order on the wire.
    ``unit``: what a sender must give a multiple of. A function's count of 0: it is not there.
    """

    __slots__ = ("count", "reverse", "unit")

    def __init__(
        self,
        name: str,
        meaning: str | Callable[[Any], str] = "",
        *,
        count: Count = None,
        unit: int = 1,
        reverse: bool = False,
        when: str = "",
        removed_by: str = "",
    ) -> None:
        super().__init__(name, meaning, when=when, removed_by=removed_by)
        self.count = count
        self.unit = unit
        self.reverse = reverse

    @property
    def refers(self) -> tuple[str, ...]:
        """Return the keys of the fields before it that decide about the part."""
        return (*super().refers, *([self.count] if isinstance(self.count, str) else ()))

    @property
    def least(self) -> int:
        """Return the fewest octets that it has."""
        return self.count if isinstance(self.count, int) else 0

    @property
    def more(self) -> bool:
        """Return whether it may have more octets than the fewest."""
        return not isinstance(self.count, int)

    @property
    def size(self) -> str:
        """Return its octets in words."""
        if isinstance(self.count, int):
            return plural(self.count, "octet")
        return "all that is left" if self.count is None else "as fields before tell"

    def implied(self, value: Any) -> Mapping[str, int]:
        """Return what fields before it hold for this value."""
        flag = super().implied(value)
        if not isinstance(self.count, str) or (value is None and self.when):
            return flag
        return {**flag, self.count: len(value or b"")}

    @property
    def needed(self) -> bool:
        """Return whether there is no layout without it."""
        return super().needed and not callable(self.count)

    def expected(self, values: Values) -> bool:
        """Return whether the part must be there, after the values before it."""
        return super().expected(values) and not (callable(self.count) and not self.count(values))

    def _counted(self, left: int, values: Values) -> int:
        if self.count is None:
            return left
        if isinstance(self.count, int):
            return self.count
        return int(values[self.count]) if isinstance(self.count, str) else self.count(values)

    @property
    def straight(self) -> bool:
        """Return whether it is always there, and of a number of octets of its own."""
        return isinstance(self.count, int) and not self.when

    @property
    def takes_rest(self) -> bool:
        """Return whether its value is all the octets that are left, as they stand."""
        return self.count is None and not self.when and not self.reverse

    def expression(self, octets: str, _order: Order) -> str:
        """Return in Python the value of its octets."""
        return f"{octets}[::-1]" if self.reverse else octets

    def in_words(self, value: Any) -> str:
        """Return what a value means in words."""
        return self.meaning(value) if callable(self.meaning) else self.text

    def order(self, order: Order) -> Order:
        """Return the order of its octets in a layout of this order."""
        return order if self.reverse else "big"

    def read(self, reader: Reader, values: Values, layout: Drawing) -> bytes:
        """Return the octets."""
        count = self._counted(reader.left, values)
        reader.need(count, f"the {self.name}", layout.cite)
        octets = reader.data[reader.pos : reader.pos + count]
        value = octets[::-1] if self.reverse else octets
        reader.octets(
            count, self.name, self.in_words(value), layout.cite, self.removed_by, value,
            order=self.order(layout.order),
        )  # fmt: skip
        return value

    def write(self, writer: Writer, value: Any, values: Values, layout: Drawing) -> None:
        """Append the octets."""
        if not isinstance(value, bytes):
            amount = self.count if isinstance(self.count, int) else "any number of"
            raise _unfit(self.key, value, f"bytes, {amount} octets", layout)
        count = self._counted(len(value), values)
        if len(value) != count:
            raise RequestError(
                f"{self.name} has {len(value)} octets, not {count}", cite=layout.cite
            )
        if len(value) % self.unit:
            raise RequestError(
                f"{self.name} has {len(value)} octets, no multiple of {self.unit}",
                cite=layout.cite,
            )
        octets = value[::-1] if self.reverse else value
        order = layout.order if self.reverse else "big"
        said = self.in_words(value)
        writer.octets(octets, self.name, said, layout.cite, self.removed_by, value, order=order)
