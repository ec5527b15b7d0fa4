"""What narrower differences of a series save and lose, against hand counting and packing every pair of samples."""

import dataclasses
from collections.abc import Callable
from decimal import Decimal
from itertools import product
from typing import Any

import pytest

from lowpanbudget.errors import RequestError
from lowpanbudget.payload.kinds.constant import Constant
from lowpanbudget.payload.kinds.instant import Time
from lowpanbudget.payload.kinds.series import Series
from lowpanbudget.payload.kinds.steps import with_step
from lowpanbudget.payload.kinds.version import Version
from lowpanbudget.payload.message import Message
from lowpanbudget.payload.search.shrink import bit_packed, shrink
from lowpanbudget.payload.search.worth import worths


def series(low: str, high: str, delta_bits: int, **more: Any) -> Series:
    return Series(
        "s", min=Decimal(low), max=Decimal(high), deltas="fixed", delta_bits=delta_bits, **more
    )


def message(*fields: Any, layout: str = "bit-packed") -> Message:
    return Message("m", fields, byte_order="big", bit_order="msb-first", layout=layout)


STRAIN = series("-40", "30", 4, step="0.1", tolerance="0.3", unit="Cel", max_length=60, min_length=1)  # fmt: skip


def test_what_a_bit_less_of_each_difference_saves_and_loses() -> None:
    """Counted: 4 + 32 + 6 + 10 + 59 * 4 = 288 bits are 36 octets; with 3 bits 229, 29 octets. 4 bits: -8 .. 7 steps."""
    made = message(Version("v", value=1), Time("t"), STRAIN)
    (part,) = worths(made)[2].parts
    assert (part.bits, part.gives) == (4, "jumps of -0.8 .. 0.7 Cel")
    assert (part.less_bits, part.less) == (3, "jumps of -0.4 .. 0.3 Cel")
    assert (part.saves_bits, part.saves_octets) == (59, 7)
    narrower = message(Version("v", value=1), Time("t"), dataclasses.replace(STRAIN, delta_bits=3))
    assert (made.max_octets, narrower.max_octets) == (36, 29)


def test_coarser_steps_make_differences_narrower() -> None:
    """Counted: in steps of 0.3, -40 .. 30.2 are 235 values, 8 bits, and 4 + 32 + 6 + 8 + 59 * 3 = 227 bits, 29 octets.

    3 bits reach from -4 to 3 of these steps, -1.2 .. 0.9. In steps of 0.2 they reach 0.6 upwards, and 0.7 could be
    sent before; 0.3 is off by 0.15, half of 0.3.
    """
    made = message(Version("v", value=1), Time("t"), STRAIN)
    _, found = shrink(made)
    assert (found.octets, found.message.max_octets, str(found.loss)) == (29, 29, "0.5")
    (change,) = found.changes
    assert (str(change.step_after), change.bits_after) == ("0.3", 8)
    assert change.also == "a range of -40 .. 30.2 and differences of 3 bits instead of 4"
    jump = {"t": 0, "s": [Decimal("1.0"), Decimal("1.7"), Decimal("0.9")]}
    assert made.pack(jump)
    assert found.message.pack(jump)


@pytest.mark.parametrize(("low", "high", "bits", "coding"), [
    ("0", "12", 3, "offset"),
    ("-5", "8", 4, "twos-complement"),
    ("0", "9", 5, "offset"),  # the range is nearer than the reach
])  # fmt: skip
@pytest.mark.parametrize("escape", [False, True])
def test_what_could_be_sent_still_can_and_no_finer_step_is_enough(
    low: str, high: str, bits: int, coding: str, escape: bool
) -> None:
    """All pairs of samples in half steps, packed: none that was a difference is refused, or a whole sample now.

    With each finer step that leaves as few bits some pair is. Samples between the steps are rounded, ties too; a range
    that grew outwards to the coarser steps counts as the range of both.
    """
    field = series(low, high, bits, coding=coding, escape=escape, tolerance="20", length=2)
    assert field.delta_bits is not None
    found = list(field.coarser(message(field).order))
    assert {one.field.delta_bits for one in found} >= {2}
    before = field.number().needed(), field.delta_bits
    for one in found:
        widths = one.field.number().needed(), one.field.delta_bits
        assert widths[0] <= before[0]
        assert widths[1] <= before[1]
        assert widths != before
        assert not loses(field, one.field), one
        for times in range(1, int(one.field.step)):
            finer = dataclasses.replace(with_step(field, times), delta_bits=widths[1])
            assert finer.number().needed() > widths[0] or loses(field, finer), (one, times)
        before = widths


