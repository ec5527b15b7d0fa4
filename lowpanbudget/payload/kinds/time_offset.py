"""A time counted from another time of the message."""

from collections.abc import Iterator
from decimal import Decimal
from random import Random
from typing import TYPE_CHECKING, Any, ClassVar

from lowpanbudget.fields.stream import BitReader, BitWriter
from lowpanbudget.payload.codec.nodes import Case, Codec, LeafPlace, Node
from lowpanbudget.payload.codec.nodes import Scope as Slots
from lowpanbudget.payload.codec.order import Order
from lowpanbudget.payload.exact import EXACT, digits, exact, input_number
from lowpanbudget.payload.flaws import Flaw, Misfit
from lowpanbudget.payload.forms.doubles import Numbers, Real, number_of
from lowpanbudget.payload.kinds import interfaces as ask
from lowpanbudget.payload.kinds.drawing import (
    drawn_number,
    furthest,
)
from lowpanbudget.payload.kinds.field import Field
from lowpanbudget.payload.kinds.instant import Time
from lowpanbudget.payload.kinds.keys import field_kind, key
from lowpanbudget.payload.kinds.names import name_flaw, no_reference
from lowpanbudget.payload.kinds.number import Number, kept_number
from lowpanbudget.payload.kinds.steps import stepped_gain

if TYPE_CHECKING:
    from lowpanbudget.payload.c.names import Spot
    from lowpanbudget.payload.c.parts import FieldPart, SourceUnit


