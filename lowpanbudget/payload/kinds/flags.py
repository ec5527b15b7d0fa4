"""A bit for each of several names."""

from collections.abc import Iterable, Iterator, Mapping
from random import Random
from typing import TYPE_CHECKING, Any, ClassVar

from lowpanbudget.errors import plural, repeated
from lowpanbudget.payload.codec.nodes import Case, Codec
from lowpanbudget.payload.codec.order import Order
from lowpanbudget.payload.flaws import Flaw, Misfit
from lowpanbudget.payload.forms.doubles import Numbers
from lowpanbudget.payload.forms.senml_records import Entry, SenmlRecord
from lowpanbudget.payload.forms.shapes import FlagsShape, Shape
from lowpanbudget.payload.kinds import interfaces as ask
from lowpanbudget.payload.kinds.drawing import either
from lowpanbudget.payload.kinds.enumeration import names_summary
from lowpanbudget.payload.kinds.field import Field
from lowpanbudget.payload.kinds.keys import field_kind, key
from lowpanbudget.payload.kinds.leaf import MAX_BITS, Leaf
from lowpanbudget.payload.kinds.names import names_flaws

if TYPE_CHECKING:
    from lowpanbudget.payload.c.names import Spot
    from lowpanbudget.payload.c.parts import FieldPart, SourceUnit