def loses(field: Series, coarser: Series) -> bool:
    """Return whether the differences of a series reach pairs of samples that those of a coarser one do not."""
    wide = dataclasses.replace(field, min=coarser.min, max=coarser.max)
    halves = range(2 * int(wide.min), 2 * int(wide.max) + 1)
    pairs = [[Decimal(one) / 2 for one in pair] for pair in product(halves, halves)]
    old, new = is_difference(wide), is_difference(coarser)
    return any(old(pair) and not new(pair) for pair in pairs)


def is_difference(field: Series) -> Callable[[list[Decimal]], bool]:
    """Return what tells whether two samples are packed as a sample and a difference, filled up to whole octets."""
    assert field.delta_bits is not None
    sent = field.number().needed() + field.delta_bits
    filled = Constant("end", value=1, bits=8 + -sent % 8)
    made = message(field, filled)

    def packed(pair: list[Decimal]) -> bool:
        try:
            return len(made.pack({"s": pair})) == (sent + filled.bits) // 8
        except RequestError:
            return False

    return packed


def test_octet_aligned_a_difference_loses_an_octet() -> None:
    """Counted: 12 bits are sent in 16, which reach from -32768; 8 bits reach from -128 to 127: in steps of 259.

    32768 / 258 is 127.008, rounded up 128, and 127 are reached. Of 10 samples of 4 octets 9 are differences: 4 + 9 * 2
    octets. 4000000 / 259, rounded up, are 15445 steps, which take 14 bits: 2 octets, and 9 differences of one.
    """
    field = series("0", "4000000", 12, tolerance="129.5", length=10, bits=32)
    made = message(field, layout="octet-aligned")
    assert made.max_octets == 4 + 9 * 2
    (part,) = worths(made)[0].parts
    assert (part.bits, part.gives) == (16, "jumps of -32768 .. 32767")
    assert (part.less_bits, part.less) == (8, "jumps of -128 .. 127")
    assert (part.saves_bits, part.saves_octets) == (72, 9)
    smallest = shrink(made)[-1]
    assert (str(smallest.changes[0].step_after), smallest.octets) == ("259", 2 + 9)
    # an octet is the least
    (part,) = worths(message(series("0", "9", 4, length=3), layout="octet-aligned"))[0].parts
    assert (part.less_bits, part.less, part.saves_bits) == (0, "nothing would be left", None)


def test_what_jumps_beyond_the_differences_become() -> None:
    """With an escape 4 bits reach from -7 to 7, and a greatest message has the escape in front of each whole sample.

    Counted: 10 bits, then 59 times 4 + 10; a bit less each time saves 59. 0 .. 3 needs differences of -3 .. 3, 3 bits.
    """
    (one, wide) = (
        worths(message(field))[0]
        for field in (
            series("0", "1000", 4, escape=True, length=60),
            series("0", "3", 4, length=9),
        )
    )
    assert one.parts[0].gives == "jumps of -7 .. 7, others in full"
    assert (one.total_bits, one.parts[0].saves_bits) == (None, 59)
    assert wide.parts[0].less == "the same: the width is more than the range needs"


@pytest.mark.parametrize(
    ("high", "bits", "escape", "packed_bits", "octets"),
    [
        # 12500 steps either way take 15 bits: 14 + 11 * 15 = 179 bits; octet-aligned 16 + 11 * 16 = 192
        ("12500", 12, False, 15, (24, 23)),
        ("12500", 12, True, 15, (24, 23)),
        # 16 bits reach 32767 steps of 100000, as octet-aligned: 17 + 11 * 16 = 193 bits; aligned 24 + 11 * 16 = 200
        ("100000", 12, False, 16, (25, 25)),
        # what lies further apart is sent in full, led by 12 bits: 17 + 11 * (12 + 17) = 336; 24 + 11 * (16 + 24) = 464
        ("100000", 12, True, 12, (58, 42)),
        # 7 steps either way take 4 bits, and are 6 as stated: 3 + 11 * 6 = 69
        ("7", 6, False, 6, (12, 9)),
    ],
)
def test_bit_packed_takes_whatever_octet_aligned_takes(
    high: str, bits: int, escape: bool, packed_bits: int, octets: tuple[int, int]
) -> None:
    """Octet-aligned a difference has all codes of its whole octets: in the bits as stated jumps would be refused."""
    made = message(series("0", high, bits, escape=escape, length=12), layout="octet-aligned")
    packed = bit_packed(made)[0]
    (field,) = packed.message.fields
    assert field.delta_bits == packed_bits  # type: ignore[attr-defined]
    assert (made.max_octets, packed.octets) == octets
    wanted = [] if packed_bits == bits else [f"differences of {packed_bits} bits instead of {bits}"]
    assert [change.also for change in packed.changes] == wanted
    half = min(1 << (bits + 7) // 8 * 8 - 1, int(high) + 1)
    for jump in {1, half // 2, half - 1}:
        values = {"s": [0, jump] * 6}
        assert packed.message.unpack(packed.message.pack(values)) == made.unpack(made.pack(values))
