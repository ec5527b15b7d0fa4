"""Parts of a layout with padding: octets up to a size, and zeros alone."""

from lowpanbudget.bits import Reader, Writer
from lowpanbudget.errors import RequestError
from lowpanbudget.fields.parts import Drawing, LayoutPart, Values


class PaddedString(LayoutPart):
    """Octets of one of several sizes, with zeros behind them up to the end, fewer than ``unit``.

    Of the sizes that leave only zeros behind, the smallest is read.
    """

    __slots__ = ("sizes", "unit")

    def __init__(self, name: str, meaning: str, *, sizes: tuple[int, ...], unit: int) -> None:
        super().__init__(name, meaning)
        self.sizes = sizes
        self.unit = unit

    def read(self, reader: Reader, _values: Values, layout: Drawing) -> bytes:
        """Return the octets; what stands behind them is left to the layout around."""
        octets = reader.data[reader.pos : reader.end]
        fitting = (
            size
            for size in self.sizes
            if 0 <= len(octets) - size < self.unit and not any(octets[size:])
        )
        count = next(fitting, max(size for size in self.sizes if size <= len(octets)))
        return reader.octets(count, self.name, self.text, layout.cite)

    def write(self, writer: Writer, value: bytes, _values: Values, layout: Drawing) -> None:
        """Append the octets."""
        if len(value) not in self.sizes:
            allowed = ", ".join(str(size) for size in self.sizes[:-1])
            raise RequestError(
                f"{self.name} has {len(value)} octets, not {allowed} or {self.sizes[-1]}",
                cite=layout.cite,
            )
        writer.octets(value, self.name, self.text, layout.cite)


class Zeros(LayoutPart):
    """Padding up to the end; the value is the size of the whole layout, ``head`` octets of it before these."""

    __slots__ = ("head",)

    def __init__(self, name: str, meaning: str, *, head: int) -> None:
        super().__init__(name, meaning)
        self.head = head

    def read(self, reader: Reader, _values: Values, layout: Drawing) -> int:
        """Return the size of the layout; what the padding holds is ignored."""
        return len(reader.rest(self.name, self.text, layout.cite)) + self.head

    def write(self, writer: Writer, value: int, _values: Values, layout: Drawing) -> None:
        """Append zeros."""
        if value < self.head:
            raise RequestError(
                f"padding of {value} octets, {self.head} are the least", cite=layout.cite
            )
        writer.octets(bytes(value - self.head), self.name, self.text, layout.cite)
