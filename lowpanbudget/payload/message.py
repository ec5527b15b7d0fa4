"""A message format: values ⇄ octets, its sizes, its bit map, and how many readings fit.

    Message("climate", (Number("t", min=Decimal(-30), max=Decimal(60), step=Decimal("0.01"), unit="Cel"), ...),
            byte_order="big", bit_order="msb-first", layout="bit-packed")

Byte order and bit order are always stated. A message is compiled once, when it is made; a format with
faults raises ``FlawedMessage``, which lists them all.
"""

import dataclasses
from collections.abc import Mapping
from typing import Any

from lowpanbudget.bits import Reader, Writer
from lowpanbudget.errors import Malformed, RequestError, Truncated, plural
from lowpanbudget.payload.bitmap import Entry, entries
from lowpanbudget.payload.codec.compiler import Compiler
from lowpanbudget.payload.codec.groups import GroupNode
from lowpanbudget.payload.codec.nodes import Case
from lowpanbudget.payload.codec.order import BIT_ORDERS, BYTE_ORDERS, LAYOUTS, Order
from lowpanbudget.payload.codec.stream import Mark, MessageReader, MessageWriter
from lowpanbudget.payload.flaws import Flaw, FlawedMessage, Misfit
from lowpanbudget.payload.forms.cddl import cddl
from lowpanbudget.payload.kinds.field import Field
from lowpanbudget.payload.kinds.lengths import Repeated
from lowpanbudget.payload.kinds.names import name_flaw
from lowpanbudget.payload.spans import spans
from lowpanbudget.payload.words import joined


