"""Samples of one number, sent as differences."""

from collections.abc import Iterator, Mapping
from decimal import Decimal
from random import Random
from typing import TYPE_CHECKING, Any, ClassVar

from lowpanbudget.errors import plural
from lowpanbudget.payload.codec.grid import span_text
from lowpanbudget.payload.codec.nodes import Codec, LeafNode, Node
from lowpanbudget.payload.codec.order import Order
from lowpanbudget.payload.codec.samples import SeriesNode
from lowpanbudget.payload.flaws import Flaw
from lowpanbudget.payload.forms.doubles import value_of
from lowpanbudget.payload.forms.senml_records import (
    Entry,
    SenmlRecord,
    parted,
    read_back,
)
from lowpanbudget.payload.forms.shapes import ListShape, Shape, whole_of
from lowpanbudget.payload.kinds import interfaces as ask
from lowpanbudget.payload.kinds.differences import (
    as_far_bit_packed,
    coarser_series,
    difference,
    jumps,
)
from lowpanbudget.payload.kinds.drawing import EDGE, drawn_length
from lowpanbudget.payload.kinds.field import Field
from lowpanbudget.payload.kinds.keys import field_kind, key
from lowpanbudget.payload.kinds.lengths import Repeated
from lowpanbudget.payload.kinds.number import CODINGS, Number, kept_number
from lowpanbudget.payload.kinds.steps import coarser_steps, stepped_gain

if TYPE_CHECKING:
    from lowpanbudget.payload.c.names import Spot
    from lowpanbudget.payload.c.parts import FieldPart, SourceUnit


DELTAS = ("fixed", "variable")
_LONG_ENOUGH = 3  # samples that differ most: a first one, a difference there and one back
_FEW = 8  # lengths with which what stands behind a difference begins at any bit of an octet


