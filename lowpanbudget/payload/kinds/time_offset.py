"""A time counted from another time of the message."""

import dataclasses
from collections.abc import Iterator
from decimal import Decimal
from typing import Any, ClassVar

from lowpanbudget.payload.codec.bitpack import Order
from lowpanbudget.payload.exact import EXACT, exact, given, plain
from lowpanbudget.payload.flaws import Flaw, Misfit
from lowpanbudget.payload.kinds.field import Case, Field, name_flaw
from lowpanbudget.payload.kinds.number import Number


@dataclasses.dataclass(frozen=True, slots=True)
class TimeOffset(Field):
    """A time sent as steps after an earlier field of kind ``time``; its value is the whole time, in seconds.

    The time that counts is the base as it was *sent*, so that rounding the base shifts nothing.
    """

    _: dataclasses.KW_ONLY
    base: str
    max: Decimal
    min: Decimal = Decimal(0)
    step: Decimal = Decimal(1)
    bits: int | None = None

    kind: ClassVar[str] = "time-offset"
    decimals: ClassVar[tuple[str, ...]] = ("min", "max", "step")

    def number(self) -> Number:
        """Return what is on the wire: the seconds after the base."""
        return Number(
            self.name, min=self.min, max=self.max, step=self.step, bits=self.bits, unit="s"
        )

    def flaws(self, order: Order) -> Iterator[Flaw]:
        """Yield what is wrong with the range and the reference; whether it is there is seen in the message."""
        flaw = name_flaw(self.base, "base")
        if flaw:
            yield flaw
        yield from self.number().flaws(order)

    def difference(self, value: Any, base: Any) -> Decimal:
        """Return the seconds from the base to a given time."""
        seconds = given(value)
        if not seconds.is_finite():
            raise Misfit(f"is {seconds}, no time")
        offset = EXACT.subtract(seconds, exact(base))
        if not self.min <= offset <= self.max:
            raise Misfit(
                f"is {plain(seconds)} s, {plain(offset)} s after {self.base}, outside "
                f"{plain(self.min)} .. {plain(self.max)} s"
            )
        return offset

    def example_offset(self, case: Case) -> Any:
        """Return an offset of the least, typical or greatest message."""
        return self.number().example(case)
