"""Octets of a fixed length, or with a length in front."""

from collections.abc import Iterator, Mapping
from random import Random
from typing import TYPE_CHECKING, Any, ClassVar

from lowpanbudget.errors import plural
from lowpanbudget.fields.stream import BitReader, BitWriter
from lowpanbudget.payload.codec.counted import Count
from lowpanbudget.payload.codec.field_bits import FieldBits
from lowpanbudget.payload.codec.nodes import Case, Codec, LeafNode, LeafPlace, Node
from lowpanbudget.payload.codec.nodes import Scope as Slots
from lowpanbudget.payload.codec.order import Order
from lowpanbudget.payload.flaws import Misfit, kind_of
from lowpanbudget.payload.forms.doubles import Numbers, octets_from, octets_text
from lowpanbudget.payload.forms.shapes import OctetsShape, Shape
from lowpanbudget.payload.kinds import interfaces as ask
from lowpanbudget.payload.kinds.drawing import drawn_length
from lowpanbudget.payload.kinds.field import Field
from lowpanbudget.payload.kinds.keys import field_kind, key
from lowpanbudget.payload.kinds.lengths import Counted

if TYPE_CHECKING:
    from lowpanbudget.payload.c.names import Spot
    from lowpanbudget.payload.c.parts import FieldPart, SourceUnit


