"""A message format: values ⇄ octets, its sizes, its bit map, and how many readings fit.

    Message("climate", (Number("t", min=Decimal(-30), max=Decimal(60), step=Decimal("0.01"), unit="Cel"), ...),
            byte_order="big", bit_order="msb-first", layout="bit-packed")

Byte order and bit order are always stated. A message is compiled once, when it is made; a format with
faults raises ``FlawedMessage``, which lists them all.
"""

import dataclasses
from collections.abc import Mapping
from typing import Any

from lowpanbudget.arguments import explains, flag, one_of, seconds, whole_number
from lowpanbudget.bits import Reader, Span, Writer
from lowpanbudget.errors import Malformed, RequestError, Truncated, plural, repeated
from lowpanbudget.fields.stream import BitOrder, BitReader, BitWriter
from lowpanbudget.payload.bitmap import BitmapEntry, EntryReader
from lowpanbudget.payload.codec.compiler import Compiler
from lowpanbudget.payload.codec.field_bits import FieldBits
from lowpanbudget.payload.codec.groups import GroupNode
from lowpanbudget.payload.codec.nodes import CASES, Case
from lowpanbudget.payload.codec.order import BIT_ORDERS, BYTE_ORDERS, LAYOUTS, Order
from lowpanbudget.payload.flaws import Flaw, FlawedMessage, Misfit
from lowpanbudget.payload.forms.cddl import cddl
from lowpanbudget.payload.kinds.field import Field
from lowpanbudget.payload.kinds.lengths import Repeated
from lowpanbudget.payload.kinds.names import name_flaw
from lowpanbudget.payload.words import joined
from lowpanbudget.values import HashedOnce, dataclass


