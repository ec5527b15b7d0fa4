"""Fields that send a number in steps: what their steps give, and the same field with coarser ones."""

import dataclasses
from collections.abc import Callable, Iterator
from decimal import Context, Decimal
from typing import Any, Protocol, TypeVar

from lowpanbudget.errors import plural
from lowpanbudget.payload.codec.grid import Stepped
from lowpanbudget.payload.codec.order import Order
from lowpanbudget.payload.exact import EXACT, digits
from lowpanbudget.payload.flaws import Flaw
from lowpanbudget.payload.kinds.interfaces import NOTHING, Coarser, Gain
from lowpanbudget.payload.kinds.leaf import MAX_BITS
from lowpanbudget.payload.kinds.names import names_flaws

_FREE_CODE = "Use a code beyond the range, or a list of names: they take free codes"
_SHARES = Context(prec=9)  # a share of a tolerance is a measure, no value


class Sender(Protocol):
    """A field that sends a number in steps."""

    @property
    def step(self) -> Decimal:
        """Return the distance of two values."""

    def number(self) -> Stepped:
        """Return the number that is sent in full."""


Stepping = TypeVar("Stepping", bound=Sender)


def with_step(field: Stepping, times: int) -> Stepping:
    """Return the field with a step of ``times`` steps; its range grows outwards to the new steps."""
    number = field.number()
    step = EXACT.multiply(number.step, Decimal(times))
    low, high = number.lowest // times, -(-number.highest // times)
    least, most = (EXACT.fma(Decimal(k), step, number.base) for k in (low, high))
    changed: dict[str, Any] = {"min": least, "max": most, "step": step, "bits": None}
    if hasattr(field, "tolerance"):
        changed["tolerance"] = None
    if hasattr(field, "special"):
        # Codes that the author chose may mean a value now; the names keep codes of their own.
        changed["special"] = tuple((name, None) for name, _ in number.special)
    return dataclasses.replace(field, **changed)  # type: ignore[type-var]  # all fields are dataclasses


