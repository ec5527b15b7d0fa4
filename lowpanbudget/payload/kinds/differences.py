"""Fixed differences of a series: how far a sample may jump, and coarser steps that make the differences narrower too.

A difference of ``bits`` bits reaches from ``-half`` to ``half - 1`` steps, where ``half`` is ``2 ** (bits - 1)``; with
an escape the lowest one leads a whole sample. In steps ``times`` as coarse two samples that far apart, each rounded,
lie at most ``half / times``, rounded up, steps apart upwards, and one more downwards: so far the fewer bits must reach.
"""

import dataclasses
from collections.abc import Iterator
from decimal import Decimal
from functools import lru_cache
from typing import Any

from lowpanbudget.payload.codec.order import Order
from lowpanbudget.payload.codec.samples import VariableDeltas
from lowpanbudget.payload.exact import EXACT, digits
from lowpanbudget.payload.kinds.interfaces import NOTHING, Coarser, InnerPart
from lowpanbudget.payload.kinds.number import Number
from lowpanbudget.payload.kinds.steps import also_changed, finest, further_loss, within

_FEWEST = 2  # bits of a difference


def coarser_series(series: Any, order: Order) -> Iterator[Coarser]:
    """Yield the series narrower each time, in samples or differences, with the loss and what changes beside the step.

    What can be sent as a difference still can, also between samples of a range that grew with the steps.
    """
    sample, delta = series.number().needed(), order.rounded(series.delta_bits)
    made = [within(series, bits) for bits in range(sample, 0, -1)]
    bits = order.narrower(delta)
    while bits >= _FEWEST:
        made += _with_differences(series, sample, bits, order)
        bits = order.narrower(bits)
    for one in sorted(filter(None, made), key=lambda one: one.step):
        loss = further_loss(series, one, series.tolerance)
        if loss is None:
            return
        widths = one.number().needed(), _needed(series, one, order)
        if widths == (sample, delta) or widths[0] > sample or widths[1] > delta:
            continue
        also = also_changed(series.number(), one.number(), widths[0])
        if widths[1] < order.rounded(series.delta_bits):
            words = f"differences of {widths[1]} bits instead of {order.rounded(series.delta_bits)}"
            also = f"{also} and {words}" if also else words
        sample, delta = widths
        narrow = series.delta_bits if delta == order.rounded(series.delta_bits) else delta
        yield Coarser(dataclasses.replace(one, delta_bits=narrow), loss, also)


def _with_differences(series: Any, sample: int, bits: int, order: Order) -> Iterator[Any]:
    """Yield the series with the finest steps that may do with differences of so many bits."""
    most = (1 << bits - 1) - 1
    number = series.number()
    enough = -(-_half(series, order) // most)
    yield within(series, sample, least=enough)
    # where the range is the nearer limit finer steps may do
    least = max(1, -(-(number.highest - number.lowest) // most))
    if least < enough:
        yield finest(
            series,
            least,
            lambda one: _needed(series, one, order) <= bits or one.step >= enough * series.step,
        )


def _half(series: Any, order: Order) -> int:
    return 1 << order.rounded(series.delta_bits) - 1


def _needed(series: Any, coarser: Any, order: Order) -> int:
    """Return the bits of differences with which a coarser series can send what the series can."""
    times = int(EXACT.divide(coarser.step, series.step))
    number = coarser.number()
    reach = min(-(-_half(series, order) // times), number.highest - number.lowest)
    needed = max(reach.bit_length() + 1, _FEWEST)
    return order.rounded(min(needed, series.delta_bits))


def as_far_bit_packed(series: Any) -> Coarser | None:
    """Return the series with differences that reach, bit-packed, as far as those of whole octets; None if they do.

    Those that reach through the whole range need no more bits, and never an escape. Where whole octets need one as
    well, it takes what lies further apart, and the stated width does.
    """
    number, whole = series.number(), -(-series.delta_bits // 8) * 8
    through = max((number.highest - number.lowest).bit_length() + 1, _FEWEST)
    bits = min(through, whole)
    if bits <= series.delta_bits or (series.escape and through > whole):
        return None
    words = f"differences of {bits} bits instead of {series.delta_bits}"
    return Coarser(dataclasses.replace(series, delta_bits=bits), Decimal(0), words)


def difference(series: Any, order: Order) -> InnerPart:
    """Return a difference: how far a sample may lie from the one before, and with fewer bits."""
    number = series.number()
    bits, less = order.rounded(series.delta_bits), order.narrower(series.delta_bits)
    others = ", others in full" if series.escape else ""
    gives = f"jumps of {jumps(series, bits)}{others}"
    if less < _FEWEST:
        return InnerPart("difference", bits, gives, max(less, 0), NOTHING, None)
    narrower = dataclasses.replace(series, delta_bits=less)
    if number.highest - number.lowest < 1 << less - 1:
        words = "the same: the width is more than the range needs"
    else:
        words = f"jumps of {jumps(series, less)}{others}"
    return InnerPart("difference", bits, gives, less, words, narrower)


@lru_cache(maxsize=64)
def difference_number(series: Any, bits: int) -> Number:
    """Return a difference of so many bits as a number, the same one each time; an escape is none."""
    half, step = 1 << bits - 1, series.step
    low, high = (EXACT.multiply(Decimal(steps), step) for steps in (series.escape - half, half - 1))
    coding = "twos-complement"
    return Number(series.name, min=low, max=high, step=step, coding=coding, bits=bits)


@lru_cache(maxsize=64)
def zigzag_of(series: Any) -> VariableDeltas:
    """Return the differences of variable length of a series."""
    grid = series.number().grid()
    return VariableDeltas(series, grid.high - grid.low)


def jumps(series: Any, bits: int) -> str:
    """Return in words how far a difference of so many bits reaches."""
    half = 1 << bits - 1
    ends = (half - 1 if series.escape else half, half - 1)
    down, up = (digits(EXACT.multiply(Decimal(steps), series.step)) for steps in ends)
    return f"-{down} .. {up} {series.unit}".rstrip()