@dataclasses.dataclass(frozen=True, slots=True)
class Message:
    """A message format; ``pack`` and ``unpack`` are what node and gateway do with it."""

    name: str
    fields: tuple[Field, ...]
    _: dataclasses.KW_ONLY
    byte_order: str
    bit_order: str
    layout: str
    note: str = ""
    _root: GroupNode = dataclasses.field(init=False, repr=False, compare=False)
    _order: Order = dataclasses.field(init=False, repr=False, compare=False)
    _sizes: dict[Case, int] = dataclasses.field(
        init=False, repr=False, compare=False, default_factory=dict
    )

    def __post_init__(self) -> None:
        """Compile the fields, or raise ``FlawedMessage`` with everything that is wrong."""
        root, flaws = compiled(self.name, self.fields, self.byte_order, self.bit_order, self.layout)
        if flaws or root is None:
            raise FlawedMessage(str(self.name), flaws)
        object.__setattr__(self, "_root", root)
        object.__setattr__(self, "_order", Order(self.byte_order, self.bit_order, self.layout))

    @property
    def order(self) -> Order:
        """Return byte order, bit order and layout together."""
        return self._order

    def pack(self, values: Mapping[str, Any]) -> bytes:
        """Return the octets of the values; one out of its range is a ``RequestError``, never a silent clamp."""
        return self._write(values).finish()

    def unpack(self, octets: bytes, *, ignore_tail: bool = False) -> dict[str, Any]:
        """Return the values of the octets; too few, too many or a code without meaning is a ``WireError``.

        ``ignore_tail`` accepts octets after the last field, as a receiver must that wants to
        survive a longer format. The bits that fill up the last octet are not looked at.
        """
        if not isinstance(octets, bytes | bytearray | memoryview):
            raise RequestError(
                f"message {self.name}: octets are wanted, not a {type(octets).__name__}",
                hint="Give bytes; of hexadecimal text: bytes.fromhex(text)",
            )
        source = MessageReader(octets, self._order)
        values = self._read(source, 0)
        if source.left >= 8 and not ignore_tail:
            used = (source.position + 7) >> 3
            raise Malformed(
                f"the message ends here, with {plural(len(octets) - used, 'octet')} after it",
                offset=used,
                layer=self._layer,
                hint=self._size_hint(),
            )
        return values

    def read(self, reader: Reader) -> dict[str, Any]:
        """Return the values of the octets that are left, and leave a span for every field.

        ``reader`` passes the octets of the message; what is behind it is left unread. Errors are those of ``unpack``.
        """
        marks: list[Mark] = []
        source = MessageReader(reader.data[reader.pos : reader.end], self._order, marks)
        values = self._read(source, reader.pos)
        reader.spans += spans(marks, self._order, self._layer, reader.pos * 8)
        reader.pos += (source.position + 7) >> 3
        return values

    def write(self, writer: Writer, values: Mapping[str, Any]) -> None:
        """Append the octets of the values, with a span for every field as a receiver reads it."""
        octets = self.pack(values)
        writer.spans += spans(self._marks(octets), self._order, self._layer, writer.pos * 8)
        writer.data += octets

    def example(self, case: Case) -> dict[str, Any]:
        """Return values that make the least, the typical or the greatest message."""
        return self._root.example(case, {})

    def size_bits(self, case: Case) -> int:
        """Return the bits of the least, typical or greatest message, by packing it (padding at its end not counted)."""
        if case not in self._sizes:
            self._sizes[case] = self._write(self.example(case)).position
        return self._sizes[case]

    @property
    def min_bits(self) -> int:
        """Return the bits of the least message."""
        return self.size_bits("least")

    @property
    def max_bits(self) -> int:
        """Return the bits of the greatest message."""
        return self.size_bits("greatest")

    @property
    def min_octets(self) -> int:
        """Return the octets of the least message."""
        return -(-self.min_bits // 8)

    @property
    def max_octets(self) -> int:
        """Return the octets of the greatest message."""
        return -(-self.max_bits // 8)

    @property
    def widest_bits(self) -> int:
        """Return the bits of the greatest message as the compiled widths add up; packing it gives the same.

        For searches that look at many formats; ``max_bits`` packs.
        """
        return self._root.greatest

    @property
    def padding_bits(self) -> int:
        """Return the bits of the greatest message that only fill up octets."""
        return sum(entry.padding for entry in self.bitmap("greatest"))

    def bitmap(self, case: Case = "typical") -> tuple[Entry, ...]:
        """Return what stands where in the least, typical or greatest message; the entries tile it without a gap.

        The second and further elements of an array make one entry together.
        """
        return entries(self.marks(self.example(case)))

    def marks(self, values: Mapping[str, Any]) -> list[Mark]:
        """Return a mark for every run of bits that packing the values writes, padding included."""
        return self._marks(self.pack(values))

    @property
    def batch_field(self) -> Repeated | None:
        """Return what repeats: the field marked ``batch``, else the only array or series of changing length."""
        marked, counted = [], []
        for field in self.fields:
            if isinstance(field, Repeated) and field.least != field.most:
                counted.append(field)
                if field.batch:
                    marked.append(field)
        repeated = marked or counted
        return repeated[0] if len(repeated) == 1 else None

    def batch(self, octets: int, case: Case = "greatest") -> int | None:
        """Return how many readings fit in ``octets`` octets, found by packing; None if nothing repeats.

        Readings and all other fields are as in the greatest message unless another case is asked
        for. 0 says that not even the smallest allowed number fits.
        """
        field = self.batch_field
        if field is None:
            return None
        low, high = field.least - 1, field.most  # the answer is above low or nothing fits
        while low < high:
            middle = (low + high + 1) // 2
            if len(self.pack(self.batch_example(middle, case))) <= octets:
                low = middle
            else:
                high = middle - 1
        return max(0, low) if low >= field.least else 0

    def batch_example(self, count: int, case: Case = "greatest") -> dict[str, Any]:
        """Return values with ``count`` readings."""
        field = self.batch_field
        if field is None or not field.least <= count <= field.most:
            raise RequestError(f"message {self.name} has no batch of {count} readings")
        values = self.example(case)
        items = values.get(field.name) or self.example("greatest")[field.name]
        values[field.name] = [items[index % len(items)] for index in range(count)]
        return values

    def to_construct(self) -> Any:
        """Return a declaration of the construct library that reads and builds the same octets."""
        from lowpanbudget.payload.forms.construct_form import message_form  # noqa: PLC0415 - construct is heavy

        return message_form(self.fields, self._order)

    def cddl(self, *, keyed: bool = False) -> str:
        """Return CDDL text (RFC 8610) of the CBOR form: an array, or (``keyed``) a map with integer keys."""
        return cddl(self.name, self.note, self.fields, keyed=keyed)

    def _size_hint(self) -> str:
        least, most = self.min_octets, self.max_octets
        size = plural(most, "octet") if least == most else f"{least} to {plural(most, 'octet')}"
        return f"This format has {size}: is it another message or version?"

    @property
    def _layer(self) -> str:
        return f"message {self.name}"

    def _read(self, source: MessageReader, before: int) -> dict[str, Any]:
        """Return the values; ``before`` octets stand before those of the source."""
        try:
            values = self._root.read(source, {})
        except Misfit as fault:
            kind = Truncated if fault.short else Malformed
            text = f"field {joined(source.path)} {fault.text}" if source.path else fault.text
            hint = fault.hint or (self._size_hint() if fault.short else "")
            offset = before + (source.position >> 3)
            raise kind(text, offset=offset, layer=self._layer, hint=hint) from None
        if source.marks is not None:
            source.mark_rest()
        return values

    def _marks(self, octets: bytes) -> list[Mark]:
        marks: list[Mark] = []
        self._read(MessageReader(octets, self._order, marks), 0)
        return marks

    def _write(self, values: Mapping[str, Any]) -> MessageWriter:
        out = MessageWriter(self._order)
        try:
            self._root.write(out, values, {})
        except Misfit as fault:
            what = (
                f"field {joined(out.path)} {fault.text}" if out.path else f"the value {fault.text}"
            )
            raise RequestError(f"message {self.name}: {what}", hint=fault.hint) from None
        return out


def compiled(
    name: str, fields: tuple[Field, ...], byte_order: str, bit_order: str, layout: str
) -> tuple[GroupNode | None, tuple[Flaw, ...]]:
    """Return the compiled fields of a message, and all its flaws."""
    flaws = []
    flaw = name_flaw(name, "name")
    if flaw:
        flaws.append(flaw)
    for key, value, allowed in (
        ("byte_order", byte_order, BYTE_ORDERS),
        ("bit_order", bit_order, BIT_ORDERS),
        ("layout", layout, LAYOUTS),
    ):
        if value not in allowed:
            flaws.append(Flaw((key,), f"{value!r:.40} is unknown", f"Use {' or '.join(allowed)}"))
    if not fields:
        flaws.append(Flaw(("field",), "a message without fields", "Add a [[message.field]]"))
    if flaws:
        return None, tuple(flaws)
    compiler = Compiler(tuple(fields), Order(byte_order, bit_order, layout))
    return compiler.root, tuple(compiler.flaws)
