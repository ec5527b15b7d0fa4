"""A time counted from an epoch.

SenML's base time and time (RFC 8428 section 4.1 and 4.2) are the same idea: what follows a gap can still be dated.
"""

import dataclasses
from collections.abc import Iterator
from decimal import Decimal
from typing import Any, ClassVar

from lowpanbudget.payload.codec.bitpack import Order
from lowpanbudget.payload.exact import EXACT, is_plain
from lowpanbudget.payload.flaws import Flaw
from lowpanbudget.payload.kinds.field import MAX_BITS, Case, Codec, Leaf
from lowpanbudget.payload.kinds.number import Number


@dataclasses.dataclass(frozen=True, slots=True)
class Time(Leaf):
    """A time as steps since an epoch, in seconds: what other times of the message may be counted from.

    ``epoch`` is for people and programs that show the time (an ISO 8601 date); values are seconds
    since then.
    """

    _: dataclasses.KW_ONLY
    bits: int = 32
    step: Decimal = Decimal(1)
    epoch: str = "1970-01-01T00:00:00Z"
    typical: Decimal | None = None

    kind: ClassVar[str] = "time"
    decimals: ClassVar[tuple[str, ...]] = ("step", "typical")

    def number(self) -> Number:
        """Return the same field as a plain number of seconds."""
        top = EXACT.multiply(self.step, Decimal((1 << self.bits) - 1))
        return Number(
            self.name, min=Decimal(0), max=top, step=self.step, unit="s", typical=self.typical
        )

    def needed(self) -> int:
        """Return the stated width."""
        return self.bits

    def codec(self, width: int, order: Order) -> Codec:
        """Return the codec of seconds."""
        return self.number().codec(width, order)

    def example(self, case: Case) -> Any:
        """Return a time."""
        return self.number().example(case)

    def flaws(self, order: Order) -> Iterator[Flaw]:
        """Yield what is wrong with width, step and the usual time."""
        if not 1 <= self.bits <= MAX_BITS:
            yield Flaw(("bits",), f"{self.bits} is no width", f"Use 1 to {MAX_BITS}")
        elif not is_plain(self.step) or self.step <= 0:
            yield Flaw(("step",), f"a step of {self.step} s leads nowhere", "Use a step above 0")
        else:
            yield from self.number().flaws(order)
