"""Compiled places of variable size: counted octets, arrays, series of samples, unions."""

from collections.abc import Sequence
from typing import Any

from lowpanbudget.payload.codec.bitpack import Order, Reader, Writer, from_mixed, to_mixed
from lowpanbudget.payload.codec.nodes import LeafNode, Node, Scope
from lowpanbudget.payload.flaws import Misfit
from lowpanbudget.payload.kinds.elements import Array
from lowpanbudget.payload.kinds.field import Case, Codec
from lowpanbudget.payload.kinds.lengths import count_width
from lowpanbudget.payload.kinds.octets import Octets
from lowpanbudget.payload.kinds.series import Series


class Count:
    """The number of elements or octets in front of them, less the smallest allowed number."""

    __slots__ = ("_least", "_most", "_order", "_padding", "_swap", "width")

    def __init__(self, least: int, most: int, bits: int | None, order: Order) -> None:
        needed = count_width(least, most, bits)
        self.width = order.rounded(needed)
        self._padding = self.width - needed
        self._least, self._most, self._order = least, most, order
        self._swap = order.mixed and self.width > 8

    def write(self, out: Writer, count: int, about: Any) -> None:
        """Append a count, which the caller has checked."""
        code = count - self._least
        if out.marks is not None:
            out.mark(
                out.position,
                self.width,
                padding=self._padding,
                kind="count",
                role="count",
                about=about,
            )
        out.put(to_mixed(code, self.width, self._order) if self._swap else code, self.width)

    def read(self, source: Reader) -> int:
        """Return the next count."""
        start = source.position
        code = source.take(self.width)
        count = self._least + (from_mixed(code, self.width, self._order) if self._swap else code)
        if count > self._most:
            source.back(start)
            raise Misfit(f"has a count of {count}, and at most {self._most} are allowed")
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


class ContentsNode:
    """Octets or text with their length in front."""

    __slots__ = ("_count", "_field", "greatest", "least")

    def __init__(self, field: Octets, order: Order) -> None:
        self._field = field
        self._count = Count(field.least, field.most, field.length_bits, order)
        self.least = self._count.width + 8 * field.least
        self.greatest = self._count.width + 8 * field.most

    def write(self, out: Writer, value: Any, scope: Scope) -> None:
        """Append length and octets."""
        del scope
        octets = self._field.to_octets(value)
        self._count.write(out, len(octets), self._field)
        if out.marks is not None:
            out.mark(
                out.position,
                8 * len(octets),
                padding=0,
                kind=self._field.kind,
                role="value",
                about=self._field,
            )
        out.put_octets(octets)

    def read(self, source: Reader, scope: Scope) -> Any:
        """Return the next octets or text."""
        del scope
        count = self._count.read(source)
        start = source.position
        octets = source.take_octets(count)
        try:
            return self._field.from_octets(octets)
        except Misfit:
            source.back(start)
            raise

    def example(self, case: Case, scope: Scope) -> Any:
        """Return the field's own example."""
        del scope
        return self._field.example(case)


class ArrayNode:
    """Elements with their count in front, if it can change."""

    __slots__ = ("_count", "_element", "_field", "greatest", "least")

    def __init__(self, field: Array, element: Node, order: Order) -> None:
        self._field, self._element = field, element
        self._count = Count(field.least, field.most, field.count_bits, order)
        self.least = self._count.width + field.least * element.least
        self.greatest = self._count.width + field.most * element.greatest

    def write(self, out: Writer, value: Any, scope: Scope) -> None:
        """Append count and elements."""
        count = self._count.check(value)
        if self._count.width:
            self._count.write(out, count, self._field)
        element, path = self._element, out.path
        if isinstance(element, LeafNode) and out.marks is None:
            self._write_leaves(out, value, element.place.codec)
            return
        for index, item in enumerate(value):
            path.append(index)
            element.write(out, item, scope)
            path.pop()

    def _write_leaves(self, out: Writer, value: Sequence[Any], codec: Codec) -> None:
        width, encode = codec.width, codec.encode
        index = 0
        try:
            for index, item in enumerate(value):  # noqa: B007 - the index is for the fault
                out.put(encode(item), width)
        except Misfit:
            out.path.append(index)
            raise

    def read(self, source: Reader, scope: Scope) -> list[Any]:
        """Return the next elements."""
        count = self._count.read(source) if self._count.width else self._field.least
        element, path, items = self._element, source.path, []
        for index in range(count):
            path.append(index)
            items.append(element.read(source, scope))
            path.pop()
        return items

    def example(self, case: Case, scope: Scope) -> list[Any]:
        """Return the least, usual or greatest number of examples."""
        return [
            self._element.example(case, scope) for _ in range(example_length(self._field, case))
        ]


def example_length(field: Array | Series, case: Case) -> int:
    """Return the least, usual (half-way unless stated) or greatest number of elements."""
    if case == "typical":
        return (
            (field.least + field.most + 1) // 2
            if field.typical_length is None
            else field.typical_length
        )
    return field.least if case == "least" else field.most
