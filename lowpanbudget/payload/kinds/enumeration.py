"""One of several names, each with a code."""

from collections.abc import Iterator, Mapping
from random import Random
from typing import TYPE_CHECKING, Any, ClassVar, Self

from lowpanbudget.errors import plural, repeated
from lowpanbudget.payload.codec.groups import TagNode
from lowpanbudget.payload.codec.nodes import Case, Codec, LeafNode, Node
from lowpanbudget.payload.codec.order import Order
from lowpanbudget.payload.flaws import Flaw, Misfit
from lowpanbudget.payload.forms.doubles import Numbers
from lowpanbudget.payload.forms.shapes import CodeShape, Shape
from lowpanbudget.payload.kinds import interfaces as ask
from lowpanbudget.payload.kinds.drawing import (
    edge_or_any,
    some_of,
)
from lowpanbudget.payload.kinds.field import Field
from lowpanbudget.payload.kinds.keys import field_kind, key
from lowpanbudget.payload.kinds.leaf import MAX_BITS, Leaf, codes_left
from lowpanbudget.payload.kinds.names import names_flaws

if TYPE_CHECKING:
    from lowpanbudget.payload.c.names import Spot
    from lowpanbudget.payload.c.parts import FieldPart, SourceUnit


@field_kind
class Enumeration(Leaf):
    """One of several names, sent as its index in ``names``, or as its own code where ``codes`` are given."""

    names: tuple[str, ...] = key(
        "The names in order (sent as their index), or a table of names and codes.", form="names"
    )
    codes: tuple[int, ...] | None = None
    bits: int | None = key("The width, if more than the fewest bits.", default=None)
    typical: str | None = key("The usual name.", default=None)

    kind: ClassVar[str] = "enumeration"
    rank: ClassVar[int] = 60
    about: ClassVar[str] = "One of several names."
    wire: ClassVar[str] = """\
The index of the name in the list, from 0, or the code that the table gives it."""
    written: ClassVar[str] = """\
kind = "enumeration"
name = "mode"
names = ["normal", "storm", "service"]   # or { normal = 0, storm = 1, service = 7 }
bits = 3                                 # room for more names later"""
    referable: ClassVar[bool] = True

    @classmethod
    def declared(cls, **keys: Any) -> Self:
        """Return the field of the keys of a design file; ``names`` may be a table of names and codes."""
        names = keys.pop("names")
        codes = tuple(names.values()) if isinstance(names, dict) else None
        return cls(**keys, names=tuple(names), codes=codes)

    def numbers(self) -> tuple[int, ...]:
        """Return the code of each name."""
        return tuple(range(len(self.names))) if self.codes is None else self.codes

    def coded_names(self) -> dict[int, str]:
        """Return the name of each code."""
        return dict(zip(self.numbers(), self.names, strict=True))

    def needed(self) -> int:
        """Return ``bits`` if stated, else the fewest bits that hold the highest code."""
        return self.bits if self.bits is not None else max(self.numbers()).bit_length()

    def codec(self, width: int, order: Order) -> Codec:
        """Return the codec; a code without name stands for nothing."""
        to_code = dict(zip(self.names, self.numbers(), strict=True))
        to_name = {code: name for name, code in to_code.items()}

        def encode(value: Any) -> int:
            try:
                return to_code[value]
            except (KeyError, TypeError):
                raise Misfit(
                    f"is {repeated(value):.40}", hint=f"Give {_one_of(self.names)}"
                ) from None

        def decode(code: int) -> str:
            if code not in to_name:
                raise Misfit(
                    f"has code {code}, which has no name", hint=f"Names are {_one_of(self.names)}"
                )
            return to_name[code]

        return Codec(width, encode, decode)

    def example(self, case: Case) -> str:
        """Return the name of the lowest code, the usual name, or that of the highest code."""
        pairs = sorted(zip(self.numbers(), self.names, strict=True))
        if case == "typical":
            return self.names[0] if self.typical is None else self.typical
        return pairs[-1 if case == "greatest" else 0][1]

    def flaws(self, order: Order) -> Iterator[Flaw]:
        """Yield what is wrong with names, codes and width."""
        if len(self.names) < 2:
            yield Flaw(
                ("names",),
                "one name carries nothing" if self.names else "no names",
                "Give two names or more, or use kind 'constant'",
            )
            return
        yield from names_flaws(self.names, "names", what="name")
        numbers = self.numbers()
        for index, code in enumerate(numbers):
            name = self.names[index]
            if not 0 <= code < 1 << MAX_BITS:
                yield Flaw(("names", name), f"{code} is no code", f"Use 0 .. 2^{MAX_BITS} - 1")
                return
            if code in numbers[:index]:
                yield Flaw(
                    ("names", name),
                    f"code {code} already means {self.names[numbers.index(code)]!r}",
                    "Give each name a code of its own",
                )
        fewest = max(numbers).bit_length()
        if self.bits is not None and not fewest <= self.bits <= MAX_BITS:
            yield Flaw(
                ("bits",),
                f"the highest code is {max(numbers)}, which takes {plural(fewest, 'bit')}, not {self.bits}",
                f"Use {fewest} to {MAX_BITS}",
            )
        if self.typical is not None and self.typical not in self.names:
            names = ", ".join(self.names)
            yield Flaw(("typical",), f"{self.typical!r} is none of the names", f"Names are {names}")

    def node(self, planner: ask.Planner, at: ask.FieldPlace) -> Node | None:
        """Return a place of fixed width; one that a union looks at chooses its option in examples."""
        place = planner.place(self)
        return TagNode(place, self.names) if planner.referred(self.name) else LeafNode(place)

    def drawn(self, random: Random, known: ask.Known) -> str:
        """Return a name."""
        return edge_or_any(self.names, random)

    def edges(self) -> Iterator[str]:
        """Yield the names."""
        yield from some_of(self.names)

    def wished(self, wish: ask.Wish, here: ask.FieldPath, known: ask.Known) -> Any:
        """Return the name wished for, that which leads there, or the first."""
        if wish.path == here:
            return wish.value
        name = wish.tags.get(self.name)
        return name if name in self.names else self.names[0]

    def summary(self) -> ask.Summary:
        """Return the names."""
        return names_summary(self.names)

    def spare_codes(self, bits: int) -> int:
        """Return how many codes have no name."""
        return (1 << bits) - len(self.names)

    def gain(self, less: int) -> ask.Gain:
        """Return how many names there are, and how many a smaller place has codes for."""
        words = codes_left(len(self.names), less, "name")
        if len(self.names) <= 1 << less <= max(self.numbers()):
            words = (
                f"the same with other codes: {plural(less, 'bit')} for {plural(1 << less, 'name')}"
            )
        return ask.Gain(f"one of {len(self.names)} names", words)

    def part(self, maker: "SourceUnit", spot: "Spot") -> "FieldPart":
        """Return the code, with a constant for each name."""
        from lowpanbudget.payload.c.coded import NamedCode

        codes = dict(zip(self.names, self.numbers(), strict=True))
        return NamedCode(maker, spot, codes, maker.order.rounded(self.needed()))

    def coded(self, value: Any, known: ask.Known, code: ask.CodeOf) -> Any:
        """Return the code of a name."""
        return self.numbers()[self.names.index(value)]

    def decoded(self, item: Any, known: ask.Known, value: ask.CodeOf) -> Any:
        """Return the name of a code."""
        return self.names[self.numbers().index(item)]

    def shape(self, tags: Mapping[str, Field]) -> Shape:
        """Return the codes."""
        return CodeShape(self.numbers())

    def cddl(self, rules: ask.Rules, path: ask.FieldPath) -> str:
        """Return a rule with the names."""
        names = zip(self.names, self.numbers(), strict=True)
        body = ", ".join(f"{name}: {code}" for name, code in names)
        return rules.rule(".".join(path), f"&({body})")

    def longest_values(self, numbers: Numbers, base: Any) -> Iterator[Any]:
        """Yield the names."""
        yield from self.names


def _one_of(names: tuple[str, ...]) -> str:
    shown = ", ".join(names[:12])
    return f"{shown} or one of {len(names) - 12} more" if len(names) > 12 else f"one of {shown}"


def names_summary(names: tuple[str, ...]) -> ask.Summary:
    """Return the first names of a list, and how many more there are."""
    more = f" and {len(names) - 8} more" if len(names) > 8 else ""
    return ask.Summary(", ".join(names[:8]) + more)
