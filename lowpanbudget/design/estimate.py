"""A number that is not known exactly: the least, the typical and the most that it may be."""

from collections.abc import Callable
from decimal import Decimal
from typing import Any, NamedTuple

from lowpanbudget.design.takes import Exact, Schema, Takes, ValuePlace


class Estimate(NamedTuple):
    """The least, the typical and the greatest value of a number."""

    least: float
    typical: float
    most: float

    def map(self, change: Callable[[float], float]) -> "Estimate":
        """Return the estimate of what a function that rises makes of each of the three."""
        return Estimate(*map(change, self))


class Estimated(Takes):
    """One number, or the list [least, typical, most]; each is such as ``Exact`` takes."""

    def __init__(
        self, *, above: int | None = None, least: int | None = None, most: int | None = None
    ) -> None:
        self._each = Exact(above=above, least=least, most=most)

    def read(self, value: Any, place: ValuePlace) -> Any:
        """Return an estimate: one number stands for all three."""
        if not isinstance(value, list):
            number = self._each.read(value, place)
            return None if number is None else Estimate(*[float(number)] * 3)
        if len(value) != 3:
            place.add("should be one number, or three: [least, typical, most]")
            return None
        read = [self._each.read(item, place.at(index)) for index, item in enumerate(value)]
        numbers = [number for number in read if isinstance(number, Decimal) and number.is_finite()]
        if len(numbers) < 3:
            return None
        if sorted(numbers) != numbers:
            place.add("should rise: [least, typical, most]")
        return Estimate(*map(float, numbers))

    def written(self, name: str) -> str:
        """Return how a key of this name is written."""
        return f"{self._each.written(name)}, or [least, typical, most]"

    def schema(self, tables: Schema) -> Schema:
        """Return the JSON Schema."""
        one = self._each.schema(tables)
        return {"anyOf": [one, {"items": one, "maxItems": 3, "minItems": 3, "type": "array"}]}
