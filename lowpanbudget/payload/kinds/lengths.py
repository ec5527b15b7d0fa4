"""Lengths and counts of what may repeat: their widths, and what can be wrong with them."""

from collections.abc import Iterator
from math import inf
from typing import TYPE_CHECKING, Any, ClassVar

from lowpanbudget.errors import plural
from lowpanbudget.payload.codec.nodes import Case
from lowpanbudget.payload.codec.order import Order
from lowpanbudget.payload.exact import EXACT, exact
from lowpanbudget.payload.flaws import Flaw
from lowpanbudget.payload.kinds.field import Field
from lowpanbudget.payload.kinds.interfaces import ELEMENT, TimeSpan
from lowpanbudget.payload.kinds.keys import field_kind, key
from lowpanbudget.payload.words import joined

if TYPE_CHECKING:
    from lowpanbudget.payload.c.names import Spot


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
    counted_by: ClassVar[str] = ""  # the attribute that states its width
    refusing: ClassVar[tuple[str, ...]] = ("max_length", "length_bits", "count_bits")

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

    def number_bits(self) -> int:
        """Return the bits of the number in front, 0 where it never changes."""
        stated: int | None = getattr(self, self.counted_by)
        if self.least == self.most:
            return 0
        return (self.most - self.least).bit_length() if stated is None else stated

    def flaws(self, order: Order) -> Iterator[Flaw]:
        """Yield what is wrong with the lengths."""
        what = self.counts
        if self.length is not None and (self.max_length is not None or self.min_length):
            yield Flaw(
                ("length",),
                "a fixed length and a range of lengths",
                "State length alone, or max_length",
            )
            return
        if self.length is None and self.max_length is None:
            yield Flaw((), "no length", f"State length (a fixed number of {what}) or max_length")
            return
        key = "max_length" if self.length is None else "length"
        if not 1 <= self.most <= MAX_LENGTH:
            yield Flaw((key,), f"{self.most} {what}", f"Use 1 to {MAX_LENGTH}")
            return
        if not 0 <= self.least <= self.most:
            yield Flaw(
                ("min_length",),
                f"{self.least} is not within 0 .. {self.most}",
                f"Use 0 to {self.most}, or a greater max_length",
            )
            return
        bits, bits_key = getattr(self, self.counted_by), self.counted_by
        fewest = (self.most - self.least).bit_length()
        if bits is not None and self.least == self.most:
            yield Flaw(
                (bits_key,), "a length that never changes is not sent", f"Leave {bits_key} out"
            )
        elif bits is not None and not fewest <= bits <= 32:
            counts = self.most - self.least + 1
            yield Flaw(
                (bits_key,),
                f"{self.least} .. {self.most} are {counts} lengths, which take {plural(fewest, 'bit')}, not {bits}",
                f"Use {bits_key} = {fewest} or more (at most 32), or a smaller max_length",
            )
        if self.typical_length is not None and not self.least <= self.typical_length <= self.most:
            yield Flaw(
                ("typical_length",),
                f"{self.typical_length} is not within {self.least} .. {self.most}",
                f"Use {self.least} to {self.most}",
            )

    def example_length(self, case: Case) -> int:
        """Return the least, usual (half-way unless stated) or greatest length."""
        if case == "typical":
            return (
                (self.least + self.most + 1) // 2
                if self.typical_length is None
                else self.typical_length
            )
        return self.least if case == "least" else self.most

    def count_summary(self) -> str:
        """Return the allowed lengths in words, with what they number."""
        size = f"{self.least}" if self.least == self.most else f"{self.least} .. {self.most}"
        return f"{size} {self.counts}"

    def element_spot(self, spot: "Spot") -> "Spot":
        """Return a spot with a name of its own, for the length."""
        return spot._replace(path=f"{spot.path}{ELEMENT}", words=(*spot.words, "item"))


@field_kind
class Repeated(Counted):
    """A field of several readings; ``batch`` marks the one whose readings are to be collected."""

    count_bits: int | None = key(
        "The width of the count, if more than the fewest bits.", default=None, last=True
    )
    batch: bool = key(
        "Its {counts} are the readings that are collected in one message.", default=False, last=True
    )

    counted_by: ClassVar[str] = "count_bits"
    blank: ClassVar[Any] = ()

    def readings_span(self) -> TimeSpan | None:
        """Return the span that the times of all readings must lie in; None where they have none."""
        return None

    def most_apart(self, every_s: float | None) -> int:
        """Return how many readings, one taken each ``every_s`` seconds, go into one message at most; None: at once.

        Nothing rounds here: the first is at the least offset, which a sender reaches that counts from its time.
        """
        span = self.readings_span()
        if not every_s or span is None:
            return self.most
        return min(self.most, int(EXACT.divide_int(span.seconds, exact(every_s))) + 1)

    def spanned(self, every_s: float | None) -> int | None:
        """Return how many collected readings their times span where a message has more of them; None: it can be made.

        They are taken each ``every_s`` seconds.
        """
        most = self.most_apart(every_s if self.batch else None)
        return most if most < self.least else None

    @property
    def longest_apart(self) -> float:
        """Return the most seconds between readings of which the fewest are spanned: whole, below one thousandths."""
        span, steps = self.readings_span(), self.least - 1
        if span is None or steps < 1:
            return inf
        whole = EXACT.divide_int(span.seconds, steps)
        return float(whole or EXACT.divide_int(span.seconds * 1000, steps) / 1000)

    def ends(self, number: int, every_s: float | None) -> str:
        """Return what keeps one reading more than so many out of a message that has room for them.

        "length", the field whose range the time of one more would leave (``reading[].at``), or nothing.
        """
        one_more, span = max(number + 1, self.least), self.readings_span()
        if one_more > self.most:
            return "length"
        return joined(span.path) if span and one_more > self.most_apart(every_s) else ""
