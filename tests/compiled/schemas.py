"""Random message formats, each from a number alone: every kind of field with every key that changes a bit.

A format is known again by its number and the seed, so that what a run names can be made again by itself.
"""

from collections.abc import Callable
from decimal import Decimal
from random import Random
from typing import Any

from lowpanbudget.payload.codec.order import BIT_ORDERS, BYTE_ORDERS, LAYOUTS
from lowpanbudget.payload.flaws import FlawedMessage
from lowpanbudget.payload.kinds.binary_float import Float
from lowpanbudget.payload.kinds.boolean import Boolean
from lowpanbudget.payload.kinds.constant import Constant
from lowpanbudget.payload.kinds.elements import Array
from lowpanbudget.payload.kinds.enumeration import Enumeration
from lowpanbudget.payload.kinds.field import Field
from lowpanbudget.payload.kinds.flags import Flags
from lowpanbudget.payload.kinds.group import Group
from lowpanbudget.payload.kinds.instant import Time
from lowpanbudget.payload.kinds.logarithmic import Logarithmic
from lowpanbudget.payload.kinds.number import Number
from lowpanbudget.payload.kinds.octets import Octets
from lowpanbudget.payload.kinds.reserved import ReservedBits
from lowpanbudget.payload.kinds.sequence import Sequence
from lowpanbudget.payload.kinds.series import Series
from lowpanbudget.payload.kinds.table import Table
from lowpanbudget.payload.kinds.text import Text
from lowpanbudget.payload.kinds.time_offset import TimeOffset
from lowpanbudget.payload.kinds.union import Option, Union
from lowpanbudget.payload.kinds.version import Version
from lowpanbudget.payload.message import Message

WORDS = tuple(f"n{index}" for index in range(64))
CODINGS = ("offset", "twos-complement")
MOST_OCTETS = 400  # of a format: greater ones cost time and show nothing else


def message(seed: int, number: int) -> Message:
    """Return the format of this number; a drawn one that the package refuses is drawn again."""
    attempt = 0
    while True:
        draw = Drawn(Random(f"{seed}/{number}/{attempt}"))
        attempt += 1
        try:
            made = draw.message()
        except FlawedMessage:
            continue
        if made.widest_bits <= 8 * MOST_OCTETS:
            return made


