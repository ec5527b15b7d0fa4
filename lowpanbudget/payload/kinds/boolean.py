"""True or false in one bit."""

from collections.abc import Iterator, Mapping
from random import Random
from typing import TYPE_CHECKING, Any, ClassVar

from lowpanbudget.errors import repeated
from lowpanbudget.payload.codec.nodes import Case, Codec
from lowpanbudget.payload.codec.order import Order
from lowpanbudget.payload.flaws import Misfit, held_by
from lowpanbudget.payload.forms.doubles import Numbers
from lowpanbudget.payload.forms.shapes import Shape, TruthShape
from lowpanbudget.payload.kinds import interfaces as ask
from lowpanbudget.payload.kinds.drawing import either
from lowpanbudget.payload.kinds.field import Field
from lowpanbudget.payload.kinds.keys import field_kind
from lowpanbudget.payload.kinds.leaf import Leaf

if TYPE_CHECKING:
    from lowpanbudget.payload.c.names import Spot
    from lowpanbudget.payload.c.parts import FieldPart, SourceUnit


@field_kind
class Boolean(Leaf):
    """True or False in one bit; 1 is True."""

    kind: ClassVar[str] = "boolean"
    rank: ClassVar[int] = 50
    about: ClassVar[str] = "True or false in one bit."
    wire: ClassVar[str] = """\
1 for true, 0 for false."""
    written: ClassVar[str] = """\
kind = "boolean"
name = "open\""""

    def needed(self) -> int:
        """Return 1."""
        return 1

    def taken(self, given: Any, before: ask.Scope, *, table: bool) -> Any:
        """Return true or false of the words, which spreadsheets write in capitals."""
        words = {"true": True, "false": False}
        return words.get(given.lower(), given) if isinstance(given, str) else given

    def codec(self, width: int, order: Order) -> Codec:
        """Return the codec; a code above 1 in a wider place stands for nothing."""

        def encode(value: Any) -> int:
            if value is True:
                return 1
            if value is False:
                return 0
            if isinstance(held := held_by(value), bool):
                return int(held)
            raise Misfit(f"is {repeated(value):.40}", hint="Give true or false")

        def decode(code: int) -> bool:
            if code > 1:
                raise Misfit(f"has code {code}", hint="0 is false and 1 is true")
            return code == 1

        return Codec(width, encode, decode)

    def example(self, case: Case) -> bool:
        """Return True for the greatest message."""
        return case == "greatest"

    def drawn(self, random: Random, known: ask.Known) -> bool:
        """Return either."""
        return either(random)

    def edges(self) -> Iterator[bool]:
        """Yield both."""
        yield from (False, True)

    def gain(self, less: int) -> ask.Gain:
        """Return what one bit tells."""
        return ask.Gain("true or false", ask.NOTHING)

    def part(self, maker: "SourceUnit", spot: "Spot") -> "FieldPart":
        """Return a ``bool``."""
        from lowpanbudget.payload.c.coded import Truth

        return Truth(maker, spot, maker.order.rounded(self.needed()))

    def shape(self, tags: Mapping[str, Field]) -> Shape:
        """Return a truth."""
        return TruthShape()

    def cddl(self, rules: ask.Rules, path: ask.FieldPath) -> str:
        """Return the type of truths."""
        return "bool"

    def longest_values(self, numbers: Numbers, base: Any) -> Iterator[Any]:
        """Yield both."""
        yield from (True, False)
