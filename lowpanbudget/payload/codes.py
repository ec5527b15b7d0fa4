"""Fields whose codes are no numbers: truth, one of several names, flags, constants, reserved bits."""

import dataclasses
from collections.abc import Iterable, Iterator, Mapping
from typing import Any, ClassVar

from lowpanbudget.errors import plural
from lowpanbudget.payload.bitpack import Order
from lowpanbudget.payload.field import MAX_BITS, Case, Codec, Leaf, names_flaws
from lowpanbudget.payload.flaws import Flaw, Misfit


@dataclasses.dataclass(frozen=True, slots=True)
class Boolean(Leaf):
    """True or False in one bit; 1 is True."""

    kind: ClassVar[str] = "boolean"

    def needed(self) -> int:
        """Return 1."""
        return 1

    def codec(self, width: int, order: Order) -> Codec:
        """Return the codec; a code above 1 in a wider place stands for nothing."""
        del order

        def encode(value: Any) -> int:
            if value is True:
                return 1
            if value is False:
                return 0
            raise Misfit(f"is {value!r:.40}", hint="Give true or false")

        def decode(code: int) -> bool:
            if code > 1:
                raise Misfit(f"has code {code}", hint="0 is false and 1 is true")
            return code == 1

        return Codec(width, encode, decode)

    def example(self, case: Case) -> bool:
        """Return True for the greatest message."""
        return case == "greatest"


@dataclasses.dataclass(frozen=True, slots=True)
class Enumeration(Leaf):
    """One of several names, sent as its index in ``names``, or as its own code where ``codes`` are given."""

    _: dataclasses.KW_ONLY
    names: tuple[str, ...]
    codes: tuple[int, ...] | None = None
    bits: int | None = None
    typical: str | None = None

    kind: ClassVar[str] = "enumeration"

    def numbers(self) -> tuple[int, ...]:
        """Return the code of each name."""
        return tuple(range(len(self.names))) if self.codes is None else self.codes

    def needed(self) -> int:
        """Return ``bits`` if stated, else the fewest bits that hold the highest code."""
        return self.bits if self.bits is not None else max(self.numbers()).bit_length()

    def codec(self, width: int, order: Order) -> Codec:
        """Return the codec; a code without name stands for nothing."""
        del order
        to_code = dict(zip(self.names, self.numbers(), strict=True))
        to_name = {code: name for name, code in to_code.items()}

        def encode(value: Any) -> int:
            try:
                return to_code[value]
            except (KeyError, TypeError):
                raise Misfit(f"is {value!r:.40}", hint=f"Give {_one_of(self.names)}") from None

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
        del order
        if len(self.names) < 2:
            yield Flaw(
                ("names",),
                f"{plural(len(self.names), 'name')} carries nothing",
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


@dataclasses.dataclass(frozen=True, slots=True)
class Flags(Leaf):
    """One bit for each name, in the order of the names; the value is a tuple of the names that are set.

    A mapping of names to truth is accepted as well. Bits that ``bits`` adds are zero when sent and
    ignored when received.
    """

    _: dataclasses.KW_ONLY
    names: tuple[str, ...]
    bits: int | None = None
    typical: tuple[str, ...] = ()

    kind: ClassVar[str] = "flags"
    ordered: ClassVar[bool] = False

    def needed(self) -> int:
        """Return ``bits`` if stated, else a bit a name."""
        return len(self.names) if self.bits is None else self.bits

    def codec(self, width: int, order: Order) -> Codec:
        """Return the codec; the first name is the first bit on the wire."""
        if order.msb_first:
            weights = {name: 1 << (width - 1 - index) for index, name in enumerate(self.names)}
        else:
            weights = {name: 1 << index for index, name in enumerate(self.names)}
        pairs = tuple(weights.items())

        def encode(value: Any) -> int:
            code = 0
            for name in _set_names(value):
                if not isinstance(name, str) or name not in weights:
                    raise Misfit(f"holds {name!r:.40}", hint=f"Flags are {', '.join(self.names)}")
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
        del order
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


@dataclasses.dataclass(frozen=True, slots=True)
class Constant(Leaf):
    """A number that every message of the format carries; another one on the wire is an error."""

    _: dataclasses.KW_ONLY
    value: int
    bits: int

    kind: ClassVar[str] = "constant"
    given: ClassVar[bool] = False

    def needed(self) -> int:
        """Return the stated width."""
        return self.bits

    def codec(self, width: int, order: Order) -> Codec:
        """Return the codec; the value may be given, and must then be right."""
        del order
        constant = self.value

        def encode(value: Any) -> int:
            if value is not None and (value != constant or isinstance(value, bool)):
                raise Misfit(f"is {value!r:.40}", hint=f"It is always {constant}: leave it out")
            return constant

        def decode(code: int) -> int:
            if code != constant:
                raise Misfit(f"is {code}, and this format has {constant}")
            return constant

        return Codec(width, encode, decode)

    def example(self, case: Case) -> int:
        """Return the constant."""
        del case
        return self.value

    def flaws(self, order: Order) -> Iterator[Flaw]:
        """Yield what is wrong with width and value."""
        del order
        if not 1 <= self.bits <= MAX_BITS:
            yield Flaw(("bits",), f"{self.bits} is no width", f"Use 1 to {MAX_BITS}")
        elif not 0 <= self.value < 1 << self.bits:
            yield Flaw(
                ("value",),
                f"{self.value} does not fit in {plural(self.bits, 'bit')}",
                f"Use bits = {max(self.value.bit_length(), 1)}, or a value of 0 .. {(1 << self.bits) - 1}",
            )


@dataclasses.dataclass(frozen=True, slots=True)
class Version(Constant):
    """The version of the format: a constant that receivers look at first (by default a nibble)."""

    _: dataclasses.KW_ONLY
    bits: int = 4

    kind: ClassVar[str] = "version"


@dataclasses.dataclass(frozen=True, slots=True)
class Reserved(Leaf):
    """Bits kept for later: zero when sent, ignored when received, in no dictionary of values."""

    _: dataclasses.KW_ONLY
    bits: int

    kind: ClassVar[str] = "reserved"
    ordered: ClassVar[bool] = False
    given: ClassVar[bool] = False

    def needed(self) -> int:
        """Return the stated width."""
        return self.bits

    def codec(self, width: int, order: Order) -> Codec:
        """Return a codec of zeros."""
        del order
        return Codec(width, lambda _: 0, lambda _: None)

    def example(self, case: Case) -> None:
        """Return nothing."""
        del case

    def flaws(self, order: Order) -> Iterator[Flaw]:
        """Yield what is wrong with the width."""
        del order
        if not 1 <= self.bits <= 8 * MAX_BITS:
            yield Flaw(("bits",), f"{self.bits} is no width", f"Use 1 to {8 * MAX_BITS}")


def _one_of(names: tuple[str, ...]) -> str:
    shown = ", ".join(names[:12])
    return f"{shown} or one of {len(names) - 12} more" if len(names) > 12 else f"one of {shown}"


def _set_names(value: Any) -> Iterable[Any]:
    if type(value) is tuple or type(value) is list:
        return value
    if isinstance(value, Mapping):
        wrong = [on for on in value.values() if on not in (True, False)]
        if wrong:
            raise Misfit(f"holds {wrong[0]!r:.40}", hint="Give true or false for each name")
        return [name for name, on in value.items() if on]
    if isinstance(value, set | frozenset):
        return value
    raise Misfit(f"is {value!r:.40}", hint="Give the names that are set, as a list")
