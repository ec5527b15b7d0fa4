"""How large a number of a design file may be."""

from decimal import Decimal
from typing import Any, NamedTuple


class Bounds(NamedTuple):
    """How large a number may be; None where there is no bound."""

    above: int | None = None
    least: int | Decimal | None = None
    below: int | None = None
    most: int | None = None

    def wrong(self, number: int | Decimal) -> str:
        """Return what a number should be that is out of bounds, else an empty text."""
        if self.above is not None and number <= self.above:
            return f"should be above {self.above}"
        if self.least is not None and number < self.least:
            return f"should be {self.least} or more"
        if self.below is not None and number >= self.below:
            return f"should be below {self.below}"
        if self.most is not None and number > self.most:
            return f"should be {self.most} at most"
        return ""

    def schema(self) -> dict[str, Any]:
        """Return the bounds as JSON Schema has them."""
        names = ("exclusiveMinimum", "minimum", "exclusiveMaximum", "maximum")
        bounds = (float(one) if isinstance(one, Decimal) else one for one in self)
        return {name: one for name, one in zip(names, bounds, strict=True) if one is not None}
