"""What fields of listed values share: the nearest entry, its codec, what can be wrong."""

from collections.abc import Iterator
from decimal import Decimal
from itertools import pairwise
from typing import Any

from lowpanbudget.errors import plural
from lowpanbudget.payload.codec.grid import nearest_entry
from lowpanbudget.payload.codec.nodes import Case, Codec
from lowpanbudget.payload.exact import EXACT, digits, input_number, is_plain
from lowpanbudget.payload.flaws import Flaw, Misfit

MAX_ENTRIES = 4096  # more would be a table that no node keeps


def table_codec(width: int, entries: tuple[Decimal, ...], unit: str) -> Codec:
    """Return the codec of listed values: the index of the nearest entry."""
    first, last = entries[0], entries[-1]

    def encode(value: Any) -> int:
        decimal = input_number(value)
        if decimal.is_nan() or not first <= decimal <= last:
            raise Misfit(
                f"is {digits(decimal)} {unit}".rstrip() + f", outside {range_text(first, last)}"
            )
        return nearest_entry(entries, decimal)

    def decode(code: int) -> Decimal:
        if code >= len(entries):
            raise Misfit(f"has code {code}, and the table ends at {len(entries) - 1}")
        return entries[code]

    return Codec(width, encode, decode)


def table_example(entries: tuple[Decimal, ...], case: Case, typical: Decimal | None) -> Decimal:
    """Return the first value, the usual one (the middle one unless stated), or the last."""
    if case == "typical":
        return (
            entries[len(entries) // 2]
            if typical is None
            else entries[nearest_entry(entries, typical)]
        )
    return entries[0] if case == "least" else entries[-1]


def entries_gain(entries: tuple[Decimal, ...], unit: str) -> tuple[str, Decimal]:
    """Return how well the values resolve, in words, and the greatest error."""
    gaps = [EXACT.subtract(high, low) for low, high in pairwise(entries)]
    error = EXACT.divide(max(gaps), Decimal(2))
    return f"{len(entries)} values, off by at most {digits(error)} {unit}".rstrip(), error


def range_text(low: Decimal | None, high: Decimal | None) -> str:
    """Return a range in words, dots where it is open."""
    return f"{'...' if low is None else digits(low)} .. {'...' if high is None else digits(high)}"


def bits_flaws(bits: int | None, count: int) -> Iterator[Flaw]:
    """Yield what is wrong with a stated width for so many values."""
    fewest = (count - 1).bit_length()
    if bits is not None and not fewest <= bits <= 16:
        yield Flaw(
            ("bits",),
            f"{count} values take {plural(fewest, 'bit')}, not {bits}",
            f"Use {fewest} to 16",
        )


def no_number(value: Decimal, *path: str | int) -> Flaw:
    """Return the flaw of a decimal beyond all that sensors send."""
    return Flaw(path, f"{str(value)[:40]} is no number that a sensor can send", "Use at most 30 digits")  # fmt: skip


def typical_flaws(typical: Decimal | None, entries: tuple[Decimal, ...]) -> Iterator[Flaw]:
    """Yield what is wrong with a usual value."""
    if typical is not None and not (is_plain(typical) and entries[0] <= typical <= entries[-1]):
        text = f"{typical} is outside {range_text(entries[0], entries[-1])}"
        yield Flaw(("typical",), text, "Use a value of the range")
