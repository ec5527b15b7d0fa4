"""Samples of one number, sent as differences."""

import dataclasses
from collections.abc import Iterator
from decimal import Decimal
from typing import ClassVar

from lowpanbudget.errors import plural
from lowpanbudget.payload.codec.bitpack import Order
from lowpanbudget.payload.flaws import Flaw
from lowpanbudget.payload.kinds.field import Field
from lowpanbudget.payload.kinds.lengths import length_flaws
from lowpanbudget.payload.kinds.number import Number

DELTAS = ("fixed", "variable")


@dataclasses.dataclass(frozen=True, slots=True)
class Series(Field):
    """Samples of one number: the first in full, the others as differences from the one before.

    ``deltas`` "fixed": each difference takes ``delta_bits`` in two's complement; with ``escape`` the
    most negative code is followed by the sample in full, for jumps. "variable": zigzag numbers
    (0, -1, 1, -2 ... are 0, 1, 2, 3 ...) in groups of ``group_bits``, lowest group first, each led by
    a bit that is 1 while more follow. Lengths and counts are as in ``Array``.
    """

    _: dataclasses.KW_ONLY
    min: Decimal
    max: Decimal
    step: Decimal = Decimal(1)
    unit: str = ""
    coding: str = "offset"
    bits: int | None = None
    tolerance: Decimal | None = None
    deltas: str
    delta_bits: int | None = None
    escape: bool = False
    group_bits: int | None = None
    length: int | None = None
    min_length: int = 0
    max_length: int | None = None
    count_bits: int | None = None
    typical_length: int | None = None
    batch: bool = False

    kind: ClassVar[str] = "series"
    decimals: ClassVar[tuple[str, ...]] = ("min", "max", "step", "tolerance")

    @property
    def least(self) -> int:
        """Return the smallest number of samples."""
        return self.min_length if self.length is None else self.length

    @property
    def most(self) -> int:
        """Return the greatest number of samples."""
        if self.length is not None:
            return self.length
        return self.min_length if self.max_length is None else self.max_length

    def number(self) -> Number:
        """Return one sample in full."""
        return Number(
            self.name,
            min=self.min,
            max=self.max,
            step=self.step,
            unit=self.unit,
            coding=self.coding,
            bits=self.bits,
            tolerance=self.tolerance,
        )

    def flaws(self, order: Order) -> Iterator[Flaw]:
        """Yield what is wrong with samples, lengths and differences."""
        yield from self.number().flaws(order)
        yield from length_flaws(
            self, order, bits_key="count_bits", bits=self.count_bits, what="samples"
        )
        if self.deltas == "fixed":
            if self.delta_bits is None or not 2 <= self.delta_bits <= 32:
                yield Flaw(
                    ("delta_bits",), f"{self.delta_bits} is no width of a difference", "Use 2 to 32"
                )
            if self.group_bits is not None:
                yield Flaw(
                    ("group_bits",),
                    "differences of fixed width have no groups",
                    "Leave group_bits out",
                )
        elif self.deltas == "variable":
            if self.delta_bits is not None or self.escape:
                key = "escape" if self.escape else "delta_bits"
                yield Flaw(
                    (key,), "differences of variable length can be of any size", f"Leave {key} out"
                )
            group = self.group_bits or 7
            if not 1 <= group <= 31:
                yield Flaw(
                    ("group_bits",), f"{self.group_bits} is no width of a group", "Use 1 to 31"
                )
            elif order.aligned and (group + 1) % 8:
                yield Flaw(
                    ("group_bits",),
                    f"a group takes {plural(group + 1, 'bit')} with its leading bit, and the layout wants whole octets",
                    "Use 7, 15, 23 or 31",
                )
        else:
            yield Flaw(
                ("deltas",),
                f"{self.deltas!r} is no kind of difference",
                f"Use {' or '.join(DELTAS)}",
            )
