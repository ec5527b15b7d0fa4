"""Lengths and counts of what may repeat: their widths, and what can be wrong with them."""

from collections.abc import Iterator
from typing import Any

from lowpanbudget.errors import plural
from lowpanbudget.payload.codec.bitpack import Order
from lowpanbudget.payload.flaws import Flaw

MAX_LENGTH = 65535  # of octets, and of the elements of an array


def count_width(least: int, most: int, bits: int | None) -> int:
    """Return the bits of a length or count field: 0 where there is only one."""
    if least == most:
        return 0
    return (most - least).bit_length() if bits is None else bits


def length_flaws(
    of: Any, order: Order, *, bits_key: str, bits: int | None, what: str
) -> Iterator[Flaw]:
    """Yield what is wrong with ``length`` or ``min_length`` and ``max_length`` of a field."""
    del order
    if of.length is not None and (of.max_length is not None or of.min_length):
        yield Flaw(
            ("length",),
            "a fixed length and a range of lengths",
            "State length alone, or max_length",
        )
        return
    if of.length is None and of.max_length is None:
        yield Flaw((), "no length", f"State length (a fixed number of {what}) or max_length")
        return
    key = "max_length" if of.length is None else "length"
    if not 1 <= of.most <= MAX_LENGTH:
        yield Flaw((key,), f"{of.most} {what}", f"Use 1 to {MAX_LENGTH}")
        return
    if not 0 <= of.least <= of.most:
        yield Flaw(
            ("min_length",),
            f"{of.least} is not within 0 .. {of.most}",
            f"Use 0 to {of.most}, or a greater max_length",
        )
        return
    fewest = (of.most - of.least).bit_length()
    if bits is not None and of.least == of.most:
        yield Flaw((bits_key,), "a length that never changes is not sent", f"Leave {bits_key} out")
    elif bits is not None and not fewest <= bits <= 32:
        counts = of.most - of.least + 1
        yield Flaw(
            (bits_key,),
            f"{of.least} .. {of.most} are {counts} lengths, which take {plural(fewest, 'bit')}, not {bits}",
            f"Use {bits_key} = {fewest} or more (at most 32), or a smaller max_length",
        )
    if of.typical_length is not None and not of.least <= of.typical_length <= of.most:
        yield Flaw(
            ("typical_length",),
            f"{of.typical_length} is not within {of.least} .. {of.most}",
            f"Use {of.least} to {of.most}",
        )
