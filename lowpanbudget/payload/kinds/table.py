"""A number that is one of a list of values."""

from collections.abc import Iterator
from decimal import Decimal
from typing import ClassVar

from lowpanbudget.errors import plural
from lowpanbudget.payload.codec.order import Order
from lowpanbudget.payload.exact import digits, is_plain
from lowpanbudget.payload.flaws import Flaw
from lowpanbudget.payload.kinds import interfaces as ask
from lowpanbudget.payload.kinds.keys import field_kind, key
from lowpanbudget.payload.kinds.leaf import codes_left
from lowpanbudget.payload.kinds.listed import (
    MAX_ENTRIES,
    ListedLeaf,
    no_number,
    range_text,
)


@field_kind
class Table(ListedLeaf):
    """One of a list of rising values, sent as its index; a value between two is rounded to the nearer one."""

    values: tuple[Decimal, ...] = key(
        "The values, rising; a value between two is rounded to the nearer."
    )

    kind: ClassVar[str] = "table"
    called: ClassVar[tuple[str, ...]] = ("lookup", "listed")
    rank: ClassVar[int] = 30
    about: ClassVar[str] = "One of a list of values."
    wire: ClassVar[str] = """\
The index of the value in the list, from 0."""
    written: ClassVar[str] = """\
kind = "table"
name = "rate"
values = [1, 10, 50, 100]
unit = "Hz\""""
    decimals: ClassVar[tuple[str, ...]] = ("values", "typical")

    def entries(self) -> tuple[Decimal, ...]:
        """Return the value of each code."""
        return self.values

    def flaws(self, order: Order) -> Iterator[Flaw]:
        """Yield what is wrong with the values and the width."""
        if not 2 <= len(self.values) <= MAX_ENTRIES:
            yield Flaw(
                ("values",), f"{plural(len(self.values), 'value')}", f"Give 2 to {MAX_ENTRIES}"
            )
            return
        for index, value in enumerate(self.values):
            if not is_plain(value):
                yield no_number(value, "values", index)
                return
            if index and value <= self.values[index - 1]:
                yield Flaw(
                    ("values", index),
                    f"{digits(value)} does not rise",
                    "Sort the values, each once",
                )
                return
        yield from self.list_flaws(self.values)

    def summary(self) -> ask.Summary:
        """Return the range and how it is divided."""
        return ask.Summary(
            range_text(self.values[0], self.values[-1]), f"table of {len(self.values)}", self.unit
        )

    def gain(self, less: int) -> ask.Gain:
        """Return the resolution, and how many values a smaller place would leave."""
        gives, error = self.resolution()
        return ask.Gain(gives, codes_left(len(self.values), less, "value"), None, error)
