"""Numbers with a range and a step: the width follows from how many values there are (``codec/grid.py``)."""

from collections.abc import Iterator
from decimal import Decimal
from functools import lru_cache
from typing import Any, ClassVar, Self

from lowpanbudget.errors import plural
from lowpanbudget.payload.codec.grid import Stepped, special_codes
from lowpanbudget.payload.codec.order import Order
from lowpanbudget.payload.exact import EXACT, digits, is_plain, steps_between
from lowpanbudget.payload.flaws import Flaw
from lowpanbudget.payload.kinds.interfaces import Coarser, Gain, Remark, Scope
from lowpanbudget.payload.kinds.keys import field_kind, key
from lowpanbudget.payload.kinds.leaf import MAX_BITS, Leaf
from lowpanbudget.payload.kinds.steps import arithmetic, coarser_steps, special_flaws, stepped_gain

CODINGS = ("offset", "twos-complement")


@field_kind
class Number(Stepped, Leaf):
    """A number from ``min`` to ``max`` in steps; values are ints where step and range are whole, else decimals.

    ``coding`` "offset": the code counts steps from ``offset`` (``min`` unless stated); "twos-complement":
    it counts signed steps from ``offset`` (0 unless stated). ``bits`` asks for a width and is refused
    if it cannot hold the range. ``special`` are names for codes that are no number ("not available"),
    each with its code on the wire or None: then the codes are chosen from the far end (all ones
    downwards; in two's complement the most negative upwards until the range begins, then the most
    positive downwards). ``tolerance`` is the greatest rounding error that the application accepts;
    ``typical`` a usual value. A name of ``special`` is given and read as that text.
    """

    min: Decimal = key("The least value.")
    max: Decimal = key("The greatest value.")
    step: Decimal = key("The resolution; divides the range.", default=Decimal(1))
    unit: str = key(
        "The unit, by SenML's registry (RFC 8428 section 12.1) where it has one.", default=""
    )
    coding: str = key("What the code counts.", default="offset", allowed=CODINGS)
    offset: Decimal | None = key("The value whose code is 0.", default=None)
    bits: int | None = key("The width; refused if it cannot hold the range.", default=None)
    special: tuple[tuple[str, int | None], ...] = key(
        "Names of codes that are no number ('not_available'): a list, or a table of names and codes.",
        default=(),
        form="names",
    )
    tolerance: Decimal | None = key("The greatest rounding error that is acceptable.", default=None)
    typical: Decimal | None = key("A usual value.", default=None)

    kind: ClassVar[str] = "number"
    called: ClassVar[tuple[str, ...]] = (
        "int", "integer", "uint", "unsigned", "signed", "decimal", "fixed", "fixed-point", "scaled", "u", "i", "s",
        "value", "quantity", "measurement", "percent", "percentage", "ratio", "duration", "interval", "latitude",
        "longitude", "temperature", "total", "count", "pulses", "sensor",
    )  # fmt: skip
    rank: ClassVar[int] = 10
    about: ClassVar[str] = "A number with a range and a step; the width follows from them."
    wire: ClassVar[str] = """\
The code counts steps from `offset`, which is `min` unless stated: (value - offset) / step, unsigned. With coding
"twos-complement" it counts signed steps from `offset`, 0 unless stated. A name of `special` without a code of its own
takes the first free code from the far end: all ones downwards; in two's complement the most negative upwards until
the range begins, then the most positive downwards. Octet-aligned these are the ends of the widened code."""
    written: ClassVar[str] = """\
kind = "number"
name = "temperature"
min = -40
max = 85
step = 0.01
unit = "Cel"
special = ["not_available"]   # or with codes of your own: { not_available = 16383 }
tolerance = 0.05              # lets `weigh` look for coarser steps"""
    rounds: ClassVar[bool] = True
    refusing: ClassVar[tuple[str, ...]] = ("min", "max", "bits", "special")
    decimals: ClassVar[tuple[str, ...]] = ("min", "max", "step", "offset", "tolerance", "typical")

    @classmethod
    def declared(cls, **keys: Any) -> Self:
        """Return the field of the keys of a design file; ``special`` may be a table of names and codes."""
        special = keys.pop("special")
        pairs = special.items() if isinstance(special, dict) else ((name, None) for name in special)
        return cls(**keys, special=tuple(pairs))

    def flaws(self, order: Order) -> Iterator[Flaw]:
        """Yield what is wrong with range, step, width, special codes and hints."""
        odd = list(self._odd_decimals())
        yield from odd
        if odd:
            return
        if self.step <= 0:
            yield Flaw(
                ("step",),
                f"a step of {digits(self.step)} leads nowhere",
                "Use a step above 0",
            )
            return
        if self.min >= self.max:
            low, high = digits(self.max), digits(self.min)
            yield Flaw(
                ("max",),
                f"max {low} is not above min {high}",
                f"Exchange them: min = {low}, max = {high}"
                if self.max < self.min
                else "A field of one value carries nothing: use kind 'constant'",
            )
            return
        if self.coding not in CODINGS:
            yield Flaw(("coding",), f"{self.coding!r} is no coding", f"Use {' or '.join(CODINGS)}")
            return
        grid = list(self._off_grid())
        yield from grid
        if grid:
            return
        yield from self._width_flaws()
        yield from special_flaws(self, order)
        if self.typical is not None and not self.min <= self.typical <= self.max:
            yield Flaw(
                ("typical",),
                f"{digits(self.typical)} is outside {digits(self.min)} .. {digits(self.max)}",
                "Use a value of the range",
            )
        if self.tolerance is not None and 2 * self.tolerance < self.step:
            yield Flaw(
                ("tolerance",),
                f"a step of {digits(self.step)} already errs by {digits(EXACT.divide(self.step, Decimal(2)))}, "
                f"more than the tolerance {digits(self.tolerance)}",
                "State a finer step or a wider tolerance",
            )

    def _odd_decimals(self) -> Iterator[Flaw]:
        for attribute in self.decimals:
            value = getattr(self, attribute)
            if value is not None and not is_plain(value):
                text = f"{str(value)[:40]} is no number that a sensor can send"
                yield Flaw((attribute,), text, "Use at most 30 digits")

    def _off_grid(self) -> Iterator[Flaw]:
        if steps_between(self.min, self.max, self.step) is None:
            count = EXACT.divide(EXACT.subtract(self.max, self.min), self.step)
            fit = EXACT.fma(self.step, Decimal(int(count)), self.min)
            yield Flaw(
                ("step",),
                f"a step of {digits(self.step)} does not divide the range: ({digits(self.max)} - {digits(self.min)}) / "
                f"{digits(self.step)} = {count:.6g}",
                f"Use max = {digits(fit)} or max = {digits(EXACT.add(fit, self.step))}, or another step",
            )
        elif steps_between(self.base, self.min, self.step) is None:
            stated = "offset" if self.offset is not None else "min"
            yield Flaw(
                (stated,),
                f"min {digits(self.min)} is no whole number of steps of {digits(self.step)} from {digits(self.base)}",
                "State an offset on the grid of the values",
            )
        elif not self.signed and self.lowest < 0:
            yield Flaw(
                ("offset",),
                f"offset {digits(self.base)} is above min {digits(self.min)}, and codes count upwards",
                "Use an offset of at most min, or coding 'twos-complement'",
            )

    def _width_flaws(self) -> Iterator[Flaw]:
        fewest = self.fewest_bits()
        if fewest > MAX_BITS:
            yield Flaw(
                ("step",),
                f"{arithmetic(self)}, and at most {MAX_BITS} are possible",
                "Use a coarser step",
            )
        if self.bits is None:
            return
        if not 1 <= self.bits <= MAX_BITS:
            yield Flaw(("bits",), f"{self.bits} is no width", f"Use 1 to {MAX_BITS}")
        elif self.bits < fewest:
            yield Flaw(
                ("bits",),
                f"{plural(self.bits, 'bit')} cannot hold the range: {arithmetic(self)}",
                self._way_out(),
            )

    def _way_out(self) -> str:
        assert self.bits is not None
        codes = (1 << self.bits) - len(self.special)
        if self.signed or self.lowest or codes < 2:
            return f"Use bits = {self.fewest_bits()} or a coarser step"
        times = -(-(self.highest - self.lowest) // (codes - 1))
        step = digits(EXACT.multiply(self.step, Decimal(times)))
        return f"Use bits = {self.fewest_bits()}, or a step of {step} or more"

    def number(self) -> "Number":
        """Return the field itself."""
        return self

    def shown_note(self, bits: int) -> str:
        """Return what codes count where that is not ``min``, the special names with their codes, and the note."""
        parts = []
        if self.signed:
            parts.append("two's complement" + (f" from {digits(self.base)}" if self.base else ""))
        elif self.base != self.min:
            parts.append(f"code 0 is {digits(self.base)} {self.unit}".rstrip())
        if self.special:
            codes = special_codes(self, bits)
            parts.append("special: " + ", ".join(f"{name} {code}" for name, code in codes.items()))
        return "; ".join([*parts, self.note] if self.note else parts)

    def remark(self, order: Order) -> Remark | None:
        """Return a remark on a special code for which the field is wider than its values and names need."""
        code, name = max(((code or 0, name) for name, code in self.special), default=(0, ""))
        fewest, taken = self.fewest_bits(), self.needed()
        if self.bits is not None or order.rounded(taken) == order.rounded(fewest):
            return None
        return Remark(
            f"for the special code {code} ({name}) it takes {plural(taken, 'bit')}, and {fewest} are enough",
            f"Use a code below {1 << fewest}, or a list of names: they take free codes. A width that an existing "
            f"format has is stated: bits = {taken}",
        )

    def meaning(self, value: Any, scope: Scope) -> str:
        """Return that a special name is no number, or the note."""
        return "a special code, no number" if isinstance(value, str) else self.note

    def spare_codes(self, bits: int) -> int:
        """Return how many codes mean neither a value nor a special name."""
        return (1 << bits) - (self.highest - self.lowest + 1) - len(self.special)

    def gain(self, less: int) -> Gain:
        """Return the resolution, and that of a smaller place."""
        return stepped_gain(self, less)

    def coarser(self, order: Order) -> Iterator[Coarser]:
        """Yield the number with ever coarser steps within its tolerance."""
        return coarser_steps(self, self.tolerance)


@lru_cache(maxsize=64)
def kept_number(field: Any) -> Number:
    """Return the number that a field's values are sent as, the same one each time."""
    number: Number = field.number()
    return number
