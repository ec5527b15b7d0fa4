"""Counters and times: a sequence number that wraps, a base time, and offsets from a base time.

Common practice (no source): send the sequence number and the time with the samples; a gap can then
be seen and what follows it can still be dated. SenML's base time and time (RFC 8428 section 4.1 and
4.2) are the same idea.
"""

import dataclasses
from collections.abc import Iterator
from decimal import Decimal
from typing import Any, ClassVar

from lowpanbudget.payload.bitpack import Order
from lowpanbudget.payload.exact import EXACT, exact, given, is_plain, plain
from lowpanbudget.payload.field import MAX_BITS, Case, Codec, Field, Leaf, name_flaw
from lowpanbudget.payload.flaws import Flaw, Misfit
from lowpanbudget.payload.number import Number


@dataclasses.dataclass(frozen=True, slots=True)
class Sequence(Leaf):
    """A sequence number of ``bits`` bits; the sender counts modulo ``2 ** bits``, the format refuses more."""

    _: dataclasses.KW_ONLY
    bits: int = 8

    kind: ClassVar[str] = "sequence"

    def number(self) -> Number:
        """Return the same field as a plain number."""
        return Number(self.name, min=Decimal(0), max=Decimal((1 << self.bits) - 1), unit="count")

    def needed(self) -> int:
        """Return the stated width."""
        return self.bits

    def codec(self, width: int, order: Order) -> Codec:
        """Return the codec of whole numbers."""
        return self.number().codec(width, order)

    def example(self, case: Case) -> Any:
        """Return a sequence number."""
        return self.number().example(case)

    def flaws(self, order: Order) -> Iterator[Flaw]:
        """Yield what is wrong with the width."""
        del order
        if not 1 <= self.bits <= MAX_BITS:
            yield Flaw(("bits",), f"{self.bits} is no width", f"Use 1 to {MAX_BITS}")


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
