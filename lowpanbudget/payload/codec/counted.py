"""The number of what repeats, in front of it."""

from collections.abc import Sequence
from typing import Any

from lowpanbudget.payload.codec.order import Order, from_mixed, to_mixed
from lowpanbudget.payload.codec.stream import MessageReader, MessageWriter, Note
from lowpanbudget.payload.flaws import Misfit


class Count:
    """The number of elements or octets in front of them, less the smallest allowed number."""

    __slots__ = ("_least", "_most", "_note", "_order", "_swap", "width")

    def __init__(self, about: Any, bits: int | None, order: Order) -> None:
        least, most = about.least, about.most
        needed = count_width(least, most, bits)
        self.width = order.rounded(needed)
        self._note = Note("count", "count", about, self.width - needed)
        self._least, self._most, self._order = least, most, order
        self._swap = order.mixed and self.width > 8

    def write(self, out: MessageWriter, count: int) -> None:
        """Append a count, which the caller has checked."""
        code = count - self._least
        wire = to_mixed(code, self.width, self._order) if self._swap else code
        out.put(wire, self.width)

    def read(self, source: MessageReader) -> int:
        """Return the next count."""
        start = source.position
        code = source.take(self.width)
        count: int = self._least + (
            from_mixed(code, self.width, self._order) if self._swap else code
        )
        if count > self._most:
            source.position = start
            raise Misfit(f"has a count of {count}, and at most {self._most} are allowed")
        if source.marks is not None:
            source.mark(start, self.width, self._note, count)
        return count

    def check(self, value: Any) -> int:
        """Return the number of elements of a list, if it is allowed."""
        if isinstance(value, str | bytes) or not isinstance(value, Sequence):
            raise Misfit(f"is a {type(value).__name__}", hint="Give a list")
        if not self._least <= len(value) <= self._most:
            raise Misfit(
                f"has {len(value)} elements, and {self._least} .. {self._most} are allowed"
            )
        return len(value)


def count_width(least: int, most: int, bits: int | None) -> int:
    """Return the bits of a length or count field: 0 where there is only one."""
    if least == most:
        return 0
    return (most - least).bit_length() if bits is None else bits