@field_kind
class Series(Repeated):
    """Samples of one number: the first in full, the others as differences from the one before.

    ``deltas`` "fixed": each difference takes ``delta_bits`` in two's complement; with ``escape`` the
    most negative code is followed by the sample in full, for jumps. "variable": zigzag numbers
    (0, -1, 1, -2 ... are 0, 1, 2, 3 ...) in groups of ``group_bits``, lowest group first, each with a
    bit above it that is 1 while more follow. Lengths and counts are as in ``Array``.
    """

    min: Decimal = key("The least sample.")
    max: Decimal = key("The greatest sample.")
    step: Decimal = key("The resolution of samples and differences.", default=Decimal(1))
    unit: str = key("The unit.", default="")
    coding: str = key("The code of a whole sample.", default="offset", allowed=CODINGS)
    bits: int | None = key(
        "The width of a whole sample, if more than the fewest bits.", default=None
    )
    tolerance: Decimal | None = key("The greatest rounding error that is acceptable.", default=None)
    deltas: str = key("Differences of fixed width, or zigzag in groups.", allowed=DELTAS)
    delta_bits: int | None = key("The width of a fixed difference.", default=None)
    escape: bool = key(
        "A code that leads a whole sample, for jumps (fixed differences).", default=False
    )
    group_bits: int | None = key(
        "Bits of a group of a variable difference; 7 unless stated.", default=None
    )

    kind: ClassVar[str] = "series"
    called: ClassVar[tuple[str, ...]] = ("delta", "deltas", "differences", "samples", "waveform")
    rank: ClassVar[int] = 170
    about: ClassVar[str] = (
        "Samples of one number, `length` or up to `max_length`: the first in full, the others as differences."
    )
    wire: ClassVar[str] = """\
The number of samples less `min_length`, where it may change, in the fewest bits or `count_bits`; the first sample as
kind number; then differences in steps. Fixed: two's complement of `delta_bits`; with `escape` its most negative code
(the upper bit 1, the others 0) leads a sample in full. Octet-aligned a difference has all codes of its whole octets:
up to `delta_bits` = 8 they are -128 .. 127, of which -128 (0x80) is the escape. Variable, zigzag: difference d is 2
d, or -2 d - 1 below 0, cut into groups of `group_bits`, lowest first. Each is a number of group_bits + 1 bits, in the
orders of the message: its upper bit is 1 while more follow; a difference in more groups than it needs is refused. Up
to 8 bits msb-first sends that bit before its group and lsb-first behind it; `lowpanbudget explain byte_order` tells
of more."""
    written: ClassVar[str] = """\
kind = "series"
name = "strain"
min = -3000
max = 3000
max_length = 64
deltas = "fixed"              # or "variable": zigzag in groups of group_bits
delta_bits = 5
escape = true                 # a whole sample where a difference is too large"""
    counts: ClassVar[str] = "samples"
    refusing: ClassVar[tuple[str, ...]] = ("max_length", "count_bits", "min", "max", "bits")
    decimals: ClassVar[tuple[str, ...]] = ("min", "max", "step", "tolerance")

    @property
    def group_width(self) -> int:
        """Return the bits of a group of a variable difference, without the one above it."""
        return 7 if self.group_bits is None else self.group_bits

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
        yield from Repeated.flaws(self, order)
        if self.deltas == "fixed":
            if self.delta_bits is None:
                yield Flaw(
                    ("delta_bits",),
                    "differences of fixed width need their width",
                    "Write delta_bits = 2 to 32, the bits of each difference",
                )
            elif not 2 <= self.delta_bits <= 32:
                yield Flaw(
                    ("delta_bits",),
                    f"{self.delta_bits} is no width of a difference",
                    "Write delta_bits = 2 to 32",
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
            group = self.group_width
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

    def node(self, planner: ask.Planner, at: ask.FieldPlace) -> Node | None:
        """Return a count, a sample and differences."""
        return SeriesNode(self, LeafNode(planner.place(self.number())), planner.order)

    def taken(self, given: Any, before: ask.Scope, *, table: bool) -> Any:
        """Return the samples; those of a text have commas between them."""
        if isinstance(given, str):
            given = given.split(",") if given else []
        if not isinstance(given, list | tuple):
            return given
        return [super(Series, self).taken(item, before, table=table) for item in given]

    def single_values(self, held: ask.SingleValue) -> Iterator[ask.SingleValue]:
        """Yield the samples."""
        number = self.number()
        for index, sample in enumerate(held.value):
            yield held.under(number, sample, index)

    def _reach(self) -> tuple[int, int]:
        """Return the greatest differences down and up, in steps, that can always be sent."""
        grid = self.number().grid()
        span = grid.high - grid.low
        if self.deltas == "fixed" and not self.escape:
            assert self.delta_bits is not None
            half = 1 << self.delta_bits - 1
            return min(span, half), min(span, half - 1)
        return span, span

    def drawn(self, random: Random, known: ask.Known) -> list[Any]:
        """Return a walk of small steps, with jumps where the format can carry them."""
        grid, (_, widest) = self.number().grid(), self._reach()
        length = drawn_length(self.least, self.most, random)
        steps = [random.randint(grid.low, grid.high)]
        for _ in range(length - 1):
            reach = widest if random.random() < EDGE else min(widest, 3)
            steps.append(min(max(steps[-1] + random.randint(-reach, reach), grid.low), grid.high))
        return [grid.value_of(step) for step in steps[:length]]

    def edges(self) -> Iterator[list[Any]]:
        """Yield series as short and as long as may be: level at both ends of the range, with jumps; a fall in some."""
        grid, (down, up) = self.number().grid(), self._reach()
        for length in dict.fromkeys(
            (self.least, min(self.most, max(self.least, _LONG_ENOUGH)), self.most)
        ):
            for first, other in ((grid.low, grid.low + up), (grid.high, grid.high - up)):
                yield [grid.value_of(first)] * length
                yield [grid.value_of((first, other)[index % 2]) for index in range(length)]
        for length in range(max(self.least, 2), min(self.most, self.least + _FEW) + 1):
            yield [grid.value_of(grid.high), *[grid.value_of(grid.high - down)] * (length - 1)]

    def wished(self, wish: ask.Wish, here: ask.FieldPath, known: ask.Known) -> Any:
        """Return the series wished for, or the shortest."""
        if wish.path == here:
            return wish.value
        return [self.number().example("typical")] * self.least

    def spare_codes(self, bits: int) -> int:
        """Return how many codes mean no sample."""
        return self.number().spare_codes(bits)

    def gain(self, less: int) -> ask.Gain:
        """Return the resolution, and that of a smaller place."""
        return stepped_gain(self, less)

    def inner_parts(self, order: Order) -> Iterator[ask.InnerPart]:
        """Yield a difference of fixed width."""
        if self.deltas == "fixed":
            yield difference(self, order)

    def bit_packed(self) -> ask.Coarser | None:
        """Return the series whose differences reach as far as those of whole octets, where samples lie so far apart."""
        return as_far_bit_packed(self) if self.deltas == "fixed" else None

    def coarser(self, order: Order) -> Iterator[ask.Coarser]:
        """Yield the series with ever coarser steps within its tolerance, differences narrower where they may be."""
        if self.deltas == "fixed":
            return coarser_series(self, order)
        return coarser_steps(self, self.tolerance)

    def remark(self, order: Order) -> ask.Remark | None:
        """Return a remark on samples that may lie further apart than any difference reaches."""
        grid = self.number().grid()
        if self.deltas != "fixed" or self.escape or self.delta_bits is None or self.most == 1:
            return None
        bits = order.rounded(self.delta_bits)
        if grid.high - grid.low < 1 << bits - 1:
            return None
        text = f"{jumps(self, bits)} is as far as a sample may lie from the one before"
        return ask.Remark(
            f"{text}: a jump beyond keeps all samples of the message from being sent",
            'Use escape = true, wider delta_bits, or deltas = "variable"',
            loses=True,
        )

    def passed(self, walker: ask.FieldWalker, place: ask.ValuePath, tags: dict[str, str]) -> bool:
        """Pass a whole sample, and differences."""
        for index in range(walker.counted(self, place)):
            at = (*place, index)
            if index == 0 or walker.difference(self, at, tags):
                walker.field(kept_number(self), at, tags)
        return True

    def part(self, maker: "SourceUnit", spot: "Spot") -> "FieldPart":
        """Return integers of steps, with their number where it can change."""
        from lowpanbudget.payload.c.series import SampleArray

        return SampleArray(maker, spot, self)

    def converted(self, value: Any, known: ask.Known, form: ask.Conversion) -> Any:
        """Return the data (the values) of the samples, each in full."""
        number = self.number()
        return [form.leaf(number, sample, known) for sample in value]

    def shape(self, tags: Mapping[str, Field]) -> Shape:
        """Return a list of integers."""
        return ListShape(self.least, self.most, whole_of(self.number()))

    def cddl(self, rules: ask.Rules, path: ask.FieldPath) -> str:
        """Return an array of integers."""
        return f"[{self.least}*{self.most} {span_text(self.number())}]"

    def construct(self, order: Order, bases: dict[str, Codec]) -> Any:
        """Return a count, a sample and differences."""
        from lowpanbudget.payload.forms import construct_parts as parts

        return parts.SeriesForm(self, order, parts.leaf_form(self.number(), order))

    def records(self, maker: ask.RecordMaker, value: Any, at: ask.RecordPlace) -> Iterator[Entry]:
        """Yield a record for each sample, with its index in the name."""
        for index, item in enumerate(value):
            yield maker.entry(self, item, at.below(str(index)))

    def from_records(
        self, reader: ask.RecordReader, records: list[SenmlRecord], at: ask.RecordPlace
    ) -> Any:
        """Return the samples."""
        number = self.number()
        there = parted(self.name, self.most, read_back(self.unit, records))
        return [value_of(number, part[0].item) for part in there]