@field_kind
class Flags(Leaf):
    """One bit for each name, in the order of the names; the value is a tuple of the names that are set.

    A mapping of names to truth is accepted as well. Bits that ``bits`` adds are zero when sent and
    ignored when received.
    """

    names: tuple[str, ...] = key("The names; the first is the first bit on the wire.")
    bits: int | None = key("The width, if more than the names.", default=None)
    typical: tuple[str, ...] = key("The flags usually set.", default=())

    kind: ClassVar[str] = "flags"
    called: ClassVar[tuple[str, ...]] = ("bitfield", "bitmap", "bitmask", "bits")
    rank: ClassVar[int] = 70
    about: ClassVar[str] = "A bit for each name."
    wire: ClassVar[str] = """\
A bit for each name, 1 where it is set, the first name first on the wire. What `bits` adds behind them is sent as zeros,
and receivers ignore it."""
    written: ClassVar[str] = """\
kind = "flags"
name = "status"
names = ["clock_set", "mains", "tamper"]
bits = 8"""
    ordered: ClassVar[bool] = False
    has_flags: ClassVar[bool] = True
    blank: ClassVar[Any] = ()

    def coded_names(self) -> dict[int, str]:
        """Return the name of each bit."""
        return dict(enumerate(self.names))

    def needed(self) -> int:
        """Return ``bits`` if stated, else a bit a name."""
        return len(self.names) if self.bits is None else self.bits

    def taken(self, given: Any, before: ask.Scope, *, table: bool) -> Any:
        """Return the names of a text, with blanks or commas between them."""
        return tuple(given.replace(",", " ").split()) if isinstance(given, str) else given

    def codec(self, width: int, order: Order) -> Codec:
        """Return the codec; the first name is the first bit on the wire."""
        weights = order.weights(self.names, width)
        pairs = tuple(weights.items())

        def encode(value: Any) -> int:
            code = 0
            for name in _set_names(value):
                if not isinstance(name, str) or name not in weights:
                    hint = f"Flags are {', '.join(self.names)}; a text has commas between them"
                    raise Misfit(f"holds {repeated(name):.40}", hint=hint)
                code |= weights[name]
            return code

        def decode(code: int) -> tuple[str, ...]:
            return tuple([name for name, weight in pairs if code & weight])

        return Codec(width, encode, decode)

    def example(self, case: Case) -> tuple[str, ...]:
        """Return no flag, the usual flags, or all."""
        return {"least": (), "typical": self.typical, "greatest": self.names}[case]

    def flaws(self, order: Order) -> Iterator[Flaw]:
        """Yield what is wrong with names and width."""
        if not self.names:
            yield Flaw(("names",), "no flags", "Give at least one name")
        yield from names_flaws(self.names, "names", what="flag")
        width = self.needed()
        if not len(self.names) <= width <= MAX_BITS:
            yield Flaw(
                ("bits" if self.bits is not None else "names",),
                f"{plural(len(self.names), 'flag')} in {plural(width, 'bit')}",
                f"Use at most {MAX_BITS} flags, and a bit for each",
            )
        for name in self.typical:
            if name not in self.names:
                names = ", ".join(self.names)
                yield Flaw(("typical",), f"{name!r} is none of the flags", f"Flags are {names}")

    def drawn(self, random: Random, known: ask.Known) -> tuple[str, ...]:
        """Return any of the flags."""
        return tuple(name for name in self.names if either(random))

    def edges(self) -> Iterator[tuple[str, ...]]:
        """Yield no flag, each alone, and all."""
        yield from ((), *((name,) for name in self.names), self.names)

    def summary(self) -> ask.Summary:
        """Return the names."""
        return names_summary(self.names)

    def meaning(self, value: Any, scope: ask.Scope) -> str:
        """Return that no flag is set, or the note."""
        return self.note if value else "no flag is set"

    def gain(self, less: int) -> ask.Gain:
        """Return how many flags there are, and how many find no place in a smaller one."""
        lost = len(self.names) - less
        if lost <= 0:
            words = "the same: the width is more than the flags need"
        else:
            words = f"{plural(lost, 'flag')} less" if less else ask.NOTHING
        return ask.Gain(plural(len(self.names), "flag"), words)

    def part(self, maker: "SourceUnit", spot: "Spot") -> "FieldPart":
        """Return the bits as they are sent, with a mask for each name."""
        from lowpanbudget.payload.c.coded import FlagBits

        width = maker.order.rounded(self.needed())
        return FlagBits(maker, spot, self.names, self.codec(width, maker.order))

    def coded(self, value: Any, known: ask.Known, code: ask.CodeOf) -> Any:
        """Return an integer, the first flag as bit 0."""
        return sum(1 << index for index, name in enumerate(self.names) if name in value)

    def decoded(self, item: Any, known: ask.Known, value: ask.CodeOf) -> Any:
        """Return the names of the bits that are set."""
        return tuple(name for index, name in enumerate(self.names) if item >> index & 1)

    def from_json(self, item: Any) -> Any:
        """Return the names of a list."""
        return tuple(item)

    def shape(self, tags: Mapping[str, Field]) -> Shape:
        """Return bits."""
        return FlagsShape(len(self.names))

    def cddl(self, rules: ask.Rules, path: ask.FieldPath) -> str:
        """Return an integer whose bits have names."""
        bits = ", ".join(f"{name}: {index}" for index, name in enumerate(self.names))
        return f"uint .bits {rules.rule('.'.join(path) + '.bits', f'&({bits})')}"

    def records(self, maker: ask.RecordMaker, value: Any, at: ask.RecordPlace) -> Iterator[Entry]:
        """Yield a record for each flag."""
        for name in self.names:
            yield maker.entry(self, name in value, at.below(name))

    def from_records(
        self, reader: ask.RecordReader, records: list[SenmlRecord], at: ask.RecordPlace
    ) -> Any:
        """Return the flags whose records are true."""
        on = {record.parts[0] for record in records if record.item}
        return tuple(name for name in self.names if name in on)

    def longest_values(self, numbers: Numbers, base: Any) -> Iterator[Any]:
        """Yield all flags and none."""
        yield from (self.names, ())


def _set_names(value: Any) -> Iterable[Any]:
    if type(value) is tuple or type(value) is list:
        return value
    if isinstance(value, Mapping):
        wrong = [on for on in value.values() if on not in (True, False)]
        if wrong:
            raise Misfit(f"holds {repeated(wrong[0]):.40}", hint="Give true or false for each name")
        return [name for name, on in value.items() if on]
    if isinstance(value, set | frozenset):
        return value
    raise Misfit(f"is {repeated(value):.40}", hint="Give the names that are set, as a list")