@field_kind
class TimeOffset(Field):
    """A time sent as steps after an earlier field of kind ``time``; its value is the whole time, in seconds.

    The time that counts is the base as it was *sent*, so that rounding the base shifts nothing.
    """

    base: str = key("The name of the field of kind time that it is counted from.")
    max: Decimal = key("The greatest offset in seconds.")
    min: Decimal = key("The least offset in seconds.", default=Decimal(0))
    step: Decimal = key("The resolution in seconds.", default=Decimal(1))
    bits: int | None = key("The width, if more than the fewest bits.", default=None)

    kind: ClassVar[str] = "time-offset"
    rank: ClassVar[int] = 130
    about: ClassVar[str] = "A time sent as an offset from an earlier field of kind time."
    wire: ClassVar[str] = """\
Steps from `min` to the seconds after the base as that is sent, rounded to its own step; values are given and read as
times, not as offsets."""
    written: ClassVar[str] = """\
kind = "time-offset"
name = "sampled"
base = "time"                 # a field of kind time before it
max = 3600"""
    rounds: ClassVar[bool] = True
    dates: ClassVar[bool] = True
    refusing: ClassVar[tuple[str, ...]] = ("min", "max", "bits")
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

    def taken(self, given: Any, before: ask.Scope, *, table: bool) -> Any:
        """Return the seconds since the epoch of the base, also of a date and time as the base takes it."""
        value = super(TimeOffset, self).taken(given, before, table=table)  # noqa: UP008 - slots make the class anew
        base = self._time(before)
        return value if base is None else base.taken(value, before, table=table)

    def _time(self, scope: ask.Scope) -> Time | None:
        """Return the base where it is a time, and no number of seconds."""
        base = scope.fields.get(self.base)
        return base if isinstance(base, Time) else None

    def difference(self, value: Any, base: Any) -> Decimal:
        """Return the seconds from the base to a given time."""
        if isinstance(value, str):
            hint = f"Give the time itself as {self.base} is given: seconds, or a date and time"
            raise Misfit(f"is the text {value[:40]!r}, no time", hint=hint)
        seconds = input_number(value)
        if not seconds.is_finite():
            raise Misfit(f"is {seconds}, no time")
        offset = EXACT.subtract(seconds, exact(base))
        if not self.min <= offset <= self.max:
            whole = digits(EXACT.add(seconds, exact(base)))
            meant = f"Give the time itself: {digits(seconds)} s after {self.base} is {whole}"
            raise Misfit(
                f"is {digits(seconds)} s, {digits(offset)} s after {self.base}, outside "
                f"{digits(self.min)} .. {digits(self.max)} s",
                hint=meant if self.min <= seconds <= self.max else "",
            )
        return offset

    def example_offset(self, case: Case) -> Any:
        """Return an offset of the least, typical or greatest message."""
        return self.number().example(case)

    def reference(self) -> str:
        """Return the name of the time that it counts from."""
        return self.base

    def time_span(self) -> ask.TimeSpan:
        """Return how far from the first time to the last it reaches."""
        return ask.TimeSpan((), self.base, EXACT.subtract(self.max, self.min)).within(self.name)

    def node(self, planner: ask.Planner, at: ask.FieldPlace) -> Node | None:
        """Return a place that holds the steps since the base."""
        base = at.scope.get(self.base)
        if base is None or base.field.kind != Time.kind or base.field.optional:
            known = planner.earlier(Time.kind)
            planner.flaw((*at.path, "base"), *no_reference(self.base, Time.kind, known))
            return None
        return TimeOffsetNode(planner.place(self.number()), self, base.slot)

    def drawn(self, random: Random, known: ask.Known) -> Any:
        """Return a time after the base."""
        return known[self.base] + drawn_number(self.number(), random)

    def wished(self, wish: ask.Wish, here: ask.FieldPath, known: ask.Known) -> Any:
        """Return the base plus the offset wished for, or plus the least."""
        offset = wish.value if wish.path == here else self.example_offset("least")
        return known[self.base] + offset

    def summary(self) -> ask.Summary:
        """Return the range after the base, in seconds."""
        words = f"{digits(self.min)} .. {digits(self.max)} after {self.base}"
        return ask.Summary(words, digits(self.step), "s")

    def shown_unit(self) -> str:
        """Return seconds."""
        return "s"

    def meaning(self, value: Any, scope: ask.Scope) -> str:
        """Return the date and time, and the seconds after the base."""
        after = digits(EXACT.subtract(exact(value), exact(scope.values[self.base])))
        base = self._time(scope)
        date = "" if base is None else base.date(value)
        return f"{date}, {after} s after {self.base}".lstrip(", ")

    def spare_codes(self, bits: int) -> int:
        """Return how many codes mean no offset."""
        return self.number().spare_codes(bits)

    def gain(self, less: int) -> ask.Gain:
        """Return the resolution, and that of a smaller place."""
        return stepped_gain(self, less)

    def passed(self, walker: ask.FieldWalker, place: ask.ValuePath, tags: dict[str, str]) -> bool:
        """Pass the steps after the base, whose place is part of their own: after another base they are another time."""
        if self.base not in tags:
            return False
        walker.field(kept_number(self), (*place, f"after {tags[self.base]}"), tags)
        return True

    def part(self, maker: "SourceUnit", spot: "Spot") -> "FieldPart":
        """Return an integer of steps after the base."""
        from lowpanbudget.payload.c.scaled import Scaled

        return Scaled(
            maker, spot, self.number(), about=f", counted from {self.base}", base=self.base
        )

    def coded(self, value: Any, known: ask.Known, code: ask.CodeOf) -> Any:
        """Return the seconds after the base."""
        return code(self.number(), EXACT.subtract(exact(value), exact(known[self.base])))

    def decoded(self, item: Any, known: ask.Known, value: ask.CodeOf) -> Any:
        """Return the time that is some seconds after the base."""
        return known[self.base] + value(self.number(), item)

    def construct(self, order: Order, bases: dict[str, Codec]) -> Any:
        """Return a number that is added to the base."""
        from lowpanbudget.payload.forms import construct_parts as parts

        sent = bases[self.base]

        def offset(value: Any, context: Any) -> Decimal:
            return self.difference(
                value, sent.decode(sent.encode(parts.earlier(context, self.base)))
            )

        return parts.Converted(
            parts.leaf_form(self.number(), order),
            lambda seconds, context: parts.earlier(context, self.base) + seconds,
            offset,
        )

    def to_senml(self, value: Any, known: ask.Known, real: Real) -> tuple[str, Any]:
        """Return the seconds after the base."""
        return "v", number_of(EXACT.subtract(exact(value), exact(known[self.base])))

    def from_senml(self, item: Any, known: ask.Known) -> Any:
        """Return the time that is some seconds after the base."""
        return self.after(known, item)

    def after(self, known: ask.Known, seconds: Any) -> Any:
        """Return the time some seconds after the base; whole where the base is whole."""
        base = known[self.base]
        total = EXACT.add(exact(base), exact(seconds))
        return int(total) if total == int(total) and isinstance(base, int) else total

    def longest_values(self, numbers: Numbers, base: Any) -> Iterator[Any]:
        """Yield times far from the base and from 0."""
        yield from (base + seconds for seconds in furthest(self.number()))


class TimeOffsetNode:
    """A time that is sent as the steps since the base time in ``slot``."""

    __slots__ = ("_bits", "_field", "_slot", "greatest", "least", "place")

    def __init__(self, place: LeafPlace, field: TimeOffset, slot: int) -> None:
        self.place = place
        self._field = field
        self._slot = slot
        self._bits = place.bits._replace(about=field)
        self.least = self.greatest = place.codec.width

    def write(self, out: BitWriter, value: Any, scope: Slots) -> None:
        """Append the steps from the base to the time."""
        code = self.place.codec.encode(self._field.difference(value, scope[self._slot]))
        out.put(code, self.least)

    def read(self, source: BitReader, scope: Slots) -> Any:
        """Return the base plus the steps."""
        value = scope[self._slot] + self.place.codec.decode(source.take(self.least))
        if source.spans is not None:
            source.leave(self._bits, value)
        return value

    def example(self, case: Case, scope: Slots) -> Any:
        """Return a time after the base."""
        return scope[self._slot] + self._field.example_offset(case)