class Drawn:
    """What is drawn for one format."""

    def __init__(self, random: Random) -> None:
        self.random = random
        self.aligned = False
        self.names = 0

    def message(self) -> Message:
        """Return a format."""
        layout = self.random.choice(LAYOUTS)
        self.aligned = layout == "octet-aligned"
        return Message(
            "random",
            self.fields(depth=3),
            layout=layout,
            byte_order=self.random.choice(BYTE_ORDERS),
            bit_order=self.random.choice(BIT_ORDERS),
        )

    def maybe(self, share: float = 0.5) -> bool:
        """Return true in this share of all cases."""
        return self.random.random() < share

    def name(self) -> str:
        """Return a name that no other field has, of one letter or with what C replaces."""
        self.names += 1
        return f"{self.random.choice(('f', 'a-b', 'Long_er', 'x1-'))}{self.names}"

    def usual(self, name: str) -> dict[str, Any]:
        """Return the keys that every field has; an element (no name) has none of them."""
        return {"name": name, "optional": bool(name) and self.maybe(0.2)}

    def step(self) -> Decimal:
        """Return a resolution."""
        return Decimal(self.random.choice((1, 2, 5, 25, 3))).scaleb(self.random.randint(-4, 3))

    def sized(self, most: int, counted_by: str) -> dict[str, Any]:
        """Return a fixed length, or bounds of one, sometimes with more bits for the count than it needs."""
        top = self.random.randint(1, most)
        if self.maybe(0.3):
            return {"length": top}
        made: dict[str, Any] = {"min_length": self.random.randint(0, top), "max_length": top}
        if self.maybe(0.2):
            made[counted_by] = self.random.choice((4, 8, 9, 16))
        return made

    def fields(self, depth: int) -> tuple[Field, ...]:
        """Return the fields of a message, group or option."""
        made: list[Field] = []
        for _ in range(
            self.random.choice((1, 1, 1, 2, 2, 3, 4, 6) if depth == 3 else (0, 1, 1, 2))
        ):
            roll = self.random.randrange(14)
            if roll == 0 and depth:
                made.append(Group(**self.usual(self.name()), fields=self.fields(depth - 1)))
            elif roll == 1 and depth:
                made += self.union(depth)
            elif roll in {2, 3} and depth:
                made.append(self.array(self.name(), depth))
            elif roll == 4:
                base = Time(
                    self.name(), bits=self.random.randint(1, 48), step=abs(self.step()).min(5)
                )
                made += [base, self.offset(base.name, base.step)]
            elif roll == 5:
                made.append(self.unmoved())
            elif roll == 6 and depth == 3 and not made:
                at = 8 * self.random.randint(1, 6) + (
                    0 if self.aligned else self.random.randint(0, 7)
                )
                made += [Sequence(self.name()), Boolean(self.name(), at=at)]
            else:
                made.append(self.leaf(self.name()))
        if not made and depth == 3:
            made.append(Boolean(self.name()))
        if depth == 3 and self.maybe(0.1):
            made += [Boolean(self.name(), optional=True) for _ in range(self.random.randint(1, 19))]
        return tuple(made)

    def union(self, depth: int) -> list[Field]:
        """Return an enumeration and the union that it chooses in, sometimes with a field between them."""
        tag = self.enumeration(self.name(), count=self.random.randint(2, 4))
        options = tuple(Option(name, self.fields(depth - 1)) for name in tag.names)
        between = [self.leaf(self.name())] if self.maybe(0.3) else []
        chosen: Field = Union(**self.usual(self.name()), tag=tag.name, options=options)
        if self.maybe(0.2):
            chosen = Array(
                self.name(),
                element=Union("", tag=tag.name, options=options),
                **self.sized(3, "count_bits"),
            )
        return [tag, *between, chosen]

    def array(self, name: str, depth: int) -> Array:
        """Return an array of anything."""
        roll = self.random.randrange(5)
        element: Field
        if roll == 0:
            element = Group("", fields=self.fields(depth - 1) or (Boolean("b"),))
        elif roll == 1 and depth > 1:
            element = self.array("", depth - 1)
        else:
            element = self.leaf("")
        return Array(
            **self.usual(name), element=element, **self.sized(5 if depth == 3 else 3, "count_bits")
        )

    def offset(self, base: str, step: Decimal) -> TimeOffset:
        """Return a time that counts from another."""
        low, high = self.random.randint(-50, 50), self.random.randint(1, 5000)
        return TimeOffset(
            **self.usual(self.name()), base=base, step=step, min=low * step, max=(low + high) * step,
        )  # fmt: skip

    def unmoved(self) -> Field:
        """Return what no member holds, or what holds the same in every message."""
        bits = self.random.randint(1, 64)
        return self.random.choice([
            ReservedBits("", bits=self.random.randint(1, 99)),
            Constant(self.name(), value=self.random.getrandbits(bits), bits=bits),
            Version(self.name(), value=self.random.getrandbits(4)),
        ])  # fmt: skip

    def leaf(self, name: str) -> Field:
        """Return a field that is no other fields."""
        kinds: tuple[Callable[[str], Field], ...] = (
            self.number, self.number, self.number, self.boolean, self.enumeration, self.flags, self.floating,
            self.listed, self.octets, self.text, self.series, self.counter,
        )  # fmt: skip
        return self.random.choice(kinds)(name)

    def number(self, name: str) -> Number:
        """Return a number of any width, coding, offset and special codes."""
        random, step = self.random, self.step()
        count = random.randint(1, (1 << random.randint(1, 62)) - 1)
        coding = random.choice(CODINGS)
        reach = random.choice((8, 100, 1 << 20, 1 << 62))
        low = random.randint(-reach, reach)
        if coding == "twos-complement":
            low = max(-(1 << 62), min(low, (1 << 62) - count))
        shift = Decimal(0) if coding == "twos-complement" else step * random.choice((0, 0, 1)) / 4
        least = low * step + shift
        keys: dict[str, Any] = {
            "min": least, "max": least + count * step, "step": step, "coding": coding,
            "special": random.choice(((), (), (("na", None),), (("na", None), ("over", None)))),
        }  # fmt: skip
        if coding == "offset" and self.maybe(0.2):
            keys["offset"] = least - step * random.randint(0, 9)
        made = Number(**self.usual(name), **keys)
        if keys["special"] and coding == "offset" and count < 1000 and self.maybe(0.3):
            codes = self.random.sample(range(count + 10, count + 99), len(keys["special"]))
            keys["special"] = tuple(
                (word, code) for (word, _), code in zip(keys["special"], codes, strict=True)
            )
            return Number(name, **keys, optional=made.optional)
        if self.maybe(0.2):
            wide = made.fewest_bits() + random.choice((0, 1, 5))
            made = Number(name, **keys, bits=min(64, wide), optional=made.optional)
        return made

    def boolean(self, name: str) -> Boolean:
        """Return a truth."""
        return Boolean(**self.usual(name))

    def enumeration(self, name: str, count: int = 0) -> Enumeration:
        """Return names, with codes of their own or counted."""
        names = WORDS[: count or self.random.randint(2, 12)]
        keys: dict[str, Any] = {}
        if self.maybe(0.4):
            top = self.random.choice((40, 300, 70000, 2**40, 2**64 - 1))
            keys["codes"] = tuple(
                self.random.sample(range(top) if top < 2**60 else range(2**62), len(names))
            )
            if top > 2**60:
                keys["codes"] = (2**64 - 1, *keys["codes"][1:])
        if self.maybe(0.2):
            keys["bits"] = 64
        return Enumeration(name, names=names, **keys)

    def flags(self, name: str) -> Flags:
        """Return flags, sometimes in more bits than they need."""
        count = self.random.choice((1, 3, 8, 9, 20, 33, 64))
        bits = self.random.choice((None, count, min(64, count + 5)))
        return Flags(**self.usual(name), names=WORDS[:count], bits=bits)

    def floating(self, name: str) -> Float:
        """Return floating point with both limits, one, or none."""
        low = self.random.choice((None, Decimal(0), Decimal("-0.1"), Decimal("-1e4")))
        high = self.random.choice((None, Decimal("0.3"), Decimal("1000.7"), Decimal(65504)))
        return Float(**self.usual(name), bits=self.random.choice((16, 32, 64)), min=low, max=high)

    def listed(self, name: str) -> Field:
        """Return a list of values or a logarithmic scale."""
        if self.maybe():
            digits = self.random.choice((2, 9))
            values = {
                Decimal(self.random.randint(-(10**digits), 10**digits)).scaleb(
                    -self.random.randint(0, 4)
                )
                for _ in range(self.random.choice((2, 3, 9, 40)))
            }
            values |= {Decimal(-1), Decimal(10**digits + 1)}
            return Table(**self.usual(name), values=tuple(sorted(values)))
        return Logarithmic(
            **self.usual(name), min=Decimal(self.random.choice(("1e-9", "0.01", "3"))),
            max=Decimal(self.random.choice(("7", "3e9"))), steps=self.random.choice((1, 37, 254, 300)), digits=6,
        )  # fmt: skip

    def octets(self, name: str) -> Octets:
        """Return octets."""
        return Octets(**self.usual(name), **self.sized(9, "length_bits"))

    def text(self, name: str) -> Text:
        """Return text."""
        encoding = self.random.choice(("utf-8", "ascii"))
        return Text(**self.usual(name), encoding=encoding, **self.sized(12, "length_bits"))

    def series(self, name: str) -> Series:
        """Return samples with differences of every form."""
        random = self.random
        count = random.randint(1, (1 << random.choice((1, 3, 8, 14, 20, 33, 63))) - 1)
        low = (
            random.randint(-(1 << 62), (1 << 62) - count)
            if self.maybe(0.2)
            else random.randint(-99, 99)
        )
        keys: dict[str, Any] = {}
        if self.maybe():
            keys = {"deltas": "fixed", "delta_bits": random.randint(2, 32), "escape": self.maybe()}
        else:
            groups = (7, 15, 23, 31) if self.aligned else range(2, 32)
            keys = {"deltas": "variable", "group_bits": random.choice(groups)}
        if self.maybe(0.2):
            keys["bits"] = min(64, count.bit_length() + random.choice((1, 9)))
        return Series(
            **self.usual(name), min=Decimal(low), max=Decimal(low + count), coding=random.choice(CODINGS),
            **keys, **self.sized(6, "count_bits"),
        )  # fmt: skip

    def counter(self, name: str) -> Field:
        """Return a sequence number or a time."""
        if self.maybe():
            return Sequence(**self.usual(name), bits=self.random.randint(1, 64))
        return Time(**self.usual(name), bits=self.random.randint(1, 48), step=self.step())
