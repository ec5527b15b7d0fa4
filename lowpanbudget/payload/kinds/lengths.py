"""Lengths and counts of what may repeat: their widths, and what can be wrong with them."""

from collections.abc import Iterator
from typing import ClassVar

from lowpanbudget.errors import plural
from lowpanbudget.payload.c.names import Spot
from lowpanbudget.payload.codec.nodes import Case
from lowpanbudget.payload.flaws import Flaw
from lowpanbudget.payload.kinds.field import Field
from lowpanbudget.payload.kinds.interfaces import ELEMENT
from lowpanbudget.payload.kinds.keys import field_kind, key

MAX_LENGTH = 65535  # of octets, and of the elements of an array


@field_kind
class Counted(Field):
    """``length`` octets, elements or samples, or ``min_length`` to ``max_length`` with the number in front.

    The number is sent as ``count - min_length`` in the fewest bits, as ASN.1 PER does for bounded strings and lists, or
    in as many as the field asks for.
    """

    length: int | None = key("The fixed length; not sent.", default=None)
    min_length: int = key("The least length.", default=0)
    max_length: int | None = key("The greatest length.", default=None)
    typical_length: int | None = key("A usual length.", default=None)

    counts: ClassVar[str] = ""  # what the number numbers

    @property
    def least(self) -> int:
        """Return the smallest length."""
        return self.min_length if self.length is None else self.length

    @property
    def most(self) -> int:
        """Return the greatest length."""
        if self.length is not None:
            return self.length
        return self.min_length if self.max_length is None else self.max_length

    def example_length(self, case: Case) -> int:
        """Return the least, usual (half-way unless stated) or greatest length."""
        if case == "typical":
            return (
                (self.least + self.most + 1) // 2
                if self.typical_length is None
                else self.typical_length
            )
        return self.least if case == "least" else self.most

    def count_summary(self) -> tuple[str, str]:
        """Return the allowed lengths in words, and what they number."""
        size = f"{self.least}" if self.least == self.most else f"{self.least} .. {self.most}"
        return f"{size} {self.counts}", self.counts

    def element_spot(self, spot: Spot) -> Spot:
        """Return a spot with a name of its own, for the length."""
        return Spot(f"{spot.path}{ELEMENT}", (*spot.words, "item"))


@field_kind
class Repeated(Counted):
    """A field of several readings; ``batch`` marks the one whose readings are to be collected."""

    count_bits: int | None = key(
        "The width of the count, if more than the fewest bits.", default=None, last=True
    )
    batch: bool = key(
        "Its {counts} are the readings that are collected in one message.", default=False, last=True
    )


def length_flaws(of: Counted, *, bits_key: str, bits: int | None) -> Iterator[Flaw]:
    """Yield what is wrong with ``length`` or ``min_length`` and ``max_length`` of a field."""
    what = of.counts
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