@dataclass(frozen=True, slots=True)
class Message(HashedOnce):
    """A message format of a design; ``pack`` and ``unpack`` are what node and gateway do with it.

    Values are a dictionary by field name: numbers as int or ``Decimal`` in the field's unit, names of enumerations as
    text, flags as a tuple of names, groups as dictionaries, arrays and series as lists; optional fields may be absent.
    ``example(case)`` gives such values for the "least", "typical" or "greatest" message, ``bitmap(case)`` says what
    stands where in it; ``min_octets`` and ``max_octets`` bound its size.
    """

    name: str
    fields: tuple[Field, ...]
    _: dataclasses.KW_ONLY
    byte_order: str
    bit_order: str
    layout: str
    note: str = ""
    _root: GroupNode = dataclasses.field(init=False, repr=False, compare=False)
    _order: Order = dataclasses.field(init=False, repr=False, compare=False)
    _stream: BitOrder = dataclasses.field(init=False, repr=False, compare=False)
    _sizes: dict[Case, int] = dataclasses.field(
        init=False, repr=False, compare=False, default_factory=dict
    )

    def __post_init__(self) -> None:
        """Compile the fields, or raise ``FlawedMessage`` with everything that is wrong."""
        root, flaws = compiled(self.name, self.fields, self.byte_order, self.bit_order, self.layout)
        if flaws or root is None:
            raise FlawedMessage(str(self.name), flaws)
        object.__setattr__(self, "_root", root)
        order = Order(self.byte_order, self.bit_order, self.layout)
        object.__setattr__(self, "_order", order)
        object.__setattr__(self, "_stream", order.stream)

    def __reduce__(self) -> tuple[Any, ...]:
        """Return how to make a copy elsewhere: the fields are compiled there, for functions do not travel."""
        ways = (self.byte_order, self.bit_order, self.layout)
        return _made, (self.name, self.fields, *ways, self.note)

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
        if ignore_tail is not False:
            ignore_tail = flag(ignore_tail, "ignore_tail")
        if not isinstance(octets, bytes | bytearray | memoryview):
            raise RequestError(
                f"message {self.name}: octets are wanted, not a {type(octets).__name__}",
                hint="Give bytes; of hexadecimal text: bytes.fromhex(text)",
            )
        source = BitReader(octets, self._stream)
        values = self._read(source)
        used = (source.at + 7) >> 3
        if used < len(octets) and not ignore_tail:
            raise Malformed(
                f"the message ends here, with {plural(len(octets) - used, 'octet')} after it",
                offset=used,
                layer=self._layer,
                hint=self._size_hint(),
            )
        return values

    @explains
    def last_bits(self, octets: bytes) -> str:
        """Return the bits that only fill up the last octet of a message, as text; "" where there are none.

        ``pack`` leaves them zero. Errors are those of ``unpack``.
        """
        source = BitReader(octets, self._stream)
        self._read(source)
        count = -source.at & 7
        return f"{source.take(count):0{count}b}" if count else ""

    def read(self, reader: Reader) -> dict[str, Any]:
        """Return the values of the octets that are left, and leave a span for every field.

        ``reader`` passes the octets of the message; what is behind it is left unread. Errors are those of ``unpack``.
        """
        spans: list[Span] = []  # of a message that is not whole none is left
        at, end = 8 * reader.pos, 8 * reader.end
        source = BitReader(
            reader.data, self._stream, at=at, end=end, layer=self._layer, spans=spans
        )
        values = self._explained(source)
        reader.spans += spans
        reader.pos = source.at >> 3
        return values

    def write(self, writer: Writer, values: Mapping[str, Any]) -> None:
        """Append the octets of the values, with a span for every field as a receiver reads it."""
        at = 8 * writer.pos
        writer.data += self.pack(values)
        self._explained(
            BitReader(writer.data, self._stream, at=at, layer=self._layer, spans=writer.spans)
        )

    @explains
    def example(self, case: Case, given: Mapping[str, Any] | None = None) -> dict[str, Any]:
        """Return values that make the least, the typical or the greatest message.

        Values that are ``given`` stay, also those inside groups, and elements in their number: the rest is as in that
        message, and a tag that is given chooses the option.
        """
        return self._root.filled(one_of(case, CASES, "case"), {}, given or {})

    @explains
    def size_bits(self, case: Case) -> int:
        """Return the bits of the least, typical or greatest message, by packing it (padding at its end not counted)."""
        if case not in self._sizes:
            self._sizes[case] = self._write(self.example(case)).at
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

    def bitmap(self, case: Case = "typical") -> tuple[BitmapEntry, ...]:
        """Return what stands where in the least, typical or greatest message; the entries tile it without a gap.

        The second and further elements of an array make one entry together.
        """
        return self.bitmap_of(self.example(case))

    @explains
    def bitmap_of(self, values: Mapping[str, Any]) -> tuple[BitmapEntry, ...]:
        """Return what stands where in the message of these values, as ``bitmap``."""
        source = EntryReader(self.pack(values), self._stream)
        self._explained(source)
        return tuple(source.entries)

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

    @explains
    def batch(
        self, octets: int, case: Case = "greatest", *, every_s: float | None = None
    ) -> int | None:
        """Return how many readings fit in ``octets`` octets, found by packing; None if nothing repeats.

        Readings and all other fields are as in the greatest message unless another case is asked for; taken each
        ``every_s`` seconds there are no more than their times span. 0: not even the smallest allowed number fits.
        """
        field = self.batch_field
        if field is None:
            return None
        most = field.most_apart(None if every_s is None else seconds(every_s, "every_s"))
        low, high = field.least - 1, most  # above low or nothing fits
        while low < high:
            middle = (low + high + 1) // 2
            if len(self.pack(self.batch_example(middle, case))) <= whole_number(octets, "octets"):
                low = middle
            else:
                high = middle - 1
        return max(0, low) if low >= field.least else 0

    @explains
    def batch_example(self, count: int, case: Case = "greatest") -> dict[str, Any]:
        """Return values with ``count`` readings."""
        field = self.batch_field
        if field is None or not field.least <= whole_number(count, "count") <= field.most:
            raise RequestError(f"message {self.name} has no batch of {repeated(count)} readings")
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
        return cddl(self.name, self.note, self.fields, keyed=flag(keyed, "keyed"))

    def _size_hint(self) -> str:
        least, most = self.min_octets, self.max_octets
        size = plural(most, "octet") if least == most else f"{least} to {plural(most, 'octet')}"
        return f"This format has {size}: is it another message or version?"

    @property
    def _layer(self) -> str:
        return f"message {self.name}"

    def _read(self, source: BitReader) -> dict[str, Any]:
        try:
            return self._root.read(source, {})
        except (Misfit, Truncated) as fault:
            short = isinstance(fault, Truncated)
            kind = Truncated if short else Malformed
            text = f"field {joined(source.path)} {fault.message}" if source.path else fault.message
            hint = fault.hint or (self._size_hint() if short else "")
            raise kind(text, offset=source.start >> 3, layer=self._layer, hint=hint) from None

    def _explained(self, source: BitReader) -> dict[str, Any]:
        """Return the values, and leave what explains each run of bits, those included that fill up the last octet."""
        values = self._read(source)
        rest = -source.at & 7
        source.take(rest)
        source.leave(FieldBits(None, rest, "padding"), None)
        return values

    def _write(self, values: Mapping[str, Any]) -> BitWriter:
        out = BitWriter(self._stream)
        try:
            self._root.write(out, values, {})
        except Misfit as fault:
            what = (
                f"field {joined(out.path)} {fault.message}"
                if out.path
                else f"the value {fault.message}"
            )
            raise RequestError(f"message {self.name}: {what}", hint=fault.hint) from None
        return out


def _made(
    name: str, fields: tuple[Field, ...], byte_order: str, bit_order: str, layout: str, note: str
) -> Message:
    return Message(
        name, fields, byte_order=byte_order, bit_order=bit_order, layout=layout, note=note
    )


@explains
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
            flaws.append(
                Flaw((key,), f"{repeated(value):.40} is unknown", f"Use {' or '.join(allowed)}")
            )
    if not fields:
        flaws.append(Flaw(("field",), "a message without fields", "Add a [[message.field]]"))
    if flaws:
        return None, tuple(flaws)
    compiler = Compiler(tuple(fields), Order(byte_order, bit_order, layout))
    return compiler.root, tuple(compiler.flaws)
