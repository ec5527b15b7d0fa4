"""A number that every message of a format carries."""

from collections.abc import Iterator, Mapping
from random import Random
from typing import TYPE_CHECKING, Any, ClassVar

from lowpanbudget.errors import plural, repeated
from lowpanbudget.payload.codec.nodes import Case, Codec
from lowpanbudget.payload.codec.order import Order
from lowpanbudget.payload.flaws import Flaw, Misfit
from lowpanbudget.payload.forms.doubles import Numbers
from lowpanbudget.payload.forms.shapes import Shape, WholeShape
from lowpanbudget.payload.kinds import interfaces as ask
from lowpanbudget.payload.kinds.field import Field
from lowpanbudget.payload.kinds.keys import field_kind, key
from lowpanbudget.payload.kinds.leaf import MAX_BITS, Leaf

if TYPE_CHECKING:
    from lowpanbudget.payload.c.names import Spot
    from lowpanbudget.payload.c.parts import FieldPart, SourceUnit


@field_kind
class Constant(Leaf):
    """A number that every message of the format carries; another one on the wire is an error."""

    value: int = key("The number.")
    bits: int = key("Its width.")

    kind: ClassVar[str] = "constant"
    called: ClassVar[tuple[str, ...]] = ("magic",)
    rank: ClassVar[int] = 80
    about: ClassVar[str] = "A number that every message carries."
    wire: ClassVar[str] = """\
The number itself, unsigned."""
    written: ClassVar[str] = """\
kind = "constant"
name = "magic"
value = 0xb5
bits = 8"""
    needs_value: ClassVar[bool] = False
    identifies: ClassVar[bool] = True
    refusing: ClassVar[tuple[str, ...]] = ("value", "bits")

    def needed(self) -> int:
        """Return the stated width."""
        return self.bits

    def codec(self, width: int, order: Order) -> Codec:
        """Return the codec; the value may be given, and must then be right."""
        constant = self.value

        def encode(value: Any) -> int:
            if value is not None and (value != constant or isinstance(value, bool)):
                raise Misfit(
                    f"is {repeated(value):.40}", hint=f"It is always {constant}: leave it out"
                )
            return constant

        def decode(code: int) -> int:
            if code != constant:
                raise Misfit(f"is {code}, and this format has {constant}")
            return constant

        return Codec(width, encode, decode)

    def example(self, case: Case) -> int:
        """Return the constant."""
        return self.value

    def flaws(self, order: Order) -> Iterator[Flaw]:
        """Yield what is wrong with width and value."""
        if not 1 <= self.bits <= MAX_BITS:
            yield Flaw(("bits",), f"{self.bits} is no width", f"Use 1 to {MAX_BITS}")
        elif not 0 <= self.value < 1 << self.bits:
            yield Flaw(
                ("value",),
                f"{self.value} does not fit in {plural(self.bits, 'bit')}",
                f"Use bits = {max(self.value.bit_length(), 1)}, or a value of 0 .. {(1 << self.bits) - 1}",
            )

    def drawn(self, random: Random, known: ask.Known) -> int:
        """Return the constant."""
        return self.value

    def summary(self) -> ask.Summary:
        """Return the constant."""
        return ask.Summary(str(self.value))

    def gain(self, less: int) -> ask.Gain:
        """Return what a constant is good for."""
        if not less:
            words = ask.NOTHING
        elif less == self.bits - 1:
            words = "half as many formats or versions"
        else:
            words = f"at most {1 << less} formats or versions"
        if less and self.value >> less:
            words += ", and another value"
        return ask.Gain("tells the format apart from others", words)

    def part(self, maker: "SourceUnit", spot: "Spot") -> "FieldPart":
        """Return a number that no member holds."""
        from lowpanbudget.payload.c.coded import FixedCode

        return FixedCode(maker, spot, self.value, maker.order.rounded(self.needed()))

    def shape(self, tags: Mapping[str, Field]) -> Shape:
        """Return any number of its width."""
        return WholeShape(0, (1 << self.bits) - 1)

    def cddl(self, rules: ask.Rules, path: ask.FieldPath) -> str:
        """Return the constant."""
        return str(self.value)

    def from_senml(self, item: Any, known: ask.Known) -> Any:
        """Return the constant."""
        return int(item)

    def longest_values(self, numbers: Numbers, base: Any) -> Iterator[Any]:
        """Yield the constant."""
        yield self.value
