"""Compiled series of samples: the first in full, the others as differences of fixed or variable length."""

from typing import Any, Protocol

from lowpanbudget.fields.stream import BitReader, BitWriter
from lowpanbudget.payload.codec.counted import Count, Lengths
from lowpanbudget.payload.codec.field_bits import FieldBits
from lowpanbudget.payload.codec.grid import Stepped
from lowpanbudget.payload.codec.nodes import Case, LeafNode, Scope
from lowpanbudget.payload.codec.order import Order
from lowpanbudget.payload.flaws import Misfit


class Sampled(Lengths, Protocol):
    """What the declaration of a series says about its samples."""

    @property
    def deltas(self) -> str:
        """Return the kind of differences."""

    @property
    def delta_bits(self) -> int | None:
        """Return the width of a fixed difference."""

    @property
    def escape(self) -> bool:
        """Return whether a code leads a whole sample."""

    @property
    def group_width(self) -> int:
        """Return the bits of a group of a variable difference."""

    def number(self) -> Stepped:
        """Return one sample in full."""

    def example_length(self, case: Case) -> int:
        """Return the number of samples of an example."""


class SeriesNode:
    """A first sample in full and differences, in steps, from the one before."""

    __slots__ = (
        "_count", "_deltas", "_escaped", "_field", "_number", "_sample", "_span", "greatest", "least",
    )  # fmt: skip

    def __init__(self, field: Sampled, sample: LeafNode, order: Order) -> None:
        self._field, self._sample = field, sample
        self._escaped = FieldBits(field, 0, "escape")
        self._count = Count(field, order)
        self._number = grid = field.number().grid()
        self._span = (grid.low, grid.high)
        width = sample.least
        self._deltas = deltas_of(field, order, width, grid.high - grid.low)
        least, greatest = self._deltas.bounds
        self.least = self._count.width + (width + (field.least - 1) * least if field.least else 0)
        self.greatest = self._count.width + width + (field.most - 1) * greatest

    def write(self, out: BitWriter, value: Any, scope: Scope) -> None:
        """Append count, first sample and differences."""
        count = self._count.check(value)
        self._count.write(out, count)
        before, codec = 0, self._sample.place.codec
        for index, item in enumerate(value):
            out.path.append(index)
            steps = self._number.steps_of(item)
            if index == 0:
                self._sample.write(out, item, scope)
            else:
                self._deltas.write(out, steps - before, codec.encode(item))
            before = steps
            out.path.pop()

    def read(self, source: BitReader, scope: Scope) -> list[Any]:
        """Return the next samples."""
        count = self._count.read(source)
        low, high = self._span
        items: list[Any] = []
        before = 0
        for index in range(count):
            source.path.append(index)
            delta = 0 if index == 0 else self._deltas.read(source)
            if index == 0:
                items.append(self._sample.read(source, scope))
                before = self._number.steps_of(items[-1])
            elif delta is None:
                codec = self._sample.place.codec
                items.append(codec.decode(source.take(codec.width)))
                if source.spans is not None:
                    source.leave(self._escaped, items[-1])
                before = self._number.steps_of(items[-1])
            else:
                before += delta
                if not low <= before <= high:
                    raise Misfit(f"leaves the range by its difference of {delta} steps")
                items.append(self._number.value_of(before))
            source.path.pop()
        return items

    def example(self, case: Case, scope: Scope) -> list[Any]:
        """Return a level series, one with small steps, or one that needs the most bits."""
        count, number = self._field.example_length(case), self._number
        (low, high), middle = self._span, self._field.number().example("typical")
        if case == "least":
            return [middle] * count
        widest = self._deltas.widest(high - low)
        swing = widest if case == "greatest" else min(2, widest)
        start = low if case == "greatest" else min(number.steps_of(middle), high - swing)
        return [number.value_of(start + (swing if index % 2 else 0)) for index in range(count)]


def deltas_of(
    field: Sampled, order: Order, sample_bits: int, span: int
) -> "FixedDeltas | VariableDeltas":
    """Return the differences of samples that lie at most ``span`` steps apart."""
    if field.deltas == "fixed":
        return FixedDeltas(field, order, sample_bits, span)
    return VariableDeltas(field, span)


class FixedDeltas:
    """Differences of fixed width in two's complement; with an escape the most negative code leads a whole sample."""

    __slots__ = ("_escape", "_field", "_run", "_sample_bits", "bits", "bounds")

    def __init__(self, field: Sampled, order: Order, sample_bits: int, span: int) -> None:
        assert field.delta_bits is not None
        self.bits = order.rounded(field.delta_bits)
        filler_at = order.filler_at(field.delta_bits, self.bits)
        self._run = FieldBits(field, self.bits - field.delta_bits, "delta", filler_at)
        self._field, self._sample_bits = field, sample_bits
        self._escape = 1 << (self.bits - 1)
        self.bounds = (
            self.bits,
            self.bits + (sample_bits if field.escape and span >= self._escape else 0),
        )

    def widest(self, span: int) -> int:
        """Return the swing of a series of the greatest size."""
        return span if self._field.escape else min(span, self._escape - 1)

    def write(self, out: BitWriter, delta: int, code: int) -> None:
        """Append a difference, or the escape and the sample's own code."""
        half = self._escape
        fits = -half + (1 if self._field.escape else 0) <= delta < half
        if not fits and not self._field.escape:
            raise Misfit(
                f"lies {delta} steps from the sample before, outside {-half} .. {half - 1}",
                hint="Use wider delta_bits, or escape = true",
            )
        out.number(delta & (2 * half - 1) if fits else half, self.bits)
        if not fits:
            out.put(code, self._sample_bits)

    def read(self, source: BitReader) -> int | None:
        """Return the next difference, or None where a whole sample follows."""
        code = source.number(self.bits)
        escaped = self._field.escape and code == self._escape
        delta = None if escaped else (code ^ self._escape) - self._escape
        if source.spans is not None:
            source.leave(self._run, delta)
        return delta


class VariableDeltas:
    """Zigzag differences in groups, the lowest first, each with a bit above it that is 1 while more follow."""

    __slots__ = ("_group", "_run", "bits", "bounds", "groups")

    def __init__(self, field: Sampled, span: int) -> None:
        self._run = FieldBits(field, 0, "delta")
        self._group = field.group_width
        self.groups = max(1, -(-(2 * span).bit_length() // self._group))
        self.bits = self._group + 1
        self.bounds = (self.bits, self.groups * self.bits)

    def widest(self, span: int) -> int:
        """Return the swing of a series of the greatest size."""
        return span

    def write(self, out: BitWriter, delta: int, code: int) -> None:
        """Append a difference."""
        group, rest = self._group, 2 * delta if delta >= 0 else -2 * delta - 1
        more = True
        while more:
            low, rest = rest & ((1 << group) - 1), rest >> group
            more = bool(rest)
            out.number(more << group | low, group + 1)

    def read(self, source: BitReader) -> int:
        """Return the next difference."""
        start, group, zigzag = source.at, self._group, 0
        for index in range(self.groups):
            word = source.number(group + 1)
            source.start = start
            low = word & ((1 << group) - 1)
            zigzag |= low << index * group
            if not word >> group:
                if index and not low:
                    raise Misfit("has a difference in more groups than it needs")
                delta = zigzag >> 1 if not zigzag & 1 else -(zigzag >> 1) - 1
                if source.spans is not None:
                    source.leave(self._run, delta)
                return delta
        raise Misfit(f"has a difference of more than {self.groups} groups")