def within(field: Stepping, bits: int, least: int = 1) -> Stepping | None:
    """Return the field with the finest step that needs at most ``bits`` bits, or None if even two values do not.

    The step is at least ``least`` steps of the field.
    """
    number, codes = field.number(), 1 << bits
    ends = number.highest, -number.lowest
    # with so great a step the codes are -1, 0 and 1 at the most, also of a range that lies away from the base
    enough = max(ends)
    if with_step(field, max(enough, least)).number().fewest_bits() > bits:
        return None
    # finer steps give more values than there are codes, or greater ones; from here on a code less is not always a bit
    # less, since a range that lies away from the base grows outwards to the steps
    reach = -(-enough // (codes // 2)) if number.signed else 1
    times = max(least, -(-sum(ends) // (codes - 1)), reach)
    return finest(field, times, lambda one: one.number().fewest_bits() <= bits)


def finest(field: Stepping, times: int, fits: Callable[[Stepping], bool]) -> Stepping | None:
    """Return the field with the finest step, of at least ``times`` steps, with which it fits; None where none does.

    Only where a code of an end is another one may it fit where it did not before.
    """
    number = field.number()
    ends = number.highest, -number.lowest
    while not fits(made := with_step(field, times)):
        others = [_other_code(end, times) for end in ends]
        if others == [None, None]:
            return None
        times = min(filter(None, others))
    return made


def _other_code(end: int, times: int) -> int | None:
    """Return the next greater step at which the code of this end, ``end / times`` rounded up, is another one."""
    code = -(-end // times)
    if code > 1:
        return -(-end // (code - 1))
    return end // code + 1 if code < 0 else None


def coarser_steps(field: Stepping, tolerance: Decimal | None) -> Iterator[Coarser]:
    """Yield the field a bit narrower each time: first with the same steps, where it is wider than its values need."""
    number = field.number()
    for bits in range(min(number.needed() - 1, number.fewest_bits()), 0, -1):
        coarser = within(field, bits)
        loss = further_loss(field, coarser, tolerance) if coarser else None
        if coarser is None or loss is None:
            return
        sent = coarser.number()
        yield Coarser(coarser, loss, also_changed(number, sent, sent.needed()))


def further_loss(field: Sender, coarser: Sender, tolerance: Decimal | None) -> Decimal | None:
    """Return the share of a tolerance that the rounding error of coarser steps uses up; None where that is too much.

    Steps that stay lose nothing, and need no tolerance.
    """
    if coarser.step == field.step:
        return Decimal(0)
    error = EXACT.divide(coarser.step, Decimal(2))
    if tolerance is None or error > tolerance or tolerance <= 0:
        return None
    return _SHARES.divide(error, tolerance)


def stepped_gain(field: Stepping, bits: int) -> Gain:
    """Return the resolution, and that of a place of so many bits."""
    number = field.number()
    unit = f" {number.unit}".rstrip()
    step, error = field.step, EXACT.divide(field.step, Decimal(2))
    gives = f"steps of {digits(step)}{unit}, off by at most {digits(error)}{unit}"
    coarser = within(field, bits)
    if coarser is not None and coarser.step == step:
        also = also_changed(number, coarser.number(), bits)
        less = f"the same{also and f' with {also}'}: the width is more than the range needs"
        return Gain(gives, less, step, error, step, error)
    if _from_min(field, bits):
        return Gain(gives, "the same, with codes that count from min", step, error, step, error)
    if coarser is None:
        return Gain(gives, NOTHING, step, error)
    less_step, less_error = coarser.step, EXACT.divide(coarser.step, Decimal(2))
    also = also_changed(number, coarser.number(), bits)
    less = f"steps of {digits(less_step)}{unit}, off by at most {digits(less_error)}{unit}"
    return Gain(gives, less + (also and f", with {also}"), step, error, less_step, less_error)


def _from_min(field: Sender, bits: int) -> bool:
    """Return whether so many bits hold all values once codes count from ``min``, which they do not as it is."""
    number = field.number()
    if not hasattr(field, "coding") or (number.offset is None and not number.signed):
        return False
    names = tuple((name, None) for name, _ in number.special)
    plain = dataclasses.replace(number, coding="offset", offset=None, bits=None, special=names)  # type: ignore[type-var]
    return plain.fewest_bits() <= bits


def also_changed(before: Stepped, after: Stepped, bits: int) -> str:
    """Return in words what changes beside the step of a number that is to take ``bits`` bits; "" for nothing."""
    words = []
    if (before.min, before.max) != (after.min, after.max):
        words.append(f"a range of {digits(after.min)} .. {digits(after.max)}")
    if any(
        code is not None and (code >= 1 << bits or _means_value(after, code, bits))
        for _, code in before.special
    ):
        words.append("other special codes")
    return " and ".join(words)


def _means_value(number: Stepped, code: int, width: int) -> bool:
    return number.lowest <= _steps_of(number, code, width) <= number.highest


def _steps_of(number: Stepped, code: int, width: int) -> int:
    """Return how many steps a code of ``width`` bits lies from the base."""
    return code - (1 << width) if number.signed and code >> (width - 1) else code


def arithmetic(number: Stepped) -> str:
    """Return in words how the fewest bits come about."""
    count = number.highest - number.lowest + 1
    text = f"({digits(number.max)} - {digits(number.min)}) / {digits(number.step)} + 1 = {plural(count, 'value')}"
    if number.special:
        text += (
            f", with {plural(len(number.special), 'special code')} {count + len(number.special)}"
        )
    if number.signed:
        text += f"; in two's complement from {number.lowest} to {number.highest}"
    elif number.lowest:
        text += f"; codes begin at {digits(number.base)}, so the highest is {number.highest}"
    return f"{text}: {plural(number.fewest_bits(), 'bit')}"


def special_flaws(number: Stepped, order: Order) -> Iterator[Flaw]:
    """Yield what is wrong with the special names and their codes."""
    yield from names_flaws(
        tuple(name for name, _ in number.special), "special", what="special code"
    )
    width = min(order.rounded(number.needed()), MAX_BITS)
    seen: dict[int, str] = {}
    for name, code in number.special:
        if code is None:
            continue
        if not 0 <= code < 1 << width:
            yield Flaw(
                ("special", name),
                f"code {code} does not fit in {plural(width, 'bit')}",
                _FREE_CODE,
            )
            continue
        if _means_value(number, code, width):
            value = EXACT.fma(Decimal(_steps_of(number, code, width)), number.step, number.base)
            yield Flaw(
                ("special", name),
                f"code {code} already means {digits(value)}",
                _FREE_CODE,
            )
        elif code in seen:
            yield Flaw(("special", name), f"code {code} already means {seen[code]!r}", _FREE_CODE)
        seen[code] = name