@field_kind
class Octets(Counted):
    """Octets as they are: ``length`` of them, or ``min_length`` to ``max_length`` with the length in front.

    The length is sent as ``length - min_length`` in the fewest bits, as ASN.1 PER does for a bounded
    OCTET STRING, or in ``length_bits``. Hexadecimal text is accepted as a value as well.
    """

    length_bits: int | None = key(
        "The width of the length, if more than the fewest bits.", default=None
    )

    kind: ClassVar[str] = "octets"
    called: ClassVar[tuple[str, ...]] = (
        "bytes",
        "byte",
        "blob",
        "binary",
        "hex",
        "uuid",
        "eui",
        "opaque",
        "raw",
    )
    rank: ClassVar[int] = 140
    about: ClassVar[str] = (
        "Octets as they are: `length` of them, or up to `max_length` with the length in front."
    )
    wire: ClassVar[str] = """\
The number of octets less `min_length`, where it may change, in the fewest bits or `length_bits`; then the octets."""
    written: ClassVar[str] = """\
kind = "octets"
name = "token"
length = 4                    # or min_length and max_length: then the length goes in front"""
    counts: ClassVar[str] = "octets"
    blank: ClassVar[Any] = ""
    counted_by: ClassVar[str] = "length_bits"

    def taken(self, given: Any, before: ask.Scope, *, table: bool) -> Any:
        """Return the text itself: it is the octets in hex, or what is sent."""
        return given

    def to_octets(self, value: Any) -> bytes:
        """Return the octets of a value of a right length."""
        if isinstance(value, str):
            try:
                value = bytes.fromhex(value)
            except ValueError:
                raise Misfit(
                    f"is the text {value[:40]!r}", hint="Give octets, or hexadecimal text"
                ) from None
        if not isinstance(value, bytes | bytearray | memoryview):
            raise Misfit(f"is {kind_of(value)}", hint="Give octets, or hexadecimal text")
        return self.sized(bytes(value))

    def from_octets(self, octets: bytes) -> Any:
        """Return the value of octets from the wire."""
        return octets

    def sized(self, octets: bytes) -> bytes:
        """Return the octets if their number is right."""
        if not self.least <= len(octets) <= self.most:
            allowed = str(self.least) if self.least == self.most else f"{self.least} .. {self.most}"
            raise Misfit(f"has {plural(len(octets), 'octet')}, and {allowed} are allowed")
        return octets

    def example(self, case: Case) -> Any:
        """Return octets of the least, usual or greatest length."""
        return self.from_octets(bytes(0x41 + i % 26 for i in range(self.example_length(case))))

    def node(self, planner: ask.Planner, at: ask.FieldPlace) -> Node | None:
        """Return a place of fixed width, or a length and octets."""
        if self.least != self.most:
            return ContentsNode(self, planner.order)
        return LeafNode(LeafPlace(self, self._fixed(planner.order), 0))

    def _fixed(self, order: Order) -> Codec:
        """Return the codec of a fixed number of octets; the first octet is the first on the wire."""
        count = self.most
        stream = order.stream.first
        return Codec(
            8 * count,
            lambda value: int.from_bytes(self.to_octets(value), stream),
            lambda code: self.from_octets(code.to_bytes(count, stream)),
        )

    def drawn(self, random: Random, known: ask.Known) -> Any:
        """Return any octets."""
        return random.randbytes(drawn_length(self.least, self.most, random))

    def edges(self) -> Iterator[Any]:
        """Yield the fewest and the most octets."""
        for length in (self.least, self.most):
            yield bytes(0xA5 ^ i & 0xFF for i in range(length))

    def wished(self, wish: ask.Wish, here: ask.FieldPath, known: ask.Known) -> Any:
        """Return the value wished for, or that of the least message."""
        return wish.value if wish.path == here else self.example("least")

    def value_bits(self) -> int:
        """Return the bits of the most octets."""
        return 8 * self.most

    def gain(self, less: int) -> ask.Gain:
        """Return how many octets there are."""
        fewer = "" if self.least == self.most else "up to "
        return ask.Gain(
            f"{fewer}{plural(self.most, 'octet')} as they are",
            "an octet less of content" if self.most > 1 else ask.NOTHING,
        )

    def passed(self, walker: ask.FieldWalker, place: ask.ValuePath, _tags: dict[str, str]) -> bool:
        """Pass its octets."""
        walker.octets(self, walker.counted(self, place), place)
        return True

    def part(self, maker: "SourceUnit", spot: "Spot") -> "FieldPart":
        """Return octets, with their number where it can change."""
        from lowpanbudget.payload.c.counted import OctetArray

        return OctetArray(maker, spot, self)

    def to_json(self, value: Any) -> Any:
        """Return base64url."""
        return octets_text(value)

    def from_json(self, item: Any) -> Any:
        """Return the octets of base64url."""
        return octets_from(item)

    def shape(self, tags: Mapping[str, Field]) -> Shape:
        """Return octets."""
        return OctetsShape(self.least, self.most)

    def cddl(self, rules: ask.Rules, path: ask.FieldPath) -> str:
        """Return a string of octets with its lengths."""
        return f"bstr .size {self._sizes()}"

    def _sizes(self) -> str:
        return str(self.least) if self.least == self.most else f"({self.least}..{self.most})"

    def construct(self, order: Order, bases: dict[str, Codec]) -> Any:
        """Return octets, with their number in front where it can change."""
        import construct as cs

        from lowpanbudget.payload.forms import construct_parts as parts

        octet = parts.coded(8, order)
        count = parts.count_form(self, order)
        octets = cs.PrefixedArray(count, octet) if count else cs.Array(self.least, octet)
        return parts.Converted(
            octets,
            lambda listed, _: self.from_octets(bytes(listed)),
            lambda value, _: list(self.to_octets(value)),
        )

    def longest_values(self, numbers: Numbers, base: Any) -> Iterator[Any]:
        """Yield the most octets."""
        yield self.example("greatest")


class ContentsNode:
    """Octets or text with their length in front."""

    __slots__ = ("_bits", "_count", "_field", "_stream", "greatest", "least")

    def __init__(self, field: Octets, order: Order) -> None:
        self._field, self._stream = field, order.stream.first
        self._bits = FieldBits(field)
        self._count = Count(field, order)
        self.least = self._count.width + 8 * field.least
        self.greatest = self._count.width + 8 * field.most

    def write(self, out: BitWriter, value: Any, scope: Slots) -> None:
        """Append length and octets."""
        octets = self._field.to_octets(value)
        self._count.write(out, len(octets))
        code = int.from_bytes(octets, self._stream)
        out.put(code, 8 * len(octets))

    def read(self, source: BitReader, scope: Slots) -> Any:
        """Return the next octets or text."""
        count = self._count.read(source)
        octets = source.take(8 * count).to_bytes(count, self._stream)
        value = self._field.from_octets(octets)
        if source.spans is not None:
            source.leave(self._bits, value)
        return value

    def example(self, case: Case, scope: Slots) -> Any:
        """Return the field's own example."""
        return self._field.example(case)
