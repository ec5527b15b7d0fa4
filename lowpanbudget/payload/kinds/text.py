"""Text of a fixed length, or with a length in front."""

from collections.abc import Iterator, Mapping
from random import Random
from typing import TYPE_CHECKING, Any, ClassVar

from lowpanbudget.payload.codec.order import Order
from lowpanbudget.payload.flaws import Flaw, Misfit, kind_of
from lowpanbudget.payload.forms.doubles import Numbers
from lowpanbudget.payload.forms.shapes import Shape, TextShape
from lowpanbudget.payload.kinds import interfaces as ask
from lowpanbudget.payload.kinds.field import Field
from lowpanbudget.payload.kinds.keys import field_kind, key
from lowpanbudget.payload.kinds.octets import Octets

if TYPE_CHECKING:
    from lowpanbudget.payload.c.names import Spot
    from lowpanbudget.payload.c.parts import FieldPart, SourceUnit


ENCODINGS = ("utf-8", "ascii")


@field_kind
class Text(Octets):
    """Text in UTF-8 or ASCII; lengths count octets, not characters."""

    encoding: str = key("How characters become octets.", default="utf-8", allowed=ENCODINGS)

    kind: ClassVar[str] = "text"
    called: ClassVar[tuple[str, ...]] = ("string", "str", "char")
    rank: ClassVar[int] = 150
    about: ClassVar[str] = (
        "Text of `length` octets, or of up to `max_length` with the length in front."
    )
    wire: ClassVar[str] = """\
The number of octets less `min_length`, where it may change, in the fewest bits or `length_bits`; then the octets."""
    written: ClassVar[str] = """\
kind = "text"
name = "room"
max_length = 24
encoding = "utf-8\""""
    # ASCII is UTF-8 (RFC 3629 section 1)
    refusing: ClassVar[tuple[str, ...]] = ("max_length", "length_bits", "encoding")

    def to_octets(self, value: Any) -> bytes:
        """Return the octets of a text of a right length."""
        if not isinstance(value, str):
            raise Misfit(f"is {kind_of(value)}, not text", hint="Give text")
        try:
            return self.sized(value.encode(self.encoding))
        except UnicodeEncodeError:
            raise Misfit(f"is {value[:40]!r}, which {self.encoding} cannot write") from None

    def from_octets(self, octets: bytes) -> str:
        """Return the text of octets from the wire."""
        try:
            return octets.decode(self.encoding)
        except UnicodeDecodeError as fault:
            raise Misfit(f"is no {self.encoding} from its octet {fault.start} on") from None

    def flaws(self, order: Order) -> Iterator[Flaw]:
        """Yield what is wrong with lengths and encoding."""
        if self.encoding not in ENCODINGS:
            yield Flaw(
                ("encoding",),
                f"{self.encoding!r} is no encoding here",
                f"Use {' or '.join(ENCODINGS)}",
            )
        yield from Octets.flaws(self, order)

    def drawn(self, random: Random, known: ask.Known) -> str:
        """Return any small letters."""
        octets = Octets.drawn(self, random, known)
        return bytes(97 + octet % 26 for octet in octets).decode()

    def edges(self) -> Iterator[str]:
        """Yield the shortest and the longest text, and one outside ASCII where there is room for it."""
        yield from ("a" * self.least, "a" * self.most)
        letter = "µ"
        size = len(letter.encode())
        if self.encoding == "utf-8" and self.most >= size:
            yield letter + "a" * max(self.least - size, 0)

    def part(self, maker: "SourceUnit", spot: "Spot") -> "FieldPart":
        """Return characters, with their number where it can change."""
        from lowpanbudget.payload.c.counted import OctetArray

        return OctetArray(maker, spot, self, encoding=self.encoding)

    def to_json(self, value: Any) -> Any:
        """Return the text."""
        return value

    def from_json(self, item: Any) -> Any:
        """Return the text."""
        return item

    def shape(self, tags: Mapping[str, Field]) -> Shape:
        """Return text."""
        return TextShape(self.least, self.most, self.encoding)

    def cddl(self, rules: ask.Rules, path: ask.FieldPath) -> str:
        """Return a text with its lengths."""
        return f"tstr .size {self._sizes()}"

    def longest_values(self, numbers: Numbers, base: Any) -> Iterator[Any]:
        """Yield the longest texts: a control character takes six in JSON (RFC 8259 section 7)."""
        yield from ("a" * self.most, "\x01" * self.most)
